"""One step under a held load; second order, stable at any length.

The coefficients (resistances, film, current of a power load) are taken in the middle of the
step, where half a step with those of the middle before leads to first order: together second
order. With coefficients held, the polarisation is exact and the temperatures follow the two-stage
L-stable implicit rule of Alexander (SIAM J. Numer. Anal. 14 (1977) 1006), which also carries the
heat balance over to its sums without loss.
"""

from __future__ import annotations

import math

from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.cell import CHARGE, DISCHARGE, layer, open_circuit, pair
from sim.physics.compiled import compiled
from sim.physics.film import quick_conductance_W_K
from sim.physics.nodes import Heating, implicit_step
from sim.physics.pack import POWER, cells, current_for_power_A, lead_per_cell_ohm
from sim.physics.plant import BOX, CORE, FIRST_OVERVOLTAGE, SOC, SURFACE, WALL

GAMMA = 1.0 - math.sqrt(0.5)
# Places of the coefficients of the middle of the last step.
OHMIC, FILM, FIRST_PAIR = 0, 1, 2


@compiled
def drawn_A(plant, leg, source_V, ohmic_ohm):
    """Return the current [A] of one cell and the room [W] left to its greatest power."""
    if leg.kind != POWER:
        return leg.value, math.inf
    path_ohm = ohmic_ohm + plant.pack.joint_ohm + lead_per_cell_ohm(plant.pack)
    return current_for_power_A(source_V, path_ohm, leg.value)


@compiled
def take_middle(plant, leg, y, middle):
    """Fill `middle` with the coefficients of the state itself."""
    soc, core_K = y[SOC], y[CORE]
    air_K = leg.ambient_K if plant.box.kind == FREE_AIR else y[BOX]
    middle[OHMIC] = layer(plant.cell, soc, core_K, DISCHARGE if leg.value >= 0.0 else CHARGE)
    middle[FILM] = quick_conductance_W_K(plant.film, y[SURFACE], air_K)
    for k in range(len(plant.cell.pairs)):
        resistance_ohm, tau_s = pair(plant.cell, soc, core_K, k)
        middle[FIRST_PAIR + 2 * k] = resistance_ohm
        middle[FIRST_PAIR + 2 * k + 1] = tau_s


@compiled
def advance(plant, leg, time_s, step_s, y, middle, new, fresh):
    """Carry the state `y` from `time_s` over `step_s` [s] into `new`.

    Both (n,) are as in `sim.physics.plant`, sums included, and may be the same array. `middle`
    (2 + 2 K,) holds the coefficients of the step before, `fresh` takes those of this one; they
    too may be the same. Returns what was seen in the middle of the step: state of
    charge, core [K] and (current [A], cell voltage [V], room [W]).
    """
    cell, pack, box = plant.cell, plant.pack, plant.box
    pairs = len(cell.pairs)
    soc, core_K, surface_K = y[SOC], y[CORE], y[SURFACE]
    wall_K = y[WALL]
    half_s = 0.5 * step_s
    middle_s = time_s + half_s - leg.start_s
    ambient_K = leg.ambient_K + leg.ambient_K_s * middle_s
    sun_W = leg.sun_W + leg.sun_W_s * middle_s
    air_K = y[BOX]
    joint_ohm = pack.joint_ohm
    n_cells = cells(pack) * 1.0

    # Half a step ahead, to first order.
    overvoltage_V = 0.0
    for k in range(pairs):
        overvoltage_V += y[FIRST_OVERVOLTAGE + k]
    open_V, slope_V_K = open_circuit(cell, soc, core_K)
    ohmic_ohm = middle[OHMIC]
    current_A, _ = drawn_A(plant, leg, open_V - overvoltage_V, ohmic_ohm)
    middle_V, core_W = 0.0, current_A * (current_A * ohmic_ohm - core_K * slope_V_K)
    for k in range(pairs):
        resistance_ohm = middle[FIRST_PAIR + 2 * k]
        left = math.exp(-half_s / middle[FIRST_PAIR + 2 * k + 1])
        v = y[FIRST_OVERVOLTAGE + k] * left + current_A * resistance_ohm * (1.0 - left)
        middle_V += v
        core_W += v * v / resistance_ohm
    joint_W = current_A * current_A * joint_ohm
    heating = Heating(core_W, joint_W, middle[FILM], n_cells, sun_W, ambient_K)
    core_m, surface_m, air_m, _ = implicit_step(
        cell, box, heating, 1.0 / half_s, core_K, surface_K, air_K, wall_K
    )
    soc_m = soc - current_A * half_s / cell.capacity_As

    # The coefficients there, and the current.
    open_V, slope_V_K = open_circuit(cell, soc_m, core_m)
    ohmic_ohm = layer(cell, soc_m, core_m, DISCHARGE if leg.value >= 0.0 else CHARGE)
    film_W_K = quick_conductance_W_K(plant.film, surface_m, air_m)
    fresh[OHMIC] = ohmic_ohm
    fresh[FILM] = film_W_K
    current_A, room_W = drawn_A(plant, leg, open_V - middle_V, ohmic_ohm)

    # The whole step: pairs exactly, their heat and charge by the integrals of the exact curve.
    pair_J, stored_J, mean_V = 0.0, 0.0, 0.0
    for k in range(pairs):
        resistance_ohm, tau_s = pair(cell, soc_m, core_m, k)
        fresh[FIRST_PAIR + 2 * k] = resistance_ohm
        fresh[FIRST_PAIR + 2 * k + 1] = tau_s
        left = math.exp(-step_s / tau_s)
        goal_V = current_A * resistance_ohm
        off_V = y[FIRST_OVERVOLTAGE + k] - goal_V
        new[FIRST_OVERVOLTAGE + k] = goal_V + off_V * left
        gone_s = tau_s * (1.0 - left)
        v_Vs = goal_V * step_s + off_V * gone_s
        square = goal_V * (v_Vs + off_V * gone_s) + 0.5 * off_V * off_V * gone_s * (1.0 + left)
        lost_J = square / resistance_ohm
        pair_J += lost_J
        stored_J += current_A * v_Vs - lost_J
        mean_V += v_Vs
    new[SOC] = soc - current_A * step_s / cell.capacity_As

    ohmic_J = current_A * current_A * ohmic_ohm * step_s
    reversible_J = -current_A * core_m * slope_V_K * step_s
    joint_J = current_A * current_A * joint_ohm * step_s
    heating = Heating(
        (ohmic_J + pair_J + reversible_J) / step_s,
        joint_J / step_s,
        film_W_K,
        n_cells,
        sun_W,
        ambient_K,
    )
    a = 1.0 / (GAMMA * step_s)
    core_1, surface_1, air_1, wall_1 = implicit_step(
        cell, box, heating, a, core_K, surface_K, air_K, wall_K
    )
    ahead = (1.0 - GAMMA) / GAMMA  # from a state and its stage to the second stage's start
    core_2, surface_2, air_2, wall_2 = implicit_step(
        cell,
        box,
        heating,
        a,
        core_K + ahead * (core_1 - core_K),
        surface_K + ahead * (surface_1 - surface_K),
        air_K + ahead * (air_1 - air_K),
        wall_K + ahead * (wall_1 - wall_K),
    )
    to_air_J = (
        step_s * film_W_K * ((1.0 - GAMMA) * (surface_1 - air_1) + GAMMA * (surface_2 - air_2))
    )
    new[CORE], new[SURFACE] = core_2, surface_2
    new[BOX] = air_K if box.kind == FREE_AIR else air_2  # in free air no node of the state
    new[WALL] = wall_2

    lead_J = current_A * current_A * lead_per_cell_ohm(pack) * step_s
    cell_J = current_A * (open_V * step_s - mean_V) - ohmic_J
    delivered_J = cell_J - joint_J - lead_J
    n = FIRST_OVERVOLTAGE + pairs
    new[n] = y[n] + current_A * step_s
    new[n + 1] = y[n + 1] + current_A * open_V * step_s + reversible_J
    new[n + 2] = y[n + 2] + cell_J
    new[n + 3] = y[n + 3] + delivered_J
    new[n + 4] = y[n + 4] + ohmic_J
    new[n + 5] = y[n + 5] + pair_J
    new[n + 6] = y[n + 6] + stored_J
    new[n + 7] = y[n + 7] + reversible_J
    new[n + 8] = y[n + 8] + joint_J
    new[n + 9] = y[n + 9] + lead_J
    new[n + 10] = y[n + 10] + to_air_J
    short_J = leg.value * step_s - delivered_J if room_W < 0.0 else 0.0
    new[n + 11] = y[n + 11] + short_J
    if box.kind == FREE_AIR:
        new[n + 14] = y[n + 14] + to_air_J * n_cells
    else:
        new[n + 12] = y[n + 12] + sun_W * step_s
        new[n + 13] = y[n + 13] + box.other_heat_W * step_s
        lost_1, lost_2 = air_1, air_2
        if box.kind == AIR_AND_WALL:
            lost_1, lost_2 = wall_1, wall_2
        outside_K = (1.0 - GAMMA) * lost_1 + GAMMA * lost_2 - ambient_K
        new[n + 14] = y[n + 14] + box.outside_W_K * outside_K * step_s
    return soc_m, core_m, (current_A, open_V - middle_V - current_A * ohmic_ohm, room_W)
