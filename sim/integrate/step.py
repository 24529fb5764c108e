"""One step under a held load; second order, stable at any length. For a number or for lanes alike.

The coefficients (resistances, film, current of a power load) are taken in the middle of the step,
where half a step with what is known at its begin leads to first order: together second order. With
coefficients held, the polarisation is exact and the temperatures follow the two-stage L-stable
implicit rule of Alexander (SIAM J. Numer. Anal. 14 (1977) 1006), which also carries the heat
balance over to its sums without loss.

The phases are functions of their own: `half_ahead`, `look`, `remember_pairs`, `relax_pairs`,
`warm`, `enter_gains`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.integrate.facets import conductance_at, layer_at, open_circuit_at, place_at
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.cell import CHARGE, DISCHARGE, FIRST_PAIR, reversible_heat_W
from sim.physics.compiled import inlined
from sim.physics.decay import decays
from sim.physics.nodes import Held, Pace, drifted_W, factorised, half_way_K, net_W, paced, solved_K
from sim.physics.pack import POWER, current_for_power_A, lead_per_cell_ohm
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
    TOTALS,
    WALL,
)
from sim.physics.side_by_side import WIDTH, alike, any_of, where

GAMMA = 1.0 - math.sqrt(0.5)
AHEAD = (1.0 - GAMMA) / GAMMA  # from a state and its first stage to where the second begins
# What a step remembers of the middle of the one before: the film, and of each pair these.
FILM_AT, PAIRS_AT = 0, 1
RESISTANCE, TIME, CONDUCTANCE, HALF_LEFT, LEFT = range(5)
A_PAIR = 5
# Room that a step asks for: its states, what it remembers, and the sums that it makes grow.
ONE, STATE = (0,), (0,) * FIRST_OVERVOLTAGE  # and one entry a pair
A_MEMORY = (0,) * A_PAIR
SUMS_ROW = (0,) * (WIDTH * -(-len(TOTALS) // WIDTH))  # `wide`; what is over stays nought


class Look(NamedTuple):
    """What is seen of a state under a load; one cell's."""

    current_A: float
    cell_V: float
    room_W: float
    ohmic_ohm: float
    open_V: float
    slope_V_K: float


class Standing(NamedTuple):
    """What stands at a state before a load is put on it; one cell's."""

    open_V: float
    slope_V_K: float
    source_V: float  # open circuit less the pairs
    giving_ohm: float
    taking_ohm: float


class Stride(NamedTuple):
    """What hangs on the length of a step alone. `step_s` is one number for all lanes."""

    step_s: float
    half_share: float  # of the charge, that 1 A takes in half a step
    pace: Pace


class Halfway(NamedTuple):
    """The middle of a step, to first order, and the weather there."""

    soc: float
    core_K: float
    surface_K: float
    near_K: float  # what the cells feel: the box air, or the ambient
    overvoltage_V: float
    ambient_K: float
    sun_W: float


@inlined
def stand(cell, facets, place, soc, core_K, overvoltage_V):
    """Return what is `Standing` at a state of charge, a core and a sum of overvoltages."""
    open_V, slope_V_K = open_circuit_at(cell, facets, soc, core_K)
    giving_ohm, taking_ohm = layer_at(facets, place, DISCHARGE), layer_at(facets, place, CHARGE)
    return Standing(open_V, slope_V_K, open_V - overvoltage_V, giving_ohm, taking_ohm)


@inlined
def stand_at(cell, facets, y):
    """Return what is `Standing` at a state."""
    overvoltage_V = 0.0 * y[SOC]
    for k in range(len(cell.pairs)):
        overvoltage_V = overvoltage_V + y[FIRST_OVERVOLTAGE + k]
    place = place_at(cell, facets, y[SOC], y[CORE])
    return stand(cell, facets, place, y[SOC], y[CORE], overvoltage_V)


@inlined
def look(plant, leg, standing):
    """Return the `Look` at a state under the load of a leg."""
    ohmic_ohm = where(leg.value >= 0.0, standing.giving_ohm, standing.taking_ohm)
    source_V = standing.source_V
    current_A, room_W = leg.value, alike(math.inf, source_V)
    if leg.kind == POWER:
        path_ohm = ohmic_ohm + (plant.pack.joint_ohm + lead_per_cell_ohm(plant.pack))
        current_A, room_W = current_for_power_A(source_V, path_ohm, leg.value)
    cell_V = source_V - current_A * ohmic_ohm
    return Look(current_A, cell_V, room_W, ohmic_ohm, standing.open_V, standing.slope_V_K)


@inlined
def strided(plant, nodes, step_s):
    """Return the `Stride` of steps of `step_s`."""
    like = plant.cell.capacity_As
    half_s = alike(0.5 * step_s, like)
    a = alike(1.0 / (GAMMA * step_s), like)
    return Stride(step_s, half_s / like, paced(nodes, half_s, a))


@inlined
def remember_pair(cell, step_s, resistance_ohm, tau_s, before, fresh, k):
    """Fill what `fresh` remembers of pair `k`; its decays from `before` where its time is as then.

    Times mostly are one number for all charge and warmth, and then so are decays.
    """
    at = PAIRS_AT + A_PAIR * k
    fresh[at + RESISTANCE], fresh[at + TIME] = resistance_ohm, tau_s
    fresh[at + CONDUCTANCE] = 1.0 / resistance_ohm
    if any_of(before[at + TIME] != tau_s):
        fresh[at + HALF_LEFT], fresh[at + LEFT] = decays(step_s / tau_s)
    else:
        fresh[at + HALF_LEFT], fresh[at + LEFT] = before[at + HALF_LEFT], before[at + LEFT]


@inlined
def repaced(cell, step_s, memory):
    """Take the decays of `memory` anew for steps of another length."""
    for k in range(len(cell.pairs)):
        at = PAIRS_AT + A_PAIR * k
        memory[at + HALF_LEFT], memory[at + LEFT] = decays(step_s / memory[at + TIME])


@inlined
def remember(plant, leg, facets, y, memory):
    """Fill `memory` with the coefficients of the state itself, but for the decays."""
    near_K = leg.ambient_K if plant.box.kind == FREE_AIR else y[BOX]
    memory[FILM_AT] = conductance_at(plant.film, facets, y[SURFACE], near_K)
    place = place_at(plant.cell, facets, y[SOC], y[CORE])
    for k in range(len(plant.cell.pairs)):
        at = PAIRS_AT + A_PAIR * k
        memory[at + RESISTANCE] = layer_at(facets, place, FIRST_PAIR + 2 * k)
        memory[at + TIME] = layer_at(facets, place, FIRST_PAIR + 2 * k + 1)
        memory[at + CONDUCTANCE] = 1.0 / memory[at + RESISTANCE]


@inlined
def half_ahead(plant, nodes, stride, leg, time_s, seen, memory, y):
    """Return the `Halfway` that half a step leads to with what is known at its begin."""
    past_s = time_s + 0.5 * stride.step_s - leg.start_s
    ambient_K = leg.ambient_K + leg.ambient_K_s * past_s
    sun_W = leg.sun_W + leg.sun_W_s * past_s
    current_A, core_K = seen.current_A, y[CORE]
    core_W = current_A * (current_A * seen.ohmic_ohm - core_K * seen.slope_V_K)
    overvoltage_V = 0.0 * core_W
    for k in range(len(plant.cell.pairs)):
        at, v = PAIRS_AT + A_PAIR * k, y[FIRST_OVERVOLTAGE + k]
        goal_V = current_A * memory[at + RESISTANCE]
        overvoltage_V = overvoltage_V + (goal_V + (v - goal_V) * memory[at + HALF_LEFT])
        core_W = core_W + v * v * memory[at + CONDUCTANCE]
    joint_W = current_A * current_A * plant.pack.joint_ohm
    held = Held(core_W, joint_W, memory[FILM_AT], sun_W, ambient_K, leg.sun_W_s, leg.ambient_K_s)
    net = net_W(nodes, plant.box, held, core_K, y[SURFACE], y[BOX], y[WALL])
    change = half_way_K(nodes, plant.box, stride.pace, memory[FILM_AT], net)
    return Halfway(
        y[SOC] - current_A * stride.half_share,
        core_K + change[0],
        y[SURFACE] + change[1],
        ambient_K if plant.box.kind == FREE_AIR else y[BOX] + change[2],
        overvoltage_V,
        ambient_K,
        sun_W,
    )


@inlined
def relax_pairs(cell, current_A, step_s, y, fresh, new):
    """Carry the pairs over the step exactly; return their heat, what they store [J], integral of v.

    Heat and storage are integrals of the exact curve, so that the balance closes at any length.
    """
    pair_J, stored_J, v_Vs = 0.0 * current_A, 0.0 * current_A, 0.0 * current_A
    for k in range(len(cell.pairs)):
        at = PAIRS_AT + A_PAIR * k
        left = fresh[at + LEFT]
        goal_V = current_A * fresh[at + RESISTANCE]
        off_V = y[FIRST_OVERVOLTAGE + k] - goal_V
        new[FIRST_OVERVOLTAGE + k] = goal_V + off_V * left
        gone_s = fresh[at + TIME] * (1.0 - left)
        one_Vs = goal_V * step_s + off_V * gone_s
        square = goal_V * (one_Vs + off_V * gone_s) + 0.5 * off_V * off_V * gone_s * (1.0 + left)
        one_J = square * fresh[at + CONDUCTANCE]
        pair_J = pair_J + one_J
        stored_J = stored_J + (current_A * one_Vs - one_J)
        v_Vs = v_Vs + one_Vs
    return pair_J, stored_J, v_Vs


@inlined
def warm(plant, nodes, stride, held, y, new):
    """Carry the temperatures over the step; return heat to air (one cell) and to outside [J].

    Each stage has the weather of its own instant, or a node faster than the step would lag by half
    of it. Weighed as the stages are, these are the weather of the middle, which the sums have.
    """
    box, pace, g = plant.box, stride.pace, held.to_air_W_K
    core_K, surface_K, air_K, wall_K = y[CORE], y[SURFACE], y[BOX], y[WALL]
    factors = factorised(nodes, box, pace, g)
    net = net_W(nodes, box, held, core_K, surface_K, air_K, wall_K)
    net = drifted_W(nodes, box, held, net, (GAMMA - 0.5) * stride.step_s)
    core_1, surface_1, air_1, wall_1 = solved_K(nodes, box, pace, factors, g, net)
    # K dT = q - a C dT, so the second stage's heats follow from the first's without K.
    net = (
        net[0] + AHEAD * (pace.core_a * core_1 - net[0]),
        net[1] + AHEAD * (pace.surface_a * surface_1 - net[1]),
        net[2] + AHEAD * (pace.air_a * air_1 - net[2]),
        net[3] + AHEAD * (pace.wall_a * wall_1 - net[3]),
    )
    net = drifted_W(nodes, box, held, net, (1.0 - GAMMA) * stride.step_s)
    core_2, surface_2, air_2, wall_2 = solved_K(nodes, box, pace, factors, g, net)
    # Both stages begin where the state was, so their means weigh the changes alike.
    surface_2, air_2 = AHEAD * surface_1 + surface_2, AHEAD * air_1 + air_2
    wall_2 = AHEAD * wall_1 + wall_2
    new[CORE] = core_K + (AHEAD * core_1 + core_2)
    new[SURFACE], new[WALL] = surface_K + surface_2, wall_K + wall_2
    mean_K = surface_K + ((1.0 - GAMMA) * surface_1 + GAMMA * surface_2)
    if box.kind == FREE_AIR:  # no node of the state
        new[BOX] = air_K
        to_air_J = g * (mean_K - held.ambient_K) * stride.step_s
        return to_air_J, to_air_J * nodes.cells
    new[BOX] = air_K + air_2
    mean_air_K = air_K + ((1.0 - GAMMA) * air_1 + GAMMA * air_2)
    to_air_J = g * (mean_K - mean_air_K) * stride.step_s
    skin_K = mean_air_K
    if box.kind == AIR_AND_WALL:
        skin_K = wall_K + ((1.0 - GAMMA) * wall_1 + GAMMA * wall_2)
    return to_air_J, box.outside_W_K * (skin_K - held.ambient_K) * stride.step_s


@inlined
def enter_gains(plant, leg, stride, seen, at, heats, gains):
    """Fill `gains`, what the sums of `sim.physics.plant.TOTALS` grow by in the step."""
    pair_J, stored_J, v_Vs, reversible_J, to_air_J, outside_J = heats
    current_A, step_s = seen.current_A, stride.step_s
    charge_As = current_A * step_s
    square_A2s = current_A * charge_As
    ohmic_J, joint_J = square_A2s * seen.ohmic_ohm, square_A2s * plant.pack.joint_ohm
    lead_J = square_A2s * lead_per_cell_ohm(plant.pack)
    cell_J = current_A * (seen.open_V * step_s - v_Vs) - ohmic_J
    delivered_J = cell_J - joint_J - lead_J
    gains[DRAWN] = charge_As
    gains[CHEMICAL] = charge_As * seen.open_V + reversible_J
    gains[AT_CELL] = cell_J
    gains[DELIVERED] = delivered_J
    gains[OHMIC] = ohmic_J
    gains[PAIRS] = pair_J
    gains[STORED] = stored_J
    gains[REVERSIBLE] = reversible_J
    gains[JOINT] = joint_J
    gains[LEAD] = lead_J
    gains[TO_AIR] = to_air_J
    gains[SHORT] = where(seen.room_W < 0.0, leg.value * step_s - delivered_J, 0.0)
    in_box_s = 0.0 if plant.box.kind == FREE_AIR else step_s
    gains[SUN] = at.sun_W * in_box_s
    gains[OTHER_HEAT] = plant.box.other_heat_W * in_box_s
    gains[TO_OUTSIDE] = outside_J


@inlined
def advance(plant, nodes, stride, leg, time_s, facets, seen, memory, y, fresh, new, gains):
    """Carry the state `y` from `time_s` over a step into `new`; return its middle.

    `y` and `new` (n - sums,) are states as in `sim.physics.plant` without the sums, whose growth
    goes into `gains`. `seen` = the `Look` at the begin; `memory` = the coefficients of the middle
    before, `fresh` takes those of this one. The middle is returned as charge, core and `Look`.
    """
    cell, step_s = plant.cell, stride.step_s
    at = half_ahead(plant, nodes, stride, leg, time_s, seen, memory, y)
    place = place_at(cell, facets, at.soc, at.core_K)
    film_W_K = conductance_at(plant.film, facets, at.surface_K, at.near_K)
    fresh[FILM_AT] = film_W_K
    for k in range(len(cell.pairs)):
        resistance_ohm = layer_at(facets, place, FIRST_PAIR + 2 * k)
        tau_s = layer_at(facets, place, FIRST_PAIR + 2 * k + 1)
        remember_pair(cell, step_s, resistance_ohm, tau_s, memory, fresh, k)
    standing = stand(cell, facets, place, at.soc, at.core_K, at.overvoltage_V)
    middle = look(plant, leg, standing)
    current_A = middle.current_A
    pair_J, stored_J, v_Vs = relax_pairs(cell, current_A, step_s, y, fresh, new)
    new[SOC] = y[SOC] - 2.0 * current_A * stride.half_share

    reversible_W = reversible_heat_W(current_A, at.core_K, middle.slope_V_K)
    square_A2 = current_A * current_A
    core_W = (square_A2 * middle.ohmic_ohm + reversible_W) + pair_J * (1.0 / step_s)
    joint_W = square_A2 * plant.pack.joint_ohm
    held = Held(core_W, joint_W, film_W_K, at.sun_W, at.ambient_K, leg.sun_W_s, leg.ambient_K_s)
    to_air_J, outside_J = warm(plant, nodes, stride, held, y, new)
    heats = pair_J, stored_J, v_Vs, reversible_W * step_s, to_air_J, outside_J
    enter_gains(plant, leg, stride, middle, at, heats, gains)
    return at.soc, at.core_K, middle
