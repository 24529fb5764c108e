"""When inside a step a limit is passed: each look is the step taken again at another length.

Written here since compiled code can't call a library's root-finder.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from sim.integrate.book import ROW
from sim.integrate.facets import A_PAIR as A_FACET
from sim.integrate.facets import PLACES, no_facets
from sim.integrate.step import (
    A_MEMORY,
    A_PAIR,
    ONE,
    STATE,
    SUMS_ROW,
    Look,
    advance,
    look,
    repaced,
    stand_at,
    strided,
)
from sim.physics.compiled import inlined, inside
from sim.physics.limits import Limits, margins
from sim.physics.nodes import nodes_of
from sim.physics.pack import cells
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE, SOC, Leg, Plant
from sim.physics.rows import part, room
from sim.physics.side_by_side import never_inlined

INSTANT_S = 1e-9  # to which a crossing is found
GOLDEN = 0.5 * (math.sqrt(5.0) - 1.0)


class Step(NamedTuple):
    """Where one lane's step begins, and scratch to take it again at other lengths; rows all."""

    plant: Plant
    limits: Limits
    leg: Leg
    time_s: float
    seen: Look
    y: Any  # without its sums
    memory: Any
    again: Any  # the memory, with decays of another length
    fresh: Any
    new: Any  # the state after the last look, its sums' growth, and the margins there
    gains: Any
    halfway: Any
    after: Any


SCRATCH = STATE + STATE + ONE + ONE + ONE + SUMS_ROW + ROW + ROW
SCRATCH_A_PAIR = ONE + ONE + A_MEMORY + A_MEMORY + A_MEMORY


@inlined
def step_in(whole, plant, limits, leg, time_s, seen):
    """Return a step in a room of `SCRATCH`, but for its state and its memory."""
    pairs = plant.cell.pairs
    k = len(pairs)
    state, memory = FIRST_OVERVOLTAGE + k, 1 + A_PAIR * k
    at_memory = 2 * state
    at_gains = at_memory + 3 * memory
    at_margins = at_gains + len(SUMS_ROW)
    return Step(
        plant,
        limits,
        leg,
        time_s,
        seen,
        part(whole, 0, STATE, ONE, pairs),
        part(whole, at_memory, ONE, A_MEMORY, pairs),
        part(whole, at_memory + memory, ONE, A_MEMORY, pairs),
        part(whole, at_memory + 2 * memory, ONE, A_MEMORY, pairs),
        part(whole, state, STATE, ONE, pairs),
        part(whole, at_gains, SUMS_ROW, (), ()),
        part(whole, at_margins, ROW, (), ()),
        part(whole, at_margins + len(ROW), ROW, (), ()),
    )


@inlined
def copied(values, row):
    """Fill `row` with `values`."""
    for n in range(len(row)):
        row[n] = values[n]


@inside
def take_again(step, length_s):
    """Take the step once more over `length_s` [s] above 0, into its `new` and what follows it."""
    never_inlined()
    plant, limits = step.plant, step.limits
    nodes = nodes_of(plant.cell, plant.box, cells(plant.pack))
    copied(step.memory, step.again)
    repaced(plant.cell, length_s, step.again)
    facets = no_facets(room(0.0, PLACES, A_FACET, plant.cell.pairs), 0, plant.cell.pairs)
    soc, core_K, middle = advance(
        plant, nodes, strided(plant, nodes, length_s), step.leg, step.time_s, facets, step.seen,
        step.again, step.y, step.fresh, step.new, step.gains,
    )  # fmt: skip
    margins(limits, plant, soc, core_K, middle[:3], step.halfway)
    seen = look(plant, step.leg, stand_at(plant.cell, facets, step.new))
    margins(limits, plant, step.new[SOC], step.new[CORE], seen[:3], step.after)


@inside
def margin_after(step, length_s, limit):
    """Return one margin after a step of `length_s` [s]."""
    if length_s > 0.0:
        take_again(step, length_s)
        return step.after[limit]
    y = step.y
    margins(step.limits, step.plant, y[SOC], y[CORE], step.seen[:3], step.after)
    return step.after[limit]


@inside
def crossing_s(step, limit, low_s, low, high_s, high):
    """Return how long after the step's begin a margin changes sign between `low_s` and `high_s`.

    Regula falsi, Illinois form (Dowell and Jarratt, BIT 11 (1971) 168); each look is a step of
    that length from the same state. Written here since compiled code can't call a library.
    """
    never_inlined()
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


@inside
def bottom(step, limit, from_s, to_s):
    """Return where between two lengths of the step a margin is least [s], and the least margin.

    Golden section; it may stop below zero, since then both crossings are bracketed.
    """
    never_inlined()
    a, b = from_s, to_s
    c, d = b - GOLDEN * (b - a), a + GOLDEN * (b - a)
    at_c, at_d = margin_after(step, c, limit), margin_after(step, d, limit)
    while min(at_c, at_d) >= 0.0 and b - a > 1e-6 * (to_s - from_s):
        if at_c < at_d:
            b, d, at_d = d, c, at_c
            c = b - GOLDEN * (b - a)
            at_c = margin_after(step, c, limit)
        else:
            a, c, at_c = c, d, at_d
            d = a + GOLDEN * (b - a)
            at_d = margin_after(step, d, limit)
    return (c, at_c) if at_c < at_d else (d, at_d)


@inlined
def may_dip(fall, enters, leaves):
    """Return whether a margin may reach below zero between two looks and come back.

    It can't if, falling on as steeply as in the stretch before or as it changes here, it stays
    above. Limits that don't apply are infinite and can't.
    """
    return min(enters, leaves) < max(fall, abs(leaves - enters))


@inside
def passed_s(step, limit, length_s, looks):
    """Return when in the step a limit is passed, and when it is met again; -1 for never.

    `looks` = the margins (COUNT,) half a step before, at begin, middle and end; at the begin this
    one is not negative. Each half in which it may dip is searched for its bottom.
    """
    earlier, before = looks[0][limit], looks[1][limit]
    halfway, after = looks[2][limit], looks[3][limit]
    if math.inf in (before, halfway, after):  # a limit that does not apply
        return -1.0, -1.0
    if after < 0.0:
        return crossing_s(step, limit, 0.0, before, length_s, after), -1.0
    half_s = 0.5 * length_s
    at_s, least = 0.0, before
    if may_dip(earlier - before, before, halfway):
        at_s, least = bottom(step, limit, 0.0, half_s)
    if least >= 0.0 and may_dip(before - halfway, halfway, after):
        at_s, least = bottom(step, limit, half_s, length_s)
    if least >= 0.0:
        return -1.0, -1.0
    return (
        crossing_s(step, limit, 0.0, before, at_s, least),
        crossing_s(step, limit, at_s, least, length_s, after),
    )
