"""The run compiled: fixed steps that end at every edge of the load, and are cut at a limit.

One code for a run alone and for many side by side. Everything is accumulated as it goes: worst
margins, spells beyond each limit, sums. States are kept only where a buffer for them is given, so
that a sweep's memory does not grow with its steps.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.integrate import book as books
from sim.integrate import facets as pieces_of_tables
from sim.integrate.book import (
    LIMITS,
    ROW,
    Book,
    jumped,
    lowest,
    most_begun,
    new_ledger,
    opened,
    room_for,
    trace_of,
    unclear,
)
from sim.integrate.facets import no_facets
from sim.integrate.passing import SUMS, finish, jump, keep, pass_limits
from sim.integrate.step import (
    A_MEMORY,
    ONE,
    STATE,
    SUMS_ROW,
    advance,
    look,
    remember,
    repaced,
    stand_at,
    strided,
)
from sim.integrate.trace import KEPT_S, Trace
from sim.physics.beside import limits_at, numbers, plant_at
from sim.physics.compiled import bare_apart, inlined
from sim.physics.film import tabled
from sim.physics.limits import BEYOND_MODEL, COUNT, STOPS_DRIVE, Limits, margins
from sim.physics.nodes import nodes_of
from sim.physics.pack import cells, share
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE, SOC, Leg, Plant
from sim.physics.rows import part, room, take, wide
from sim.physics.side_by_side import (
    WIDTH,
    any_of,
    borrowed,
    noughts,
)

Floats = NDArray[np.float64]
FIRST_SPELLS = 1024
OF_SUMS = (0,) * SUMS
PLACES = ROW * 4 + SUMS_ROW * 2 + books.PLACES + STATE * 2 + ONE * 2 + pieces_of_tables.PLACES
A_PAIR = (0,) * 20
ALONE, BESIDE = (0,), (0,) * WIDTH


@dataclass(frozen=True)
class Settings:
    """How far one step may go, and whether a limit that ends the drive ends the run.

    At 1 s the example days differ from the reference by less than 0.1 mV and 1 mK.
    """

    longest_step_s: float = 1.0
    stop_at_limits: bool = True
    keep_trace: bool = True  # False: the start and the end only, for sweeps
    halved: bool = False  # every step in two halves, the short ones of a 1 Hz load too


class Days(NamedTuple):
    """The legs of all lanes: edges are shared; the rest is (legs, lanes), or (legs, 1) if equal."""

    kind: int
    start_s: Floats
    end_s: Floats
    value: Floats
    ambient_K: Floats
    ambient_K_s: Floats
    sun_W: Floats
    sun_W_s: Floats


class Plan(NamedTuple):
    """How a run is stepped: the longest step, in how many parts, and which limits end it."""

    longest_s: float
    halves: int
    stops: NDArray[np.bool_]


class Rows(NamedTuple):
    """The lanes' numbers while they go on, one row each."""

    y: Any  # the state, without its sums
    new: Any
    sums: Any
    gains: Any
    memory: Any
    fresh: Any
    earlier: Any  # margins half a step before, at begin, middle and end of a step
    before: Any
    halfway: Any
    after: Any
    ledger: Any
    facets: Any


@inlined
def rows_in(whole, pairs):
    """Return the rows, in a room of `PLACES` and `A_PAIR`."""
    k, row = len(pairs), len(ROW)
    at_sums = 4 * row
    at_ledger = at_sums + 2 * len(SUMS_ROW)
    at_state = at_ledger + len(books.PLACES)
    at_memory = at_state + 2 * (FIRST_OVERVOLTAGE + k)
    rows = Rows(
        part(whole, at_state, STATE, ONE, pairs),
        part(whole, at_state + FIRST_OVERVOLTAGE + k, STATE, ONE, pairs),
        part(whole, at_sums, SUMS_ROW, (), ()),
        part(whole, at_sums + len(SUMS_ROW), SUMS_ROW, (), ()),
        part(whole, at_memory, ONE, A_MEMORY, pairs),
        part(whole, at_memory + 1 + 5 * k, ONE, A_MEMORY, pairs),
        part(whole, 0, ROW, (), ()),
        part(whole, row, ROW, (), ()),
        part(whole, 2 * row, ROW, (), ()),
        part(whole, 3 * row, ROW, (), ()),
        new_ledger(whole, at_ledger),
        no_facets(whole, at_memory + 2 * (1 + 5 * k), pairs),
    )
    for n in range(len(SUMS_ROW)):
        rows.sums[n], rows.gains[n] = 0.0, 0.0
    for limit in range(len(ROW)):
        rows.earlier[limit], rows.before[limit] = math.inf, math.inf
        rows.halfway[limit], rows.after[limit] = math.inf, math.inf
    return rows


@inlined
def begin_at(rows, start, pairs, like):
    """Take the states `start` (n, lanes) for the rows."""
    size = FIRST_OVERVOLTAGE + pairs
    for n in range(size):
        rows.y[n] = take(start, n, like)
    for n in range(SUMS):
        rows.sums[n] = take(start, size + n, like)


@inlined
def leg_beside(days, pack, i, like):
    """Return leg `i` as one cell of each lane's pack sees it."""
    return Leg(
        float(days.start_s[i]),
        float(days.end_s[i]),
        days.kind,
        share(pack, days.kind, take(days.value, i, like)),
        take(days.ambient_K, i, like),
        take(days.ambient_K_s, i, like),
        take(days.sun_W, i, like),
        take(days.sun_W_s, i, like),
    )


@inlined
def accept(rows, pairs):
    """Make the step's end the begin of the next."""
    for n in range(FIRST_OVERVOLTAGE + pairs):
        rows.y[n] = rows.new[n]
    for n in range(1 + 5 * pairs):
        rows.memory[n] = rows.fresh[n]
    sums, gains = wide(rows.sums, OF_SUMS), wide(rows.gains, OF_SUMS)
    for n in range(len(sums)):
        sums[n] = sums[n] + gains[n]
    earlier, before = wide(rows.earlier, LIMITS), wide(rows.before, LIMITS)
    halfway, after = wide(rows.halfway, LIMITS), wide(rows.after, LIMITS)
    for n in range(len(before)):
        earlier[n], before[n] = halfway[n], after[n]


@inlined
def pieces_of(length_s):
    """Return into how many kept pieces a leg of `length_s` [s] falls."""
    return max(1, math.ceil(length_s / KEPT_S - 1e-9))


@inlined
def parts_of(length_s, plan):
    """Return into how many kept pieces a leg falls, and each into how many steps."""
    pieces = pieces_of(length_s) if length_s > KEPT_S else 1
    piece_s = length_s / pieces
    inner = math.ceil(piece_s / plan.longest_s - 1e-9) if piece_s > plan.longest_s else 1
    return pieces, plan.halves * max(1, inner)


@bare_apart
def points(start_s, end_s):
    """Return how many points the trace of a whole run has."""
    total = 0
    for i in range(start_s.shape[0]):
        total += pieces_of(end_s[i] - start_s[i]) + 1
    return total


@inlined
def begin_leg(plant, limits, leg, i, standing, rows, book, plan, steps):
    """Return the look at a leg's begin; enter what its load brings, jumps past limits included."""
    seen = look(plant, leg, standing)
    margins(limits, plant, rows.y[SOC], rows.y[CORE], seen[:3], rows.before)
    lowest(rows.ledger, leg.start_s, rows.before)
    jumps = jumped(rows.ledger, rows.before)
    if any_of(jumps):
        jump(rows, book, jumps, plan.stops, plant.cell.pairs, leg.start_s, i, steps)
    for limit in range(COUNT):
        rows.earlier[limit] = -math.inf  # nothing is known of how it came to the edge
    return seen


@inlined
def goes_on(rows):
    """Return whether any lane has not ended."""
    return any_of(rows.ledger.goes[0] > 0.0)


@bare_apart
def run(days, tables, columns, start, plan, book, kept, lanes):
    """March all lanes through all legs; fill `book`. Return the most spells that any has begun.

    Records come as plain tuples of their fields, which cross over from Python three times as fast:
    `days`, `plan`, `book`; `tables` = (curves, layers, films, pairs, kind of the box), of one shape
    in all lanes, each of which knows its own set. `columns` (numbers, lanes) as in
    `sim.physics.beside`, `start` (n, lanes). `kept` = (times, states, legs, count) with room for
    `points` of a run alone, or empty. `lanes` has one entry or as many as a register: the code is
    made for it.
    """
    days, plan = borrowed(Days(*days)), borrowed(Plan(*plan))
    book, kept = borrowed(Book(*book)), borrowed(kept)
    ocv, layers, grid, all_pairs, box_kind = borrowed(tables)
    columns, start, like = borrowed(columns), borrowed(start), noughts(lanes)
    pairs = len(all_pairs)
    plant = plant_at(columns, ocv, layers, grid, all_pairs, box_kind, like)
    limits = limits_at(columns, like)
    nodes = nodes_of(plant.cell, plant.box, cells(plant.pack))
    rows = rows_in(room(like, PLACES, A_PAIR, all_pairs), all_pairs)
    begin_at(rows, start, pairs, like)
    book = opened(book, start, days.start_s[0])
    facets = rows.facets
    remember(plant, leg_beside(days, plant.pack, 0, like), facets, rows.y, rows.memory)
    standing, stride = stand_at(plant.cell, facets, rows.y), strided(plant, nodes, 1.0)
    repaced(plant.cell, 1.0, rows.memory)
    steps, end_s, walked_s = 0, days.start_s[0], 0.0
    pieces, inner, count = 1, 1, 1
    for i in range(days.start_s.shape[0]):
        leg = leg_beside(days, plant.pack, i, like)
        keep(kept, leg.start_s, rows.y, rows.sums, i)
        seen = begin_leg(plant, limits, leg, i, standing, rows, book, plan, steps)
        if not goes_on(rows):
            return most_begun(book)
        length_s = leg.end_s - leg.start_s
        if length_s != walked_s:  # a day of equal rows is divided once
            walked_s = length_s
            pieces, inner = parts_of(length_s, plan)
            count = pieces * inner
            stride = strided(plant, nodes, length_s / count)
            repaced(plant.cell, stride.step_s, rows.memory)
        time_s = leg.start_s
        for n in range(1, count + 1):
            end_s = leg.end_s if n == count else leg.start_s + n * stride.step_s
            soc, core_K, middle = advance(
                plant, nodes, stride, leg, time_s, facets, seen,
                rows.memory, rows.y, rows.fresh, rows.new, rows.gains,
            )  # fmt: skip
            steps += 1
            standing = stand_at(plant.cell, facets, rows.new)
            ends = look(plant, leg, standing)
            margins(limits, plant, soc, core_K, middle[:3], rows.halfway)
            margins(limits, plant, rows.new[SOC], rows.new[CORE], ends[:3], rows.after)
            mask = unclear(rows.ledger, rows.earlier, rows.before, rows.halfway, rows.after)
            if any_of(mask):
                pass_limits(
                    plant, limits, leg, time_s, stride.step_s, seen, rows, book, mask,
                    (plan.stops, kept, i, steps),
                )  # fmt: skip
                if not goes_on(rows):
                    return most_begun(book)
            lowest(rows.ledger, end_s, rows.after)
            accept(rows, pairs)
            seen, time_s = ends, end_s
            if n % inner == 0:
                keep(kept, end_s, rows.y, rows.sums, i)
    last = days.start_s.shape[0] - 1
    finish(rows, book, all_pairs, (end_s, last, days.start_s[last], -1, steps))
    return most_begun(book)


@cache
def plan_of(settings: Settings) -> tuple[Any, ...]:
    """Return what the compiled code reads of the settings: the fields of a `Plan`."""
    stops = np.zeros(COUNT, dtype=np.bool_)
    stops[[*STOPS_DRIVE, BEYOND_MODEL] if settings.stop_at_limits else [BEYOND_MODEL]] = True
    return settings.longest_step_s, 2 if settings.halved else 1, stops


def buffer(points_kept: int, size: int) -> tuple[Any, ...]:
    """Return room for a trace of so many points, of states of `size` entries."""
    return (
        np.empty(points_kept),
        np.empty((points_kept, size)),
        np.empty(points_kept, dtype=np.intp),
        np.zeros(1, dtype=np.intp),
    )


NO_POINTS = buffer(0, 0)


def as_lane(value: Floats) -> Floats:
    """Return an array of one entry a leg as one lane's."""
    return value.reshape(-1, 1)


def tables_of(plant: Plant) -> tuple[Any, ...]:
    """Return what `run` takes as tables."""
    cell = plant.cell
    return cell.ocv, cell.layers, plant.film.grid, cell.pairs, plant.box.kind


def entered(inputs: Any, plan: Any, size: int, lanes: Any) -> tuple[Book, tuple[Any, ...]]:
    """Return the book of a `run`, and a trace of so many points."""
    states, room, asked = len(inputs[3]), 0, FIRST_SPELLS
    while asked > room:  # more spells than there was room for: once more, with it
        room, kept = asked, buffer(size, states) if size else NO_POINTS
        book = room_for(len(lanes), room, states)
        asked = run(*inputs, plan, tuple(book), kept, lanes)
    return book, kept


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
    plant = Plant(plant.cell, plant.pack, tabled(plant.film), plant.box)
    days = (
        legs.kind,
        legs.start_s,
        legs.end_s,
        as_lane(legs.value),
        as_lane(legs.ambient_K),
        as_lane(legs.ambient_K_s),
        as_lane(legs.sun_W),
        as_lane(legs.sun_W_s),
    )
    inputs = (
        days,
        tables_of(plant),
        as_lane(np.fromiter(numbers(plant, limits), np.float64)),
        as_lane(start),
    )
    size = points(legs.start_s, legs.end_s) if settings.keep_trace else 0
    book, kept = entered(inputs, plan_of(settings), size, ALONE)
    trace = trace_of(book, 0, kept)
    if progress:
        progress(trace.end_s)
    return trace
