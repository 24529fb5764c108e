"""The box about the cells: its air, and its wall if that is a node of its own."""

from __future__ import annotations

from typing import NamedTuple

from sim.physics.compiled import inlined

FREE_AIR, AIR_NODE, AIR_AND_WALL = 0, 1, 2


class Box(NamedTuple):
    """Heat capacities [J/K] and conductances [W/K] of the whole enclosure.

    With `AIR_NODE` the box is one lumped node that loses `outside_W_K` to the ambient and takes
    the sun; with `AIR_AND_WALL` air gives `inside_W_K` to the wall, which takes the sun and loses
    `outside_W_K`. In `FREE_AIR` nothing of it is read.
    """

    kind: int
    air_J_K: float
    wall_J_K: float
    inside_W_K: float
    outside_W_K: float
    other_heat_W: float


@inlined
def box_rates(box, from_cells_W, air_K, wall_K, ambient_K, sun_W):
    """Return the heating rates [K/s] of box air and wall, and the heat lost to outside [W]."""
    if box.kind == FREE_AIR:
        return 0.0, 0.0, from_cells_W
    if box.kind == AIR_NODE:
        lost_W = box.outside_W_K * (air_K - ambient_K)
        return (from_cells_W + box.other_heat_W + sun_W - lost_W) / box.air_J_K, 0.0, lost_W
    inward_W = box.inside_W_K * (air_K - wall_K)
    lost_W = box.outside_W_K * (wall_K - ambient_K)
    air_K_s = (from_cells_W + box.other_heat_W - inward_W) / box.air_J_K
    return air_K_s, (inward_W + sun_W - lost_W) / box.wall_J_K, lost_W
