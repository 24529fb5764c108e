"""Thresholds: when they trip and let go, to the instant, whatever the step.

The truth is in the project's list of cases (C10, C16, C17, C27, C44, C45, C46), whose numbers are
closed forms, and in exponentials worked out here.
"""

from __future__ import annotations

import math

import built as b
import numpy as np
import plants
import pytest

from sim.integrate import march as one_lane
from sim.integrate.built_look import BEGIN, END, LIMIT, LOWEST_V
from sim.integrate.built_loop import switch_due
from sim.integrate.built_records import BUS_A, BUS_V, TIME
from sim.integrate.built_work import room_for
from sim.physics.board import (
    AT_VALUE,
    CHARGE_A,
    CHARGE_PATH,
    CHARGER,
    COLDEST_K,
    DISCHARGE_A,
    DISCHARGE_PATH,
    HIGHEST_GROUP_V,
    IN_USE,
    LOWEST_GROUP_V,
    all_closed,
    note,
)
from sim.physics.built import DRAWN, SOC
from sim.physics.limits import BEYOND_REACH, CUTOFF, HOT
from sim.physics.pack import POWER
from sim.physics.plant import at_rest as one_at_rest
from sim.units import ZERO_C_K

LASTING_AH = 1e15  # no voltage moves
CELL_OHM = 0.025


def rigid(pack_V, pack_ohm, cells=12):
    """A pack of like groups whose open voltage stays; all its resistance is in the cells."""
    group = b.group(capacity_Ah=LASTING_AH, scale=pack_ohm / cells / CELL_OHM, alike=cells)
    one = b.built(b.pack(group))
    return one, b.resting(one, (pack_V / cells - 3.0) / 1.2)


# ---- to the instant


@pytest.mark.parametrize("step_s", [0.1, 1.0, 7.0, 30.0])
def test_trip_does_not_hang_on_the_step(step_s):
    # C46: ten cells of 3.0 + 1.2 s volt, 0.1 ohm, 10 Ah, at 10 A: 30 + 12 s - 1 is 33 V at s = 1/3.
    one = b.built(b.pack(b.group(capacity_Ah=10.0, scale=0.4, alike=10)))
    trip = b.Threshold(LOWEST_GROUP_V, 3.3, 3.4, latches=True)
    legs = plants.held([0.0, 3600.0], [10.0])

    run = b.go(one, legs, b.resting(one, 1.0), boards=b.thresholds(trip), step_s=step_s)

    assert b.switchings(run) == [(pytest.approx(2400.0, abs=1e-6), False)]
    assert run.switches.log[0, AT_VALUE] == pytest.approx(3.3, abs=1e-9)
    assert run.state.cells[SOC] == pytest.approx(1.0 / 3.0, abs=1e-9)
    assert run.state.sums[0, DRAWN] == pytest.approx(24000.0, abs=1e-5)
    assert b.kept(run, TIME)[-1] == 3600.0
    assert np.all(np.diff(b.kept(run, TIME)) >= 0.0)


@pytest.mark.parametrize("step_s", [0.1, 1.0, 7.0, 30.0])
@pytest.mark.parametrize("cutoff_V", [3.3, 3.25, 3.4])
def test_cut_off_that_falls_on_the_end_of_a_step_ends_the_run(step_s, cutoff_V):
    # As above; 2400, 2550 and 2100 s, on the grid of 1 and 30 s and off that of 7 s.
    one = b.built(b.pack(b.group(capacity_Ah=10.0, scale=0.4, alike=10)))
    limits = plants.NOT_LIMITED._replace(cutoff_V=cutoff_V)
    legs = plants.held([0.0, 3600.0], [10.0])

    run = b.go(one, legs, b.resting(one, 1.0), limits=limits, stop=True, step_s=step_s)

    assert run.stopped_by == CUTOFF
    assert run.end_s == pytest.approx(3600.0 * (1.0 - (cutoff_V + 0.1 - 3.0) / 1.2), abs=1e-6)


@pytest.mark.parametrize("cutoff_V", [3.55, 3.548, 3.545])
def test_cut_off_by_a_pair_faster_than_the_step_is_found_inside_it(cutoff_V):
    # 5 A through a pair of 8 mohm and 0.05 s after a rest: V = U - 5 (R0 + 0.008 (1 - e^(-t/tau))).
    pairs = [
        {"resistance_mohm": 8.0, "time_constant_s": 0.05},
        {"resistance_mohm": 1e-6, "time_constant_s": 1e3},
    ]
    cell = plants.cell(polarisation=pairs)
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH)), cell=cell)
    limits = plants.NOT_LIMITED._replace(cutoff_V=cutoff_V)
    legs = plants.held([0.0, 10.0, 100.0], [0.0, 5.0])

    run = b.go(one, legs, b.resting(one, 0.58), limits=limits, stop=True)

    fallen = (3.0 + 1.2 * 0.58 - 5.0 * CELL_OHM - cutoff_V) / 0.04
    assert run.stopped_by == CUTOFF
    assert run.end_s == pytest.approx(10.0 - 0.05 * math.log(1.0 - fallen), abs=2e-6)
    assert run.book.worst[CUTOFF] == pytest.approx(0.0, abs=1e-5)


def test_cut_off_of_a_power_load_comes_when_the_older_march_finds_it():
    cell = b.FULL
    plant = plants.plant(cell)
    limits = plants.NOT_LIMITED._replace(cutoff_V=2.9)
    legs = plants.held([0.0, 6000.0], [10.0], kind=POWER)
    one = b.built(b.pack(b.group()), cell=cell, film=plant.film)

    run = b.go(one, legs, b.resting(one, 0.9), limits=limits, stop=True)
    trace = one_lane.march(plant, limits, legs, one_at_rest(plant, 0.9, 298.15, 298.15))

    assert run.stopped_by == trace.stopped_by == CUTOFF
    assert run.end_s == pytest.approx(trace.end_s, abs=0.01)  # 0.1 mV at the end's slope


def test_limit_that_ends_no_run_is_entered_to_the_instant_too():
    # 10 A, 2.5 W into 45 J/K less 0.045 W/K: 55.56 K (1 - e^(-t/1000)) passes 20 K at 446.29 s;
    # at rest from 1000 s it falls from 35.12 K through 20 K after 1000 ln(35.12/20) s.
    one = b.built(b.pack(b.group(capacity_Ah=LASTING_AH)))
    limits = plants.NOT_LIMITED._replace(core_max_K=298.15 + 20.0)
    legs = plants.held([0.0, 1000.0, 3000.0], [10.0, 0.0])

    run = b.go(one, legs, limits=limits)

    end_K = 2.5 / 0.045
    begins_s = -1000.0 * math.log(1.0 - 20.0 / end_K)
    ends_s = 1000.0 + 1000.0 * math.log(end_K * (1.0 - math.exp(-1.0)) / 20.0)
    assert run.book.counts[0] == 1
    spell = run.book.spells[0]
    assert spell[LIMIT] == HOT
    assert spell[BEGIN] == pytest.approx(begins_s, abs=1e-3)  # 1e-6 K of the step's own
    assert spell[END] == pytest.approx(ends_s, abs=1e-2)  # on the chord of one step


# ---- delay, dip, hold-off


@pytest.mark.parametrize(("delay_s", "trip_s"), [(0.0, 1000.0), (0.1, 1000.1), (1.0, None)])
@pytest.mark.parametrize("step_s", [1.0, 30.0])
def test_dip_shorter_than_the_step_trips_by_its_delay_and_is_reported_anyway(
    delay_s, trip_s, step_s
):
    # C44: 90 A for 0.4 s on 47 V and 50 mohm are 42.5 V, below 43.
    one, start = rigid(47.0, 0.05)
    trip = b.Threshold(LOWEST_GROUP_V, 43.0 / 12, 44.0 / 12, delay_s=delay_s, latches=True)
    legs = plants.held([0.0, 1000.0, 1000.4, 3600.0], [10.0, 90.0, 10.0])

    run = b.go(one, legs, start, boards=b.thresholds(trip), step_s=step_s)

    found = [time_s for time_s, _ in b.switchings(run)]
    assert found == ([] if trip_s is None else [pytest.approx(trip_s, abs=1e-8)])
    assert 12.0 * run.book.extremes[LOWEST_V, 0] == pytest.approx(42.5, abs=1e-9)
    time_s, bus_V = b.kept(run, TIME), b.kept(run, BUS_V)
    assert bus_V[time_s < 1000.0] == pytest.approx(46.5, abs=1e-9)


def test_delay_begins_anew_when_the_level_was_met_between():
    one, start = rigid(47.0, 0.05)
    trip = b.Threshold(LOWEST_GROUP_V, 43.0 / 12, 44.0 / 12, delay_s=1.0, latches=True)
    legs = plants.held([0.0, 10.0, 10.9, 11.0, 20.0], [10.0, 90.0, 10.0, 90.0])

    run = b.go(one, legs, start, boards=b.thresholds(trip))

    assert b.switchings(run) == [(pytest.approx(12.0, abs=1e-8), False)]


def test_delay_counts_from_the_crossing_inside_a_step():
    # C46 with 5 s of delay: the crossing at 2400 s lies within a step of 7 s.
    one = b.built(b.pack(b.group(capacity_Ah=10.0, scale=0.4, alike=10)))
    trip = b.Threshold(LOWEST_GROUP_V, 3.3, 3.4, delay_s=5.0, latches=True)
    legs = plants.held([0.0, 3600.0], [10.0])

    run = b.go(one, legs, b.resting(one, 1.0), boards=b.thresholds(trip), step_s=7.0)

    assert b.switchings(run) == [(pytest.approx(2405.0, abs=1e-6), False)]


POLICIES = {
    "latch": (b.Threshold(LOWEST_GROUP_V, 45 / 12, 45 / 12, latches=True), (1, 1)),
    "retry": (b.Threshold(LOWEST_GROUP_V, 45 / 12, 45 / 12, hold_off_s=3.0), (19, 21)),
    "restart above 48 V": (b.Threshold(LOWEST_GROUP_V, 45 / 12, 48 / 12), (1, 1)),
}


@pytest.mark.parametrize("policy", POLICIES)
def test_stutter_near_empty_is_counted_by_its_restart_rule(policy):
    # C10: 47 V and 0.15 ohm at 20 A are 44 V at once, below 45.
    one, start = rigid(47.0, 0.15)
    trip, (least, most) = POLICIES[policy]
    legs = plants.held([0.0, 60.0], [20.0])

    run = b.go(one, legs, start, boards=b.thresholds(trip))

    assert b.switchings(run)[0] == (0.0, False)
    assert run.switches.log[0, AT_VALUE] * 12 == pytest.approx(44.0, abs=1e-9)
    assert run.switches.log[0, IN_USE] == 1.0
    assert least <= run.switches.trips[0] <= most
    assert b.kept(run, BUS_A)[0] == pytest.approx(20.0)
    assert run.state.sums[0, DRAWN] == pytest.approx(0.0, abs=1e-6)  # trips at once each time


def test_retry_with_a_delay_draws_for_just_that_long():
    # On for the delay of 0.5 s, off for 3 s: trips at 0.5, 4.0 ... 56.5 s.
    one, start = rigid(47.0, 0.15)
    trip = b.Threshold(LOWEST_GROUP_V, 45 / 12, 45 / 12, delay_s=0.5, hold_off_s=3.0)

    run = b.go(one, plants.held([0.0, 58.0], [20.0]), start, boards=b.thresholds(trip))

    expected_s = [0.5 + 3.5 * k for k in range(17)]
    assert [t for t, closed in b.switchings(run) if not closed] == pytest.approx(expected_s)
    assert run.switches.trips[0] == 17
    assert run.state.sums[0, DRAWN] == pytest.approx(20.0 * 17 * 0.5, abs=1e-5)


def test_board_without_delay_rest_or_second_level_ends_each_instant_open():
    one, start = rigid(47.0, 0.15)
    trip = b.Threshold(LOWEST_GROUP_V, 45 / 12, 46 / 12)
    legs = plants.held([0.0, 5.0, 10.0, 20.0], [20.0, 0.0, 5.0])

    run = b.go(one, legs, start, boards=b.thresholds(trip))

    assert run.end_s == 20.0
    assert run.switches.trips[0] > 10  # chatter, which the verdict names
    # It gives nothing while 20 A would pull it down, and 5 A to the end.
    assert run.state.sums[0, DRAWN] == pytest.approx(50.0, abs=1e-9)


# ---- one level or two


@pytest.mark.parametrize(("release_C", "least", "most"), [(0.0, 1998, 2002), (5.0, 2, 2)])
def test_cold_cut_off_without_a_margin_chatters(release_C, least, most):
    # C27: +0.2 C, then -0.2 and +0.2 in turn every 2 s for 4000 s, then up to +6 C in 600 s.
    lock = b.thresholds(b.Threshold(COLDEST_K, ZERO_C_K, release_C + ZERO_C_K, opens=CHARGER))
    switches, work = all_closed(lock), room_for(b.built(b.pack(b.group())))
    times_s = [*np.arange(0.0, 4000.0, 2.0), *np.arange(4000.0, 4601.0, 2.0)]
    trace_C = [0.2, *[-0.2, 0.2] * 999, -0.2, *np.linspace(0.2, 6.0, 301)]

    for time_s, cold_C in zip(times_s, trace_C, strict=True):
        work.seen[:] = 0.0
        work.seen[0, COLDEST_K] = cold_C + ZERO_C_K
        note(lock, switches, time_s, work.seen, time_s, work.seen)
        switch_due(lock, switches, work, time_s, True)

    assert least <= switches.logged[0] <= most


@pytest.mark.parametrize(("current_A", "answer"), [(35.0, "no"), (42.0, "maybe"), (62.0, "yes")])
def test_over_current_band_has_three_answers(current_A, answer):
    # C17: 50 +- 10 A, by its earliest and its latest level.
    one, start = rigid(47.0, 0.05)
    legs = plants.held([0.0, 10.0], [current_A])
    trips = [
        b.go(
            one, legs, start, boards=b.thresholds(b.Threshold(DISCHARGE_A, at_A, 0.0, latches=True))
        ).switches.trips[0]
        for at_A in (40.0, 60.0)
    ]

    found = {(0, 0): "no", (1, 0): "maybe", (1, 1): "yes"}[tuple(trips)]
    assert found == answer


@pytest.mark.parametrize(("cell_V", "answer"), [(2.9, (0, 0)), (2.8, (1, 0)), (2.6, (1, 1))])
def test_under_voltage_band_has_three_answers(cell_V, answer):
    # C17: 2.75 +- 0.1 V. Below empty the curve is drawn on.
    one, start = rigid(12 * cell_V, 0.05)
    legs = plants.held([0.0, 10.0], [1e-9])
    trips = [
        b.go(
            one, legs, start, boards=b.thresholds(b.Threshold(LOWEST_GROUP_V, at_V, 3.5))
        ).switches.trips[0]
        for at_V in (2.85, 2.65)
    ]

    assert tuple(trips) == answer


@pytest.mark.parametrize(("brake_A", "trips"), [(15.0, 1), (12.01, 1), (12.0, 0), (5.0, 0)])
def test_braking_into_a_nearly_full_pack_trips_over_voltage_from_12_A(brake_A, trips):
    # C16: 49.8 V and 0.1 ohm; 12 x 4.25 V is reached at 12 A. A level itself is not beyond it,
    # to the rounding of 4 V.
    one, start = rigid(49.8, 0.1)
    level_V = 4.25 + 1e-12
    over = b.Threshold(HIGHEST_GROUP_V, level_V, 4.2, latches=True, opens=CHARGE_PATH)
    legs = plants.held([0.0, 10.0, 20.0], [0.0, -brake_A])

    run = b.go(one, legs, start, boards=b.thresholds(over))

    assert run.switches.trips[0] == trips
    cell_V = run.book.extremes[5, 0]
    assert cell_V == pytest.approx((49.8 + brake_A * 0.1) / 12.0, abs=1e-12)
    assert b.kept(run, BUS_A)[-1] == pytest.approx(0.0 if trips else -brake_A)


def test_over_current_on_charge_opens_the_charge_path_alone():
    one, start = rigid(47.0, 0.05)
    over = b.Threshold(CHARGE_A, 10.0, 5.0, latches=True, opens=CHARGE_PATH)
    legs = plants.held([0.0, 10.0, 20.0, 30.0], [8.0, -12.0, 8.0])

    run = b.go(one, legs, start, boards=b.thresholds(over))

    assert b.switchings(run) == [(10.0, False)]
    time_s, bus_A = b.kept(run, TIME), b.kept(run, BUS_A)
    assert bus_A[(time_s > 10.0) & (time_s <= 20.0)][-1] == pytest.approx(8.0)  # the next leg's
    assert b.pack_A(run, 0)[-1] == pytest.approx(8.0)
    assert run.state.sums[0, DRAWN] == pytest.approx(160.0)


# ---- beyond from the start


def test_pack_below_its_cut_off_at_the_start_is_seen_at_0_s():
    # C45, the second start: 2.7 V against 2.8.
    one, start = rigid(12 * 2.7, 0.05)
    limits = plants.NOT_LIMITED._replace(cutoff_V=2.8)
    trip = b.Threshold(LOWEST_GROUP_V, 2.8, 3.0, latches=True, opens=DISCHARGE_PATH)
    legs = plants.held([0.0, 10.0], [1e-6])

    stopped = b.go(one, legs, start, limits=limits, stop=True)
    tripped = b.go(one, legs, start, boards=b.thresholds(trip))

    assert (stopped.stopped_by, stopped.end_s, stopped.steps) == (CUTOFF, 0.0, 0)
    assert b.switchings(tripped) == [(0.0, False)]
    assert tripped.state.sums[0, DRAWN] == 0.0


def test_load_that_no_pack_can_carry_any_more_ends_the_run():
    one, start = rigid(47.0, 0.05)
    trip = b.Threshold(DISCHARGE_A, 50.0, 10.0, delay_s=2.0, latches=True)
    legs = plants.held([0.0, 10.0, 20.0], [60.0, 60.0])

    run = b.go(one, legs, start, boards=b.thresholds(trip), stop=True)

    assert run.stopped_by == BEYOND_REACH
    assert run.end_s == pytest.approx(2.0, abs=1e-8)


def test_delay_of_a_pack_that_starts_beyond_its_level_runs_from_the_start():
    one, start = rigid(12 * 2.7, 0.05)
    trip = b.Threshold(LOWEST_GROUP_V, 2.8, 3.0, delay_s=4.5, latches=True)

    run = b.go(one, plants.held([0.0, 10.0], [1e-6]), start, boards=b.thresholds(trip))

    assert b.switchings(run) == [(pytest.approx(4.5, abs=1e-8), False)]
