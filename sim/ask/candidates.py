"""One candidate: a scenario with some of its numbers replaced, run through its day and judged.

What comes back is a row of plain values. A candidate knows nothing of the others and gives the
same row, to the last bit, in whatever thread, process or order it is run.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from sim.ask.axes import PARALLEL, Changes, replaced
from sim.files.case import Case, assemble
from sim.integrate import march
from sim.integrate.trace import Trace
from sim.judge.audit import balances, complaints
from sim.judge.series import count, totals
from sim.judge.verdict import Verdict, judge, levels
from sim.physics.limits import COUNT, CUTOFF, HOT, NAMES, RESERVE, UNITS
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


def varied(base: Base, changes: Changes) -> Case:
    """Return the case of `base` with `changes` in it; raise InputError where it can't be used."""
    return assemble(replaced(base.content, changes), base.path, base.case)


def observe(case: Case, *, stop: bool) -> Trace:
    """March the day, ending at the limits that end a drive or going on past them (`stop` False)."""
    settings = march.Settings(stop_at_limits=stop, keep_trace=False)
    return march.march(case.plant, case.limits, case.legs, case.start, settings)


def gone_on_with(case: Case, trace: Trace) -> np.ndarray:
    """Return the least margins (COUNT,) of the whole day, where `trace` may end at a limit.

    What is left of the day is marched from the state in which it ended.
    """
    legs = case.legs
    first = int(legs.end_s.searchsorted(trace.end_s, side="right"))
    if trace.stopped_by is None or first == len(legs.end_s):
        return trace.worst
    left = {name: getattr(legs, name)[first:].copy() for name in legs._fields[1:]}
    past_s = max(trace.end_s - left["start_s"][0], 0.0)
    left["start_s"][0] += past_s
    left["ambient_K"][0] += left["ambient_K_s"][0] * past_s
    left["sun_W"][0] += left["sun_W_s"][0] * past_s
    rest = replace(case, legs=legs._replace(**left), start=trace.state[-1])
    return np.minimum(trace.worst, observe(rest, stop=False).worst)


def scaled(case: Case, worst: np.ndarray) -> np.ndarray:
    """Return worst margins (COUNT,) over their scales; infinite where a limit never applied."""
    power_W = POWER_SHARE * float(np.max(np.abs(case.legs.value), initial=0.0)) or 1.0
    return worst / np.array([SCALES.get(unit, power_W) for unit in UNITS])


def run_one(base: Base, changes: Changes) -> Row:
    """Run one candidate; raise InputError where its numbers can't be used.

    A run that leaves the numbers, or whose balances do not close, is a row that does not pass.
    """
    case = varied(base, changes)
    trace = observe(case, stop=case.scenario.limits.on_cutoff == "stop")
    try:
        verdict = judge(case.limits, case.legs, trace)
    except ArithmeticError as problem:
        return _row(case, changes, complaint=str(problem), first_limit=NO_ANSWER)
    return _row(case, changes, **_found(case, trace, verdict))


def _found(case: Case, trace: Trace, verdict: Verdict) -> dict[str, Any]:
    """Return what a row says of a run that gave numbers."""
    told = complaints(balances(case.plant, case.legs, trace), (), None)
    margins = scaled(case, gone_on_with(case, trace))
    least = int(np.argmin(margins))
    first = verdict.first
    sums = totals(trace)
    return {
        "passes": verdict.passed and not told,
        "unanswered": verdict.unanswered,
        "finished": verdict.finished,
        "share_of_day": trace.end_s / float(case.legs.end_s[-1]),
        "first_limit": first.name if first else AUDIT if told else None,
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


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _row(case: Case, changes: Changes, **found: Any) -> Row:
    """Return a row: what the pack is, then what was found of it."""
    cells, profile = count(case.plant), case.profile
    level = levels(case.limits)
    return Row(
        changes=changes,
        digest=case.digest,
        parallel=case.scenario.pack.parallel,
        cells=cells,
        mass_kg=cells * profile.size.mass_g / 1000.0,
        cost=None if profile.price is None else cells * profile.price,
        levels={NAMES[n]: level[n] for n in SHOWN_LEVELS if math.isfinite(level[n])},
        **found,
    )


def value_of(row: Row, key: str) -> float:
    """Return what stands at a dotted key of a row's changes, or its parallel count."""
    return row.parallel if key == PARALLEL else dict(row.changes)[key]
