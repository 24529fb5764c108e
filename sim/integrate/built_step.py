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
from sim.integrate.built_heat import drifted, stages
from sim.integrate.built_middle import middle
from sim.integrate.built_work import (
    AIR_1,
    AIR_2,
    AIR_K_S,
    BOX_W,
    CORE_1,
    CORE_2,
    CORE_W,
    CURRENT_A,
    EIGHT,
    END_CELL,
    FILM_W_K,
    FIRST_PAIR,
    GROUP_OHM,
    GROUP_V,
    HALF_SHARE,
    JOINT_W,
    MIDDLE_CORE_K,
    MIDDLE_SOC,
    MODULE_1,
    MODULE_2,
    MODULE_K_S,
    MODULE_W,
    OHMIC_OHM,
    OPEN_V,
    PACK_A,
    PAIR_LEFT,
    PAIR_OHM,
    PAIR_ROWS,
    PAIR_S,
    PAIR_SIEMENS,
    PER_A_OHM,
    RISE_V,
    SLOPE_V_K,
    STILL_V,
    SURFACE_1,
    SURFACE_2,
    WALL_1,
    WALL_2,
    WEIGHT,
)
from sim.physics.abreast import WIDE, at, eights, put_at, put_total_each, total
from sim.physics.board import MAY_DISCHARGE
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.built import (
    ASKED,
    AT_BUS,
    BOARD,
    BOARD_DROP_V,
    BOARD_OHM,
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
    SHORT,
    SOC,
    STORED,
    SUN,
    SURFACE,
    TO_AIR,
    TO_BOX,
    TO_OUTSIDE,
)
from sim.physics.bus import CHARGE
from sim.physics.cell import reversible_heat_W
from sim.physics.compiled import inlined
from sim.physics.side_by_side import alike

GAMMA = 1.0 - math.sqrt(0.5)
AHEAD = (1.0 - GAMMA) / GAMMA  # from a state and its first stage to where the second begins


@inlined
def _relax_pairs(built, work, state, c, step_s, current_A):
    """Carry the pairs of the cells from `c` on over the step; return what they turn and store."""
    pair_J, stored_J = alike(0.0, current_A), alike(0.0, current_A)
    for k in range(len(built.cell.pairs)):
        row = FIRST_PAIR + PAIR_ROWS * k
        half_left = at(work.cells, row + PAIR_LEFT, c)
        left = half_left * half_left
        goal_V = current_A * at(work.cells, row + PAIR_OHM, c)
        off_V = at(state.cells, FIRST_OVER + k, c) - goal_V
        put_at(state.cells, FIRST_OVER + k, c, goal_V + off_V * left)
        gone_s = at(work.cells, row + PAIR_S, c) * (1.0 - left)
        one_Vs = goal_V * step_s + off_V * gone_s
        square = goal_V * (one_Vs + off_V * gone_s)
        square += 0.5 * off_V * off_V * gone_s * (1.0 + left)
        turned_J = square * at(work.cells, row + PAIR_SIEMENS, c)
        pair_J += turned_J
        stored_J += current_A * one_Vs - turned_J
    return pair_J, stored_J


@inlined
def _relax_cells(built, work, state, c, step_s):
    """Carry charge and pairs of the cells from `c` on over the step, and enter their heats.

    Returns what joins the sums [J], weighed: chemical, ohmic, pairs, stored, reversible, joint.
    """
    current_A, core_K = at(work.cells, CURRENT_A, c), at(work.cells, MIDDLE_CORE_K, c)
    pair_J, stored_J = _relax_pairs(built, work, state, c, step_s, current_A)
    square_A2s = current_A * current_A * step_s
    ohmic_J = square_A2s * at(work.cells, OHMIC_OHM, c)
    joint_J = square_A2s * at(built.fixed, JOINT_OHM, c)
    reversible_J = reversible_heat_W(current_A, core_K, at(work.cells, SLOPE_V_K, c)) * step_s
    soc = at(state.cells, SOC, c)
    moved = current_A * at(work.cells, HALF_SHARE, c)
    off = soc - moved - at(work.cells, MIDDLE_SOC, c)  # from where it was guessed
    open_V = at(work.cells, OPEN_V, c) + at(work.cells, RISE_V, c) * off
    put_at(state.cells, SOC, c, soc - 2.0 * moved)
    put_at(work.cells, CORE_W, c, (ohmic_J + pair_J + reversible_J) * (1.0 / step_s))
    put_at(work.cells, JOINT_W, c, joint_J * (1.0 / step_s))
    w = at(work.cells, WEIGHT, c)
    chemical_J = w * (current_A * open_V * step_s + reversible_J)
    return chemical_J, w * ohmic_J, w * pair_J, w * stored_J, w * reversible_J, w * joint_J


@inlined
def relax(built, work, state, step_s):
    """Carry charge and pairs over the step; enter heats of cells and sums of packs."""
    for p in range(work.seen.shape[0]):
        nought = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        chemical_J, ohmic_J, pairs_J = nought, nought, nought
        stored_J, reversible_J, joint_J = nought, nought, nought
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            found = _relax_cells(built, work, state, c, step_s)
            chemical_J += found[0]
            ohmic_J += found[1]
            pairs_J += found[2]
            stored_J += found[3]
            reversible_J += found[4]
            joint_J += found[5]
        put_total_each(
            eights(work.folds, p, EIGHT), 0,
            chemical_J, ohmic_J, pairs_J, stored_J, reversible_J, joint_J, nought, nought,
        )  # fmt: skip
        state.sums[p, CHEMICAL] += work.folds[p, 0]
        state.sums[p, OHMIC] += work.folds[p, 1]
        state.sums[p, PAIRS] += work.folds[p, 2]
        state.sums[p, STORED] += work.folds[p, 3]
        state.sums[p, REVERSIBLE] += work.folds[p, 4]
        state.sums[p, JOINT] += work.folds[p, 5]


@inlined
def busbar_loss_W(built, work, g, pack_A):
    """Return what a group's busbars turn to heat [W], by Tellegen: sum I_i d_i - I V."""
    if built.group[LINK_OHM, g] == 0.0 or work.groups[GROUP_OHM, g] == math.inf:
        return 0.0
    inside_W = 0.0
    for c in range(built.group_at[FIRST_CELL, g], built.group_at[END_CELL, g]):
        across_V = work.cells[STILL_V, c] + work.cells[PER_A_OHM, c] * pack_A
        inside_W += work.cells[CURRENT_A, c] * across_V
    return inside_W - pack_A * (work.groups[GROUP_V, g] - work.groups[GROUP_OHM, g] * pack_A)


@inlined
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


@inlined
def warm(built, work, state, step_s, weather):
    """Carry all temperatures over the step; return whether heat between neighbours settled.

    As in `sim.integrate.step`, each stage has the weather of its own instant.
    """
    packs, a = built.pack.shape[1], 1.0 / (GAMMA * step_s)
    early, late = drifted(weather, (GAMMA - 0.5) * step_s), drifted(weather, 0.5 * step_s)
    good = stages(built, work, state, a, AHEAD, early, late)
    part_1, part_2 = (1.0 - GAMMA) * step_s, GAMMA * step_s
    air_K = state.airs_K[packs]
    air_1 = work.airs[AIR_1]
    air_2 = AHEAD * air_1 + work.airs[AIR_2]
    to_box_J = 0.0
    for p in range(packs):
        module_1 = work.packs[MODULE_1, p]
        module_2 = AHEAD * module_1 + work.packs[MODULE_2, p]
        inward_J, outward_J = _warm_cells(
            built, work, state, p, step_s, air_K, air_1, air_2, module_1, module_2
        )
        state.sums[p, TO_AIR] += inward_J + outward_J
        to_box_J += built.pack[PACK_COUNT, p] * outward_J
        if built.pack[MODULE_J_K, p] == 0.0:
            continue
        above_Ks = (state.airs_K[p] - air_K) * step_s
        above_Ks += part_1 * (module_1 - air_1) + part_2 * (module_2 - air_2)
        state.sums[p, TO_BOX] += built.pack[MODULE_W_K, p] * above_Ks
        work.packs[MODULE_K_S, p] = module_2 / step_s
        to_box_J += built.pack[PACK_COUNT, p] * built.pack[MODULE_W_K, p] * above_Ks
        state.airs_K[p] += module_2
    work.airs[AIR_K_S] = air_2 / step_s
    _enter_box(built, work, state, step_s, weather, to_box_J)
    for p in range(packs):
        if built.pack[MODULE_J_K, p] == 0.0:
            state.airs_K[p] = state.airs_K[packs]
    return good


@inlined
def _warm_cells(built, work, state, p, step_s, air_K, air_1, air_2, module_1, module_2):
    """Carry the cells of a pack over the step; return what they give to module and box air [J]."""
    part_1, part_2 = (1.0 - GAMMA) * step_s, GAMMA * step_s
    inward_J = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
    outward_J = inward_J
    for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
        surface_1, now_K = at(work.cells, SURFACE_1, c), at(state.cells, SURFACE, c)
        surface_2 = AHEAD * surface_1 + at(work.cells, SURFACE_2, c)
        core_2 = AHEAD * at(work.cells, CORE_1, c) + at(work.cells, CORE_2, c)
        film = at(work.cells, FILM_W_K, c) * at(work.cells, WEIGHT, c)
        above_Ks = (now_K - state.airs_K[p]) * step_s
        above_Ks += part_1 * (surface_1 - module_1) + part_2 * (surface_2 - module_2)
        inward_J += film * at(built.fixed, INWARD, c) * above_Ks
        above_Ks = (now_K - air_K) * step_s
        above_Ks += part_1 * (surface_1 - air_1) + part_2 * (surface_2 - air_2)
        outward_J += film * at(built.fixed, OUTWARD, c) * above_Ks
        put_at(state.cells, SURFACE, c, now_K + surface_2)
        put_at(state.cells, CORE, c, at(state.cells, CORE, c) + core_2)
    return total(inward_J), total(outward_J)


@inlined
def _enter_box(built, work, state, step_s, weather, to_box_J):
    """Enter the box's own sums and carry its air and wall over the step."""
    box, here, sums = built.box, built.pack.shape[1], state.box_sums
    if box.kind == FREE_AIR:
        state.airs_K[here] = weather.ambient_K + 0.5 * step_s * weather.ambient_K_s
        sums[TO_OUTSIDE] += to_box_J + work.airs[BOX_W] * step_s
        return
    skin = 1 if box.kind == AIR_AND_WALL else 0
    skin_1 = work.airs[AIR_1 + skin]
    skin_2 = AHEAD * skin_1 + work.airs[AIR_2 + skin]
    above_Ks = (state.airs_K[here + skin] - weather.ambient_K) * step_s
    above_Ks += (1.0 - GAMMA) * step_s * skin_1 + GAMMA * step_s * skin_2
    sums[TO_OUTSIDE] += box.outside_W_K * above_Ks
    sums[SUN] += weather.sun_W * step_s
    sums[OTHER_HEAT] += box.other_heat_W * step_s
    state.airs_K[here] += AHEAD * work.airs[AIR_1] + work.airs[AIR_2]
    state.airs_K[here + 1] += AHEAD * work.airs[WALL_1] + work.airs[WALL_2]


@inlined
def advance(built, work, hung, charging, state, step_s, weather):
    """Carry `state` over `step_s` [s], in place; `work` holds the currents of its begin.

    Returns the `Bus` of the middle and whether heat between neighbours settled.
    """
    air_K = weather.ambient_K
    if built.box.kind != FREE_AIR:
        air_K = state.airs_K[built.pack.shape[1]] + 0.5 * step_s * work.airs[AIR_K_S]
    middle(built, work, state, step_s, air_K)
    bus, _ = flow(built, work, state, hung, charging, False, False)
    relax(built, work, state, step_s)
    enter_packs(built, work, state, bus, hung, step_s)
    return bus, warm(built, work, state, step_s, weather)
