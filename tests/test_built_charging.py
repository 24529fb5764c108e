"""Charging: against the closed form of constant current, then constant voltage.

A cell of 3.0 + 1.2 s volt behind one resistance R is a capacitor behind it: at constant current s
rises evenly, at constant voltage the current falls as exp(-t/tau), tau = R Q / 1.2. Kirchhoff
again; no outside number is needed for that. Numbers of the cases (C20, C26, C33, C45, C25) stand
in the project's list of them.
"""

from __future__ import annotations

import math

import built as b
import numpy as np
import plants
import pytest

from sim.files.built_day import windows_s
from sim.files.built_schema import ChargerTable
from sim.integrate.built_records import (
    BEFORE_J,
    BOX_K,
    BUS_A,
    BUS_V,
    DONE_S,
    FLOWS_S,
    OPENS_S,
    TIME,
)
from sim.physics.board import CHARGE_PATH, CHARGER, COLDEST_K, DISCHARGE_PATH, LOWEST_GROUP_V
from sim.physics.box import AIR_NODE, Box
from sim.physics.built import BOARD, CHARGED, DRAWN, SOC
from sim.physics.bus import CHARGE, Charger, Ramp
from sim.physics.limits import CHARGE_COLD, CHARGE_HOT, OVERCHARGE
from sim.units import ZERO_C_K

LASTING_AH = 1e15  # no voltage moves
Q_AS, PER_SOC_V, CELL_OHM = 3.0 * 3600.0, 1.2, 0.025


def charger(current_A=1e9, voltage_V=1e9, power_W=np.inf, taper_A=0.0, ramp=b.NO_RAMP):
    return Charger(float(current_A), float(voltage_V), float(power_W), float(taper_A), ramp)


def ramp(at_C, limit_A, steps=False):
    return Ramp(np.array(at_C) + ZERO_C_K, np.array(limit_A, dtype=float), steps)


def charged(one, start, what, *, end_s=7200.0, **over):
    legs = plants.held([0.0, end_s], [0.0])
    return b.go(one, legs, start, what=b.day(legs, mode=CHARGE, charger=what), **over)


# ---- constant current, then constant voltage


@pytest.mark.parametrize("step_s", [1.0, 10.0])
def test_charge_follows_constant_current_then_constant_voltage(step_s):
    # Ten in series, two of each side by side; joints, leads and board lie in the same path.
    one = b.built(
        b.pack(*[b.group(2, joint_ohm=1e-3)] * 10, lead_ohm=0.02, board_ohm=0.01, count=2)
    )
    path_ohm = 10 * (CELL_OHM + 1e-3) / 2 + 0.03
    held_As = 2 * Q_AS
    what = charger(current_A=4.0, voltage_V=41.0, taper_A=0.4)  # of two packs: 2 A and 0.2 A each

    run = charged(one, b.resting(one, 0.3), what, step_s=step_s)

    # A pack's open voltage rises by 12 V over its charge.
    full_soc = (41.0 - 2.0 * path_ohm - 30.0) / 12.0
    turns_s = (full_soc - 0.3) * held_As / 2.0
    tau_s = path_ohm * held_As / 12.0
    done_s = turns_s + tau_s * math.log(10.0)
    end_soc = full_soc + tau_s * (2.0 - 0.2) / held_As
    opens_s, flows_s, found_s, _ = run.past.windows[0]
    assert opens_s == 0.0
    assert flows_s == 0.0
    assert 0.0 <= found_s - done_s < step_s + 0.01  # at the end of a step
    time_s, bus_A = b.kept(run, TIME), -b.kept(run, BUS_A)
    expected_A = 4.0 * np.exp(-np.maximum(time_s - turns_s, 0.0) / tau_s)
    under_way = time_s < done_s
    # The step in which the voltage is reached is a mixture of both: (step/tau)^2/8 at the most.
    assert bus_A[under_way] == pytest.approx(expected_A[under_way], rel=1e-5 * step_s**2)
    assert np.all(bus_A[time_s > found_s] == 0.0)
    # What flows behind the taper is less than 0.2 A for one step.
    assert run.state.cells[SOC] == pytest.approx(end_soc, abs=0.2 * step_s / held_As + 1e-7)
    assert -run.state.sums[0, DRAWN] == pytest.approx((end_soc - 0.3) * held_As, abs=0.2 * step_s)
    flowing = time_s < turns_s
    assert np.all(b.kept(run, BUS_V)[flowing] < 41.0)
    assert b.kept(run, BUS_V)[under_way & ~flowing] == pytest.approx(41.0, abs=1e-12)


def test_outlet_holds_back_a_charger_until_its_voltage_is_reached():
    one = b.built(b.pack(*[b.group()] * 10))
    what = charger(current_A=6.0, voltage_V=41.0, power_W=200.0, taper_A=0.1)

    run = charged(one, b.resting(one, 0.05), what)

    under_way = b.kept(run, TIME) < run.past.windows[0, DONE_S]
    bus_V, bus_A = b.kept(run, BUS_V)[under_way], -b.kept(run, BUS_A)[under_way]
    # At every instant one of the three holds exactly, and none is passed.
    room = np.array([1.0 - bus_A / 6.0, 1.0 - bus_V / 41.0, 1.0 - bus_V * bus_A / 200.0])
    assert np.min(room, axis=0) == pytest.approx(0.0, abs=1e-12)
    holds = np.argmin(room, axis=0)
    assert list(np.unique(holds)) == [0, 1, 2]  # current, voltage, power: each at some time
    assert list(holds[np.flatnonzero(np.diff(holds))]) == [0, 2]  # first current, then power


def test_energy_of_a_window_is_what_went_in():
    one = b.built(b.pack(b.group()))
    run = charged(one, b.resting(one, 0.5), charger(current_A=2.0, voltage_V=9.0), end_s=600.0)

    # 3.6 V + 1.2 (2 t/Q) + 2 R at 2 A: the integral of a straight line.
    mean_V = 3.0 + 1.2 * (0.5 + 2.0 * 300.0 / Q_AS) + 2.0 * CELL_OHM
    went_in_J = run.state.box_sums[CHARGED] - run.past.windows[0, BEFORE_J]
    assert went_in_J == pytest.approx(2.0 * 600.0 * mean_V, rel=1e-12)


# ---- limits over temperature


def first_A(core_C, table, cells_Ah=LASTING_AH):
    """The charger's current at the first instant of cells in series, each with its own warmth."""
    cores_C = np.atleast_1d(core_C)
    one = b.built(b.pack(*[b.group(capacity_Ah=cells_Ah)] * len(cores_C)))
    what = charger(voltage_V=100.0, current_A=500.0, ramp=table)
    run = charged(one, b.resting(one, 0.5, cores_C, 20.0), what, end_s=1.0)
    return -b.kept(run, BUS_A)[0]


def test_charge_current_in_steps_takes_the_lower_in_a_gap():
    # C20 (a): 2 A up to 5.9 C, 5.5 A from 6.0 to 10.9 C, 10 A from 11 C.
    table = ramp([0.0, 5.9, 6.0, 10.9, 11.0, 45.0], [2.0, 2.0, 5.5, 5.5, 10.0, 10.0], steps=True)

    found = [first_A(core_C, table) for core_C in (5.9, 5.95, 6.0, 10.95, 11.0, -1.0)]

    assert found == pytest.approx([2.0, 2.0, 5.5, 5.5, 10.0, 0.0], abs=1e-9)


def test_charge_current_as_a_curve_is_nothing_outside_its_ends():
    # C20 (b), in multiples of 40 A.
    at_C = [0.0, 5.0, 10.0, 20.0, 30.0, 40.0, 45.0, 50.0]
    table = ramp(at_C, 40.0 * np.array([0.0, 0.05, 0.7, 1.0, 1.0, 0.75, 0.5, 0.0]))
    expected = [0.0, 0.025, 0.375, 0.85, 0.625, 0.3, 0.0]

    found = [first_A(core_C, table) / 40.0 for core_C in (-3, 2.5, 7.5, 15, 42.5, 47, 55)]

    assert found == pytest.approx(expected, abs=1e-9)


def test_coldest_and_hottest_cell_decide_and_the_stricter_wins():
    table = ramp([0.0, 10.0, 40.0, 50.0], [0.0, 10.0, 10.0, 0.0])

    assert first_A([25.0, 3.0, 30.0], table) == pytest.approx(3.0, abs=1e-9)
    assert first_A([25.0, 3.0, 48.0], table) == pytest.approx(2.0, abs=1e-9)
    assert first_A([25.0, 8.0, 44.0], table) == pytest.approx(6.0, abs=1e-9)
    assert first_A([25.0, -0.1, 30.0], table) == 0.0


@pytest.mark.parametrize(("shares", "total_A"), [((0.5, 0.5), 20.0), ((0.7, 0.3), 100.0 / 3.0)])
def test_limit_of_two_packs_is_the_smallest_of_limit_over_share(shares, total_A):
    # C33: one pack allows 50 A, the other 10 A; never 60 A together.
    packs = [b.pack(b.group(capacity_Ah=LASTING_AH, scale=0.5 / share)) for share in shares]
    one = b.built(*packs)
    table = ramp([10.0, 25.0], [10.0, 50.0])
    start = b.resting(one, 0.5, [25.0, 10.0])
    what = charger(voltage_V=50.0, current_A=1000.0, ramp=table)

    run = charged(one, start, what, end_s=1.0)

    assert -b.kept(run, BUS_A)[0] == pytest.approx(total_A, rel=1e-12)
    each_A = [-b.pack_A(run, p)[0] for p in range(2)]
    assert each_A == pytest.approx(np.array(shares) * total_A, rel=1e-12)


# ---- what begins late, at once, or never


def test_pack_out_of_the_frost_waits_while_the_other_charges():
    # C26: the cold one of -2 C stands in a room of 20 C with a time constant of 150 min; charging
    # is allowed from 5 C, after 150 ln(22/15) = 57.45 min.
    tau_s = 150.0 * 60.0
    film = b.FREE._replace(fixed_W_K=45.0 / tau_s)
    one = b.built(*[b.pack(b.group(capacity_Ah=LASTING_AH))] * 2, film=film)
    locks = [
        b.Threshold(COLDEST_K, 5.0 + ZERO_C_K, 5.0 + ZERO_C_K, pack=p, opens=CHARGER)
        for p in range(2)
    ]
    start = b.resting(one, 0.5, [9.0, -2.0], 20.0)
    # So little current that it warms nothing: the wait is the room's alone.
    legs = plants.held([0.0, 2 * 3600.0], [0.0], ambient_C=20.0)
    what = b.day(legs, mode=CHARGE, charger=charger(current_A=1e-3, voltage_V=50.0))

    run = b.go(one, legs, start, what=what, boards=b.thresholds(*locks))

    wait_s = tau_s * math.log(22.0 / 15.0)
    assert wait_s / 60.0 == pytest.approx(57.45, abs=0.005)  # as printed
    assert b.switchings(run, 0) == []
    (tripped_s, closed), (found_s, again) = b.switchings(run, 1)
    assert (tripped_s, closed, again) == (0.0, False, True)
    assert found_s == pytest.approx(wait_s, abs=1e-3)
    time_s = b.kept(run, TIME)
    waiting = (time_s > 0.0) & (time_s < wait_s)
    assert np.all(b.pack_A(run, 1)[waiting] == 0.0)
    assert b.pack_A(run, 0)[waiting] == pytest.approx(-1e-3, rel=1e-9)
    assert b.pack_A(run, 1)[-1] == pytest.approx(-0.5e-3, rel=1e-6)


def test_window_that_opens_too_cold_begins_when_the_coldest_cell_is_warm():
    tau_s = 1000.0  # 45 J/K by 0.045 W/K
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH), b.group(capacity_Ah=LASTING_AH)))
    lock = b.Threshold(COLDEST_K, ZERO_C_K, 2.0 + ZERO_C_K, opens=CHARGER)
    legs = plants.held([0.0, 3600.0], [0.0], ambient_C=20.0)
    what = b.day(legs, mode=CHARGE, charger=charger(current_A=1e-3, voltage_V=50.0))

    run = b.go(
        one, legs, b.resting(one, 0.5, [5.0, -4.0], 20.0), what=what, boards=b.thresholds(lock)
    )

    assert run.past.windows[0, OPENS_S] == 0.0
    wait_s = tau_s * math.log(24.0 / 18.0)
    assert run.past.windows[0, FLOWS_S] == pytest.approx(wait_s, abs=1e-3)


def test_full_cell_asked_to_charge_takes_nothing_and_is_done():
    # C45, the third start.
    one = b.built(b.pack(b.group()))
    run = charged(one, b.resting(one, 1.0), charger(current_A=1.0, voltage_V=4.2, taper_A=0.1))

    assert run.state.sums[0, DRAWN] == 0.0
    assert run.past.windows[0, DONE_S] <= 1.0  # the end of the first step
    assert run.book.worst[OVERCHARGE] == np.inf


def test_charging_in_frost_is_seen_at_the_first_instant_and_a_limit_itself_is_within():
    # C45, the first and the last start.
    limits = plants.NOT_LIMITED._replace(
        charge_core_min_K=ZERO_C_K, charge_core_max_K=45.0 + ZERO_C_K
    )
    one = b.built(b.pack(b.group()))
    what = charger(current_A=1.0, voltage_V=9.0)

    cold = charged(one, b.resting(one, 0.5, -3.0, -3.0), what, end_s=10.0, limits=limits)
    on_it = charged(one, b.resting(one, 0.5, 45.0), what, end_s=10.0, limits=limits)  # cools

    spells = cold.book.spells[: cold.book.counts[0]]
    assert spells[0, :2] == pytest.approx([CHARGE_COLD, 0.0])
    assert cold.book.worst[CHARGE_COLD] == pytest.approx(-3.0, abs=1e-12)
    assert on_it.book.counts[0] == 0
    assert on_it.book.worst[CHARGE_HOT] == 0.0


@pytest.mark.parametrize(
    ("opened", "board_W", "rise_K"), [(True, 7.0, 14.0), (False, 0.5, 1.0)], ids=["off", "on"]
)
def test_charge_through_an_open_discharge_switch_heats_its_diode(opened, board_W, rise_K):
    # C25: 10 A by 0.7 V, or by 5 mohm, into a box of 2 K/W. The diode's path has no 5 mohm,
    # and the cell so little that its heat is 4e-5 of the board's.
    box = Box(AIR_NODE, 50.0, 1.0, 0.0, 0.5, 0.0)
    one = b.built(
        b.pack(
            b.group(capacity_Ah=LASTING_AH, scale=1e-4),
            board_ohm=0.0 if opened else 0.005,
            board_drop_V=0.7,
        ),
        box=box,
    )
    opens = b.Threshold(LOWEST_GROUP_V, 100.0, 100.0, latches=True, opens=DISCHARGE_PATH)
    legs = plants.held([0.0, 7200.0], [0.0])
    what = b.day(legs, mode=CHARGE, charger=charger(current_A=10.0, voltage_V=50.0))

    run = b.go(one, legs, what=what, boards=b.thresholds(*[opens] * opened))

    assert run.state.sums[0, BOARD] == pytest.approx(board_W * 7200.0, rel=1e-9)
    # 100 s to a time constant of the air, 1000 s of the cell in it: seven of them.
    assert b.kept(run, BOX_K)[-1] - 298.15 == pytest.approx(rise_K, abs=0.02 * rise_K)
    source_V = 3.0 + 1.2 * 0.6
    bus_V = source_V + (0.7 if opened else 0.05) + 10.0 * 1e-4 * CELL_OHM
    assert b.kept(run, BUS_V)[-1] == pytest.approx(bus_V, abs=1e-12)


def test_pack_with_its_charge_path_open_is_not_charged():
    one = b.built(*[b.pack(b.group(capacity_Ah=LASTING_AH))] * 2)
    opens = b.Threshold(LOWEST_GROUP_V, 100.0, 100.0, pack=1, latches=True, opens=CHARGE_PATH)
    legs = plants.held([0.0, 10.0], [0.0])
    what = b.day(legs, mode=CHARGE, charger=charger(current_A=3.0, voltage_V=50.0))

    run = b.go(one, legs, what=what, boards=b.thresholds(opens))

    assert b.pack_A(run, 0)[-1] == pytest.approx(-3.0, rel=1e-12)
    assert b.pack_A(run, 1)[-1] == 0.0


@pytest.mark.parametrize("series", [7, 10, 13, 14, 16])
def test_a_charger_that_holds_full_cells_at_their_limit_keeps_it(series):
    """Full volts of a pack over its count are its cells' to rounding, which is no crossing."""
    full_V = 4.2
    one = b.built(b.pack(*[b.group(2)] * series))
    what = charger(current_A=3.0, voltage_V=series * full_V)
    limits = plants.NOT_LIMITED._replace(full_V=full_V)
    run = charged(one, b.resting(one, 0.95), what, limits=limits)

    assert np.isnan(run.past.windows[0, DONE_S])  # held at full volts to the end
    assert run.book.counts[0] == 0
    assert run.book.worst[OVERCHARGE] >= 0.0


def test_a_window_of_a_whole_day_begins_anew_each_day_and_others_that_meet_are_one():
    def spans_h(*windows):
        table = ChargerTable(windows=[list(w) for w in windows], current_A=5.0)
        return (windows_s(table, 6.5 * 3600.0, 48 * 3600.0) / 3600.0).tolist()

    assert spans_h(("00:00", "00:00")) == [[0.0, 17.5], [17.5, 41.5], [41.5, 48.0]]
    assert spans_h(("20:00", "00:00"), ("00:00", "05:30")) == [[13.5, 23.0], [37.5, 47.0]]
