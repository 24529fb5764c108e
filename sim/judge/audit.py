"""Whether the run can be believed: every balance closed, and a second integrator asked again."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.integrate.trace import States, Trace
from sim.judge.series import Series, count, series, totals
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.cell import open_circuit
from sim.physics.pack import CURRENT, share
from sim.physics.plant import BOX, CORE, FIRST_OVERVOLTAGE, SOC, SURFACE, WALL, Plant

# A balance that is off by more than this share of what flowed fails the audit. The integrators
# close to 1e-7; a wrong sign or a lost term shows as percents.
BALANCE = 1e-5
# A power is drawn as in the middle of each step, so right after a steep edge it is a little off:
# by 1e-5 to 9e-5 in 20 of 60 runs of pulses that all other checks find sound.
LOAD_BALANCE = 9e-5
LOAD = "load_asked_against_delivered"
LEAST_K = 1e-3  # of a node's warmth: near rest there is no flow, only the rounding of 300 K
SPOT_V = 2e-3  # half the resolution of a good cell monitor
SPOT_K = 0.05  # half of the 0.1 K that a thermocouple logger shows
SPOT_S = 900.0


@dataclass(frozen=True)
class Spot:
    """One quarter hour integrated again by another method from the same state."""

    why: str
    start_s: float
    end_s: float
    difference_V: float
    difference_K: float


@dataclass(frozen=True)
class Halving:
    """By how much the run changes when every step is taken in two halves."""

    difference_V: float
    difference_K: float
    difference_soc: float


@dataclass(frozen=True)
class Audit:
    """Residuals as shares of what flowed; None where a balance does not apply."""

    balances: dict[str, float | None]
    spots: tuple[Spot, ...]
    second_integrator: str
    integrator: str
    steps: int
    halving: Halving | None  # None where the integrator chooses its own steps
    complaints: tuple[str, ...]

    @property
    def passed(self) -> bool:
        """Whether every balance closed and every spot check agreed."""
        return not self.complaints


def _share_of(residual: float, *flows: float) -> float:
    """Return |residual| over the greatest flow; 0 where nothing flowed at all."""
    greatest = max(abs(flow) for flow in flows)
    return abs(residual) / greatest if greatest > 0.0 else abs(residual)


def _asked(plant: Plant, legs: Legs, trace: Trace) -> float:
    """Return one cell's share of the load up to the trace's end, from the legs alone [As, J]."""
    length_s = np.clip(np.minimum(legs.end_s, trace.end_s) - legs.start_s, 0.0, None)
    return math.fsum(share(plant.pack, legs.kind, 1.0) * legs.value * length_s)


def _least_load(plant: Plant, legs: Legs) -> float:
    """Return a tenth of what a full cell holds [As or J], a scale for runs that end at once.

    Of a cold pack that is cut off after four seconds there is nothing but the steep edge.
    """
    cell = plant.cell
    volt = 1.0 if legs.kind == CURRENT else float(open_circuit(cell, 0.5, cell.reference_K)[0])
    return 0.1 * cell.capacity_As * volt


def balances(plant: Plant, legs: Legs, trace: Trace) -> dict[str, float | None]:
    """Return the residual of every balance as a share of what flowed.

    The load balance takes what was asked from the legs alone, not from the integrator. Stored
    pair energy is 1/2 C v^2 where capacitances are constant, and the integral of v dq otherwise.
    """
    first, last, sums = trace.state[0], trace.state[-1], totals(trace)
    cell, box = plant.cell, plant.box
    moved_As = cell.capacity_As * (first[SOC] - last[SOC])
    asked = _asked(plant, legs, trace)
    counted = sums["charge_As"] if legs.kind == CURRENT else sums["delivered_J"] + sums["short_J"]
    through = _throughput(plant, legs, trace)
    stored_J = _stored_in_pairs_J(plant, trace)
    made_J = sums["ohmic_J"] + sums["pair_J"] + sums["reversible_J"] + sums["joint_J"]
    kept_J = cell.core_J_K * (last[CORE] - first[CORE]) + cell.surface_J_K * (
        last[SURFACE] - first[SURFACE]
    )
    into_box_J = sums["to_air_J"] * count(plant) + sums["sun_J"] + sums["other_heat_J"]
    box_kept_J = box.air_J_K * (last[BOX] - first[BOX])
    if box.kind == AIR_AND_WALL:
        box_kept_J += box.wall_J_K * (last[WALL] - first[WALL])
    least_J = LEAST_K * (cell.core_J_K + cell.surface_J_K)
    chemical_J = sums["chemical_J"]
    out_J = sums["cell_J"] + sums["ohmic_J"] + sums["pair_J"] + sums["reversible_J"] + stored_J
    return {
        "charge_counted_against_state_of_charge": _share_of(
            sums["charge_As"] - moved_As, cell.capacity_As * 0.01, moved_As
        ),
        LOAD: _share_of(counted - asked, asked, through * 0.01, _least_load(plant, legs)),
        "chemical_against_electrical_heat_and_stored": _share_of(
            chemical_J - out_J, chemical_J, out_J, through * 0.01
        ),
        "cell_against_delivered_joints_and_leads": _share_of(
            sums["cell_J"] - sums["delivered_J"] - sums["joint_J"] - sums["lead_J"],
            sums["cell_J"],
            through * 0.01,
            least_J,
        ),
        "heat_made_against_stored_and_lost": _share_of(
            made_J - kept_J - sums["to_air_J"], made_J, kept_J, sums["to_air_J"], least_J
        ),
        "box_heat_in_against_stored_and_lost": None
        if box.kind == FREE_AIR
        else _share_of(
            into_box_J - box_kept_J - sums["to_outside_J"],
            into_box_J,
            box_kept_J,
            sums["to_outside_J"],
            least_J * count(plant),
        ),
    }


def _throughput(plant: Plant, legs: Legs, trace: Trace) -> float:
    """Return the load's absolute amount per cell [As or J], the scale for balances that cancel."""
    length_s = np.clip(np.minimum(legs.end_s, trace.end_s) - legs.start_s, 0.0, None)
    return math.fsum(abs(share(plant.pack, legs.kind, 1.0)) * np.abs(legs.value) * length_s)


def _stored_in_pairs_J(plant: Plant, trace: Trace) -> float:
    """Return what the pairs' capacitances took up over the run."""
    cell = plant.cell
    stored_J = 0.0
    for k in range(len(cell.pairs)):
        resistance_ohm, tau_s = np.moveaxis(cell.layers[cell.tables], -1, 0)[2 + 2 * k : 4 + 2 * k]
        capacitance_F = tau_s / resistance_ohm
        if np.ptp(capacitance_F) > 1e-12 * capacitance_F.max():
            return totals(trace)["pair_stored_J"]
        v0, v1 = trace.state[[0, -1], FIRST_OVERVOLTAGE + k]
        stored_J += 0.5 * float(capacitance_F[0, 0]) * (v1 * v1 - v0 * v0)
    return stored_J


Floats = NDArray[np.float64]
Again = Callable[[Legs, Floats], Trace | States]


def _cut(legs: Legs, time_s: Floats, whose: NDArray[np.intp]) -> Legs:
    """Return legs from each of `time_s` (m + 1,) to the next, pieces of the legs `whose` (m,)."""
    part = legs._replace(**{name: getattr(legs, name)[whose] for name in legs._fields[1:]})
    past_s = time_s[:-1] - part.start_s
    return part._replace(
        start_s=time_s[:-1],
        end_s=time_s[1:],
        ambient_K=part.ambient_K + part.ambient_K_s * past_s,
        sun_W=part.sun_W + part.sun_W_s * past_s,
    )


def quarter_hour(time_s: float, begin_s: float, end_s: float) -> tuple[float, float]:
    """Return begin and end [s] of the quarter hour about `time_s`, whole where a run has room."""
    low_s = max(begin_s, min(time_s - 0.5 * SPOT_S, end_s - SPOT_S))
    return low_s, min(low_s + SPOT_S, end_s)


def _points(trace: Trace, time_s: float) -> NDArray[np.intp]:
    """Return which points of the trace lie in the quarter hour about `time_s`.

    Without one at either end that only repeats the state at an edge.
    """
    low_s, high_s = quarter_hour(time_s, float(trace.time_s[0]), float(trace.time_s[-1]))
    at = np.flatnonzero((trace.time_s >= low_s) & (trace.time_s <= high_s))
    if len(at) > 1 and trace.leg[at[0]] != trace.leg[at[1]]:
        at = at[1:]
    if len(at) > 1 and trace.leg[at[-1]] != trace.leg[at[-2]]:
        at = at[:-1]
    return at


def spot(
    plant: Plant, legs: Legs, trace: Trace, why: str, time_s: float, again: Again
) -> Spot | None:
    """Integrate the quarter hour about `time_s` once more and return the largest difference.

    Legs are cut where the trace keeps a state, so that both stand at the same instants: between
    them neither is a straight line, least of all before a cut-off. None where the run ended at its
    very start and there is nothing to integrate.
    """
    at = _points(trace, time_s)
    lasts = np.diff(trace.time_s[at]) > 0.0
    if not lasts.any():
        return None
    whose = trace.leg[at][:-1][lasts]
    edges_s = np.append(trace.time_s[at][:-1][lasts], trace.time_s[at][-1])
    part = _cut(legs, edges_s, whose)
    second = again(part, trace.state[at[0]].copy())
    ours, theirs = series(plant, legs, _some(trace, at)), series(plant, part, second)
    apart = _apart(ours, theirs._replace(leg=whose[theirs.leg]))
    return Spot(why, float(edges_s[0]), float(edges_s[-1]), *apart[:2])


def halved(plant: Plant, legs: Legs, trace: Trace, finer: Trace) -> Halving:
    """Return how far the same run with halved steps lies off, over all that both have seen."""
    return Halving(*_apart(series(plant, legs, trace), series(plant, legs, finer)))


def _some(trace: Trace, at: NDArray[np.intp]) -> Trace:
    return trace._replace(time_s=trace.time_s[at], state=trace.state[at], leg=trace.leg[at])


def _apart(ours: Series, theirs: Series) -> tuple[float, float, float]:
    """Return the largest differences of voltage [V], core and surface [K], state of charge.

    Compared at every point of `ours` within both; where a limit ended one run a little earlier
    its last point is read off the other's straight line.
    """
    last_s = min(ours.time_s[-1], theirs.time_s[-1])
    inside = ours.time_s <= last_s
    when = _strict(ours.time_s[inside], ours.leg[inside], ours.leg[0])
    then = _strict(theirs.time_s, theirs.leg, ours.leg[0])

    def worst(name: str) -> float:
        theirs_there = np.interp(when, then, getattr(theirs, name))
        return float(np.max(np.abs(getattr(ours, name)[inside] - theirs_there)))

    return worst("cell_voltage_V"), max(worst("core_C"), worst("surface_C")), worst("soc")


def _strict(time_s: Floats, leg: NDArray[np.intp], first: int) -> Floats:
    """Return times in which the two sides of an edge differ: a leg's number moves it by 1 us."""
    return time_s + 1e-6 * (leg - first)


def complaints(
    found: dict[str, float | None], spots: tuple[Spot, ...], halving: Halving | None
) -> tuple[str, ...]:
    """Return one sentence for each balance that does not close and each check that disagrees."""
    said = [
        f"the balance '{name.replace('_', ' ')}' is off by {residual:.2g} of what flowed"
        for name, residual in found.items()
        if residual is not None and not residual <= (LOAD_BALANCE if name == LOAD else BALANCE)
    ]
    said += [
        f"a second integrator differs by {s.difference_V * 1e3:.2g} mV and {s.difference_K:.2g} K "
        f"in the quarter hour of the {s.why}"
        for s in spots
        if not (s.difference_V <= SPOT_V and s.difference_K <= SPOT_K)
    ]
    if halving is not None and not (
        halving.difference_V <= SPOT_V and halving.difference_K <= SPOT_K
    ):
        said.append(
            f"halving the step moves the run by {halving.difference_V * 1e3:.2g} mV and "
            f"{halving.difference_K:.2g} K"
        )
    return tuple(said)
