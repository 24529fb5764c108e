"""The run by scipy: one `solve_ivp` a leg, events by root-finding on its dense solution.

Restarted at every leg because no error control sees a load edge coming: a step over a whole
pulse succeeds and misses it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq, minimize_scalar

from sim.drive.legs import Legs, leg_at
from sim.integrate.trace import KEPT_S, Record, States, Trace
from sim.physics.box import Box
from sim.physics.cell import Cell
from sim.physics.compiled import bare_apart, compiled_apart
from sim.physics.film import Film
from sim.physics.limits import BEYOND_MODEL, COUNT, STOPS_DRIVE, Limits, margins
from sim.physics.pack import Pack
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE, SOC, WALL, Leg, Plant, rates, terminals

Dense = Callable[[Any], NDArray[np.float64]]


@dataclass(frozen=True)
class Settings:
    """How hard to try, and whether a limit that ends the drive ends the run.

    LSODA by measurement: see tests/benchmarks. It turns stiff where a fast pair makes it so.
    """

    method: str = "LSODA"
    relative: float = 1e-8
    longest_step_s: float = 300.0
    stop_at_limits: bool = True


@bare_apart
def rates_of(plant, leg, time_s, state, rate):
    """Fill `rate` as `plant.rates` does, of records handed over as plain tuples.

    These cross over from Python in a tenth of the time that named ones take, which is ten times
    what the rates themselves take.
    """
    cell, pack, film, box = plant
    whole = Plant(Cell(*cell), Pack(*pack), Film(*film), Box(*box))
    rates(whole, Leg(*leg), time_s, state, rate)


@compiled_apart
def look(plant, limits, leg, states, margin):
    """Fill `margin` (m, COUNT) for `states` (m, n) under one leg's load."""
    for i in range(states.shape[0]):
        y = states[i]
        margins(limits, plant, y[SOC], y[CORE], terminals(plant, leg, y), margin[i])


def tolerance(plant: Plant, size: int, relative: float) -> NDArray[np.float64]:
    """Return the absolute tolerance of each state: what is a small error in its own unit."""
    absolute = np.full(size, 1e6 * relative)  # sums over a day, J and A s
    absolute[SOC] = relative
    absolute[CORE : WALL + 1] = 100.0 * relative  # 1 uK at 1e-8
    pairs = len(plant.cell.pairs)
    absolute[FIRST_OVERVOLTAGE : FIRST_OVERVOLTAGE + pairs] = relative
    return absolute


def solved(
    plant: Plant, leg: Leg, state: NDArray[np.float64], settings: Settings, **asked: Any
) -> Any:
    """Return scipy's solution of one leg; `asked` says what of it, as to `solve_ivp`.

    Raises ArithmeticError where scipy gives up.
    """
    parts, load = tuple(map(tuple, plant)), tuple(leg)

    def right_side(time_s: float, y: NDArray[np.float64]) -> NDArray[np.float64]:
        rate = np.empty_like(y)
        rates_of(parts, load, time_s, y, rate)
        return rate

    solution = solve_ivp(
        right_side,
        (leg.start_s, leg.end_s),
        state,
        method=settings.method,
        rtol=settings.relative,
        atol=tolerance(plant, len(state), settings.relative),
        max_step=settings.longest_step_s,
        **asked,
    )
    if not solution.success:
        gave_up_s = solution.t[-1]
        raise ArithmeticError(f"solve_ivp gave up at {gave_up_s:.3f} s: {solution.message}")
    return solution


class _Legwise:
    """One run's fixed parts, and what is done in each leg behind solving: look, find crossings."""

    def __init__(self, plant: Plant, limits: Limits) -> None:
        self.plant, self.limits = plant, limits

    def margins_at(self, leg: Leg, times_s: NDArray[np.float64], dense: Dense) -> Any:
        """Return margins (m, COUNT) on the dense solution."""
        states = np.ascontiguousarray(dense(times_s).T)
        found = np.empty((len(times_s), COUNT))
        look(self.plant, self.limits, leg, states, found)
        return found

    def one_margin(self, leg: Leg, dense: Dense, limit: int) -> Callable[[float], float]:
        """Return the margin of one limit as a function of time."""

        def margin(time_s: float) -> float:
            return float(self.margins_at(leg, np.array([time_s]), dense)[0, limit])

        return margin

    def finer(
        self, leg: Leg, dense: Dense, times_s: NDArray[np.float64], worst: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return instants and their margins: steps, middles, and every low that may matter.

        A low between two looks may dip below zero and come back, so wherever three looks show
        one that could reach below zero or below the worst so far, its bottom is found.
        """
        middles = 0.5 * (times_s[1:] + times_s[:-1])
        times_s = np.sort(np.concatenate([times_s, middles]))
        found = self.margins_at(leg, times_s, dense)
        before, here, after = found[:-2], found[1:-1], found[2:]
        with np.errstate(invalid="ignore"):  # limits that don't apply are inf - inf
            dip = np.fmax(before - here, after - here)
            low = (here <= before) & (here <= after) & (dip > 0.0)
            matters = low & (here - dip < np.maximum(worst, 0.0))
        bottoms = [
            minimize_scalar(
                self.one_margin(leg, dense, int(limit)),
                bounds=(times_s[i], times_s[i + 2]),
                method="bounded",
                options={"xatol": 1e-6 * (times_s[i + 2] - times_s[i])},
            ).x
            for i, limit in zip(*np.nonzero(matters), strict=True)
        ]
        look_s = np.unique(np.concatenate([times_s, bottoms]))
        same = not bottoms and len(look_s) == len(times_s)
        return look_s, found if same else self.margins_at(leg, look_s, dense)

    def crossings(
        self, leg: Leg, dense: Dense, times_s: NDArray[np.float64], found: NDArray[np.float64]
    ) -> Iterator[tuple[float, int, bool]]:
        """Yield (instant, limit, into) for each change of sign between neighbouring looks."""
        changes = (found[:-1] < 0.0) != (found[1:] < 0.0)
        for i, limit in zip(*np.nonzero(changes), strict=True):
            margin = self.one_margin(leg, dense, int(limit))
            into = bool(found[i + 1, limit] < 0.0)
            low_s, high_s = times_s[i], times_s[i + 1]
            instant_s = (
                low_s
                if found[i, limit] == 0.0
                else brentq(margin, low_s, high_s, xtol=1e-9, rtol=1e-14)
            )
            yield float(instant_s), int(limit), into


def march(
    plant: Plant,
    limits: Limits,
    legs: Legs,
    start: NDArray[np.float64],
    settings: Settings = Settings(),
    progress: Callable[[float], None] | None = None,
) -> Trace:
    """Integrate `legs` from the state `start` (n,), or until a limit ends the run.

    Raises ArithmeticError where scipy itself gives up. `progress` is told the time reached [s].
    """
    run = _Legwise(plant, limits)
    ends = (*STOPS_DRIVE, BEYOND_MODEL) if settings.stop_at_limits else (BEYOND_MODEL,)
    record = Record()
    times: list[NDArray[np.float64]] = []
    states: list[NDArray[np.float64]] = []
    index: list[NDArray[np.intp]] = []
    state, steps, stopped_by, end_s = start, 0, None, float(legs.start_s[0])
    for i in range(len(legs.start_s)):
        leg = leg_at(legs, plant.pack, i)
        at_edge = np.empty((1, COUNT))
        look(plant, limits, leg, state[None, :], at_edge)
        record.look(leg.start_s, at_edge[0])
        past = [limit for limit in ends if at_edge[0, limit] < 0.0]
        if past:
            times.append(np.array([leg.start_s]))
            states.append(state[None, :])
            index.append(np.array([i]))
            stopped_by = past[0]
            break
        solution = solved(plant, leg, state, settings, dense_output=True)
        step_s, dense = solution.t, solution.sol
        steps += len(step_s) - 1
        look_s, found = run.finer(leg, dense, step_s, record.worst)
        changes = sorted(run.crossings(leg, dense, look_s, found))
        fatal = next((c for c in changes if c[2] and c[1] in ends), None)
        end_s = fatal[0] if fatal else leg.end_s
        _enter(record, look_s, found, changes, end_s)
        if fatal:
            record.lowest(end_s, run.margins_at(leg, np.array([end_s]), dense)[0])
        kept_s = _kept_s(leg.start_s, end_s)
        along = np.ascontiguousarray(dense(kept_s).T)
        along[0] = state  # the dense solution repeats its start only to rounding
        state = along[-1].copy()
        times.append(kept_s)
        states.append(along)
        index.append(np.full(len(kept_s), i))
        if progress:
            progress(end_s)
        if fatal:
            stopped_by = fatal[1]
            break
    return Trace(
        np.concatenate(times),
        np.concatenate(states),
        np.concatenate(index),
        record.worst,
        record.worst_s,
        record.finish(),
        end_s,
        stopped_by,
        steps,
    )


def states_along(
    plant: Plant, legs: Legs, start: NDArray[np.float64], settings: Settings
) -> States:
    """Integrate `legs` from the state `start` (n,) with no look at any limit; none ends the run.

    Half the work of `march`. Raises ArithmeticError where scipy itself gives up.
    """
    times, states, index, state = [], [], [], start
    for i in range(len(legs.start_s)):
        leg = leg_at(legs, plant.pack, i)
        kept_s = _kept_s(leg.start_s, leg.end_s)
        along = solved(plant, leg, state, settings, t_eval=kept_s).y.T.copy()
        along[0] = state  # the dense solution repeats its start only to rounding
        state = along[-1].copy()
        times.append(kept_s)
        states.append(along)
        index.append(np.full(len(kept_s), i))
    return States(np.concatenate(times), np.concatenate(states), np.concatenate(index))


def _kept_s(start_s: float, end_s: float) -> NDArray[np.float64]:
    """Return the instants of a leg at which a state is kept."""
    return np.linspace(start_s, end_s, 1 + max(1, math.ceil((end_s - start_s) / KEPT_S - 1e-9)))


def _enter(
    record: Record,
    look_s: NDArray[np.float64],
    found: NDArray[np.float64],
    changes: list[tuple[float, int, bool]],
    end_s: float,
) -> None:
    """Enter one leg's looks and crossings into the record in order of time, up to `end_s`.

    The first look is the leg's edge, which the caller has entered from the state itself.
    """
    if not changes and look_s[-1] <= end_s and record.calm(look_s[1:], found[1:]):
        return
    waiting = [change for change in changes if change[0] <= end_s]
    for time_s, margin in zip(look_s[1:], found[1:], strict=True):
        while waiting and waiting[0][0] <= time_s:
            instant_s, limit, into = waiting.pop(0)
            record.cross(limit, instant_s, into=into)
        if time_s > end_s:
            break
        record.look(float(time_s), margin)
    for instant_s, limit, into in waiting:
        record.cross(limit, instant_s, into=into)
