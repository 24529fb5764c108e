"""Packs side by side on one bus: shares, first instants, boards that let current one way only.

The truth is Kirchhoff's: each pack with one way open is a source behind a resistance and a diode,
and scipy finds the one voltage at which all of them together give what is asked. Numbers
of the cases (C32, C34) stand in the project's list of them.
"""

from __future__ import annotations

import built as b
import numpy as np
import plants
import pytest
from hypothesis import assume, given
from hypothesis import settings as trying
from hypothesis import strategies as st
from scipy.optimize import bisect, brentq

from sim.integrate.built_records import BUS_A, BUS_V, TIME
from sim.physics.board import CHARGE_PATH, DISCHARGE_A, DISCHARGE_PATH, LOWEST_GROUP_V
from sim.physics.built import ASKED, DELIVERED
from sim.physics.limits import BEYOND_REACH, CHARGE_COLD, COLD, OUTSIDE_TABLE, PACK_CURRENT
from sim.physics.pack import CURRENT, POWER

FEW = trying(max_examples=60, deadline=None)
LASTING_AH = 1e15  # no voltage moves
CELL_OHM = 0.025


def source(ohm, *, cells=14, **over):
    """A pack of so many like groups that has `ohm` in all."""
    group = b.group(capacity_Ah=LASTING_AH, scale=ohm / cells / CELL_OHM, alike=cells)
    return b.pack(group, **over)


def soc_at(cell_V):
    return (np.asarray(cell_V) - 3.0) / 1.2


# ---- shares


@pytest.mark.parametrize(
    ("load_A", "split_A"),
    [(5.0, (4.5, 0.5)), (100.0, (52.0, 48.0)), (3.0, (3.5, -0.5)), (0.0, (2.0, -2.0))],
)
def test_difference_in_rest_voltage_is_a_constant_difference_in_current(load_A, split_A):
    # C34: 10 mohm each, 0.04 V apart.
    one = b.built(source(0.01), source(0.01))
    start = b.resting(one, soc_at([3.6 + 0.04 / 14, 3.6]))

    run = b.go(one, plants.held([0.0, 10.0], [load_A]), start)

    for p in range(2):
        assert b.pack_A(run, p) == pytest.approx(split_A[p], abs=1e-9)


@pytest.mark.parametrize(
    ("cells_V", "first_A"),
    [((4.15, 3.55), 64.615), ((3.6 + 0.1 / 14, 3.6), 0.769), ((3.6 + 0.8 / 14, 3.6), 6.154)],
)
def test_full_pack_joined_to_an_empty_one_sends_its_current_at_the_first_instant(cells_V, first_A):
    # C32: 60 mohm each and 10 mohm of leads between them.
    one = b.built(source(0.06, lead_ohm=0.005), source(0.06, lead_ohm=0.005))

    run = b.go(one, plants.held([0.0, 1.0], [0.0]), b.resting(one, soc_at(cells_V)))

    assert b.pack_A(run, 0)[0] == pytest.approx(first_A, abs=5e-4)  # as printed
    assert b.pack_A(run, 1)[0] == pytest.approx(-b.pack_A(run, 0)[0], rel=1e-12)


@pytest.mark.parametrize("ohm", [(0.06, 0.07), (0.1, 0.013, 0.027)])
@pytest.mark.parametrize("core_C", [-30.0, 50.0])
def test_like_packs_at_rest_are_not_in_use(ohm, core_C):
    # Rounding of their voltages must not count as use: frost, heat and the table's end would show.
    limits = plants.NOT_LIMITED._replace(
        discharge_core_min_K=260.0, charge_core_min_K=260.0, coldest_table_K=260.0
    )
    one = b.built(*[b.pack(b.group(3, scale=each), b.group(7)) for each in ohm])
    start = b.resting(one, 0.613, core_C, core_C)

    run = b.go(one, plants.held([0.0, 100.0], [0.0]), start, limits=limits)

    for p in range(len(ohm)):
        assert np.all(b.pack_A(run, p) == 0.0)
    assert np.all(run.book.worst[[COLD, CHARGE_COLD, OUTSIDE_TABLE]] == np.inf)
    assert run.state.cells[0] == pytest.approx(0.613, abs=1e-15)


def test_packs_that_are_counted_are_so_many_packs():
    one = b.built(source(0.05, count=3))
    three = b.built(*[source(0.05)] * 3)
    legs = plants.held([0.0, 10.0, 20.0], [900.0, -500.0], kind=POWER)
    limits = plants.NOT_LIMITED._replace(pack_current_A=5.0)

    counted, single = (b.go(each, legs, limits=limits) for each in (one, three))

    assert b.kept(counted, BUS_V) == pytest.approx(b.kept(single, BUS_V), rel=1e-13)
    assert b.pack_A(counted, 0) == pytest.approx(b.pack_A(single, 1), rel=1e-11)
    assert 3.0 * b.pack_A(counted, 0) == pytest.approx(b.kept(counted, BUS_A), rel=1e-12)
    worst = counted.book.worst[PACK_CURRENT], single.book.worst[PACK_CURRENT]
    assert worst[0] == pytest.approx(worst[1], rel=1e-11)


def test_pack_that_is_out_gives_nothing_and_the_others_all():
    one = b.built(source(0.05), source(0.02, count=0.0))

    run = b.go(one, plants.held([0.0, 10.0], [7.0]))

    assert b.pack_A(run, 0) == pytest.approx(7.0, rel=1e-13)
    assert np.all(b.pack_A(run, 1) == 0.0)


# ---- boards that have opened one way or both


def always(p, opens):
    """A threshold that is passed from the first instant on."""
    return b.Threshold(LOWEST_GROUP_V, 100.0, 100.0, pack=p, latches=True, opens=opens)


packs = st.integers(2, 4).flatmap(
    lambda n: st.tuples(
        st.lists(st.floats(3.3, 4.1), min_size=n, max_size=n),
        st.lists(st.floats(0.01, 0.3), min_size=n, max_size=n),
        st.lists(st.sampled_from([0, 0, DISCHARGE_PATH, CHARGE_PATH, 3]), min_size=n, max_size=n),
    )
)


def diodes(cells_V, ohm, opened):
    """The packs' currents at a voltage of the bus, each only where its board lets it."""
    open_V = 14.0 * np.array(cells_V)
    least = np.where(np.array(opened) & CHARGE_PATH, 0.0, -np.inf)
    most = np.where(np.array(opened) & DISCHARGE_PATH, 0.0, np.inf)
    return lambda bus_V: np.clip((open_V - bus_V) / ohm, least, most)


def with_boards(cells_V, ohm, opened):
    one = b.built(*[source(each) for each in ohm])
    boards = [always(p, opens) for p, opens in enumerate(opened) if opens]
    return one, b.resting(one, soc_at(cells_V)), b.thresholds(*boards)


@FEW
@given(case=packs, load_A=st.floats(-60.0, 150.0))
def test_just_those_packs_carry_current_whose_boards_let_it_through(case, load_A):
    cells_V, ohm, opened = case
    each_A = diodes(cells_V, ohm, opened)
    one, start, boards = with_boards(cells_V, ohm, opened)

    run = b.go(one, plants.held([0.0, 1.0], [load_A]), start, boards=boards)

    found_A = np.array([b.pack_A(run, p)[-1] for p in range(len(ohm))])
    if np.sum(each_A(-1e5)) < load_A or np.sum(each_A(1e5)) > load_A:
        assert np.all(found_A == 0.0)  # nobody can give or take
        return
    # Halving: where diodes block, the sum stands still, and no secant helps.
    bus_V = bisect(lambda v: np.sum(each_A(v)) - load_A, -1e5, 1e5, xtol=1e-12, rtol=1e-14)
    # 1e-12 V behind 10 mohm, four times.
    assert found_A == pytest.approx(each_A(bus_V), abs=1e-8)
    if np.any(found_A):
        assert b.kept(run, BUS_V)[-1] == pytest.approx(bus_V, abs=1e-9)


@pytest.mark.parametrize("load_A", [1e-3, 1e-12, 1e-38, 1e-95])
@pytest.mark.parametrize(
    ("opened", "gives", "takes"),
    [
        ((DISCHARGE_PATH, CHARGE_PATH), 1, 0),
        ((DISCHARGE_PATH, DISCHARGE_PATH), None, 1),
        ((CHARGE_PATH, CHARGE_PATH), 0, None),
        ((3, 0), 1, 1),
    ],
)
def test_current_too_small_to_move_the_bus_takes_an_open_way_too(opened, gives, takes, load_A):
    # 56 and 49 V behind 0.25 ohm: 1e-38 A moves neither in its last digit, and may still not pass
    # a switch that is open. The fuller gives, and the emptier takes, where both may.
    one, start, boards = with_boards([4.0, 3.5], [0.25, 0.25], opened)
    for sign, through in ((1.0, gives), (-1.0, takes)):
        run = b.go(one, plants.held([0.0, 1.0], [sign * load_A]), start, boards=boards)

        carried_A = [sign * load_A if p == through else 0.0 for p in range(2)]
        assert [b.pack_A(run, p)[-1] for p in range(2)] == carried_A
        if through is not None:
            bus_V = (56.0, 49.0)[through] - 0.25 * sign * load_A
            assert b.kept(run, BUS_V)[-1] == pytest.approx(bus_V, rel=1e-14)


@FEW
@given(case=packs, load_W=st.floats(10.0, 1500.0))
def test_power_is_drawn_from_just_those_packs_that_may_give_it(case, load_W):
    cells_V, ohm, opened = case
    each_A = diodes(cells_V, ohm, opened)
    top_V = 14.0 * max(cells_V)
    volts = np.linspace(top_V, 0.0, 4001)
    beyond = [v * np.sum(each_A(v)) >= 1.001 * load_W for v in volts]
    assume(any(beyond))
    one, start, boards = with_boards(cells_V, ohm, opened)

    run = b.go(one, plants.held([0.0, 1.0], [load_W], kind=POWER), start, boards=boards)

    # The higher of the voltages at which it is drawn: the first found from the top.
    low_V = volts[int(np.argmax(beyond))]
    bus_V = brentq(lambda v: v * np.sum(each_A(v)) - load_W, low_V, top_V, xtol=1e-12, rtol=1e-14)
    found_A = [b.pack_A(run, p)[-1] for p in range(len(ohm))]
    assert found_A == pytest.approx(each_A(bus_V), abs=1e-7)
    assert b.kept(run, BUS_V)[-1] * b.kept(run, BUS_A)[-1] == pytest.approx(load_W, rel=1e-12)


def test_two_packs_left_out_at_once_would_leave_out_one_too_many():
    # The second may be charged only, and stands high; with it on the bus the first, which may
    # discharge only, would be charged. Without it the first discharges into the third.
    one, start, boards = with_boards(
        [50 / 14, 55 / 14, 49 / 14], [0.1] * 3, [CHARGE_PATH, DISCHARGE_PATH, 0]
    )

    run = b.go(one, plants.held([0.0, 1.0], [0.0]), start, boards=boards)

    assert [b.pack_A(run, p)[-1] for p in range(3)] == pytest.approx([5.0, 0.0, -5.0], abs=1e-9)


def test_pack_that_would_be_charged_waits_until_its_neighbour_has_come_down():
    # The fuller gives alone until both stand alike, then both share: 3 Ah each, 0.02 apart in
    # charge, and 2 A through 25 mohm hold the bus 0.05 V below the fuller: 0.05/1.2 = 0.0417 of
    # charge. So the emptier is never charged, and gives from the start; at 0.5 A it waits until
    # 1.2 (0.02 - t 0.5/10800) = 0.5 * 0.025 V.
    one = b.built(*[b.pack(b.group())] * 2)
    start = b.resting(one, [0.60, 0.58])
    boards = b.thresholds(always(1, CHARGE_PATH))
    wait_s = (0.02 - 0.0125 / 1.2) * 10800.0 / 0.5

    high = b.go(one, plants.held([0.0, 60.0], [2.0]), start, boards=boards)
    low = b.go(one, plants.held([0.0, 600.0], [0.5]), start, boards=boards)

    assert b.pack_A(high, 1)[-1] > 0.0
    time_s, waits_A = b.kept(low, TIME), b.pack_A(low, 1)
    assert wait_s == pytest.approx(207.0)
    assert np.all(waits_A[(time_s > 0.0) & (time_s < 207.0)] == 0.0)
    assert np.all(waits_A[time_s > 209.0] > 0.0)


def test_when_one_board_trips_the_other_pack_takes_all_and_trips_too():
    # 100 A on 10 and 20 mohm: 66.7 and 33.3 A. Over 60 A for 2 s opens the first; then the second
    # carries all 100 A, and opens 2 s later.
    one = b.built(source(0.01), source(0.02))
    boards = b.thresholds(
        *(
            b.Threshold(DISCHARGE_A, 60.0, 60.0, pack=p, delay_s=2.0, latches=True, opens=3)
            for p in range(2)
        )
    )

    run = b.go(one, plants.held([0.0, 10.0, 20.0], [0.0, 100.0]), boards=boards)

    assert b.switchings(run, 0) == [(pytest.approx(12.0, abs=1e-9), False)]
    assert b.switchings(run, 1) == [(pytest.approx(14.0, abs=1e-9), False)]
    assert list(run.switches.trips) == [1, 1]
    assert b.kept(run, BUS_A)[-1] == 0.0


def test_power_with_no_pack_left_is_beyond_reach_and_is_missed():
    one = b.built(source(0.01))
    legs = plants.held([0.0, 10.0], [500.0], kind=POWER)

    run = b.go(one, legs, boards=b.thresholds(always(0, 3)))

    assert run.book.worst[BEYOND_REACH] == pytest.approx(-500.0)
    assert run.state.box_sums[ASKED] == pytest.approx(5000.0, rel=1e-12)
    assert run.state.box_sums[DELIVERED] == 0.0


@pytest.mark.parametrize("kind", [CURRENT, POWER], ids=["current", "power"])
def test_braking_into_packs_that_take_no_charge_brings_nothing_back(kind):
    one = b.built(source(0.01), source(0.02))
    boards = b.thresholds(always(0, CHARGE_PATH), always(1, CHARGE_PATH))

    run = b.go(one, plants.held([0.0, 10.0], [-20.0], kind=kind), boards=boards)

    assert [b.pack_A(run, p)[-1] for p in range(2)] == [0.0, 0.0]
    assert run.book.worst[BEYOND_REACH] == np.inf
