"""Cell, pack, film and box as one right-hand side; the only place where they meet.

The state is one float64 vector, and so are its sums over time:

    SOC CORE SURFACE BOX WALL | one overvoltage a polarisation pair | TOTALS

Temperatures in K. The totals are integrals from the start, per cell in J (charge in A s), except
the last three, which are of the whole box. They ride along as states so that one error control
serves both, and they feed the audit.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.box import FREE_AIR, Box, box_rates
from sim.physics.cell import CHARGE, DISCHARGE, Cell, layer, open_circuit, pair, reversible_heat_W
from sim.physics.compiled import bare_apart, inlined
from sim.physics.film import Film, conductance_W_K
from sim.physics.pack import (
    POWER,
    Pack,
    cells,
    current_for_power_A,
    lead_per_cell_ohm,
)

SOC, CORE, SURFACE, BOX, WALL, FIRST_OVERVOLTAGE = range(6)

TOTALS = (
    "charge_As",  # out of the cell
    "chemical_J",  # I (U - T dU/dT): what the chemistry gives, heat and all
    "cell_J",  # I V at the cell's terminals
    "delivered_J",  # behind joints and leads
    "ohmic_J",
    "pair_J",  # heat of the polarisation pairs
    "pair_stored_J",  # taken up by the pairs' capacitances
    "reversible_J",
    "joint_J",
    "lead_J",
    "to_air_J",
    "short_J",  # asked but beyond reach, so not delivered
    "sun_J",  # of the whole box, as the two below
    "other_heat_J",
    "to_outside_J",
)


# Places of the totals behind the last overvoltage, in the order above.
(
    DRAWN,
    CHEMICAL,
    AT_CELL,
    DELIVERED,
    OHMIC,
    PAIRS,
    STORED,
    REVERSIBLE,
    JOINT,
    LEAD,
    TO_AIR,
    SHORT,
    SUN,
    OTHER_HEAT,
    TO_OUTSIDE,
) = range(len(TOTALS))


class Plant(NamedTuple):
    """Everything that does not change during a run."""

    cell: Cell
    pack: Pack
    film: Film
    box: Box


class Leg(NamedTuple):
    """A stretch of time in which the load is constant and ambient and sun are straight lines."""

    start_s: float
    end_s: float
    kind: int  # CURRENT or POWER
    value: float  # one cell's share [A or W]
    ambient_K: float
    ambient_K_s: float
    sun_W: float
    sun_W_s: float


class Output(NamedTuple):
    """What can be seen of a state under a load. One cell, except where the name says pack."""

    current_A: float
    cell_V: float
    pack_V: float  # behind joints and leads
    room_W: float  # greatest power minus the power asked, one cell's share; inf for a current
    short_W: float  # asked and not delivered, one cell's share
    open_circuit_V: float
    heat_W: float  # made in one cell and its joints
    ambient_K: float
    air_K: float  # of the box, or of the ambient in free air
    sun_W: float


def at_rest(plant: Plant, soc: float, cell_K: float, air_K: float) -> NDArray[np.float64]:
    """Return a state in which pairs are empty, core and surface alike, and all sums zero."""
    state = np.zeros(FIRST_OVERVOLTAGE + len(plant.cell.pairs) + len(TOTALS))
    state[SOC], state[CORE], state[SURFACE], state[BOX], state[WALL] = (
        soc,
        cell_K,
        cell_K,
        air_K,
        air_K,
    )
    return state


@inlined
def overvoltage_V(plant, state):
    """Return the sum of the polarisation voltages [V]."""
    total_V = 0.0
    for k in range(len(plant.cell.pairs)):
        total_V += state[FIRST_OVERVOLTAGE + k]
    return total_V


@inlined
def drawn(plant, leg, state):
    """Return current [A], ohmic resistance [ohm], open circuit [V], its slope [V/K], room [W]."""
    soc, core_K = state[SOC], state[CORE]
    open_V, slope_V_K = open_circuit(plant.cell, soc, core_K)
    sense = DISCHARGE if leg.value >= 0.0 else CHARGE
    ohmic_ohm = layer(plant.cell, soc, core_K, sense)
    if leg.kind != POWER:
        return leg.value, ohmic_ohm, open_V, slope_V_K, float("inf")
    source_V = open_V - overvoltage_V(plant, state)
    path_ohm = ohmic_ohm + plant.pack.joint_ohm + lead_per_cell_ohm(plant.pack)
    current_A, room_W = current_for_power_A(source_V, path_ohm, leg.value)
    return current_A, ohmic_ohm, open_V, slope_V_K, room_W


@inlined
def terminals(plant, leg, state):
    """Return one cell's current [A], voltage at its terminals [V], and room to its greatest [W]."""
    current_A, ohmic_ohm, open_V, _, room_W = drawn(plant, leg, state)
    return current_A, open_V - overvoltage_V(plant, state) - current_A * ohmic_ohm, room_W


@inlined
def pair_heat_W(plant, state):
    """Return the heat of all polarisation pairs [W]: sum of v^2 / R."""
    heat_W = 0.0
    for k in range(len(plant.cell.pairs)):
        resistance_ohm, _ = pair(plant.cell, state[SOC], state[CORE], k)
        heat_W += state[FIRST_OVERVOLTAGE + k] ** 2 / resistance_ohm
    return heat_W


@inlined
def output(plant, leg, time_s, state):
    """Return the `Output` of a state at a time [s from the start of the run] of a leg."""
    current_A, ohmic_ohm, open_V, slope_V_K, room_W = drawn(plant, leg, state)
    cell_V = open_V - overvoltage_V(plant, state) - current_A * ohmic_ohm
    behind_V = cell_V - current_A * (plant.pack.joint_ohm + lead_per_cell_ohm(plant.pack))
    short_W = 0.0
    if room_W < 0.0:
        short_W = leg.value - current_A * behind_V
    heat_W = (
        current_A * current_A * (ohmic_ohm + plant.pack.joint_ohm)
        + pair_heat_W(plant, state)
        + reversible_heat_W(current_A, state[CORE], slope_V_K)
    )
    past_s = time_s - leg.start_s
    ambient_K = leg.ambient_K + leg.ambient_K_s * past_s
    return Output(
        current_A,
        cell_V,
        behind_V * plant.pack.series,
        room_W,
        short_W,
        open_V,
        heat_W,
        ambient_K,
        ambient_K if plant.box.kind == FREE_AIR else state[BOX],
        leg.sun_W + leg.sun_W_s * past_s,
    )


@bare_apart
def rates(plant, leg, time_s, state, rate):
    """Fill `rate` with the time derivative of `state`, sums included.

    Charge: ds/dt = -I/Q. Pairs: dv/dt = (I R - v)/tau. Heat in the core: I^2 R0 + sum v^2/R
    - I T dU/dT (Bernardi, Pawlikowski and Newman 1985, without a mixing term); joint heat goes
    to the surface. `state` and `rate` are float64 vectors as the module says.
    """
    cell, pack = plant.cell, plant.pack
    current_A, ohmic_ohm, open_V, slope_V_K, room_W = drawn(plant, leg, state)
    core_K, surface_K = state[CORE], state[SURFACE]
    rate[SOC] = -current_A / cell.capacity_As

    pairs = len(cell.pairs)
    pair_W, stored_W, overvoltage = 0.0, 0.0, 0.0
    for k in range(pairs):
        resistance_ohm, tau_s = pair(cell, state[SOC], core_K, k)
        v = state[FIRST_OVERVOLTAGE + k]
        rate[FIRST_OVERVOLTAGE + k] = (current_A * resistance_ohm - v) / tau_s
        pair_W += v * v / resistance_ohm
        stored_W += v * (current_A - v / resistance_ohm)
        overvoltage += v

    ohmic_W = current_A * current_A * ohmic_ohm
    reversible_W = reversible_heat_W(current_A, core_K, slope_V_K)
    joint_W = current_A * current_A * pack.joint_ohm
    lead_W = current_A * current_A * lead_per_cell_ohm(pack)
    core_W = ohmic_W + pair_W + reversible_W

    past_s = time_s - leg.start_s
    ambient_K = leg.ambient_K + leg.ambient_K_s * past_s
    sun_W = leg.sun_W + leg.sun_W_s * past_s
    air_K = ambient_K if plant.box.kind == FREE_AIR else state[BOX]
    to_air_W = conductance_W_K(plant.film, surface_K, air_K) * (surface_K - air_K)
    if cell.core_to_surface_W_K > 0.0:
        across_W = cell.core_to_surface_W_K * (core_K - surface_K)
        rate[CORE] = (core_W - across_W) / cell.core_J_K
        rate[SURFACE] = (across_W + joint_W - to_air_W) / cell.surface_J_K
    else:
        rate[CORE] = (core_W + joint_W - to_air_W) / (cell.core_J_K + cell.surface_J_K)
        rate[SURFACE] = rate[CORE]
    all_cells_W = to_air_W * cells(pack)
    rate[BOX], rate[WALL], outside_W = box_rates(
        plant.box, all_cells_W, air_K, state[WALL], ambient_K, sun_W
    )

    cell_W = current_A * (open_V - overvoltage) - ohmic_W
    delivered_W = cell_W - joint_W - lead_W
    n = FIRST_OVERVOLTAGE + pairs
    rate[n + DRAWN] = current_A
    rate[n + CHEMICAL] = current_A * open_V + reversible_W
    rate[n + AT_CELL] = cell_W
    rate[n + DELIVERED] = delivered_W
    rate[n + OHMIC] = ohmic_W
    rate[n + PAIRS] = pair_W
    rate[n + STORED] = stored_W
    rate[n + REVERSIBLE] = reversible_W
    rate[n + JOINT] = joint_W
    rate[n + LEAD] = lead_W
    rate[n + TO_AIR] = to_air_W
    rate[n + SHORT] = leg.value - delivered_W if room_W < 0.0 else 0.0
    rate[n + SUN] = sun_W if plant.box.kind != FREE_AIR else 0.0
    rate[n + OTHER_HEAT] = plant.box.other_heat_W if plant.box.kind != FREE_AIR else 0.0
    rate[n + TO_OUTSIDE] = outside_W
