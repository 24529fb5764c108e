"""What boards and limits over temperature look at: of each pack, one row of `Work.seen`."""

from __future__ import annotations

import math

from sim.integrate.built_work import GROUP_OHM, GROUP_V, PACK_A
from sim.physics.board import (
    CHARGE_A,
    COLDEST_K,
    DISCHARGE_A,
    HIGHEST_GROUP_V,
    HOTTEST_K,
    LOWEST_GROUP_V,
)
from sim.physics.built import CORE
from sim.physics.compiled import bare


@bare
def feel(work, state):
    """Fill hottest and coldest core of each pack; limits over temperature read them."""
    for p in range(work.seen.shape[0]):
        work.seen[p, HOTTEST_K] = -math.inf
        work.seen[p, COLDEST_K] = math.inf
    for c in range(state.cells.shape[1]):
        p, core_K = work.pack_of[c], state.cells[CORE, c]
        work.seen[p, HOTTEST_K] = max(work.seen[p, HOTTEST_K], core_K)
        work.seen[p, COLDEST_K] = min(work.seen[p, COLDEST_K], core_K)


@bare
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
