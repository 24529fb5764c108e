"""A fuse by its times: how long it surely holds, when it has surely cleared, and what that uses up.

Common practice, no source: between points of the table time follows current in straight lines of
their logarithms; what a varying current uses up adds up as the shares dt / t(I), and a share is
forgotten after the longest time in the table. Of a constant current this says what the table says.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.sliding import Lines, first_sum, worst_sum

Floats = NDArray[np.float64]
NEAR = 1e-9  # relative; what a current is off by its way through shares and back
ADIABATIC = -2.0  # slope of log t over log I where no heat leaves: I^2 t is constant


class Curve(NamedTuple):
    """Times [s] over the ratio of current to rating; ratios rise, times don't."""

    ratio: Floats
    time_s: Floats
    beyond: float  # slope of log t over log I above the last ratio


def hold_curve(ratio: Floats, hold_s: Floats) -> Curve:
    """Return the curve of times for which the fuse surely holds.

    Above its last ratio it goes on as steep as it ends, and no flatter than at constant I^2 t: the
    shortest time that can be meant.
    """
    return Curve(ratio, hold_s, min(_last_slope(ratio, hold_s), ADIABATIC))


def clear_curve(ratio: Floats, clear_s: Floats) -> Curve:
    """Return the curve of times after which the fuse has surely cleared.

    Above its last ratio it goes on at constant I^2 t, the longest time that can be meant.
    """
    return Curve(ratio, clear_s, ADIABATIC)


def _last_slope(ratio: Floats, time_s: Floats) -> float:
    if len(ratio) < 2:
        return ADIABATIC
    return float(np.log(time_s[-1] / time_s[-2]) / np.log(ratio[-1] / ratio[-2]))


def opens_after_s(curve: Curve, ratio: Floats) -> Floats:
    """Return the time at each ratio of a constant current; infinite below the table."""
    safe = np.maximum(np.abs(ratio), 1e-12)
    inside = np.exp(np.interp(np.log(safe), np.log(curve.ratio), np.log(curve.time_s)))
    above = curve.time_s[-1] * (safe / curve.ratio[-1]) ** curve.beyond
    found = np.where(safe > curve.ratio[-1], above, inside)
    return np.where(safe < curve.ratio[0] * (1.0 - NEAR), np.inf, found)


def used_up(curve: Curve, rating_A: float, current: Lines) -> tuple[float, float | None]:
    """Return the greatest share of the fuse's time that is used up at once, and when it opens [s].

    The instant is the first at which the share reaches 1, None for never.
    """
    middle = 0.5 * (current.begin + current.end)
    first, half, last = (
        1.0 / opens_after_s(curve, at / rating_A) for at in (current.begin, middle, current.end)
    )
    rate = (first + 4.0 * half + last) / 6.0  # Simpson's rule within a stretch
    memory_s = float(curve.time_s[0])
    share, _ = worst_sum(current.edge_s, rate, memory_s)
    return share, first_sum(current.edge_s, rate, memory_s, 1.0)
