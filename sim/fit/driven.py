"""A log made ready for the fit: state of charge, temperature and looked-up places of each row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.fit.curve import CURVE_SOC, REST_C, temperature_of
from sim.fit.log import Floats, Log
from sim.units import SECONDS_PER_HOUR, ZERO_C_K

GAS_J_MOL_K = 8.314462618  # CODATA 2018, exact by definition
REFERENCE_K = 25.0 + ZERO_C_K
# Of the resistance tables; denser where resistance bends.
KNOTS_SOC = np.array([0, 0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0])
LEAST_SOC = 0.02  # rows below are not compared: a percent of charge is 0.2 V there
MOST_ROWS = 2000  # of one log that are compared; the model runs through all of them
START_C = 1.0 / 20.0  # less current than this at the first row is as good as rest
NEAR_FULL = 0.03  # a rest this near the top is a full cell that was let rest
UNSURE_V = 0.15  # per unit of charge: a flatter curve than this places no rest


@dataclass(frozen=True)
class Places:
    """Where (n,) values lie on a grid: the interval, and how far into it (0 to 1)."""

    interval: NDArray[np.intp]
    part: Floats

    def at(self, values: Floats) -> Floats:
        """Return straight lines between `values` (grid, ...) at these places (n, ...)."""
        part = self.part.reshape(-1, *(1,) * (values.ndim - 1))
        return values[self.interval] * (1.0 - part) + values[self.interval + 1] * part


def places(soc: Floats, grid: Floats, *, beyond: bool = False) -> Places:
    """Return where `soc` lies on `grid`; held at its ends, or drawn on `beyond` them."""
    interval = np.clip(np.searchsorted(grid, soc, side="right") - 1, 0, len(grid) - 2)
    part = (soc - grid[interval]) / (grid[interval + 1] - grid[interval])
    return Places(interval, part if beyond else np.clip(part, 0.0, 1.0))


@dataclass(frozen=True)
class Driven:
    """One log (n rows) as the model is driven by it.

    `soc` is where the voltage is read: at the row, or in the middle of a row that is a mean.
    `flow_A` is what flows through the pairs up to the row, `compared` which rows are compared.
    """

    log: Log
    start_soc: float
    soc: Floats
    span_s: Floats
    flow_A: Floats
    x: Floats  # (1/T - 1/T_ref)/R_gas [mol/J]
    warm_K: Floats
    middle: Places  # on KNOTS_SOC
    look: Places  # on KNOTS_SOC
    open: Places  # on CURVE_SOC
    compared: NDArray[np.intp]


def driven(log: Log, capacity_Ah: float, start_soc: float, rest_C: float = REST_C) -> Driven:
    """Return `log` made ready, beginning at `start_soc`, for a cell of `capacity_Ah`."""
    out = start_soc - log.charge_Ah / capacity_Ah
    before = np.insert(out[:-1], 0, start_soc)
    middle = 0.5 * (out + before)
    soc = middle if log.means else out
    span_s, flow_A, gone = log.interval_s, log.current_A.copy(), log.unlogged
    if gone.any():
        step_A = -np.diff(out, prepend=start_soc) * capacity_Ah * SECONDS_PER_HOUR
        mean_A = np.divide(step_A, span_s, out=np.zeros_like(step_A), where=span_s > 0.0)
        other_A = np.roll(log.current_A, -1 if log.means else 1)
        quiet = np.maximum(np.abs(log.current_A), np.abs(other_A)) < rest_C * capacity_Ah
        # Drawn soon after the row before and rested since, as pulse tests do between their groups.
        flow_A[gone] = np.where(quiet, 0.0, mean_A)[gone]
    warm_K = temperature_of(log) + ZERO_C_K
    usable = np.flatnonzero(np.isfinite(log.voltage_V) & (soc >= LEAST_SOC))
    step = -(-len(usable) // MOST_ROWS) if len(usable) else 1
    return Driven(
        log=log,
        start_soc=start_soc,
        soc=soc,
        span_s=span_s,
        flow_A=flow_A,
        x=(1.0 / warm_K - 1.0 / REFERENCE_K) / GAS_J_MOL_K,
        warm_K=warm_K,
        middle=places(middle, KNOTS_SOC),
        look=places(soc, KNOTS_SOC),
        open=places(soc, CURVE_SOC, beyond=True),
        compared=usable[::step],
    )


def start_soc(log: Log, curve_V: Floats, capacity_Ah: float) -> tuple[float, str]:
    """Return the state of charge at a log's first row, and how it is known.

    From a first row at rest, on the open-circuit curve `curve_V` over CURVE_SOC; full where that
    is near the top, or where the log begins under load and so tells nothing.
    """
    if abs(log.current_A[0]) > START_C * capacity_Ah or not np.isfinite(log.voltage_V[0]):
        return 1.0, "begins under load; taken to begin full"
    soc = float(np.interp(log.voltage_V[0], curve_V, CURVE_SOC))
    if soc > 1.0 - NEAR_FULL:
        return 1.0, "begins full"
    slope = np.interp(soc + 0.02, CURVE_SOC, curve_V) - np.interp(soc - 0.02, CURVE_SOC, curve_V)
    if slope < UNSURE_V * 0.04:
        return 1.0, "its curve is too flat to tell the charge at the start; taken to begin full"
    return soc, f"begins at {100.0 * soc:.0f} %, by its rested voltage"


def span_K(logs: Sequence[Driven]) -> tuple[float, float]:
    """Return the coldest and warmest cell [K] of the logs, the rarest 5 % at each end left out."""
    low = min(float(np.quantile(d.warm_K, 0.05)) for d in logs)
    high = max(float(np.quantile(d.warm_K, 0.95)) for d in logs)
    return low, high
