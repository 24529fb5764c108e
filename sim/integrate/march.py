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
from sim.integrate.book import (
    begin_spell,
    empty_book,
    end_spell,
    enter,
    lowest,
    spells_of,
    unclear,
)
from sim.integrate.crossing import Step, crossing_s, passed_s
from sim.integrate.step import advance, take_middle
from sim.integrate.trace import KEPT_S, Trace
from sim.physics.compiled import bare, bare_apart
from sim.physics.film import tabled
from sim.physics.limits import BEYOND_MODEL, COUNT, STOPS_DRIVE, Limits, margins
from sim.physics.plant import CORE, SOC, Plant, terminals

Floats = NDArray[np.float64]
FIRST_SPELLS = 1024


@dataclass(frozen=True)
class Settings:
    """How far one step may go, and whether a limit that ends the drive ends the run.

    At 1 s the example days differ from the reference by less than 0.1 mV and 1 mK.
    """

    longest_step_s: float = 1.0
    stop_at_limits: bool = True
    keep_trace: bool = True  # False: the start and the end only, for sweeps
    halved: bool = False  # every step in two halves, the short ones of a 1 Hz load too


class Room(NamedTuple):
    """Arrays to work in: states (4, n), coefficients (3, 2 + 2 pairs), margins (5, COUNT)."""

    states: Floats
    middles: Floats
    margins: Floats


@bare
def copy(source, target):
    """Copy one vector into another; a slice would count references."""
    for k in range(source.shape[0]):
        target[k] = source[k]


@bare_apart
def first_stop(step, stops, length_s, looks):
    """Return the first limit that ends the run within the step, -1 for none, and when."""
    which, first_s = -1, length_s
    for limit in range(COUNT):
        if stops[limit] and looks[1][limit] >= 0.0:
            into_s, _ = passed_s(step, limit, length_s, looks)
            if into_s >= 0.0 and (which < 0 or into_s < first_s):
                which, first_s = limit, into_s
    return which, first_s


@bare_apart
def settle(step, book, length_s, looks):
    """Enter the exact instants at which limits are passed or met again within the step."""
    time_s = step.time_s
    for limit in range(COUNT):
        low, high = looks[1][limit], looks[3][limit]
        if low >= 0.0:
            into_s, back_s = passed_s(step, limit, length_s, looks)
            if into_s >= 0.0:
                begin_spell(book, limit, time_s + into_s, 0.0)
            if back_s >= 0.0:
                end_spell(book, limit, time_s + back_s)
        elif high >= 0.0:
            end_spell(book, limit, time_s + crossing_s(step, limit, 0.0, low, length_s, high))


@bare_apart
def run(plant, limits, legs, start, longest_s, halves, stops, book, kept, last, room):
    """March all legs from `start`; return the end [s], the limit that ended the run (-1), steps.

    No step is longer than `longest_s`, and each is then taken in `halves` parts. `stops` (COUNT,)
    says which limits end the run. `kept` = (times, states, legs, count) takes the trace where its
    arrays have room for `points(legs)`, and nothing where they are empty; `last` (n,) takes the
    state at the end. `room` is the `Room` to work in.
    """
    y, new, scratch = room.states[0], room.states[1], room.states[2]
    middle, fresh, scratch_middle = room.middles[0], room.middles[1], room.middles[2]
    earlier, before = room.margins[0], room.margins[1]
    halfway, after, scratch_margin = room.margins[2], room.margins[3], room.margins[4]
    copy(start, y)
    steps, end_s = 0, legs.start_s[0]
    take_middle(plant, leg_at(legs, plant.pack, 0), y, middle)
    for i in range(legs.start_s.shape[0]):
        leg = leg_at(legs, plant.pack, i)
        end_s = leg.start_s
        margins(limits, plant, y[SOC], y[CORE], terminals(plant, leg, y), before)
        keep(kept, end_s, y, i)
        if enter(book, end_s, before):
            for limit in range(COUNT):
                if stops[limit] and before[limit] < 0.0:
                    copy(y, last)
                    return end_s, limit, steps
        for limit in range(COUNT):
            earlier[limit] = -math.inf  # nothing is known of how it came to the edge
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
            soc_m, core_m, seen_m = advance(plant, leg, time_s, length_s, y, middle, new, fresh)
            margins(limits, plant, soc_m, core_m, seen_m, halfway)
            margins(limits, plant, new[SOC], new[CORE], terminals(plant, leg, new), after)
            steps += 1
            if unclear(earlier, before, halfway, after):
                looks = earlier, before, halfway, after
                step = Step(
                    plant, limits, leg, time_s, y, middle,
                    scratch, scratch_middle, scratch_margin,
                )  # fmt: skip
                which, stop_s = first_stop(step, stops, length_s, looks)
                if which >= 0:
                    return _cut(
                        step, book, kept, last, room.states[3], which, stop_s, i, steps, looks
                    )
                settle(step, book, length_s, looks)
            lowest(book, end_s, after)
            y, new = new, y
            middle, fresh = fresh, middle
            earlier, before, halfway, after = halfway, after, earlier, before
            if (n + 1) % inner == 0:
                keep(kept, end_s, y, i)
    copy(y, last)
    return end_s, -1, steps


@bare_apart
def _cut(step, book, kept, last, new, which, stop_s, i, steps, looks):
    """End the run inside a step, at the instant a limit is passed."""
    _, _, halfway, after = looks
    end_s = step.time_s + stop_s
    copy(step.y, last)
    if stop_s > 0.0:
        copy(step.y, new)
        soc_m, core_m, seen_m = advance(
            step.plant, step.leg, step.time_s, stop_s,
            step.y, step.middle, new, step.scratch_middle,
        )  # fmt: skip
        margins(step.limits, step.plant, soc_m, core_m, seen_m, halfway)
        seen = terminals(step.plant, step.leg, new)
        margins(step.limits, step.plant, new[SOC], new[CORE], seen, after)
        after[which] = 0.0  # to rounding; its sign at its own crossing means nothing
        if unclear(*looks):
            settle(step, book, stop_s, looks)
        lowest(book, end_s, after)
        keep(kept, end_s, new, i)
        copy(new, last)
    begin_spell(book, which, end_s, 0.0)
    return end_s, which, steps


@bare
def keep(kept, time_s, y, leg):
    """Add a point to the trace, where there is one."""
    times, states, legs, count = kept
    if times.shape[0] == 0:
        return
    times[count[0]] = time_s
    copy(y, states[count[0]])
    legs[count[0]] = leg
    count[0] += 1


@bare
def pieces_of(length_s):
    """Return into how many kept pieces a leg of `length_s` [s] falls."""
    return max(1, math.ceil(length_s / KEPT_S - 1e-9))


@bare_apart
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
    room = Room(
        np.empty((4, len(start))),
        np.empty((3, 2 + 2 * len(plant.cell.pairs))),
        np.empty((5, COUNT)),
    )
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
            room,
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
        spells_of(book),
        float(end_s),
        int(which) if which >= 0 else None,
        steps,
    )
