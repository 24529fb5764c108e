"""The voltage model as a function of one vector of unknowns, with its derivatives and priors.

V = U(s) - I R0(s, T) - sum v_k, R(s, T) = R(s) (1 - a + a exp(E/a (1/T - 1/T_ref)/R_gas)): a share
a of a resistance eases with warmth, the rest (foils, tabs, most of the electrolyte) hardly does, so
that a warm cell is not promised to go on easing as a cold one does. E is the slope at T_ref. U(s)
is the slow branch plus what the same resistances drop at its own rate, so that it moves with them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.fit.curve import CURVE_SOC, TOP_SOC, Branch
from sim.fit.driven import GAS_J_MOL_K, KNOTS_SOC, REFERENCE_K, Driven, places
from sim.fit.log import Floats
from sim.fit.response import mean_response, pair_response, pair_voltage
from sim.units import SECONDS_PER_HOUR, ZERO_C_K

Rows = NDArray[np.intp]
KNOTS = len(KNOTS_SOC)
TAUS_S = (0.3, 10.0, 200.0)
# Priors, the same for every cell. Resistance over capacity: 18650 to 26650 cells of the open data
# have 0.13 to 0.18 ohm Ah in all; a factor e either way.
LEVEL_OHM_AH, LEVEL_SD = 0.05, 1.0
BEND_SD = 0.3  # of ln R: change of its slope over a tenth of charge
TAU_SD, TAU_FACTOR = 0.3, 4.0  # of ln tau; hard bound
# Least squares to resistances of 2.9 Ah pulse tests from 25 to -20 C (Kollmeyer 2018) give shares
# of 0.82 over 1 s and 0.72 over 10 s. 23 kJ/mol then make of 25 C at 0 C what the usual 25 kJ/mol
# of a plain exponential do. Such tests tell the slope of the sum, to 5 kJ/mol; four elements whose
# slopes stray twice as far leave it so.
ENERGY_J_MOL, ENERGY_SD = 23e3, 10e3
EASING = 0.8
LEAST_J_MOL, MOST_J_MOL = 0.5e3, 90e3
ENERGY_UNIT = 1e4
FLOOR_V, RELATIVE = 3e-3, 0.03  # error scale: 3 mV and 3 % of the overpotential
WEIGHT = 30.0  # independent points that one log counts for, however many rows it has
WIDEST = 1e4  # of a resistance from its prior level, either way: hard bound
SPAN_K = 15.0  # logs that span less, as by their own heat, say little of a temperature slope
SEEN = 6.0  # a pair this many times faster than rows follow each other is left out


@dataclass(frozen=True)
class Layout:
    """Which unknown stands where: ln R tables, ln tau of each pair, energies."""

    taus_s: tuple[float, ...]
    free_energy: bool

    @property
    def elements(self) -> int:
        """Return how many resistances there are: the immediate one and one a pair."""
        return 1 + len(self.taus_s)

    @property
    def size(self) -> int:
        """Return the length of the vector."""
        return self.elements * KNOTS + len(self.taus_s) + self.elements

    def table(self, k: int) -> slice:
        """Return the place of element `k`'s table; 0 is the immediate resistance."""
        return slice(k * KNOTS, (k + 1) * KNOTS)

    def tau(self, k: int) -> int:
        """Return the place of ln tau of pair `k` (from 0)."""
        return self.elements * KNOTS + k

    def energy(self, k: int) -> int:
        """Return the place of element `k`'s activation energy, in units of ENERGY_UNIT."""
        return self.elements * KNOTS + len(self.taus_s) + k

    @property
    def free(self) -> NDArray[np.bool_]:
        """Return which unknowns are free (size,), as booleans."""
        free = np.ones(self.size, dtype=bool)
        if not self.free_energy:
            free[self.energy(0) :] = False
        return free

    def name(self, i: int) -> str:
        """Return what unknown `i` is, in words."""
        k, at = divmod(i, KNOTS)
        if k < self.elements:
            which = "immediate resistance" if k == 0 else f"resistance of pair {k}"
            return f"{which} at {100.0 * KNOTS_SOC[at]:g} %"
        i -= self.elements * KNOTS
        if i < len(self.taus_s):
            return f"time constant of pair {i + 1}"
        i -= len(self.taus_s)
        return "temperature slope of " + ("immediate resistance" if i == 0 else f"pair {i}")


def ohm_of(layout: Layout, x: Floats) -> Floats:
    """Return the resistance tables (elements, KNOTS) [ohm] at the reference temperature."""
    return np.exp(x[: layout.elements * KNOTS]).reshape(layout.elements, KNOTS)


def taus_of(layout: Layout, x: Floats) -> Floats:
    """Return the time constants [s] of the pairs."""
    return np.exp(x[layout.tau(0) : layout.energy(0)])


def energies_of(layout: Layout, x: Floats) -> Floats:
    """Return how steeply the elements fall with warmth at the reference temperature [J/mol]."""
    return x[layout.energy(0) :] * ENERGY_UNIT


def warmth(energy_J_mol: Any, x: Any) -> Any:
    """Return the factor on a resistance at `x` = (1/T - 1/T_ref)/R_gas [mol/J], 1 at T_ref."""
    return 1.0 - EASING + EASING * np.exp(energy_J_mol / EASING * x)


def _lean(energy_J_mol: float, x: Any) -> Any:
    """Return the derivative of ln `warmth` over the energy [mol/J]."""
    return x * np.exp(energy_J_mol / EASING * x) / warmth(energy_J_mol, x)


@dataclass(frozen=True)
class Curve:
    """The open-circuit voltage before the slow branch's own drop is added, over CURVE_SOC.

    `lift` (curve, KNOTS) takes a resistance at the knots to what it adds where the curve needs
    it; `since_s` is how long the branch had been running at each point.
    """

    base_V: Floats
    lift: Floats
    since_s: Floats
    current_A: float
    x: float  # of the branch's temperature, as in Driven

    def response(self, tau_s: float | None) -> Floats:
        """Return how much of an element has come up at each point: 1, or 1 - exp(-t/tau)."""
        if tau_s is None:
            return np.ones(len(self.since_s))
        return 1.0 - np.exp(-self.since_s / tau_s)


def curve_of(branch: Branch, full_V: float | None, capacity_Ah: float, left: float) -> Curve:
    """Return the curve's base from the slow branch, `left` of whose charge stayed in the cell.

    Above TOP_SOC, where a rest of the full cell is known, the curve goes straight to it.
    """
    soc = left + (1.0 - left) * branch.soc
    base_V = np.interp(CURVE_SOC, soc, branch.voltage_V)
    low = soc[0] > CURVE_SOC
    if low.any():  # drawn on with the last slope, as `left` was found
        near = branch.soc < 0.02
        slope_V = np.polyfit(soc[near], branch.voltage_V[near], 1)[0]
        base_V[low] = branch.voltage_V[0] + slope_V * (CURVE_SOC[low] - soc[0])
    base_V = np.maximum.accumulate(base_V)
    lift = places(np.maximum(CURVE_SOC, soc[0]), KNOTS_SOC).at(np.eye(KNOTS))
    if full_V is not None:
        top = CURVE_SOC > TOP_SOC
        at = int(np.searchsorted(CURVE_SOC, TOP_SOC))
        share = (CURVE_SOC[top] - CURVE_SOC[at]) / (1.0 - CURVE_SOC[at])
        base_V[top] = (1.0 - share) * base_V[at] + share * full_V
        lift[top] = (1.0 - share)[:, None] * lift[at]
    warm_K = branch.temperature_C + ZERO_C_K
    return Curve(
        base_V=base_V,
        lift=lift,
        since_s=(1.0 - CURVE_SOC) * capacity_Ah / branch.current_A * SECONDS_PER_HOUR,
        current_A=branch.current_A,
        x=(1.0 / warm_K - 1.0 / REFERENCE_K) / GAS_J_MOL_K,
    )


def open_circuit_V(curve: Curve, layout: Layout, x: Floats) -> Floats:
    """Return the open-circuit voltage (curve,) that goes with the unknowns; it never falls."""
    return np.maximum.accumulate(_raw_V(curve, layout, x))


def _raw_V(curve: Curve, layout: Layout, x: Floats) -> Floats:
    energies, tables = energies_of(layout, x), ohm_of(layout, x)
    open_V = curve.base_V.copy()
    for k, tau_s in enumerate((None, *taus_of(layout, x))):
        warm = warmth(energies[k], curve.x)
        open_V += curve.current_A * warm * curve.response(tau_s) * (curve.lift @ tables[k])
    return open_V


def predicted_V(curve: Curve, layout: Layout, x: Floats, d: Driven) -> Floats:
    """Return the voltage at each row of a log (n,), as a profile of these unknowns gives it."""
    drop_V, _ = _drop(curve, layout, x, d, np.arange(len(d.soc)), slopes=False)
    # The fit itself lets the curve fall by some mV where a fast branch begins; a profile can't.
    raw_V = _raw_V(curve, layout, x)
    return d.open.at(curve.base_V + np.maximum.accumulate(raw_V) - raw_V) - drop_V


def _drop(
    curve: Curve, layout: Layout, x: Floats, d: Driven, rows: Rows, *, slopes: bool
) -> tuple[Floats, Floats]:
    """Return the drop below the curve's base (n,) and its derivatives (rows, size)."""
    tables, energies = ohm_of(layout, x), energies_of(layout, x)
    jac = np.zeros((len(rows) if slopes else 0, layout.size))
    drop_V = np.zeros(len(d.soc))
    for k, tau_s in enumerate((None, *taus_of(layout, x))):
        warm = warmth(energies[k], d.x)
        own = curve.current_A * warmth(energies[k], curve.x)
        own_V = own * (curve.lift @ tables[k])
        up = curve.response(tau_s)
        lifted_V = d.open.at(own_V * up)
        element_V, tau_V, energy_V = _element(d, tables[k], energies[k], tau_s)
        drop_V += element_V - lifted_V
        if not slopes:
            continue
        own_lean = _lean(energies[k], curve.x)
        lifts = d.open.at((own * up)[:, None] * curve.lift)
        jac[:, layout.table(k)] = (_per_ohm(d, warm, tau_s) - lifts)[rows] * tables[k]
        jac[:, layout.energy(k)] = ENERGY_UNIT * (energy_V - lifted_V * own_lean)[rows]
        if tau_s is not None:
            since = curve.since_s / tau_s
            jac[:, layout.tau(k - 1)] = (tau_V + d.open.at(own_V * since * np.exp(-since)))[rows]
    return drop_V, jac


def _element(
    d: Driven, table_ohm: Floats, energy_J_mol: float, tau_s: float | None
) -> tuple[Floats, Floats, Floats]:
    """Return the drop of one element (n,), and its derivatives over ln tau and energy."""
    warm, lean = warmth(energy_J_mol, d.x), _lean(energy_J_mol, d.x)
    if tau_s is None:
        drop_V = d.log.current_A * d.look.at(table_ohm) * warm
        return drop_V, np.zeros(len(d.soc)), drop_V * lean
    seen_V, tau_V, energy_V = np.empty((3, len(d.soc)))
    row_ohm = d.middle.at(table_ohm) * warm
    pair_voltage(d.span_s, d.flow_A, row_ohm, lean, tau_s, d.log.means, seen_V, tau_V, energy_V)
    return seen_V, tau_V, energy_V


def _per_ohm(d: Driven, warm: Floats, tau_s: float | None) -> Floats:
    """Return the drop of one element (n, KNOTS) for one ohm at each knot."""
    if tau_s is None:
        return d.look.at(np.eye(KNOTS)) * (d.log.current_A * warm)[:, None]
    per_ohm = np.empty((len(d.soc), KNOTS))
    respond = mean_response if d.log.means else pair_response
    respond(d.span_s, d.flow_A, d.middle.interval, d.middle.part, warm, tau_s, per_ohm)
    return per_ohm


def residuals(
    curve: Curve, layout: Layout, x: Floats, logs: Sequence[Driven], scales: Sequence[float]
) -> tuple[list[Floats], list[Floats]]:
    """Return of each log the scaled residuals (rows,) and their derivatives (rows, size).

    Residuals go through the square root of the soft-L1 loss 2 (sqrt(1 + z^2) - 1), so that their
    squares sum to it, and each log has equal weight; `scales` (one a log) widen its error scale.
    """
    all_off, all_slopes = [], []
    for d, scale in zip(logs, scales, strict=True):
        rows = d.compared
        drop_V, jac = _drop(curve, layout, x, d, rows, slopes=True)
        measured_V = d.log.voltage_V[rows]
        base_V = d.open.at(curve.base_V)[rows]
        scale_V = scale * _scale_V(base_V, measured_V)
        z = (base_V - drop_V[rows] - measured_V) / scale_V
        root = np.sqrt(1.0 + z * z)
        soft = np.sign(z) * np.sqrt(2.0 * (root - 1.0))
        # d soft / d z, which is 1 where z vanishes.
        bent = np.where(np.abs(z) < 1e-4, 1.0, np.abs(z) / root / np.maximum(np.abs(soft), 1e-12))
        weight = np.sqrt(WEIGHT / len(rows))
        all_off.append(weight * soft)
        all_slopes.append(-(weight * bent / scale_V)[:, None] * jac)
    return all_off, all_slopes


def _scale_V(base_V: Floats, measured_V: Floats) -> Floats:
    return np.asarray(FLOOR_V + RELATIVE * np.abs(base_V - measured_V))


def misfit(curve: Curve, layout: Layout, x: Floats, d: Driven) -> float:
    """Return the usual error of a log in units of its error scale: 1.48 times the median."""
    rows = d.compared
    off_V = (predicted_V(curve, layout, x, d) - d.log.voltage_V)[rows]
    base_V = d.open.at(curve.base_V)[rows]
    return float(1.4826 * np.median(np.abs(off_V) / _scale_V(base_V, d.log.voltage_V[rows])))


def priors(layout: Layout, capacity_Ah: float) -> tuple[Floats, Floats]:
    """Return matrix A and vector b of the priors: residuals A x - b of unit standard deviation."""
    rows, goals = [], []

    def add(places_and_values: dict[int, float], goal: float) -> None:
        row = np.zeros(layout.size)
        for place, value in places_and_values.items():
            row[place] = value
        rows.append(row)
        goals.append(goal)

    steps = np.diff(KNOTS_SOC)
    for k in range(layout.elements):
        first = layout.table(k).start
        for i in range(1, KNOTS - 1):
            before, after = steps[i - 1], steps[i]
            # A random walk of the slope: its change grows with the root of the distance.
            scale = np.sqrt(0.5 * (before + after) * 0.1) / BEND_SD
            inner = -scale * (1.0 / before + 1.0 / after)
            at = first + i
            add({at - 1: scale / before, at: inner, at + 1: scale / after}, 0.0)
        for i in range(KNOTS):
            add({first + i: 1.0 / LEVEL_SD}, np.log(LEVEL_OHM_AH / capacity_Ah) / LEVEL_SD)
        unit = ENERGY_UNIT / ENERGY_SD
        add({layout.energy(k): unit}, ENERGY_J_MOL / ENERGY_UNIT * unit)
    for k, tau_s in enumerate(layout.taus_s):
        add({layout.tau(k): 1.0 / TAU_SD}, np.log(tau_s) / TAU_SD)
    return np.array(rows), np.array(goals)


def bounds(layout: Layout, capacity_Ah: float) -> tuple[Floats, Floats]:
    """Return the hard bounds (size,) of the unknowns."""
    low, high = np.empty(layout.size), np.empty(layout.size)
    tables = slice(0, layout.elements * KNOTS)
    level = np.log(LEVEL_OHM_AH / capacity_Ah)
    low[tables], high[tables] = level - np.log(WIDEST), level + np.log(WIDEST)
    taus = slice(layout.tau(0), layout.energy(0))
    low[taus] = np.log(layout.taus_s) - np.log(TAU_FACTOR)
    high[taus] = np.log(layout.taus_s) + np.log(TAU_FACTOR)
    low[layout.energy(0) :] = LEAST_J_MOL / ENERGY_UNIT
    high[layout.energy(0) :] = MOST_J_MOL / ENERGY_UNIT
    return low, high


def first_guess(layout: Layout, capacity_Ah: float) -> Floats:
    """Return the middle of the priors."""
    x = np.empty(layout.size)
    x[: layout.elements * KNOTS] = np.log(LEVEL_OHM_AH / capacity_Ah)
    x[layout.tau(0) : layout.energy(0)] = np.log(layout.taus_s)
    x[layout.energy(0) :] = ENERGY_J_MOL / ENERGY_UNIT
    return x
