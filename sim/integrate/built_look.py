"""What is looked at between the steps of a pack as built: every limit by its weakest part.

Under-voltage by the lowest cell, reserve by the lowest group, heat by the hottest cell, frost by
the coldest of a pack that is being charged; never by a mean.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.integrate.built_work import (
    CURRENT_A,
    END_CELL,
    OHMIC_OHM,
    PACK_A,
    PART_AS,
    SOURCE_V,
    WHOLE_AS,
)
from sim.physics.abreast import WIDE, at, put_at
from sim.physics.abreast import lowest as lowest_of
from sim.physics.built import CORE, FIRST_CELL, LINKED, PACK_COUNT, SOC, Built
from sim.physics.compiled import bare_apart, inlined
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
from sim.physics.side_by_side import alike, lane, lanes_in, least, most, where

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# A trickle that evens out packs or cells is no charging: C/1000.
TRICKLE_PER_AS = 1e-3 / 3600.0
ROUNDING_V = 1e-9  # a charger that holds cells at their limit does so to the last digits but one
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


@inlined
def _least(margin, place, limit, value, where):
    if not value >= margin[limit]:
        margin[limit] = value
        place[limit] = where


@inlined
def _least_of(value, block, found):
    """Return the lesser of each lane and in which block it stood; no number stays and is least."""
    before, where_before = found
    less = (value < before) | (value != value)
    return where(less, value, before), where(less, alike(block, value), where_before)


@inlined
def _enter(entered, limit, level, sign, found):
    """Take a limit's margin by the least of the lanes: `level` + `sign` times it, and its cell.

    Which cell it is, is looked for where it will be told: at a new worst value, or beyond.
    """
    margin, place, worst, work, first = entered
    values, block = found
    least_of_all = lowest_of(values)
    value = level + sign * least_of_all
    if value >= margin[limit]:
        return
    margin[limit] = value
    if value != math.inf and not (value >= worst[limit] and value >= 0.0):
        place[limit] = _cell_of(work, values, block, least_of_all, first)


@bare_apart
def _cell_of(work, values, block, value, first):
    """Return the first cell whose value that is, or that has none."""
    cell = work.source.shape[0]
    for k in range(lanes_in(values)):
        here = first + int(lane(block, k)) * WIDE + k
        if lane(block, k) >= 0.0 and not lane(values, k) > value and here < cell:
            cell = here
    return work.source[cell]


@inlined
def _extremes(built, work, state, p):
    """Return the least of the lanes over a pack's cells, and its block, of eight quantities.

    Coldness of all cells; then of those linked: coldness, warmth, voltage and its negative, charge,
    current inward and outward. Every limit of a cell hangs on one of them.
    """
    first = work.pack_cells[p]
    endless = alike(math.inf, at(state.cells, CORE, first))
    none = endless, alike(-1.0, endless)
    cool, cool_on, warm_on, low, high, empty, out, into = (
        none, none, none, none, none, none, none, none,
    )  # fmt: skip
    for c in range(first, work.pack_cells[p + 1], WIDE):
        block = float((c - first) // WIDE)
        core_K, current_A = at(state.cells, CORE, c), at(work.cells, CURRENT_A, c)
        on = at(built.fixed, LINKED, c) > 0.0
        cell_V = at(work.cells, SOURCE_V, c) - current_A * at(work.cells, OHMIC_OHM, c)
        cool = _least_of(-core_K, block, cool)
        cool_on = _least_of(where(on, -core_K, endless), block, cool_on)
        warm_on = _least_of(where(on, core_K, endless), block, warm_on)
        low = _least_of(where(on, cell_V, endless), block, low)
        high = _least_of(where(on, -cell_V, endless), block, high)
        empty = _least_of(where(on, at(state.cells, SOC, c), endless), block, empty)
        out = _least_of(where(on, -current_A, endless), block, out)
        into = _least_of(where(on, current_A, endless), block, into)
    return cool, cool_on, warm_on, low, high, empty, out, into


@inlined
def _of_pack(limits, built, work, state, p, charged, entered):
    """Take what the cells of a pack on the bus have left."""
    cool, cool_on, warm_on, low, high, empty, out, into = _extremes(built, work, state, p)
    pack_A = work.packs[PACK_A, p]
    _enter(entered, HOT, limits.core_max_K, 1.0, cool)
    _enter(entered, BEYOND_MODEL, MODEL_ENDS_K, 1.0, cool)
    _enter(entered, CUTOFF, -limits.cutoff_V, 1.0, low)
    _enter(entered, EMPTY, 0.0, 100.0, empty)
    _enter(entered, CELL_DISCHARGE, limits.cell_discharge_A, 1.0, out)
    if pack_A > 0.0:
        _enter(entered, COLD, -limits.discharge_core_min_K, 1.0, warm_on)
    if charged:
        _enter(entered, CHARGE_HOT, limits.charge_core_max_K, 1.0, cool_on)
        _enter(entered, CHARGE_COLD, -limits.charge_core_min_K, 1.0, warm_on)
        _enter(entered, OVERCHARGE, limits.full_V + ROUNDING_V, 1.0, high)
        _enter(entered, CELL_CHARGE, limits.cell_charge_A, 1.0, into)
    if pack_A != 0.0:
        _enter(entered, OUTSIDE_TABLE, -limits.coldest_table_K, 1.0, warm_on)


@inlined
def margins(limits, built, work, bus, state, margin, place, worst):
    """Fill `margin` (COUNT,) and `place` of each, by the weakest part of the packs on the bus.

    `worst` are the book's; a place is filled where a margin is less, or beyond its limit.
    """
    for limit in range(COUNT):
        margin[limit], place[limit] = math.inf, -1
    for p in range(built.pack.shape[1]):
        if built.pack[PACK_COUNT, p] == 0.0:
            continue
        first_As = work.groups[WHOLE_AS, built.pack_at[p]]
        charged = work.packs[PACK_A, p] < -TRICKLE_PER_AS * first_As
        entered = margin, place, worst, work, work.pack_cells[p]
        _of_pack(limits, built, work, state, p, charged, entered)
        for g in range(built.pack_at[p], built.pack_at[p + 1]):
            held_As, whole_As = 0.0, work.groups[WHOLE_AS, g]
            for c in range(built.group_at[FIRST_CELL, g], built.group_at[END_CELL, g]):
                held_As += work.cells[PART_AS, c] * state.cells[SOC, c]
            if whole_As > 0.0:  # what hangs on nothing is no reserve
                reserve = 100.0 * (held_As / whole_As - limits.reserve_soc)
                _least(margin, place, RESERVE, reserve, g)
        pack_A = abs(work.packs[PACK_A, p])
        _least(margin, place, PACK_CURRENT, limits.pack_current_A - pack_A, p)
    if bus.room_W < math.inf:
        margin[BEYOND_REACH] = bus.room_W


@inlined
def enter_extremes(extremes, work, state):
    """Enter the extremes of every cell, at an instant that came to be; `extremes` (EXTREMES, N)."""
    for c in range(0, state.cells.shape[1], WIDE):
        core_K, current_A = at(state.cells, CORE, c), at(work.cells, CURRENT_A, c)
        cell_V = at(work.cells, SOURCE_V, c) - current_A * at(work.cells, OHMIC_OHM, c)
        put_at(extremes, PEAK_CORE_K, c, most(at(extremes, PEAK_CORE_K, c), core_K))
        put_at(extremes, LOWEST_CORE_K, c, least(at(extremes, LOWEST_CORE_K, c), core_K))
        put_at(extremes, PEAK_A, c, most(at(extremes, PEAK_A, c), current_A))
        put_at(extremes, LEAST_A, c, least(at(extremes, LEAST_A, c), current_A))
        put_at(extremes, LOWEST_V, c, least(at(extremes, LOWEST_V, c), cell_V))
        put_at(extremes, HIGHEST_V, c, most(at(extremes, HIGHEST_V, c), cell_V))


@inlined
def lowest(book, time_s, margin, place):
    """Take worst values."""
    for limit in range(COUNT):
        if not margin[limit] >= book.worst[limit]:
            book.worst[limit] = margin[limit]
            book.worst_s[limit] = time_s
            book.worst_at[limit] = place[limit]


@inlined
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


@inlined
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


@inlined
def crossing_s(before, after, time_s, step_s):
    """Return when within a step a margin is nothing, on the straight line between its ends."""
    if before == math.inf or after == math.inf or before == after:
        return time_s + step_s
    return time_s + step_s * min(max(before / (before - after), 0.0), 1.0)


@inlined
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
