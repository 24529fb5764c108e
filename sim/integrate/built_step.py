"""One step of a pack as built: second order, exact in the pairs, stable in temperature.

As in `sim.integrate.step`, coefficients are taken in the middle of the step, where half a step
with those of the middle before leads to first order; the pairs are exact for a held current; the
temperatures follow the two-stage L-stable rule of Alexander (SIAM J. Numer. Anal. 14 (1977) 1006).
Currents are solved with what they themselves do to pairs and charge until the middle, so that no
guess of them is left in the books, and cells of next to no resistance even out without swinging up.
"""

from __future__ import annotations

import math

from sim.integrate.built_flow import flow
from sim.integrate.built_heat import stage
from sim.integrate.built_work import (
    AIR_1,
    AIR_2,
    AIR_K_S,
    BOX_W,
    CORE_1,
    CORE_2,
    CORE_W,
    CURRENT_A,
    DRAG_OHM,
    FILM_W_K,
    FIRST_PAIR,
    GROUP_OHM,
    GROUP_V,
    HALF_S,
    JOINT_W,
    MIDDLE_CORE_K,
    MIDDLE_OVER_V,
    MIDDLE_SOC,
    MODULE_1,
    MODULE_2,
    MODULE_K_S,
    MODULE_W,
    OHMIC_OHM,
    OPEN_V,
    PACK_A,
    PER_A_OHM,
    RISE_V,
    SLOPE_V_K,
    STILL_V,
    SURFACE_1,
    SURFACE_2,
    WALL_1,
    WALL_2,
    WEIGHT,
)  # fmt: skip
from sim.physics.board import COLDEST_K, HOTTEST_K, MAY_DISCHARGE
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.built import (
    ASKED,
    AT_BUS,
    BOARD,
    BOARD_DROP_V,
    BOARD_OHM,
    CAPACITY_AS,
    CHARGED,
    CHEMICAL,
    CORE,
    DELIVERED,
    DRAWN,
    FIRST_CELL,
    FIRST_OVER,
    GROUP_COUNT,
    IN_BOX,
    IN_MODULE,
    INWARD,
    JOINT,
    JOINT_OHM,
    LEAD,
    LEAD_OHM,
    LINK,
    LINK_OHM,
    MODULE_J_K,
    MODULE_W_K,
    OHMIC,
    OTHER_HEAT,
    OUTWARD,
    PACK_COUNT,
    PAIRS,
    REVERSIBLE,
    SCALE,
    SHORT,
    SOC,
    STORED,
    SUN,
    SURFACE,
    TO_AIR,
    TO_BOX,
    TO_OUTSIDE,
)  # fmt: skip
from sim.physics.bus import CHARGE
from sim.physics.cell import pair, reversible_heat_W
from sim.physics.compiled import bare, bare_apart
from sim.physics.film import quick_conductance_W_K
from sim.physics.lookup import cell_of

GAMMA = 1.0 - math.sqrt(0.5)
MOST_GUESSED = 0.1  # of charge in half a step; the curve's chord is taken there, no more
AHEAD = (1.0 - GAMMA) / GAMMA  # from a state and its first stage to where the second begins


@bare_apart
def take_middle(built, work, state):
    """Fill the coefficients of the state itself, before the first step."""
    box_at = built.pack.shape[1]
    for c in range(state.cells.shape[1]):
        soc, core_K = state.cells[SOC, c], state.cells[CORE, c]
        for k in range(len(built.cell.pairs)):
            pair_ohm, tau_s = pair(built.cell, soc, core_K, k)
            row = FIRST_PAIR + 3 * k
            work.cells[row, c] = pair_ohm * built.fixed[SCALE, c]
            work.cells[row + 1, c] = tau_s
        near_K = state.airs_K[work.pack_of[c] if built.fixed[INWARD, c] > 0.0 else box_at]
        work.cells[FILM_W_K, c] = quick_conductance_W_K(built.film, state.cells[SURFACE, c], near_K)
    work.airs[HALF_S] = -1.0


@bare
def _decays(built, work, half_s):
    """Fill what is left of each overvoltage after half a step, if the length is another."""
    if work.airs[HALF_S] == half_s:
        return
    for k in range(len(built.cell.pairs)):
        row = FIRST_PAIR + 3 * k
        for c in range(work.cells.shape[1]):
            work.cells[row + 2, c] = math.exp(-half_s / work.cells[row + 1, c])
    work.airs[HALF_S] = half_s


@bare
def predict(built, work, state, half_s, air_K):
    """Fill charge and core in the middle, and the film there.

    Each node for itself, implicit in its own temperature, neighbours as they stand and the air as
    it warmed over the last step: first order, enough for coefficients, and stable.
    """
    cell, across = built.cell, built.cell.core_to_surface_W_K
    _decays(built, work, half_s)
    for p in range(work.seen.shape[0]):
        work.seen[p, HOTTEST_K] = -math.inf
        work.seen[p, COLDEST_K] = math.inf
    for c in range(state.cells.shape[1]):
        current_A, p = work.cells[CURRENT_A, c], work.pack_of[c]
        core_K, surface_K = state.cells[CORE, c], state.cells[SURFACE, c]
        module_K = state.airs_K[p] + half_s * work.packs[MODULE_K_S, p]
        core_W = current_A * work.cells[OHMIC_OHM, c] - core_K * work.cells[SLOPE_V_K, c]
        core_W *= current_A
        for k in range(len(cell.pairs)):
            row = FIRST_PAIR + 3 * k
            pair_ohm, half_left = work.cells[row, c], work.cells[row + 2, c]
            goal_V = current_A * pair_ohm
            off_V = state.cells[FIRST_OVER + k, c] - goal_V
            # The mean over the step: of a pair much faster than it, the middle tells nothing.
            gone_s = work.cells[row + 1, c] * (1.0 - half_left * half_left)
            v = goal_V + off_V * gone_s / (2.0 * half_s)
            core_W += v * v / pair_ohm
        inward = work.cells[FILM_W_K, c] * built.fixed[INWARD, c]
        outward = work.cells[FILM_W_K, c] * built.fixed[OUTWARD, c]
        joint_W = current_A * current_A * built.fixed[JOINT_OHM, c]
        out_W = inward * (surface_K - module_K) + outward * (surface_K - air_K)
        away = inward + outward
        for k in range(built.neighbour.shape[1]):
            other = built.neighbour[c, k]
            if other >= 0:
                between = built.neighbour_W_K[c, k]
                out_W += between * (surface_K - state.cells[SURFACE, other])
                away += between
        if across == 0.0:
            held_J_K = cell.core_J_K + cell.surface_J_K + half_s * away
            surface_K += half_s * (core_W + joint_W - out_W) / held_J_K
            core_K = surface_K
        else:
            over_W = across * (core_K - surface_K)
            core_K += half_s * (core_W - over_W) / (cell.core_J_K + half_s * across)
            surface_J_K = cell.surface_J_K + half_s * (across + away)
            surface_K += half_s * (over_W + joint_W - out_W) / surface_J_K
        gone = current_A * half_s / built.fixed[CAPACITY_AS, c]
        gone = min(max(gone, -MOST_GUESSED), MOST_GUESSED)
        work.cells[MIDDLE_SOC, c] = state.cells[SOC, c] - gone
        work.cells[MIDDLE_CORE_K, c] = core_K
        near_K = module_K if built.fixed[INWARD, c] > 0.0 else air_K
        work.cells[FILM_W_K, c] = quick_conductance_W_K(built.film, surface_K, near_K)
        work.seen[p, HOTTEST_K] = max(work.seen[p, HOTTEST_K], core_K)
        work.seen[p, COLDEST_K] = min(work.seen[p, COLDEST_K], core_K)


@bare
def _rise_V(cell, soc):
    """Return how open-circuit voltage rises over all of the charge, as it does at `soc`."""
    last = cell.ocv.shape[1] - 1
    i = cell_of(soc, last, last)
    return (cell.ocv[cell.tables, i + 1, 0] - cell.ocv[cell.tables, i, 0]) * last


@bare
def couple(built, work, state, step_s):
    """Fill what is known of the pairs in the middle, and what a current does to them and to charge.

    A pair's mean over the step is goal + (v0 - goal) gone/step with goal = I R, and the charge in
    the middle s0 - I step/2Q: both are lines in I, and so part of each cell's source and
    resistance. The curve is drawn on along its chord from where charge was guessed.
    """
    half_s = 0.5 * step_s
    for c in range(state.cells.shape[1]):
        soc, core_K = work.cells[MIDDLE_SOC, c], work.cells[MIDDLE_CORE_K, c]
        rise_V = max(_rise_V(built.cell, soc), 0.0)
        over_V = rise_V * (soc - state.cells[SOC, c])
        drag_ohm = rise_V * half_s / built.fixed[CAPACITY_AS, c]
        for k in range(len(built.cell.pairs)):
            pair_ohm, tau_s = pair(built.cell, soc, core_K, k)
            pair_ohm *= built.fixed[SCALE, c]
            half_left = math.exp(-half_s / tau_s)
            still = tau_s * (1.0 - half_left * half_left) / step_s
            over_V += state.cells[FIRST_OVER + k, c] * still
            drag_ohm += pair_ohm * (1.0 - still)
            row = FIRST_PAIR + 3 * k
            work.cells[row, c], work.cells[row + 1, c] = pair_ohm, tau_s
            work.cells[row + 2, c] = half_left
        work.cells[RISE_V, c] = rise_V
        work.cells[MIDDLE_OVER_V, c], work.cells[DRAG_OHM, c] = over_V, drag_ohm
    work.airs[HALF_S] = half_s


@bare
def relax(built, work, state, step_s):
    """Carry charge and pairs over the step; enter heats of cells and sums of packs."""
    half_s = 0.5 * step_s
    for c in range(state.cells.shape[1]):
        current_A, core_K = work.cells[CURRENT_A, c], work.cells[MIDDLE_CORE_K, c]
        pair_J, stored_J = 0.0, 0.0
        for k in range(len(built.cell.pairs)):
            row = FIRST_PAIR + 3 * k
            pair_ohm, tau_s = work.cells[row, c], work.cells[row + 1, c]
            left = work.cells[row + 2, c] * work.cells[row + 2, c]
            goal_V = current_A * pair_ohm
            off_V = state.cells[FIRST_OVER + k, c] - goal_V
            state.cells[FIRST_OVER + k, c] = goal_V + off_V * left
            gone_s = tau_s * (1.0 - left)
            one_Vs = goal_V * step_s + off_V * gone_s
            square = goal_V * (one_Vs + off_V * gone_s)
            square += 0.5 * off_V * off_V * gone_s * (1.0 + left)
            pair_J += square / pair_ohm
            stored_J += current_A * one_Vs - square / pair_ohm
        square_A2s = current_A * current_A * step_s
        ohmic_J = square_A2s * work.cells[OHMIC_OHM, c]
        joint_J = square_A2s * built.fixed[JOINT_OHM, c]
        reversible_J = reversible_heat_W(current_A, core_K, work.cells[SLOPE_V_K, c]) * step_s
        moved = current_A * half_s / built.fixed[CAPACITY_AS, c]
        off = state.cells[SOC, c] - moved - work.cells[MIDDLE_SOC, c]  # from where it was guessed
        open_V = work.cells[OPEN_V, c] + work.cells[RISE_V, c] * off
        state.cells[SOC, c] -= 2.0 * moved
        work.cells[CORE_W, c] = (ohmic_J + pair_J + reversible_J) / step_s
        work.cells[JOINT_W, c] = joint_J / step_s
        p, weight = work.pack_of[c], work.cells[WEIGHT, c]
        chemical_J = current_A * open_V * step_s + reversible_J
        state.sums[p, CHEMICAL] += weight * chemical_J
        state.sums[p, OHMIC] += weight * ohmic_J
        state.sums[p, PAIRS] += weight * pair_J
        state.sums[p, STORED] += weight * stored_J
        state.sums[p, REVERSIBLE] += weight * reversible_J
        state.sums[p, JOINT] += weight * joint_J


@bare
def busbar_loss_W(built, work, g, pack_A):
    """Return what a group's busbars turn to heat [W], by Tellegen: sum I_i d_i - I V."""
    if built.group[LINK_OHM, g] == 0.0 or work.groups[GROUP_OHM, g] == math.inf:
        return 0.0
    inside_W = 0.0
    for c in range(built.group_at[FIRST_CELL, g], built.group_at[FIRST_CELL, g + 1]):
        across_V = work.cells[STILL_V, c] + work.cells[PER_A_OHM, c] * pack_A
        inside_W += work.cells[CURRENT_A, c] * across_V
    return inside_W - pack_A * (work.groups[GROUP_V, g] - work.groups[GROUP_OHM, g] * pack_A)


@bare
def enter_packs(built, work, state, bus, hung, step_s):
    """Enter what busbars, leads and boards lose, and what passes the bus."""
    work.airs[BOX_W] = 0.0
    for p in range(built.pack.shape[1]):
        pack_A, link_W = work.packs[PACK_A, p], 0.0
        for g in range(built.pack_at[p], built.pack_at[p + 1]):
            link_W += built.group[GROUP_COUNT, g] * busbar_loss_W(built, work, g, pack_A)
        board_W = pack_A * pack_A * built.pack[BOARD_OHM, p]
        if pack_A < 0.0 and not work.flags[MAY_DISCHARGE, p]:
            board_W -= pack_A * built.pack[BOARD_DROP_V, p]
        in_module_W = link_W if built.pack[MODULE_J_K, p] > 0.0 else 0.0
        work.packs[MODULE_W, p] = in_module_W
        work.airs[BOX_W] += built.pack[PACK_COUNT, p] * (board_W + link_W - in_module_W)
        state.sums[p, DRAWN] += pack_A * step_s
        state.sums[p, AT_BUS] += bus.voltage_V * pack_A * step_s
        state.sums[p, LINK] += link_W * step_s
        state.sums[p, LEAD] += pack_A * pack_A * built.pack[LEAD_OHM, p] * step_s
        state.sums[p, BOARD] += board_W * step_s
        state.sums[p, IN_MODULE] += in_module_W * step_s
    out_J = bus.voltage_V * bus.current_A * step_s
    state.box_sums[IN_BOX] += work.airs[BOX_W] * step_s
    if hung.mode == CHARGE:
        state.box_sums[CHARGED] -= out_J
    else:
        state.box_sums[ASKED] += bus.asked_W * step_s
        state.box_sums[DELIVERED] += out_J
        if bus.asked_W > 0.0:
            state.box_sums[SHORT] += bus.asked_W * step_s - out_J


@bare
def warm(built, work, state, step_s, ambient_K, sun_W):
    """Carry all temperatures over the step; return whether heat between neighbours settled."""
    packs, free = built.pack.shape[1], built.box.kind == FREE_AIR
    a = 1.0 / (GAMMA * step_s)
    good = stage(built, work, state, a, False, 0.0, ambient_K, sun_W)
    good = stage(built, work, state, a, True, AHEAD, ambient_K, sun_W) and good
    part_1, part_2 = (1.0 - GAMMA) * step_s, GAMMA * step_s
    air_K = ambient_K if free else state.airs_K[packs]
    air_1 = work.airs[AIR_1]
    air_2 = AHEAD * air_1 + work.airs[AIR_2]
    to_box_J = 0.0
    for c in range(state.cells.shape[1]):
        p = work.pack_of[c]
        surface_1, module_1 = work.cells[SURFACE_1, c], work.packs[MODULE_1, p]
        surface_2 = AHEAD * surface_1 + work.cells[SURFACE_2, c]
        module_2 = AHEAD * module_1 + work.packs[MODULE_2, p]
        film = work.cells[FILM_W_K, c] * work.cells[WEIGHT, c]
        now_K = state.cells[SURFACE, c]
        above_module_Ks = (now_K - state.airs_K[p]) * step_s
        above_module_Ks += part_1 * (surface_1 - module_1) + part_2 * (surface_2 - module_2)
        above_air_Ks = (now_K - air_K) * step_s
        above_air_Ks += part_1 * (surface_1 - air_1) + part_2 * (surface_2 - air_2)
        outward_J = film * built.fixed[OUTWARD, c] * above_air_Ks
        state.sums[p, TO_AIR] += film * built.fixed[INWARD, c] * above_module_Ks + outward_J
        to_box_J += built.pack[PACK_COUNT, p] * outward_J
        state.cells[SURFACE, c] = now_K + surface_2
        state.cells[CORE, c] += AHEAD * work.cells[CORE_1, c] + work.cells[CORE_2, c]
    for p in range(packs):
        if built.pack[MODULE_J_K, p] == 0.0:
            continue
        module_1 = work.packs[MODULE_1, p]
        module_2 = AHEAD * module_1 + work.packs[MODULE_2, p]
        above_Ks = (state.airs_K[p] - air_K) * step_s
        above_Ks += part_1 * (module_1 - air_1) + part_2 * (module_2 - air_2)
        state.sums[p, TO_BOX] += built.pack[MODULE_W_K, p] * above_Ks
        work.packs[MODULE_K_S, p] = module_2 / step_s
        to_box_J += built.pack[PACK_COUNT, p] * built.pack[MODULE_W_K, p] * above_Ks
        state.airs_K[p] += module_2
    work.airs[AIR_K_S] = air_2 / step_s
    _enter_box(built, work, state, step_s, ambient_K, sun_W, to_box_J)
    for p in range(packs):
        if built.pack[MODULE_J_K, p] == 0.0:
            state.airs_K[p] = state.airs_K[packs]
    return good


@bare
def _enter_box(built, work, state, step_s, ambient_K, sun_W, to_box_J):
    """Enter the box's own sums and carry its air and wall over the step."""
    box, at, sums = built.box, built.pack.shape[1], state.box_sums
    if box.kind == FREE_AIR:
        state.airs_K[at] = ambient_K
        sums[TO_OUTSIDE] += to_box_J + work.airs[BOX_W] * step_s
        return
    skin = 1 if box.kind == AIR_AND_WALL else 0
    skin_1 = work.airs[AIR_1 + skin]
    skin_2 = AHEAD * skin_1 + work.airs[AIR_2 + skin]
    above_Ks = (state.airs_K[at + skin] - ambient_K) * step_s
    above_Ks += (1.0 - GAMMA) * step_s * skin_1 + GAMMA * step_s * skin_2
    sums[TO_OUTSIDE] += box.outside_W_K * above_Ks
    sums[SUN] += sun_W * step_s
    sums[OTHER_HEAT] += box.other_heat_W * step_s
    state.airs_K[at] += AHEAD * work.airs[AIR_1] + work.airs[AIR_2]
    state.airs_K[at + 1] += AHEAD * work.airs[WALL_1] + work.airs[WALL_2]


@bare
def advance(built, work, hung, charging, state, step_s, ambient_K, sun_W):
    """Carry `state` over `step_s` [s], in place; `work` holds the currents of its begin.

    `ambient_K` and `sun_W` are those of the middle. Returns the `Bus` of the middle and whether
    heat between neighbours settled.
    """
    air_K = ambient_K
    if built.box.kind != FREE_AIR:
        air_K = state.airs_K[built.pack.shape[1]] + 0.5 * step_s * work.airs[AIR_K_S]
    predict(built, work, state, 0.5 * step_s, air_K)
    couple(built, work, state, step_s)
    bus = flow(
        built, work, hung, charging, False,
        work.cells[MIDDLE_SOC], work.cells[MIDDLE_CORE_K], work.cells[MIDDLE_OVER_V],
    )  # fmt: skip
    relax(built, work, state, step_s)
    enter_packs(built, work, state, bus, hung, step_s)
    return bus, warm(built, work, state, step_s, ambient_K, sun_W)
