"""One pack out: does the rest bring the vehicle home, by energy, by current and by heat?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim.ask.built_places import fewer_cells
from sim.ask.built_run import UNDELIVERED, Hour, onward, settings_of, through
from sim.drive.legs import Legs
from sim.files.built_case import BuiltCase
from sim.files.case import Case
from sim.integrate import march
from sim.integrate.built_records import Run
from sim.integrate.trace import Trace
from sim.judge.built import judged
from sim.judge.verdict import judge
from sim.physics.board import (
    CHARGE_PATH,
    CHARGER,
    CLOSED,
    COLDEST_K,
    DISCHARGE_A,
    HOTTEST_K,
    IN_USE,
    LOWEST_GROUP_V,
    WHEN,
    WHICH,
)
from sim.physics.built import ASKED, PACK_COUNT, SHORT, sensors_in
from sim.physics.bus import CHARGE
from sim.physics.limits import (
    BEYOND_REACH,
    CELL_CHARGE,
    CELL_DISCHARGE,
    CHARGE_HOT,
    COLD,
    CUTOFF,
    EMPTY,
    HOT,
    OVERCHARGE,
    PACK_CURRENT,
)
from sim.units import SECONDS_PER_DAY, SECONDS_PER_HOUR

# Which limits each of the three questions is about. The reserve is for such a day: using it up is
# no failure, so charge is judged to empty.
BY_ENERGY = (CUTOFF, EMPTY, BEYOND_REACH)
# Braking goes to fewer cells as well: what lifts them past full is its current.
BY_CURRENT = (CELL_DISCHARGE, CELL_CHARGE, PACK_CURRENT, OVERCHARGE)
BY_HEAT = (HOT, CHARGE_HOT)
SCALES = {CUTOFF: 0.1, OVERCHARGE: 0.1}  # of a margin; 1 % or 1 A of all others
# A board that opens on the way: which question its trip answers with no, and under which limit.
BY_TRIP = {
    LOWEST_GROUP_V: (BY_ENERGY, CUTOFF),
    COLDEST_K: (BY_ENERGY, COLD),
    DISCHARGE_A: (BY_CURRENT, PACK_CURRENT),
    HOTTEST_K: (BY_HEAT, HOT),
}
MOST_CELL_HOURS = 400  # beyond it hours are searched with few cells, and the worst run with all
SEARCH_STEP_S = 5.0
WORST_RUN_AGAIN = 2  # hours for each question


@dataclass(frozen=True)
class Aspect:
    """One of the three questions: the answer, and the worst hour with its limit and margin."""

    passed: bool
    hour_s: float | None  # the pack is out from then on
    pack: int | None
    limit: int | None
    margin: float | None  # in the limit's own unit; None where the run stopped
    stops_s: float | None = None  # where it stopped on the way
    whole: bool = True  # False where it passed, but a run stopped before it could tell of the rest
    short: float | None = None  # share of the energy asked that was not delivered


@dataclass(frozen=True)
class OneOut:
    """The three answers, over every hour from which a pack may be out."""

    energy: Aspect
    current: Aspect
    heat: Aspect
    hours: int
    tried: str  # what was run, in words

    @property
    def passed(self) -> bool:
        """Whether the rest brings the vehicle home in every way."""
        return self.energy.passed and self.current.passed and self.heat.passed


@dataclass(frozen=True)
class _Found:
    """What became of the rest of the day with one pack out from an hour on."""

    hour_s: float
    pack: int  # -1 where they are alike
    worst: np.ndarray  # (COUNT,) margins
    stops_s: float | None  # None where it came home
    stopped_by: int | None
    day_end_s: float
    trips: tuple[tuple[int, float], ...] = ()  # what a board looked at as it opened, and when
    short: float = 0.0  # share of the energy asked that was not delivered


def _aspect(found: list[_Found], limits: tuple[int, ...]) -> Aspect:
    """Return the least margin of `limits`, each over its scale, and whether all are kept.

    A run that stopped at one of them is worse than any margin, the more so the longer it still
    had to go. Whatever it stopped at, it did not come home: that counts against its energy too, as
    does what was not delivered on the way.
    """
    best: tuple[float, Aspect] | None = None
    for one in found:
        if one.stops_s is not None and (one.stopped_by in limits or limits is BY_ENERGY):
            ranked = -1e6 * (1.0 + one.day_end_s - one.stops_s)
            aspect = Aspect(False, one.hour_s, one.pack, one.stopped_by, None, one.stops_s)
            best = min(best or (ranked, aspect), (ranked, aspect), key=lambda pair: pair[0])
        if one.short > UNDELIVERED and limits is BY_ENERGY:
            ranked = -1e3 * (1.0 + one.short)
            aspect = Aspect(False, one.hour_s, one.pack, None, None, short=one.short)
            best = min(best or (ranked, aspect), (ranked, aspect), key=lambda pair: pair[0])
        for quantity, time_s in one.trips:
            asked, limit = BY_TRIP[quantity]
            if asked is limits:
                ranked = -1e6 * (1.0 + one.day_end_s - time_s)
                aspect = Aspect(False, one.hour_s, one.pack, limit, None, time_s)
                best = min(best or (ranked, aspect), (ranked, aspect), key=lambda pair: pair[0])
        for limit in limits:
            margin = float(one.worst[limit])
            if np.isfinite(margin):
                ranked = margin / SCALES.get(limit, 1.0)
                aspect = Aspect(margin >= 0.0, one.hour_s, one.pack, limit, margin)
                best = min(best or (ranked, aspect), (ranked, aspect), key=lambda pair: pair[0])
    return Aspect(True, None, None, None, None) if best is None else best[1]


def _answers(found: list[_Found], tried: str) -> OneOut:
    hours = len({one.hour_s for one in found})
    whole = all(one.stops_s is None for one in found)
    energy, current, heat = (
        replace(aspect, whole=whole or not aspect.passed)
        for aspect in (_aspect(found, kind) for kind in (BY_ENERGY, BY_CURRENT, BY_HEAT))
    )
    return OneOut(energy, current, heat, hours, tried)


def part_from(legs: Legs, time_s: float) -> Legs:
    """Return the legs from a time on; the one that holds it begins there."""
    first = int(np.searchsorted(legs.end_s, time_s, side="right"))
    left = {name: getattr(legs, name)[first:].copy() for name in legs._fields[1:]}
    past_s = max(time_s - float(left["start_s"][0]), 0.0)
    left["start_s"][0] += past_s
    left["ambient_K"][0] += left["ambient_K_s"][0] * past_s
    left["sun_W"][0] += left["sun_W_s"][0] * past_s
    return legs._replace(**left)


def one_out_alike(case: Case, trace: Trace) -> OneOut | None:
    """Return the answers for like packs; None where there is one pack only.

    One pack fewer carries the whole load from every full hour on, from the state of the day.
    """
    if case.scenario.pack.packs < 2:
        return None
    fewer = case.plant.pack._replace(packs=case.plant.pack.packs - 1)
    plant = case.plant._replace(pack=fewer)
    stop = case.scenario.limits.on_cutoff == "stop"
    settings = march.Settings(stop_at_limits=stop, keep_trace=False)
    found: list[_Found] = []
    day_end_s = float(case.legs.end_s[-1])
    for time_s in np.arange(0.0, trace.end_s, SECONDS_PER_HOUR).tolist():
        at = int(np.searchsorted(trace.time_s, time_s, side="right")) - 1
        begin_s = float(trace.time_s[max(at, 0)])  # kept at least once a minute
        part = part_from(case.legs, begin_s)
        run = march.march(plant, case.limits, part, trace.state[max(at, 0)].copy(), settings)
        judge(case.limits, part, run)  # raises where the run left the numbers
        stops_s = None if run.stopped_by is None else run.end_s
        found.append(_Found(time_s, -1, run.worst, stops_s, run.stopped_by, day_end_s))
    return _answers(found, "one pack of like ones out, from every full hour on")


def _home(case: BuiltCase, hour: Hour) -> int | None:
    """Return up to which leg the vehicle is on its way from an hour on; None if it drives no more.

    It is home when it is charged after the last drive of that day, or else when the run ends.
    """
    legs, mode = case.legs, case.day.mode
    day_end_s = SECONDS_PER_DAY * (hour.time_s // SECONDS_PER_DAY + 1.0)
    end = len(legs.start_s)
    if np.any(mode == CHARGE):
        end = int(np.searchsorted(legs.start_s, day_end_s - 1e-6))
    drives = hour.leg + np.flatnonzero(legs.value[hour.leg : end])
    if not len(drives):
        return None
    home = int(drives[-1]) + 1
    while home < end and mode[home] != CHARGE:
        home += 1
    return home


def _trips(run: Run) -> tuple[tuple[int, float], ...]:
    """Return each trip that broke a drive, by what the board looked at."""
    rows = run.switches.log[: min(int(run.switches.logged[0]), len(run.switches.log))]
    of = run.thresholds
    return tuple(
        (int(of.quantity[int(row[WHICH])]), float(row[WHEN]))
        for row in rows.tolist()
        if row[IN_USE]
        and not row[CLOSED]
        and not of.opens[int(row[WHICH])] & (CHARGE_PATH | CHARGER)
    )


def _short(hour: Hour, run: Run) -> float:
    """Return the share of what was asked from `hour` on that was not delivered."""
    asked_J, short_J = (run.state.box_sums - hour.state.box_sums)[[ASKED, SHORT]]
    return float(short_J / asked_J) if asked_J > 0.0 else 0.0


def _without(case: BuiltCase, hours: list[Hour], jobs: set[tuple[int, float]], step_s: float,
             ) -> list[_Found]:  # fmt: skip
    """Return what becomes of each (pack, hour) of `jobs`; boards at the early end of their band."""
    settings = settings_of(case, keep=False, longest_step_s=step_s)
    found: list[_Found] = []
    for pack, hour_s in sorted(jobs):
        hour = next(h for h in hours if h.time_s == hour_s)
        home = _home(case, hour)
        left = case.built.pack.copy()
        left[PACK_COUNT, pack] = 0.0
        without = replace(case, built=case.built._replace(pack=left))
        run = onward(without, hour, settings, home, "early")
        judged(case.case.limits, run)  # raises where the run left the numbers
        stops_s = None if run.stopped_by is None else run.end_s
        home_s = float(case.legs.end_s[(home or len(case.legs.end_s)) - 1])
        worst, trips, short = run.book.worst, _trips(run), _short(hour, run)
        found.append(_Found(hour_s, pack, worst, stops_s, run.stopped_by, home_s, trips, short))
    return found


def one_out_built(case: BuiltCase, hours: list[Hour]) -> OneOut | None:
    """Return the answers for packs as built, each of them out in turn; None for one pack.

    With many cells the hours are searched with few that stand for them, and the worst hours of
    each question and the start are run once more with every cell: these runs answer. Few cells
    have no sensors, and their boards cut off where those of the pack feel nothing: then all hours
    are run with every cell.
    """
    in_use = np.flatnonzero(case.built.pack[PACK_COUNT] > 0.0).tolist()
    if len(in_use) < 2:
        return None
    on_the_way = [hour.time_s for hour in hours if _home(case, hour) is not None]
    jobs = {(pack, hour_s) for pack in in_use for hour_s in on_the_way}
    tried = f"each pack out in turn, from each of {len(on_the_way)} full hours on until it is home"
    few = fewer_cells(case)
    cells, no_search = case.built.fixed.shape[1], len(sensors_in(case.built)) > 0
    no_search = no_search or case.built.fixed.shape[1] * len(jobs) <= MOST_CELL_HOURS
    if no_search or few.built.fixed.shape[1] == cells:
        return _answers(_without(case, hours, jobs, settings_of(case).longest_step_s), tried)
    search = settings_of(few, keep=False, longest_step_s=SEARCH_STEP_S)
    _, few_hours = through(few, search, hourly=True)
    there = {hour.time_s for hour in few_hours}
    rough = _without(few, few_hours, {job for job in jobs if job[1] in there}, SEARCH_STEP_S)
    worst = {(pack, on_the_way[0]) for pack in in_use} if on_the_way else set()
    for kind in (BY_ENERGY, BY_CURRENT, BY_HEAT):
        left = rough
        for _ in range(WORST_RUN_AGAIN):
            one = _aspect(left, kind)
            if one.hour_s is not None and one.pack is not None:
                worst.add((one.pack, one.hour_s))
            left = [f for f in left if (f.pack, f.hour_s) not in worst]
    found = _without(case, hours, worst, settings_of(case).longest_step_s)
    said = (
        f"{tried}, searched with {few.built.fixed.shape[1]} cells that stand for all {cells}; the "
        "worst hours and the start run again with every cell"
    )
    return replace(_answers(found, said), hours=len(on_the_way))
