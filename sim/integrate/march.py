"""The run compiled: fixed steps that end at every edge of the load, and are cut at a limit.

Everything is accumulated as it goes: worst margins, spells beyond each limit, sums. States are
kept only where a buffer for them is given, so that a sweep's memory does not grow with its steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs, leg_at
from sim.integrate.step import advance, take_middle
from sim.integrate.trace import KEPT_S, Spell, Trace
from sim.physics.compiled import compiled
from sim.physics.film import tabled
from sim.physics.limits import BEYOND_MODEL, COUNT, STOPS_DRIVE, Limits, margins
from sim.physics.plant import CORE, SOC, Leg, Plant, terminals

Floats = NDArray[np.float64]
FIRST_SPELLS = 1024
INSTANT_S = 1e-9  # to which a crossing is found
LIMIT, BEGIN, END, MARGIN = range(4)  # columns of the spells
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


@dataclass(frozen=True)
class Settings:
    """How far one step may go, and whether a limit that ends the drive ends the run.

    At 2 s the tested days differ from the reference by less than 0.1 mV and 1 mK.
    """

    longest_step_s: float = 2.0
    stop_at_limits: bool = True
    keep_trace: bool = True  # False: the start and the end only, for sweeps
    halved: bool = False  # every step in two halves, the short ones of a 1 Hz load too


class Step(NamedTuple):
    """Where a step begins, and scratch to take it again at other lengths."""

    plant: Plant
    limits: Limits
    leg: Leg
    time_s: float
    y: Floats
    middle: Floats
    scratch_y: Floats
    scratch_middle: Floats
    scratch_margin: Floats


class Book(NamedTuple):
    """What is entered of the limits. `spells` (capacity, 4); `counts` = spells begun."""

    spells: Floats
    counts: NDArray[np.intp]
    open_at: NDArray[np.intp]  # (COUNT,) row of the open spell, -1 for none
    worst: Floats
    worst_s: Floats


@compiled
def margin_after(step, length_s, limit):
    """Return one margin after a step of `length_s` [s]."""
    y = step.y
    if length_s > 0.0:
        y = step.scratch_y
        step.scratch_middle[:] = step.middle
        advance(step.plant, step.leg, step.time_s, length_s, step.y, step.scratch_middle, y)
    seen = terminals(step.plant, step.leg, y)
    margins(step.limits, step.plant, y[SOC], y[CORE], seen, step.scratch_margin)
    return step.scratch_margin[limit]


@compiled
def crossing_s(step, limit, low_s, low, high_s, high):
    """Return how long after the step's begin a margin changes sign between `low_s` and `high_s`.

    Regula falsi, Illinois form (Dowell and Jarratt, BIT 11 (1971) 168); each look is a step of
    that length from the same state. Written here since compiled code can't call a library.
    """
    for _ in range(100):
        if high_s - low_s < INSTANT_S or low == 0.0:
            break
        guess_s = high_s - high * (high_s - low_s) / (high - low)
        if not low_s < guess_s < high_s:
            guess_s = 0.5 * (low_s + high_s)
        value = margin_after(step, guess_s, limit)
        if (value < 0.0) == (high < 0.0):
            high_s, high = guess_s, value
            low *= 0.5
        else:
            low_s, low = guess_s, value
            high *= 0.5
    return low_s if low == 0.0 else 0.5 * (low_s + high_s)


@compiled
def bottom(step, limit, length_s):
    """Return where within the step a margin is least [s], and the least margin.

    Golden section; it may stop below zero, since then both crossings are bracketed.
    """
    a, b = 0.0, length_s
    c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
    at_c, at_d = margin_after(step, c, limit), margin_after(step, d, limit)
    while min(at_c, at_d) >= 0.0 and b - a > 1e-6 * length_s:
        if at_c < at_d:
            b, d, at_d = d, c, at_c
            c = b - GOLDEN * (b - a)
            at_c = margin_after(step, c, limit)
        else:
            a, c, at_c = c, d, at_d
            d = a + GOLDEN * (b - a)
            at_d = margin_after(step, d, limit)
    return (c, at_c) if at_c < at_d else (d, at_d)


@compiled
def passed_s(step, limit, length_s, before, halfway, after):
    """Return when in the step a limit is passed, and when it is met again; -1 for never.

    `before` is not negative. A margin that dips between the looks is searched for its bottom
    wherever its three values leave room for one below zero.
    """
    if after < 0.0:
        return crossing_s(step, limit, 0.0, before, length_s, after), -1.0
    deeper = max(before, after) - halfway
    if not (halfway < before and halfway < after and halfway - deeper < 0.0):
        return -1.0, -1.0
    at_s, least = bottom(step, limit, length_s)
    if least >= 0.0:
        return -1.0, -1.0
    return (
        crossing_s(step, limit, 0.0, before, at_s, least),
        crossing_s(step, limit, at_s, least, length_s, after),
    )


@compiled
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


@compiled
def end_spell(book, limit, time_s):
    """End the open spell of a limit, if there is one."""
    place = book.open_at[limit]
    if 0 <= place < book.spells.shape[0]:
        book.spells[place, END] = time_s
    book.open_at[limit] = -1


@compiled
def enter(book, time_s, margin):
    """Take the margins at an instant: worst values, and spells that begin or end there."""
    for limit in range(COUNT):
        value = margin[limit]
        if not value >= book.worst[limit]:
            book.worst[limit] = value
            book.worst_s[limit] = time_s
        if value < 0.0:
            begin_spell(book, limit, time_s, value)
        elif book.open_at[limit] >= 0:
            end_spell(book, limit, time_s)


@compiled
def first_stop(step, stops, length_s, before, halfway, after):
    """Return the first limit that ends the run within the step, -1 for none, and when."""
    which, first_s = -1, length_s
    for limit in range(COUNT):
        if stops[limit] and before[limit] >= 0.0:
            into_s, _ = passed_s(step, limit, length_s, before[limit], halfway[limit], after[limit])
            if into_s >= 0.0 and (which < 0 or into_s < first_s):
                which, first_s = limit, into_s
    return which, first_s


@compiled
def settle(step, book, length_s, before, halfway, after):
    """Enter the exact instants at which limits are passed or met again within the step."""
    time_s = step.time_s
    for limit in range(COUNT):
        low, high = before[limit], after[limit]
        if low >= 0.0:
            into_s, back_s = passed_s(step, limit, length_s, low, halfway[limit], high)
            if into_s >= 0.0:
                begin_spell(book, limit, time_s + into_s, 0.0)
            if back_s >= 0.0:
                end_spell(book, limit, time_s + back_s)
        elif high >= 0.0:
            end_spell(book, limit, time_s + crossing_s(step, limit, 0.0, low, length_s, high))


@compiled
def unclear(before, halfway, after):
    """Return whether any limit may be passed or met within a step, so that it must be settled."""
    for limit in range(COUNT):
        low, mid, high = before[limit], halfway[limit], after[limit]
        if (low < 0.0) != (high < 0.0):
            return True
        if low >= 0.0 and mid < low and mid < high and 2.0 * mid < max(low, high):
            return True
    return False


@compiled
def run(plant, limits, legs, start, longest_s, halves, stops, book, kept, last):
    """March all legs from `start`; return the end [s], the limit that ended the run (-1), steps.

    No step is longer than `longest_s`, and each is then taken in `halves` parts. `stops` (COUNT,)
    says which limits end the run. `kept` = (times, states, legs, count) takes the trace where its
    arrays have room for `points(legs)`, and nothing where they are empty; `last` (n,) takes the
    state at the end.
    """
    y, new, scratch = start.copy(), start.copy(), start.copy()
    middle = np.empty(2 + 2 * len(plant.cell.pairs))
    before, halfway, after = np.empty(COUNT), np.empty(COUNT), np.empty(COUNT)
    scratch_middle, scratch_margin = middle.copy(), np.empty(COUNT)
    steps, end_s = 0, legs.start_s[0]
    take_middle(plant, leg_at(legs, plant.pack, 0), y, middle)
    for i in range(legs.start_s.shape[0]):
        leg = leg_at(legs, plant.pack, i)
        end_s = leg.start_s
        margins(limits, plant, y[SOC], y[CORE], terminals(plant, leg, y), before)
        enter(book, end_s, before)
        keep(kept, end_s, y, i)
        for limit in range(COUNT):
            if stops[limit] and before[limit] < 0.0:
                last[:] = y
                return end_s, limit, steps
        pieces = pieces_of(leg.end_s - leg.start_s)
        inner = math.ceil((leg.end_s - leg.start_s) / pieces / longest_s - 1e-9)
        inner = halves * max(1, inner)
        count = pieces * inner
        for n in range(count):
            time_s = leg.start_s + (leg.end_s - leg.start_s) * n / count
            end_s = leg.end_s
            if n + 1 < count:
                end_s = leg.start_s + (leg.end_s - leg.start_s) * (n + 1) / count
            length_s = end_s - time_s
            scratch_middle[:] = middle
            soc_m, core_m, seen_m = advance(plant, leg, time_s, length_s, y, middle, new)
            margins(limits, plant, soc_m, core_m, seen_m, halfway)
            margins(limits, plant, new[SOC], new[CORE], terminals(plant, leg, new), after)
            steps += 1
            if unclear(before, halfway, after):
                step = Step(
                    plant, limits, leg, time_s, y, scratch_middle.copy(),
                    scratch, scratch_middle, scratch_margin,
                )  # fmt: skip
                which, stop_s = first_stop(step, stops, length_s, before, halfway, after)
                if which >= 0:
                    return _cut(
                        step, book, kept, last, which, stop_s, i, steps, before, halfway, after
                    )
                settle(step, book, length_s, before, halfway, after)
            enter(book, end_s, after)
            y, new = new, y
            before, after = after, before
            if (n + 1) % inner == 0:
                keep(kept, end_s, y, i)
    last[:] = y
    return end_s, -1, steps


@compiled
def _cut(step, book, kept, last, which, stop_s, i, steps, before, halfway, after):
    """End the run inside a step, at the instant a limit is passed."""
    end_s = step.time_s + stop_s
    last[:] = step.y
    if stop_s > 0.0:
        coefficients = step.middle.copy()
        new = step.y.copy()
        soc_m, core_m, seen_m = advance(
            step.plant, step.leg, step.time_s, stop_s, step.y, coefficients, new
        )
        margins(step.limits, step.plant, soc_m, core_m, seen_m, halfway)
        seen = terminals(step.plant, step.leg, new)
        margins(step.limits, step.plant, new[SOC], new[CORE], seen, after)
        after[which] = 0.0  # to rounding; its sign at its own crossing means nothing
        if unclear(before, halfway, after):
            settle(step, book, stop_s, before, halfway, after)
        enter(book, end_s, after)
        keep(kept, end_s, new, i)
        last[:] = new
    begin_spell(book, which, end_s, 0.0)
    return end_s, which, steps


@compiled
def keep(kept, time_s, y, leg):
    """Add a point to the trace, where there is one."""
    times, states, legs, count = kept
    if times.shape[0] == 0:
        return
    times[count[0]] = time_s
    states[count[0]] = y
    legs[count[0]] = leg
    count[0] += 1


@compiled
def pieces_of(length_s):
    """Return into how many kept pieces a leg of `length_s` [s] falls."""
    return max(1, math.ceil(length_s / KEPT_S - 1e-9))


@compiled
def points(legs):
    """Return how many points the trace of a whole run has."""
    total = 0
    for i in range(legs.start_s.shape[0]):
        total += pieces_of(legs.end_s[i] - legs.start_s[i]) + 1
    return total


def march(
    plant: Plant,
    limits: Limits,
    legs: Legs,
    start: Floats,
    settings: Settings = Settings(),
    progress: Callable[[float], None] | None = None,
) -> Trace:
    """March `legs` from the state `start` (n,), or until a limit ends the run.

    `progress` is told the end only: a day takes milliseconds.
    """
    plant = plant._replace(film=tabled(plant.film))
    stops = np.zeros(COUNT, dtype=np.bool_)
    stops[[*STOPS_DRIVE, BEYOND_MODEL] if settings.stop_at_limits else [BEYOND_MODEL]] = True
    capacity, size = FIRST_SPELLS, points(legs) if settings.keep_trace else 0
    while True:
        book = empty_book(capacity)
        kept = (
            np.empty(size),
            np.empty((size, len(start))),
            np.empty(size, dtype=np.intp),
            np.zeros(1, dtype=np.intp),
        )
        last = np.empty_like(start)
        end_s, which, steps = run(
            plant,
            limits,
            legs,
            start,
            settings.longest_step_s,
            2 if settings.halved else 1,
            stops,
            book,
            kept,
            last,
        )
        if book.counts[0] <= capacity:
            break
        capacity = int(book.counts[0])  # more spells than there was room for: once more, with it
    if progress:
        progress(end_s)
    times, states, index, count = kept
    n = int(count[0])
    if not settings.keep_trace:
        ends_in = max(int(legs.start_s.searchsorted(end_s, side="left")) - 1, 0)
        times, states, index, n = (
            np.array([legs.start_s[0], end_s]),
            np.stack([start, last]),
            np.array([0, ends_in], dtype=np.intp),
            2,
        )
    return Trace(
        times[:n],
        states[:n],
        index[:n],
        book.worst,
        book.worst_s,
        _spells(book),
        float(end_s),
        int(which) if which >= 0 else None,
        steps,
    )


def empty_book(capacity: int) -> Book:
    """Return a book with room for `capacity` spells."""
    return Book(
        np.empty((capacity, 4)),
        np.zeros(1, dtype=np.intp),
        np.full(COUNT, -1, dtype=np.intp),
        np.full(COUNT, np.inf),
        np.zeros(COUNT),
    )


def _spells(book: Book) -> tuple[Spell, ...]:
    """Return the spells in order of time."""
    rows = book.spells[: book.counts[0]]
    spells = [
        Spell(int(k), begin, None if math.isnan(end) else end, margin)
        for k, begin, end, margin in rows.tolist()
    ]
    return tuple(sorted(spells, key=lambda spell: (spell.start_s, spell.limit)))
