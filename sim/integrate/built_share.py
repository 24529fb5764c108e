"""What each cell carries of its pack's current."""

from __future__ import annotations

from sim.integrate.built_work import (
    CONDUCTANCE_S,
    CURRENT_A,
    END_CELL,
    GROUP_OHM,
    GROUP_V,
    PACK_A,
    PER_A_OHM,
    SOURCE_V,
    STILL_V,
)
from sim.physics.abreast import WIDE, at, put_at
from sim.physics.built import FIRST_CELL, LINK_OHM
from sim.physics.compiled import inlined
from sim.physics.side_by_side import alike


@inlined
def _across(built, work, g, c, group_V, pack_A):
    """Return the voltage between the rails at the cells from `c` on of a group."""
    if built.group[LINK_OHM, g] > 0.0:
        return at(work.cells, STILL_V, c) + at(work.cells, PER_A_OHM, c) * pack_A
    return alike(group_V, at(work.cells, SOURCE_V, c))


@inlined
def _share_group(built, work, g, last, group_V, pack_A):
    """Fill the currents of a group's cells before `last`, whole blocks eight at a time."""
    c = built.group_at[FIRST_CELL, g]
    while c < last:
        if c % WIDE == 0 and c + WIDE <= last:
            over = at(work.cells, SOURCE_V, c) - _across(built, work, g, c, group_V, pack_A)
            put_at(work.cells, CURRENT_A, c, over * at(work.cells, CONDUCTANCE_S, c))
            c += WIDE
            continue
        across_V = group_V
        if built.group[LINK_OHM, g] > 0.0:
            across_V = work.cells[STILL_V, c] + work.cells[PER_A_OHM, c] * pack_A
        over_V = work.cells[SOURCE_V, c] - across_V
        work.cells[CURRENT_A, c] = over_V * work.cells[CONDUCTANCE_S, c]
        c += 1


@inlined
def share_out(built, work):
    """Fill each cell's current from its pack's, doubles' too."""
    for p in range(work.packs.shape[1]):
        pack_A, end = work.packs[PACK_A, p], work.pack_cells[p + 1]
        for g in range(built.pack_at[p], built.pack_at[p + 1]):
            group_V, last = work.groups[GROUP_V, g], built.group_at[END_CELL, g]
            if pack_A != 0.0:  # a broken group's resistance is infinite
                group_V -= work.groups[GROUP_OHM, g] * pack_A
            if g + 1 == built.pack_at[p + 1] and built.group[LINK_OHM, g] == 0.0:
                last = end
            _share_group(built, work, g, last, group_V, pack_A)
        for c in range(built.group_at[END_CELL, built.pack_at[p + 1] - 1], end):
            if built.group[LINK_OHM, built.pack_at[p + 1] - 1] > 0.0:
                work.cells[CURRENT_A, c] = work.cells[CURRENT_A, c - 1]
