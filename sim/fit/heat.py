"""What a cell's temperature record tells of its heat: capacity, cooling, entropy, contact.

    options = HeatOptions(size, cooling="still" | "stirred", contact="fit" | "none", ...)
    fit = fit_heat(logs, OcvTable(soc, voltage_V, capacity_Ah, reference_C), options)
    other = refit_contact(fit, logs_of_another_cell, its_ocv)   # keeps all but the contact
    seen = predict_surface(fit, log, voltage=None)   # Prediction: surface_C, core_C (n,)
    said = interval(fit, log, voltage=None, limit_C=60.0)       # Interval; `said.words`
    content = into_profile(content, fit)     # sim.fit.heat_profile: a profile as TOML is read

`voltage` is None for the log's own; or a function from core_C (n,) to the model's own voltage (n,),
whose temperature and voltage are then brought into agreement.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.fit.heat_data import FIT, HeatOptions, OcvTable, Run, run_of, runs_of
from sim.fit.heat_doubts import (
    CONTACT_RATES,
    TWO_RATES,
    Collapse,
    collapse,
    lags,
    not_identifiable,
    odd_columns,
)
from sim.fit.heat_model import (
    CHARGE,
    CONTACT,
    SHIFTS,
    Unknowns,
    contact_can_be_free,
    film_of,
    temperatures_K,
    warm_rates_A,
)
from sim.fit.heat_predict import Interval, Prediction, interval, predict_surface
from sim.fit.heat_result import HeatFit, Parameter, Residual
from sim.fit.log import Log
from sim.units import ZERO_C_K

__all__ = [
    "HeatFit",
    "HeatOptions",
    "Interval",
    "OcvTable",
    "Prediction",
    "fit_heat",
    "interval",
    "predict_surface",
    "refit_contact",
    "run_of",
]

Floats = NDArray[np.float64]

# The first start is the priors' centre; the others lie about it, the same each time.
FIRST_CONTACT = (0.5, 1.5, 0.1, 3.0)
SCATTER = 1.0
SAME_COST = 1.05  # starts whose misfit is this near the best must predict alike
ALIKE_K = 1.0
AT_BOUND = 1e-3  # of the way between the bounds
POOR = 3.0  # times the misfit that the noise explains
CONTACT_C_RATE = 2.0


def fit_heat(logs: list[Log], ocv: OcvTable, options: HeatOptions) -> HeatFit:
    """Fit heat capacity, core to surface, cooling, contact and entropy to temperature records.

    Bounded least squares (`scipy.optimize.least_squares`) from several starts, the same each time.
    Raises InputError where a log has no temperature or can't be a discharge from its start.
    """
    if not logs:
        raise InputError("no log to fit heat to; accepted: one or more, better two rates")
    runs = tuple(runs_of(logs, ocv, options))
    free = contact_can_be_free(runs, options, CONTACT_RATES)
    unknowns = Unknowns(options, runs, free, film_of(options), ocv)
    found = [_least(unknowns, start) for start in _starts(unknowns)]
    x, cost = min(found, key=lambda each: each[1])
    near = [each for each, its_cost in found if its_cost <= SAME_COST * cost]
    slopes = _slopes(unknowns, x)
    covariance = np.zeros((len(x), len(x)))
    # A poor fit says that the errors taken were too small.
    covariance[np.ix_(unknowns.free, unknowns.free)] = max(1.0, _misfit(unknowns, x)) * (
        np.linalg.inv(slopes.T @ slopes)
    )
    result = _result(unknowns, ocv, x, slopes, covariance)
    result = replace(result, starts_differ_K=_differ_K(unknowns, near))
    refusals = (*_few_rates(runs), *_bad_fit(result))
    return replace(result, fitted=not refusals, refusals=refusals)


def refit_contact(
    like: HeatFit,
    logs: list[Log],
    ocv: OcvTable,
    contact: str = FIT,
    start_soc: tuple[float, ...] = (1.0,),
) -> HeatFit:
    """Return the fit for another cell of the class: its own contact and charge, all else kept.

    Best from one log of its own at 2C or more. The uncertainty of what is kept goes into that of
    the two. `contact` "none" holds it at 0. Raises InputError as `fit_heat`.
    """
    if not logs:
        raise InputError("no log of this cell to fit its contact to; accepted: one at 2C or more")
    options = replace(like.options, contact=contact, start_soc=start_soc)
    runs = tuple(runs_of(logs, ocv, options))
    unknowns = Unknowns(options, runs, contact == FIT, like.unknowns.film, ocv)
    x = np.concatenate([like.x[:SHIFTS], np.zeros(len(runs))])
    x[CONTACT] = 0.0
    own = [CONTACT, CHARGE] if contact == FIT else [CHARGE]
    x[own] = _own(unknowns, x, own)
    covariance = np.eye(unknowns.size)
    covariance[:SHIFTS, :SHIFTS] = like.covariance[:SHIFTS, :SHIFTS]
    covariance = _joined(unknowns, x, covariance, own)
    result = _result(unknowns, ocv, x, _slopes(unknowns, x), covariance)
    refusals = (*like.refusals, *_bad_fit(result))
    fastest_A = max(run.rate_A for run in runs)
    notes = ["all but contact and charge is of the cell that this one is likened to"]
    if contact == FIT and fastest_A < CONTACT_C_RATE * 0.9 * ocv.capacity_Ah:
        notes.append(f"the contact is from {fastest_A:.1f} A at most; a log at 2C tells it better")
    return replace(
        result,
        fitted=not refusals,
        refusals=refusals,
        notes=(*notes, *result.notes),
        rates_A=like.rates_A,
        range_C=like.range_C,
    )


def _starts(unknowns: Unknowns) -> list[Floats]:
    """Return the starts (free,), inside the bounds."""
    low, high = unknowns.bounds()
    starts = []
    for k, contact in enumerate(FIRST_CONTACT):
        scatter = np.random.default_rng(k).normal(size=len(low)) * (SCATTER if k else 0.0)
        start = np.clip(scatter, 0.9 * low, 0.9 * high)
        start[CONTACT] = contact
        starts.append(start[unknowns.free])
    return starts


def _spread(unknowns: Unknowns, free_x: Floats) -> Floats:
    """Return the whole vector for its free places; contact is 0 where it is not free."""
    x = np.zeros(len(unknowns.free))
    x[unknowns.free] = free_x
    return x


def _least(unknowns: Unknowns, start: Floats) -> tuple[Floats, float]:
    """Return the vector that a start leads to, and twice its cost."""
    from scipy.optimize import least_squares

    low, high = (bound[unknowns.free] for bound in unknowns.bounds())
    found = least_squares(
        lambda free_x: unknowns.residuals(_spread(unknowns, free_x)), start, bounds=(low, high)
    )
    return _spread(unknowns, found.x), 2.0 * float(found.cost)


def _slopes(unknowns: Unknowns, x: Floats) -> Floats:
    """Return the residuals' Jacobian (rows, free), by differences to both sides."""
    columns = []
    for k in np.flatnonzero(unknowns.free):
        up, down = x.copy(), x.copy()
        up[k] += 1e-3
        down[k] -= 1e-3
        columns.append((unknowns.residuals(up) - unknowns.residuals(down)) / 2e-3)
    return np.stack(columns, axis=1)


def _misfit(unknowns: Unknowns, x: Floats) -> float:
    """Return the mean square of the runs' residuals, 1 where they are as large as was taken."""
    squares = [float(np.sum(unknowns.misfit(x, i) ** 2)) for i in range(len(unknowns.runs))]
    return sum(squares) / sum(float(run.weight.sum()) for run in unknowns.runs)


def _differ_K(unknowns: Unknowns, near: list[Floats]) -> float:
    """Return how far near-best starts part in a peak at twice the rate, where no log pins them."""
    worst_K = 0.0
    for run in unknowns.runs:
        twice = replace(
            run, time_s=0.5 * run.time_s, current_A=2.0 * run.current_A, drop_V=2.0 * run.drop_V
        )
        peaks_K = [
            float(np.max(temperatures_K(twice, unknowns.values(x), unknowns.film, unknowns.ocv)[1]))
            for x in near
        ]
        worst_K = max(worst_K, max(peaks_K) - min(peaks_K))
    return worst_K


def _own(unknowns: Unknowns, x: Floats, own: list[int]) -> Floats:
    """Return the unknowns `own` that fit the runs best, all else held; charge stays near `x`."""
    from scipy.optimize import least_squares

    low, high = (bound[own] for bound in unknowns.bounds())

    def residuals(some: Floats) -> Floats:
        moved = x.copy()
        moved[own] = some
        each = [unknowns.misfit(moved, i) for i in range(len(unknowns.runs))]
        return np.concatenate([*each, moved[[CHARGE]] - x[[CHARGE]]])

    start = np.clip(np.where(np.array(own) == CONTACT, 1.0, x[own]), low, high)
    return np.asarray(least_squares(residuals, start, bounds=(low, high)).x)


def _joined(unknowns: Unknowns, x: Floats, covariance: Floats, own: list[int]) -> Floats:
    """Return `covariance` with the part of `own`, and what they take over from what is kept.

    They answer a change d of what is kept by -(J'J + P)^-1 J'K d, with J and K the slopes of the
    runs' residuals by each, and P the prior of the charge.
    """
    rows = sum(len(run.bins) for run in unknowns.runs)
    slopes = np.zeros((rows, unknowns.size))
    slopes[:, unknowns.free] = _slopes(unknowns, x)[:rows]
    kept = [k for k in range(unknowns.size) if k not in (CONTACT, CHARGE)]
    mine = slopes[:, own]
    normal = np.linalg.inv(mine.T @ mine + np.diag([float(k == CHARGE) for k in own]))
    answer = -normal @ mine.T @ slopes[:, kept]
    held = covariance[np.ix_(kept, kept)]
    joined = np.zeros_like(covariance)
    joined[np.ix_(kept, kept)] = held
    joined[np.ix_(own, kept)] = answer @ held
    joined[np.ix_(kept, own)] = (answer @ held).T
    noise = max(1.0, _misfit(unknowns, x))
    joined[np.ix_(own, own)] = noise * normal + answer @ held @ answer.T
    return joined


def _result(
    unknowns: Unknowns, ocv: OcvTable, x: Floats, slopes: Floats, covariance: Floats
) -> HeatFit:
    """Gather a fit's findings; whether it may be called fitted is the caller's to say."""
    runs, values = unknowns.runs, unknowns.values(x)
    shifts_K = np.array([unknowns.shift_K(x, i) for i in range(len(runs))])
    late = lags(unknowns, x, slopes)
    warnings = [said for run in runs for said in odd_columns(run)]
    warnings += [
        f"{lag.name}: its temperature follows the model's by {lag.lag_s:.0f} s +- {lag.sd_s:.0f}; "
        "the columns may be out of step"
        for lag in late
        if lag.flagged
    ]
    rates_A = warm_rates_A(runs)
    seen_K = np.concatenate([run.surface_K for run in runs])
    return HeatFit(
        values=values,
        parameters=_parameters(unknowns, x, covariance),
        correlations=_correlations(covariance),
        fitted=False,
        refusals=(),
        warnings=tuple(warnings),
        notes=tuple(note for run in runs for note in run.notes),
        residuals=tuple(_residual(unknowns, x, i) for i in range(len(runs))),
        collapse=collapse(runs, values, unknowns.film, unknowns.ocv, shifts_K),
        lags=late,
        cost=float(np.sum(unknowns.residuals(x) ** 2)),
        points=sum(float(run.weight.sum()) for run in runs),
        starts_differ_K=0.0,
        options=unknowns.options,
        ocv=ocv,
        rates_A=(rates_A[0], rates_A[-1]) if rates_A else (0.0, 0.0),
        range_C=(float(np.nanmin(seen_K)) - ZERO_C_K, float(np.nanmax(seen_K)) - ZERO_C_K),
        x=x,
        covariance=covariance,
        unknowns=unknowns,
    )


def _parameters(unknowns: Unknowns, x: Floats, covariance: Floats) -> tuple[Parameter, ...]:
    low, high = unknowns.bounds()
    doubts = not_identifiable(unknowns, covariance, unknowns.options)
    sds = np.sqrt(np.diag(covariance)) * unknowns.slopes(x)
    near = np.minimum(x - low, high - x) < AT_BOUND * (high - low)
    return tuple(
        Parameter(name, float(value), float(sd), bool(bound and free), doubts.get(name))
        for name, value, sd, bound, free in zip(
            unknowns.names, unknowns.shown(x), sds, near, unknowns.free, strict=True
        )
    )


def _correlations(covariance: Floats) -> Floats:
    """Return correlations; 0 beside whatever was held."""
    sds = np.sqrt(np.diag(covariance))
    scale = np.where(sds > 0.0, sds, 1.0)
    return np.asarray(covariance / np.outer(scale, scale))


def _residual(unknowns: Unknowns, x: Floats, i: int) -> Residual:
    run = unknowns.runs[i]
    fitted_K = unknowns.surface_K(x, i)
    off_K = fitted_K - run.surface_K
    known = np.isfinite(off_K)
    mean_square = float(np.average(off_K[known] ** 2, weights=run.weight[known]))
    return Residual(
        run.log.name,
        run.time_s,
        run.surface_K - ZERO_C_K,
        fitted_K - ZERO_C_K,
        mean_square**0.5,
        float(np.max(np.abs(off_K[known]))),
        run.rate_A,
        (int(run.log.lines[0]), int(run.log.lines[len(run.time_s) - 1])),
    )


def _few_rates(runs: tuple[Run, ...]) -> list[str]:
    """Return the refusal of logs that show one rate only, or none."""
    rates_A = warm_rates_A(runs)
    if not rates_A:
        return ["no log warms the cell enough to tell of its heat; log a rate of 1C or more"]
    if rates_A[-1] >= TWO_RATES * rates_A[0]:
        return []
    spoken = (
        f"{rates_A[0]:.2f} A" if len(rates_A) == 1 else f"{rates_A[0]:.2f} to {rates_A[-1]:.2f} A"
    )
    return [
        f"one rate only ({spoken}): heat that goes with current and with its square can't be told "
        "apart, so nothing is said of another rate; log a second, twice as fast"
    ]


def _bad_fit(result: HeatFit) -> list[str]:
    """Return refusals for what shows in the fit itself."""
    said = []
    curve: Collapse = result.collapse
    if curve.holds is False:
        said.append(
            f"the rates do not fall on one curve: they part by {1e3 * curve.spread_V:.0f} mV rms "
            f"({curve.fan_mohm:+.0f} mohm as the rate rises), accepted: {1e3 * curve.allowed_V:.0f}"
        )
    if result.starts_differ_K > ALIKE_K:
        said.append(
            f"starts that fit alike differ by {result.starts_differ_K:.1f} K in a peak at twice "
            "the rate"
        )
    said += [
        f"{each.name} stands at its bound, {each.value:.3g}"
        for each in result.parameters
        if each.at_bound and not each.name.startswith("contact")
    ]
    misfit = _misfit(result.unknowns, result.x)
    if misfit > POOR:
        worst = max(result.residuals, key=lambda each: each.rms_K)
        said.append(
            f"the fit misses by more than the record's own error: {worst.rms_K:.2f} K rms in "
            f"{worst.name}"
        )
    said += [each for each in result.warnings if "wrong sign" in each or "swapped" in each]
    return said
