"""The loop of the march of a pack as built: edges, steps, switchings, and limits that end it."""

from __future__ import annotations

import math

from sim.integrate.built_flow import Hung, flow
from sim.integrate.built_heat import Weather, drifted
from sim.integrate.built_keep import keep
from sim.integrate.built_look import (
    AFTER,
    BEFORE,
    ROW,
    changed,
    crossing_s,
    enter_extremes,
    levels,
    margins,
    negative,
    settle,
)
from sim.integrate.built_records import (
    AGAIN,
    AT_ONCE,
    BEFORE_J,
    DONE_S,
    EDGE,
    FLOWS_S,
    FRESH_LEG,
    IS_CHARGING,
    IS_CUT,
    KEPT_LAST_S,
    LEG_AT,
    MOST_S,
    OPENS_S,
    PURPOSE,
    STEP,
    STEP_S,
    STEPS,
    TIME_S,
    WHEN_S,
    WHICH_LIMIT,
    WINDOW,
)  # fmt: skip
from sim.integrate.built_seen import feel, see
from sim.integrate.built_step import advance
from sim.integrate.built_work import PACK_A
from sim.integrate.trace import KEPT_S
from sim.physics.abreast import WIDE, at, eights, first_bit, put_at
from sim.physics.board import (
    CHARGE_PATH,
    CHARGER,
    DISCHARGE_PATH,
    DRIVE,
    due_s,
    next_known_s,
    note,
    paths,
    quantity_of,
    switch,
)  # fmt: skip
from sim.physics.box import FREE_AIR
from sim.physics.built import CHARGED
from sim.physics.bus import CHARGE
from sim.physics.compiled import bare_apart, inlined

INSTANT_S = 1e-9
CLOSE_S = 1e-6  # to which an instant within a step is found
HAIR = 1e-10  # V, K, A, W or %: past a limit by so much a step is cut
MOST_CUTS = 60  # of one step
MOST_AT_ONCE = 16  # looks at one instant after which nothing lets go any more


@inlined
def look(built, work, limits, hung, charging, state, desk, felt):
    """Solve all currents for the state as it is; fill margins and what boards see.

    A state that is `felt` was looked at before: only what hangs on the bus may be another. Returns
    the `Bus`, and whether it is felt now.
    """
    if not felt:
        feel(built, work, state)
    bus, felt = flow(built, work, state, hung, charging, True, felt)
    see(built, work)
    margins(limits, built, work, bus, state, desk)
    return bus, felt


@inlined
def _in_use(thresholds, work, charging, k):
    """Return whether current flows the way that threshold `k` opens, or shuts off at its source."""
    out, into = thresholds.opens[k] & DISCHARGE_PATH, thresholds.opens[k] & CHARGE_PATH
    if charging:
        into = into or thresholds.opens[k] & CHARGER
    else:
        out = out or thresholds.opens[k] & DRIVE
    for p in range(work.packs.shape[1]):
        if thresholds.pack[k] < 0 or thresholds.pack[k] == p:
            pack_A = work.packs[PACK_A, p]
            if out and pack_A > 0.0:
                return True
            if into and pack_A < 0.0:
                return True
    return False


@bare_apart
def switch_due(thresholds, switches, work, time_s, may_close, charging=False):
    """Switch all that is due by `time_s`, as things stand there; return whether any was.

    Without `may_close` nothing lets go, so that a board without delay, rest or second level comes
    to an end at each instant, open.
    """
    any_switched = False
    for k in range(thresholds.trip.shape[0]):
        if not may_close and switches.tripped_s[k] < math.inf:
            continue
        value = quantity_of(thresholds, work.seen, k)
        if due_s(thresholds, switches, k, time_s, value, time_s, value) <= time_s + INSTANT_S:
            switch(thresholds, switches, k, time_s, value, _in_use(thresholds, work, charging, k))
            any_switched = True
    if any_switched:
        paths(thresholds, switches, work.flags)
    return any_switched


@inlined
def copy_state(source, target):
    """Copy one state into another, the time series of sums and all."""
    for row in range(source.cells.shape[0]):
        for c in range(0, source.cells.shape[1], WIDE):
            put_at(target.cells, row, c, at(source.cells, row, c))
    for k in range(source.airs_K.shape[0]):
        target.airs_K[k] = source.airs_K[k]
    for p in range(source.sums.shape[0]):
        for k in range(source.sums.shape[1]):
            target.sums[p, k] = source.sums[p, k]
    for k in range(source.box_sums.shape[0]):
        target.box_sums[k] = source.box_sums[k]


@inlined
def _first_stop(stops, desk, time_s, step_s):
    """Return when in the step just taken a limit is passed, and which where that ends the run."""
    first_s, which = time_s + step_s, -1
    bits = changed(desk) & negative(desk)
    while bits:
        limit = first_bit(bits)
        bits &= bits - 1
        # A hair behind it: rounding would leave a margin that creeps just short of it for ever.
        before = desk.margin[BEFORE, limit] + HAIR
        at_s = crossing_s(before, desk.margin[AFTER, limit], time_s, step_s)
        if at_s < first_s or (at_s <= first_s and stops[limit]):
            first_s, which = at_s, limit if stops[limit] else -1
    return first_s, which


@bare_apart
def first_switch_s(thresholds, switches, seen_before, seen, time_s, end_s, not_yet):
    """Return when in the step just taken something switches; infinite if nothing does.

    With `not_yet` what was due at its begin has had its turn, and waits for the end.
    """
    first_s = math.inf
    for k in range(thresholds.trip.shape[0]):
        was, now = quantity_of(thresholds, seen_before, k), quantity_of(thresholds, seen, k)
        then_s = due_s(thresholds, switches, k, time_s, was, end_s, now)
        if then_s > time_s or not not_yet:
            first_s = min(first_s, then_s)
    return first_s


@inlined
def _stopped(stops, desk):
    """Return the first limit that ends the run and is passed already, -1 for none."""
    bits = negative(desk)
    while bits:
        limit = first_bit(bits)
        bits &= bits - 1
        if stops[limit]:
            return limit
    return -1


@inlined
def _taken_over(thresholds, desk, work):
    """What is seen now is what was seen before the next step."""
    before, after = eights(desk.margin, BEFORE, ROW), eights(desk.margin, AFTER, ROW)
    for n in range(len(after)):
        before[n] = after[n]
    if thresholds.trip.shape[0] > 0:
        for p in range(work.seen.shape[0]):
            for q in range(work.seen.shape[1]):
                desk.seen[p, q] = work.seen[p, q]


@inlined
def _open_window(past, state, w, time_s):
    if w >= 0 and math.isnan(past.windows[w, OPENS_S]):
        past.windows[w, OPENS_S] = time_s
        past.windows[w, BEFORE_J] = state.box_sums[CHARGED]


@inlined
def _step_length_s(thresholds, switches, work, time_s, left_s, longest_s):
    """Return how far the next step goes: an even part of what is left, or to a switching."""
    step_s = left_s
    if left_s > longest_s:
        step_s = left_s / math.ceil(left_s / longest_s - 1e-9)
    if thresholds.trip.shape[0] > 0:
        known_s = next_known_s(thresholds, switches, work.seen, time_s)
        step_s = min(step_s, max(known_s - time_s, INSTANT_S))
    return step_s


@inlined
def _tapered(charger, bus):
    """Return whether a charger at its voltage has come down to its taper."""
    at_voltage = bus.voltage_V >= charger.voltage_V * (1.0 - 1e-9)
    return at_voltage and -bus.current_A <= charger.taper_A


@inlined
def _enter_leg(built, legs, day, state, past, turn, i, time_s):
    """Take up a leg: its charging window, and in free air its air."""
    w = day.window[i]
    turn[WINDOW] = w
    turn[IS_CHARGING] = day.mode[i] == CHARGE and not past.charged[w]
    if built.box.kind == FREE_AIR:
        state.airs_K[built.pack.shape[1]] = legs.ambient_K[i]
    _open_window(past, state, w, time_s)


@inlined
def _weather(legs, i, since_s):
    """Return the `Weather` of `since_s` after the begin of a leg."""
    begin = Weather(legs.ambient_K[i], legs.sun_W[i], legs.ambient_K_s[i], legs.sun_W_s[i])
    return drifted(begin, since_s)


@inlined
def _must_cut(thresholds, switches, work, desk, past, stops):
    """Return whether the step just taken has to end sooner, at a switching or a limit.

    If so, its length is set; if not, the limit where one ends the run. What is looked for lies on
    a straight line between the ends of the step, so that a bent one takes a few cuts.
    """
    pace, turn = desk.pace, desk.turn
    time_s, step_s = pace[TIME_S], pace[STEP_S]
    stop_s, which = _first_stop(stops, desk, time_s, step_s)
    if thresholds.trip.shape[0] > 0:
        switch_s = first_switch_s(
            thresholds, switches, desk.seen, work.seen, time_s, time_s + step_s,
            turn[AT_ONCE] >= MOST_AT_ONCE,
        )  # fmt: skip
        if switch_s < stop_s:
            stop_s, which = switch_s, -1
    close_s = CLOSE_S if turn[IS_CUT] or pace[MOST_S] < math.inf else INSTANT_S
    if stop_s < time_s + step_s - close_s and turn[IS_CUT] < MOST_CUTS:
        pace[STEP_S] = max(stop_s - time_s, INSTANT_S)
        return True
    if which >= 0:
        past.last[WHICH_LIMIT] = which
    return False


@inlined
def _end_step(thresholds, switches, work, book, desk, past, bus):
    """Enter what the step brought, and move on to its end."""
    pace, turn = desk.pace, desk.turn
    time_s, end_s, w = pace[TIME_S], pace[TIME_S] + pace[STEP_S], turn[WINDOW]
    settle(book, time_s, pace[STEP_S], desk)
    if thresholds.trip.shape[0] > 0:
        note(thresholds, switches, time_s, desk.seen, end_s, work.seen)
    if w >= 0 and bus.current_A < 0.0 and math.isnan(past.windows[w, FLOWS_S]):
        past.windows[w, FLOWS_S] = time_s
    # A step that was cut may have found nothing, where a quantity dips before it crosses: there the
    # straight line is wrong at any length, and steps must grow again to come to where it is right.
    wary = turn[IS_CUT] > 0 or pace[MOST_S] < math.inf
    pace[MOST_S] = 2.0 * pace[STEP_S] if wary else math.inf
    pace[TIME_S] = end_s
    turn[IS_CUT] = 0


@inlined
def _go_on(thresholds, switches, work, legs, day, desk, past, bus, longest_s):
    """Choose what the next look is for; return whether it is the end of a step to be taken."""
    pace, turn = desk.pace, desk.turn
    purpose, time_s = turn[PURPOSE], pace[TIME_S]
    turn[AT_ONCE] = turn[AT_ONCE] + 1 if purpose == EDGE else 0
    turn[FRESH_LEG] = 0
    if purpose == STEP and turn[IS_CHARGING] and _tapered(day.charger, bus):
        w = turn[WINDOW]
        past.charged[w], past.windows[w, DONE_S] = True, time_s
        turn[IS_CHARGING], turn[PURPOSE] = 0, EDGE
        pace[MOST_S] = math.inf
        return False
    may_switch = thresholds.trip.shape[0] > 0 and purpose != AGAIN
    may_close = turn[AT_ONCE] < MOST_AT_ONCE
    # What is shut from the begin of a window on breaks no charge.
    flown = turn[IS_CHARGING] > 0 and not math.isnan(past.windows[turn[WINDOW], FLOWS_S])
    if may_switch and switch_due(thresholds, switches, work, time_s, may_close, flown):
        turn[PURPOSE], pace[MOST_S] = EDGE, math.inf
        return False
    end_s = legs.end_s[turn[LEG_AT]]
    if time_s >= end_s - INSTANT_S:
        turn[LEG_AT] += 1
        turn[PURPOSE], turn[FRESH_LEG], turn[AT_ONCE] = EDGE, 1, 0
        pace[MOST_S] = math.inf
        return False
    if purpose != AGAIN:
        if pace[MOST_S] >= longest_s:
            pace[MOST_S] = math.inf
        most_s = min(longest_s, pace[MOST_S])
        pace[STEP_S] = _step_length_s(thresholds, switches, work, time_s, end_s - time_s, most_s)
    turn[PURPOSE] = STEP
    return True


@inlined
def _ends(stops, desk, past):
    """Return whether a limit ends the run here, and say which."""
    purpose = desk.turn[PURPOSE]
    if purpose == STEP:
        return past.last[WHICH_LIMIT] >= 0.0
    beyond = _stopped(stops, desk) if purpose == EDGE else -1
    if beyond >= 0:
        past.last[WHICH_LIMIT] = beyond
    return beyond >= 0


@bare_apart
def run(
    built, thresholds, switches, limits, legs, day, last, state, saved, work, book, past, desk,
    stops, longest_s,
):  # fmt: skip
    """March from the leg that `desk` stands at to `last` - 1; return whether heat settled.

    Each round looks once: at an edge (of a leg, or where something switched), at the end of a
    step, or anew at the begin of a step that has to be cut short.
    """
    settled, felt = True, False
    pace, turn = desk.pace, desk.turn
    while turn[LEG_AT] < last:
        i = turn[LEG_AT]
        hung = Hung(day.mode[i], legs.kind, legs.value[i], day.controller, day.charger)
        if turn[FRESH_LEG]:
            _enter_leg(built, legs, day, state, past, turn, i, pace[TIME_S])
        charging = turn[IS_CHARGING] > 0
        if turn[PURPOSE] == STEP:
            middle_s = pace[TIME_S] + 0.5 * pace[STEP_S] - legs.start_s[i]
            weather = _weather(legs, i, middle_s)
            _, good = advance(built, work, hung, charging, state, pace[STEP_S], weather)
            settled, felt = settled and good, False
            past.last[STEPS] += 1.0
        bus, felt = look(built, work, limits, hung, charging, state, desk, felt)
        if turn[PURPOSE] == STEP:
            if _must_cut(thresholds, switches, work, desk, past, stops):
                copy_state(saved, state)  # once more, to there only
                turn[PURPOSE], turn[IS_CUT], felt = AGAIN, turn[IS_CUT] + 1, False
                continue
            _end_step(thresholds, switches, work, book, desk, past, bus)
        elif turn[PURPOSE] == EDGE:
            levels(book, pace[TIME_S], desk)
            if thresholds.trip.shape[0] > 0:
                note(thresholds, switches, pace[TIME_S], work.seen, pace[TIME_S], work.seen)
        if turn[PURPOSE] != AGAIN:
            enter_extremes(book.extremes, work, state)
        _taken_over(thresholds, desk, work)
        over = pace[TIME_S] >= legs.end_s[i] - INSTANT_S
        ended = _ends(stops, desk, past)
        late = pace[TIME_S] - pace[KEPT_LAST_S] >= KEPT_S - INSTANT_S
        wanted = past.kept.shape[0] > 0 and turn[PURPOSE] != AGAIN
        closes = over and turn[PURPOSE] == STEP  # once a leg, however often a board switches there
        if wanted and (turn[FRESH_LEG] or closes or ended or late):
            keep(past, built, work, state, bus, pace[TIME_S], i, legs, charging)
            pace[KEPT_LAST_S] = pace[TIME_S]
        past.last[WHEN_S] = pace[TIME_S]
        if ended:
            break
        if _go_on(thresholds, switches, work, legs, day, desk, past, bus, longest_s):
            copy_state(state, saved)
    return settled
