"""The thermal nodes as a chain, core - surface - box air - wall, solved for one implicit step.

With conductances held, C dT/dt = b - K T, and (a C + K) T = a C T0 + b is one implicit step of
length 1/a. The chain makes the matrix tridiagonal, so that elimination from the core outwards is
exact and takes a dozen operations.
"""

from __future__ import annotations

from typing import NamedTuple

from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.compiled import compiled


class Heating(NamedTuple):
    """What is held over a step; heats and the conductance are one cell's."""

    core_W: float
    joint_W: float
    to_air_W_K: float
    cells: float
    sun_W: float
    ambient_K: float


@compiled
def implicit_step(cell, box, heating, a, core_K, surface_K, air_K, wall_K):
    """Return core, surface, box air and wall [K] after an implicit step of length 1/`a` [s]."""
    across = cell.core_to_surface_W_K
    lumped = across == 0.0
    g = heating.to_air_W_K
    if lumped:
        core_a, surface_a = 0.0, a * (cell.core_J_K + cell.surface_J_K)
        core_right, surface_right = 0.0, heating.core_W + heating.joint_W + surface_a * surface_K
        core_diagonal = 1.0
    else:
        core_a, surface_a = a * cell.core_J_K, a * cell.surface_J_K
        core_right = heating.core_W + core_a * core_K
        surface_right = heating.joint_W + surface_a * surface_K
        core_diagonal = core_a + across
    passed_on = across / core_diagonal
    surface_diagonal = surface_a + across + g - across * passed_on
    surface_right += passed_on * core_right

    if box.kind == FREE_AIR:
        new_air_K, new_wall_K = heating.ambient_K, wall_K
    else:
        new_air_K, new_wall_K = _box_step(
            box, heating, a, g / surface_diagonal, surface_right, air_K, wall_K
        )
    new_surface_K = (surface_right + g * new_air_K) / surface_diagonal
    if lumped:
        return new_surface_K, new_surface_K, new_air_K, new_wall_K
    new_core_K = (core_right + across * new_surface_K) / core_diagonal
    return new_core_K, new_surface_K, new_air_K, new_wall_K


@compiled
def _box_step(box, heating, a, passed_on, surface_right, air_K, wall_K):
    """Return box air and wall [K], the cells eliminated; `passed_on` = g / surface diagonal."""
    all_g = heating.cells * heating.to_air_W_K
    air_right = a * box.air_J_K * air_K + box.other_heat_W
    air_right += heating.cells * passed_on * surface_right
    air_diagonal = a * box.air_J_K + all_g * (1.0 - passed_on)
    outside_W = box.outside_W_K * heating.ambient_K
    if box.kind != AIR_AND_WALL:
        return (air_right + heating.sun_W + outside_W) / (air_diagonal + box.outside_W_K), wall_K
    inside = box.inside_W_K
    air_diagonal += inside
    wall_diagonal = a * box.wall_J_K + inside + box.outside_W_K - inside * inside / air_diagonal
    wall_right = a * box.wall_J_K * wall_K + heating.sun_W + outside_W
    new_wall_K = (wall_right + inside / air_diagonal * air_right) / wall_diagonal
    return (air_right + inside * new_wall_K) / air_diagonal, new_wall_K
