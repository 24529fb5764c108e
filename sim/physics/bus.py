"""Packs on one bus: what a load, a controller or a charger makes of them.

Each pack is a source behind a resistance, E - R I. Packs whose board has opened the way in which
current would flow take no part. Discharge current is positive.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import bare
from sim.physics.pack import POWER, current_for_power_A

Floats = NDArray[np.float64]

DRIVE, CHARGE = 0, 1  # what hangs on the bus during a leg


class Ramp(NamedTuple):
    """A current limit [A] over a quantity, held at the ends; between points a line or a step.

    A step holds the lower of its two points' limits in between.
    """

    at: Floats  # (m,) rising; empty for no limit
    limit_A: Floats  # (m,)
    steps: bool = False


class Controller(NamedTuple):
    """What the motor controller lets through, of all packs together."""

    discharge_A: float
    regeneration_A: float
    over_cell_V: Ramp  # the lowest cell voltage
    over_core_K: Ramp  # hottest and coldest core, the stricter of the two


class Charger(NamedTuple):
    """One charger on the bus: constant current, then constant voltage, until the taper."""

    current_A: float
    voltage_V: float
    power_W: float
    taper_A: float
    over_core_K: Ramp  # of each pack, hottest and coldest core; nothing outside its ends


@bare
def ramped_A(ramp, x):
    """Return the limit at `x`; infinite where there is no ramp."""
    last = ramp.at.shape[0] - 1
    if last < 0:
        return math.inf
    if x <= ramp.at[0]:
        return ramp.limit_A[0]
    for i in range(last):
        if x < ramp.at[i + 1] and ramp.steps:
            return min(ramp.limit_A[i], ramp.limit_A[i + 1])
        if x <= ramp.at[i + 1]:
            f = (x - ramp.at[i]) / (ramp.at[i + 1] - ramp.at[i])
            return ramp.limit_A[i] + f * (ramp.limit_A[i + 1] - ramp.limit_A[i])
    return ramp.limit_A[last]


@bare
def ramped_inside_A(ramp, x):
    """Return the limit at `x`, and nothing outside the ramp's ends; infinite without a ramp."""
    last = ramp.at.shape[0] - 1
    if last >= 0 and (x < ramp.at[0] or x > ramp.at[last]):
        return 0.0
    return ramped_A(ramp, x)


@bare
def parallel_source(open_V, path_ohm, count, takes_part):
    """Return E [V] and R [ohm] of the packs that take part; an infinite R where none does."""
    total_S, short_A = 0.0, 0.0
    for p in range(open_V.shape[0]):
        if takes_part[p] and count[p] > 0.0 and path_ohm[p] < math.inf:
            g = count[p] / path_ohm[p]
            total_S += g
            short_A += g * open_V[p]
    if total_S == 0.0:
        return 0.0, math.inf
    return short_A / total_S, 1.0 / total_S


@bare
def asked_A(kind, value, source_V, path_ohm):
    """Return the current of a load [A] on a source, and the room [W] to its greatest power."""
    if path_ohm == math.inf:
        return 0.0, -abs(value) if kind == POWER else math.inf
    if kind != POWER:
        return value, math.inf
    return current_for_power_A(source_V, path_ohm, value)


@bare
def charging_V(charger, source_V, path_ohm, pack_V, pack_ohm, limit_A, takes_part):
    """Return the bus voltage at which the charger holds, never above its own.

    The least of: its voltage; where its current is reached, E + R I; where its power is reached,
    V (V - E) / R = P; and, for each pack, where that pack's own limit is reached, so that the
    total is the smallest of limit over share and never the sum of the limits.
    """
    bus_V = min(charger.voltage_V, source_V + path_ohm * charger.current_A)
    if charger.power_W < math.inf:
        half_V = 0.5 * source_V
        bus_V = min(bus_V, half_V + math.sqrt(half_V * half_V + path_ohm * charger.power_W))
    for p in range(pack_V.shape[0]):
        if takes_part[p] and limit_A[p] < math.inf:
            bus_V = min(bus_V, pack_V[p] + pack_ohm[p] * limit_A[p])
    return bus_V
