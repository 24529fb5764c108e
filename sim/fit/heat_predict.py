"""From a heat fit to another log: its surface, and where the peak may lie."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.fit.heat_data import Run, run_of
from sim.fit.heat_model import SHIFTS, HeatValues, temperatures_K
from sim.fit.heat_result import HeatFit
from sim.fit.log import Log
from sim.units import ZERO_C_K

Floats = NDArray[np.float64]
Voltage = Callable[[Floats], Floats]

ROUNDS, SETTLED_K = 12, 0.005  # of voltage and temperature, each from the other

# Half-width of the interval: what covered the cases of a study on open data.
SD_FACTOR, RISE_SHARE, FLOOR_K = 1.7, 0.06, 0.4
OWN_VOLTAGE_INSIDE, OWN_VOLTAGE_OUTSIDE = 0.05, 0.25
RATE_MARGIN, TEMPERATURE_MARGIN_K = 1.1, 5.0
STEP = 0.05  # of an unknown, in its prior's standard deviations


@dataclass(frozen=True)
class Prediction:
    """Core and surface (n,) over a log's times [C], and the voltage that made their heat."""

    time_s: Floats
    surface_C: Floats
    core_C: Floats
    voltage_V: Floats


@dataclass(frozen=True)
class Interval:
    """Where the peak of the surface lies, 95 %; `verdict` is "stays cool" or "cannot tell"."""

    peak_C: float
    low_C: float
    high_C: float
    sd_K: float
    inside: bool
    limit_C: float
    verdict: str
    words: str


def predict_surface(
    fit: HeatFit, log: Log, voltage: Voltage | None = None, start_soc: float = 1.0
) -> Prediction:
    """Predict surface and core over a log from its current, its air and its first temperature.

    With `voltage` the heat is that of the model's own voltage: a function from core_C (n,) to
    volts (n,), over the rows of the log. Raises InputError where the two do not settle, and where
    the log can't be read as a discharge from its start.
    """
    run = run_of(log, fit.ocv, fit.options, start_soc)
    drop_V, core_K, surface_K = _settled(fit, run, voltage)
    seen_V = run.open_V - drop_V
    at_rows_V = np.append(seen_V, seen_V[-1]) if log.means else np.insert(seen_V, 0, seen_V[0])
    return Prediction(run.time_s, surface_K - ZERO_C_K, core_K - ZERO_C_K, at_rows_V)


def interval(
    fit: HeatFit,
    log: Log,
    voltage: Voltage | None = None,
    limit_C: float = 60.0,
    start_soc: float = 1.0,
) -> Interval:
    """Return where the peak of the surface lies, and whether it stays below a limit.

    Half-width 2 sqrt((1.7 sd)^2 + (0.06 rise)^2 + 0.4^2), since the linearised sd alone is too
    narrow; 5 % of the rise more with the model's own voltage, 25 % outside the rates and
    temperatures that were fitted. "Cannot tell" wherever the fit may not be called fitted. Raises
    InputError as `predict_surface`.
    """
    run = run_of(log, fit.ocv, fit.options, start_soc)
    drop_V, _, surface_K = _settled(fit, run, voltage)
    peak_K = float(np.max(surface_K))
    rise_K = max(peak_K - run.first_K, 0.0)
    sd_K = _peak_sd_K(fit, run, drop_V)
    square = (SD_FACTOR * sd_K) ** 2 + (RISE_SHARE * rise_K) ** 2 + FLOOR_K**2
    half_K = 2.0 * float(np.sqrt(square))
    inside = _inside(fit, run, surface_K)
    if voltage is not None:
        half_K += (OWN_VOLTAGE_INSIDE if inside else OWN_VOLTAGE_OUTSIDE) * rise_K
    peak_C = peak_K - ZERO_C_K
    low_C, high_C = peak_C - half_K, peak_C + half_K
    verdict = "stays cool" if fit.fitted and high_C < limit_C else "cannot tell"
    words = f"{verdict}: peak {peak_C:.1f} C ({low_C:.1f} to {high_C:.1f}), limit {limit_C:g} C"
    if not inside:
        words += "; outside the rates and temperatures that were fitted"
    if not fit.fitted:
        words += f"; {fit.refusals[0]}"
    return Interval(peak_C, low_C, high_C, sd_K, inside, limit_C, verdict, words)


def inner_log(fit: HeatFit, log: Log, start_soc: float = 1.0) -> Log:
    """Return a log as the cell itself saw it: voltage at its own terminals, its core's warmth.

    An electrical fit to these leaves out the contact, which does not change with temperature, and
    ties resistance to the temperature that it hangs on. Rows past what the heat model could
    follow keep the measured surface. Raises InputError as `predict_surface`.
    """
    core_C = predict_surface(fit, log, None, start_soc).core_C
    return _seen_inside(fit, log, core_C)


def own_voltage(fit: HeatFit, log: Log, model: Callable[[Log], Floats]) -> Voltage:
    """Return the model's own voltage over a log's rows as a function of the core's temperature.

    `model` predicts the voltage (n,) at the cell's own terminals, of a log as `inner_log` gives
    it: an electrical fit to such logs. What the contact drops is taken off.
    """
    lost_V = fit.values.contact_ohm * log.current_A
    return lambda core_C: model(_seen_inside(fit, log, core_C)) - lost_V


def _seen_inside(fit: HeatFit, log: Log, core_C: Floats) -> Log:
    n = len(core_C)
    after_C = np.full(len(log.time_s) - n, core_C[-1])
    if log.surface_C is not None:
        after_C = np.where(np.isfinite(log.surface_C[n:]), log.surface_C[n:], after_C)
    return replace(
        log,
        surface_C=np.append(core_C, after_C),
        voltage_V=log.voltage_V + fit.values.contact_ohm * log.current_A,
    )


def _settled(fit: HeatFit, run: Run, voltage: Voltage | None) -> tuple[Floats, Floats, Floats]:
    """Return drop (n - 1,) [V], core and surface (n,) [K], each in agreement with the others."""
    film = fit.unknowns.film
    if voltage is None:
        core_K, surface_K = temperatures_K(run, fit.values, film, fit.ocv)
        return run.drop_V, core_K, surface_K
    rows, n = run.log.time_s.shape[0], len(run.time_s)
    used = slice(0, n - 1) if run.log.means else slice(1, n)
    core_K = np.full(n, run.first_K)
    for _ in range(ROUNDS):
        all_core_C = np.append(core_K, np.full(rows - n, core_K[-1])) - ZERO_C_K
        drop_V = run.open_V - voltage(all_core_C)[used]
        before_K = core_K
        core_K, surface_K = temperatures_K(run, fit.values, film, fit.ocv, drop_V=drop_V)
        if float(np.max(np.abs(core_K - before_K))) < SETTLED_K:
            return drop_V, core_K, surface_K
    raise InputError(
        f"{run.log.path}: voltage and temperature of the model do not settle in {ROUNDS} rounds"
    )


def _peak_sd_K(fit: HeatFit, run: Run, drop_V: Floats) -> float:
    """Return the standard deviation of the peak that the parameters' own leaves, linearised."""
    unknowns = fit.unknowns
    own = SHIFTS  # shifts of the fitted logs' air are not this log's

    def peak_K(x: Floats) -> float:
        values: HeatValues = unknowns.values(x)
        seen = temperatures_K(run, values, unknowns.film, fit.ocv, drop_V=drop_V)
        return float(np.max(seen[1]))

    slope = np.zeros(own)
    for k in range(own):
        if fit.covariance[k, k] <= 0.0:
            continue
        up, down = fit.x.copy(), fit.x.copy()
        up[k] += STEP
        down[k] -= STEP
        slope[k] = (peak_K(up) - peak_K(down)) / (2.0 * STEP)
    variance = float(slope @ fit.covariance[:own, :own] @ slope)
    return float(np.sqrt(max(variance, 0.0)))


def _inside(fit: HeatFit, run: Run, surface_K: Floats) -> bool:
    """Return whether rate and temperatures of a run lie within those that were fitted."""
    slowest_A, fastest_A = fit.rates_A
    coldest_C, warmest_C = fit.range_C
    surface_C = surface_K - ZERO_C_K
    return bool(
        slowest_A / RATE_MARGIN <= run.rate_A <= fastest_A * RATE_MARGIN
        and surface_C.min() >= coldest_C - TEMPERATURE_MARGIN_K
        and surface_C.max() <= warmest_C + TEMPERATURE_MARGIN_K
    )
