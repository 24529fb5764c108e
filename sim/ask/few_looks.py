"""The turn of a knob between a look that passes and one that fails, in as few looks as may be.

A look at packs as built is a march of days, so each one counts: the margin of the limit that gives
is followed through zero by a straight line (regula falsi), and guesses fall just beyond it on
either side in turn, so that two of them close the bracket. What cuts off at its own level, as a
lock-out at the limit that it guards, has no margin beyond: there the line is drawn on from the two
last looks that pass. Where there is no margin at all, or lines do not help, it is halved.
"""

from __future__ import annotations

from collections.abc import Callable

from sim.ask.knobs import Look

BESIDE = 0.4  # of the tolerance, how far beside the line's zero a guess falls
TELLS = 1e-3  # of the margin that passes: a margin beyond must be that large to be a slope
PATIENCE = 2  # guesses in a row that do not halve the bracket


def close_in_few(
    look: Callable[[float], Look], passing: Look, failing: Look, tolerance: float
) -> tuple[Look, Look]:
    """Return the last look that passes and the first that fails, within `tolerance`.

    The verdict decides on which side a value lies, whatever the margins say.
    """
    before: Look | None = None  # passed before `passing` did
    past, slow = True, 0
    while (width := abs(failing.value - passing.value)) > tolerance:
        share = zero_at(before, passing, failing) if slow < PATIENCE else None
        if share is None:
            share = 0.5
        else:
            beside = BESIDE * tolerance / width
            share += beside if past else -beside
            share = min(max(share, min(beside, 0.5)), max(1.0 - beside, 0.5))
        found = look(passing.value + share * (failing.value - passing.value))
        if found.passes:
            before, passing, past = passing, found, True
        else:
            failing, past = found, False
        halved = abs(failing.value - passing.value) <= 0.5 * width
        slow = 0 if halved or slow >= PATIENCE else slow + 1
    return passing, failing


def zero_at(before: Look | None, passing: Look, failing: Look) -> float | None:
    """Return where the margin that fails crosses zero, as a share of the way; None if untold."""
    name = failing.limit
    good, bad = passing.margins.get(name), failing.margins.get(name)
    if good is None or bad is None or not good > 0.0 > bad:
        return None
    if -bad > TELLS * good:
        return good / (good - bad)
    more = None if before is None else before.margins.get(name)
    if before is None or more is None or not more > good:
        return None
    far = (passing.value - before.value) * good / (more - good)
    share = far / (failing.value - passing.value)
    return share if 0.0 < share < 1.0 else None
