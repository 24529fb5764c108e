"""The road load against textbook vehicles, official drive schedules and a general integrator.

V numbers are rows of the project's list of check values; the source of each stands beside it.
"""

from __future__ import annotations

import math
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from sim.errors import InputError
from sim.physics.road import RoadEnergy, RoadLegs, Vehicle, drag_N, grade_N, road_legs, rolling_N

SCHEDULES = Path(__file__).resolve().parents[2] / "shared" / "data" / "drive_schedules"
MILE_M = 1609.344  # international mile, exact
MPH_M_S = MILE_M / 3600.0
J_PER_WH = 3600.0

# NPTEL (India's open university courses), electric vehicles, week 2, solved examples:
# rho 1.2 kg/m3, mu 0.015, g 9.81 m/s2, hill of 8 degrees.
TEXTBOOK = {"rolling_coefficient": 0.015, "air_density_kg_m3": 1.2, "gravity_m_s2": 9.81}
HILL_RAD = math.radians(8.0)
TWO_WHEELER = Vehicle(200.0, drag_area_m2=0.9 * 0.6, **TEXTBOOK)
THREE_WHEELER = Vehicle(600.0, drag_area_m2=0.45 * 1.6, **TEXTBOOK)
FOUR_WHEELER = Vehicle(1500.0, drag_area_m2=0.3 * 2.5, **TEXTBOOK)

CART = Vehicle(640.0, 0.03, 1.6, drivetrain_efficiency=0.78, regeneration=0.4, auxiliary_W=60.0)


def schedule(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Time [s] and speed [m/s] of a 1 Hz schedule, speed from its own unit, mph."""
    file = SCHEDULES / f"{name}.csv"
    if not file.exists():
        pytest.skip(f"the open drive schedule {name}.csv is not on this machine")
    rows = np.loadtxt(file, delimiter=",", skiprows=1)
    return rows[:, 0], rows[:, 2] * MPH_M_S


def drive(vehicle: Vehicle, speed_m_s: Sequence[float], row_s: float = 10.0, **slope):
    """Legs and energies of a profile with rows of one length."""
    time_s = row_s * np.arange(len(speed_m_s))
    return road_legs(vehicle, time_s, speed_m_s, row_s * len(speed_m_s), **slope)


def turnover_Wh(energy: RoadEnergy) -> float:
    """Sum of all amounts of the balance, the scale for its rounding."""
    return sum(abs(amount) for name, amount in energy._asdict().items() if name.endswith("_Wh"))


@pytest.mark.parametrize(
    ("vehicle", "slow_N", "fast_N", "hill_N", "digit_N"),
    [
        # V05; printed to three digits: 273 stands for 273.05.
        pytest.param(TWO_WHEELER, 22.5, 160.0, 273.0, 0.06, id="V05 two-wheeler"),
        # V06, V07; printed to 0.01 N, some cut and some rounded.
        pytest.param(THREE_WHEELER, 30.0, 213.33, 819.17, 0.01, id="V06 three-wheeler"),
        pytest.param(FOUR_WHEELER, 31.25, 222.22, 2047.93, 0.01, id="V07 four-wheeler"),
    ],
)
def test_drag_and_grade_are_those_of_the_solved_examples(vehicle, slow_N, fast_N, hill_N, digit_N):
    assert drag_N(vehicle, 30.0 / 3.6) == pytest.approx(slow_N, abs=digit_N)
    assert drag_N(vehicle, 80.0 / 3.6) == pytest.approx(fast_N, abs=digit_N)
    assert grade_N(vehicle, HILL_RAD) == pytest.approx(hill_N, abs=digit_N)


@pytest.mark.parametrize(
    ("vehicle", "slope_rad", "printed_N", "digit_N"),
    [
        # The example leaves the cosine out for the two-wheeler: its 29.4 N is that of the flat.
        pytest.param(TWO_WHEELER, 0.0, 29.4, 0.05, id="V05 on the flat"),
        pytest.param(THREE_WHEELER, HILL_RAD, 87.43, 0.01, id="V06 on the hill"),
        pytest.param(FOUR_WHEELER, HILL_RAD, 218.57, 0.01, id="V07 on the hill"),
    ],
)
def test_rolling_resistance_is_that_of_the_solved_examples(vehicle, slope_rad, printed_N, digit_N):
    assert rolling_N(vehicle, slope_rad) == pytest.approx(printed_N, abs=digit_N)


@pytest.mark.parametrize(
    ("speed_km_h", "slope_rad", "power_W"),
    # The forces of V05 times the speed, computed by hand for the list of check values.
    [(30.0, 0.0, 432.8), (80.0, 0.0, 4209.6), (30.0, HILL_RAD, 2705.8)],
)
def test_cruise_takes_force_times_speed(speed_km_h, slope_rad, power_W):
    vehicle = TWO_WHEELER._replace(drivetrain_efficiency=1.0)
    grade_percent = [100.0 * math.tan(slope_rad)]

    legs, _ = drive(vehicle, [speed_km_h / 3.6], row_s=600.0, grade_percent=grade_percent)

    assert legs.power_W[-1] == pytest.approx(power_W, abs=0.06)  # W, printed to 0.1


def test_change_of_speed_takes_its_time_at_the_start_of_the_row():
    # v = a t and s = v^2 / 2 a: 3 m/s at 0.5 m/s2 takes 6 s and 9 m; then 4 s of cruise, 12 m.
    legs, energy = drive(CART, [3.0])

    assert legs.t0_s.tolist() == [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert legs.duration_s == pytest.approx([1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 4.0], rel=1e-12)
    assert energy.distance_m == pytest.approx(21.0, rel=1e-12)  # rounding
    assert energy.top_speed_m_s == 3.0
    assert energy.hurried_rows == 0


def test_change_of_speed_that_does_not_fit_takes_the_whole_row():
    legs, energy = drive(CART, [3.0, 0.0], row_s=2.0)

    assert legs.duration_s.tolist() == [1.0, 1.0, 1.0, 1.0]
    assert energy.distance_m == pytest.approx(6.0, rel=1e-12)  # a triangle; rounding
    assert energy.hurried_rows == 2


def test_a_start_from_rest_shows_its_peak_and_not_half_of_it():
    # m a v at the end of the ramp, twice its mean; in ten pieces the last reads 5 % low.
    legs, energy = drive(CART, [4.0], row_s=30.0)

    assert legs.power_W.max() > 0.9 * energy.peak_power_W


@pytest.mark.parametrize("speeds", [[2.0, 2.0 + 1e-12, 2.0], [0.0, 5e-324, 0.0]])
def test_speed_noise_of_rounding_size_makes_no_tiny_legs(speeds):
    legs, energy = drive(CART, speeds)

    assert legs.duration_s.min() >= 1e-3
    assert abs(energy.residual_Wh) <= 1e-9 * turnover_Wh(energy)


def test_standing_takes_the_auxiliaries_only_even_on_a_hill():
    legs, energy = drive(CART, [0.0, 0.0], grade_percent=[12.0, -12.0])

    assert legs.power_W.tolist() == [60.0, 60.0]
    assert energy.battery_Wh == pytest.approx(60.0 * 20.0 / J_PER_WH, rel=1e-12)


@pytest.mark.parametrize(
    ("name", "seconds", "miles", "mean_mph", "max_mph"),
    [
        # V01, V02: EPA dynamometer schedules, 40 CFR 86 App. I and 40 CFR 600 App. I.
        ("EPA_UDDS", 1369, 7.4504, 19.592, 56.7),
        ("EPA_HWFET", 765, 10.2567, 48.267, 59.9),
    ],
)
@pytest.mark.parametrize("acceleration_m_s2", [0.01, 1e6], ids=["all ramp", "all cruise"])
def test_way_is_the_official_one(name, seconds, miles, mean_mph, max_mph, acceleration_m_s2):
    time_s, speed_m_s = schedule(name)
    vehicle = CART._replace(acceleration_m_s2=acceleration_m_s2)

    legs, energy = road_legs(vehicle, time_s, speed_m_s, seconds + 1.0)

    # 1e-4: printed to five digits. From rest to rest the trapezoid and the rectangle agree.
    assert energy.distance_m / MILE_M == pytest.approx(miles, rel=1e-4)
    assert energy.distance_m / MPH_M_S / seconds == pytest.approx(mean_mph, rel=1e-4)
    assert energy.top_speed_m_s / MPH_M_S == pytest.approx(max_mph, rel=1e-9)
    assert legs.duration_s.sum() == pytest.approx(seconds + 1.0, rel=1e-12)


def test_kinetic_energy_and_cube_of_speed_of_the_city_schedule():
    # V04, from the same trace: sum of positive v dv 2098.43 J/kg, integral of v^3 2630301 m3/s2.
    time_s, speed_m_s = schedule("EPA_UDDS")
    vehicle = Vehicle(2.0, 0.0, 3.0, acceleration_m_s2=1e6, air_density_kg_m3=1.1)

    _, energy = road_legs(vehicle, time_s, speed_m_s, time_s[-1] + 1.0)

    assert energy.hurried_rows == 0
    assert energy.accelerating_Wh * J_PER_WH / 2.0 == pytest.approx(2098.43, rel=1e-4)
    assert energy.braking_Wh == pytest.approx(energy.accelerating_Wh, rel=1e-12)  # ends at rest
    drag_J = 0.5 * 1.1 * 3.0 * 2630301.0
    assert energy.drag_Wh * J_PER_WH == pytest.approx(drag_J, rel=1e-4)


def test_a_day_at_1_hz_takes_less_than_a_tenth_of_a_second():
    # Project target; 0.03 s measured. Processor time, the best of five: the machine may be shared.
    row = np.arange(86400.0)
    speed_m_s = 4.0 + 3.0 * np.sin(row / 40.0)
    took_s = []
    for _ in range(5):
        start = time.process_time()
        road_legs(CART, row, speed_m_s, 86400.0, grade_percent=4.0 * np.cos(row / 300.0))
        took_s.append(time.process_time() - start)

    assert min(took_s) < 0.1


def wheel_W(vehicle: Vehicle, speed_m_s, rate_m_s2, sine):
    """Power at the wheel, written out anew: force times speed."""
    weight_N = vehicle.mass_kg * vehicle.gravity_m_s2
    force_N = weight_N * (sine + vehicle.rolling_coefficient * math.sqrt(1.0 - sine**2))
    force_N += 0.5 * vehicle.air_density_kg_m3 * vehicle.drag_area_m2 * speed_m_s**2
    return (force_N + vehicle.mass_kg * rate_m_s2) * speed_m_s


def pack_W(vehicle: Vehicle, power_W: float) -> float:
    """Pack power for a power at the wheel."""
    share = vehicle.regeneration * vehicle.drivetrain_efficiency
    drive_W = power_W / vehicle.drivetrain_efficiency if power_W > 0.0 else power_W * share
    return drive_W + vehicle.auxiliary_W


def tenths(low: int, high: int) -> st.SearchStrategy[float]:
    """Tenths only, so that a change of speed ends on the row's end or well before it."""
    return st.integers(low, high).map(lambda n: n / 10.0)


@settings(max_examples=80, deadline=None)
@given(
    profile=st.lists(st.tuples(tenths(0, 150), st.floats(-20.0, 20.0)), min_size=1, max_size=8),
    row_s=tenths(20, 600),
)
@example(profile=[(4.0, 0.0), (1.0, 20.0)], row_s=30.0)  # hardest as it slows down onto a hill
def test_every_leg_agrees_with_quadrature_of_force_times_speed(profile, row_s):
    speeds, grades = zip(*profile, strict=True)
    legs, energy = drive(CART, speeds, row_s, grade_percent=grades)

    want_W, peaks_W = [], []
    for before_m_s, speed_m_s, grade in zip((0.0, *speeds[:-1]), speeds, grades, strict=True):
        sine = grade / math.hypot(100.0, grade)
        ramp_s = min(abs(speed_m_s - before_m_s) / CART.acceleration_m_s2, row_s)
        # A leg a second of the change of speed, ten at the most.
        pieces = min(max(math.ceil(ramp_s - 1e-9), 1), 10) if ramp_s > 0.0 else 0
        rate = (speed_m_s - before_m_s) / ramp_s if ramp_s > 0.0 else 0.0
        part = ramp_s / max(pieces, 1)
        parts = [(before_m_s + rate * part * n, part, rate) for n in range(pieces)]
        parts += [(speed_m_s, row_s - ramp_s, 0.0)] if row_s - ramp_s > 1e-3 else []
        for start_m_s, part_s, rate_m_s2 in parts:

            def power_W(t_s, start_m_s=start_m_s, rate_m_s2=rate_m_s2, sine=sine):
                return wheel_W(CART, start_m_s + rate_m_s2 * t_s, rate_m_s2, sine)

            want_W.append(pack_W(CART, quad(power_W, 0.0, part_s)[0] / part_s))
            peaks_W += [pack_W(CART, power_W(t_s)) for t_s in np.linspace(0.0, part_s, 101)]

    # 0.1 mW: quad's own tolerance, 1.5e-8, of some kilowatts that may cancel.
    assert legs.power_W == pytest.approx(want_W, rel=1e-7, abs=1e-4)
    assert energy.peak_power_W == pytest.approx(max(peaks_W), rel=1e-7, abs=1e-4)


rows = st.lists(
    st.tuples(st.floats(0.05, 90.0), st.floats(0.0, 15.0), st.floats(-30.0, 30.0)),
    min_size=1,
    max_size=40,
)
vehicles = st.builds(
    Vehicle,
    mass_kg=st.floats(20.0, 3000.0),
    rolling_coefficient=st.floats(0.0, 0.2),
    drag_area_m2=st.floats(0.0, 4.0),
    drivetrain_efficiency=st.floats(0.3, 1.0),
    regeneration=st.floats(0.0, 1.0),
    auxiliary_W=st.floats(0.0, 500.0),
    acceleration_m_s2=st.floats(0.05, 5.0),
    air_density_kg_m3=st.floats(0.9, 1.4),
    gravity_m_s2=st.floats(1.6, 9.83),
)


def random_drive(vehicle: Vehicle, profile) -> tuple[RoadLegs, RoadEnergy, float]:
    """Legs, energies and the end of a random profile of rows (length, speed, grade)."""
    row_s, speed_m_s, grade_percent = np.array(profile).T
    edges_s = np.concatenate(([0.0], np.cumsum(row_s)))
    slope = {"grade_percent": grade_percent}
    return *road_legs(vehicle, edges_s[:-1], speed_m_s, edges_s[-1], **slope), edges_s[-1]


@settings(max_examples=150, deadline=None)
@given(vehicle=vehicles, profile=rows)
def test_terms_close_and_legs_follow_without_gaps(vehicle, profile):
    legs, energy, end_s = random_drive(vehicle, profile)

    way_Wh = energy.rolling_Wh + energy.drag_Wh + energy.climb_Wh - energy.descent_Wh
    speed_Wh = energy.accelerating_Wh - energy.braking_Wh
    lost_Wh = energy.friction_brakes_Wh + energy.drivetrain_loss_Wh
    terms_Wh = way_Wh + speed_Wh + lost_Wh + energy.auxiliary_Wh
    from_legs_Wh = float(np.sum(legs.power_W * legs.duration_s)) / J_PER_WH
    room_Wh = 1e-9 * turnover_Wh(energy)  # rounding
    assert abs(from_legs_Wh - terms_Wh) <= room_Wh
    assert abs(energy.residual_Wh) <= room_Wh
    ends_s = np.append(legs.t0_s[1:], end_s)
    assert np.all(legs.duration_s > 0.0)
    assert np.allclose(legs.t0_s + legs.duration_s, ends_s, rtol=0.0, atol=1e-9)


@settings(max_examples=150, deadline=None)
@given(vehicle=vehicles, profile=rows)
def test_regeneration_never_returns_more_than_was_there_to_brake(vehicle, profile):
    _, energy, _ = random_drive(vehicle, profile)
    _, friction_only, _ = random_drive(vehicle._replace(regeneration=0.0), profile)

    # All braking heats the friction brakes where nothing is returned.
    braked_Wh = friction_only.friction_brakes_Wh
    share = vehicle.regeneration * vehicle.drivetrain_efficiency
    assert braked_Wh <= energy.braking_Wh + energy.descent_Wh + 1e-9
    assert energy.regenerated_Wh == pytest.approx(braked_Wh * share, rel=1e-9, abs=1e-12)
    saved_Wh = friction_only.battery_Wh - energy.battery_Wh
    assert abs(saved_Wh - energy.regenerated_Wh) <= 1e-9 * turnover_Wh(energy)  # rounding


@settings(max_examples=60, deadline=None)
@given(vehicle=vehicles, speed_m_s=st.floats(0.1, 15.0), grade=st.floats(-30.0, 30.0))
def test_halving_the_rows_of_a_constant_speed_changes_nothing(vehicle, speed_m_s, grade):
    # 600 s is longer than any of these changes of speed, 15 m/s at 0.05 m/s2.
    _, whole = drive(vehicle, [speed_m_s] * 3, 600.0, grade_percent=[grade] * 3)
    _, halves = drive(vehicle, [speed_m_s] * 6, 300.0, grade_percent=[grade] * 6)

    for name, amount in whole._asdict().items():
        if name.endswith("_Wh"):  # 1e-9: rounding
            assert abs(amount - getattr(halves, name)) <= 1e-9 * turnover_Wh(whole), name
    assert halves.distance_m == pytest.approx(whole.distance_m, rel=1e-12)


@given(speed_m_s=st.floats(0.5, 12.0), grade=st.floats(0.0, 30.0))
def test_up_a_hill_and_back_with_an_ideal_drive_costs_rolling_and_drag_only(speed_m_s, grade):
    ideal = CART._replace(drivetrain_efficiency=1.0, regeneration=1.0)
    hill = [0.0, grade, -grade, 0.0]

    _, energy = drive(ideal, [speed_m_s, speed_m_s, speed_m_s, 0.0], 100.0, grade_percent=hill)

    ramp_m = speed_m_s**2 / (2.0 * 0.5)
    ramp_s = speed_m_s / 0.5
    flat_m = speed_m_s * (100.0 - ramp_s) + 2.0 * ramp_m
    hill_m = 2.0 * 100.0 * speed_m_s
    cosine = 100.0 / math.hypot(100.0, grade)
    rolling_J = 0.03 * 640.0 * 9.80665 * (flat_m + hill_m * cosine)
    cube = speed_m_s**3 * (300.0 - ramp_s) + 2.0 * speed_m_s**3 * ramp_s / 4.0
    drag_J = 0.5 * 1.2 * 1.6 * cube
    want_Wh = (rolling_J + drag_J + 60.0 * 400.0) / J_PER_WH
    assert energy.battery_Wh == pytest.approx(want_Wh, rel=1e-9)  # rounding
    assert energy.climb_m == pytest.approx(100.0 * speed_m_s * grade / math.hypot(100.0, grade))
    assert energy.climb_Wh == pytest.approx(energy.descent_Wh, rel=1e-12)


def test_elevation_and_grade_of_the_same_way_cost_the_same():
    speeds = [3.0, 3.5, 2.0, 0.0, 4.0, 1.0]
    grades = [4.0, -2.0, 6.0, 0.0, -5.0, 0.0]
    _, by_grade = drive(CART, speeds, 30.0, grade_percent=grades)
    way_m = [drive(CART, speeds[:n], 30.0)[1].distance_m for n in range(len(speeds) + 1) if n]
    row_m = np.diff(way_m, prepend=0.0)
    rise_m = [g / math.hypot(100.0, g) * m for g, m in zip(grades, row_m, strict=True)]
    elevation_m = 120.0 + np.concatenate(([0.0], np.cumsum(rise_m)[:-1]))

    _, by_elevation = drive(CART, speeds, 30.0, elevation_m=elevation_m)

    assert by_elevation.climb_m == pytest.approx(by_grade.climb_m, rel=1e-9)  # differences of 120 m
    assert by_elevation.battery_Wh == pytest.approx(by_grade.battery_Wh, rel=1e-9)
    assert by_elevation.ignored_height_m == 0.0


def test_height_wander_while_standing_is_passed_over_and_counted():
    speeds = [0.0, 0.0, 2.0, 2.0]

    legs, energy = drive(CART, speeds, elevation_m=[50.0, 51.5, 50.5, 51.0])

    assert energy.ignored_height_m == pytest.approx(2.5, rel=1e-12)  # 1.5 up and 1.0 down
    assert energy.climb_m == pytest.approx(0.5, rel=1e-9)
    assert legs.power_W[:2].tolist() == [60.0, 60.0]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"speed_m_s": [1.0, -0.5, 1.0]}, "row 2: speed_m_s is -0.5; accepted is 0 or more"),
        ({"speed_m_s": [1.0, 1.0, math.nan]}, "row 3: speed_m_s is nan"),
        ({"time_s": [0.0, 10.0, 10.0]}, "row 2: it lasts 0 s"),
        ({"time_s": [0.0, 20.0, 10.0]}, "row 2: it lasts -10 s"),
        ({"end_s": 20.0}, "row 3: it lasts 0 s"),
        ({"grade_percent": [0.0, 40.0, 41.0]}, r"row 2: the slope .* 0.371 .*\(and 1 more\)"),
        ({"grade_percent": [0.0, 0.0, math.inf]}, "row 3: grade_percent is inf"),
        ({"elevation_m": [0.0, 0.0, 9.0]}, "row 2: the slope has a sine of 0.9"),
        (
            {"speed_m_s": [0.0, 0.0, 1.0], "elevation_m": [3.0, 3.0, 5.1]},
            "row 2: elevation_m changes by 2.1 m .* stands still",
        ),
        ({"grade_percent": [0.0] * 3, "elevation_m": [0.0] * 3}, "only one can set the slope"),
        ({"grade_percent": [0.0, 0.0]}, "differ in length"),
        ({"time_s": [], "speed_m_s": []}, "no rows"),
    ],
)
def test_bad_profile_is_refused_with_its_row(change, words):
    profile = {"time_s": [0.0, 10.0, 20.0], "speed_m_s": [1.0, 1.0, 1.0], "end_s": 30.0}

    with pytest.raises(InputError, match=words):
        road_legs(CART, **(profile | change))


def test_slope_at_the_limit_is_accepted():
    steepest_percent = 100.0 * math.tan(math.asin(0.35)) - 1e-9

    _, energy = drive(CART, [1.0], 100.0, grade_percent=[steepest_percent])
    assert energy.climb_m == pytest.approx(0.35 * energy.distance_m, rel=1e-9)


def test_impossible_vehicle_is_refused_with_every_complaint_at_once():
    bad = Vehicle(0.0, -0.1, math.nan, drivetrain_efficiency=1.2, regeneration=1.5)

    with pytest.raises(InputError) as refusal:
        drive(bad, [1.0])

    assert refusal.value.complaints == [
        "mass_kg is 0; accepted is a number above 0",
        "rolling_coefficient is -0.1; accepted is a number 0 or more",
        "drag_area_m2 is nan; accepted is a number 0 or more",
        "drivetrain_efficiency is 1.2; accepted is a number above 0 and up to 1",
        "regeneration is 1.5; accepted is a number from 0 to 1",
    ]
