"""Reasons not to believe a heat fit: rates that don't collapse, columns out of step, bare priors.

A good fit with wrong parameters is the rule here, not the exception, so a small misfit proves
nothing by itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from sim.fit.heat_data import KNOTS, NONE, HeatOptions, OcvTable, Run
from sim.fit.heat_model import (
    ACROSS,
    CAPACITY,
    CONTACT,
    COOLING,
    ENTROPIC,
    SURFACE_SHARE,
    HeatValues,
    Unknowns,
    temperatures_K,
    warm_rates_A,
)
from sim.physics.film import Film, conductance_W_K
from sim.units import MILLI, ZERO_C_K

Floats = NDArray[np.float64]

# Rates this far apart count as two; further apart, a contact can be told from entropy.
TWO_RATES, CONTACT_RATES = 1.4, 1.9  # the latter: twice, as far as a logger holds a current
COLLAPSE_SOC = np.linspace(0.05, 0.95, 13)  # edges of the bins; near empty nothing collapses
SPREAD_V, SPREAD_OF_DROP = 0.008, 0.05  # of one curve, at most; or of the mean drop
READ_K, AIR_K, COARSE_V = 0.05, 0.2, 0.020  # a bin that these make less sure than that is left out
LAG_S, LAG_SDS = 20.0, 3.0
OUT_OF_STEP_ROWS, BIG_JUMP = 10, 0.1  # rows looked at; a step of the current, of its greatest
RESTS_ON_PRIOR = 0.8  # of the prior's spread is left: the logs said next to nothing
ONE_SCALE = 0.95


@dataclass(frozen=True)
class Collapse:
    """Reversible heat a unit of charge, -T dU/dT, by each run's own balance: one curve if right.

    `reversible_V` is (runs, bins), NaN where a run tells nothing of a bin, `fitted_V` (bins,) what
    the fit has; `spread_V` is the rms of the runs about their mean, `fan_mohm` how the curves part
    as the rate rises, `allowed_V` the spread below which they count as one. `holds` is None where
    no two rates can be compared.
    """

    soc: Floats
    reversible_V: Floats
    fitted_V: Floats
    rate_A: Floats
    spread_V: float
    fan_mohm: float
    allowed_V: float
    holds: bool | None


def collapse(
    runs: tuple[Run, ...], values: HeatValues, film: Film, ocv: OcvTable, shifts_K: Floats
) -> Collapse:
    """Balance each run's heat bin by bin: (C dT/dt + loss)/I - (U - V) + I Rx = -T dU/dT.

    Temperatures are the measured ones; only the difference between core and surface is the
    model's.
    """
    middle = 0.5 * (COLLAPSE_SOC[1:] + COLLAPSE_SOC[:-1])
    rows = [
        _reversible_V(run, values, film, ocv, shift_K)
        for run, shift_K in zip(runs, shifts_K, strict=True)
    ]
    reversible_V, drop_V = np.array([row[0] for row in rows]), np.array([row[1] for row in rows])
    rate_A = np.array([run.rate_A for run in runs])
    reference_K = ocv.reference_C + ZERO_C_K
    fitted_V = -reference_K * np.interp(middle, KNOTS, values.entropic_V_K)
    warm = np.array([run.rate_A in warm_rates_A(runs) for run in runs])
    shared = np.isfinite(reversible_V[warm]).sum(axis=0) >= 2
    rates_A = rate_A[warm]
    if not shared.any() or rates_A.max() < TWO_RATES * rates_A.min():
        nothing = float("nan")
        return Collapse(middle, reversible_V, fitted_V, rate_A, nothing, nothing, nothing, None)
    seen_V = reversible_V[warm][:, shared]
    off_V = seen_V - np.nanmean(seen_V, axis=0)
    off_A = np.where(np.isfinite(seen_V), rates_A[:, None], np.nan)
    off_A = off_A - np.nanmean(off_A, axis=0)
    known = np.isfinite(off_V)
    spread_V = float(np.sqrt(np.mean(off_V[known] ** 2)))
    fan_ohm = float(np.sum(off_V[known] * off_A[known]) / np.sum(off_A[known] ** 2))
    allowed_V = max(SPREAD_V, SPREAD_OF_DROP * float(np.nanmean(drop_V[warm][:, shared])))
    holds = spread_V <= allowed_V
    fan_mohm = fan_ohm / MILLI
    return Collapse(middle, reversible_V, fitted_V, rate_A, spread_V, fan_mohm, allowed_V, holds)


def _reversible_V(
    run: Run, values: HeatValues, film: Film, ocv: OcvTable, shift_K: float
) -> tuple[Floats, Floats]:
    """Return reversible heat and drop [V], means of a run over each bin (bins,)."""
    core_K, skin_K = temperatures_K(run, values, film, ocv, air_shift_K=shift_K)
    surface_K = np.where(np.isfinite(run.surface_K), run.surface_K, skin_K)
    air_K = run.air_K + shift_K
    spans_s, current_A = np.diff(run.time_s), run.current_A
    stored_J = values.capacity_J_K * (surface_K + (1.0 - SURFACE_SHARE) * (core_K - skin_K))
    loss_W = np.array(
        [conductance_W_K(film, s, a) * (s - a) for s, a in zip(surface_K, air_K, strict=True)]
    )
    loss_J = values.cooling * 0.5 * (loss_W[1:] + loss_W[:-1]) * spans_s
    lost_V = run.drop_V + (values.charge_factor - 1.0) * run.charge_V
    lost_J = current_A * (lost_V - current_A * values.contact_ohm) * spans_s
    charge_As = current_A * spans_s
    unsure_J = values.cooling * AIR_K * conductance_W_K(film, surface_K[-1], air_K[-1]) * spans_s
    sums = np.zeros((4, len(run.time_s)))
    sums[:, 1:] = np.cumsum([loss_J - lost_J, charge_As, charge_As * run.drop_V, unsure_J], axis=1)
    sums[0] += stored_J
    found = np.full((2, len(COLLAPSE_SOC) - 1), np.nan)
    for i, (low, high) in enumerate(pairwise(COLLAPSE_SOC)):
        into, out = np.flatnonzero(run.soc <= high), np.flatnonzero(run.soc <= low)
        if not into.size or not out.size or run.soc[0] < high:
            continue
        energy_J, drawn_As, drop_J, air_J = sums[:, out[0]] - sums[:, into[0]]
        error_J = np.hypot(READ_K * values.capacity_J_K, air_J)
        if drawn_As > 0.0 and error_J < COARSE_V * drawn_As:
            found[:, i] = energy_J / drawn_As, drop_J / drawn_As
    return found[0], found[1]


@dataclass(frozen=True)
class Lag:
    """By how much a log's temperature follows its heat later than the model's does [s]."""

    name: str
    lag_s: float
    sd_s: float

    @property
    def flagged(self) -> bool:
        """Return whether the lag is real and more than a sensor's own."""
        return abs(self.lag_s) > max(LAG_S, LAG_SDS * self.sd_s)


def lags(unknowns: Unknowns, x: Floats, slopes: Floats) -> tuple[Lag, ...]:
    """Estimate each run's lag, all unknowns being free to move with it.

    One Gauss-Newton step of the fit with a delay added; `slopes` is its Jacobian (rows, free).
    """
    residuals = unknowns.residuals(x)
    found, row = [], 0
    for i, run in enumerate(unknowns.runs):
        n = len(run.bins)
        delay = np.zeros(len(residuals))
        drift_K_s = np.gradient(unknowns.surface_K(x, i), run.time_s)
        delay[row : row + n] = unknowns.weighed(i, -drift_K_s)
        row += n
        wide = np.column_stack([slopes, delay])
        step, *_ = np.linalg.lstsq(wide, -residuals, rcond=None)
        normal = wide.T @ wide
        sd_s = float(np.sqrt(np.linalg.pinv(normal)[-1, -1]))
        found.append(Lag(run.log.name, float(step[-1]), sd_s))
    return tuple(found)


def odd_columns(run: Run) -> list[str]:
    """Return what looks wrong between a run's columns: signs, steps apart, sensors swapped."""
    said = []
    name, log = run.log.name, run.log
    current_A, voltage_V = log.current_A, log.voltage_V
    jumps_A, jumps_V = np.diff(current_A), np.nan_to_num(np.diff(voltage_V))
    big = np.abs(jumps_A) > BIG_JUMP * np.max(np.abs(current_A))
    if big.sum() >= 3:
        rows, along = _best_shift(jumps_A, jumps_V)
        if along:
            said.append(
                f"{name}: voltage rises where current rises; one of the two has the wrong sign"
            )
        elif rows:
            way = "late" if rows > 0 else "early"
            said.append(
                f"{name}: voltage answers current {abs(rows)} rows {way}; the two columns are out "
                "of step"
            )
    air_C = log.ambient_C
    if air_C is not None and np.isfinite(air_C).any():
        risen_K = float(np.nanmax(air_C)) - float(air_C[np.isfinite(air_C)][0])
        if risen_K > max(run.rise_K, 1.0):
            said.append(
                f"{name}: the air warms by {risen_K:.1f} K and the cell by {run.rise_K:.1f}; are "
                "the two sensors swapped?"
            )
    return said


def _best_shift(jumps_A: Floats, jumps_V: Floats) -> tuple[int, bool]:
    """Return by how many rows the voltage's jumps follow the current's, and if they go along."""
    most = min(OUT_OF_STEP_ROWS, len(jumps_A) // 4)
    n = len(jumps_A)
    scores = []
    for shift in range(-most, most + 1):
        a = jumps_A[max(0, -shift) : n - max(0, shift)]
        v = jumps_V[max(0, shift) : n - max(0, -shift)]
        scores.append(float(np.dot(a, v)))
    best = int(np.argmax(np.abs(scores)))
    return best - most, scores[best] > 0.0


def not_identifiable(
    unknowns: Unknowns, covariance: Floats, options: HeatOptions
) -> dict[str, str]:
    """Return for each unknown that these logs don't tell the reason why."""
    names = unknowns.names
    sds = np.sqrt(np.diag(covariance))
    found: dict[str, str] = {}
    for at, words in (
        (CAPACITY, "the logs leave it where mass x 1.0 J/gK put it; weigh the cell"),
        (ACROSS, "the surface alone does not tell it; it is as assumed"),
        (COOLING, "the logs leave it where the prior put it; add a cooling tail"),
    ):
        if sds[at] > RESTS_ON_PRIOR:
            found[names[at]] = words
    for k in range(len(KNOTS)):
        if sds[ENTROPIC + k] > RESTS_ON_PRIOR:
            found[names[ENTROPIC + k]] = "no log says much of this charge; it is as assumed"
    if not unknowns.contact_is_free:
        found[names[CONTACT]] = _why_no_contact(unknowns, options)
        return found
    shared = abs(covariance[CAPACITY, CONTACT]) / (sds[CAPACITY] * sds[CONTACT] + 1e-30)
    if shared > ONE_SCALE:
        words = "capacity, cooling and contact share one scale; the mass decides: weigh the cell"
        found.setdefault(names[CONTACT], words)
    return found


def _why_no_contact(unknowns: Unknowns, options: HeatOptions) -> str:
    if options.contact == NONE:
        return "held at 0, as the voltage is said to be sensed at the can"
    rates_A = warm_rates_A(unknowns.runs)
    spoken = ", ".join(f"{rate:.2f} A" for rate in rates_A) or "none"
    return f"held at 0: it needs two rates that warm the cell, one twice the other; here: {spoken}"
