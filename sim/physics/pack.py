"""From one cell to the pack: series, parallel, packs, joints and leads, and what a load asks.

Identical cells share everything alike, so one cell stands for all. Joints carry one cell's
current; leads carry one pack's, which a cell feels as a resistance parallel/series times as big.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.physics.compiled import inlined
from sim.physics.side_by_side import any_of, where

CURRENT, POWER = 0, 1  # what a load holds constant


class Pack(NamedTuple):
    """Counts and resistances; resistances in ohm, joints per cell and leads per pack."""

    series: int
    parallel: int
    packs: int
    joint_ohm: float
    lead_ohm: float


@inlined
def cells(pack):
    """Return the number of cells in all packs."""
    return pack.series * pack.parallel * pack.packs


@inlined
def lead_per_cell_ohm(pack):
    """Return the leads' resistance as one cell feels it [ohm]: R n_parallel / n_series.

    n_s V_cell - (n_p I) R_lead = n_s (V_cell - I R_lead n_p / n_s).
    """
    return pack.lead_ohm * pack.parallel / pack.series


@inlined
def share(pack, kind, value):
    """Return one cell's share of a load of all packs together [A or W]."""
    if kind == CURRENT:
        return value / (pack.parallel * pack.packs)
    return value / cells(pack)


@inlined
def current_for_power_A(source_V, resistance_ohm, power_W):
    """Return the current [A] at which a source behind a resistance gives `power_W`, and its room.

    (E - I R) I = P has two roots; the smaller is the one a load can hold. Written without the
    difference of two near numbers, and good for R = 0: I = 2 P / (E + sqrt(E^2 - 4 R P)).
    Where the root is negative nothing can deliver the power: the current of greatest power,
    E / 2R, is returned, and the room E^2/4R - P [W], negative there, says so. Room is infinite
    where the power is not positive.
    """
    discriminant = source_V * source_V - 4.0 * resistance_ohm * power_W
    beyond = discriminant < 0.0
    root_V = math.sqrt(where(beyond, 0.0, discriminant))
    past_empty = source_V <= 0.0  # with nothing behind the terminals: no current either way
    current_A = 2.0 * power_W / where(past_empty, 1.0, source_V + root_V)
    resists = resistance_ohm > 0.0
    double_ohm = 2.0 * where(resists, resistance_ohm, 1.0)
    room_W = where(resists & (power_W > 0.0), discriminant / (2.0 * double_ohm), math.inf)
    if any_of(beyond | past_empty):
        greatest_A = where(past_empty, 0.0, source_V / double_ohm)
        current_A = where(beyond | past_empty, greatest_A, current_A)
        room_W = where(past_empty, -abs(power_W), room_W)
    return current_A, room_W
