"""What a motor controller lets through: limits that hang on what they limit, against closed forms.

A source of 3.0 + 1.2 s volt a cell behind R and a limit that falls in a straight line with voltage
give the current by one linear equation, and over time an exponential. Numbers of C19 stand in the
project's list of cases.
"""

from __future__ import annotations

import math

import built as b
import numpy as np
import plants
import pytest

from sim.integrate.built_records import BUS_A, BUS_V, TIME
from sim.physics.board import COLDEST_K, DRIVE, HOTTEST_K, LOWEST_GROUP_V
from sim.physics.built import ASKED, DELIVERED, SHORT, SOC
from sim.physics.bus import Ramp
from sim.physics.pack import CURRENT, POWER
from sim.units import ZERO_C_K

LASTING_AH = 1e15  # no voltage moves
Q_AS, CELL_OHM = 3.0 * 3600.0, 0.025
SERIES = 10


def ramp(at, limit_A):
    return Ramp(np.array(at, dtype=float), np.array(limit_A, dtype=float))


def driven(one, load, controller, *, kind=CURRENT, end_s=600.0, start=None, **over):
    legs = plants.held([0.0, end_s], [load], kind=kind)
    what = b.day(legs, controller=controller)
    return b.go(one, legs, start, what=what, **over)


# ---- the ramp over voltage


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
def test_ramp_over_voltage_is_solved_not_lagged(step_s):
    # 0 A at 3.0 V to 20 A at 3.5 V of the lowest cell, and E falls with what is drawn:
    # I = 20 (E - I R - 3.0)/0.5, so I = a (E - 3), a = 20/(0.5 + 20 R); dE/dt = -1.2 I/Q.
    one = b.built(b.pack(*[b.group()] * SERIES, lead_ohm=0.01))
    controller = b.UNBOUND._replace(over_cell_V=ramp([3.0, 3.5], [0.0, 20.0]))

    run = driven(one, 30.0, controller, start=b.resting(one, 0.4), step_s=step_s)

    per_V = 20.0 / (0.5 + 20.0 * CELL_OHM)
    tau_s = Q_AS / (1.2 * per_V)
    time_s = b.kept(run, TIME)
    over_V = 1.2 * 0.4 * np.exp(-time_s / tau_s)
    # The middle of a step for its mean: (step/tau)^2/24 of the exponent, 1e-4 at 10 s.
    assert b.kept(run, BUS_A) == pytest.approx(per_V * over_V, rel=(step_s / tau_s) ** 2 + 1e-9)
    assert 3.0 + 1.2 * run.state.cells[SOC] == pytest.approx(3.0 + over_V[-1], abs=2e-5)


def test_ramp_over_voltage_follows_the_weakest_group_and_not_the_mean():
    group = b.group(capacity_Ah=LASTING_AH)
    weak = b.group(capacity_Ah=LASTING_AH, scale=3.0)
    one = b.built(b.pack(group, weak, group))
    controller = b.UNBOUND._replace(over_cell_V=ramp([3.0, 3.5], [0.0, 20.0]))

    run = driven(one, 30.0, controller, start=b.resting(one, [0.5, 0.45, 0.5]), end_s=1.0)

    open_V = 3.0 + 1.2 * 0.45
    expected_A = 20.0 * (open_V - 3.0) / (0.5 + 20.0 * 3.0 * CELL_OHM)
    assert b.kept(run, BUS_A) == pytest.approx(expected_A, abs=1e-8)


@pytest.mark.parametrize("wanted_A", [4.0, 11.0, 11.9])
def test_what_the_ramp_allows_passes_whole(wanted_A):
    # 3.6 V: 20 (0.6 - 0.025 I)/0.5 = I at 12 A.
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH)))
    controller = b.UNBOUND._replace(over_cell_V=ramp([3.0, 3.5], [0.0, 20.0]))

    below = driven(one, wanted_A, controller, start=b.resting(one, 0.5), end_s=1.0)
    above = driven(one, 12.5, controller, start=b.resting(one, 0.5), end_s=1.0)

    assert b.kept(below, BUS_A) == pytest.approx(wanted_A, rel=1e-14)
    assert b.kept(above, BUS_A) == pytest.approx(12.0, abs=1e-8)


def test_ramp_holds_a_power_load_as_well():
    one = b.built(b.pack(*[b.group(capacity_Ah=LASTING_AH)] * SERIES))
    controller = b.UNBOUND._replace(over_cell_V=ramp([3.0, 3.5], [0.0, 20.0]))

    run = driven(one, 600.0, controller, kind=POWER, start=b.resting(one, 0.5), end_s=1.0)

    # 12 A as above, at ten times 3.6 - 0.3 V.
    assert b.kept(run, BUS_A) == pytest.approx(12.0, abs=1e-8)
    assert run.state.box_sums[DELIVERED] == pytest.approx(12.0 * 33.0, abs=1e-6)
    assert run.state.box_sums[SHORT] == pytest.approx(600.0 - 396.0, abs=1e-6)


# ---- the ramp over temperature

OVER_CORE = ramp(np.array([42.0, 50.0]) + ZERO_C_K, [25.0, 6.0])  # C19


@pytest.mark.parametrize(
    ("core_C", "limit_A"), [(20, 25.0), (46, 15.5), (48, 10.75), (50, 6.0), (60, 6.0)]
)
def test_ramp_over_temperature_holds_from_the_first_instant(core_C, limit_A):
    film = b.FREE._replace(fixed_W_K=0.0)
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH, scale=1e-4)), film=film)
    controller = b.UNBOUND._replace(over_core_K=OVER_CORE)

    run = driven(one, 40.0, controller, start=b.resting(one, 0.6, core_C), end_s=10.0)

    # 40 A through 2.5 uohm warm by less than 1 mK.
    assert b.kept(run, BUS_A) == pytest.approx(limit_A, abs=5e-3)
    assert b.kept(run, BUS_A)[0] == pytest.approx(limit_A, abs=1e-9)


def test_ramp_over_temperature_goes_by_the_worst_cell_of_any_pack():
    cold_too = ramp(np.array([0.0, 10.0, 42.0, 50.0]) + ZERO_C_K, [4.0, 25.0, 25.0, 6.0])
    one = b.built(*[b.pack(*[b.group(capacity_Ah=LASTING_AH)] * 2)] * 2)
    controller = b.UNBOUND._replace(over_core_K=cold_too)
    hot = b.resting(one, 0.6, [20.0, 25.0, 48.0, 30.0])
    cold = b.resting(one, 0.6, [20.0, 2.0, 46.0, 30.0])

    found = [
        b.kept(driven(one, 40.0, controller, start=start, end_s=1.0), BUS_A)[0]
        for start in (hot, cold)
    ]

    assert found == pytest.approx([10.75, 8.2], abs=1e-9)


def cooling(start_C, boards, load_A=40.0):
    """A pack that stood in the heat, asked for current all the while; tau = 1000 s to 25 C."""
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH, scale=1e-4)))
    controller = b.UNBOUND._replace(over_core_K=OVER_CORE)
    return driven(
        one,
        load_A,
        controller,
        start=b.resting(one, 0.6, start_C),
        end_s=900.0,
        boards=b.thresholds(*boards),
    )


def test_drive_cut_off_hot_comes_back_when_it_has_cooled_to_its_release():
    # C19: off above 70 C, back at 65 C; from 72 C that is 1000 ln(47/40) s, and then 6 A.
    off = b.Threshold(HOTTEST_K, 70.0 + ZERO_C_K, 65.0 + ZERO_C_K, opens=DRIVE)

    run = cooling(72.0, [off])

    (tripped_s, _), (back_s, closed) = b.switchings(run)
    assert (tripped_s, closed) == (0.0, True)
    assert back_s == pytest.approx(1000.0 * math.log(47.0 / 40.0), abs=2e-4)
    time_s, bus_A = b.kept(run, TIME), b.kept(run, BUS_A)
    assert np.all(bus_A[(time_s > 0.0) & (time_s < back_s)] == 0.0)
    assert bus_A[(time_s > back_s) & (time_s < 300.0)] == pytest.approx(6.0, abs=1e-12)


def test_drive_that_was_not_cut_off_goes_on_between_release_and_trip():
    off = b.Threshold(HOTTEST_K, 70.0 + ZERO_C_K, 65.0 + ZERO_C_K, opens=DRIVE)

    run = cooling(69.0, [off])

    assert b.switchings(run) == []
    assert np.all(b.kept(run, BUS_A) >= 6.0 - 1e-12)


def test_any_pack_that_is_too_cold_stops_the_drive_of_all():
    # C19: off below -10 C. The cold one is the second pack.
    one = b.built(*[b.pack(b.group(capacity_Ah=LASTING_AH))] * 2)
    off = b.Threshold(COLDEST_K, -10.0 + ZERO_C_K, -5.0 + ZERO_C_K, pack=1, opens=DRIVE)
    legs = plants.held([0.0, 1.0], [20.0], ambient_C=-10.1)

    run = b.go(one, legs, b.resting(one, 0.6, [5.0, -10.1], -10.1), boards=b.thresholds(off))

    assert b.kept(run, BUS_A)[-1] == 0.0
    assert [b.pack_A(run, p)[-1] for p in range(2)] == [0.0, 0.0]


# ---- plain limits, and what is missed


def test_energy_beyond_the_limit_of_a_power_load_is_counted_exactly():
    # 20 A of ten cells for 600 s: the bus falls in a straight line, 12 V over the charge.
    one = b.built(b.pack(*[b.group()] * SERIES))
    controller = b.UNBOUND._replace(discharge_A=20.0)

    run = driven(one, 1000.0, controller, kind=POWER, start=b.resting(one, 0.9), end_s=400.0)

    mean_V = 30.0 + 12.0 * (0.9 - 20.0 * 200.0 / Q_AS) - 20.0 * SERIES * CELL_OHM
    sums = run.state.box_sums
    assert sums[DELIVERED] == pytest.approx(20.0 * mean_V * 400.0, rel=1e-12)
    assert sums[SHORT] == pytest.approx(400e3 - 20.0 * mean_V * 400.0, rel=1e-11)
    assert sums[ASKED] == pytest.approx(400e3, rel=1e-12)


def test_energy_beyond_the_limit_of_a_current_load_is_what_it_would_have_given():
    one = b.built(b.pack(*[b.group()] * SERIES))
    controller = b.UNBOUND._replace(discharge_A=20.0)

    run = driven(one, 30.0, controller, start=b.resting(one, 0.9), end_s=400.0)

    mean_V = 30.0 + 12.0 * (0.9 - 20.0 * 200.0 / Q_AS)
    wanted_J, given_J = (amp * (mean_V - amp * SERIES * CELL_OHM) * 400.0 for amp in (30.0, 20.0))
    assert run.state.box_sums[ASKED] == pytest.approx(wanted_J, rel=1e-12)
    assert run.state.box_sums[SHORT] == pytest.approx(wanted_J - given_J, rel=1e-11)


def test_more_power_than_there_is_gives_the_most_there_is():
    # E^2/4R of 36 V behind 0.25 ohm is 1296 W, at half the voltage.
    one = b.built(b.pack(*[b.group(capacity_Ah=LASTING_AH)] * SERIES))

    run = driven(one, 1500.0, b.UNBOUND, kind=POWER, start=b.resting(one, 0.5), end_s=10.0)

    assert b.kept(run, BUS_V) == pytest.approx(18.0, rel=1e-12)
    assert run.state.box_sums[DELIVERED] == pytest.approx(12960.0, rel=1e-12)
    assert run.state.box_sums[SHORT] == pytest.approx(2040.0, rel=1e-12)


def test_braking_is_held_to_its_own_limit_and_is_nothing_missed():
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH)))
    controller = b.UNBOUND._replace(discharge_A=5.0, regeneration_A=12.0)

    hard, soft = (driven(one, load_A, controller, end_s=10.0) for load_A in (-15.0, -10.0))

    assert b.kept(hard, BUS_A) == pytest.approx(-12.0, rel=1e-12)
    assert b.kept(soft, BUS_A) == pytest.approx(-10.0, rel=1e-12)
    assert hard.state.box_sums[SHORT] == 0.0


def test_drive_cut_off_still_takes_braking():
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH)))
    off = b.Threshold(LOWEST_GROUP_V, 100.0, 100.0, latches=True, opens=DRIVE)
    legs = plants.held([0.0, 10.0, 20.0], [5.0, -5.0])

    run = b.go(one, legs, boards=b.thresholds(off))

    time_s, bus_A = b.kept(run, TIME), b.kept(run, BUS_A)
    assert np.all(bus_A[(time_s > 0.0) & (time_s < 10.0)] == 0.0)
    assert bus_A[-1] == pytest.approx(-5.0)
