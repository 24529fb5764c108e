"""One candidate: a scenario with some of its numbers replaced, run through its day and judged.

What comes back is a row of plain values. A candidate knows nothing of the others and gives the
same row, to the last bit, in whatever thread, process or order it is run.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from pydantic import TypeAdapter, ValidationError

from sim.ask.axes import PARALLEL, Changes, replaced
from sim.ask.built_axes import following
from sim.ask.built_seen import STILL_CHANGES, gone_on, observe_built
from sim.ask.lasting import keeps_changing, settled
from sim.files.built_case import BuiltCase, built_case, is_built
from sim.files.case import Case, assemble
from sim.integrate import march
from sim.integrate.lanes import march_many
from sim.integrate.trace import Trace
from sim.judge.audit import balances, complaints
from sim.judge.series import count, totals
from sim.judge.verdict import Verdict, judge, levels
from sim.physics.built import DELIVERED
from sim.physics.limits import COUNT, CUTOFF, EMPTY, HOT, NAMES, RESERVE, UNITS
from sim.physics.plant import SOC
from sim.units import SECONDS_PER_HOUR

# Margins have different units; over these they can be compared. Only a ranking hangs on the
# scales: where a margin is zero, the scaled one is zero too.
SCALES = {"V": 0.1, "K": 1.0, "%": 1.0, "A": 1.0}
POWER_SHARE = 0.01  # of the greatest load, the scale of margins in W
SHOWN_LEVELS = (CUTOFF, RESERVE, HOT)
AUDIT, NO_ANSWER = "audit", "no_answer"  # stand in for a limit where a run can't be believed


@dataclass(frozen=True)
class Base:
    """A scenario's content, where it was read, and a case of it to take its files over from."""

    content: dict[str, Any]
    path: Path
    case: Case


@dataclass(frozen=True)
class Row:
    """What became of one candidate; None where the run gave no numbers.

    A run that ends at a limit tells everything up to there, as `simulate` does. Only
    `margin_worst` is of the same day gone on with past its limits, so that it tells near misses
    from far ones; where cells are drained past empty it is a ranking and no more.
    """

    changes: Changes
    digest: str  # of all inputs as understood
    parallel: int
    cells: int
    mass_kg: float
    cost: float | None  # where the cell profile has a price
    levels: dict[str, float]  # of the limits that pictures show, where they are set
    passes: bool = False
    unanswered: bool = True  # fails for the model's own limits only: nothing said of the pack
    finished: bool = False  # False where the run ended at a limit
    share_of_day: float = 0.0  # that was run
    first_limit: str | None = None
    first_time_s: float | None = None
    margin_worst: float | None = None  # the least of all margins, each over its scale
    nearest_limit: str | None = None  # whose margin that is
    hottest_core_C: float | None = None
    lowest_cell_V: float | None = None
    end_soc: float | None = None
    energy_out_Wh: float | None = None
    margins: dict[str, float] = field(default_factory=dict)  # of what applied, in its own unit
    complaint: str | None = None  # why a run can't be believed
    # Of a pack as built only: where it gives first, whether no more than perhaps (inside a board's
    # tolerance), and the share of the energy asked that is not delivered.
    first_where: str | None = None
    may: bool = False
    undelivered: float = 0.0
    least_soc: float | None = None  # of any cell, over all days
    # Of days that are run until they repeat only.
    days_run: int | None = None
    repeats_from: int | None = None  # the first day, from 1, that all later ones are like


@cache
def _shape() -> TypeAdapter[Row]:
    return TypeAdapter(Row)


def row_from(text: str) -> Row:
    """Return the row that a line of JSON holds; raise ValueError, TypeError, KeyError for none."""
    try:
        _shape().validate_json(text, strict=True)
    except ValidationError as problem:
        first = problem.errors()[0]
        raise ValueError(f"{'.'.join(map(str, first['loc']))}: {first['msg']}") from None
    content = json.loads(text)
    return Row(**{**content, "changes": tuple(map(tuple, content["changes"]))})


def varied(base: Base, changes: Changes) -> Case:
    """Return the case of `base` with `changes` in it; raise InputError where it can't be used."""
    content = following(replaced(base.content, changes), changes, base.path)
    return assemble(content, base.path, base.case)


def observe(case: Case, *, stop: bool) -> Trace:
    """March the day, ending at the limits that end a drive or going on past them (`stop` False)."""
    return observe_many([case], stop=stop, threads=1)[0]


def observe_many(cases: Sequence[Case], *, stop: bool, threads: int | None = None) -> list[Trace]:
    """March many days side by side, as `observe` does each."""
    days = [(case.plant, case.limits, case.legs, case.start) for case in cases]
    settings = march.Settings(stop_at_limits=stop, keep_trace=False)
    return march_many(days, settings, threads)


def scaled(case: Case, worst: np.ndarray) -> np.ndarray:
    """Return worst margins (COUNT,) over their scales; infinite where a limit never applied."""
    power_W = POWER_SHARE * float(np.max(np.abs(case.legs.value), initial=0.0)) or 1.0
    return worst / np.array([SCALES.get(unit, power_W) for unit in UNITS])


def run_one(base: Base, changes: Changes) -> Row:
    """Run one candidate; raise InputError where its numbers can't be used.

    A run that leaves the numbers, or whose balances do not close, is a row that does not pass.
    """
    return run_batch(base, [changes])[0]


def run_batch(base: Base, batch: Sequence[Changes]) -> list[Row]:
    """Run candidates side by side, in this thread; each row is that of `run_one`, to the bit.

    Packs as built are run one after the other.
    """
    cases = [varied(base, changes) for changes in batch]
    if not is_built(base.case.scenario):
        cases = [settled(case) for case in cases]
    else:
        pairs = zip(cases, batch, strict=True)
        return [_built_row(built_case(case), changes) for case, changes in pairs]
    stops = [case.scenario.limits.on_cutoff == "stop" for case in cases]
    traces: dict[int, Trace] = {}
    for stop in (True, False):
        own = [n for n, wanted in enumerate(stops) if wanted is stop]
        found = observe_many([cases[n] for n in own], stop=stop, threads=1)
        traces.update(zip(own, found, strict=True))
    cut = [n for n in range(len(cases)) if traces[n].stopped_by is not None and stops[n]]
    whole = observe_many([cases[n] for n in cut], stop=False, threads=1)
    worst = {n: trace.worst for n, trace in traces.items()}
    worst |= {n: trace.worst for n, trace in zip(cut, whole, strict=True)}
    return [
        _judged(case, changes, traces[n], worst[n])
        for n, (case, changes) in enumerate(zip(cases, batch, strict=True))
    ]


def _judged(case: Case, changes: Changes, trace: Trace, worst: np.ndarray) -> Row:
    """Return the row of a finished run; `worst` = the least margins of the whole day (COUNT,)."""
    try:
        verdict = judge(case.limits, case.legs, trace)
    except ArithmeticError as problem:
        return _row(case, changes, complaint=str(problem), first_limit=NO_ANSWER)
    return _row(case, changes, **_found(case, trace, verdict, worst))


def _found(case: Case, trace: Trace, verdict: Verdict, worst: np.ndarray) -> dict[str, Any]:
    """Return what a row says of a run that gave numbers."""
    told = complaints(balances(case.plant, case.legs, trace), (), None)
    margins = scaled(case, worst)
    least = int(np.argmin(margins))
    first = verdict.first
    sums = totals(trace)
    name = first.name if first else AUDIT if told else None
    if name is None and keeps_changing(case):
        name = STILL_CHANGES
    return {
        "passes": verdict.passed and name is None,
        "unanswered": verdict.unanswered,
        "finished": verdict.finished,
        "share_of_day": trace.end_s / float(case.legs.end_s[-1]),
        "first_limit": name,
        "first_time_s": first.time_s if first else None,
        "margin_worst": _finite(float(margins[least])),
        "nearest_limit": NAMES[least],
        "hottest_core_C": verdict.limit(HOT).worst,
        "lowest_cell_V": verdict.limit(CUTOFF).worst,
        "end_soc": float(trace.state[-1, SOC]),
        "energy_out_Wh": sums["delivered_J"] * count(case.plant) / SECONDS_PER_HOUR,
        "margins": {
            NAMES[n]: float(trace.worst[n]) for n in range(COUNT) if math.isfinite(trace.worst[n])
        },
        "complaint": "; ".join(told) or None,
    }


def _built_row(case: BuiltCase, changes: Changes) -> Row:
    """Return the row of a pack as built; where its run stops, a second goes on for the margins."""
    try:
        seen = observe_built(case)
        case = seen.case
        whole = seen.run if seen.run.stopped_by is None else gone_on(case)
    except ArithmeticError as problem:
        return _row(case.case, changes, complaint=str(problem), first_limit=NO_ANSWER)
    verdict, worst = seen.placed.verdict, seen.run.book.worst
    scales = scaled(case.case, seen.looked_at(whole.book.worst))
    apart = {f.name: seen.worth(f.name) for f in seen.failures if f.name not in NAMES}
    ranked = {**dict(zip(NAMES, scales.tolist(), strict=True)), **apart}
    least = min(ranked, key=lambda name: ranked[name])
    first = seen.failures[0] if seen.failures else None
    found = {
        "passes": seen.passes,
        "unanswered": verdict.unanswered and not apart,
        "finished": verdict.finished,
        "share_of_day": seen.run.end_s / float(case.legs.end_s[-1]),
        "first_limit": first.name if first else AUDIT if seen.complaints else None,
        "first_time_s": first.time_s if first else None,
        "first_where": first.where or None if first else None,
        "may": first.may if first else False,
        "undelivered": seen.undelivered,
        "margin_worst": _finite(ranked[least]),
        "nearest_limit": least,
        "hottest_core_C": verdict.limit(HOT).worst,
        "lowest_cell_V": verdict.limit(CUTOFF).worst,
        "end_soc": seen.end_soc,
        "least_soc": float(worst[EMPTY]) / 100.0,
        "energy_out_Wh": float(seen.run.state.box_sums[DELIVERED]) / SECONDS_PER_HOUR,
        "margins": {NAMES[n]: float(worst[n]) for n in range(COUNT) if math.isfinite(worst[n])},
        "complaint": "; ".join(seen.complaints) or None,
    }
    return _row(case.case, changes, **found)


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _row(case: Case, changes: Changes, **found: Any) -> Row:
    """Return a row: what the pack is, then what was found of it."""
    cells, profile = count(case.plant), case.profile
    level, lasted = levels(case.limits), case.lasted
    return Row(
        changes=changes,
        digest=case.digest,
        parallel=case.scenario.pack.parallel,
        cells=cells,
        mass_kg=cells * profile.size.mass_g / 1000.0,
        cost=None if profile.price is None else cells * profile.price,
        levels={NAMES[n]: level[n] for n in SHOWN_LEVELS if math.isfinite(level[n])},
        days_run=None if lasted is None else lasted.days,
        repeats_from=None if lasted is None else lasted.from_day,
        **found,
    )


def value_of(row: Row, key: str) -> float:
    """Return what stands at a dotted key of a row's changes, or its parallel count."""
    return row.parallel if key == PARALLEL else dict(row.changes)[key]
