"""Will a board trip? Three answers: not even at the early end of its tolerance, maybe, yes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.ask.built_run import settings_of, through
from sim.files.built_case import BuiltCase
from sim.integrate.built_records import Run
from sim.physics.board import (
    AT_VALUE,
    CHARGE_PATH,
    CHARGER,
    CLOSED,
    COLDEST_K,
    HOTTEST_K,
    IN_USE,
    WHEN,
    WHICH,
)
from sim.units import SECONDS_PER_DAY, ZERO_C_K

CHATTERS = 5  # trips of one threshold within 24 h: past them it switches rather than protects


@dataclass(frozen=True)
class Switching:
    """One threshold tripping or letting go."""

    owner: str
    time_s: float
    closed: bool  # True where it let go
    value: float  # V, A or C
    in_use: bool  # whether current flowed the way it opened


@dataclass(frozen=True)
class BoardAnswer:
    """What becomes of one threshold over the day. `answer` is "will not", "may" or "will" trip.

    Only trips that break a current are counted in the answer: a path that is shut while nobody
    wants it breaks nothing.
    """

    owner: str
    answer: str
    first_s: float | None  # of the run with levels as stated, or else as early as they may be
    trips: int  # with levels as stated
    breaks: int
    chatters: bool
    drive: bool  # whether it stops the drive, or its braking, and not a charge
    braking: bool = False  # whether it breaks the current of a vehicle that brakes


def switchings(case: BuiltCase, run: Run) -> list[Switching]:
    """Return every trip and release in order of time."""
    rows = run.switches.log[: min(int(run.switches.logged[0]), len(run.switches.log))]
    found = []
    for row in rows.tolist():
        k = int(row[WHICH])
        warm = int(run.thresholds.quantity[k]) in (HOTTEST_K, COLDEST_K)
        value = row[AT_VALUE] - (ZERO_C_K if warm else 0.0)
        found.append(
            Switching(case.owners[k], row[WHEN], bool(row[CLOSED]), value, bool(row[IN_USE]))
        )
    return found


def _breaks(run: Run) -> tuple[np.ndarray, np.ndarray]:
    """Return for each threshold how often it broke a current, and when first (NaN for never)."""
    k = len(run.thresholds.trip)
    count, first_s = np.zeros(k, dtype=int), np.full(k, np.nan)
    rows = run.switches.log[: min(int(run.switches.logged[0]), len(run.switches.log))]
    for row in rows.tolist():
        if not row[CLOSED] and row[IN_USE]:
            which = int(row[WHICH])
            count[which] += 1
            if np.isnan(first_s[which]):
                first_s[which] = row[WHEN]
    return count, first_s


def _chatters(run: Run, k: int) -> bool:
    """Return whether threshold `k` trips more than `CHATTERS` times within any 24 h."""
    rows = run.switches.log[: min(int(run.switches.logged[0]), len(run.switches.log))]
    when_s = rows[(rows[:, WHICH] == k) & (rows[:, CLOSED] == 0.0), WHEN]
    if len(when_s) < int(run.switches.trips[k]):
        return True  # more often than there is room to enter
    return bool(np.any(when_s[CHATTERS:] - when_s[: len(when_s) - CHATTERS] < SECONDS_PER_DAY))


def _broken_braking(run: Run) -> set[int]:
    """Return the thresholds that broke the current of a braking vehicle: its motor brakes no more.

    What packs pass each other and what a charger gives is none.
    """
    legs, found = run.legs, set()
    rows = run.switches.log[: min(int(run.switches.logged[0]), len(run.switches.log))]
    for row in rows.tolist():
        leg = int(np.searchsorted(legs.start_s, row[WHEN], side="right")) - 1
        if not row[CLOSED] and row[IN_USE] and legs.value[leg] < 0.0:
            found.add(int(row[WHICH]))
    return found


def _of_drive(run: Run, k: int, braking: set[int]) -> bool:
    return k in braking or not int(run.thresholds.opens[k]) & (CHARGE_PATH | CHARGER)


def stops_a_drive(run: Run) -> bool:
    """Return whether a threshold broke a current of the drive."""
    (count, _), braking = _breaks(run), _broken_braking(run)
    return any(count[k] and _of_drive(run, k, braking) for k in range(len(count)))


def broken_drives(case: BuiltCase, run: Run) -> list[tuple[str, float]]:
    """Return each threshold that broke a current of the drive in a run, and when first."""
    (count, first_s), braking = _breaks(run), _broken_braking(run)
    return [
        (owner, float(first_s[k]))
        for k, owner in enumerate(case.owners)
        if count[k] and _of_drive(run, k, braking)
    ]


def decides(case: BuiltCase, early: Run) -> bool:
    """Return whether a run at the early ends of the tolerances is that at any other, too.

    So it is where nothing trips that has a tolerance: what trips later still does not either.
    """
    unsure = case.thresholds["early"].trip != case.thresholds["late"].trip
    return not early.switches.trips[unsure].any()


def boards(case: BuiltCase, run: Run, early: Run | None = None) -> tuple[BoardAnswer, ...]:
    """Return the answer for every threshold; runs the day at both ends of the tolerances.

    `run` is with levels as stated; `early` with those at the early end, where it is known already.
    """
    if not case.owners:
        return ()
    late, settings = run, settings_of(case, keep=False)
    if np.array_equal(case.thresholds["early"].trip, case.thresholds["late"].trip):
        early = run
    elif early is None:
        early, _ = through(case, settings, "early")
    if not decides(case, early):
        late, _ = through(case, settings, "late")
    counts = {name: _breaks(r) for name, r in (("early", early), ("stated", run), ("late", late))}
    braking, found = set.union(*(_broken_braking(r) for r in (early, run, late))), []
    for k, owner in enumerate(case.owners):
        count, first_s = counts["stated"]
        answer = "will" if counts["late"][0][k] else "may" if counts["early"][0][k] else "will not"
        when = first_s[k] if count[k] else counts["early"][1][k]
        trips = int(run.switches.trips[k])
        found.append(
            BoardAnswer(
                owner,
                answer,
                None if np.isnan(when) else float(when),
                trips,
                int(count[k]),
                _chatters(run, k),
                _of_drive(run, k, braking),
                k in braking,
            )
        )
    return tuple(found)
