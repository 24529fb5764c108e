"""What is entered of the limits while the compiled march goes: worst margins, and spells beyond.

Lanes that run into nothing are entered all at once, in rows of lanes. Where a limit is passed or
met again, the one lane's spells are entered in plain arrays.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.integrate.trace import Spell
from sim.physics.compiled import inlined, inside
from sim.physics.limits import COUNT
from sim.physics.rows import gathered, part, wide
from sim.physics.side_by_side import WIDTH, alike, fails, lane, where, with_lane

Floats = NDArray[np.float64]
LIMIT, BEGIN, END, MARGIN = range(4)  # columns of the spells
LIMITS, ONE = (0,) * COUNT, (0,)
ROW = (0,) * (WIDTH * -(-COUNT // WIDTH))  # of limits, `wide`; what is over counts for nothing
PLACES = ROW + ROW + ROW + ONE


class Book(NamedTuple):
    """What is entered of each lane. `spells` (lanes, capacity, 4); `counts` = spells begun."""

    spells: Floats
    counts: NDArray[np.intp]
    open_at: NDArray[np.intp]  # (lanes, COUNT) row of the open spell, -1 for none
    worst: Floats  # (lanes, COUNT), filled where the lane ends, as all that follows
    worst_s: Floats
    last: Floats  # (lanes, n) the state
    end_s: Floats
    stopped_by: NDArray[np.intp]  # -1 where the lane saw the end
    steps: NDArray[np.intp]


class Ledger(NamedTuple):
    """The same while lanes go on: a row of lanes for each limit. `goes` is 0 where one ended."""

    worst: Any
    worst_s: Any
    beyond: Any  # 1 where a spell is open
    goes: Any


def empty_book(lanes: int, capacity: int, size: int) -> Book:
    """Return a book with room for `capacity` spells a lane, and states of `size` entries."""
    return Book(
        np.empty((lanes, capacity, 4)),
        np.zeros(lanes, dtype=np.intp),
        np.full((lanes, COUNT), -1, dtype=np.intp),
        np.empty((lanes, COUNT)),
        np.empty((lanes, COUNT)),
        np.empty((lanes, size)),
        np.empty(lanes),
        np.full(lanes, -1, dtype=np.intp),
        np.zeros(lanes, dtype=np.intp),
    )


@inlined
def new_ledger(whole, at):
    """Return a ledger in which nothing is entered, in the part of a room that begins at `at`."""
    ledger = Ledger(
        part(whole, at, ROW, (), ()),
        part(whole, at + len(ROW), ROW, (), ()),
        part(whole, at + 2 * len(ROW), ROW, (), ()),
        part(whole, at + 3 * len(ROW), ONE, (), ()),
    )
    for limit in range(len(ROW)):
        ledger.worst[limit] = math.inf
        ledger.worst_s[limit] = 0.0
        ledger.beyond[limit] = 0.0
    ledger.goes[0] = 1.0
    return ledger


@inlined
def lowest(ledger, time_s, margin):
    """Take worst values. A margin that is no number is the worst."""
    here, worst, worst_s = (
        wide(margin, LIMITS),
        wide(ledger.worst, LIMITS),
        wide(ledger.worst_s, LIMITS),
    )
    for n in range(len(here)):
        worse = fails(here[n] >= worst[n])
        worst[n], worst_s[n] = where(worse, here[n], worst[n]), where(worse, time_s, worst_s[n])


@inlined
def jumped(ledger, margin):
    """Return in which lanes a spell begins or ends by a jump, at an edge of the load."""
    here, beyond = wide(margin, LIMITS), wide(ledger.beyond, LIMITS)
    found = alike(0.0, here[0]) > 0.0
    for n in range(len(here)):
        found = found | ((here[n] < 0.0) ^ (beyond[n] > 0.0))
    return gathered(found, ledger.goes[0]) & (ledger.goes[0] > 0.0)


@inlined
def unclear(ledger, earlier, before, halfway, after):
    """Return in which lanes any limit may be passed or met again within a step.

    That is: its margin changes sign, or changes so fast for its size that it may dip below zero
    and come back between two looks. Where it is False, no spell begins or ends within the step
    or at its end. Rows of margins half a step before, at begin, middle and end; those of limits
    that do not apply are infinite, and their changes, no numbers, exceed nothing.
    """
    came, begins = wide(earlier, LIMITS), wide(before, LIMITS)
    halves, ends = wide(halfway, LIMITS), wide(after, LIMITS)
    found = alike(0.0, begins[0]) > 0.0
    for n in range(len(begins)):
        low, mid, high = begins[n], halves[n], ends[n]
        size = where(mid < low, mid, low)
        size = where(high < size, high, size)
        fast = (size < came[n] - low) | (size < abs(mid - low)) | (size < abs(high - mid))
        found = found | ((low < 0.0) ^ (high < 0.0)) | ((low >= 0.0) & fast)
    return gathered(found, ledger.goes[0]) & (ledger.goes[0] > 0.0)


@inside
def begin_spell(book, k, limit, time_s, margin):
    """Begin a spell of lane `k` beyond a limit, unless one is open."""
    if book.open_at[k, limit] >= 0:
        return
    place = book.counts[k]
    book.counts[k] += 1
    book.open_at[k, limit] = place
    if place < book.spells.shape[1]:
        book.spells[k, place, LIMIT] = limit
        book.spells[k, place, BEGIN] = time_s
        book.spells[k, place, END] = math.nan
        book.spells[k, place, MARGIN] = margin


@inside
def end_spell(book, k, limit, time_s):
    """End the open spell of a limit, if there is one."""
    place = book.open_at[k, limit]
    if 0 <= place < book.spells.shape[1]:
        book.spells[k, place, END] = time_s
    book.open_at[k, limit] = -1


@inside
def levels(book, k, time_s, margin):
    """Begin or end spells of lane `k` by the sign of each margin."""
    for limit in range(COUNT):
        if margin[limit] < 0.0:
            begin_spell(book, k, limit, time_s, margin[limit])
        elif book.open_at[k, limit] >= 0:
            end_spell(book, k, limit, time_s)


@inlined
def mark(ledger, book, k):
    """Tell the ledger which spells of lane `k` are open."""
    for limit in range(COUNT):
        is_open = 1.0 if book.open_at[k, limit] >= 0 else 0.0
        ledger.beyond[limit] = with_lane(ledger.beyond[limit], k, is_open)


@inlined
def close_lane(ledger, book, k, end_s, stopped_by, steps):
    """Enter that lane `k` has ended, with its worst values; return how many go on."""
    for limit in range(COUNT):
        book.worst[k, limit] = lane(ledger.worst[limit], k)
        book.worst_s[k, limit] = lane(ledger.worst_s[limit], k)
    book.end_s[k], book.stopped_by[k], book.steps[k] = end_s, stopped_by, steps
    ledger.goes[0] = with_lane(ledger.goes[0], k, 0.0)


@inside
def lowest_alone(book, k, time_s, margin):
    """Take worst values of a lane that has ended."""
    for limit in range(COUNT):
        if not margin[limit] >= book.worst[k, limit]:
            book.worst[k, limit] = margin[limit]
            book.worst_s[k, limit] = time_s


def spells_of(book: Book, k: int) -> tuple[Spell, ...]:
    """Return the spells of lane `k` in order of time."""
    rows = book.spells[k, : book.counts[k]]
    spells = [
        Spell(int(limit), begin, None if math.isnan(end) else end, margin)
        for limit, begin, end, margin in rows.tolist()
    ]
    return tuple(sorted(spells, key=lambda spell: (spell.start_s, spell.limit)))
