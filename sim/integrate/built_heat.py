"""Temperatures of a pack as built over one implicit stage: cells, neighbours, module, box, wall.

C dT/dt = b - K T with conductances held; (a C + K) dT = b - K T0 is one stage of length 1/a. Each
cell's core is eliminated into its surface, surfaces into the module's air and the air of the box,
those into one another; heat between neighbouring cells is iterated (Jacobi: every row's diagonal
is greater than the sum of its neighbours, so that it settles at any step), with all else solved
exactly each time. Solved for the changes, so that at equilibrium nothing creeps.
"""

from __future__ import annotations

from sim.integrate.built_work import (
    ACROSS,
    AIR_1,
    AIR_2,
    BOX_HEAT,
    BOX_W,
    CORE_1,
    CORE_2,
    CORE_W,
    COUPLED,
    DIAGONAL_W_K,
    FILM_W_K,
    JOINT_W,
    MODULE_1,
    MODULE_2,
    MODULE_HEAT,
    MODULE_W,
    PASSED_IN,
    PASSED_OUT,
    PASSED_W,
    SURFACE_1,
    SURFACE_2,
    TO_BOX_AIR,
    TO_MODULE,
    WALL_1,
    WEIGHT,
)
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.built import CORE, INWARD, MODULE_J_K, MODULE_W_K, OUTWARD, PACK_COUNT, SURFACE
from sim.physics.compiled import bare

SETTLED_K = 1e-11
MOST_ROUNDS = 2000


@bare
def _eliminate(built, work, state, a, ahead, air_K):
    """Fill each cell's diagonal and net heat, cores eliminated, and the sums over each pack."""
    cell, across = built.cell, built.cell.core_to_surface_W_K
    box_at = work.packs.shape[1]
    for p in range(box_at):
        for row in (TO_MODULE, TO_BOX_AIR, ACROSS, MODULE_HEAT, BOX_HEAT):
            work.packs[row, p] = 0.0
    for c in range(state.cells.shape[1]):
        p = work.pack_of[c]
        core_K = state.cells[CORE, c] + ahead * work.cells[CORE_1, c]
        surface_K = state.cells[SURFACE, c] + ahead * work.cells[SURFACE_1, c]
        module_K = state.airs_K[p] + ahead * work.packs[MODULE_1, p]
        inward = work.cells[FILM_W_K, c] * built.fixed[INWARD, c]
        outward = work.cells[FILM_W_K, c] * built.fixed[OUTWARD, c]
        net_W = work.cells[JOINT_W, c]
        net_W -= inward * (surface_K - module_K) + outward * (surface_K - air_K)
        diagonal = inward + outward
        for k in range(built.neighbour.shape[1]):
            other = built.neighbour[c, k]
            if other >= 0:
                between = built.neighbour_W_K[c, k]
                other_K = state.cells[SURFACE, other] + ahead * work.cells[SURFACE_1, other]
                net_W -= between * (surface_K - other_K)
                diagonal += between
        if across == 0.0:  # one lumped node
            diagonal += a * (cell.core_J_K + cell.surface_J_K)
            net_W += work.cells[CORE_W, c]
        else:
            passed_on = across / (a * cell.core_J_K + across)
            over_W = across * (core_K - surface_K)
            diagonal += a * cell.surface_J_K + across - across * passed_on
            net_W += over_W + passed_on * (work.cells[CORE_W, c] - over_W)
        work.cells[DIAGONAL_W_K, c] = diagonal
        work.cells[PASSED_W, c] = net_W
        weight = work.cells[WEIGHT, c]
        work.packs[TO_MODULE, p] += weight * inward * (1.0 - inward / diagonal)
        work.packs[TO_BOX_AIR, p] += weight * outward * (1.0 - outward / diagonal)
        work.packs[ACROSS, p] += weight * inward * outward / diagonal
        work.packs[MODULE_HEAT, p] += weight * inward * (surface_K - module_K)
        work.packs[BOX_HEAT, p] += weight * outward * (surface_K - air_K)


@bare
def _airs(built, work, state, a, ahead, second, air_K, ambient_K, sun_W):
    """Fill the changes of modules, box air and wall, given what the cells pass on."""
    box, packs = built.box, built.pack.shape[1]
    module_row = MODULE_2 if second else MODULE_1
    air_diagonal, air_W = 0.0, 0.0
    for p in range(packs):
        count, between = built.pack[PACK_COUNT, p], built.pack[MODULE_W_K, p]
        air_diagonal += count * work.packs[TO_BOX_AIR, p]
        air_W += count * (work.packs[BOX_HEAT, p] + work.packs[PASSED_OUT, p])
        if built.pack[MODULE_J_K, p] > 0.0:
            module_K = state.airs_K[p] + ahead * work.packs[MODULE_1, p]
            diagonal = a * built.pack[MODULE_J_K, p] + work.packs[TO_MODULE, p] + between
            net_W = work.packs[MODULE_HEAT, p] + work.packs[PASSED_IN, p]
            net_W += work.packs[MODULE_W, p] - between * (module_K - air_K)
            # The module's own change is (net + coupled dT_air) / diagonal.
            coupled = between + work.packs[ACROSS, p]
            air_diagonal += count * (between - coupled * coupled / diagonal)
            air_W += count * (between * (module_K - air_K) + coupled * net_W / diagonal)
            work.packs[module_row, p] = net_W / diagonal
            work.packs[COUPLED, p] = coupled / diagonal
    air_change_K, wall_change_K = 0.0, 0.0
    if box.kind != FREE_AIR:
        air_W += box.other_heat_W + work.airs[BOX_W]
        air_diagonal += a * box.air_J_K
        if box.kind == AIR_AND_WALL:
            wall_K = state.airs_K[packs + 1] + ahead * work.airs[WALL_1]
            inward_W = box.inside_W_K * (air_K - wall_K)
            air_diagonal += box.inside_W_K
            air_W -= inward_W
            wall_W = inward_W + sun_W - box.outside_W_K * (wall_K - ambient_K)
            handed_on = box.inside_W_K / air_diagonal
            wall_diagonal = a * box.wall_J_K + box.outside_W_K + box.inside_W_K * (1.0 - handed_on)
            wall_change_K = (wall_W + handed_on * air_W) / wall_diagonal
            air_change_K = (air_W + box.inside_W_K * wall_change_K) / air_diagonal
        else:
            air_W += sun_W - box.outside_W_K * (air_K - ambient_K)
            air_change_K = air_W / (air_diagonal + box.outside_W_K)
    at = AIR_2 if second else AIR_1
    work.airs[at], work.airs[at + 1] = air_change_K, wall_change_K
    for p in range(packs):
        if built.pack[MODULE_J_K, p] > 0.0:
            work.packs[module_row, p] += work.packs[COUPLED, p] * air_change_K
        else:  # no node: as warm as the air of the box
            work.packs[module_row, p] = air_change_K


@bare
def _pass_on(built, work, surface_row):
    """Fill what each cell's net heat sends to module and box air, neighbours as guessed."""
    for p in range(work.packs.shape[1]):
        work.packs[PASSED_IN, p], work.packs[PASSED_OUT, p] = 0.0, 0.0
    for c in range(work.cells.shape[1]):
        net_W = work.cells[PASSED_W, c]
        for k in range(built.neighbour.shape[1]):
            other = built.neighbour[c, k]
            if other >= 0:
                net_W += built.neighbour_W_K[c, k] * work.cells[surface_row, other]
        share_W = work.cells[FILM_W_K, c] * net_W / work.cells[DIAGONAL_W_K, c]
        share_W *= work.cells[WEIGHT, c]
        p = work.pack_of[c]
        work.packs[PASSED_IN, p] += share_W * built.fixed[INWARD, c]
        work.packs[PASSED_OUT, p] += share_W * built.fixed[OUTWARD, c]
        work.cells[surface_row - 1, c] = net_W  # in the core's row until the airs are known


@bare
def stage(built, work, state, a, second, ahead, ambient_K, sun_W):
    """Fill the changes over a stage of length 1/`a`, the first or the `second`.

    The second begins at the state plus `ahead` times the first's changes. Surfaces' changes come
    in as a guess, those of the step before. Returns whether heat between neighbours settled.
    """
    packs, cell = built.pack.shape[1], built.cell
    air_K = ambient_K
    if built.box.kind != FREE_AIR:
        air_K = state.airs_K[packs] + ahead * work.airs[AIR_1]
    _eliminate(built, work, state, a, ahead, air_K)
    core_row, surface_row = (CORE_2, SURFACE_2) if second else (CORE_1, SURFACE_1)
    module_row = MODULE_2 if second else MODULE_1
    air_at = AIR_2 if second else AIR_1
    alone = built.neighbour.shape[1] == 0
    moved_K = 0.0
    for _ in range(MOST_ROUNDS):
        _pass_on(built, work, surface_row)
        _airs(built, work, state, a, ahead, second, air_K, ambient_K, sun_W)
        moved_K = 0.0
        for c in range(state.cells.shape[1]):
            near_K = built.fixed[INWARD, c] * work.packs[module_row, work.pack_of[c]]
            near_K += built.fixed[OUTWARD, c] * work.airs[air_at]
            change_K = work.cells[core_row, c] + work.cells[FILM_W_K, c] * near_K
            change_K /= work.cells[DIAGONAL_W_K, c]
            moved_K = max(moved_K, abs(change_K - work.cells[surface_row, c]))
            work.cells[surface_row, c] = change_K
        if alone or moved_K < SETTLED_K:
            break
    across = cell.core_to_surface_W_K
    for c in range(state.cells.shape[1]):
        if across == 0.0:
            work.cells[core_row, c] = work.cells[surface_row, c]
            continue
        # CORE_1 is spent where this is the first stage, and `ahead` is nothing there.
        between_K = state.cells[CORE, c] - state.cells[SURFACE, c]
        if second:
            between_K += ahead * (work.cells[CORE_1, c] - work.cells[SURFACE_1, c])
        core_W = work.cells[CORE_W, c] - across * (between_K - work.cells[surface_row, c])
        work.cells[core_row, c] = core_W / (a * cell.core_J_K + across)
    return alone or moved_K < SETTLED_K
