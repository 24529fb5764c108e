"""The thermal nodes as a chain, core - surface - box air - wall, solved for one implicit step.

With conductances held, C dT/dt = b - K T, and (a C + K) T = a C T0 + b is one implicit step of
length 1/a. The chain makes the matrix tridiagonal, so that elimination from the core outwards is
exact and takes a dozen operations.
"""

from __future__ import annotations

from typing import NamedTuple

from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.compiled import bare


class Heating(NamedTuple):
    """What is held over a step; heats and the conductance are one cell's."""

    core_W: float
    joint_W: float
    to_air_W_K: float
    cells: float
    sun_W: float
    ambient_K: float


@bare
def implicit_step(cell, box, heating, a, core_K, surface_K, air_K, wall_K):
    """Return core, surface, box air and wall [K] after an implicit step of length 1/`a` [s].

    Solved for the changes, whose right-hand sides are net heats: at equilibrium they are exactly
    nothing, so that a pack at rest does not creep by rounding.
    """
    across, g = cell.core_to_surface_W_K, heating.to_air_W_K
    in_free_air = box.kind == FREE_AIR
    near_K = heating.ambient_K if in_free_air else air_K
    to_air_W = g * (surface_K - near_K)
    if across == 0.0:  # one lumped node: the surface carries both, the core follows it
        core_diagonal, core_W = 1.0, 0.0
        surface_a = a * (cell.core_J_K + cell.surface_J_K)
        surface_W = heating.core_W + heating.joint_W - to_air_W
    else:
        core_diagonal = a * cell.core_J_K + across
        core_W = heating.core_W - across * (core_K - surface_K)
        surface_a = a * cell.surface_J_K
        surface_W = heating.joint_W + across * (core_K - surface_K) - to_air_W
    passed_on = across / core_diagonal
    surface_diagonal = surface_a + across + g - across * passed_on
    surface_W += passed_on * core_W

    air_change_K, wall_change_K = 0.0, 0.0
    if not in_free_air:
        air_change_K, wall_change_K = _box_change(
            box, heating, a, g / surface_diagonal, surface_W, to_air_W, air_K, wall_K
        )
    surface_change_K = (surface_W + g * air_change_K) / surface_diagonal
    core_change_K = (core_W + across * surface_change_K) / core_diagonal
    new_surface_K = surface_K + surface_change_K
    new_core_K = new_surface_K if across == 0.0 else core_K + core_change_K
    return new_core_K, new_surface_K, near_K + air_change_K, wall_K + wall_change_K


@bare
def _box_change(box, heating, a, passed_on, surface_W, to_air_W, air_K, wall_K):
    """Return the changes of box air and wall [K], the cells eliminated.

    `passed_on` = the share of a cell's net heat `surface_W` that reaches the air in the step.
    """
    n = heating.cells
    air_W = n * (to_air_W + passed_on * surface_W) + box.other_heat_W
    air_diagonal = a * box.air_J_K + n * heating.to_air_W_K * (1.0 - passed_on)
    if box.kind != AIR_AND_WALL:
        air_W += heating.sun_W - box.outside_W_K * (air_K - heating.ambient_K)
        return air_W / (air_diagonal + box.outside_W_K), 0.0
    inward_W = box.inside_W_K * (air_K - wall_K)
    air_diagonal += box.inside_W_K
    air_W -= inward_W
    wall_W = inward_W + heating.sun_W - box.outside_W_K * (wall_K - heating.ambient_K)
    handed_on = box.inside_W_K / air_diagonal
    wall_diagonal = a * box.wall_J_K + box.outside_W_K + box.inside_W_K * (1.0 - handed_on)
    wall_change_K = (wall_W + handed_on * air_W) / wall_diagonal
    return (air_W + box.inside_W_K * wall_change_K) / air_diagonal, wall_change_K
