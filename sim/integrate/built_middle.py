"""The middle of a step of a pack as built: where its cells stand there, and what a current does.

Cells eight abreast, one after another from the begin's state to sources in the middle.
"""

from __future__ import annotations

import math

from sim.integrate.built_source import behind, facets_at, read_sensors
from sim.integrate.built_work import (
    BY_SENSORS,
    CURRENT_A,
    FILM_W_K,
    FIRST_PAIR,
    HALF_S,
    HALF_SHARE,
    MIDDLE_CORE_K,
    MIDDLE_SOC,
    MIDDLE_SURFACE_K,
    MODULE_K_S,
    OHMIC_OHM,
    OPEN_V,
    PAIR_LEFT,
    PAIR_OHM,
    PAIR_ROWS,
    PAIR_S,
    PAIR_SIEMENS,
    RISE_V,
    SLOPE_V_K,
    SOURCE_V,
    beside,
)
from sim.integrate.facets import conductance_at, layer_at, open_circuit_at, place_at
from sim.physics.abreast import WIDE, at, highest, lowest, put_at
from sim.physics.board import COLDEST_K, HOTTEST_K
from sim.physics.built import (
    CAPACITY_AS,
    CORE,
    FIRST_OVER,
    INWARD,
    JOINT_OHM,
    OUTWARD,
    SCALE,
    SOC,
    SURFACE,
)
from sim.physics.cell import FIRST_PAIR as FIRST_LAYER
from sim.physics.compiled import bare_apart, inlined
from sim.physics.decay import decays
from sim.physics.side_by_side import alike, any_of, least, most, where

MOST_GUESSED = 0.1  # of charge in half a step; the curve's chord is taken there, no more


@bare_apart
def take_middle(built, work, state):
    """Fill the coefficients of the state itself, before the first step."""
    box_at = built.pack.shape[1]
    for c in range(0, state.cells.shape[1], WIDE):
        facets = facets_at(work, c, built.cell.pairs)
        soc, core_K = at(state.cells, SOC, c), at(state.cells, CORE, c)
        place = place_at(built.cell, facets, soc, core_K)
        for k in range(len(built.cell.pairs)):
            _put_pair(built, work, facets, place, c, k)
        module_K, air_K = state.airs_K[work.pack_of[c]], state.airs_K[box_at]
        near_K = where(at(built.fixed, INWARD, c) > 0.0, alike(module_K, soc), air_K)
        film_W_K = conductance_at(built.film, facets, at(state.cells, SURFACE, c), near_K)
        put_at(work.cells, FILM_W_K, c, film_W_K)
    work.airs[HALF_S] = -1.0


@inlined
def _put_pair(built, work, facets, place, c, k):
    """Fill resistance and time constant of pair `k` of the cells from `c` on; return both."""
    which, row = FIRST_LAYER + 2 * k, FIRST_PAIR + PAIR_ROWS * k
    pair_ohm = layer_at(facets, place, which) * at(built.fixed, SCALE, c)
    tau_s = layer_at(facets, place, which + 1)
    put_at(work.cells, row + PAIR_OHM, c, pair_ohm)
    put_at(work.cells, row + PAIR_S, c, tau_s)
    put_at(work.cells, row + PAIR_SIEMENS, c, 1.0 / pair_ohm)
    return pair_ohm, tau_s


@bare_apart
def _decays(built, work, half_s):
    """Fill what hangs on the length of half a step, when that is another."""
    for c in range(0, work.cells.shape[1], WIDE):
        put_at(work.cells, HALF_SHARE, c, half_s / at(built.fixed, CAPACITY_AS, c))
        for k in range(len(built.cell.pairs)):
            row = FIRST_PAIR + PAIR_ROWS * k
            half_left, _ = decays(2.0 * half_s / at(work.cells, row + PAIR_S, c))
            put_at(work.cells, row + PAIR_LEFT, c, half_left)
    work.airs[HALF_S] = half_s


@inlined
def _pairs_W(built, work, state, c, half_s, current_A):
    """Return the heat of the pairs in the middle, as they were in the middle before."""
    pairs_W = alike(0.0, current_A)
    for k in range(len(built.cell.pairs)):
        row = FIRST_PAIR + PAIR_ROWS * k
        half_left = at(work.cells, row + PAIR_LEFT, c)
        goal_V = current_A * at(work.cells, row + PAIR_OHM, c)
        off_V = at(state.cells, FIRST_OVER + k, c) - goal_V
        # The mean over the step: of a pair much faster than it, the middle tells nothing.
        gone_s = at(work.cells, row + PAIR_S, c) * (1.0 - half_left * half_left)
        v = goal_V + off_V * gone_s * (0.5 / half_s)
        pairs_W += v * v * at(work.cells, row + PAIR_SIEMENS, c)
    return pairs_W


@inlined
def predict(built, work, state, c, half_s, module_K, air_K):
    """Return charge, core and surface of the cells from `c` on in the middle.

    Each node for itself, implicit in its own temperature, neighbours as they stand and the air as
    it warmed over the last step: first order, enough for coefficients, and stable.
    """
    cell, across = built.cell, built.cell.core_to_surface_W_K
    current_A = at(work.cells, CURRENT_A, c)
    core_K, surface_K = at(state.cells, CORE, c), at(state.cells, SURFACE, c)
    core_W = current_A * at(work.cells, OHMIC_OHM, c) - core_K * at(work.cells, SLOPE_V_K, c)
    core_W = core_W * current_A + _pairs_W(built, work, state, c, half_s, current_A)
    film_W_K = at(work.cells, FILM_W_K, c)
    inward, outward = film_W_K * at(built.fixed, INWARD, c), film_W_K * at(built.fixed, OUTWARD, c)
    joint_W = current_A * current_A * at(built.fixed, JOINT_OHM, c)
    out_W = inward * (surface_K - module_K) + outward * (surface_K - air_K)
    away = inward + outward
    for k in range(built.neighbour.shape[0]):
        between = at(built.neighbour_W_K, k, c)
        out_W += between * (surface_K - beside(built, work, state.cells, SURFACE, k, c))
        away += between
    if across == 0.0:
        held_J_K = cell.core_J_K + cell.surface_J_K + half_s * away
        surface_K += half_s * (core_W + joint_W - out_W) / held_J_K
        core_K = surface_K
    else:
        over_W = across * (core_K - surface_K)
        core_K += half_s / (cell.core_J_K + half_s * across) * (core_W - over_W)
        surface_J_K = cell.surface_J_K + half_s * (across + away)
        surface_K += half_s * (over_W + joint_W - out_W) / surface_J_K
    gone = current_A * at(work.cells, HALF_SHARE, c)
    gone = most(-MOST_GUESSED, least(MOST_GUESSED, gone))
    return at(state.cells, SOC, c) - gone, core_K, surface_K


@inlined
def couple(built, work, state, c, p, step_s, soc, core_K):
    """Fill the cells from `c` on as sources in the middle, with what a current does there.

    A pair's mean over the step is goal + (v0 - goal) gone/step with goal = I R, and the charge in
    the middle s0 - I step/2Q: both are lines in I, and so part of each cell's source and
    resistance. The curve is drawn on along its chord from where charge was guessed.
    """
    facets = facets_at(work, c, built.cell.pairs)
    open_V, slope_V_K = open_circuit_at(built.cell, facets, soc, core_K)
    rise_V = most(0.0, facets.curve[1] * (built.cell.ocv.shape[1] - 1.0))
    place = place_at(built.cell, facets, soc, core_K)
    over_V = rise_V * (soc - at(state.cells, SOC, c))
    drag_ohm = rise_V * at(work.cells, HALF_SHARE, c)
    for k in range(len(built.cell.pairs)):
        row = FIRST_PAIR + PAIR_ROWS * k
        tau_before_s = at(work.cells, row + PAIR_S, c)
        pair_ohm, tau_s = _put_pair(built, work, facets, place, c, k)
        # Times mostly are one number for all charge and warmth, and then so are decays.
        half_left = at(work.cells, row + PAIR_LEFT, c)
        if any_of(tau_s != tau_before_s):
            half_left, _ = decays(step_s / tau_s)
            put_at(work.cells, row + PAIR_LEFT, c, half_left)
        left = half_left * half_left
        still = tau_s * (1.0 - left) * (1.0 / step_s)
        over_V += at(state.cells, FIRST_OVER + k, c) * still
        drag_ohm += pair_ohm * (1.0 - still)
    put_at(work.cells, RISE_V, c, rise_V)
    put_at(work.cells, OPEN_V, c, open_V)
    put_at(work.cells, SLOPE_V_K, c, slope_V_K)
    put_at(work.cells, SOURCE_V, c, open_V - over_V)
    behind(built, work, facets, c, p, place, drag_ohm)
    return facets


@inlined
def middle(built, work, state, step_s, air_K):
    """Fill what the cells are in the middle of the step: sources, films, warmth."""
    half_s, by_sensors = 0.5 * step_s, work.airs[BY_SENSORS] > 0.0
    if work.airs[HALF_S] != half_s:
        _decays(built, work, half_s)
    for p in range(work.seen.shape[0]):
        module_K = state.airs_K[p] + half_s * work.packs[MODULE_K_S, p]
        hottest_K = at(state.cells, CORE, work.pack_cells[p]) - math.inf
        coldest_K = at(state.cells, CORE, work.pack_cells[p]) + math.inf
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            soc, core_K, surface_K = predict(built, work, state, c, half_s, module_K, air_K)
            put_at(work.cells, MIDDLE_SOC, c, soc)
            put_at(work.cells, MIDDLE_CORE_K, c, core_K)
            if by_sensors:
                put_at(work.cells, MIDDLE_SURFACE_K, c, surface_K)
            facets = couple(built, work, state, c, p, step_s, soc, core_K)
            near_K = where(at(built.fixed, INWARD, c) > 0.0, alike(module_K, soc), air_K)
            film_W_K = conductance_at(built.film, facets, surface_K, near_K)
            put_at(work.cells, FILM_W_K, c, film_W_K)
            hottest_K, coldest_K = most(hottest_K, core_K), least(coldest_K, core_K)
        work.seen[p, HOTTEST_K] = highest(hottest_K)
        work.seen[p, COLDEST_K] = lowest(coldest_K)
    if by_sensors:
        read_sensors(built, work, work.cells, MIDDLE_SURFACE_K)
