"""The thermal nodes as a chain, core - surface - box air - wall, stepped implicitly.

With conductances held, C dT/dt = q - K T, and (a C + K) dT = q - K T0 gives the change over one
implicit step of length 1/a. The chain makes the matrix tridiagonal: elimination from the core
outwards is exact, and what it divides by hangs on the step's length and the film only, so that it
is done once a step and both stages of the rule are multiplications.
"""

from __future__ import annotations

from typing import NamedTuple

from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.compiled import inlined
from sim.physics.side_by_side import where


class Nodes(NamedTuple):
    """Heat capacities and conductances of the chain. Heats are one cell's up to the box air.

    Where core and surface are one lumped node (`lumped`) the surface carries both, and the core's
    place is taken by a node that nothing is connected to.
    """

    core_J_K: float
    surface_J_K: float
    air_J_K: float
    wall_J_K: float
    across_W_K: float
    air_out_W_K: float  # from the air to the wall, or to the ambient where the wall is no node
    wall_out_W_K: float
    cells: float
    lumped: bool


class Held(NamedTuple):
    """What is held over a step: heat of core and joints (one cell's), film, and how weather drifts.

    `sun_W` and `ambient_K` are those of the middle.
    """

    core_W: float
    joint_W: float
    to_air_W_K: float
    sun_W: float
    ambient_K: float
    sun_W_s: float
    ambient_K_s: float


class Pace(NamedTuple):
    """What hangs on the length of a step alone, so that a day of equal steps has it once."""

    half_s: float
    core_half_K_W: float  # half a step, of the core by itself
    core_K_W: float  # reciprocal on the eliminated diagonal
    core_share: float  # of its net heat that the core hands on to the surface
    surface_W_K: float  # diagonals, without what hangs on the film
    air_W_K: float
    wall_W_K: float
    core_a: float  # a C, of the rule's second stage
    surface_a: float
    air_a: float
    wall_a: float


class Factors(NamedTuple):
    """The chain's matrix, eliminated: reciprocals of what is left on its diagonal."""

    surface_K_W: float
    air_K_W: float
    wall_K_W: float


@inlined
def nodes_of(cell, box, count):
    """Return the `Nodes` of one of `count` cells in a box."""
    across_W_K = cell.core_to_surface_W_K
    lumped = across_W_K == 0.0
    return Nodes(
        where(lumped, 1.0, cell.core_J_K),
        where(lumped, cell.core_J_K + cell.surface_J_K, cell.surface_J_K),
        box.air_J_K,
        box.wall_J_K,
        across_W_K,
        box.inside_W_K if box.kind == AIR_AND_WALL else box.outside_W_K,
        box.outside_W_K,
        count,
        lumped,
    )


@inlined
def net_W(nodes, box, held, core_K, surface_K, air_K, wall_K):
    """Return what each node gains on balance: core, surface (one cell's), box air, wall."""
    near_K = held.ambient_K if box.kind == FREE_AIR else air_K
    across_W = nodes.across_W_K * (core_K - surface_K)
    to_air_W = held.to_air_W_K * (surface_K - near_K)
    core_W = where(nodes.lumped, 0.0, held.core_W) - across_W
    surface_W = where(nodes.lumped, held.core_W, 0.0) + held.joint_W + across_W - to_air_W
    if box.kind == FREE_AIR:
        return core_W, surface_W, to_air_W * 0.0, to_air_W * 0.0
    air_W = nodes.cells * to_air_W + box.other_heat_W
    if box.kind != AIR_AND_WALL:
        out_W = nodes.air_out_W_K * (air_K - held.ambient_K)
        return core_W, surface_W, air_W + held.sun_W - out_W, to_air_W * 0.0
    inward_W = nodes.air_out_W_K * (air_K - wall_K)
    wall_W = inward_W + held.sun_W - nodes.wall_out_W_K * (wall_K - held.ambient_K)
    return core_W, surface_W, air_W - inward_W, wall_W


@inlined
def drifted_W(nodes, box, held, net, after_s):
    """Return `net` heats of the same temperatures in the weather of `after_s` [s] later."""
    core_W, surface_W, air_W, wall_W = net
    ambient_K = held.ambient_K_s * after_s
    if box.kind == FREE_AIR:
        return core_W, surface_W + held.to_air_W_K * ambient_K, air_W, wall_W
    more_W = nodes.wall_out_W_K * ambient_K + held.sun_W_s * after_s
    if box.kind == AIR_AND_WALL:
        return core_W, surface_W, air_W, wall_W + more_W
    return core_W, surface_W, air_W + more_W, wall_W


@inlined
def paced(nodes, half_s, a):
    """Return the `Pace` of a step of twice `half_s`, whose implicit stages have length 1/`a`."""
    core_a, surface_a = a * nodes.core_J_K, a * nodes.surface_J_K
    air_a, wall_a = a * nodes.air_J_K, a * nodes.wall_J_K
    core_K_W = 1.0 / (core_a + nodes.across_W_K)
    share = nodes.across_W_K * core_K_W
    return Pace(
        half_s,
        half_s / (nodes.core_J_K + 0.5 * half_s * nodes.across_W_K),
        core_K_W,
        share,
        surface_a + nodes.across_W_K * (1.0 - share),
        air_a + nodes.air_out_W_K,
        wall_a + nodes.wall_out_W_K,
        core_a,
        surface_a,
        air_a,
        wall_a,
    )


@inlined
def half_way_K(nodes, box, pace, to_air_W_K, net):
    """Return the changes of core, surface and air half a step on.

    dT = h q / (C + h G / 2), with G all that leads away from the node (second order in its own
    temperature, and bounded at any step) and q with half of what an inner neighbour changes by.
    Each by itself it made a film that was all of the error left: 16 times as much.
    """
    core_W, surface_W, air_W, _ = net
    half_s = pace.half_s
    core_K = core_W * pace.core_half_K_W
    leads_W_K = nodes.across_W_K + to_air_W_K
    surface_W = surface_W + 0.5 * nodes.across_W_K * core_K
    surface_K = surface_W * (half_s / (nodes.surface_J_K + 0.5 * half_s * leads_W_K))
    core_K = where(nodes.lumped, surface_K, core_K)
    if box.kind == FREE_AIR:
        return core_K, surface_K, air_W
    inward_W_K = nodes.cells * to_air_W_K
    air_W = air_W + 0.5 * inward_W_K * surface_K
    leads_W_K = inward_W_K + nodes.air_out_W_K
    return core_K, surface_K, air_W * (half_s / (nodes.air_J_K + 0.5 * half_s * leads_W_K))


@inlined
def factorised(nodes, box, pace, to_air_W_K):
    """Return the `Factors` of a C + K."""
    surface_K_W = 1.0 / (pace.surface_W_K + to_air_W_K)
    nothing = 0.0 * surface_K_W
    if box.kind == FREE_AIR:
        return Factors(surface_K_W, nothing, nothing)
    from_cells_W_K = nodes.cells * to_air_W_K * (1.0 - to_air_W_K * surface_K_W)
    air_K_W = 1.0 / (pace.air_W_K + from_cells_W_K)
    if box.kind != AIR_AND_WALL:
        return Factors(surface_K_W, air_K_W, nothing)
    inward_W_K = nodes.air_out_W_K * (1.0 - nodes.air_out_W_K * air_K_W)
    return Factors(surface_K_W, air_K_W, 1.0 / (pace.wall_W_K + inward_W_K))


@inlined
def solved_K(nodes, box, pace, factors, to_air_W_K, net):
    """Return the changes of core, surface, air and wall that `net` heats lead to."""
    core_W, surface_W, air_W, wall_W = net
    surface_W = surface_W + pace.core_share * core_W
    air_K, wall_K = air_W, wall_W  # nothing, in free air
    if box.kind != FREE_AIR:
        air_W = air_W + nodes.cells * (to_air_W_K * factors.surface_K_W) * surface_W
        if box.kind == AIR_AND_WALL:
            wall_W = wall_W + nodes.air_out_W_K * factors.air_K_W * air_W
            wall_K = wall_W * factors.wall_K_W
            air_W = air_W + nodes.air_out_W_K * wall_K
        air_K = air_W * factors.air_K_W
    surface_K = (surface_W + to_air_W_K * air_K) * factors.surface_K_W
    core_K = (core_W + nodes.across_W_K * surface_K) * pace.core_K_W
    return where(nodes.lumped, surface_K, core_K), surface_K, air_K, wall_K
