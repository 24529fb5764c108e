"""Open-circuit voltage, capacity, resistance and polarisation of one cell from its logs.

One bounded least squares through whole logs, from several starts whose predictions are compared:
a start that fits as well may predict another load quite otherwise.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import least_squares

from sim.errors import InputError
from sim.fit import model
from sim.fit.curve import (
    CURVE_SOC,
    SLOW_C,
    Branch,
    Capacity,
    capacity,
    left_in,
    slow_branch,
)
from sim.fit.driven import Driven, driven, span_K, start_soc
from sim.fit.log import Floats, Log
from sim.fit.model import Curve, Layout
from sim.fit.response import add_squares
from sim.fit.trust import Trust, trust_of
from sim.units import SECONDS_PER_HOUR, ZERO_C_K

PASSES = 3  # of a fast branch: what it left in the cell, and resistance, in turn
# Of the starts: resistance level, time constants, and how much of it is slow.
STARTS = ((1.0, 1.0, 0.0), (0.5, 0.6, 0.7), (2.0, 1.6, -0.7), (1.5, 0.6, -0.7), (0.7, 1.6, 0.7))
MOST_CALLS = 80
SAME_COST = 1.02  # fits this near the best in cost are as good
LOW_SOC = 0.10  # nothing is claimed below
# A load no log holds, which the fits of all starts are asked to predict: rate [C] and seconds.
PROBE = ((0.5, 300), (3.0, 10), (0.0, 20), (1.5, 60), (-1.0, 10), (5.0, 5), (0.2, 120), (2.0, 40))


@dataclass(frozen=True)
class Look:
    """How one log is met: errors of the prediction [mV] over rows above 10 % and over all."""

    name: str
    rows: int
    start: str
    rms_mV: float
    bias_mV: float
    worst_mV: float
    rms_all_mV: float
    soc: Floats
    predicted_V: Floats


@dataclass(frozen=True)
class Start:
    """One start of the search: its cost, and how far its prediction of a probe load is off."""

    cost: float
    calls: int
    apart_mV: float  # rms from the median prediction of the starts that fit as well
    as_good: bool


@dataclass(frozen=True)
class ElectricalFit:
    """What was found; predict with `predict`."""

    logs: tuple[Log, ...]
    driven: tuple[Driven, ...]
    branch: Branch
    capacity: Capacity
    left: float  # share of charge that the slow branch left in the cell
    layout: Layout
    x: Floats
    curve: Curve
    open_V: Floats  # over CURVE_SOC
    looks: tuple[Look, ...]
    scales: tuple[float, ...]  # a log: what it is missed by over its error scale, 1 at least
    starts: tuple[Start, ...]
    apart_mV: float  # rms between predictions of starts that fit as well
    trust: Trust
    notes: tuple[str, ...]


def fit_electrical(
    logs: Sequence[Log], ocv: Log | None = None, progress: Callable[[], None] | None = None
) -> ElectricalFit:
    """Fit one cell's electrical parameters to `logs`; `ocv` is its slow discharge.

    Without `ocv` the slowest whole discharge among the logs makes the curve, and is fitted too.
    `progress` is called after each search. Raises InputError where no log holds what is needed.
    """
    fitted = [log for log in logs if ocv is None or log.path != ocv.path]
    branch = slow_branch([*logs, *([ocv] if ocv else [])], ocv)
    if not any(log.path != branch.log.path for log in fitted):
        raise InputError(
            f"{branch.log.name} alone tells no resistance: one rate can't part it from the "
            "open-circuit voltage; give a pulse test, an ordinary drive, or a second rate beside"
        )
    if ocv is None and branch.rate_C <= SLOW_C:
        fitted = [log for log in fitted if log.path != branch.log.path]
    search = _Search(fitted, branch)
    x = search.first()
    for _ in range(PASSES if branch.rate_C > SLOW_C else 0):
        x = search.least(x)[0]
        search.renew(x)
    search.weigh(search.least(x)[0])
    if progress:
        progress()
    found = []
    for start in STARTS:
        found.append(search.least(_begin(search, start)))
        if progress:
            progress()
    chosen, starts, apart_mV = _choose(search, found)
    return _result(search, found[chosen][0], starts, apart_mV)


class _Search:
    """The fitted logs, and the curve and capacity as they stand."""

    def __init__(self, logs: Sequence[Log], branch: Branch) -> None:
        self.logs, self.branch = list(logs), branch
        self.full_V = branch.rest_V
        self.left = 0.0
        self.starts = [start_soc(log, self._bare_V(), branch.counted_both_Ah) for log in logs]
        self.scales = [1.0] * len(self.logs)
        self.count()
        low_K, high_K = span_K(self.driven)
        taus_s = tuple(t for t in model.TAUS_S if self._sees(t))
        self.layout = Layout(taus_s, high_K - low_K >= model.SPAN_K)

    def _bare_V(self) -> Floats:
        open_V = np.interp(CURVE_SOC, self.branch.soc, self.branch.voltage_V)
        if self.full_V is not None:
            open_V[-1] = self.full_V
        return np.maximum.accumulate(open_V)

    def _sees(self, tau_s: float) -> bool:
        shortest = [float(np.quantile(np.diff(log.time_s), 0.05)) for log in self.logs]
        return min(shortest) <= model.SEEN * tau_s

    def count(self) -> None:
        """Find the capacity, and put the logs and the curve on it."""
        starts = [start for start, _ in self.starts]
        self.capacity = capacity(self.branch, self.logs, starts, self.left)
        self.place()

    def place(self) -> None:
        """Put the logs and the curve on the capacity as it stands."""
        charge_Ah = self.capacity.charge_Ah
        self.driven = [
            driven(log, charge_Ah, start[0])
            for log, start in zip(self.logs, self.starts, strict=True)
        ]
        self.curve = model.curve_of(self.branch, self.full_V, charge_Ah, self.left)

    def first(self) -> Floats:
        """Return the middle of the priors."""
        return model.first_guess(self.layout, self.capacity.charge_Ah)

    def least(self, start: Floats) -> tuple[Floats, float, int]:
        """Return the least squares from `start`: unknowns, cost, calls."""
        layout = self.layout
        prior, goal = model.priors(layout, self.capacity.charge_Ah)
        low, high = model.bounds(layout, self.capacity.charge_Ah)
        free = layout.free
        kept: dict[bytes, tuple[Floats, Floats]] = {}

        def both(some: Floats) -> tuple[Floats, Floats]:
            if some.tobytes() not in kept:
                kept.clear()
                whole = start.copy()
                whole[free] = some
                off, slopes = model.residuals(self.curve, layout, whole, self.driven, self.scales)
                slopes = [s[:, free] for s in (*slopes, prior)]
                kept[some.tobytes()] = _pressed([*off, prior @ whole - goal], slopes)
            return kept[some.tobytes()]

        found = least_squares(
            lambda some: both(some)[0],
            np.clip(start, low + 1e-6, high - 1e-6)[free],
            jac=lambda some: both(some)[1],
            bounds=(low[free], high[free]),
            ftol=1e-6,
            xtol=1e-6,
            max_nfev=MOST_CALLS,
        )
        whole = start.copy()
        whole[free] = found.x
        return whole, float(found.cost), int(found.nfev)

    def weigh(self, x: Floats) -> None:
        """Take as each log's error scale what the model misses it by, where that is more."""
        self.scales = [max(1.0, model.misfit(self.curve, self.layout, x, d)) for d in self.driven]

    def renew(self, x: Floats) -> None:
        """Find what the branch left in the cell, and the capacity, anew."""
        tables, energies = model.ohm_of(self.layout, x), model.energies_of(self.layout, x)
        at_end_ohm = np.sum(tables[:, 0] * model.warmth(energies, self.curve.x))
        self.left = left_in(self.branch, float(self.branch.current_A * at_end_ohm))
        self.count()


def _pressed(off: list[Floats], slopes: list[Floats]) -> tuple[Floats, Floats]:
    """Return as many residuals as unknowns, and one more, with the same cost and its derivatives.

    By the triangle R of J'J = R'R; a step of the solver then costs nothing. The priors keep it
    well conditioned.
    """
    size = slopes[0].shape[1]
    squares, pull = np.zeros((size, size)), np.zeros(size)
    for o, s in zip(off, slopes, strict=True):
        add_squares(s, o, squares, pull)
    triangle = np.linalg.cholesky(squares).T
    along = solve_triangular(triangle, pull, trans="T")
    across = np.sqrt(max(sum(float(np.sum(o * o)) for o in off) - float(along @ along), 0.0))
    return np.append(along, across), np.vstack([triangle, np.zeros(size)])


def _begin(search: _Search, start: tuple[float, float, float]) -> Floats:
    """Return the middle of the priors, moved: level, time constants, tilt towards slow pairs."""
    level, slower, tilt = start
    x, layout = search.first(), search.layout
    for k in range(layout.elements):
        share = k / max(layout.elements - 1, 1) - 0.5
        x[layout.table(k)] += np.log(level) + tilt * share
    x[layout.tau(0) : layout.energy(0)] += np.log(slower)
    return x


def _probe(search: _Search) -> Driven:
    """Return a load that none of the logs holds, from full to empty at their mean temperature.

    No stronger than what they hold: how far starts part beyond that is no fault of theirs.
    """
    charge_Ah = search.capacity.charge_Ah
    strongest_A = max(float(np.max(d.log.current_A)) for d in search.driven)
    rates, spans = np.array(PROBE).T
    rates = rates * min(1.0, strongest_A / charge_Ah / float(np.max(rates)))
    drawn = float(np.dot(rates, spans)) / SECONDS_PER_HOUR
    times = int(1.0 / drawn)
    step_s = np.concatenate([np.full(int(s) // 5, 5.0) for s in spans] * times)
    rate = np.concatenate(
        [np.full(int(s) // 5, r) for r, s in zip(rates, spans, strict=True)] * times
    )
    low_K, high_K = span_K(search.driven)
    n = len(rate) + 1
    log = Log(
        path=Path("probe"),
        name="probe",
        time_s=np.insert(np.cumsum(step_s), 0, 0.0),
        current_A=np.insert(rate, 0, 0.0) * charge_Ah,
        voltage_V=np.zeros(n),
        surface_C=np.full(n, 0.5 * (low_K + high_K) - ZERO_C_K),
        ambient_C=None,
        notes=(),
        lines=np.arange(n),
    )
    return driven(log, charge_Ah, 1.0)


def _choose(
    search: _Search, found: list[tuple[Floats, float, int]]
) -> tuple[int, list[Start], float]:
    """Return which start to take, all of them, and how far apart they predict the probe [mV].

    Of those that fit as well as the best, the one that predicts nearest to the median of all.
    """
    probe = _probe(search)
    seen = probe.soc > LOW_SOC
    said = np.array(
        [1e3 * model.predicted_V(search.curve, search.layout, f[0], probe)[seen] for f in found]
    )
    best = min(cost for _, cost, _ in found)
    as_good = np.array([cost <= SAME_COST * best for _, cost, _ in found])
    middle = np.median(said[as_good], axis=0)
    apart = np.sqrt(np.mean((said - middle) ** 2, axis=1))
    starts = [
        Start(f[1], f[2], float(off), bool(good))
        for f, off, good in zip(found, apart, as_good, strict=True)
    ]
    chosen = int(np.argmin(np.where(as_good, apart, np.inf)))
    among = said[as_good]
    widest = max((_rms(a - b) for a, b in pairwise([*among, among[0]])), default=0.0)
    return chosen, starts, widest


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(values)))) if len(values) else float("nan")


def predict(fit: ElectricalFit, log: Log, start: float | None = None) -> tuple[Floats, Floats]:
    """Return state of charge and predicted voltage (n,) of any log of the cell.

    `start` is the state of charge at its first row; None takes it from the log.
    """
    charge_Ah = fit.capacity.charge_Ah
    begins = start_soc(log, fit.open_V, charge_Ah)[0] if start is None else start
    d = driven(log, charge_Ah, begins)
    return d.soc, model.predicted_V(fit.curve, fit.layout, fit.x, d)


def look_at(log: Log, soc: Floats, predicted_V: Floats, start: str, low_soc: float) -> Look:
    """Return how well a prediction meets a log, above `low_soc` and over all rows."""
    off_mV = 1e3 * (predicted_V - log.voltage_V)
    known = np.isfinite(off_mV) & (soc >= 0.0)
    above = known & (soc > low_soc)
    worst = off_mV[above][np.argmax(np.abs(off_mV[above]))] if above.any() else np.nan
    return Look(
        name=log.name,
        rows=len(log.time_s),
        start=start,
        rms_mV=_rms(off_mV[above]),
        bias_mV=float(np.mean(off_mV[above])) if above.any() else float("nan"),
        worst_mV=float(worst),
        rms_all_mV=_rms(off_mV[known]),
        soc=soc,
        predicted_V=predicted_V,
    )


def _result(search: _Search, x: Floats, starts: list[Start], apart_mV: float) -> ElectricalFit:
    looks, charge_Ah = [], search.capacity.charge_Ah
    for d, (_, how) in zip(search.driven, search.starts, strict=True):
        voltage_V = model.predicted_V(search.curve, search.layout, x, d)
        looks.append(look_at(d.log, d.soc, voltage_V, how, LOW_SOC))
    notes = [note for log in search.logs for note in log.notes]
    return ElectricalFit(
        logs=tuple(search.logs),
        driven=tuple(search.driven),
        branch=search.branch,
        capacity=search.capacity,
        left=search.left,
        layout=search.layout,
        x=x,
        curve=search.curve,
        open_V=model.open_circuit_V(search.curve, search.layout, x),
        looks=tuple(looks),
        scales=tuple(search.scales),
        starts=tuple(starts),
        apart_mV=apart_mV,
        trust=trust_of(search.curve, search.layout, x, search.driven, search.scales, charge_Ah),
        notes=tuple(notes),
    )
