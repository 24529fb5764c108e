"""One pack out: does the rest bring the vehicle home, by energy, by current and by heat?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim.ask.built_run import Hour, onward, settings_of
from sim.drive.legs import Legs
from sim.files.built_case import BuiltCase
from sim.files.case import Case
from sim.integrate import march
from sim.integrate.trace import Trace
from sim.judge.built import judged
from sim.judge.verdict import judge
from sim.physics.built import PACK_COUNT, copied
from sim.physics.limits import (
    BEYOND_REACH,
    CELL_CHARGE,
    CELL_DISCHARGE,
    CHARGE_HOT,
    CUTOFF,
    EMPTY,
    HOT,
    PACK_CURRENT,
)
from sim.units import SECONDS_PER_HOUR

# Which limits each of the three questions is about. The reserve is for such a day: using it up is
# no failure, so charge is judged to empty.
BY_ENERGY = (CUTOFF, EMPTY, BEYOND_REACH)
BY_CURRENT = (CELL_DISCHARGE, CELL_CHARGE, PACK_CURRENT)
BY_HEAT = (HOT, CHARGE_HOT)
SCALES = {CUTOFF: 0.1, EMPTY: 1.0, CELL_DISCHARGE: 1.0, CELL_CHARGE: 1.0, PACK_CURRENT: 1.0}
MOST_CELL_HOURS = 400  # beyond it only the likely worst hours are run with every cell


@dataclass(frozen=True)
class Aspect:
    """One of the three questions: the answer, and the worst hour with its limit and margin."""

    passed: bool
    hour_s: float | None  # the pack is out from then on
    pack: int | None
    limit: int | None
    margin: float | None  # in the limit's own unit; None where the run stopped
    stops_s: float | None = None  # where it stopped on the way


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


def _aspect(found: list[_Found], limits: tuple[int, ...]) -> Aspect:
    """Return the least margin of `limits`, each over its scale, and whether all are kept.

    A run that stopped at one of them is worse than any margin, the sooner the worse. Whatever it
    stopped at, it did not come home: that counts against its energy too.
    """
    best: tuple[float, Aspect] | None = None
    for one in found:
        if one.stops_s is not None and (one.stopped_by in limits or limits is BY_ENERGY):
            undone = (one.day_end_s - one.stops_s) / (one.day_end_s - one.hour_s)
            ranked = -1e6 * (1.0 + undone)
            aspect = Aspect(False, one.hour_s, one.pack, one.stopped_by, None, one.stops_s)
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
    energy, current, heat = (_aspect(found, kind) for kind in (BY_ENERGY, BY_CURRENT, BY_HEAT))
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


def one_out_built(case: BuiltCase, hours: list[Hour]) -> OneOut | None:
    """Return the answers for packs as built, each of them out in turn; None for one pack."""
    in_use = np.flatnonzero(case.built.pack[PACK_COUNT] > 0.0)
    if len(in_use) < 2:
        return None
    cells = case.built.fixed.shape[1]
    chosen = hours
    tried = "each pack out in turn, from every full hour on"
    if cells * len(hours) * len(in_use) > MOST_CELL_HOURS:
        # From the start the most is still to be done; when cells are hottest, the least is left.
        hottest = max(hours, key=lambda hour: float(hour.state.cells[1].max()))
        middle = hours[len(hours) // 2]
        chosen = sorted({id(h): h for h in (hours[0], middle, hottest)}.values(),
                        key=lambda hour: hour.time_s)  # fmt: skip
        tried = (
            "each pack out in turn, from the start, from halfway and from the hour of the hottest "
            "cell on (other hours are not run one by one with so many cells)"
        )
    settings = settings_of(case, keep=False)
    found: list[_Found] = []
    day_end_s = float(case.legs.end_s[-1])
    for pack in in_use.tolist():
        left = case.built.pack.copy()
        left[PACK_COUNT, pack] = 0.0
        without = replace(case, built=case.built._replace(pack=left))
        for hour in chosen:
            fresh = replace(hour, state=copied(hour.state))
            run = onward(without, fresh, settings)
            judged(case.case.limits, run)  # raises where the run left the numbers
            stops_s = None if run.stopped_by is None else run.end_s
            found.append(
                _Found(hour.time_s, pack, run.book.worst, stops_s, run.stopped_by, day_end_s)
            )
    return _answers(found, tried)
