"""What is kept of a pack as built along its day: one row an instant."""

from __future__ import annotations

import math

from sim.integrate.built_records import (
    AMBIENT_K,
    ASKED_W,
    BOX_K,
    BUS_A,
    BUS_V,
    CELL_HIGH_A,
    CELL_LOW_A,
    CELL_LOW_V,
    CHARGING,
    COLUMNS,
    CORE_COLD_K,
    CORE_HOT_K,
    CORE_MEAN_K,
    GROUP_HIGH_V,
    GROUP_LOW_V,
    HEAT_W,
    LEG,
    MODULE_HOT_K,
    SOC_HIGH,
    SOC_LOW,
    SOC_MEAN,
    SURFACE_HOT_K,
    TIME,
)  # fmt: skip
from sim.integrate.built_work import (
    CORE_W,
    CURRENT_A,
    END_CELL,
    JOINT_W,
    OHMIC_OHM,
    PACK_A,
    SOURCE_V,
    WEIGHT,
    WHOLE_AS,
)  # fmt: skip
from sim.physics.board import HIGHEST_GROUP_V, LOWEST_GROUP_V
from sim.physics.built import (
    CAPACITY_AS,
    CORE,
    COUNT,
    FIRST_CELL,
    GROUP_COUNT,
    LINKED,
    PACK_COUNT,
    SOC,
    SURFACE,
)  # fmt: skip
from sim.physics.compiled import bare_apart, inlined


@inlined
def _begin(out):
    """Set the extremes of a row so that any value takes their place."""
    for column in (SOC_LOW, GROUP_LOW_V, CELL_LOW_V, CORE_COLD_K, CELL_LOW_A):
        out[column] = math.inf
    for column in (SOC_HIGH, GROUP_HIGH_V, CORE_HOT_K, SURFACE_HOT_K, MODULE_HOT_K, CELL_HIGH_A):
        out[column] = -math.inf


@inlined
def _group(out, built, work, state, g):
    """Enter one group's extremes; return its charge and capacity [As], warmth [K], heat [W].

    Warmth and heat are summed over its cells; the fifth is how many there are, the sixth the
    hottest core [K].
    """
    held_As, whole_As, warmth_K, heat_W, cells, hot_K = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    linked = work.groups[WHOLE_AS, g]
    for c in range(built.group_at[FIRST_CELL, g], built.group_at[END_CELL, g]):
        core_K, current_A = state.cells[CORE, c], work.cells[CURRENT_A, c]
        part_As = built.fixed[COUNT, c] * built.fixed[CAPACITY_AS, c]
        if linked > 0.0:  # what hangs on nothing is no charge of the group
            part_As *= built.fixed[LINKED, c]
        held_As += part_As * state.cells[SOC, c]
        whole_As += part_As
        weight = work.cells[WEIGHT, c]
        warmth_K += weight * core_K
        cells += weight
        heat_W += weight * (work.cells[CORE_W, c] + work.cells[JOINT_W, c])
        hot_K = max(hot_K, core_K)
        out[CORE_COLD_K] = min(out[CORE_COLD_K], core_K)
        out[SURFACE_HOT_K] = max(out[SURFACE_HOT_K], state.cells[SURFACE, c])
        if linked == 0.0 or built.fixed[LINKED, c] > 0.0:  # nor any share of its current
            out[CELL_HIGH_A] = max(out[CELL_HIGH_A], current_A)
            out[CELL_LOW_A] = min(out[CELL_LOW_A], current_A)
        if built.fixed[LINKED, c] > 0.0:
            cell_V = work.cells[SOURCE_V, c] - current_A * work.cells[OHMIC_OHM, c]
            out[CELL_LOW_V] = min(out[CELL_LOW_V], cell_V)
    out[SOC_LOW] = min(out[SOC_LOW], held_As / whole_As)
    out[SOC_HIGH] = max(out[SOC_HIGH], held_As / whole_As)
    return held_As, whole_As, warmth_K, heat_W, cells, hot_K


@bare_apart
def keep(past, built, work, state, bus, time_s, i, legs, charging):
    """Keep what can be seen at an instant, where there is room for it."""
    row = past.rows[0]
    if row >= past.kept.shape[0]:
        return
    past.rows[0] += 1
    out = past.kept[row]
    _begin(out)
    soc_As, warmth_K, whole_As, heat_W, cells = 0.0, 0.0, 0.0, 0.0, 0.0
    for p in range(built.pack.shape[1]):
        pack_held_As, pack_As, pack_hot_K = 0.0, 0.0, 0.0
        count = built.pack[PACK_COUNT, p]
        for g in range(built.pack_at[p], built.pack_at[p + 1]):
            held_As, group_As, group_K, group_W, many, hot_K = _group(out, built, work, state, g)
            pack_held_As += built.group[GROUP_COUNT, g] * held_As
            pack_As += built.group[GROUP_COUNT, g] * group_As
            warmth_K += count * group_K
            heat_W += count * group_W
            cells += count * many
            pack_hot_K = max(pack_hot_K, hot_K)
        out[MODULE_HOT_K] = max(out[MODULE_HOT_K], state.airs_K[p])
        out[GROUP_LOW_V] = min(out[GROUP_LOW_V], work.seen[p, LOWEST_GROUP_V])
        out[GROUP_HIGH_V] = max(out[GROUP_HIGH_V], work.seen[p, HIGHEST_GROUP_V])
        out[CORE_HOT_K] = max(out[CORE_HOT_K], pack_hot_K)
        soc_As += count * pack_held_As
        whole_As += count * pack_As
        out[COLUMNS + 3 * p] = work.packs[PACK_A, p]
        out[COLUMNS + 3 * p + 1] = pack_held_As / pack_As
        out[COLUMNS + 3 * p + 2] = pack_hot_K
    ambient_K = legs.ambient_K[i] + legs.ambient_K_s[i] * (time_s - legs.start_s[i])
    out[TIME], out[LEG], out[AMBIENT_K], out[CHARGING] = time_s, i, ambient_K, charging
    out[BUS_V], out[BUS_A], out[ASKED_W] = bus.voltage_V, bus.current_A, bus.asked_W
    out[SOC_MEAN], out[CORE_MEAN_K] = soc_As / whole_As, warmth_K / cells
    out[BOX_K], out[HEAT_W] = state.airs_K[built.pack.shape[1]], heat_W
