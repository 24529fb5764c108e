"""What is looked at between the steps of a pack as built: every limit by its weakest part.

Under-voltage by the lowest cell, reserve by the lowest group, heat by the hottest cell, frost by
the coldest of a pack that is being charged; never by a mean.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.integrate.built_passed import passed_on
from sim.integrate.built_work import (
    CURRENT_A,
    END_CELL,
    OHMIC_OHM,
    PACK_A,
    PART,
    SOURCE_V,
    WHOLE_AS,
)
from sim.physics.abreast import (
    WIDE,
    aligned,
    at,
    bits_of,
    eights,
    first_bit,
    lane_numbers,
    put_at,
    put_lowest_each,
)
from sim.physics.abreast import lowest as lowest_of
from sim.physics.built import CORE, FIRST_CELL, LINKED, PACK_COUNT, SOC, Built
from sim.physics.compiled import inlined
from sim.physics.limits import (
    BEYOND_MODEL,
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
    Limits,
)
from sim.physics.side_by_side import WIDTH, alike, fails, lanes_in, least, most, where

# Rows of `Desk.margin`: at the last look and at this; of one pack, and what it is made from; the
# book's; then levels by how a pack's current flows, and the sign and size of what they are of.
BEFORE, AFTER, MINE, RAW, WORST, WORST_S, RESTS, GIVES, TAKES, CHARGED, SIGN = range(11)
MARGINS = 11
ROW = (0,) * (WIDTH * -(-COUNT // WIDTH))  # of limits; what is over counts for nothing

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# A trickle that evens out packs or cells is no charging: C/1000.
TRICKLE_PER_AS = 1e-3 / 3600.0
NEWER = 1e-10  # V, K, A, W or %: by less a value at rest is worse by rounding only
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


def margin_rows(limits: Limits, book: Book) -> Floats:
    """Return `Desk.margin` (MARGINS, len(ROW)): margin = level + sign * what the limit is of.

    A limit that does not apply has an infinite level.
    """
    rows = aligned((MARGINS, len(ROW)))
    rows[:] = np.inf
    rows[WORST, :COUNT], rows[WORST_S, :COUNT] = book.worst, book.worst_s
    rows[SIGN] = 1.0
    rows[SIGN, EMPTY] = 100.0
    for flows in (RESTS, GIVES, TAKES, CHARGED):
        rows[flows, [EMPTY, RESERVE, PACK_CURRENT]] = 0.0
        rows[flows, CUTOFF], rows[flows, HOT] = -limits.cutoff_V, limits.core_max_K
        rows[flows, CELL_DISCHARGE] = limits.cell_discharge_A
        rows[flows, BEYOND_MODEL] = MODEL_ENDS_K
        if flows != RESTS:
            rows[flows, OUTSIDE_TABLE] = -limits.coldest_table_K
    rows[GIVES, COLD] = -limits.discharge_core_min_K
    rows[CHARGED, CHARGE_HOT] = limits.charge_core_max_K
    rows[CHARGED, CHARGE_COLD] = -limits.charge_core_min_K
    rows[CHARGED, OVERCHARGE] = limits.full_V + ROUNDING_V
    rows[CHARGED, CELL_CHARGE] = limits.cell_charge_A
    return rows


@inlined
def _least_of(value, block, found):
    """Return the lesser of each lane and in which block it stood; no number stays and is least."""
    before, where_before = found
    less = (value < before) | (value != value)
    return where(less, value, before), where(less, alike(block, value), where_before)


@inlined
def _cell_of(work, found, value, p):
    """Return the first cell of pack `p` whose value that is, or that has none."""
    values, block = found
    these = (block >= 0.0) & fails(values > value)
    first = work.pack_cells[p]
    if work.pack_cells[p + 1] - first == WIDE:
        return work.source[first + first_bit(bits_of(these))]
    number = where(these, block * float(WIDE) + lane_numbers(block), math.inf)
    return work.source[first + int(lowest_of(number))]


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
def _reserve(limits, built, work, state, p):
    """Return the lowest group's charge over the reserve [%], and which that is."""
    least_reserve, which = math.inf, -1
    for g in range(built.pack_at[p], built.pack_at[p + 1]):
        held = 0.0
        for c in range(built.group_at[FIRST_CELL, g], built.group_at[END_CELL, g]):
            held += work.cells[PART, c] * state.cells[SOC, c]
        if work.groups[WHOLE_AS, g] > 0.0:  # what hangs on nothing is no reserve
            reserve = 100.0 * (held - limits.reserve_soc)
            if not reserve >= least_reserve:
                least_reserve, which = reserve, g
    return least_reserve, which


@inlined
def _levels_row(work, built, p):
    """Return which levels hold, by the way in which a pack's current flows."""
    pack_A = work.packs[PACK_A, p]
    if pack_A > 0.0:
        return GIVES
    if pack_A == 0.0:
        return RESTS
    charged = pack_A < -TRICKLE_PER_AS * work.groups[WHOLE_AS, built.pack_at[p]]
    return CHARGED if charged else TAKES


@inlined
def _of_pack(limits, built, work, state, desk, p):
    """Take what the cells and groups of a pack on the bus have left."""
    rows = desk.margin
    found = _extremes(built, work, state, p)
    cool, cool_on, warm_on, low, high, empty, out, into = found
    reserve, group = _reserve(limits, built, work, state, p)
    pack_left_A = limits.pack_current_A - abs(work.packs[PACK_A, p])
    endless = alike(math.inf, cool[0])
    raw, mine = eights(rows, RAW, ROW), eights(rows, MINE, ROW)
    put_lowest_each(
        raw, 0, low[0], empty[0], alike(reserve, endless), cool[0], warm_on[0], cool_on[0],
        warm_on[0], high[0],
    )  # fmt: skip
    put_lowest_each(
        raw, 1, out[0], into[0], alike(pack_left_A, endless), endless, warm_on[0], cool[0],
        endless, endless,
    )  # fmt: skip
    level = eights(rows, _levels_row(work, built, p), ROW)
    sign, margin = eights(rows, SIGN, ROW), eights(rows, AFTER, ROW)
    worst, told = eights(rows, WORST, ROW), 0
    for n in range(len(mine)):
        mine[n] = level[n] + sign[n] * raw[n]
        lesser = fails(mine[n] >= margin[n]) & (margin[n] == margin[n])
        # Which cell it is, is looked for where it will be told: at a new worst value, or beyond.
        tell = lesser & (fails(mine[n] >= worst[n]) | (mine[n] < 0.0))
        margin[n] = where(lesser, mine[n], margin[n])
        told |= bits_of(tell) << (n * lanes_in(endless))
    while told:
        limit = first_bit(told)
        told &= told - 1
        value, cell = rows[RAW, limit], group
        if limit == PACK_CURRENT:
            cell = p
        elif limit in (HOT, BEYOND_MODEL):
            cell = _cell_of(work, cool, value, p)
        elif limit != RESERVE:
            of = low
            if limit == EMPTY:
                of = empty
            elif limit == CHARGE_HOT:
                of = cool_on
            elif limit == OVERCHARGE:
                of = high
            elif limit == CELL_DISCHARGE:
                of = out
            elif limit == CELL_CHARGE:
                of = into
            elif limit != CUTOFF:
                of = warm_on
            cell = _cell_of(work, of, value, p)
        desk.place[limit] = cell
    if lowest_of(into[0]) < 0.0 and _levels_row(work, built, p) != CHARGED:
        passed_on(limits, built, work, state, (desk.margin[AFTER], desk.place), p)


@inlined
def margins(limits, built, work, bus, state, desk):
    """Fill margins, and the place of each, by the weakest part of the packs on the bus.

    A place is filled where a margin is less than the worst before, or beyond its limit.
    """
    margin, like = eights(desk.margin, AFTER, ROW), at(state.cells, CORE, 0)
    endless, room_W = alike(math.inf, like), alike(bus.room_W, like)
    put_lowest_each(
        margin, 0, endless, endless, endless, endless, endless, endless, endless, endless
    )
    put_lowest_each(
        margin, 1, endless, endless, endless, room_W, endless, endless, endless, endless
    )
    for p in range(built.pack.shape[1]):
        if built.pack[PACK_COUNT, p] > 0.0:
            _of_pack(limits, built, work, state, desk, p)


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
def negative(desk):
    """Return which limits are passed now, as bits."""
    margin, bits = eights(desk.margin, AFTER, ROW), 0
    for n in range(len(margin)):
        bits |= bits_of(margin[n] < 0.0) << (n * lanes_in(margin[n]))
    return bits


@inlined
def changed(desk):
    """Return which limits were passed or met again between the last look and this, as bits."""
    before, after, bits = eights(desk.margin, BEFORE, ROW), eights(desk.margin, AFTER, ROW), 0
    for n in range(len(after)):
        bits |= bits_of((before[n] < 0.0) ^ (after[n] < 0.0)) << (n * lanes_in(after[n]))
    return bits


@inlined
def lowest(book, time_s, desk):
    """Take worst values."""
    margin, worst = eights(desk.margin, AFTER, ROW), eights(desk.margin, WORST, ROW)
    worst_s, bits = eights(desk.margin, WORST_S, ROW), 0
    for n in range(len(margin)):
        worse = fails(margin[n] >= worst[n] - NEWER)
        worst[n] = where(worse, margin[n], worst[n])
        worst_s[n] = where(worse, time_s, worst_s[n])
        bits |= bits_of(worse) << (n * lanes_in(worst[n]))
    while bits:
        limit = first_bit(bits)
        bits &= bits - 1
        book.worst_at[limit] = desk.place[limit]


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


@inlined
def levels(book, time_s, desk):
    """Take margins at an edge: worst values, and spells that begin or end there by a jump."""
    lowest(book, time_s, desk)
    beyond, was_open = negative(desk), 0
    for limit in range(COUNT):
        was_open |= (book.open_at[limit] >= 0) << limit
    bits = beyond ^ was_open
    while bits:
        limit = first_bit(bits)
        bits &= bits - 1
        if desk.margin[AFTER, limit] < 0.0:
            _begin(book, limit, time_s, desk.margin[AFTER, limit], desk.place[limit])
        else:
            _end(book, limit, time_s)


@inlined
def crossing_s(before, after, time_s, step_s):
    """Return when within a step a margin is nothing, on the straight line between its ends."""
    if before == math.inf or after == math.inf or before == after:
        return time_s + step_s
    return time_s + step_s * min(max(before / (before - after), 0.0), 1.0)


@inlined
def settle(book, time_s, step_s, desk):
    """Take margins at the end of a step, and the crossings within it."""
    lowest(book, time_s + step_s, desk)
    bits = changed(desk)
    while bits:
        limit = first_bit(bits)
        bits &= bits - 1
        before, after = desk.margin[BEFORE, limit], desk.margin[AFTER, limit]
        at_s = crossing_s(before, after, time_s, step_s)
        if after < 0.0:
            _begin(book, limit, at_s, 0.0, desk.place[limit])
        else:
            _end(book, limit, at_s)
