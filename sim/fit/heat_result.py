"""What a heat fit leaves: parameters with errors and doubts, residuals, whether to use it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.fit.heat_data import HeatOptions, OcvTable
from sim.fit.heat_doubts import Collapse, Lag
from sim.fit.heat_model import HeatValues, Unknowns

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Parameter:
    """One fitted number; `doubt` says why the logs don't tell it, None where they do."""

    name: str
    value: float
    sd: float
    at_bound: bool
    doubt: str | None


@dataclass(frozen=True)
class Residual:
    """One log's measured and fitted surface (n,) over time, and how far they part."""

    name: str
    time_s: Floats
    measured_C: Floats
    fitted_C: Floats
    rms_K: float
    peak_K: float  # greatest difference, without sign
    rate_A: float
    lines: tuple[int, int]  # first and last physical line used


@dataclass(frozen=True)
class HeatFit:
    """Thermal parameters from logs, with what is wrong with them.

    `fitted` is False where nothing may be claimed of another rate; `refusals` say why.
    `correlations` (n, n) goes with `parameters`. `cost` is to be held against `points`, the number
    of independent measurements. `starts_differ_K` is what near-best starts make of twice the
    rate. `rates_A` and `range_C` (of the surface) bound what was fitted. `x` and `covariance` are
    of the inner `unknowns`.
    """

    values: HeatValues
    parameters: tuple[Parameter, ...]
    correlations: Floats
    fitted: bool
    refusals: tuple[str, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    residuals: tuple[Residual, ...]
    collapse: Collapse
    lags: tuple[Lag, ...]
    cost: float
    points: float
    starts_differ_K: float
    options: HeatOptions
    ocv: OcvTable
    rates_A: tuple[float, float]
    range_C: tuple[float, float]
    x: Floats
    covariance: Floats
    unknowns: Unknowns

    def parameter(self, name: str) -> Parameter:
        """Return one parameter; KeyError where none begins with `name`."""
        for found in self.parameters:
            if found.name.startswith(name):
                return found
        raise KeyError(name)
