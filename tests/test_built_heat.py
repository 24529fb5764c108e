"""Heat of a module: cells, neighbours, the module's own air, the box and its wall.

The truth is scipy: the steady state by a sparse solve of the whole network of conductances, the way
there by `solve_ivp` (Radau, 1e-10). C24 stands in the project's list of cases.
"""

from __future__ import annotations

from typing import NamedTuple

import built as b
import numpy as np
import plants
import pytest
from scipy.integrate import solve_ivp
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from sim.physics.box import AIR_AND_WALL, AIR_NODE, FREE_AIR, Box
from sim.physics.built import (
    BOARD,
    CORE,
    IN_BOX,
    IN_MODULE,
    JOINT,
    LINK,
    OHMIC,
    OTHER_HEAT,
    PAIRS,
    REVERSIBLE,
    SUN,
    SURFACE,
    TO_AIR,
    TO_BOX,
    TO_OUTSIDE,
)
from sim.physics.pack import POWER

LASTING_AH = 1e15  # no charge moves, so that the heat of a current is constant
CELL_OHM = 0.025
AIR_K = 298.15
DRIFT_K_S, DRIFT_W_S = 0.01, 0.02
BOXES = {
    "free air": plants.OPEN_AIR,
    "air": Box(AIR_NODE, 300.0, 1.0, 0.0, 1.5, 3.0),
    "air and wall": Box(AIR_AND_WALL, 200.0, 400.0, 2.0, 3.0, 3.0),
}
TWO_NODES = plants.cell(
    polarisation=[], heat={"core_J_K": 40.0, "surface_J_K": 5.0, "core_to_surface_K_W": 2.0}
)


class Module(NamedTuple):
    """Rows x columns of cells, every cell a group of its own, so that all carry one current."""

    rows: int
    columns: int
    scale: np.ndarray  # of each cell's resistance
    joint_ohm: np.ndarray
    inward: np.ndarray
    between_W_K: float
    module_J_K: float
    module_W_K: float
    box: Box
    count: float = 1.0


def module(rows=3, columns=4, *, box="air and wall", seed=1, **over):
    """A module whose inner cells see its own air only, those at the edge half of the box's."""
    i, j = np.divmod(np.arange(rows * columns), columns)
    edge = (i == 0) | (i == rows - 1) | (j == 0) | (j == columns - 1)
    rng = np.random.default_rng(seed)
    filled = Module(
        rows,
        columns,
        rng.uniform(0.7, 1.6, rows * columns),
        rng.uniform(0.0, 2e-3, rows * columns),
        np.where(edge, 0.5, 1.0),
        0.15,
        30.0,
        0.8,
        BOXES[box],
    )
    return filled._replace(**over)


def record(m, cell=TWO_NODES, film=b.FREE):
    groups = [
        b.group(
            capacity_Ah=LASTING_AH,
            scale=m.scale[c],
            joint_ohm=m.joint_ohm[c],
            inward=m.inward[c],
            outward=1.0 - m.inward[c],
        )
        for c in range(m.rows * m.columns)
    ]
    packs = b.pack(
        *groups, count=m.count, board_ohm=0.01, module_J_K=m.module_J_K, module_W_K=m.module_W_K
    )
    touching = b.grid(m.rows, m.columns, m.between_W_K)
    return b.built(packs, cell=cell, film=film, box=m.box, touching=touching)


def network(m, current_A, sun_W, across_W_K=0.5, film_W_K=0.045):
    """Return conductances K [W/K], heat [W], capacities [J/K] of core, surface, module, air, wall.

    The ambient is ground: C dT/dt = heat - K (T - ambient). One module; a pack counted more than
    once would need more nodes.
    """
    n = m.rows * m.columns
    module, air, wall = 2 * n, 2 * n + 1, 2 * n + 2
    matrix, heat_W = lil_matrix((2 * n + 3, 2 * n + 3)), np.zeros(2 * n + 3)

    def between(i, j, W_K):
        for k in (i, j):
            matrix[k, k] += W_K
        matrix[i, j] -= W_K
        matrix[j, i] -= W_K

    heat_W[:n] = current_A**2 * CELL_OHM * m.scale
    heat_W[n : 2 * n] = current_A**2 * m.joint_ohm
    for c in range(n):
        between(c, n + c, across_W_K)
        between(n + c, module, film_W_K * m.inward[c])
        between(n + c, air, film_W_K * (1.0 - m.inward[c]))
    for i, j, W_K in b.grid(m.rows, m.columns, m.between_W_K):
        between(n + i, n + j, W_K)
    between(module, air, m.module_W_K)
    heat_W[air] = current_A**2 * 0.01 + m.box.other_heat_W
    if m.box.kind == AIR_AND_WALL:
        between(air, wall, m.box.inside_W_K)
        matrix[wall, wall] += m.box.outside_W_K
        heat_W[wall] = sun_W
    else:
        matrix[air, air] += m.box.outside_W_K
        matrix[wall, wall] += 1.0
        heat_W[air] += sun_W
    if m.box.kind == FREE_AIR:
        heat_W[air], matrix[air, air] = 0.0, 1e15  # as warm as the ambient whatever comes
    held_J_K = np.array([*[40.0] * n, *[5.0] * n, m.module_J_K, m.box.air_J_K, m.box.wall_J_K])
    return matrix.tocsr(), heat_W, held_J_K


def drifting(legs):
    """Return legs over which ambient and sun climb without a break, from what they begin at."""
    climb_K, climb_W = DRIFT_K_S * legs.start_s, DRIFT_W_S * legs.start_s
    return legs._replace(
        ambient_K=legs.ambient_K + climb_K,
        ambient_K_s=legs.ambient_K_s + DRIFT_K_S,
        sun_W=legs.sun_W + climb_W,
        sun_W_s=legs.sun_W_s + DRIFT_W_S,
    )


def temperatures(run, n):
    """Cores, surfaces, module air, box air, wall [K] over the ambient."""
    cells, airs_K = run.state.cells, run.state.airs_K
    return np.concatenate([cells[CORE], cells[SURFACE], airs_K]) - AIR_K


@pytest.mark.parametrize("box", BOXES)
def test_steady_state_is_the_whole_network_solved_sparse(box):
    m = module(box=box)
    # 20 h are forty times the slowest time constant; at rest a step of any length is exact.
    legs = plants.held([0.0, 20 * 3600.0], [3.0], sun_W=5.0)

    run = b.go(record(m), legs, step_s=60.0)

    matrix, heat_W, _ = network(m, 3.0, 5.0)
    rise_K = spsolve(matrix, heat_W)
    nodes = 27 if box == "air and wall" else 26  # else there is no wall
    assert run.settled
    assert temperatures(run, 12)[:nodes] == pytest.approx(rise_K[:nodes], abs=1e-9)


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize(("step_s", "off_K"), [(4.0, 4e-4), (1.0, 2.5e-5)])
def test_way_to_it_is_that_of_solve_ivp(box, step_s, off_K):
    # 16 times less at a quarter of the step: second order.
    # The module's air is a second behind, and weather drifts.
    m = module(box=box, module_J_K=1.0)
    legs = drifting(plants.held([0.0, 600.0], [4.0], sun_W=5.0))
    start = b.resting(record(m), 0.6, np.linspace(10.0, 45.0, 12))

    run = b.go(record(m), legs, start, step_s=step_s)

    matrix, heat_W, held_J_K = network(m, 4.0, 5.0)
    more_W_s = matrix @ np.full(27, DRIFT_K_S) + network(m, 4.0, 5.0 + DRIFT_W_S)[1] - heat_W
    begin_K = np.concatenate([start.cells[CORE], start.cells[SURFACE], [AIR_K] * 3]) - AIR_K
    found = solve_ivp(
        lambda t, y: (heat_W + more_W_s * t - matrix @ y) / held_J_K,
        (0.0, 600.0),
        begin_K,
        method="Radau",
        jac=-matrix.multiply(1.0 / held_J_K[:, None]).toarray(),
        rtol=1e-10,
        atol=1e-10,
    )
    nodes = 27 if box == "air and wall" else 26
    assert temperatures(run, 12)[:nodes] == pytest.approx(found.y[:nodes, -1], abs=off_K)


def test_row_of_three_has_its_middle_hotter_by_what_it_sheds():
    # C24: 0.5 W a cell, ends 0.05 W/K to air, the middle none, 0.1 W/K between neighbours:
    # 15, 17.5, 15 K, and 1.5 W leave.
    current_A = np.sqrt(0.5 / CELL_OHM)
    group = [b.group(capacity_Ah=LASTING_AH, outward=out) for out in (1.0, 0.0, 1.0)]
    film = b.FREE._replace(fixed_W_K=0.05)
    one = b.built(b.pack(*group), film=film, touching=b.grid(1, 3, 0.1))
    legs = plants.held([0.0, 100 * 3600.0], [current_A])
    a_second = plants.held([0.0, 1.0], [current_A])

    run = b.go(one, legs, step_s=60.0)
    then = b.go(one, a_second, run.state)

    rise_K = run.state.cells[CORE] - AIR_K
    assert rise_K == pytest.approx([15.0, 17.5, 15.0], abs=1e-10)
    assert rise_K[0] == pytest.approx(rise_K[2], abs=1e-12)
    out_W = then.state.box_sums[TO_OUTSIDE] - run.state.box_sums[TO_OUTSIDE]
    assert out_W == pytest.approx(1.5, abs=1e-9)


@pytest.mark.parametrize("box", BOXES)
def test_mirror_places_are_alike_on_a_varied_day(box):
    m = module(4, 5, box=box)
    alike = np.ones(20)
    m = m._replace(scale=alike, joint_ohm=1e-3 * alike)
    film = b.FREE._replace(fixed_W_K=-1.0)
    legs = plants.held([0.0, 300.0, 400.0, 900.0], [200.0, -80.0, 150.0], kind=POWER, sun_W=9.0)

    one = record(m, b.FULL, film)

    run = b.go(one, legs, b.resting(one, 0.6))

    for quantity in run.state.cells:
        places = quantity.reshape(4, 5)
        for mirrored in (places[::-1], places[:, ::-1], places[::-1, ::-1]):
            assert places == pytest.approx(mirrored, abs=1e-9)
    if box == "free air":  # else box and board may be the warmer ones, and the edge with them
        core_K = run.state.cells[CORE].reshape(4, 5)
        assert core_K[1, 2] > core_K[0, 2] > core_K[0, 0]  # centre, edge, corner


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize("own_air", [True, False], ids=["own air", "no own air"])
def test_heat_made_is_heat_kept_and_heat_lost(box, own_air):
    # Two modules, ladders in one pack, boards, joints, sun, film by correlation, all at once.
    inward = [0.5, 1.0, 0.5] if own_air else 0.0
    outward = 1.0 - np.array(inward)
    group = b.group(
        3, scale=[1.0, 1.6, 0.8], joint_ohm=1e-3, link_ohm=5e-4, inward=inward, outward=outward
    )
    packs = [
        b.pack(
            group, group, count=2, lead_ohm=0.003, board_ohm=0.004,
            module_J_K=25.0 * own_air, module_W_K=0.6 * own_air,
        ),
        b.pack(group, group, board_ohm=0.002),
    ]  # fmt: skip
    if own_air:  # the second pack stands in the box's air
        packs[1] = b.pack(*[b.group(3, link_ohm=5e-4)] * 2, board_ohm=0.002)
    touching = ((0, 1, 0.1), (1, 2, 0.1), (2, 3, 0.2), (3, 4, 0.1), (4, 5, 0.1), (7, 8, 0.3))
    film = b.FREE._replace(fixed_W_K=-1.0)
    one = b.built(*packs, cell=b.FULL, film=film, box=BOXES[box], touching=touching)
    start = b.resting(one, 0.7, np.linspace(15.0, 35.0, 12))
    legs = drifting(plants.held([0.0, 300.0, 400.0, 900.0], [40.0, -15.0, 20.0], sun_W=9.0))

    run = b.go(one, legs, start)

    sums, box_sums = run.state.sums, run.state.box_sums
    cell_J_K = np.array([[b.FULL.core_J_K], [b.FULL.surface_J_K]])
    warmed_J = cell_J_K * (run.state.cells[CORE : SURFACE + 1] - start.cells[CORE : SURFACE + 1])
    kept_J = np.array([np.sum(warmed_J[:, :6]), np.sum(warmed_J[:, 6:])])
    made_J = np.sum(sums[:, [OHMIC, PAIRS, REVERSIBLE, JOINT]], axis=1)
    assert made_J == pytest.approx(kept_J + sums[:, TO_AIR], rel=1e-9)  # each pack's cells
    air_K, was_K = run.state.airs_K, start.airs_K
    module_J_K = one.pack[4]
    module_kept_J = module_J_K * (air_K[:2] - was_K[:2])
    count = np.array([2.0, 1.0])
    if own_air:  # what the box gets of the first pack's cells is not summed apart
        assert sums[0, TO_BOX] != 0.0
        assert sums[0, IN_MODULE] == pytest.approx(sums[0, LINK], rel=1e-12)
    else:
        assert np.all(sums[:, [TO_BOX, IN_MODULE]] == 0.0)
    into_box_J = np.sum(count * (made_J + sums[:, LINK] + sums[:, BOARD] - kept_J - module_kept_J))
    in_box_J = np.sum(count * (sums[:, LINK] + sums[:, BOARD] - sums[:, IN_MODULE]))
    assert box_sums[IN_BOX] == pytest.approx(in_box_J, rel=1e-12)
    into_box_J += box_sums[SUN] + box_sums[OTHER_HEAT]
    box_kept_J = 0.0
    if box != "free air":
        box_kept_J = BOXES[box].air_J_K * (air_K[2] - was_K[2])
        assert box_sums[SUN] == pytest.approx(9.0 * 900.0 + 0.5 * DRIFT_W_S * 900.0**2, rel=1e-12)
    if box == "air and wall":
        box_kept_J += BOXES[box].wall_J_K * (air_K[3] - was_K[3])
    # Neighbours are iterated to 1e-12 K a stage.
    assert into_box_J == pytest.approx(box_kept_J + box_sums[TO_OUTSIDE], rel=1e-9)


def test_module_alone_closes_its_own_balance():
    # All cells give to the module's air only: what they give is what it keeps and passes on.
    m = module()._replace(inward=np.ones(12))
    legs = plants.held([0.0, 600.0], [4.0])

    run = b.go(record(m), legs)

    sums = run.state.sums[0]
    kept_J = m.module_J_K * (run.state.airs_K[0] - AIR_K)
    assert sums[TO_AIR] + sums[IN_MODULE] == pytest.approx(kept_J + sums[TO_BOX], rel=1e-9)


@pytest.mark.parametrize("surface_J_K", [1e-3, 5.0])
@pytest.mark.parametrize("box", BOXES)
def test_long_steps_stay_stable_however_light_the_surface(box, surface_J_K):
    # No step may overshoot a body that cools without heat of its own: nowhere colder than the air
    # and nowhere warmer than it began, whatever lies between.
    cell = plants.cell(
        polarisation=[],
        heat={"core_J_K": 40.0, "surface_J_K": surface_J_K, "core_to_surface_K_W": 0.1},
    )
    still = BOXES[box]._replace(other_heat_W=0.0)
    m = module(box=box, between_W_K=2.0, module_J_K=1.0, module_W_K=5.0)._replace(box=still)
    one = record(m, cell, b.FREE._replace(fixed_W_K=0.5))
    start = b.resting(one, 0.6, np.where(np.arange(12) % 2, 25.0, 80.0))
    far, near = (
        b.go(one, plants.held([0.0, 3600.0], [0.0]), start, step_s=step_s) for step_s in (60.0, 1.0)
    )

    assert far.settled
    for run in (far, near):
        assert np.all(np.isfinite(run.state.cells))
        assert np.all(temperatures(run, 12)[:25] > -1e-9)
        assert np.all(temperatures(run, 12)[:25] < 55.0)
    # An hour later both stand at the air's warmth to 1 % of the 55 K.
    assert temperatures(far, 12) == pytest.approx(temperatures(near, 12), abs=0.5)


def test_heat_flows_by_film_and_neighbours_the_same_in_any_order_of_cells():
    m = module(box="air")
    legs = plants.held([0.0, 600.0], [4.0])
    turned = m._replace(
        scale=m.scale[::-1].copy(), joint_ohm=m.joint_ohm[::-1].copy(), inward=m.inward[::-1].copy()
    )

    one, other = (b.go(record(each), legs) for each in (m, turned))

    assert one.state.cells[CORE] == pytest.approx(other.state.cells[CORE][::-1], abs=1e-9)


def test_pack_that_is_out_warms_nobody_but_is_warmed_by_the_box():
    box = Box(AIR_NODE, 100.0, 1.0, 0.0, 0.5, 0.0)
    group = b.group(capacity_Ah=LASTING_AH)
    one = b.built(b.pack(group), b.pack(group, count=0.0), box=box)
    alone = b.built(b.pack(group), box=box)
    legs = plants.held([0.0, 3600.0], [6.0])

    both, single = (b.go(each, legs) for each in (one, alone))

    assert both.state.cells[CORE, 0] == pytest.approx(single.state.cells[CORE, 0], abs=1e-12)
    assert both.state.cells[CORE, 1] > AIR_K + 0.1
    assert both.state.cells[CORE, 1] < both.state.airs_K[2]
