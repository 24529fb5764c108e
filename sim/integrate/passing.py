"""What one lane does where a limit is passed or met again: spells entered, or the run ended.

Rare, so in plain numbers, one lane after another. What a lane does here is the same whatever
stands beside it.
"""

from __future__ import annotations

from sim.integrate.book import (
    ROW,
    begin_spell,
    close_lane,
    end_spell,
    levels,
    lowest_alone,
    mark,
)
from sim.integrate.crossing import (
    SCRATCH,
    SCRATCH_A_PAIR,
    copied,
    crossing_s,
    passed_s,
    step_in,
    take_again,
)
from sim.integrate.step import ONE, STATE, SUMS_ROW, Look
from sim.physics.beside import limits_alone, plant_alone
from sim.physics.compiled import inlined, inside
from sim.physics.limits import COUNT
from sim.physics.plant import TOTALS, Leg
from sim.physics.rows import part, room
from sim.physics.side_by_side import lane, lanes_in, never_inlined

LOOKS = ROW + ROW + ROW + ROW
SUMS = len(TOTALS)


@inlined
def alone(values, k, row):
    """Fill `row` with lane `k` of a row as long, and return it."""
    for n in range(len(row)):
        row[n] = lane(values[n], k)
    return row


@inlined
def leg_alone(leg, k):
    """Return a leg as lane `k` has it."""
    return Leg(
        leg.start_s,
        leg.end_s,
        leg.kind,
        lane(leg.value, k),
        lane(leg.ambient_K, k),
        lane(leg.ambient_K_s, k),
        lane(leg.sun_W, k),
        lane(leg.sun_W_s, k),
    )


@inlined
def look_alone(seen, k):
    """Return what lane `k` sees."""
    return Look(
        lane(seen.current_A, k),
        lane(seen.cell_V, k),
        lane(seen.room_W, k),
        lane(seen.ohmic_ohm, k),
        lane(seen.open_V, k),
        lane(seen.slope_V_K, k),
    )


@inlined
def end_lane(rows, book, k, y, sums, end):
    """Enter that lane `k` ends here, in state `y` with `sums`.

    `end` = when, in which leg, when that begins, the limit that ends it or -1, steps so far.
    """
    for n in range(len(y)):
        book.states[k, 1, n] = y[n]
    for n in range(SUMS):
        book.states[k, 1, len(y) + n] = sums[n]
    close_lane(rows.ledger, book, k, end)


@inlined
def end_alone(rows, book, pairs, k, end):
    """Enter that lane `k` ends at the begin of a step, or with the last."""
    whole = room(0.0, STATE + SUMS_ROW, ONE, pairs)
    y = alone(rows.y, k, part(whole, len(SUMS_ROW), STATE, ONE, pairs))
    sums = alone(rows.sums, k, part(whole, 0, SUMS_ROW, (), ()))
    end_lane(rows, book, k, y, sums, end)


@inside
def finish(rows, book, pairs, end):
    """Enter the end of all lanes that saw it."""
    never_inlined()
    for k in range(lanes_in(rows.ledger.goes[0])):
        if lane(rows.ledger.goes[0], k) > 0.0:
            end_alone(rows, book, pairs, k, end)


@inside
def jump(rows, book, where_jumped, stops, pairs, time_s, i, steps):
    """Enter spells that begin or end at an edge of the load, and end lanes that are past a stop."""
    never_inlined()
    margin = room(0.0, ROW, (), ())
    for k in range(lanes_in(rows.ledger.goes[0])):
        if not lane(where_jumped, k):
            continue
        alone(rows.before, k, margin)
        levels(book, k, time_s, margin)
        mark(rows.ledger, book, k)
        which = first_beyond(stops, margin)
        if which >= 0:
            end_alone(rows, book, pairs, k, (time_s, i, time_s, which, steps))


@inlined
def first_beyond(stops, margin):
    """Return the first limit that ends a run and is passed, -1 for none."""
    for limit in range(COUNT):
        if stops[limit] and margin[limit] < 0.0:
            return limit
    return -1


@inside
def pass_limits(plant, limits, leg, time_s, length_s, seen, rows, book, unclear, ends):
    """Settle what the lanes in `unclear` pass within a step from `time_s`.

    `ends` = which limits end the run (COUNT,), where points are kept, the leg, the steps so far.
    """
    never_inlined()
    whole, four = room(0.0, SCRATCH, SCRATCH_A_PAIR, plant.cell.pairs), room(0.0, LOOKS, (), ())
    for k in range(lanes_in(rows.ledger.goes[0])):
        if not lane(unclear, k):
            continue
        one, own = plant_alone(plant, k), limits_alone(limits, k)
        step = step_in(whole, one, own, leg_alone(leg, k), time_s, look_alone(seen, k))
        alone(rows.y, k, step.y)
        alone(rows.memory, k, step.memory)
        looks = (
            alone(rows.earlier, k, part(four, 0, ROW, (), ())),
            alone(rows.before, k, part(four, len(ROW), ROW, (), ())),
            alone(rows.halfway, k, part(four, 2 * len(ROW), ROW, (), ())),
            alone(rows.after, k, part(four, 3 * len(ROW), ROW, (), ())),
        )
        which, stop_s = first_stop(step, ends[0], length_s, looks)
        if which >= 0:
            cut(step, rows, book, k, which, stop_s, looks, ends)
        else:
            settle(step, book, k, length_s, looks)
            mark(rows.ledger, book, k)


@inside
def first_stop(step, stops, length_s, looks):
    """Return the first limit that ends the run within the step, -1 for none, and when."""
    which, first_s = -1, length_s
    for limit in range(COUNT):
        if stops[limit] and looks[1][limit] >= 0.0:
            into_s, _ = passed_s(step, limit, length_s, looks)
            if into_s >= 0.0 and (which < 0 or into_s < first_s):
                which, first_s = limit, into_s
    return which, first_s


@inside
def settle(step, book, k, length_s, looks):
    """Enter the exact instants at which limits are passed or met again within the step."""
    never_inlined()
    time_s = step.time_s
    for limit in range(COUNT):
        low, high = looks[1][limit], looks[3][limit]
        if low >= 0.0:
            into_s, back_s = passed_s(step, limit, length_s, looks)
            if into_s >= 0.0:
                begin_spell(book, k, limit, time_s + into_s, 0.0)
            if back_s >= 0.0:
                end_spell(book, k, limit, time_s + back_s)
        elif high >= 0.0:
            end_spell(book, k, limit, time_s + crossing_s(step, limit, 0.0, low, length_s, high))


@inside
def cut(step, rows, book, k, which, stop_s, looks, ends):
    """End lane `k` inside a step, at the instant a limit is passed."""
    never_inlined()
    pairs, end_s = step.plant.cell.pairs, step.time_s + stop_s
    _, kept, i, steps = ends
    end = end_s, i, step.leg.start_s, which, steps
    if stop_s > 0.0:
        whole = room(0.0, ROW + ROW + SUMS_ROW + STATE, ONE, pairs)
        halfway, after = part(whole, 0, ROW, (), ()), part(whole, len(ROW), ROW, (), ())
        sums = alone(rows.sums, k, part(whole, 2 * len(ROW), SUMS_ROW, (), ()))
        y = part(whole, 2 * len(ROW) + len(SUMS_ROW), STATE, ONE, pairs)
        take_again(step, stop_s)
        copied(step.new, y)
        copied(step.halfway, halfway)
        copied(step.after, after)
        for n in range(SUMS):
            sums[n] += step.gains[n]
        after[which] = 0.0  # to rounding; its sign at its own crossing means nothing
        settle(step, book, k, stop_s, (looks[0], looks[1], halfway, after))
        end_lane(rows, book, k, y, sums, end)
        lowest_alone(book, k, end_s, after)
        keep(kept, end_s, y, sums, i)
    else:
        end_alone(rows, book, pairs, k, end)
    begin_spell(book, k, which, end_s, 0.0)


@inlined
def keep(kept, time_s, y, sums, leg):
    """Add a point to the trace, where there is one."""
    times, states, legs, count = kept
    if times.shape[0] == 0:
        return
    place, own = count[0], states.shape[1] - SUMS
    times[place], legs[place] = time_s, leg
    for n in range(own):
        states[place, n] = lane(y[n], 0)
    for n in range(SUMS):
        states[place, own + n] = lane(sums[n], 0)
    count[0] += 1
