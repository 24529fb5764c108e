"""What is entered of the limits while the compiled march goes: worst margins, and spells beyond.

Lanes that run into nothing are entered all at once, in rows of lanes. Where a limit is passed or
met again, the one lane's spells are entered in plain arrays.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.integrate.trace import Spell, Trace
from sim.physics.compiled import inlined, inside
from sim.physics.limits import COUNT
from sim.physics.rows import gathered, part, wide
from sim.physics.side_by_side import WIDTH, alike, fails, lane, where, with_lane

Floats = NDArray[np.float64]
LIMIT, BEGIN, END, MARGIN = range(4)  # columns of the spells
OPEN_AT, BEGUN, STOPPED_BY, STEPS = 0, COUNT, COUNT + 1, COUNT + 2  # columns of the counts
LIMITS, ONE = (0,) * COUNT, (0,)
ROW = (0,) * (WIDTH * -(-COUNT // WIDTH))  # of limits, `wide`; what is over counts for nothing
PLACES = ROW + ROW + ROW + ONE


class Book(NamedTuple):
    """What is entered of each lane; all but spells and their counts where it ends.

    Few arrays, since each that is made and handed over costs as much as a step or two. Columns of
    `counts`: the row of each limit's open spell (-1 for none), spells begun, the limit that ended
    the lane (-1 where it saw the end), steps.
    """

    spells: Floats  # (lanes, capacity, 4)
    states: Floats  # (lanes, 2, n) at begin and end, as the two below
    times_s: Floats  # (lanes, 2)
    legs: NDArray[np.intp]  # (lanes, 2)
    worst: Floats  # (lanes, 2, COUNT): the worst margins, and when
    counts: NDArray[np.intp]  # (lanes, COUNT + 3)


class Ledger(NamedTuple):
    """The same while lanes go on: a row of lanes for each limit. `goes` is 0 where one ended."""

    worst: Any
    worst_s: Any
    beyond: Any  # 1 where a spell is open
    goes: Any


def room_for(lanes: int, capacity: int, size: int) -> Book:
    """Return a book with room for `capacity` spells a lane, and states of `size` entries."""
    return Book(
        np.empty((lanes, capacity, 4)),
        np.empty((lanes, 2, size)),
        np.empty((lanes, 2)),
        np.empty((lanes, 2), dtype=np.intp),
        np.empty((lanes, 2, COUNT)),
        np.empty((lanes, STEPS + 1), dtype=np.intp),
    )


@inlined
def opened(book, start, start_s):
    """Return `book` with nothing entered but the states `start` (n, lanes) at `start_s`."""
    for k in range(book.counts.shape[0]):
        for n in range(start.shape[0]):
            book.states[k, 0, n] = start[n, k]
        book.times_s[k, 0], book.legs[k, 0] = start_s, 0
        for limit in range(COUNT):
            book.counts[k, OPEN_AT + limit] = -1
        book.counts[k, BEGUN] = 0
    return book


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


@inlined
def most_begun(book):
    """Return how many spells the lane with the most has begun."""
    most = 0
    for k in range(book.counts.shape[0]):
        most = max(most, book.counts[k, BEGUN])
    return most


@inside
def begin_spell(book, k, limit, time_s, margin):
    """Begin a spell of lane `k` beyond a limit, unless one is open."""
    if book.counts[k, OPEN_AT + limit] >= 0:
        return
    place = book.counts[k, BEGUN]
    book.counts[k, BEGUN] += 1
    book.counts[k, OPEN_AT + limit] = place
    if place < book.spells.shape[1]:
        book.spells[k, place, LIMIT] = limit
        book.spells[k, place, BEGIN] = time_s
        book.spells[k, place, END] = math.nan
        book.spells[k, place, MARGIN] = margin


@inside
def end_spell(book, k, limit, time_s):
    """End the open spell of a limit, if there is one."""
    place = book.counts[k, OPEN_AT + limit]
    if 0 <= place < book.spells.shape[1]:
        book.spells[k, place, END] = time_s
    book.counts[k, OPEN_AT + limit] = -1


@inside
def levels(book, k, time_s, margin):
    """Begin or end spells of lane `k` by the sign of each margin."""
    for limit in range(COUNT):
        if margin[limit] < 0.0:
            begin_spell(book, k, limit, time_s, margin[limit])
        elif book.counts[k, OPEN_AT + limit] >= 0:
            end_spell(book, k, limit, time_s)


@inlined
def mark(ledger, book, k):
    """Tell the ledger which spells of lane `k` are open."""
    for limit in range(COUNT):
        is_open = 1.0 if book.counts[k, OPEN_AT + limit] >= 0 else 0.0
        ledger.beyond[limit] = with_lane(ledger.beyond[limit], k, is_open)


@inlined
def close_lane(ledger, book, k, end):
    """Enter that lane `k` has ended, with its worst values; `end` as in `passing.end_lane`."""
    end_s, leg, start_s, stopped_by, steps = end
    for limit in range(COUNT):
        book.worst[k, 0, limit] = lane(ledger.worst[limit], k)
        book.worst[k, 1, limit] = lane(ledger.worst_s[limit], k)
    book.times_s[k, 1] = end_s
    book.legs[k, 1] = leg if end_s > start_s else max(leg - 1, 0)  # at an edge: the leg before it
    book.counts[k, STOPPED_BY], book.counts[k, STEPS] = stopped_by, steps
    ledger.goes[0] = with_lane(ledger.goes[0], k, 0.0)


@inside
def lowest_alone(book, k, time_s, margin):
    """Take worst values of a lane that has ended."""
    for limit in range(COUNT):
        if not margin[limit] >= book.worst[k, 0, limit]:
            book.worst[k, 0, limit] = margin[limit]
            book.worst[k, 1, limit] = time_s


def spells_of(book: Book, k: int) -> tuple[Spell, ...]:
    """Return the spells of lane `k` in order of time."""
    rows = book.spells[k, : book.counts[k, BEGUN]]
    spells = [
        Spell(int(limit), begin, None if math.isnan(end) else end, margin)
        for limit, begin, end, margin in rows.tolist()
    ]
    return tuple(sorted(spells, key=lambda spell: (spell.start_s, spell.limit)))


def trace_of(book: Book, k: int, kept: tuple[Any, ...]) -> Trace:
    """Return the trace of lane `k`; its start and end only where nothing was kept."""
    begun, stopped_by, steps = book.counts[k, BEGUN:].tolist()
    times_s, states, legs = book.times_s[k], book.states[k], book.legs[k]
    end_s = times_s.item(1)
    if len(kept[0]):
        n = int(kept[3][0])
        times_s, states, legs = (array[:n] for array in kept[:3])
    return Trace(
        times_s,
        states,
        legs,
        book.worst[k, 0],
        book.worst[k, 1],
        spells_of(book, k) if begun else (),
        end_s,
        stopped_by if stopped_by >= 0 else None,
        steps,
    )
