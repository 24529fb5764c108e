"""One step of one lane under a held load; second order, stable at any length.

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
from sim.physics.film import conductance_W_K
from sim.physics.nodes import Heating, implicit_step
from sim.physics.pack import POWER, cells, current_for_power_A, lead_per_cell_ohm
from sim.physics.plant import BOX, CORE, FIRST_OVERVOLTAGE, SOC, SURFACE, WALL

GAMMA = 1.0 - math.sqrt(0.5)
# Rows of the coefficients of the middle of the last step, one column a lane.
OHMIC, FILM, FIRST_PAIR = 0, 1, 2


@compiled
def drawn_A(plant, leg, source_V, ohmic_ohm):
    """Return the current [A] of one cell and the room [W] left to its greatest power."""
    if leg.kind != POWER:
        return leg.value, math.inf
    path_ohm = ohmic_ohm + plant.pack.joint_ohm + lead_per_cell_ohm(plant.pack)
    return current_for_power_A(source_V, path_ohm, leg.value)


@compiled
def take_middle(plant, leg, y, middle, lane):
    """Fill the lane's column of `middle` with the coefficients of the state itself."""
    soc, core_K = y[SOC, lane], y[CORE, lane]
    air_K = leg.ambient_K if plant.box.kind == FREE_AIR else y[BOX, lane]
    middle[OHMIC, lane] = layer(plant.cell, soc, core_K, DISCHARGE if leg.value >= 0.0 else CHARGE)
    middle[FILM, lane] = conductance_W_K(plant.film, y[SURFACE, lane], air_K)
    for k in range(len(plant.cell.pairs)):
        resistance_ohm, tau_s = pair(plant.cell, soc, core_K, k)
        middle[FIRST_PAIR + 2 * k, lane] = resistance_ohm
        middle[FIRST_PAIR + 2 * k + 1, lane] = tau_s


@compiled
def advance(plant, leg, time_s, step_s, y, middle, new, lane):
    """Carry one lane from `time_s` over `step_s` [s], from column `lane` of `y` to that of `new`.

    `y` and `new` (n, lanes) are states as in `sim.physics.plant`, sums included, and may be the
    same array. `middle` (2 + 2 K, lanes) is read and renewed.
    """
    cell, pack, box = plant.cell, plant.pack, plant.box
    pairs = len(cell.pairs)
    soc, core_K, surface_K = y[SOC, lane], y[CORE, lane], y[SURFACE, lane]
    wall_K = y[WALL, lane]
    half_s = 0.5 * step_s
    middle_s = time_s + half_s - leg.start_s
    ambient_K = leg.ambient_K + leg.ambient_K_s * middle_s
    sun_W = leg.sun_W + leg.sun_W_s * middle_s
    air_K = y[BOX, lane]
    joint_ohm = pack.joint_ohm
    n_cells = cells(pack) * 1.0

    # Half a step ahead, to first order.
    overvoltage_V = 0.0
    for k in range(pairs):
        overvoltage_V += y[FIRST_OVERVOLTAGE + k, lane]
    open_V, slope_V_K = open_circuit(cell, soc, core_K)
    ohmic_ohm = middle[OHMIC, lane]
    current_A, _ = drawn_A(plant, leg, open_V - overvoltage_V, ohmic_ohm)
    middle_V, core_W = 0.0, current_A * (current_A * ohmic_ohm - core_K * slope_V_K)
    for k in range(pairs):
        resistance_ohm = middle[FIRST_PAIR + 2 * k, lane]
        left = math.exp(-half_s / middle[FIRST_PAIR + 2 * k + 1, lane])
        v = y[FIRST_OVERVOLTAGE + k, lane] * left + current_A * resistance_ohm * (1.0 - left)
        middle_V += v
        core_W += v * v / resistance_ohm
    joint_W = current_A * current_A * joint_ohm
    heating = Heating(core_W, joint_W, middle[FILM, lane], n_cells, sun_W, ambient_K)
    core_m, surface_m, air_m, _ = implicit_step(
        cell, box, heating, 1.0 / half_s, core_K, surface_K, air_K, wall_K
    )
    soc_m = soc - current_A * half_s / cell.capacity_As

    # The coefficients there, and the current.
    open_V, slope_V_K = open_circuit(cell, soc_m, core_m)
    ohmic_ohm = layer(cell, soc_m, core_m, DISCHARGE if leg.value >= 0.0 else CHARGE)
    film_W_K = conductance_W_K(plant.film, surface_m, air_m)
    middle[OHMIC, lane] = ohmic_ohm
    middle[FILM, lane] = film_W_K
    current_A, room_W = drawn_A(plant, leg, open_V - middle_V, ohmic_ohm)

    # The whole step: pairs exactly, their heat and charge by the integrals of the exact curve.
    pair_J, stored_J, mean_V = 0.0, 0.0, 0.0
    for k in range(pairs):
        resistance_ohm, tau_s = pair(cell, soc_m, core_m, k)
        middle[FIRST_PAIR + 2 * k, lane] = resistance_ohm
        middle[FIRST_PAIR + 2 * k + 1, lane] = tau_s
        left = math.exp(-step_s / tau_s)
        goal_V = current_A * resistance_ohm
        off_V = y[FIRST_OVERVOLTAGE + k, lane] - goal_V
        new[FIRST_OVERVOLTAGE + k, lane] = goal_V + off_V * left
        gone_s = tau_s * (1.0 - left)
        v_Vs = goal_V * step_s + off_V * gone_s
        square = goal_V * (v_Vs + off_V * gone_s) + 0.5 * off_V * off_V * gone_s * (1.0 + left)
        lost_J = square / resistance_ohm
        pair_J += lost_J
        stored_J += current_A * v_Vs - lost_J
        mean_V += v_Vs
    new[SOC, lane] = soc - current_A * step_s / cell.capacity_As

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
    to_air_J = step_s * film_W_K * (
        (1.0 - GAMMA) * (surface_1 - air_1) + GAMMA * (surface_2 - air_2)
    )
    new[CORE, lane], new[SURFACE, lane], new[BOX, lane], new[WALL, lane] = (
        core_2,
        surface_2,
        air_2,
        wall_2,
    )

    lead_J = current_A * current_A * lead_per_cell_ohm(pack) * step_s
    cell_J = current_A * (open_V * step_s - mean_V) - ohmic_J
    delivered_J = cell_J - joint_J - lead_J
    n = FIRST_OVERVOLTAGE + pairs
    new[n, lane] = y[n, lane] + current_A * step_s
    new[n + 1, lane] = y[n + 1, lane] + current_A * open_V * step_s + reversible_J
    new[n + 2, lane] = y[n + 2, lane] + cell_J
    new[n + 3, lane] = y[n + 3, lane] + delivered_J
    new[n + 4, lane] = y[n + 4, lane] + ohmic_J
    new[n + 5, lane] = y[n + 5, lane] + pair_J
    new[n + 6, lane] = y[n + 6, lane] + stored_J
    new[n + 7, lane] = y[n + 7, lane] + reversible_J
    new[n + 8, lane] = y[n + 8, lane] + joint_J
    new[n + 9, lane] = y[n + 9, lane] + lead_J
    new[n + 10, lane] = y[n + 10, lane] + to_air_J
    short_J = leg.value * step_s - delivered_J if room_W < 0.0 else 0.0
    new[n + 11, lane] = y[n + 11, lane] + short_J
    if box.kind == FREE_AIR:
        new[n + 14, lane] = y[n + 14, lane] + to_air_J * n_cells
    else:
        new[n + 12, lane] = y[n + 12, lane] + sun_W * step_s
        new[n + 13, lane] = y[n + 13, lane] + box.other_heat_W * step_s
        lost_1, lost_2 = air_1, air_2
        if box.kind == AIR_AND_WALL:
            lost_1, lost_2 = wall_1, wall_2
        outside_K = (1.0 - GAMMA) * lost_1 + GAMMA * lost_2 - ambient_K
        new[n + 14, lane] = y[n + 14, lane] + box.outside_W_K * outside_K * step_s
