"""Thresholds that switch a path off and on again: protection boards, cut-outs, lock-outs.

Each has a level at which it trips, one at which it lets go, a delay, and what it opens. On a
level itself nothing has happened yet.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import bare, bare_apart

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# What a threshold looks at; of one pack, or of all where its pack is -1.
LOWEST_GROUP_V, HIGHEST_GROUP_V, DISCHARGE_A, CHARGE_A, HOTTEST_K, COLDEST_K = range(6)
QUANTITIES = 6
# Bits of what it opens: a pack's paths, its part in charging only, or the drive of all packs.
DISCHARGE_PATH, CHARGE_PATH, CHARGER, DRIVE = 1, 2, 4, 8
MAY_DISCHARGE, MAY_CHARGE, CHARGER_ON, DRIVE_ON = 1, 2, 3, 4  # rows of the packs' flags
# No switch lets go sooner after it opened (assumed): one whose own cut takes away its cause would
# else go on and off without end at one instant.
LEAST_REST_S = 0.1
# The columns of a log of switchings.
WHEN, WHICH, CLOSED, AT_VALUE, IN_USE = range(5)


class Thresholds(NamedTuple):
    """One entry a threshold (k,); `sign` is +1 where it trips above its level, -1 below."""

    pack: Places
    quantity: Places
    sign: Floats
    trip: Floats
    release: Floats
    delay_s: Floats
    hold_off_s: Floats  # it lets go no sooner than this after it tripped
    latches: NDArray[np.bool_]  # never lets go by itself
    opens: Places


class Switches(NamedTuple):
    """What changes of the thresholds, filled in place."""

    beyond_since_s: Floats  # (k,) infinite while within
    tripped_s: Floats  # (k,) infinite while not tripped
    trips: Places  # (k,)
    log: Floats  # (capacity, 5)
    logged: Places  # (1,)


def all_closed(thresholds: Thresholds, capacity: int = 20_000) -> Switches:
    """Return the switches with nothing tripped."""
    k = len(thresholds.trip)
    return Switches(
        np.full(k, np.inf),
        np.full(k, np.inf),
        np.zeros(k, dtype=np.intp),
        np.empty((capacity, 5)),
        np.zeros(1, dtype=np.intp),
    )


@bare
def quantity_of(thresholds, seen, k):
    """Return what threshold `k` looks at; `seen` (P, QUANTITIES), one row a pack."""
    p, q = thresholds.pack[k], thresholds.quantity[k]
    if p >= 0:
        return seen[p, q]
    worst = seen[0, q]
    for other in range(1, seen.shape[0]):
        worst = (
            max(worst, seen[other, q]) if thresholds.sign[k] > 0.0 else min(worst, seen[other, q])
        )
    return worst


@bare_apart
def paths(thresholds, switches, flags):
    """Fill the rows MAY_DISCHARGE to DRIVE_ON of the packs' flags (rows, P)."""
    packs = flags.shape[1]
    for p in range(packs):
        for row in (MAY_DISCHARGE, MAY_CHARGE, CHARGER_ON, DRIVE_ON):
            flags[row, p] = True
    for k in range(thresholds.trip.shape[0]):
        if switches.tripped_s[k] == math.inf:
            continue
        p, opens = thresholds.pack[k], thresholds.opens[k]
        for one in range(packs) if p < 0 else range(p, p + 1):
            if opens & DISCHARGE_PATH:
                flags[MAY_DISCHARGE, one] = False
            if opens & CHARGE_PATH:
                flags[MAY_CHARGE, one] = False
            if opens & CHARGER:
                flags[CHARGER_ON, one] = False
        if opens & DRIVE:  # of all packs, whichever was looked at
            for one in range(packs):
                flags[DRIVE_ON, one] = False


@bare
def crossed_s(level, from_s, was, to_s, now):
    """Return when between two looks a quantity passed `level`, on the straight line."""
    if now == was:
        return to_s
    return from_s + (to_s - from_s) * min(max((level - was) / (now - was), 0.0), 1.0)


@bare_apart
def due_s(thresholds, switches, k, from_s, was, to_s, now):
    """Return when threshold `k` switches, if by `to_s`; infinite if not, as far as is known.

    `was` and `now` are what it looks at, at both ends of a step, or twice the same at an edge.
    """
    sign = thresholds.sign[k]
    if switches.tripped_s[k] == math.inf:
        level = thresholds.trip[k]
        if not sign * (now - level) > 0.0:
            return math.inf
        since_s = switches.beyond_since_s[k]
        if since_s == math.inf:
            beyond = sign * (was - level) > 0.0
            since_s = from_s if beyond else crossed_s(level, from_s, was, to_s, now)
        return since_s + thresholds.delay_s[k]
    level = thresholds.release[k]
    if thresholds.latches[k] or sign * (now - level) > 0.0:
        return math.inf
    back_s = from_s
    if sign * (was - level) > 0.0:
        back_s = crossed_s(level, from_s, was, to_s, now)
    return max(back_s, switches.tripped_s[k] + max(thresholds.hold_off_s[k], LEAST_REST_S))


@bare_apart
def note(thresholds, switches, from_s, before, to_s, seen):
    """Enter since when each threshold is beyond its level; `before`, `seen` (P, QUANTITIES)."""
    for k in range(thresholds.trip.shape[0]):
        was, now = quantity_of(thresholds, before, k), quantity_of(thresholds, seen, k)
        sign, level = thresholds.sign[k], thresholds.trip[k]
        if not sign * (now - level) > 0.0:
            switches.beyond_since_s[k] = math.inf
        elif switches.beyond_since_s[k] == math.inf:
            beyond = sign * (was - level) > 0.0
            switches.beyond_since_s[k] = (
                from_s if beyond else crossed_s(level, from_s, was, to_s, now)
            )


@bare_apart
def next_known_s(thresholds, switches, seen, time_s):
    """Return the next instant after `time_s` at which one switches if nothing else changes."""
    soonest_s = math.inf
    for k in range(thresholds.trip.shape[0]):
        now = quantity_of(thresholds, seen, k)
        then_s = due_s(thresholds, switches, k, time_s, now, time_s, now)
        if time_s < then_s < soonest_s:
            soonest_s = then_s
    return soonest_s


@bare_apart
def switch(thresholds, switches, k, time_s, value, in_use):
    """Trip threshold `k` or let it go, and enter it in the log."""
    closes = switches.tripped_s[k] < math.inf
    if closes:
        switches.tripped_s[k] = math.inf
        switches.beyond_since_s[k] = math.inf
    else:
        switches.tripped_s[k] = time_s
        switches.trips[k] += 1
    row = switches.logged[0]
    switches.logged[0] += 1
    if row < switches.log.shape[0]:
        switches.log[row, WHEN] = time_s
        switches.log[row, WHICH] = k
        switches.log[row, CLOSED] = closes
        switches.log[row, AT_VALUE] = value
        switches.log[row, IN_USE] = in_use
