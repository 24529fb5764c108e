"""Temperatures of a pack as built over the implicit stages: cells, neighbours, module, box, wall.

C dT/dt = b - K T with conductances held; (a C + K) dT = b - K T0 is one stage of length 1/a. Each
cell's core is eliminated into its surface, surfaces into the module's air and the air of the box,
those into one another; heat between neighbouring cells is iterated (Jacobi: every row's diagonal
is greater than the sum of its neighbours, so that it settles at any step), with all else solved
exactly each time. Solved for the changes, so that at equilibrium nothing creeps. Both stages have
the same matrix, divided once. K dT = b - K T0 - a C dT, so the second stage's heats follow from the
first's without K.
"""

from __future__ import annotations

from typing import NamedTuple

from sim.integrate.built_work import (
    ACROSS,
    AIR_1,
    AIR_2,
    AIR_NET_W,
    AIR_SETTLES_K_W,
    BETWEEN_W_K,
    BOX_HEAT,
    BOX_W,
    CORE_1,
    CORE_2,
    CORE_W,
    COUPLED,
    EIGHT,
    FILM_W_K,
    HANDED_ON,
    JOINT_W,
    MODULE_1,
    MODULE_2,
    MODULE_HEAT,
    MODULE_NET_W,
    MODULE_SETTLES_K_W,
    MODULE_W,
    NET_CORE_W,
    NET_SURFACE_W,
    PASSED_1,
    PASSED_2,
    PASSED_IN,
    PASSED_ON_W,
    PASSED_OUT,
    SETTLES_K_W,
    TO_BOX_AIR,
    TO_MODULE,
    WALL_1,
    WALL_NET_W,
    WALL_SETTLES_K_W,
    WEIGHT,
    beside,
)
from sim.physics.abreast import WIDE, at, eights, highest, put_at, put_total_each, total
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.built import CORE, INWARD, MODULE_J_K, MODULE_W_K, OUTWARD, PACK_COUNT, SURFACE
from sim.physics.compiled import inlined
from sim.physics.side_by_side import alike, most

SETTLED_K = 1e-12
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
def _share_W(built, work, c, net_W):
    """Return what the net heats of the cells from `c` on send inward and outward, all like them."""
    settled = at(work.cells, FILM_W_K, c) * net_W * at(work.cells, SETTLES_K_W, c)
    settled = settled * at(work.cells, WEIGHT, c)
    return settled * at(built.fixed, INWARD, c), settled * at(built.fixed, OUTWARD, c)


@inlined
def _guess(built, work, c, passed_W, passed_row, surface_row):
    """Fill a stage's net heats of the cells from `c` on, and a guess of their surfaces' changes.

    As in the step before, and to a change of heat neighbours answer alike.
    """
    if built.neighbour.shape[0] > 0:
        settles, between = at(work.cells, SETTLES_K_W, c), at(work.cells, BETWEEN_W_K, c)
        more_K = (passed_W - at(work.cells, passed_row, c)) * settles * (1.0 + between * settles)
        put_at(work.cells, surface_row, c, at(work.cells, surface_row, c) + more_K)
    put_at(work.cells, passed_row, c, passed_W)


@inlined
def _eliminate_cells(built, work, state, c, a, module_K, air_K):
    """Fill what the cells from `c` on settle by and their net heats, cores eliminated.

    Returns their films' parts inward and outward, how a surface follows a net heat, what flows to
    module and box air, and the net heat with what comes of the core.
    """
    cell, across = built.cell, built.cell.core_to_surface_W_K
    core_K, surface_K = at(state.cells, CORE, c), at(state.cells, SURFACE, c)
    film_W_K = at(work.cells, FILM_W_K, c)
    inward, outward = film_W_K * at(built.fixed, INWARD, c), film_W_K * at(built.fixed, OUTWARD, c)
    inward_W, outward_W = inward * (surface_K - module_K), outward * (surface_K - air_K)
    net_W = at(work.cells, JOINT_W, c) - inward_W - outward_W
    diagonal = inward + outward + at(work.cells, BETWEEN_W_K, c)
    for k in range(built.neighbour.shape[0]):
        between = at(built.neighbour_W_K, k, c)
        net_W -= between * (surface_K - beside(built, work, state.cells, SURFACE, k, c))
    if across == 0.0:  # one lumped node
        diagonal += a * (cell.core_J_K + cell.surface_J_K)
        net_W += at(work.cells, CORE_W, c)
        passed_W = net_W
    else:
        passed_on = across / (a * cell.core_J_K + across)
        over_W = across * (core_K - surface_K)
        core_net_W = at(work.cells, CORE_W, c) - over_W
        diagonal += a * cell.surface_J_K + across - across * passed_on
        net_W += over_W
        passed_W = net_W + passed_on * core_net_W
        put_at(work.cells, NET_CORE_W, c, core_net_W)
    settles = 1.0 / diagonal
    put_at(work.cells, SETTLES_K_W, c, settles)
    put_at(work.cells, NET_SURFACE_W, c, net_W)
    _guess(built, work, c, passed_W, PASSED_1, CORE_1 + 1)
    return inward, outward, settles, inward_W, outward_W, passed_W


@inlined
def _eliminate(built, work, state, a, air_K):
    """Fill each cell's part and net heats, cores eliminated, and the sums over each pack.

    Returns the greatest share of an error that a round leaves of it where neighbours are guessed:
    what leads to them over a row's diagonal, without the films, whose other ends are solved.
    """
    left = 0.0
    for p in range(work.packs.shape[1]):
        module_K = state.airs_K[p]
        nought = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        to_module, to_box_air, across, module_W, box_W = nought, nought, nought, nought, nought
        passed_in_W, passed_out_W, most_between, most_film = nought, nought, nought, nought
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            inward, outward, settles, inward_W, outward_W, passed_W = _eliminate_cells(
                built, work, state, c, a, module_K, air_K
            )
            weight = at(work.cells, WEIGHT, c)
            to_module += weight * inward * (1.0 - inward * settles)
            to_box_air += weight * outward * (1.0 - outward * settles)
            across += weight * inward * outward * settles
            module_W += weight * inward_W
            box_W += weight * outward_W
            in_W, out_W = _share_W(built, work, c, passed_W)
            passed_in_W += in_W
            passed_out_W += out_W
            most_between = most(most_between, at(work.cells, BETWEEN_W_K, c) * settles)
            most_film = most(most_film, (inward + outward) * settles)
        put_total_each(
            eights(work.folds, p, EIGHT), 0,
            to_module, to_box_air, across, module_W, box_W, passed_in_W, passed_out_W, nought,
        )  # fmt: skip
        if built.neighbour.shape[0] > 0:
            left = most(left, highest(most_between) / (1.0 - highest(most_film)))
    return left


@inlined
def _eliminate_airs(built, work, state, a, air_K, weather):
    """Fill what modules, box air and wall settle by, cells eliminated, and their net heats."""
    box, packs = built.box, built.pack.shape[1]
    air_diagonal, air_W = 0.0, 0.0
    for p in range(packs):
        count, between = built.pack[PACK_COUNT, p], built.pack[MODULE_W_K, p]
        air_diagonal += count * work.folds[p, TO_BOX_AIR]
        air_W += count * work.folds[p, BOX_HEAT]
        if built.pack[MODULE_J_K, p] > 0.0:
            over_W = between * (state.airs_K[p] - air_K)
            settles = 1.0 / (a * built.pack[MODULE_J_K, p] + work.folds[p, TO_MODULE] + between)
            # The module's own change is (net + coupled dT_air) * settles.
            coupled = between + work.folds[p, ACROSS]
            air_diagonal += count * (between - coupled * coupled * settles)
            air_W += count * over_W
            work.packs[MODULE_NET_W, p] = (
                work.folds[p, MODULE_HEAT] + work.packs[MODULE_W, p] - over_W
            )
            work.packs[MODULE_SETTLES_K_W, p] = settles
            work.packs[COUPLED, p] = coupled * settles
    if box.kind == FREE_AIR:
        return
    air_W += box.other_heat_W + work.airs[BOX_W]
    air_diagonal += a * box.air_J_K
    if box.kind == AIR_AND_WALL:
        wall_K = state.airs_K[packs + 1]
        inward_W = box.inside_W_K * (air_K - wall_K)
        air_diagonal += box.inside_W_K
        air_W -= inward_W
        wall_W = inward_W + weather.sun_W - box.outside_W_K * (wall_K - weather.ambient_K)
        work.airs[WALL_NET_W] = wall_W
        handed_on = box.inside_W_K / air_diagonal
        work.airs[HANDED_ON] = handed_on
        work.airs[WALL_SETTLES_K_W] = 1.0 / (
            a * box.wall_J_K + box.outside_W_K + box.inside_W_K * (1.0 - handed_on)
        )
    else:
        air_W += weather.sun_W - box.outside_W_K * (air_K - weather.ambient_K)
        air_diagonal += box.outside_W_K
    work.airs[AIR_NET_W], work.airs[AIR_SETTLES_K_W] = air_W, 1.0 / air_diagonal


@inlined
def _airs(built, work, a, weather, module_row, air_at):
    """Fill the changes of modules, box air and wall, given what the cells pass on."""
    box, packs = built.box, built.pack.shape[1]
    # Free air does as the weather says, whatever the cells do.
    air_change_K, wall_change_K = weather.ambient_K_s / a, 0.0
    if box.kind != FREE_AIR:
        air_W = work.airs[AIR_NET_W]
        for p in range(packs):
            passed_W = work.folds[p, PASSED_OUT]
            if built.pack[MODULE_J_K, p] > 0.0:
                net_W = work.packs[MODULE_NET_W, p] + work.folds[p, PASSED_IN]
                passed_W += work.packs[COUPLED, p] * net_W
            air_W += built.pack[PACK_COUNT, p] * passed_W
        if box.kind == AIR_AND_WALL:
            wall_W = work.airs[WALL_NET_W] + work.airs[HANDED_ON] * air_W
            wall_change_K = wall_W * work.airs[WALL_SETTLES_K_W]
            air_W += box.inside_W_K * wall_change_K
        air_change_K = air_W * work.airs[AIR_SETTLES_K_W]
    work.airs[air_at], work.airs[air_at + 1] = air_change_K, wall_change_K
    for p in range(packs):
        work.packs[module_row, p] = air_change_K  # with no node as warm as the air of the box
        if built.pack[MODULE_J_K, p] > 0.0:
            net_W = work.packs[MODULE_NET_W, p] + work.folds[p, PASSED_IN]
            change_K = net_W * work.packs[MODULE_SETTLES_K_W, p]
            work.packs[module_row, p] = change_K + work.packs[COUPLED, p] * air_change_K


@inlined
def _airs_onward(built, work, a, ahead, early, late):
    """Carry the net heats of modules, box air and wall over to the second stage's weather."""
    for p in range(built.pack.shape[1]):
        net_W = work.packs[MODULE_NET_W, p]
        kept_W = a * built.pack[MODULE_J_K, p] * work.packs[MODULE_1, p]
        work.packs[MODULE_NET_W, p] = net_W + ahead * (kept_W - net_W)
    kept_W = a * built.box.air_J_K * work.airs[AIR_1]
    work.airs[AIR_NET_W] += ahead * (kept_W - work.airs[AIR_NET_W])
    kept_W = a * built.box.wall_J_K * work.airs[WALL_1]
    work.airs[WALL_NET_W] += ahead * (kept_W - work.airs[WALL_NET_W])
    warmer_K = late.ambient_K - early.ambient_K
    skin = WALL_NET_W if built.box.kind == AIR_AND_WALL else AIR_NET_W
    work.airs[skin] += late.sun_W - early.sun_W + built.box.outside_W_K * warmer_K


@inlined
def _pass_on(built, work, passed_row, surface_row):
    """Fill what each cell's net heat sends to module and box air, neighbours as guessed."""
    for p in range(work.packs.shape[1]):
        inward_W = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        outward_W = inward_W
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            net_W = at(work.cells, passed_row, c)
            for k in range(built.neighbour.shape[0]):
                other_K = beside(built, work, work.cells, surface_row, k, c)
                net_W += at(built.neighbour_W_K, k, c) * other_K
            in_W, out_W = _share_W(built, work, c, net_W)
            inward_W += in_W
            outward_W += out_W
            put_at(work.cells, PASSED_ON_W, c, net_W)
        work.folds[p, PASSED_IN] = total(inward_W)
        work.folds[p, PASSED_OUT] = total(outward_W)


@inlined
def _follow(built, work, passed_row, surface_row, module_row, air_at):
    """Fill the surfaces' changes now that those of the airs are known; return the most it moved."""
    moved_K = 0.0
    for p in range(work.packs.shape[1]):
        module_K, air_K = work.packs[module_row, p], work.airs[air_at]
        most_K = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            near_K = at(built.fixed, INWARD, c) * module_K + at(built.fixed, OUTWARD, c) * air_K
            change_K = at(work.cells, passed_row, c) + at(work.cells, FILM_W_K, c) * near_K
            change_K = change_K * at(work.cells, SETTLES_K_W, c)
            most_K = most(most_K, abs(change_K - at(work.cells, surface_row, c)))
            put_at(work.cells, surface_row, c, change_K)
        if built.neighbour.shape[0] > 0:
            moved_K = most(moved_K, highest(most_K))
    return moved_K


@inlined
def _cores_at(built, work, c, a, core_row):
    """Fill the cores' changes of the cells from `c` on, those of the surfaces known."""
    across, change_K = built.cell.core_to_surface_W_K, at(work.cells, core_row + 1, c)
    if across != 0.0:
        by = 1.0 / (a * built.cell.core_J_K + across)
        change_K = (at(work.cells, NET_CORE_W, c) + across * change_K) * by
    put_at(work.cells, core_row, c, change_K)


@inlined
def _onward_at(built, work, c, a, ahead):
    """Carry the net heats of the cells from `c` on over to the second stage; return what passes."""
    cell, across = built.cell, built.cell.core_to_surface_W_K
    held_J_K = cell.surface_J_K if across != 0.0 else cell.core_J_K + cell.surface_J_K
    net_W = at(work.cells, NET_SURFACE_W, c)
    net_W += ahead * (a * held_J_K * at(work.cells, CORE_1 + 1, c) - net_W)
    if across != 0.0:
        core_net_W = at(work.cells, NET_CORE_W, c)
        core_net_W += ahead * (a * cell.core_J_K * at(work.cells, CORE_1, c) - core_net_W)
        put_at(work.cells, NET_CORE_W, c, core_net_W)
        net_W += across / (a * cell.core_J_K + across) * core_net_W
    _guess(built, work, c, net_W, PASSED_2, CORE_2 + 1)
    return net_W


@inlined
def _onward(built, work, a, ahead, early, late):
    """End the first stage and begin the second."""
    for p in range(work.packs.shape[1]):
        inward_W = alike(0.0, at(work.cells, WEIGHT, work.pack_cells[p]))
        outward_W = inward_W
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            _cores_at(built, work, c, a, CORE_1)
            in_W, out_W = _share_W(built, work, c, _onward_at(built, work, c, a, ahead))
            inward_W += in_W
            outward_W += out_W
        work.folds[p, PASSED_IN] = total(inward_W)
        work.folds[p, PASSED_OUT] = total(outward_W)
    _airs_onward(built, work, a, ahead, early, late)


@inlined
def stages(built, work, state, a, ahead, early, late):
    """Fill the changes over two stages of length 1/`a`; return whether neighbours settled.

    The second begins at the state plus `ahead` times the first's changes. Surfaces' changes come
    in as a guess, those of the step before. `early` and `late` are the stages' `Weather`.
    """
    air_K = state.airs_K[built.pack.shape[1]]
    left = _eliminate(built, work, state, a, air_K)
    # What is off after a round that moved by so much is at most left/(1 - left) of that.
    yet = left / (1.0 - left) if left < 0.5 else 1.0
    _eliminate_airs(built, work, state, a, air_K, early)
    alone, good = built.neighbour.shape[0] == 0, True
    for second in range(2):
        surface_row = CORE_2 + 1 if second else CORE_1 + 1
        module_row, air_at = (MODULE_2, AIR_2) if second else (MODULE_1, AIR_1)
        passed_row = PASSED_2 if second else PASSED_1
        known_row = passed_row if alone else PASSED_ON_W
        moved_K = 0.0
        for _ in range(MOST_ROUNDS):
            if not alone:
                _pass_on(built, work, passed_row, surface_row)
            _airs(built, work, a, early, module_row, air_at)
            moved_K = _follow(built, work, known_row, surface_row, module_row, air_at)
            if alone or moved_K * yet < SETTLED_K:
                break
        good = good and (alone or moved_K * yet < SETTLED_K)
        if second == 0:
            _onward(built, work, a, ahead, early, late)
    for c in range(0, work.cells.shape[1], WIDE):
        _cores_at(built, work, c, a, CORE_2)
    return good
