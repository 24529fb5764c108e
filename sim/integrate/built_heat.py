"""Temperatures of a pack as built over one implicit stage: cells, neighbours, module, box, wall.

C dT/dt = b - K T with conductances held; (a C + K) dT = b - K T0 is one stage of length 1/a. Each
cell's core is eliminated into its surface, surfaces into the module's air and the air of the box,
those into one another; heat between neighbouring cells is iterated (Jacobi: every row's diagonal
is greater than the sum of its neighbours, so that it settles at any step), with all else solved
exactly each time. Solved for the changes, so that at equilibrium nothing creeps.
"""

from __future__ import annotations

from typing import NamedTuple

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
    FILM_W_K,
    JOINT_W,
    MODULE_1,
    MODULE_2,
    MODULE_HEAT,
    MODULE_W,
    PASSED_IN,
    PASSED_OUT,
    PASSED_W,
    SETTLES_K_W,
    SURFACE_1,
    SURFACE_2,
    TO_BOX_AIR,
    TO_MODULE,
    WALL_1,
    WEIGHT,
)
from sim.physics.abreast import WIDE, at, gathered, highest, put_at, total
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.built import CORE, INWARD, MODULE_J_K, MODULE_W_K, OUTWARD, PACK_COUNT, SURFACE
from sim.physics.compiled import bare_apart, inlined
from sim.physics.side_by_side import alike, most

SETTLED_K = 1e-11
MOST_ROUNDS = 2000


class Weather(NamedTuple):
    """What is outside in the middle of a step, and how it drifts."""

    ambient_K: float
    sun_W: float
    ambient_K_s: float
    sun_W_s: float


@inlined
def drifted(weather, after_s):
    """Return the `Weather` of `after_s` later."""
    return Weather(
        weather.ambient_K + weather.ambient_K_s * after_s,
        weather.sun_W + weather.sun_W_s * after_s,
        weather.ambient_K_s,
        weather.sun_W_s,
    )


@inlined
def _eliminate_cells(built, work, state, c, a, ahead, module_K, air_K):
    """Fill what the cells from `c` on settle by and their net heat, cores eliminated.

    Returns their films' parts inward and outward, how a surface follows a net heat, and what
    flows to module and box air.
    """
    cell, across = built.cell, built.cell.core_to_surface_W_K
    core_K = at(state.cells, CORE, c) + ahead * at(work.cells, CORE_1, c)
    surface_K = at(state.cells, SURFACE, c) + ahead * at(work.cells, SURFACE_1, c)
    film_W_K = at(work.cells, FILM_W_K, c)
    inward, outward = film_W_K * at(built.fixed, INWARD, c), film_W_K * at(built.fixed, OUTWARD, c)
    inward_W, outward_W = inward * (surface_K - module_K), outward * (surface_K - air_K)
    net_W = at(work.cells, JOINT_W, c) - inward_W - outward_W
    diagonal = inward + outward
    for k in range(built.neighbour.shape[0]):
        between = at(built.neighbour_W_K, k, c)
        other_K = gathered(state.cells, SURFACE, built.neighbour, k, c)
        other_K += ahead * gathered(work.cells, SURFACE_1, built.neighbour, k, c)
        net_W -= between * (surface_K - other_K)
        diagonal += between
    if across == 0.0:  # one lumped node
        diagonal += a * (cell.core_J_K + cell.surface_J_K)
        net_W += at(work.cells, CORE_W, c)
    else:
        passed_on = across / (a * cell.core_J_K + across)
        over_W = across * (core_K - surface_K)
        diagonal += a * cell.surface_J_K + across - across * passed_on
        net_W += over_W + passed_on * (at(work.cells, CORE_W, c) - over_W)
    settles = 1.0 / diagonal
    put_at(work.cells, SETTLES_K_W, c, settles)
    put_at(work.cells, PASSED_W, c, net_W)
    return inward, outward, settles, inward_W, outward_W


@inlined
def _eliminate(built, work, state, a, ahead, air_K):
    """Fill each cell's part and net heat, cores eliminated, and the sums over each pack."""
    for p in range(work.packs.shape[1]):
        module_K = state.airs_K[p] + ahead * work.packs[MODULE_1, p]
        to_module = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        to_box_air, across, module_W, box_W = to_module, to_module, to_module, to_module
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            inward, outward, settles, inward_W, outward_W = _eliminate_cells(
                built, work, state, c, a, ahead, module_K, air_K
            )
            weight = at(work.cells, WEIGHT, c)
            to_module += weight * inward * (1.0 - inward * settles)
            to_box_air += weight * outward * (1.0 - outward * settles)
            across += weight * inward * outward * settles
            module_W += weight * inward_W
            box_W += weight * outward_W
        work.packs[TO_MODULE, p] = total(to_module)
        work.packs[TO_BOX_AIR, p] = total(to_box_air)
        work.packs[ACROSS, p] = total(across)
        work.packs[MODULE_HEAT, p] = total(module_W)
        work.packs[BOX_HEAT, p] = total(box_W)


@inlined
def _airs(built, work, state, a, ahead, second, air_K, weather):
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
    # Free air does as the weather says, whatever the cells do.
    air_change_K, wall_change_K = weather.ambient_K_s / a, 0.0
    if box.kind != FREE_AIR:
        air_W += box.other_heat_W + work.airs[BOX_W]
        air_diagonal += a * box.air_J_K
        if box.kind == AIR_AND_WALL:
            wall_K = state.airs_K[packs + 1] + ahead * work.airs[WALL_1]
            inward_W = box.inside_W_K * (air_K - wall_K)
            air_diagonal += box.inside_W_K
            air_W -= inward_W
            wall_W = inward_W + weather.sun_W - box.outside_W_K * (wall_K - weather.ambient_K)
            handed_on = box.inside_W_K / air_diagonal
            wall_diagonal = a * box.wall_J_K + box.outside_W_K + box.inside_W_K * (1.0 - handed_on)
            wall_change_K = (wall_W + handed_on * air_W) / wall_diagonal
            air_change_K = (air_W + box.inside_W_K * wall_change_K) / air_diagonal
        else:
            air_W += weather.sun_W - box.outside_W_K * (air_K - weather.ambient_K)
            air_change_K = air_W / (air_diagonal + box.outside_W_K)
    air_at = AIR_2 if second else AIR_1
    work.airs[air_at], work.airs[air_at + 1] = air_change_K, wall_change_K
    for p in range(packs):
        if built.pack[MODULE_J_K, p] > 0.0:
            work.packs[module_row, p] += work.packs[COUPLED, p] * air_change_K
        else:  # no node: as warm as the air of the box
            work.packs[module_row, p] = air_change_K


@inlined
def _pass_on(built, work, surface_row):
    """Fill what each cell's net heat sends to module and box air, neighbours as guessed."""
    for p in range(work.packs.shape[1]):
        inward_W = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        outward_W = inward_W
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            net_W = at(work.cells, PASSED_W, c)
            for k in range(built.neighbour.shape[0]):
                other_K = gathered(work.cells, surface_row, built.neighbour, k, c)
                net_W += at(built.neighbour_W_K, k, c) * other_K
            share_W = at(work.cells, FILM_W_K, c) * net_W * at(work.cells, SETTLES_K_W, c)
            share_W = share_W * at(work.cells, WEIGHT, c)
            inward_W += share_W * at(built.fixed, INWARD, c)
            outward_W += share_W * at(built.fixed, OUTWARD, c)
            put_at(work.cells, surface_row - 1, c, net_W)  # in the core's row until airs are known
        work.packs[PASSED_IN, p] = total(inward_W)
        work.packs[PASSED_OUT, p] = total(outward_W)


@inlined
def _follow(built, work, surface_row, module_row, air_at):
    """Fill the surfaces' changes now that those of the airs are known; return the most it moved."""
    moved_K = 0.0
    for p in range(work.packs.shape[1]):
        module_K, air_K = work.packs[module_row, p], work.airs[air_at]
        most_K = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            near_K = at(built.fixed, INWARD, c) * module_K + at(built.fixed, OUTWARD, c) * air_K
            change_K = at(work.cells, surface_row - 1, c) + at(work.cells, FILM_W_K, c) * near_K
            change_K = change_K * at(work.cells, SETTLES_K_W, c)
            most_K = most(most_K, abs(change_K - at(work.cells, surface_row, c)))
            put_at(work.cells, surface_row, c, change_K)
        moved_K = most(moved_K, highest(most_K))
    return moved_K


@inlined
def _cores(built, work, state, a, second, ahead, core_row):
    """Fill the cores' changes, those of the surfaces known."""
    across, surface_row = built.cell.core_to_surface_W_K, core_row + 1
    by = 1.0 / (a * built.cell.core_J_K + across) if across > 0.0 else 0.0
    for c in range(0, work.cells.shape[1], WIDE):
        change_K = at(work.cells, surface_row, c)
        if across != 0.0:
            # CORE_1 is spent where this is the first stage, and `ahead` is nothing there.
            between_K = at(state.cells, CORE, c) - at(state.cells, SURFACE, c)
            if second:
                between_K += ahead * (at(work.cells, CORE_1, c) - at(work.cells, SURFACE_1, c))
            change_K = (at(work.cells, CORE_W, c) - across * (between_K - change_K)) * by
        put_at(work.cells, core_row, c, change_K)


@bare_apart
def stage(built, work, state, a, second, ahead, weather):
    """Fill the changes over a stage of length 1/`a`, the first or the `second`.

    The second begins at the state plus `ahead` times the first's changes. Surfaces' changes come
    in as a guess, those of the step before. `weather` is of the stage's own instant. Returns
    whether heat between neighbours settled.
    """
    air_K = state.airs_K[built.pack.shape[1]] + ahead * work.airs[AIR_1]
    _eliminate(built, work, state, a, ahead, air_K)
    core_row, surface_row = (CORE_2, SURFACE_2) if second else (CORE_1, SURFACE_1)
    module_row = MODULE_2 if second else MODULE_1
    air_at = AIR_2 if second else AIR_1
    alone = built.neighbour.shape[0] == 0
    moved_K = 0.0
    for _ in range(MOST_ROUNDS):
        _pass_on(built, work, surface_row)
        _airs(built, work, state, a, ahead, second, air_K, weather)
        moved_K = _follow(built, work, surface_row, module_row, air_at)
        if alone or moved_K < SETTLED_K:
            break
    _cores(built, work, state, a, second, ahead, core_row)
    return alone or moved_K < SETTLED_K
