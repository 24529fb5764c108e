"""The exponential decay that polarisation follows, for a number or for lanes alike."""

from __future__ import annotations

import math

from sim.physics.compiled import inlined
from sim.physics.side_by_side import ROUNDER, half_to, least

# ln 2 in two parts, of which the first has so few digits that n times it is exact (Cody and Waite,
# Software Manual for the Elementary Functions, 1980).
LN_2_HIGH, LN_2_LOW = 0.693147180369123816490, 1.90821492927058770002e-10
HALVINGS_PER_UNIT = 1.0 / math.log(2.0)
GONE = 1400.0  # x at which exp(-x) is below all numbers; its root is not
COEFFICIENTS = tuple((-1.0) ** n / math.factorial(n) for n in range(13))


@inlined
def decays(x):
    """Return exp(-x/2) and exp(-x) for x >= 0, to 1e-15 of each.

    exp(-x/2) = 2^-n exp(-r) with |r| below half of ln 2, and a Taylor series of twelve terms.
    """
    half = 0.5 * least(GONE, x)  # in this order, so that no number stays no number
    rounded = half * HALVINGS_PER_UNIT + ROUNDER
    whole = rounded - ROUNDER
    r = (half - whole * LN_2_HIGH) - whole * LN_2_LOW
    c, square = COEFFICIENTS, r * r
    fourth = square * square
    low = (c[0] + r * c[1]) + square * (c[2] + r * c[3])
    middle = (c[4] + r * c[5]) + square * (c[6] + r * c[7])
    high = (c[8] + r * c[9]) + square * (c[10] + r * c[11])
    left = (low + fourth * (middle + fourth * (high + fourth * c[12]))) * half_to(rounded)
    return left, left * left
