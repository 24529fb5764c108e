"""What is looked at between the steps of a pack as built: every limit by its weakest part.

Under-voltage by the lowest cell, reserve by the lowest group, heat by the hottest cell, frost by
the coldest of a pack that is being charged; never by a mean.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.integrate.built_work import CURRENT_A, OHMIC_OHM, PACK_A, SOURCE_V
from sim.physics.built import (
    CAPACITY_AS,
    CORE,
    FIRST_CELL,
    LINKED,
    PACK_COUNT,
    SOC,
    Built,
)  # fmt: skip
from sim.physics.built import (
    COUNT as LIKE,
)
from sim.physics.compiled import bare, bare_apart
from sim.physics.limits import (
    BEYOND_MODEL,
    BEYOND_REACH,
    CELL_CHARGE,
    CELL_DISCHARGE,
    CHARGE_COLD,
    CHARGE_HOT,
    COLD,
    COUNT,
    CUTOFF,
    EMPTY,
    HOT,
    MODEL_ENDS_K,
    OUTSIDE_TABLE,
    OVERCHARGE,
    PACK_CURRENT,
    RESERVE,
)

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# A trickle that evens out packs or cells is no charging: C/1000.
TRICKLE_PER_AS = 1e-3 / 3600.0
# Columns of the spells, and of what is kept of each cell.
LIMIT, BEGIN, END, MARGIN, PLACE = range(5)
PEAK_CORE_K, LOWEST_CORE_K, PEAK_A, LEAST_A, LOWEST_V, HIGHEST_V = range(6)
EXTREMES = 6


class Book(NamedTuple):
    """Worst margins, spells beyond, and the extremes of every cell; filled in place."""

    worst: Floats  # (COUNT,)
    worst_s: Floats
    worst_at: Places  # cell, group or pack; -1 where there is no place
    open_at: Places  # (COUNT,) row of the open spell, -1 for none
    spells: Floats  # (capacity, 5)
    counts: Places  # (1,)
    extremes: Floats  # (EXTREMES, n)


def empty_book(built: Built, capacity: int = 65_536) -> Book:
    """Return a book with room for `capacity` spells."""
    extremes = np.empty((EXTREMES, built.fixed.shape[1]))
    extremes[[PEAK_CORE_K, PEAK_A, HIGHEST_V]] = -np.inf
    extremes[[LOWEST_CORE_K, LEAST_A, LOWEST_V]] = np.inf
    return Book(
        np.full(COUNT, np.inf),
        np.zeros(COUNT),
        np.full(COUNT, -1, dtype=np.intp),
        np.full(COUNT, -1, dtype=np.intp),
        np.empty((capacity, 5)),
        np.zeros(1, dtype=np.intp),
        extremes,
    )


@bare
def _least(margin, place, limit, value, where):
    if not value >= margin[limit]:
        margin[limit] = value
        place[limit] = where


@bare
def _charged(built, work, p):
    """Return whether a pack is being charged by more than a trickle."""
    capacity_As, g = 0.0, built.pack_at[p]
    for c in range(built.group_at[FIRST_CELL, g], built.group_at[FIRST_CELL, g + 1]):
        part_As = built.fixed[LIKE, c] * built.fixed[CAPACITY_AS, c]
        capacity_As += part_As * built.fixed[LINKED, c]
    return work.packs[PACK_A, p] < -TRICKLE_PER_AS * capacity_As


@bare
def _of_cell(limits, built, work, state, c, charged, margin, place):
    """Take what one cell of a pack on the bus has left."""
    core_K, current_A = state.cells[CORE, c], work.cells[CURRENT_A, c]
    pack_A = work.packs[PACK_A, work.pack_of[c]]
    _least(margin, place, HOT, limits.core_max_K - core_K, c)
    _least(margin, place, BEYOND_MODEL, MODEL_ENDS_K - core_K, c)
    if built.fixed[LINKED, c] == 0.0:
        return
    cell_V = work.cells[SOURCE_V, c] - current_A * work.cells[OHMIC_OHM, c]
    _least(margin, place, CUTOFF, cell_V - limits.cutoff_V, c)
    _least(margin, place, EMPTY, 100.0 * state.cells[SOC, c], c)
    _least(margin, place, CELL_DISCHARGE, limits.cell_discharge_A - current_A, c)
    if pack_A > 0.0:
        _least(margin, place, COLD, core_K - limits.discharge_core_min_K, c)
    if charged:
        _least(margin, place, CHARGE_HOT, limits.charge_core_max_K - core_K, c)
        _least(margin, place, CHARGE_COLD, core_K - limits.charge_core_min_K, c)
        _least(margin, place, OVERCHARGE, limits.full_V - cell_V, c)
        _least(margin, place, CELL_CHARGE, limits.cell_charge_A + current_A, c)
    if pack_A != 0.0:
        _least(margin, place, OUTSIDE_TABLE, core_K - limits.coldest_table_K, c)


@bare
def margins(limits, built, work, bus, state, margin, place):
    """Fill `margin` (COUNT,) and `place` of each, by the weakest part of the packs on the bus."""
    for limit in range(COUNT):
        margin[limit], place[limit] = math.inf, -1
    for p in range(built.pack.shape[1]):
        if built.pack[PACK_COUNT, p] == 0.0:
            continue
        charged = _charged(built, work, p)
        for g in range(built.pack_at[p], built.pack_at[p + 1]):
            held_As, whole_As = 0.0, 0.0
            for c in range(built.group_at[FIRST_CELL, g], built.group_at[FIRST_CELL, g + 1]):
                _of_cell(limits, built, work, state, c, charged, margin, place)
                part_As = built.fixed[LIKE, c] * built.fixed[CAPACITY_AS, c]
                part_As *= built.fixed[LINKED, c]  # what hangs on nothing is no reserve
                held_As += part_As * state.cells[SOC, c]
                whole_As += part_As
            if whole_As > 0.0:
                reserve = 100.0 * (held_As / whole_As - limits.reserve_soc)
                _least(margin, place, RESERVE, reserve, g)
        pack_A = abs(work.packs[PACK_A, p])
        _least(margin, place, PACK_CURRENT, limits.pack_current_A - pack_A, p)
    if bus.room_W < math.inf:
        margin[BEYOND_REACH] = bus.room_W


@bare
def enter_extremes(book, work, state):
    """Enter the extremes of every cell, at an instant that came to be."""
    extremes = book.extremes
    for c in range(state.cells.shape[1]):
        core_K, current_A = state.cells[CORE, c], work.cells[CURRENT_A, c]
        cell_V = work.cells[SOURCE_V, c] - current_A * work.cells[OHMIC_OHM, c]
        extremes[PEAK_CORE_K, c] = max(extremes[PEAK_CORE_K, c], core_K)
        extremes[LOWEST_CORE_K, c] = min(extremes[LOWEST_CORE_K, c], core_K)
        extremes[PEAK_A, c] = max(extremes[PEAK_A, c], current_A)
        extremes[LEAST_A, c] = min(extremes[LEAST_A, c], current_A)
        extremes[LOWEST_V, c] = min(extremes[LOWEST_V, c], cell_V)
        extremes[HIGHEST_V, c] = max(extremes[HIGHEST_V, c], cell_V)


@bare
def lowest(book, time_s, margin, place):
    """Take worst values."""
    for limit in range(COUNT):
        if not margin[limit] >= book.worst[limit]:
            book.worst[limit] = margin[limit]
            book.worst_s[limit] = time_s
            book.worst_at[limit] = place[limit]


@bare
def _begin(book, limit, time_s, margin, place):
    if book.open_at[limit] >= 0:
        return
    row = book.counts[0]
    book.counts[0] += 1
    book.open_at[limit] = row
    if row < book.spells.shape[0]:
        spell = book.spells[row]
        spell[LIMIT], spell[BEGIN], spell[END] = limit, time_s, math.nan
        spell[MARGIN], spell[PLACE] = margin, place


@bare
def _end(book, limit, time_s):
    row = book.open_at[limit]
    if 0 <= row < book.spells.shape[0]:
        book.spells[row, END] = time_s
    book.open_at[limit] = -1


@bare_apart
def levels(book, time_s, margin, place):
    """Take margins at an edge: worst values, and spells that begin or end there by a jump."""
    lowest(book, time_s, margin, place)
    for limit in range(COUNT):
        if margin[limit] < 0.0:
            _begin(book, limit, time_s, margin[limit], place[limit])
        elif book.open_at[limit] >= 0:
            _end(book, limit, time_s)


@bare
def crossing_s(before, after, time_s, step_s):
    """Return when within a step a margin is nothing, on the straight line between its ends."""
    if before == math.inf or after == math.inf or before == after:
        return time_s + step_s
    return time_s + step_s * min(max(before / (before - after), 0.0), 1.0)


@bare
def settle(book, time_s, step_s, before, after, place):
    """Take margins at the end of a step, and the crossings within it."""
    lowest(book, time_s + step_s, after, place)
    for limit in range(COUNT):
        if (before[limit] < 0.0) == (after[limit] < 0.0):
            continue
        at_s = crossing_s(before[limit], after[limit], time_s, step_s)
        if after[limit] < 0.0:
            _begin(book, limit, at_s, 0.0, place[limit])
        else:
            _end(book, limit, at_s)
