"""What is entered of the limits while the compiled march goes: worst margins, and spells beyond.

Kept in plain arrays, since compiled code fills them.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.integrate.trace import Spell
from sim.physics.compiled import bare, bare_apart
from sim.physics.limits import COUNT

Floats = NDArray[np.float64]
LIMIT, BEGIN, END, MARGIN = range(4)  # columns of the spells


class Book(NamedTuple):
    """What is entered of the limits. `spells` (capacity, 4); `counts` = spells begun."""

    spells: Floats
    counts: NDArray[np.intp]
    open_at: NDArray[np.intp]  # (COUNT,) row of the open spell, -1 for none
    worst: Floats
    worst_s: Floats


def empty_book(capacity: int) -> Book:
    """Return a book with room for `capacity` spells."""
    return Book(
        np.empty((capacity, 4)),
        np.zeros(1, dtype=np.intp),
        np.full(COUNT, -1, dtype=np.intp),
        np.full(COUNT, np.inf),
        np.zeros(COUNT),
    )


@bare
def begin_spell(book, limit, time_s, margin):
    """Begin a spell beyond a limit, unless one is open."""
    if book.open_at[limit] >= 0:
        return
    place = book.counts[0]
    book.counts[0] += 1
    book.open_at[limit] = place
    if place < book.spells.shape[0]:
        book.spells[place, LIMIT] = limit
        book.spells[place, BEGIN] = time_s
        book.spells[place, END] = math.nan
        book.spells[place, MARGIN] = margin


@bare
def end_spell(book, limit, time_s):
    """End the open spell of a limit, if there is one."""
    place = book.open_at[limit]
    if 0 <= place < book.spells.shape[0]:
        book.spells[place, END] = time_s
    book.open_at[limit] = -1


@bare
def lowest(book, time_s, margin):
    """Take worst values only."""
    for limit in range(COUNT):
        if not margin[limit] >= book.worst[limit]:
            book.worst[limit] = margin[limit]
            book.worst_s[limit] = time_s


@bare_apart
def levels(book, time_s, margin):
    """Begin or end spells by the sign of each margin."""
    for limit in range(COUNT):
        if margin[limit] < 0.0:
            begin_spell(book, limit, time_s, margin[limit])
        elif book.open_at[limit] >= 0:
            end_spell(book, limit, time_s)


@bare
def enter(book, time_s, margin):
    """Take the margins at an edge of the load; return whether any limit is or was beyond.

    Worst values, and spells that begin or end there by a jump.
    """
    lowest(book, time_s, margin)
    beyond = False
    for limit in range(COUNT):
        if margin[limit] < 0.0 or book.open_at[limit] >= 0:
            beyond = True
    if beyond:
        levels(book, time_s, margin)
    return beyond


@bare
def unclear(earlier, before, halfway, after):
    """Return whether any limit may be passed or met again within a step.

    That is: its margin changes sign, or changes so fast for its size that it may dip below zero
    and come back between two looks. Where it is False, no spell begins or ends within the step
    or at its end. Margins (COUNT,) half a step before, at begin, middle and end.
    """
    for limit in range(COUNT):
        low, mid, high = before[limit], halfway[limit], after[limit]
        if (low < 0.0) != (high < 0.0):
            return True
        if high == math.inf or low == math.inf:  # a limit that does not apply has no slope
            continue
        fastest = max(earlier[limit] - low, abs(mid - low), abs(high - mid))
        if low >= 0.0 and min(low, mid, high) < fastest:
            return True
    return False


def spells_of(book: Book) -> tuple[Spell, ...]:
    """Return the spells in order of time."""
    rows = book.spells[: book.counts[0]]
    spells = [
        Spell(int(k), begin, None if math.isnan(end) else end, margin)
        for k, begin, end, margin in rows.tolist()
    ]
    return tuple(sorted(spells, key=lambda spell: (spell.start_s, spell.limit)))
