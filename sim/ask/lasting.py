"""As many days as it takes: run until a day repeats, until one fails, or up to a bound."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from sim.ask.built_boards import stops_a_drive
from sim.ask.built_run import UNDELIVERED, never_charged, settings_of, undelivered
from sim.drive.days import Ending, Lasted, legs_of_first_days, mornings_s
from sim.files.built_case import BuiltCase, built_case, is_built
from sim.files.case import Case, lasting
from sim.integrate import built_march, march
from sim.integrate.built_records import Bench, Run, Settings
from sim.integrate.trace import Trace
from sim.judge.built import judged
from sim.judge.mornings import Morning, alike_from, changes, near_a_limit
from sim.physics import built, plant
from sim.physics.built import State, copied
from sim.units import SECONDS_PER_DAY

FIRST_LOOK_DAYS = 8  # of identical cells, whose days cost little; then four times as many


def is_open(case: Case) -> bool:
    """Return whether it is still to be found out how many days `case` takes."""
    return case.scenario.load.until_it_repeats and case.lasted is None


def keeps_changing(case: Case) -> bool:
    """Return whether the bound on days was reached and they neither repeated nor failed."""
    return case.lasted is not None and case.lasted.ending == Ending.OPEN


def reopened(case: Case) -> Case:
    """Return `case` as it was before it was found out how many days it takes."""
    return case if case.whole is None else case.whole


def first_day(case: Case) -> Case:
    """Return the first day of `case` where it asks for as many as it takes; else as it is."""
    if not is_open(case):
        return case
    load = case.scenario.load.model_copy(update={"days": 1})
    scenario = case.scenario.model_copy(update={"load": load})
    one = lasting(case, Lasted(Ending.OPEN, 1, 1, None, None, None))
    return replace(one, scenario=scenario, lasted=None, whole=None)


def settled(case: Case) -> Case:
    """Return `case` with as many days as it takes, where it asks for that; else as it is.

    Raises InputError where packs can't be built, ArithmeticError where nothing can be said.
    """
    if not is_open(case):
        return case
    if is_built(case.scenario):
        return settled_built(built_case(case)).case
    most, days = case.scenario.load.most_days, 0
    lasted = None
    while lasted is None:
        days = min(4 * days or FIRST_LOOK_DAYS, most)
        legs = legs_of_first_days(case.legs, days)
        lasted = _lasted_alike(case, march.march(case.plant, case.limits, legs, case.start), days)
    return lasting(case, lasted)


def _lasted_alike(case: Case, trace: Trace, days: int) -> Lasted | None:
    """Return how a run of `days` ended; None where it tells nothing yet and may be longer."""
    most = case.scenario.load.most_days
    mornings = mornings_of(case, trace)
    fails_s = min((spell.start_s for spell in trace.spells), default=np.inf)
    if trace.stopped_by is not None:
        fails_s = min(fails_s, trace.end_s)
    closer = near_a_limit(trace.worst)
    for day in range(1, days + 1):
        if fails_s < day * SECONDS_PER_DAY:
            return lasted_of(mornings[: day + 1], day, most, fails=True)
        found = lasted_of(mornings[: day + 1], day, most, closer=closer)
        if found.ending == Ending.REPEATS:
            return found
    return found if days == most else None


def lasted_of(
    mornings: Sequence[Morning], days: int, most: int, *, fails: bool = False, closer: bool = False
) -> Lasted:
    """Return what became of `days` with these `mornings`, of the one that would come next too."""
    from_day = None if fails else alike_from(mornings, closer=closer)
    ending = Ending.FAILS if fails else Ending.OPEN if from_day is None else Ending.REPEATS
    change = None if len(mornings) < 2 else changes(*mornings[-2:])
    if change is None or not np.all(np.isfinite(change)):
        return Lasted(ending, days, most, from_day, None, None)
    return Lasted(ending, days, most, from_day, float(change[0]), float(change[1]))


def mornings_of(case: Case, trace: Trace) -> list[Morning]:
    """Return how each day of a run of identical cells begins, and how the last one ends."""
    found, pairs = [], len(case.plant.cell.pairs)
    for time_s in [0.0, *mornings_s(trace.end_s).tolist()]:
        state = trace.state[int(np.searchsorted(trace.time_s, time_s + 1e-6)) - 1]
        warm_K = state[[plant.CORE, plant.SURFACE, plant.BOX, plant.WALL]]
        first = plant.FIRST_OVERVOLTAGE
        pairs_V = state[first : first + pairs]
        found.append(Morning(warm_K, state[[plant.SOC]], pairs_V, np.zeros(0, dtype=np.bool_)))
    return found


def morning_of(state: State, tripped_s: np.ndarray) -> Morning:
    """Return how a day of packs as built begins."""
    cells = state.cells
    warm_K = np.concatenate([cells[[built.CORE, built.SURFACE]].ravel(), state.airs_K])
    pairs_V = cells[built.FIRST_OVER :].ravel()
    return Morning(warm_K, cells[built.SOC].copy(), pairs_V, np.isfinite(tripped_s))


def settled_built(case: BuiltCase) -> BuiltCase:
    """Return packs as built with as many days as it takes, where they ask for that."""
    if not is_open(case.case):
        return case
    return run_until(case, settings_of(case, keep=False, stop_at_limits=True))[0]


def run_until(case: BuiltCase, settings: Settings, side: str = "stated") -> tuple[BuiltCase, Run]:
    """March day after day until one repeats or fails; return the case of these days, and the run.

    Raises ArithmeticError where nothing can be said.
    """
    thresholds, most = case.thresholds[side], case.case.scenario.load.most_days
    state = copied(case.start)
    bench = built_march.bench_for(
        case.built, thresholds, case.legs, case.day, state, keep_rows=settings.keep
    )
    mornings = [morning_of(state, bench.switches.tripped_s)]
    first, good, day = 0, True, 0
    while True:
        day += 1
        last = int(np.searchsorted(case.legs.end_s, day * SECONDS_PER_DAY - 1e-6)) + 1
        run = built_march.go_on(
            case.built, thresholds, case.case.limits, case.legs, case.day, case.start, state,
            bench, settings, first, last,
        )  # fmt: skip
        good, first = good and run.settled, last
        run = replace(run, settled=good)
        mornings.append(morning_of(state, bench.switches.tripped_s))
        fails = _fails(case, run, last)
        closer = near_a_limit(run.book.worst)
        lasted = lasted_of(mornings, day, most, fails=fails, closer=closer)
        if lasted.ending != Ending.OPEN or day == most:
            break
    return _of_days(case, lasted), _cut(case, run, bench, last)


def _fails(case: BuiltCase, run: Run, last: int) -> bool:
    """Return whether anything keeps the days so far from passing."""
    verdict = judged(case.case.limits, run)[0].verdict
    never = never_charged(run)
    still = int(case.day.window[last]) if last < len(case.day.window) else -1
    if still >= 0:  # goes on as the next day begins, so that it is too early to tell
        never[still] = False
    return (
        not verdict.passed
        or bool(never.any())
        or undelivered(run) > UNDELIVERED
        or stops_a_drive(run)
    )


def _of_days(case: BuiltCase, lasted: Lasted) -> BuiltCase:
    legs = legs_of_first_days(case.legs, lasted.days)
    count = len(legs.start_s)
    day = case.day._replace(mode=case.day.mode[:count], window=case.day.window[:count])
    return replace(case, case=lasting(case.case, lasted), legs=legs, day=day)


def _cut(case: BuiltCase, run: Run, bench: Bench, last: int) -> Run:
    """Return a run as one that was never meant to last longer."""
    windows = int(case.day.window[:last].max(initial=-1)) + 1
    day = case.day._replace(mode=case.day.mode[:last], window=case.day.window[:last])
    legs = run.legs._replace(**{n: getattr(run.legs, n)[:last] for n in run.legs._fields[1:]})
    past = bench.past._replace(
        windows=bench.past.windows[:windows], charged=bench.past.charged[:windows]
    )
    return replace(run, legs=legs, day=day, past=past)
