"""What each cell is as a source, off the pieces of the tables on which the cells stand."""

from __future__ import annotations

import math

from sim.integrate.built_work import (
    CONDUCTANCE_S,
    DISCHARGING,
    DRAG_OHM,
    MIDDLE_CORE_K,
    MIDDLE_SOC,
    OHMIC_OHM,
)
from sim.integrate.facets import (
    facets_in,
    layer_at,
    no_facets,
    place_at,
)
from sim.physics.abreast import WIDE, at, highest, lowest, put_at, rows_of
from sim.physics.board import COLDEST_K, HOTTEST_K
from sim.physics.built import CORE, FELT, JOINT_OHM, LINKED, SCALE, SOC
from sim.physics.cell import CHARGE, DISCHARGE
from sim.physics.compiled import bare_apart, has_machine_code, inlined
from sim.physics.side_by_side import least, most, where

LEAST_OHM = 1e-9  # of a cell said to have none; less would make rounding of 4 V into current


@inlined
def _facets_kept(work, c, pairs):
    """Return the pieces on which the cells from `c` on stand."""
    return facets_in(rows_of(work.facets, c // WIDE), 0, pairs)


def _facets_anew(work, c, pairs):
    return no_facets(None, 0, pairs)


# Without the compiler lists stand for rows, and nothing is kept.
facets_at = _facets_kept if has_machine_code() else _facets_anew


@inlined
def behind(built, work, facets, c, p, place, drag_ohm):
    """Fill the resistances of the cells from `c` on, by the way that their pack's current flows.

    Over a step its drag is part of what a cell stands behind. `place` on the resistance table.
    """
    way = DISCHARGE if work.flags[DISCHARGING, p] else CHARGE
    ohmic_ohm = layer_at(facets, place, way) * at(built.fixed, SCALE, c)
    put_at(work.cells, OHMIC_OHM, c, ohmic_ohm)
    put_at(work.cells, DRAG_OHM, c, drag_ohm)
    path_ohm = most(LEAST_OHM, ohmic_ohm + drag_ohm + at(built.fixed, JOINT_OHM, c))
    put_at(work.cells, CONDUCTANCE_S, c, at(built.fixed, LINKED, c) / path_ohm)


@bare_apart
def read_sensors(built, work, cells, row):
    """Take what stands in a row of `cells` at each pack's sensors as its hottest and coldest."""
    for p in range(work.seen.shape[0]):
        hottest_K = at(cells, row, work.pack_cells[p]) - math.inf
        coldest_K = at(cells, row, work.pack_cells[p]) + math.inf
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            has_one, felt_K = at(built.fixed, FELT, c) > 0.0, at(cells, row, c)
            hottest_K = most(hottest_K, where(has_one, felt_K, -math.inf))
            coldest_K = least(coldest_K, where(has_one, felt_K, math.inf))
        work.seen[p, HOTTEST_K] = highest(hottest_K)
        work.seen[p, COLDEST_K] = lowest(coldest_K)


@bare_apart
def turn_about(built, work, state, p, instant):
    """Take the resistances of a pack's cells from the layer of the other way."""
    for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
        soc, core_K = at(state.cells, SOC, c), at(state.cells, CORE, c)
        if not instant:
            soc, core_K = at(work.cells, MIDDLE_SOC, c), at(work.cells, MIDDLE_CORE_K, c)
        facets = facets_at(work, c, built.cell.pairs)
        place = place_at(built.cell, facets, soc, core_K)
        behind(built, work, facets, c, p, place, at(work.cells, DRAG_OHM, c))
