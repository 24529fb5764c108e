"""When days have become alike: judged by how things stand as each of them begins.

A day hangs on nothing but its load, its weather and how it begins. Where the changes from morning
to morning shrink by an even ratio r, as those of a heat capacity behind a conductance do, the next
ones add up to r + r^2 + ... = r / (1 - r) of the last (the geometric series).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.limits import COUNT, OVERCHARGE, UNITS

Floats = NDArray[np.float64]

# Two days are alike where they begin alike to 0.1 K, 0.1 % of charge and 1 mV of polarisation
# (assumed: a tenth of what a verdict shows as room, and below what any sensor of a pack tells).
ALIKE_K, ALIKE_SHARE, ALIKE_V = 0.1, 1e-3, 1e-3
ALIKE = np.array([ALIKE_K, ALIKE_SHARE, ALIKE_V])
DAYS_OF_A_YEAR = 366  # a change so often below `ALIKE` stays below it for a year, as it may go on
# A ratio that grows tells that a slower part is coming to light behind a quick one that died away;
# none takes longer than so many days to come near its end (assumed: heat through a thick wall).
GROWS, SLOWEST_DAYS = 1.1, 20
# What turns to and fro adds up to no more than its last step; a charger's end, found to a step of
# the march, leaves 0.001 % of charge that does so for ever.
TO_AND_FRO = 2
NEAR = {"V": 0.01, "K": 0.1, "%": 0.1, "A": 0.1}  # a limit with less room asks for a closer look
CLOSER = 0.1  # of `ALIKE`


class Morning(NamedTuple):
    """How things stand as a day begins: temperatures of cells and airs, charges, polarisation."""

    warm_K: Floats
    charge: Floats  # shares
    pairs_V: Floats
    shut: NDArray[np.bool_]  # which thresholds have tripped


def changes(before: Morning, after: Morning) -> Floats:
    """Return the largest change of temperature, charge and polarisation with its sign (3,).

    Infinite where a threshold has tripped in one of the two only.
    """
    if not np.array_equal(before.shut, after.shut):
        return np.full(3, math.inf)
    return np.array([_largest(new - old) for old, new in zip(before[:3], after[:3], strict=True)])


def _largest(change: Floats) -> float:
    return float(change[np.argmax(np.abs(change))]) if change.size else 0.0


def still_off(steps: Sequence[float]) -> float:
    """Return how far the last morning but one may be off any morning to come.

    `steps` are the changes from morning to morning with their signs, the last one behind, over
    what is alike, as is the result. Infinite where they tell nothing of what comes: fewer than
    two, or one that goes on and on the same way.
    """
    sizes = [abs(step) for step in steps]
    last = sizes[-1]
    if last * DAYS_OF_A_YEAR <= 1.0:
        return last * DAYS_OF_A_YEAR
    if len(sizes) < 2 or not sizes[-2] > 0.0:
        return math.inf
    ratio = last / sizes[-2]
    if len(sizes) > 2 and ratio < 1.0 and last * sizes[-3] <= GROWS * sizes[-2] ** 2:
        return last / (1.0 - ratio)
    if steps[-1] * steps[-2] < 0.0:
        return last * TO_AND_FRO
    return last * SLOWEST_DAYS if ratio < 1.0 else math.inf  # it may be that of a quick part


def alike_from(mornings: Sequence[Morning], *, closer: bool = False) -> int | None:
    """Return from which day on, counted from 1, every day begins alike; None where none does yet.

    `mornings` are of all days that were run, and of the one that would come next. `closer` asks
    for a tenth of what is alike else.
    """
    if len(mornings) < 2:
        return None
    within = ALIKE * (CLOSER if closer else 1.0)
    steps = np.array([changes(a, b) for a, b in itertools.pairwise(mornings)])
    off = np.array([still_off(step.tolist()) for step in (steps / within).T])
    if not np.all(off <= 1.0):
        return None
    # Earlier days may be as near to what comes: the last morning but one is off by `off` itself.
    first = len(mornings) - 1
    for number in range(first - 1, 0, -1):
        apart = np.abs(changes(mornings[number - 1], mornings[len(mornings) - 2]))
        if not np.all(apart / within + off <= 1.0):
            break
        first = number
    return first


def near_a_limit(margin: Floats) -> bool:
    """Return whether the least margins (COUNT,) hold, and one of them by a hair only.

    Over-charge is left out: a charger comes to the full voltage by intent.
    """
    return any(
        limit != OVERCHARGE and 0.0 <= margin[limit] < NEAR.get(UNITS[limit], 0.0)
        for limit in range(COUNT)
    )
