"""Cells eight abreast: filling up to whole blocks changes nothing, and lanes are numbers.

What lanes of rows do is compared with numpy, which does the same to the same arrays; what a march
of filled-up cells says with the same march of packs that need no filling.
"""

from __future__ import annotations

import built as b
import numba
import numpy as np
import plants
import pytest

from sim.integrate.built_look import PEAK_A, PEAK_CORE_K
from sim.integrate.built_work import END_CELL, abreast, room_for
from sim.physics.abreast import (
    ALIGNED,
    WIDE,
    aligned,
    at,
    gathered,
    highest,
    lowest,
    put_at,
    put_there,
    rows_of,
    total,
)
from sim.physics.built import CORE, FIRST_CELL, FIRST_OVER, SOC, SURFACE
from sim.physics.limits import CUTOFF, EMPTY, HOT, RESERVE
from sim.physics.side_by_side import lane

BY_FORMULA = b.FREE._replace(fixed_W_K=-1.0)
in_lanes = pytest.mark.skipif(WIDE == 1, reason="lanes exist in compiled code only")


@numba.njit
def folded(array, row, c):
    found = at(array, row, c)
    return total(found), highest(found), lowest(found)


@numba.njit
def moved(array, places, c):
    put_at(array, 1, c, 2.0 * at(array, 0, c) + gathered(array, 0, places, 0, c))


@numba.njit
def put_apart(array, places, c):
    put_there(array, 1, places, 0, c, at(array, 0, c))


@numba.njit
def turned(array, block):
    rows = rows_of(array, block)
    rows[1] = rows[0] + 1.0
    return lane(rows[1], 3)


@in_lanes
def test_lanes_of_a_row_are_its_numbers_from_any_column_on():
    rng = np.random.default_rng(1)
    array = rng.normal(size=(2, 21))
    for c in range(14):
        part = array[0, c : c + 8]
        assert folded(array, 0, c) == (pytest.approx(np.sum(part)), np.max(part), np.min(part))


@in_lanes
@pytest.mark.parametrize("where", range(8))
def test_a_lane_that_is_no_number_is_not_passed_over(where):
    array = np.arange(8.0)[None].copy()
    array[0, where] = np.nan
    assert np.all(np.isnan(folded(array, 0, 0)))


@in_lanes
def test_rows_are_set_and_gathered_where_they_stand():
    rng = np.random.default_rng(2)
    array = rng.normal(size=(2, 19))
    before = array.copy()
    places = rng.integers(0, 19, (1, 19))

    moved(array, places, 5)

    assert array[1, 5:13] == pytest.approx(2.0 * before[0, 5:13] + before[0, places[0, 5:13]])
    assert np.all(array[0] == before[0])
    assert np.all(np.delete(array[1], np.s_[5:13]) == np.delete(before[1], np.s_[5:13]))


@in_lanes
def test_rows_are_set_at_the_places_that_are_named_and_nowhere_else():
    rng = np.random.default_rng(3)
    array = rng.normal(size=(2, 19))
    before, places = array.copy(), rng.permutation(19)[None]

    put_apart(array, places, 5)

    assert np.all(array[1, places[0, 5:13]] == before[0, 5:13])
    assert np.all(array[0] == before[0])
    others = np.setdiff1d(np.arange(19), places[0, 5:13])
    assert np.all(array[1, others] == before[1, others])


@in_lanes
def test_rows_kept_of_a_block_are_changed_in_place_and_aligned():
    array = aligned((3, 2, 8))
    array[1, 0] = np.arange(8.0)

    assert turned(array, 1) == 4.0
    assert np.all(array[1, 1] == np.arange(1.0, 9.0))
    assert np.all(array[[0, 2]] == 0.0)
    assert array.ctypes.data % ALIGNED == 0


def test_each_pack_is_filled_up_by_doubles_of_its_last_cell_that_weigh_nothing():
    one = b.built(
        b.pack(b.group(3), b.group(2)), b.pack(b.group(8)), b.pack(b.group(9)),
        touching=((0, 4, 0.1), (13, 21, 0.2)),
    )  # fmt: skip

    way = abreast(one)
    work = room_for(one)

    assert np.all(way.source[way.home] == np.arange(22))
    assert np.all(np.diff(way.pack_cells) % WIDE == 0)
    firsts, ends = way.built.group_at[FIRST_CELL], way.built.group_at[END_CELL]
    assert np.all(way.source[firsts] == [0, 3, 5, 13])
    assert np.all(way.source[ends - 1] == [2, 4, 12, 21])
    weight = work.cells[0]
    assert np.sum(weight) == 22.0
    assert np.all(weight[way.home] == 1.0)
    of_four = way.built.neighbour[:, way.source == 4]
    assert np.all(way.source[of_four[0]] == 0)


@pytest.mark.parametrize("shape", [(2, 3), (4, 8), (5, 7), (14, 20)])
def test_neighbours_that_stand_in_a_row_are_found_and_none_is_lost(shape):
    # Who touches nobody has somebody, by a conductance of nothing, so that more stand in a row.
    n = shape[0] * shape[1]
    touching = (*b.grid(*shape, 0.1), (0, n - 1, 0.3))  # the last pair breaks the order
    one = b.built(b.pack(b.group(n)), touching=touching)

    way, work = abreast(one), room_for(one)

    wide, between_W_K = way.built.neighbour, np.zeros((n, n))
    for k, c in np.ndindex(wide.shape[0], n):
        assert way.built.neighbour_W_K[k, way.home[c]] >= 0.0
        other = way.source[wide[k, way.home[c]]]
        between_W_K[c, other] += way.built.neighbour_W_K[k, way.home[c]]
    expected_W_K = np.zeros((n, n))
    for i, j, W_K in touching:
        expected_W_K[i, j] += W_K
        expected_W_K[j, i] += W_K
    assert np.all(between_W_K == expected_W_K)
    for k, block in np.argwhere(work.runs >= 0):
        begin = work.runs[k, block]
        assert np.all(wide[k, WIDE * block : WIDE * block + WIDE] == np.arange(begin, begin + WIDE))
    if shape == (14, 20) and WIDE == 8:  # the first and last blocks and the odd pair are apart
        assert np.mean(work.runs >= 0) > 0.5


@pytest.mark.parametrize("cells", [1, 3, 7, 8, 9, 17])
def test_like_cells_do_as_one_does_however_many_lanes_they_fill(cells):
    # Side by side and alike: each carries its share, whatever is filled up behind them.
    edges_s, each_A = [0.0, 600.0, 900.0, 1500.0], np.array([4.0, 0.0, -2.0])
    box = {"cell": b.FULL, "film": BY_FORMULA, "box": plants.OPEN_AIR}
    one = b.built(b.pack(b.group()), **box)
    many = b.built(b.pack(b.group(cells)), **box)
    limits = plants.NOT_LIMITED._replace(cutoff_V=2.5, core_max_K=333.15, reserve_soc=0.1)

    alone, all_of = (
        b.go(each, plants.held(edges_s, n * each_A), limits=limits)
        for each, n in ((one, 1), (many, cells))
    )

    for row in (SOC, CORE, SURFACE, FIRST_OVER, FIRST_OVER + 1):
        kelvin = alone.state.cells[row, 0]
        assert all_of.state.cells[row] == pytest.approx(kelvin, rel=1e-11, abs=1e-13)
    for row in (PEAK_A, PEAK_CORE_K):
        assert all_of.book.extremes[row] == pytest.approx(alone.book.extremes[row, 0], rel=1e-11)
    for limit in (CUTOFF, EMPTY, HOT, RESERVE):
        assert all_of.book.worst[limit] == pytest.approx(alone.book.worst[limit], rel=1e-9)
    assert all_of.book.worst_at[HOT] < cells
    assert all_of.state.sums[0] == pytest.approx(cells * alone.state.sums[0], rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("worst", [0, 4, 6, 7, 8, 12, 13])
def test_the_weakest_is_named_by_its_place_in_the_record(worst):
    # Two packs of seven in series; one cell of all has twice the resistance, and is hottest.
    scale = np.where(np.arange(14) == worst, 2.0, 1.0)
    packs = [b.pack(*[b.group(scale=s) for s in part]) for part in (scale[:7], scale[7:])]
    one = b.built(*packs, cell=b.FULL, film=BY_FORMULA)
    limits = plants.NOT_LIMITED._replace(cutoff_V=2.5, core_max_K=333.15)

    run = b.go(one, plants.held([0.0, 300.0], [14.0]), limits=limits)

    assert run.book.worst_at[HOT] == worst
    assert run.book.worst_at[CUTOFF] == worst
    assert np.argmax(run.book.extremes[PEAK_CORE_K]) == worst
