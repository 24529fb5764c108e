"""How far can each knob go before the verdict turns?"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from sim.ask.bad_end import hotter_and_emptier, shares
from sim.ask.candidates import Base, Row, observe, run_one, varied
from sim.ask.few_looks import close_in_few
from sim.ask.headroom_built import KNOBS_BUILT, days, greatest_pack_A, one_day_s
from sim.ask.hottest import drawing, drawn_when_hottest, hottest_begin_s, lasts_until_reserve_s
from sim.ask.knobs import Knob, Look, close_in, look_at, looks_at, share_of, turned
from sim.ask.lasting import first_day, settled
from sim.ask.whole import Whole, whole_run
from sim.errors import InputError
from sim.files.built_case import built_case, is_built
from sim.files.case import MOST_ROWS, Case, assemble
from sim.files.scenario_schema import MOST_DAYS, AmbientTable, LoadTable
from sim.files.weather_file import COLDEST_C, WARMEST_C
from sim.physics.limits import (
    CELL_CHARGE,
    CELL_DISCHARGE,
    CUTOFF,
    EMPTY,
    PACK_CURRENT,
    RESERVE,
)
from sim.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, ZERO_C_K

__all__ = ["Headroom", "Knob", "Look", "close_in", "headroom", "look_at"]
SCALE_STEP, SCALE_STEPS_BACK = 1.25, 30  # a load a thousandth of today's is the least tried
AIR_STEP_K = 2.0
CURRENT_STEP, LEAST_CURRENT = 1.5, 1e-3  # of what empties a cell in an hour, or its own limit
AIR_K = (1e-3, 0.02)  # how close the turn is found: of identical cells, of packs as built


@dataclass(frozen=True)
class Headroom:
    """All knobs, and the day as it is."""

    base: Base
    today: Row
    run: Whole
    load_scale: Knob
    ambient_shift_K: Knob
    colder_K: Knob  # the same the other way, where the day passes
    repeats: Knob
    peak_A: float  # of one pack over the day, charging included
    until_reserve_A: Knob  # a constant discharge current of one pack, when it heats most
    begins_s: float | None  # when that is, at the greatest; None where nothing holds
    whole_day_A: Knob  # the same held all day
    more: dict[str, Knob] = field(default_factory=dict)  # of a controller, of a charger
    # Load and air once more with every guess at its bad end, where the day passes; none of packs
    # as built.
    at_bad_end: dict[str, Knob] = field(default_factory=dict)


def _most(table: type[Any], name: str) -> float:
    """Return the greatest value that the schema accepts for a key."""
    return next(m.le for m in table.model_fields[name].metadata if hasattr(m, "le"))


def _closing(case: Case) -> Callable[..., tuple[Look, Look]]:
    """Return how a turn is closed in on: a look at packs as built takes so much longer."""
    return close_in_few if is_built(case.scenario) else close_in


def as_it_is(case: Case) -> Case:
    """Return `case`."""
    return case


def worst(case: Case) -> Case:
    """Return `case` with every guess at its hotter and emptier end at once."""
    return replace(case, plant=hotter_and_emptier(case.plant, shares(case)))


def at_bad_end(base: Base) -> dict[str, Knob]:
    """Return how far load and air can go with every guess at its bad end; none of packs as built.

    What stands at nought as it is, is beyond its limit as soon as any guess is off.
    """
    if is_built(base.case.scenario):
        return {}
    return {
        "load_scale": load_scale(base, worst),
        "ambient_shift_K": air(base, "ambient_shift_K", warmer=True, at=worst),
    }


def _lesser(knobs: dict[str, Knob], bad: dict[str, Knob]) -> dict[str, Knob]:
    """Return of each knob the one that goes less far, or that tells what a failing day lacks.

    A bad end of heat may be no bad one of frost, and with less voltage no cell is charged too far.
    """

    def far(knob: Knob) -> float:
        return -math.inf if knob.greatest is None else knob.greatest

    return {
        name: min(knobs[name], knob, key=far) if knob.passes_today else knob
        for name, knob in bad.items()
    }


def load_scale(base: Base, at: Callable[[Case], Case] = as_it_is) -> Knob:
    """Return how far the load can be scaled; 1 is the load as its file has it.

    `at` makes of each case the one that is marched, as `air` has it too.
    """
    today, most = base.case.scenario.load.scale, _most(LoadTable, "scale")
    begin = max(today, 1e-3)
    count = math.ceil(math.log(most / begin, SCALE_STEP))

    def scaled_by(scale: float) -> Case:
        return at(varied(base, (("load.scale", scale),)))

    return turned(
        "load_scale",
        lambda scale: look_at(scaled_by(scale), scale),
        today,
        (
            [min(begin * SCALE_STEP**n, most) for n in range(1, count + 1)],
            [begin / SCALE_STEP**n for n in range(1, SCALE_STEPS_BACK + 1)],
        ),
        lambda value: share_of(base.case) * value,
        lambda scales: looks_at(scaled_by, scales),
        _closing(base.case),
    )


def air(base: Base, name: str, *, warmer: bool, at: Callable[[Case], Case] = as_it_is) -> Knob:
    """Return by how much the outside air can be warmer, or colder [K].

    Cells that start as warm as the air do so still. Where the day fails as it is, colder air is
    tried, and where that does not help, warmer; as `ambient_shift_K` alone.
    """
    case, most_K = base.case, _most(AmbientTable, "shift_K")
    today_K = case.scenario.ambient.shift_K
    air_C = case.weather.ambient_K - ZERO_C_K
    up_K = min(most_K - today_K, WARMEST_C - float(air_C.max()) - 1e-6)
    down_K = min(today_K + most_K, float(air_C.min()) - COLDEST_C - 1e-6)

    def ladder(far_K: float, sign: float) -> list[float]:
        steps_K = np.append(np.arange(AIR_STEP_K, far_K, AIR_STEP_K), max(far_K, 0.0))
        return [today_K + sign * float(step_K) for step_K in steps_K]

    warm, cold = ladder(up_K, 1.0), ladder(down_K, -1.0)

    def shifted(shift_K: float) -> Case:
        return at(varied(base, (("ambient.shift_K", shift_K),)))

    def look(shift_K: float) -> Look:
        return look_at(shifted(shift_K), shift_K)

    def ahead(shifts_K: Sequence[float]) -> list[Look]:
        return looks_at(shifted, shifts_K)

    def turn(onwards: list[float], back: list[float]) -> Knob:
        near_K = AIR_K[is_built(case.scenario)]
        return turned(name, look, today_K, (onwards, back), lambda _: near_K, ahead, _closing(case))

    if not warmer:
        return turn(cold, [])
    found = turn(warm, cold)
    return turn(warm, warm) if found.greatest is None else found


def repeats(base: Base) -> Knob:
    """Return how often the load can be repeated without charging: doubled, then halved between."""
    case = base.case
    today, once = case.scenario.load.repeat, case.load_file.load
    rest_s = case.scenario.load.rest_after_h * SECONDS_PER_HOUR
    by_days = (MOST_DAYS * SECONDS_PER_DAY - rest_s) / float(once.edge_s[-1])
    most = int(min(_most(LoadTable, "repeat"), by_days, MOST_ROWS / len(once.value)))
    looks: dict[int, Look] = {}

    def look(count: int) -> Look:
        looks[count] = look_at(varied(base, (("load.repeat", count),)), count, stop=True)
        return looks[count]

    def knob(greatest: int | None, limit: str | None, to: int, note: str | None = None) -> Knob:
        seen = tuple(looks[count] for count in sorted(looks))
        return Knob("repeats", today, greatest, limit, first.passes, to, True, seen, note)

    first = look(today)
    good, bad = (today, most + 1) if first.passes else (0, today)
    step = 1
    try:
        while bad - good > 1:
            count = min(good + step, bad - 1) if bad > most else (good + bad) // 2
            if look(count).passes:
                good, step = count, 2 * step
            else:
                bad = count
    except InputError as problem:  # the weather's file may end
        return knob(good, None, good, problem.complaints[0])
    if bad > most:
        return knob(good, None, good)
    return knob(good or None, looks[bad].limit, bad)


def peak_A(case: Case) -> float:
    """Return the greatest current of one pack over the day, whichever way it flows."""
    if is_built(case.scenario):
        return greatest_pack_A(case)
    worst, limits = observe(settled(case), stop=False).worst, case.limits
    cell_A = [
        limits.cell_discharge_A - worst[CELL_DISCHARGE],
        limits.cell_charge_A - worst[CELL_CHARGE],
    ]
    return max(0.0, *(float(a) for a in cell_A)) * case.plant.pack.parallel


def held_all_day(case: Case, pack_A: float) -> Case:
    """Return `case` with a constant discharge current of each pack from its start to its end."""
    edges_s = np.array([0.0, one_day_s(case)])
    return drawing(case, edges_s, np.array([pack_A]))


def whole_day_current(base: Base) -> Knob:
    """Return the greatest constant current [A] of one pack that holds all limits all day."""
    return _greatest_current("whole_day_A", base, held_all_day, {PACK_CURRENT}, stop=False)


def until_reserve_current(base: Base) -> Knob:
    """Return the greatest constant current [A] of one pack from full to the reserve in the heat.

    Charge is no limit here but the end; where no reserve is set, cut-off is the end.
    """
    ignored = {PACK_CURRENT, RESERVE, EMPTY}
    no_reserve = base.case.limits.reserve_soc <= 0.0
    ignored |= {CUTOFF} if no_reserve else set()
    return _greatest_current("until_reserve_A", base, drawn_when_hottest, ignored, stop=no_reserve)


def _begins_s(case: Case, pack_A: float | None) -> float | None:
    """Return when a current down to the reserve is begun that heats most; None for none."""
    if pack_A is None:
        return None
    return hottest_begin_s(case, pack_A, lasts_until_reserve_s(case, pack_A))


def _greatest_current(
    name: str, base: Base, drawn: Callable[[Case, float], Case], ignored: set[int], *, stop: bool
) -> Knob:
    """Return how far a constant current can go, up to the cells' own limit and just past it."""
    case, parallel = base.case, base.case.plant.pack.parallel
    greatest_A = case.limits.cell_discharge_A * parallel
    in_an_hour_A = case.plant.cell.capacity_As / SECONDS_PER_HOUR * parallel
    least_A = LEAST_CURRENT * min(greatest_A, in_an_hour_A)
    count = math.ceil(math.log(greatest_A / least_A, CURRENT_STEP))
    found = turned(
        name,
        lambda pack_A: look_at(drawn(case, pack_A), pack_A, ignored, stop=stop),
        least_A,
        (
            [*(least_A * CURRENT_STEP**n for n in range(1, count)), greatest_A, 1.01 * greatest_A],
            [],
        ),
        lambda value: share_of(base.case) * value,
        lambda packs_A: looks_at(lambda pack_A: drawn(case, pack_A), packs_A, ignored, stop=stop),
        _closing(case),
    )
    return replace(found, today=None)


def headroom(
    content: dict[str, Any],
    path: Path,
    executor: Executor,
    progress: Callable[[int], None] | None = None,
) -> Headroom:
    """Return how far every knob of a scenario's content can go; each is a job of its own.

    `progress` is told how many are done, of `jobs_of`. Raises InputError where the scenario can't
    be used, ArithmeticError where the day as it is can't be run.
    """
    base = Base(content, path, assemble(content, path))
    if is_built(base.case.scenario):
        built_case(base.case)  # refuses what can't be built
    once = replace(base, case=first_day(base.case))  # a constant current knows no days
    # The one that takes longest first, so that no thread is left with it at the end.
    jobs = {
        "colder_K": executor.submit(air, base, "colder_K", warmer=False),
        "load_scale": executor.submit(load_scale, base),
        "ambient_shift_K": executor.submit(air, base, "ambient_shift_K", warmer=True),
        "repeats": executor.submit(days if _by_day(content) else repeats, base),
        "until_reserve_A": executor.submit(until_reserve_current, once),
        "whole_day_A": executor.submit(whole_day_current, once),
    }
    more = {name: executor.submit(KNOBS_BUILT[name], base) for name in _more(content)}
    bad = executor.submit(at_bad_end, base)
    every: list[Future[Any]] = [*jobs.values(), *more.values(), bad]
    try:
        run = whole_run(base.case)
        for done, _ in enumerate(as_completed(every), 1):
            if progress:
                progress(done)
        knobs = {name: job.result() for name, job in jobs.items()}
        beside = {name: job.result() for name, job in more.items()}
    finally:  # what is not finished by now is not wanted
        for job in every:
            job.cancel()
    today = run_one(base, ())
    return Headroom(
        base=base,
        today=today,
        run=run,
        peak_A=peak_A(base.case),
        begins_s=_begins_s(once.case, knobs["until_reserve_A"].greatest),
        more=beside,
        at_bad_end=_lesser(knobs, bad.result()) if today.passes else {},
        **knobs,
    )


def jobs_of(content: dict[str, Any]) -> int:
    """Return how many knobs there are to turn in a scenario's content."""
    return 7 + len(_more(content))


def _by_day(content: dict[str, Any]) -> bool:
    """Return whether a load repeats by the day, charged in between or not."""
    load = content.get("load")
    several = isinstance(load, dict) and load.get("days", 1) != 1
    return "charger" in content or several


def _more(content: dict[str, Any]) -> list[str]:
    """Return the knobs of a controller and a charger that a scenario's content has."""
    controller, found = content.get("controller"), []
    if isinstance(controller, dict) and "current_max_A" in controller:
        found += ["controller_A", "controller_least_A"]
    return found + (["charge_A", "charge_least_A"] if "charger" in content else [])
