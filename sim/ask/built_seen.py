"""A pack as built as searches see it: whether it passes, its margins, and what gives first.

The verdict is that of `sim.ask.built` for the same scenario, without what only explains it: one
pack out, the bad end, and the audit's second look.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim.ask.built_boards import BoardAnswer, boards, decides
from sim.ask.built_run import UNDELIVERED, never_charged, settings_of, through, undelivered
from sim.ask.lasting import is_open, keeps_changing, run_until
from sim.files.built_case import BuiltCase
from sim.integrate.built_records import OPENS_S, Run, Settings
from sim.judge.built import Placed, balances, complaints, group_charge, judged
from sim.physics.board import LOWEST_GROUP_V
from sim.physics.built import GROUP_COUNT
from sim.physics.limits import BEYOND_REACH, NAMES, OVERCHARGE, PACK_CURRENT, RESERVE

# Stand in for a limit.
NEVER, NOT_DELIVERED, STILL_CHANGES = "never_charged", "undelivered", "still_changes"
PERHAPS = 0.1
OF_PACK = " of pack "


@dataclass(frozen=True)
class Failure:
    """One thing that keeps a pack from passing. `time_s` is None where it has no instant."""

    name: str  # of a limit, of a board's threshold, or one of the three above
    time_s: float | None
    where: str  # a cell, group or pack in words; "" where there is no place
    may: bool = False  # trips at the early end of its tolerance only


@dataclass(frozen=True)
class BuiltSeen:
    """A finished run of a pack as built, judged."""

    case: BuiltCase  # with the days that were run
    run: Run
    placed: Placed
    failures: tuple[Failure, ...]  # in order of time
    complaints: tuple[str, ...]  # why it can't be believed
    undelivered: float  # share of the energy asked

    @property
    def passes(self) -> bool:
        """Whether nothing fails and the balances close, as in `BuiltResult.passed`."""
        return not self.failures and not self.complaints and self.placed.verdict.passed

    @property
    def end_soc(self) -> float:
        """The state of charge of the emptiest group at the end."""
        return float(group_charge(self.run).min())

    def looked_at(self, worst: np.ndarray) -> np.ndarray:
        """Return worst margins (COUNT,) without the one at which a charger holds the voltage.

        A charger that charges full comes to the full voltage by intent: as a margin that is the
        least of all and tells nothing, unless a cell goes beyond.
        """
        charger, limits = self.run.day.charger, self.placed.verdict.limits
        series = self.run.built.group[GROUP_COUNT, : self.run.built.pack_at[1]].sum()
        full_V = limits[OVERCHARGE].level
        found = worst.copy()
        by_intent = full_V is not None and charger.voltage_V >= full_V * series * (1.0 - 1e-3)
        if by_intent and charger.current_A > 0.0 and found[OVERCHARGE] >= 0.0:
            found[OVERCHARGE] = np.inf
        return found

    def worth(self, name: str) -> float:
        """Return a number below zero that ranks a failure which has no margin, in percent.

        Of a board, or of a charge that never begins: the share of the day that was left, a tenth
        of it where the board trips perhaps. Of energy not delivered: its share. Of days that
        still change at the bound: a tenth, as of a board that trips perhaps at once.
        """
        if name == STILL_CHANGES:
            return -100.0 * PERHAPS
        if name == NOT_DELIVERED:
            return -100.0 * self.undelivered
        first = next(f for f in self.failures if f.name == name)
        left = 1.0 - min((first.time_s or 0.0) / float(self.run.legs.end_s[-1]), 0.999)
        return -100.0 * left * (PERHAPS if first.may else 1.0)


def place_of(case: BuiltCase, limit: int, index: int) -> str:
    """Return where the weakest part of a limit is, in words; "" where there is no place."""
    packs = case.built.pack.shape[1]
    if index < 0 or limit == BEYOND_REACH:
        return ""
    if limit == PACK_CURRENT:
        return f"pack {index + 1}" if packs > 1 else "the pack"
    if case.built.fixed.shape[1] == packs:  # one cell stands for all of its pack
        return f"pack {index + 1}" if packs > 1 else ""
    if limit == RESERVE:
        first = int(case.built.group_at[0, index])
        own = f"group {case.places.group[first] + 1}"
        return f"{own} of pack {case.places.pack[first] + 1}" if packs > 1 else own
    return case.places.name(index, packs)


def cells_marched(case: BuiltCase) -> str:
    """Return in words which cells are marched, and what for."""
    count, packs = case.built.fixed.shape[1], case.built.pack.shape[1]
    if count == packs:
        return "one cell stands for all of its pack: nothing tells them apart"
    if case.places.kind[0]:
        return 'the places of a module stand for all their cells ([layout] model = "places")'
    if np.all(case.built.group[0] == 1.0) and case.places.place.max() > 0:
        return "every cell is marched one by one, as the scenario asks"
    return "one cell stands for each kind of group"


def without_under_voltage(case: BuiltCase) -> BuiltCase:
    """Return a case whose boards never trip for the lowest group, for days that end at cut-off."""
    levels = {
        side: t._replace(trip=np.where(t.quantity == LOWEST_GROUP_V, -np.inf, t.trip))
        for side, t in case.thresholds.items()
    }
    return replace(case, thresholds=levels)


def observe_built(case: BuiltCase, *, stop: bool | None = None, keep: bool = False) -> BuiltSeen:
    """March the days of `case` and judge them; `stop` at limits that end a drive, or as it says.

    Raises ArithmeticError where nothing can be said.
    """
    settings = settings_of(case, keep=keep)
    settings = settings if stop is None else replace(settings, stop_at_limits=stop)
    asked = case
    case, run = _marched(asked, settings, "early")
    answers: tuple[BoardAnswer, ...] = ()
    # Where nothing unsure trips at the early end of its tolerance, that run is the answer.
    if int(run.switches.logged[0]) > 0:
        early = run
        if not decides(case, early):
            case, run = _marched(asked, settings, "stated")
        answers = boards(case, run, early if case is asked or run is early else None)
    placed, where = judged(case.case.limits, run)
    short = undelivered(run)
    failures = _of_limits(case, placed, where) + _of_boards(answers) + _of_charging(run)
    failures.sort(key=_when)
    if run.stopped_by is not None and not failures:  # by a crossing that is safe by a hair
        failures.append(Failure(NAMES[run.stopped_by], run.end_s, ""))
    if short > UNDELIVERED:
        failures.append(Failure(NOT_DELIVERED, None, ""))
    if keeps_changing(case.case) and not failures:
        failures.append(Failure(STILL_CHANGES, None, ""))
    return BuiltSeen(case, run, placed, tuple(failures), tuple(complaints(balances(run))), short)


def _marched(case: BuiltCase, settings: Settings, side: str) -> tuple[BuiltCase, Run]:
    """March the days of `case`, or as many as it takes; return the case of these days too."""
    if is_open(case.case):
        return run_until(case, settings, side)
    return case, through(case, settings, side)[0]


def gone_on(case: BuiltCase) -> Run:
    """March the days of `case` past every limit."""
    return through(case, settings_of(case, keep=False, stop_at_limits=False))[0]


def _when(failure: Failure) -> tuple[float, bool]:
    """Order by time; what a board shut is beyond reach for the board's sake."""
    assert failure.time_s is not None
    return failure.time_s, failure.name == NAMES[BEYOND_REACH]


def _of_limits(case: BuiltCase, placed: Placed, where: list[int]) -> list[Failure]:
    return [
        Failure(e.name, e.time_s, place_of(case, NAMES.index(e.name), at))
        for e, at in zip(placed.verdict.events, where, strict=True)
    ]


def _of_boards(answers: tuple[BoardAnswer, ...]) -> list[Failure]:
    """Return the thresholds that stop the drive, or may."""
    found = []
    for board in answers:
        if board.drive and board.answer != "will not":
            what, _, number = board.owner.partition(OF_PACK)
            where = f"pack {number}" if number else ""
            name = what.replace(" ", "_")
            found.append(Failure(name, board.first_s or 0.0, where, board.answer == "may"))
    return found


def _of_charging(run: Run) -> list[Failure]:
    opens_s = run.past.windows[never_charged(run), OPENS_S]
    return [Failure(NEVER, time_s, "") for time_s in opens_s.tolist()]
