"""Draws as runs: each row of values becomes a day of its own, marched and judged on the spot.

Days are made eight at a time and let go when their margins are known: a 1 Hz day of its own air
and load takes 3 MB, thousands of them would not fit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.ask.odds_factors import Factor
from sim.drive.legs import Legs
from sim.files.case import Case
from sim.files.cell_schema import CORE_TO_SURFACE
from sim.integrate import march
from sim.integrate.lanes import march_many
from sim.integrate.trace import Trace
from sim.judge.audit import balances, complaints
from sim.physics.cell import FIRST_PAIR
from sim.physics.limits import COUNT, Limits
from sim.physics.plant import BOX, CORE, SOC, SURFACE, WALL, Plant

Floats = NDArray[np.float64]
Lane = tuple[Plant, Limits, Legs, Floats]
BESIDE = 8  # runs that are made and marched together
NOTHING, NO_ANSWER, AUDIT = -1, -2, -3  # stand for a limit where none was crossed or none counts
SETTINGS = march.Settings(stop_at_limits=False, keep_trace=False)


@dataclass(frozen=True)
class Seen:
    """What became of many draws, one entry each.

    `margins` (n, COUNT) are least margins of the whole day, gone on with past its limits; `first`
    is the limit crossed first, or NOTHING, NO_ANSWER, AUDIT; `finished` is False where the model's
    own end stopped the run, so that nothing is known of the rest of its day.
    """

    margins: Floats
    first: NDArray[np.intp]
    finished: NDArray[np.bool_]
    end_soc: Floats
    complaints: tuple[tuple[int, str], ...]  # draw, why it can't be believed

    @property
    def passes(self) -> NDArray[np.bool_]:
        """Return which draws cross no limit and can be believed."""
        return self.first == NOTHING

    @property
    def unbelievable(self) -> int:
        """Return how many draws left the numbers or failed their audit."""
        return int(np.sum(self.first <= NO_ANSWER))


def drawn(case: Case, value: dict[str, float]) -> Case:
    """Return `case` with one draw in it: `value` holds each factor by its name."""
    from dataclasses import replace

    plant, limits, legs, start = lane_of(case, value)
    return replace(case, plant=plant, limits=limits, legs=legs, start=start)


def lane_of(case: Case, value: dict[str, float]) -> Lane:
    """Return one draw as (plant, limits, legs, start), as the march takes it."""
    legs, shift_K = case.legs, value.get("air", 0.0)
    changed: dict[str, Any] = {}
    if value.get("load", 1.0) != 1.0:
        changed["value"] = legs.value * value["load"]
    if shift_K != 0.0:
        changed["ambient_K"] = legs.ambient_K + shift_K
    if value.get("sun", 1.0) != 1.0:
        changed["sun_W"] = legs.sun_W * value["sun"]
        changed["sun_W_s"] = legs.sun_W_s * value["sun"]
    begin, start = case.scenario.start, case.start.copy()
    if begin.cell_C is None:
        start[CORE] += shift_K
        start[SURFACE] += shift_K
    if begin.box_C is None:
        start[BOX] += shift_K
        start[WALL] += shift_K
    # No group is fuller than full, were the weakest of few drawn better than the mean.
    start[SOC] = min(start[SOC] - value.get("weakest_charge", 0.0), 1.0)
    return _plant(case.plant, value), _limits(case.limits, value), legs._replace(**changed), start


def _limits(limits: Limits, value: dict[str, float]) -> Limits:
    """Return the limits of a draw: the cell that makes most heat has as much more current."""
    hotter = math.exp(value.get("hottest_cell", 0.0))
    return limits._replace(
        cell_discharge_A=limits.cell_discharge_A / hotter,
        cell_charge_A=limits.cell_charge_A / hotter,
    )


def _plant(plant: Plant, value: dict[str, float]) -> Plant:
    """Return the plant of a draw.

    The hottest cell makes more heat than the mean by a factor. Capacities and conductances less
    by that factor warm it alike, and leave to the box the mean cell's heat.
    """
    cell, film, box = plant.cell, plant.film, plant.box
    scale, ocv = np.ones(cell.layers.shape[-1]), cell.ocv.copy()
    hotter = math.exp(value.get("hottest_cell", 0.0))
    scale[:FIRST_PAIR] = value["resistance"] * math.exp(value.get("weakest_resistance", 0.0))
    scale[FIRST_PAIR::2] = value.get("polarisation", 1.0)
    ocv[..., 0] *= value["open_circuit"]
    ocv[..., 1] += (value.get("entropic", 1.0) - 1.0) * np.abs(ocv[..., 1])
    weaker = math.exp(-value.get("weakest_capacity", 0.0))
    to_air = value["cooling"] * value.get("exposed", 1.0) / hotter
    joints = value.get("joints", 1.0)
    return Plant(
        cell._replace(
            layers=cell.layers * scale,
            ocv=ocv,
            capacity_As=cell.capacity_As * value["capacity"] * weaker,
            core_J_K=cell.core_J_K * value["heat"] / hotter,
            surface_J_K=cell.surface_J_K * value["heat"] / hotter,
            core_to_surface_W_K=cell.core_to_surface_W_K
            / (value.get(CORE_TO_SURFACE, 1.0) * hotter),
        ),
        plant.pack._replace(
            joint_ohm=plant.pack.joint_ohm * joints, lead_ohm=plant.pack.lead_ohm * joints
        ),
        film._replace(
            area_m2=film.area_m2 * to_air,
            fixed_W_K=film.fixed_W_K * (to_air if film.fixed_W_K >= 0.0 else 1.0),
        ),
        box._replace(
            inside_W_K=box.inside_W_K * value.get("walls", 1.0),
            outside_W_K=box.outside_W_K * value.get("walls", 1.0),
        ),
    )


def in_two(legs: Legs) -> Legs:
    """Return legs of the same length, load and absolute load: what is drawn, then what comes back.

    The balances read no more of legs than that, and adding a 1 Hz day up takes longer than its run.
    """
    length_s, end_s = legs.end_s - legs.start_s, float(legs.end_s[-1])
    out = math.fsum(length_s * np.maximum(legs.value, 0.0))
    back = math.fsum(length_s * np.minimum(legs.value, 0.0))
    half_s = 0.5 * (end_s - float(legs.start_s[0]))
    edges_s = np.array([legs.start_s[0], end_s - half_s, end_s])
    two = {name: getattr(legs, name)[[0, 0]] for name in legs._fields[1:]}
    two |= {
        "start_s": edges_s[:2],
        "end_s": edges_s[1:],
        "value": np.array([out, back]) / half_s,
    }
    return legs._replace(**two)


def judged(lane: Lane, asked: Legs, trace: Trace) -> tuple[int, str]:
    """Return what is crossed first, and why the run can't be believed (empty where it can).

    `asked` is the lane's load in two legs. A run that is cut short fails anyway, by what cut it.
    """
    if not np.all(np.isfinite(trace.state)) or np.any(np.isnan(trace.worst)):
        return NO_ANSWER, "the run left the numbers (NaN or infinity)"
    first = trace.spells[0].limit if trace.spells else NOTHING
    if trace.stopped_by is not None:
        return first, ""
    told = complaints(balances(lane[0], asked, trace), (), None)
    return (AUDIT, "; ".join(told)) if told else (first, "")


def run_block(case: Case, factors: Sequence[Factor], asked: Legs, values: Floats) -> Seen:
    """March the draws `values` (n, factors) of `case`; `asked` is its load `in_two`."""
    names = [factor.name for factor in factors]
    rows = [dict(zip(names, map(float, row), strict=True)) for row in values]
    lanes = [lane_of(case, row) for row in rows]
    margins, end_soc = np.empty((len(rows), COUNT)), np.empty(len(rows))
    first, told = np.empty(len(rows), dtype=np.intp), []
    finished = np.empty(len(rows), dtype=np.bool_)
    traces = march_many(lanes, SETTINGS, 1)
    for n, (row, lane, trace) in enumerate(zip(rows, lanes, traces, strict=True)):
        scaled = asked._replace(value=asked.value * row.get("load", 1.0))
        first[n], why = judged(lane, scaled, trace)
        margins[n], end_soc[n] = trace.worst, trace.state[-1, SOC]
        finished[n] = trace.stopped_by is None
        if why:
            told.append((n, why))
    return Seen(margins, first, finished, end_soc, tuple(told))


def run_all(
    case: Case,
    factors: Sequence[Factor],
    values: Floats,
    executor: Executor,
    progress: Callable[[int], None] | None = None,
) -> Seen:
    """March all draws `values` (n, factors); `progress` is told how many are finished."""
    asked = in_two(case.legs)
    jobs: dict[Future[Seen], int] = {}
    found: dict[int, Seen] = {}
    done = 0
    try:
        for at in range(0, len(values), BESIDE):
            block = values[at : at + BESIDE]
            jobs[executor.submit(run_block, case, factors, asked, block)] = at
        for job in as_completed(jobs):
            found[jobs[job]] = job.result()
            done += len(job.result().first)
            if progress:
                progress(done)
    finally:  # what is not finished by now is not wanted
        for job in jobs:
            job.cancel()
    parts = sorted(found.items())
    told = [(at + n, why) for at, part in parts for n, why in part.complaints]
    return Seen(
        np.concatenate([part.margins for _, part in parts]),
        np.concatenate([part.first for _, part in parts]),
        np.concatenate([part.finished for _, part in parts]),
        np.concatenate([part.end_soc for _, part in parts]),
        tuple(told),
    )
