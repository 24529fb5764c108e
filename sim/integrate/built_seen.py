"""The cells as `State` has them, at an instant: as sources, and what boards look at of a pack."""

from __future__ import annotations

import math

from sim.integrate.built_source import behind, facets_at, read_sensors
from sim.integrate.built_work import (
    BY_SENSORS,
    GROUP_OHM,
    GROUP_V,
    OPEN_V,
    PACK_A,
    SLOPE_V_K,
    SOURCE_V,
)
from sim.integrate.facets import open_circuit_at, place_at
from sim.physics.abreast import WIDE, at, highest, lowest, put_at
from sim.physics.board import (
    CHARGE_A,
    COLDEST_K,
    DISCHARGE_A,
    HIGHEST_GROUP_V,
    HOTTEST_K,
    LOWEST_GROUP_V,
)
from sim.physics.built import CORE, FIRST_OVER, SOC, SURFACE
from sim.physics.compiled import inlined
from sim.physics.side_by_side import alike, least, most


@inlined
def feel(built, work, state):
    """Fill the cells as sources, and the warmth of each pack that guards act on.

    That is its hottest and coldest core, or surface where there are sensors.
    """
    for p in range(work.seen.shape[0]):
        hottest_K = at(state.cells, CORE, work.pack_cells[p]) - math.inf
        coldest_K = at(state.cells, CORE, work.pack_cells[p]) + math.inf
        for c in range(work.pack_cells[p], work.pack_cells[p + 1], WIDE):
            soc, core_K = at(state.cells, SOC, c), at(state.cells, CORE, c)
            over_V = alike(0.0, core_K)
            for k in range(len(built.cell.pairs)):
                over_V += at(state.cells, FIRST_OVER + k, c)
            facets = facets_at(work, c, built.cell.pairs)
            open_V, slope_V_K = open_circuit_at(built.cell, facets, soc, core_K)
            place = place_at(built.cell, facets, soc, core_K)
            put_at(work.cells, OPEN_V, c, open_V)
            put_at(work.cells, SLOPE_V_K, c, slope_V_K)
            put_at(work.cells, SOURCE_V, c, open_V - over_V)
            behind(built, work, facets, c, p, place, alike(0.0, core_K))
            hottest_K, coldest_K = most(hottest_K, core_K), least(coldest_K, core_K)
        work.seen[p, HOTTEST_K] = highest(hottest_K)
        work.seen[p, COLDEST_K] = lowest(coldest_K)
    if work.airs[BY_SENSORS] > 0.0:
        read_sensors(built, work, state.cells, SURFACE)


@inlined
def see(built, work):
    """Fill what else boards look at: voltages of groups and currents of packs."""
    for p in range(built.pack.shape[1]):
        low_V, high_V = math.inf, -math.inf
        for g in range(built.pack_at[p], built.pack_at[p + 1]):
            group_V = work.groups[GROUP_V, g] - work.groups[GROUP_OHM, g] * work.packs[PACK_A, p]
            if work.groups[GROUP_OHM, g] == math.inf:
                group_V = work.groups[GROUP_V, g]
            low_V, high_V = min(low_V, group_V), max(high_V, group_V)
        work.seen[p, LOWEST_GROUP_V] = low_V
        work.seen[p, HIGHEST_GROUP_V] = high_V
        work.seen[p, DISCHARGE_A] = work.packs[PACK_A, p]
        work.seen[p, CHARGE_A] = -work.packs[PACK_A, p]
