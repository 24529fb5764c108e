"""One step under a held load; second order, stable at any length.

The coefficients (resistances, film, current of a power load) are taken in the middle of the
step, where half a step with those of the middle before leads to first order: together second
order. With coefficients held, the polarisation is exact and the temperatures follow the two-stage
L-stable implicit rule of Alexander (SIAM J. Numer. Anal. 14 (1977) 1006), which also carries the
heat balance over to its sums without loss.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.cell import CHARGE, DISCHARGE, layer, open_circuit, pair, reversible_heat_W
from sim.physics.compiled import bare, bare_apart
from sim.physics.film import quick_conductance_W_K
from sim.physics.nodes import Heating, implicit_step
from sim.physics.pack import POWER, cells, current_for_power_A, lead_per_cell_ohm
from sim.physics.plant import (
    AT_CELL,
    BOX,
    CHEMICAL,
    CORE,
    DELIVERED,
    DRAWN,
    FIRST_OVERVOLTAGE,
    JOINT,
    LEAD,
    OHMIC,
    OTHER_HEAT,
    PAIRS,
    REVERSIBLE,
    SHORT,
    SOC,
    STORED,
    SUN,
    SURFACE,
    TO_AIR,
    TO_OUTSIDE,
    WALL,
)

GAMMA = 1.0 - math.sqrt(0.5)
# Places of the coefficients of the middle of the last step.
OHMIC_AT, FILM_AT, PAIRS_AT = 0, 1, 2


class Halfway(NamedTuple):
    """The middle of a step, to first order, and the weather there."""

    soc: float
    core_K: float
    surface_K: float
    air_K: float
    overvoltage_V: float
    ambient_K: float
    sun_W: float


@bare
def drawn_A(plant, leg, source_V, ohmic_ohm):
    """Return the current [A] of one cell and the room [W] left to its greatest power."""
    if leg.kind != POWER:
        return leg.value, math.inf
    path_ohm = ohmic_ohm + plant.pack.joint_ohm + lead_per_cell_ohm(plant.pack)
    return current_for_power_A(source_V, path_ohm, leg.value)


@bare_apart
def take_middle(plant, leg, y, middle):
    """Fill `middle` with the coefficients of the state itself."""
    soc, core_K = y[SOC], y[CORE]
    air_K = leg.ambient_K if plant.box.kind == FREE_AIR else y[BOX]
    middle[OHMIC_AT] = layer(plant.cell, soc, core_K, DISCHARGE if leg.value >= 0.0 else CHARGE)
    middle[FILM_AT] = quick_conductance_W_K(plant.film, y[SURFACE], air_K)
    for k in range(len(plant.cell.pairs)):
        resistance_ohm, tau_s = pair(plant.cell, soc, core_K, k)
        middle[PAIRS_AT + 2 * k] = resistance_ohm
        middle[PAIRS_AT + 2 * k + 1] = tau_s


@bare
def half_ahead(plant, leg, time_s, half_s, y, middle):
    """Return the `Halfway` that half a step leads to with the coefficients of the step before."""
    cell = plant.cell
    pairs = len(cell.pairs)
    soc, core_K = y[SOC], y[CORE]
    past_s = time_s + half_s - leg.start_s
    ambient_K = leg.ambient_K + leg.ambient_K_s * past_s
    sun_W = leg.sun_W + leg.sun_W_s * past_s
    overvoltage_V = 0.0
    for k in range(pairs):
        overvoltage_V += y[FIRST_OVERVOLTAGE + k]
    open_V, slope_V_K = open_circuit(cell, soc, core_K)
    ohmic_ohm = middle[OHMIC_AT]
    current_A, _ = drawn_A(plant, leg, open_V - overvoltage_V, ohmic_ohm)
    overvoltage_V, core_W = 0.0, current_A * (current_A * ohmic_ohm - core_K * slope_V_K)
    for k in range(pairs):
        resistance_ohm = middle[PAIRS_AT + 2 * k]
        left = math.exp(-half_s / middle[PAIRS_AT + 2 * k + 1])
        v = y[FIRST_OVERVOLTAGE + k] * left + current_A * resistance_ohm * (1.0 - left)
        overvoltage_V += v
        core_W += v * v / resistance_ohm
    joint_W = current_A * current_A * plant.pack.joint_ohm
    n_cells = cells(plant.pack) * 1.0
    heating = Heating(core_W, joint_W, middle[FILM_AT], n_cells, sun_W, ambient_K)
    core_K, surface_K, air_K, _ = implicit_step(
        cell, plant.box, heating, 1.0 / half_s, core_K, y[SURFACE], y[BOX], y[WALL]
    )
    soc -= current_A * half_s / cell.capacity_As
    return Halfway(soc, core_K, surface_K, air_K, overvoltage_V, ambient_K, sun_W)


@bare
def relax_pairs(cell, halfway, current_A, step_s, y, new, fresh):
    """Carry the pairs over the step exactly; return their heat, what they store [J], integral of v.

    Heat and storage are integrals of the exact curve, so that the balance closes at any length.
    """
    pair_J, stored_J, v_Vs = 0.0, 0.0, 0.0
    for k in range(len(cell.pairs)):
        resistance_ohm, tau_s = pair(cell, halfway.soc, halfway.core_K, k)
        fresh[PAIRS_AT + 2 * k] = resistance_ohm
        fresh[PAIRS_AT + 2 * k + 1] = tau_s
        left = math.exp(-step_s / tau_s)
        goal_V = current_A * resistance_ohm
        off_V = y[FIRST_OVERVOLTAGE + k] - goal_V
        new[FIRST_OVERVOLTAGE + k] = goal_V + off_V * left
        gone_s = tau_s * (1.0 - left)
        one_Vs = goal_V * step_s + off_V * gone_s
        square = goal_V * (one_Vs + off_V * gone_s) + 0.5 * off_V * off_V * gone_s * (1.0 + left)
        pair_J += square / resistance_ohm
        stored_J += current_A * one_Vs - square / resistance_ohm
        v_Vs += one_Vs
    return pair_J, stored_J, v_Vs


@bare
def warm(plant, heating, step_s, y, new):
    """Carry the temperatures over the step; return heat to air (one cell) and to outside [J]."""
    cell, box = plant.cell, plant.box
    a = 1.0 / (GAMMA * step_s)
    core_1, surface_1, air_1, wall_1 = implicit_step(
        cell, box, heating, a, y[CORE], y[SURFACE], y[BOX], y[WALL]
    )
    ahead = (1.0 - GAMMA) / GAMMA  # from a state and its first stage to where the second begins
    core_2, surface_2, air_2, wall_2 = implicit_step(
        cell,
        box,
        heating,
        a,
        y[CORE] + ahead * (core_1 - y[CORE]),
        y[SURFACE] + ahead * (surface_1 - y[SURFACE]),
        y[BOX] + ahead * (air_1 - y[BOX]),
        y[WALL] + ahead * (wall_1 - y[WALL]),
    )
    above_K = (1.0 - GAMMA) * (surface_1 - air_1) + GAMMA * (surface_2 - air_2)
    to_air_J = heating.to_air_W_K * above_K * step_s
    new[CORE], new[SURFACE], new[WALL] = core_2, surface_2, wall_2
    if box.kind == FREE_AIR:  # no node of the state
        new[BOX] = y[BOX]
        return to_air_J, to_air_J * heating.cells
    new[BOX] = air_2
    skin_1, skin_2 = (wall_1, wall_2) if box.kind == AIR_AND_WALL else (air_1, air_2)
    outside_K = (1.0 - GAMMA) * skin_1 + GAMMA * skin_2 - heating.ambient_K
    return to_air_J, box.outside_W_K * outside_K * step_s


@bare
def advance(plant, leg, time_s, step_s, y, middle, new, fresh):
    """Carry the state `y` from `time_s` over `step_s` [s] into `new`.

    Both (n,) are as in `sim.physics.plant`, sums included, and may be the same array. `middle`
    (2 + 2 K,) holds the coefficients of the step before, `fresh` takes those of this one; they
    too may be the same. Returns what was seen in the middle of the step: state of charge,
    core [K] and (current [A], cell voltage [V], room [W]).
    """
    cell, pack, box = plant.cell, plant.pack, plant.box
    at = half_ahead(plant, leg, time_s, 0.5 * step_s, y, middle)
    open_V, slope_V_K = open_circuit(cell, at.soc, at.core_K)
    ohmic_ohm = layer(cell, at.soc, at.core_K, DISCHARGE if leg.value >= 0.0 else CHARGE)
    film_W_K = quick_conductance_W_K(plant.film, at.surface_K, at.air_K)
    fresh[OHMIC_AT], fresh[FILM_AT] = ohmic_ohm, film_W_K
    current_A, room_W = drawn_A(plant, leg, open_V - at.overvoltage_V, ohmic_ohm)
    pair_J, stored_J, v_Vs = relax_pairs(cell, at, current_A, step_s, y, new, fresh)
    new[SOC] = y[SOC] - current_A * step_s / cell.capacity_As

    square_A2s = current_A * current_A * step_s
    ohmic_J, joint_J = square_A2s * ohmic_ohm, square_A2s * pack.joint_ohm
    reversible_J = reversible_heat_W(current_A, at.core_K, slope_V_K) * step_s
    core_W = (ohmic_J + pair_J + reversible_J) / step_s
    heating = Heating(core_W, joint_J / step_s, film_W_K, cells(pack) * 1.0, at.sun_W, at.ambient_K)
    to_air_J, outside_J = warm(plant, heating, step_s, y, new)

    lead_J = square_A2s * lead_per_cell_ohm(pack)
    cell_J = current_A * (open_V * step_s - v_Vs) - ohmic_J
    delivered_J = cell_J - joint_J - lead_J
    n = FIRST_OVERVOLTAGE + len(cell.pairs)
    new[n + DRAWN] = y[n + DRAWN] + current_A * step_s
    new[n + CHEMICAL] = y[n + CHEMICAL] + current_A * open_V * step_s + reversible_J
    new[n + AT_CELL] = y[n + AT_CELL] + cell_J
    new[n + DELIVERED] = y[n + DELIVERED] + delivered_J
    new[n + OHMIC] = y[n + OHMIC] + ohmic_J
    new[n + PAIRS] = y[n + PAIRS] + pair_J
    new[n + STORED] = y[n + STORED] + stored_J
    new[n + REVERSIBLE] = y[n + REVERSIBLE] + reversible_J
    new[n + JOINT] = y[n + JOINT] + joint_J
    new[n + LEAD] = y[n + LEAD] + lead_J
    new[n + TO_AIR] = y[n + TO_AIR] + to_air_J
    short_J = leg.value * step_s - delivered_J if room_W < 0.0 else 0.0
    new[n + SHORT] = y[n + SHORT] + short_J
    in_box_s = 0.0 if box.kind == FREE_AIR else step_s
    new[n + SUN] = y[n + SUN] + at.sun_W * in_box_s
    new[n + OTHER_HEAT] = y[n + OTHER_HEAT] + box.other_heat_W * in_box_s
    new[n + TO_OUTSIDE] = y[n + TO_OUTSIDE] + outside_J
    cell_V = open_V - at.overvoltage_V - current_A * ohmic_ohm
    return at.soc, at.core_K, (current_A, cell_V, room_W)
