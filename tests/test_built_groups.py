"""Who carries what in a group: against Kirchhoff solved anew, node by node.

The truth is scipy's sparse solver on the whole network of both rails, numpy's dense one on a group
that shares one voltage, and a ladder of four cells worked out by hand below in whole numbers.
"""

from __future__ import annotations

from fractions import Fraction

import built as b
import numpy as np
import plants
import pytest
from hypothesis import given
from hypothesis import settings as trying
from hypothesis import strategies as st
from scipy.sparse import lil_matrix
from scipy.sparse.linalg import spsolve

from sim.integrate import march as one_lane
from sim.integrate.built_look import PEAK_A, PEAK_CORE_K
from sim.integrate.built_records import BUS_V
from sim.physics.box import AIR_AND_WALL, Box
from sim.physics.built import CORE, FIRST_OVER, JOINT, LINK, OHMIC, SOC, SURFACE
from sim.physics.group import between_leads, ladders_of, shared_source, solve_ladders
from sim.physics.pack import CURRENT, POWER
from sim.physics.pack import Pack as AlikePack
from sim.physics.plant import BOX, FIRST_OVERVOLTAGE, WALL
from sim.physics.plant import at_rest as one_at_rest

FEW = trying(max_examples=40, deadline=None)
LASTING_AH = 1e15  # so much that no voltage moves while a current is looked at


# ---- one voltage


def shared(source_V, ohm, like, current_A):
    """Currents and the voltage, from all of Kirchhoff's equations at once."""
    n = len(source_V)
    matrix = np.zeros((n + 1, n + 1))
    matrix[:n, :n] = np.diag(ohm)
    matrix[:n, n] = 1.0  # e - r I = V
    matrix[n, :n] = like
    *each_A, voltage_V = np.linalg.solve(matrix, [*source_V, current_A])
    return np.array(each_A), voltage_V


def test_group_of_three_by_hand():
    # 4.0, 3.9, 3.7 V behind 20, 25, 50 mohm give 50 + 40 + 20 = 110 S and 430 A short:
    # V = (430 - 12)/110 = 3.8 V, and (4.0 - 3.8)/0.020 = 10, 4 and -2 A are 12 A.
    ones = np.ones(3)
    open_V, path_ohm = shared_source(
        np.array([4.0, 3.9, 3.7]), np.array([50, 40, 20.0]), ones, 0, 3
    )

    assert open_V - path_ohm * 12.0 == pytest.approx(3.8, abs=1e-14)


cells = st.integers(1, 7).flatmap(
    lambda n: st.tuples(
        *(
            st.lists(st.floats(low, high), min_size=n, max_size=n)
            for low, high in ((0.0, 1.0), (0.3, 4.0), (0.0, 0.005))
        ),
        st.lists(st.integers(1, 5), min_size=n, max_size=n),
    )
)


@FEW
@given(cells=cells, current_A=st.floats(-30.0, 60.0))
def test_unequal_cells_share_one_voltage_as_kirchhoff_has_it(cells, current_A):
    soc, scale, joint_ohm, like = cells
    one = b.built(
        b.pack(
            b.group(len(soc), capacity_Ah=LASTING_AH, scale=scale, joint_ohm=joint_ohm, like=like)
        )
    )

    run = b.go(one, plants.held([0.0, 1.0], [current_A]), b.resting(one, soc))

    source_V = 3.0 + 1.2 * np.array(soc)
    each_A, voltage_V = shared(source_V, 0.025 * np.array(scale) + joint_ohm, like, current_A)
    # Rounding of 4 V behind 7 mohm, over some ten operations.
    assert run.book.extremes[PEAK_A] == pytest.approx(each_A, abs=1e-11)
    assert b.kept(run, BUS_V)[-1] == pytest.approx(voltage_V, abs=1e-13)


def test_cell_whose_link_is_open_carries_nothing_and_the_others_its_part():
    # One cell fewer of four: 4/3 of the current and 16/9 of the heat, C04 of the cases.
    whole = b.built(b.pack(b.group(4)))
    opened = b.built(b.pack(b.group(4, linked=[1, 1, 0, 1])))
    legs = plants.held([0.0, 60.0], [40.0])

    before, after = (b.go(one, legs) for one in (whole, opened))

    assert after.book.extremes[PEAK_A] == pytest.approx([40 / 3, 40 / 3, 0.0, 40 / 3], rel=1e-14)
    ratio = after.state.sums[0, OHMIC] / before.state.sums[0, OHMIC]
    assert ratio == pytest.approx(4.0 / 3.0, rel=1e-12)  # three cells of 16/9
    rise_K = after.state.cells[CORE] - 298.15
    assert rise_K / (before.state.cells[CORE] - 298.15) == pytest.approx(
        [16 / 9, 16 / 9, 0, 16 / 9]
    )


def test_large_group_loses_as_much_as_is_measured_of_it():
    # C04: one of 74 cells raises the others by 1.3699 % (74/73); 750 A make 10.274 A a cell.
    group = b.group(74, linked=[0.0, *[1.0] * 73])
    run = b.go(b.built(b.pack(group)), plants.held([0.0, 1.0], [750.0]))

    assert run.book.extremes[PEAK_A, 1:] == pytest.approx(10.27397, abs=5e-6)


def test_group_with_no_cell_left_gives_nothing_and_nothing_is_drawn():
    one = b.built(b.pack(b.group(2), b.group(2, linked=0.0)))
    run = b.go(one, plants.held([0.0, 100.0], [5.0]))

    assert b.pack_A(run, 0) == pytest.approx(0.0, abs=0.0)
    assert np.all(run.state.cells[SOC] == 0.6)
    assert np.all(np.isfinite(run.state.cells))


# ---- the ladder


def rails(source_V, conductance_S, link_ohm, plus_at, minus_at, current_A):
    """Return currents of cells, voltage between the leads, and heat of the links.

    Every node of both rails, the one at the minus lead for ground.
    """
    n = len(source_V)
    matrix, right = lil_matrix((2 * n, 2 * n)), np.zeros(2 * n)

    def between(i, j, siemens):
        for k in (i, j):
            matrix[k, k] += siemens
        matrix[i, j] -= siemens
        matrix[j, i] -= siemens

    for c in range(n):
        between(c, n + c, conductance_S[c])
        right[c] += conductance_S[c] * source_V[c]
        right[n + c] -= conductance_S[c] * source_V[c]
        if c + 1 < n:
            between(c, c + 1, 1.0 / link_ohm)
            between(n + c, n + c + 1, 1.0 / link_ohm)
    right[plus_at] -= current_A
    right[n + minus_at] += current_A
    ground = n + minus_at
    matrix[ground, :], right[ground] = 0.0, 0.0
    matrix[ground, ground] = 1.0
    node_V = spsolve(matrix.tocsr(), right)
    plus_V, minus_V = node_V[:n], node_V[n:]
    each_A = np.array(conductance_S) * (source_V - (plus_V - minus_V))
    heat_W = (np.sum(np.diff(plus_V) ** 2) + np.sum(np.diff(minus_V) ** 2)) / link_ohm
    return each_A, plus_V[plus_at] - minus_V[minus_at], heat_W


def solved(cases, current_A):
    """The same of many ladders at once, from the closed elimination: currents and voltage each."""
    sizes = [len(source_V) for source_V, *_ in cases]
    end = np.cumsum(sizes)
    first, link_ohm = end - sizes, np.array([case[2] for case in cases])
    leads_at = first + np.array([case[3:] for case in cases]).T
    cells = np.zeros((4, end[-1]))
    cells[0], cells[1] = (np.concatenate([case[row] for case in cases]) for row in (0, 1))

    solve_ladders(ladders_of(first, end, leads_at, link_ohm), cells, 0, 1, 2, 3)

    for k, (_, conductance_S, *_) in enumerate(cases):
        here = slice(first[k], end[k])
        open_V, path_ohm = between_leads(cells, 2, 3, link_ohm[k], *leads_at[:, k])
        across_V = cells[2, here] + cells[3, here] * current_A
        yield conductance_S * (cells[0, here] - across_V), open_V - path_ohm * current_A


ladders = st.integers(1, 12).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(3.0, 4.2), min_size=n, max_size=n),
        st.lists(st.one_of(st.just(0.0), st.floats(5.0, 100.0)), min_size=n, max_size=n).filter(
            any
        ),
        st.floats(1e-5, 0.05),
        st.integers(0, n - 1),
        st.integers(0, n - 1),
    )
)


@FEW
@given(cases=st.lists(ladders, min_size=1, max_size=20), current_A=st.floats(-100.0, 200.0))
def test_ladders_are_the_whole_network_solved_sparse(cases, current_A):
    # Up to twenty at once, so that some stand side by side and some alone.
    for (*case, plus_at, minus_at), (ours_A, ours_V) in zip(
        cases, solved(cases, current_A), strict=True
    ):
        each_A, voltage_V, _ = rails(*case, plus_at, minus_at, current_A)
        # 1e5 S of the stiffest link make rounding of 4 V into 1e-10 V, and that into 1e-8 A.
        assert ours_A == pytest.approx(each_A, abs=1e-8)
        assert ours_V == pytest.approx(voltage_V, abs=1e-9)
        assert np.sum(ours_A) == pytest.approx(current_A, abs=1e-8)


def test_groups_on_ladders_and_on_ideal_busbars_stand_in_one_pack():
    # Nine like ladders fill a block of eight and begin another; one is shorter, one has no links.
    rng = np.random.default_rng(7)
    sizes, link_ohm = [5] * 9 + [4, 6], [2e-3] * 10 + [0.0]
    soc = [rng.uniform(0.3, 0.9, n) for n in sizes]
    one = b.built(
        b.pack(*[
            b.group(n, capacity_Ah=LASTING_AH, link_ohm=ohm, plus_at=n - 1)
            for n, ohm in zip(sizes, link_ohm, strict=True)
        ])
    )  # fmt: skip

    run = b.go(one, plants.held([0.0, 1.0], [30.0]), b.resting(one, np.concatenate(soc)))

    each_A, whole_V = np.split(run.book.extremes[PEAK_A], np.cumsum(sizes)[:-1]), 0.0
    for n, ohm, charge, ours_A in zip(sizes, link_ohm, soc, each_A, strict=True):
        source_V, path_ohm = 3.0 + 1.2 * charge, np.full(n, 0.025)
        if ohm > 0.0:
            expected_A, voltage_V, _ = rails(source_V, 1.0 / path_ohm, ohm, n - 1, 0, 30.0)
        else:
            expected_A, voltage_V = shared(source_V, path_ohm, np.ones(n), 30.0)
        assert ours_A == pytest.approx(expected_A, abs=1e-9)
        whole_V += voltage_V
    assert b.kept(run, BUS_V)[-1] == pytest.approx(whole_V, abs=1e-11)


def test_ladder_with_no_cell_left_gives_nothing_and_nothing_is_drawn():
    one = b.built(b.pack(b.group(3, link_ohm=1e-3), b.group(3, link_ohm=1e-3, linked=0.0)))
    run = b.go(one, plants.held([0.0, 100.0], [5.0]))

    assert b.pack_A(run, 0) == pytest.approx(0.0, abs=0.0)
    assert run.state.cells[SOC] == pytest.approx(0.6, abs=1e-15)
    assert np.all(np.isfinite(run.state.cells))


# Four like cells of resistance r on rails of w between neighbours, k = 2 w / r = 1. Currents of
# cells rise towards the leads by what the rails drop between them:
# - both leads at the first cell: I3 = I4 + k I4, I2 = I3 + k (I4 + I3) and
#   I1 = I2 + k (I4 + I3 + I2), so 1, 2, 5, 13 of 21: every other number of Fibonacci's.
# - at opposite ends: by symmetry I1 = I4 and I2 = I3; I1 - I2 = (w/r)(I2 + I3 + I4 - I1) = k I2.
# - both at the second cell: from the right 1, 2, 5, from the left I2 = I1 + k I1, so I1 = 5/2.
BY_HAND = {
    (0, 0): [Fraction(n, 21) for n in (13, 5, 2, 1)],
    (0, 3): [Fraction(n, 6) for n in (2, 1, 1, 2)],
    (1, 1): [Fraction(n, 21) for n in (5, 10, 4, 2)],
}


@pytest.mark.parametrize("leads", BY_HAND, ids=["one end", "opposite ends", "middle"])
def test_four_branches_share_as_worked_out_by_hand(leads):
    plus_at, minus_at = leads
    group = b.group(
        4, capacity_Ah=LASTING_AH, link_ohm=0.0125, plus_at=plus_at, minus_at=minus_at
    )  # r = 25 mohm
    one = b.built(b.pack(group))

    run = b.go(one, plants.held([0.0, 1.0], [42.0]))

    expected_A = [float(42 * part) for part in BY_HAND[leads]]
    assert sum(BY_HAND[leads]) == 1
    assert run.book.extremes[PEAK_A] == pytest.approx(expected_A, abs=1e-11)
    assert np.argmax(run.book.extremes[PEAK_CORE_K]) == np.argmax(expected_A)
    if plus_at == minus_at:  # the voltage between the leads is that cell's own
        voltage_V = 3.0 + 1.2 * 0.6 - 0.025 * expected_A[plus_at]
        assert b.kept(run, BUS_V)[-1] == pytest.approx(voltage_V, abs=1e-12)


@pytest.mark.parametrize("current_A", [30.0, 0.0, -20.0])
@pytest.mark.parametrize("leads", [(0, 0), (0, 5), (2, 2), (4, 1)])
def test_busbars_lose_r_i_squared_of_each_link_at_rest_too(leads, current_A):
    # At rest unequal cells still send current along the rails.
    soc, scale = [0.9, 0.2, 0.5, 0.55, 0.6, 0.4], np.array([1.0, 1.5, 0.7, 1.0, 2.0, 1.0])
    linked = [1, 1, 1, 0, 1, 1]
    group = b.group(
        6, capacity_Ah=LASTING_AH, scale=scale, linked=linked, joint_ohm=1e-3,
        link_ohm=2e-3, plus_at=leads[0], minus_at=leads[1], alike=3,
    )  # fmt: skip
    one = b.built(b.pack(group))

    run = b.go(one, plants.held([0.0, 10.0], [current_A]), b.resting(one, soc))

    source_V = 3.0 + 1.2 * np.array(soc)
    each_A, _, heat_W = rails(source_V, linked / (0.025 * scale + 1e-3), 2e-3, *leads, current_A)
    sums = run.state.sums[0]
    assert sums[LINK] == pytest.approx(3 * 10.0 * heat_W, rel=1e-9)
    assert sums[OHMIC] == pytest.approx(30.0 * np.sum(each_A**2 * 0.025 * scale), rel=1e-9)
    assert sums[JOINT] == pytest.approx(30.0 * np.sum(each_A**2 * 1e-3), rel=1e-9)


def test_ideal_links_are_the_limit_of_stiff_ones():
    soc = [0.9, 0.2, 0.5]
    ideal, stiff = (
        b.built(b.pack(b.group(3, capacity_Ah=LASTING_AH, link_ohm=link_ohm)))
        for link_ohm in (0.0, 1e-9)
    )
    legs = plants.held([0.0, 1.0], [20.0])

    one, other = (b.go(each, legs, b.resting(each, soc)) for each in (ideal, stiff))

    # 1e-9 ohm of 25 mohm is 4e-8 of some 20 A.
    assert one.book.extremes[PEAK_A] == pytest.approx(other.book.extremes[PEAK_A], abs=2e-6)


# ---- like cells

EDGES_S = [0.0, 600.0, 900.0, 1500.0, 3000.0]
LOADS = {CURRENT: [20.0, 0.0, -10.0, 15.0], POWER: [200.0, 0.0, -100.0, 160.0]}
BOXED = Box(AIR_AND_WALL, 2000.0, 4000.0, 3.0, 5.0, 10.0)
BY_FORMULA = b.FREE._replace(fixed_W_K=-1.0)


def like_cells(lanes, groups):
    """Three groups of five: `groups` and `lanes` of them are entries of their own."""
    group = b.group(lanes, joint_ohm=1e-3, like=5 / lanes, alike=3 / groups)
    return b.built(
        b.pack(*[group] * groups, lead_ohm=6e-3), cell=b.FULL, film=BY_FORMULA, box=BOXED
    )


@pytest.mark.parametrize("kind", LOADS, ids=["current", "power"])
def test_like_cells_are_one_that_stands_for_them(kind):
    legs = plants.held(EDGES_S, LOADS[kind], kind=kind, ambient_C=30.0, sun_W=20.0)
    lumped, *resolved = (
        b.go(one, legs, b.resting(one, 0.8, 27.0, 30.0))
        for one in (like_cells(*shape) for shape in ((1, 1), (5, 1), (5, 3), (1, 3)))
    )

    for run in resolved:
        for row in range(len(run.state.cells)):  # charge, K, V
            assert run.state.cells[row] == pytest.approx(lumped.state.cells[row, 0], abs=1e-9)
        assert run.state.airs_K == pytest.approx(lumped.state.airs_K, abs=1e-9)
        assert run.state.sums == pytest.approx(lumped.state.sums, rel=1e-9, abs=1e-6)
        assert run.book.worst == pytest.approx(lumped.book.worst, abs=1e-9)


@pytest.mark.parametrize("kind", LOADS, ids=["current", "power"])
def test_like_cells_are_the_one_lane_of_the_older_march(kind):
    legs = plants.held(EDGES_S, LOADS[kind], kind=kind, ambient_C=30.0, sun_W=20.0)
    one = like_cells(5, 3)
    run = b.go(one, legs, b.resting(one, 0.8, 27.0, 30.0))
    pack = AlikePack(3, 5, 1, 1e-3, 6e-3)
    plant = plants.plant(b.FULL, pack=pack, film=BY_FORMULA, box=BOXED)

    trace = one_lane.march(
        plant,
        plants.NOT_LIMITED,
        legs,
        one_at_rest(plant, 0.8, 300.15, 303.15),
        one_lane.Settings(stop_at_limits=False),
    )

    end = trace.state[-1]
    # Each to second order on its own way: at steps of 1 s some 1e-5 K apart.
    assert run.state.cells[SOC] == pytest.approx(end[SOC], abs=1e-7)
    assert run.state.cells[CORE] == pytest.approx(end[1], abs=2e-5)
    assert run.state.cells[SURFACE] == pytest.approx(end[2], abs=2e-5)
    for k in range(2):
        assert run.state.cells[FIRST_OVER + k] == pytest.approx(
            end[FIRST_OVERVOLTAGE + k], abs=1e-7
        )
    assert run.state.airs_K[1:] == pytest.approx(end[[BOX, WALL]], abs=1e-6)
    found, theirs = run.book.worst, trace.worst
    assert found[np.isfinite(theirs)] == pytest.approx(theirs[np.isfinite(theirs)], abs=2e-4)
    assert np.array_equal(np.isfinite(found), np.isfinite(theirs))
