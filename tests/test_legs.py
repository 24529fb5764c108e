"""Days written leg by leg: distances, durations and energies by the formulas of uniform motion."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_day import answer, complaints, rows_of, write_day

from sim.errors import InputError
from sim.files.case import Case, read_case
from sim.files.leg_load import leg_load
from sim.files.leg_schema import LegTable
from sim.physics.pack import CURRENT
from sim.physics.road import Vehicle

G_M_S2 = 9.80665  # CGPM 1901
CART = {
    "mass_kg": 500.0,
    "rolling_coefficient": 0.02,
    "drag_area_m2": 1.5,
    "drivetrain_efficiency": 0.8,
    "auxiliary_W": 40.0,
}
MOVING = Vehicle(500.0, 0.02, 1.5, 0.8, auxiliary_W=40.0)
A_M_S2 = 0.5  # the schema's default


def leg_day(folder: Path, *legs: dict[str, Any], changes: dict[str, Any] | None = None) -> Path:
    ours = {"load": {"start": "07:00"}, "leg": list(legs), "vehicle": CART}
    big = {"pack": {"series": 14, "parallel": 20}}
    return write_day(folder, {**ours, **big, **(changes or {})})


def case_of(folder: Path, *legs: dict[str, Any], **changes: Any) -> Case:
    return read_case(leg_day(folder, *legs, changes=changes))


def length_s(case: Case) -> float:
    return float(case.load.edge_s[-1])


def test_a_leg_of_a_distance_at_a_speed_takes_and_costs_what_uniform_motion_says(tmp_path):
    case = case_of(tmp_path, {"distance_m": 1000, "speed_km_h": 18})
    road, v = case.load_file.road, 5.0

    # 10 s of speeding up and of braking cover 25 m each; the rest goes at 5 m/s.
    assert length_s(case) == pytest.approx(2 * v / A_M_S2 + (1000 - v**2 / A_M_S2) / v)
    assert road.distance_m == pytest.approx(1000.0)
    assert road.rolling_Wh == pytest.approx(0.02 * 500 * G_M_S2 * 1000 / 3600)
    # Drag over a ramp: mean of v^3 over it is v^3 / 4.
    drag_J = 0.5 * 1.2 * 1.5 * v**3 * ((1000 - 50) / v + 2 * 10 / 4)
    assert road.drag_Wh == pytest.approx(drag_J / 3600, rel=1e-6)
    assert road.accelerating_Wh == pytest.approx(0.5 * 500 * v**2 / 3600)
    assert road.braking_Wh == pytest.approx(road.accelerating_Wh)
    assert road.auxiliary_Wh == pytest.approx(40 * length_s(case) / 3600)
    assert case.load_file.quantity == "speed"


def test_a_leg_of_a_duration_includes_speeding_up_and_braking(tmp_path):
    case = case_of(tmp_path, {"duration_min": 5, "speed_km_h": 18})

    assert length_s(case) == pytest.approx(300.0)
    assert case.load_file.road.distance_m == pytest.approx(5.0 * (300 - 10))


def test_legs_without_a_pause_go_on_at_speed_and_legs_with_one_begin_at_rest(tmp_path):
    flat, up = {"distance_km": 1, "speed_km_h": 18}, {"distance_km": 1, "speed_km_h": 36}
    through = case_of(tmp_path, flat, up).load_file.road
    with_pause = case_of(tmp_path, {**flat, "pause_s": 1}, up).load_file.road

    kinetic_Wh = [0.5 * 500 * v**2 / 3600 for v in (5.0, 10.0)]
    assert through.accelerating_Wh == pytest.approx(kinetic_Wh[1])
    assert with_pause.accelerating_Wh == pytest.approx(sum(kinetic_Wh))
    assert through.distance_m == pytest.approx(2000.0)
    assert with_pause.distance_m == pytest.approx(2000.0)


def test_a_slower_leg_brakes_first_and_keeps_its_distance(tmp_path):
    case = case_of(
        tmp_path, {"distance_km": 1, "speed_km_h": 36}, {"distance_m": 400, "speed_km_h": 18}
    )

    assert case.load_file.road.distance_m == pytest.approx(1400.0)
    ramps_m = 10**2 / 2 / A_M_S2, (10**2 - 5**2) / 2 / A_M_S2, 5**2 / 2 / A_M_S2
    slow_s = 10 + (400 - ramps_m[1] - ramps_m[2]) / 5 + 10  # from 10 to 5 m/s, and to rest
    assert length_s(case) == pytest.approx(20 + (1000 - ramps_m[0]) / 10 + slow_s)


def test_a_grade_climbs_rise_over_run(tmp_path):
    road = case_of(
        tmp_path, {"distance_km": 2, "speed_km_h": 18, "grade_percent": 5}
    ).load_file.road

    climb_m = 2000 * math.sin(math.atan(0.05))
    assert road.climb_m == pytest.approx(climb_m)
    assert road.climb_Wh == pytest.approx(500 * G_M_S2 * climb_m / 3600)


def test_payload_counts_as_mass_on_its_own_leg_only(tmp_path):
    way = {"distance_km": 1, "speed_km_h": 18}
    road = case_of(tmp_path, way, {**way, "payload_kg": 250}, way).load_file.road

    assert road.rolling_Wh == pytest.approx(0.02 * G_M_S2 * 1000 * (500 + 750 + 500) / 3600)
    assert road.accelerating_Wh == pytest.approx(0.5 * 25 * (500 + 750 + 500) / 3600)


def test_repeat_drives_a_leg_and_its_pause_again(tmp_path):
    leg = {"distance_m": 500, "speed_km_h": 10.8, "pause_min": 2}
    once = case_of(tmp_path, leg)
    thrice = case_of(tmp_path, {**leg, "repeat": 3})

    assert length_s(thrice) == pytest.approx(3 * length_s(once))
    assert thrice.load_file.road.battery_Wh == pytest.approx(3 * once.load_file.road.battery_Wh)
    assert thrice.load_file.lines.tolist() == [1, 1, 1]


def test_power_and_pause_without_a_vehicle_are_held_as_they_stand(tmp_path):
    legs = (
        {"power_W": 800, "duration_h": 1, "pause_min": 30},
        {"power_W": -100, "duration_s": 60},
        {"pause_h": 1},
    )
    path = write_day(tmp_path, {"load": {"start": "07:00"}, "leg": list(legs)})
    case = read_case(path)

    assert case.load.edge_s.tolist() == [0, 3600, 5400, 5460, 9060]
    assert case.load.value.tolist() == [800, 0, -100, 0]
    assert (case.load_file.quantity, case.load_file.road) == ("power", None)


def test_currents_are_held_as_they_stand_and_count_by_the_hour(tmp_path):
    legs = (
        {"current_A": 20, "duration_h": 0.5, "pause_min": 30},
        {"current_A": -4, "duration_min": 15, "repeat": 2},
    )
    path = write_day(tmp_path, {"load": {"start": "07:00"}, "leg": list(legs)})
    case = read_case(path)

    assert case.load.kind == CURRENT
    assert case.load.edge_s.tolist() == [0, 1800, 3600, 4500, 5400]
    assert case.load.value.tolist() == [20, 0, -4, -4]
    assert (case.load_file.quantity, case.load_file.road) == ("current", None)
    code, out, _ = answer("simulate", path, "--json", "--no-plots", "--out", tmp_path / "o")
    assert code == 0
    # 20 A for half an hour less 4 A for half an hour, of all packs.
    assert json.loads(out)["energy"]["charge_Ah"] == pytest.approx(8.0)


@pytest.mark.parametrize(
    "other", [{"power_W": 50, "duration_s": 9}, {"speed_km_h": 9, "distance_m": 99}]
)
def test_currents_do_not_mix_with_powers_and_speeds(tmp_path, other):
    path = leg_day(tmp_path, other, {"current_A": 20, "duration_h": 0.5})

    (said,) = complaints(path)
    assert "[[leg]] 2 gives current_A and [[leg]] 1 does not; accepted: a day of currents" in said


def test_speeds_and_powers_mix_in_one_day(tmp_path):
    way = {"distance_km": 1, "speed_km_h": 18}
    case = case_of(tmp_path, way, {"power_W": 300, "duration_min": 10}, way, {"pause_min": 5})
    alone = case_of(tmp_path, way)

    assert length_s(case) == pytest.approx(2 * length_s(alone) + 600 + 300)
    row_s = np.diff(case.load.edge_s)
    total_Wh = float((case.load.value * row_s).sum()) / 3600
    once_Wh = alone.load_file.road.battery_Wh
    assert total_Wh == pytest.approx(2 * once_Wh + 300 / 6 + 40 / 12)  # the lights stay on
    assert case.load_file.road.distance_m == pytest.approx(2000.0)


def test_legs_are_the_same_load_as_their_rows_written_as_a_profile(tmp_path):
    """18 km/h for 150 s, then 25.2 km/h up 3 % for 200 s, then rest: both start at 0.5 m/s2."""
    case = case_of(
        tmp_path,
        {"duration_s": 150, "speed_km_h": 18},
        {"duration_s": 214, "speed_km_h": 25.2, "grade_percent": 3},
        {"pause_s": 60},
    )
    path = write_day(
        tmp_path,
        {"load.profile": "speed.csv", "vehicle": CART, "pack": {"series": 14, "parallel": 20}},
        "profile",
    )
    (tmp_path / "speed.csv").write_text(
        "time_s,speed_km_h,grade_percent\n0,18,0\n150,25.2,3\n350,0,3\n364,0,0\n424,0,0\n"
    )
    table = read_case(path)

    for name in ("distance_m", "climb_m", "peak_power_W", "rolling_Wh", "drag_Wh"):
        got, want = getattr(case.load_file.road, name), getattr(table.load_file.road, name)
        assert got == pytest.approx(want, rel=1e-9), name
    # A profile that ends at rest stands a second more, with its lights on.
    more_Wh = table.load_file.road.battery_Wh - case.load_file.road.battery_Wh
    assert more_Wh == pytest.approx(40 / 3600, rel=1e-6)


SPEEDS = st.floats(2, 40)
WAYS = st.builds(
    lambda v, spare, grade, pause: LegTable(
        # Long enough to reach 40 km/h from any speed and to brake again: 2 v^2 / 2a and spare.
        distance_m=300.0 + spare,
        speed_km_h=v,
        grade_percent=grade,
        pause_s=pause,
    ),
    SPEEDS,
    st.floats(0, 3000),
    st.floats(-10, 10),
    st.none() | st.floats(1, 600),
)
POWERS = st.builds(
    lambda p, s: LegTable(power_W=p, duration_s=s), st.floats(-500, 5000), st.floats(1, 5000)
)


@settings(max_examples=60, deadline=None)
@given(st.lists(WAYS | POWERS, min_size=1, max_size=8))
def test_any_legs_cover_their_distances_and_their_time_has_no_gap(legs):
    load, road = leg_load(legs, MOVING, Path("day.toml"))

    ways = [leg.distance for leg in legs if leg.distance is not None]
    # 1e-6: a leg as long as its own change of speed is given a cruise of a millisecond.
    assert (road.distance_m if road else 0.0) == pytest.approx(sum(ways), rel=1e-6)
    assert np.all(np.diff(load.edge_s) > 0)
    assert np.all(np.diff(load.row) >= 0)
    assert set(load.row.tolist()) == set(range(len(legs)))
    powers_s = sum(leg.duration for leg in legs if leg.duration is not None)
    pauses_s = sum(leg.pause for leg in legs)
    fastest_km_h = max((leg.speed_km_h for leg in legs if leg.speed_km_h), default=1.0)
    least_s = powers_s + pauses_s + sum(ways) / fastest_km_h * 3.6
    assert load.edge_s[-1] >= (1 - 1e-9) * least_s


def test_the_command_runs_a_day_of_legs_with_a_row_a_leg(tmp_path):
    path = leg_day(
        tmp_path,
        {"name": "out", "distance_km": 2, "speed_km_h": 15, "pause_min": 20},
        {"name": "back", "distance_km": 2, "speed_km_h": 15, "payload_kg": 100},
        changes={"load": {"start": "07:00", "repeat": 2}},
    )

    code, out, err = answer("check", path)
    assert (code, err) == (0, "")
    flat = " ".join(out.split())
    assert "load '[[leg]]' of day.toml as speed, 2 times over: 07:00 to " in flat
    assert "read as 2 [[leg]] tables, driven as 2 legs one after another" in flat
    assert "vehicle 4.00 km, 0 m climbed, top 15.0 km/h" in flat

    code, _, err = answer("simulate", path, "--no-plots", "--out", tmp_path / "o")
    assert (code, err) == (0, "")
    times = [float(row["time_s"]) for row in rows_of(tmp_path / "o" / "timeseries.csv")]
    assert len(times) >= 5  # each leg as it begins, twice, and the end


BAD_LEGS = [
    ({}, "[[leg]] 1: give speed_km_h, power_W, current_A, or a pause alone, such as pause_min"),
    (
        {"distance_m": 5, "distance_km": 1, "speed_km_h": 5},
        "[[leg]] 1: distance_m and distance_km say the same; give one of them",
    ),
    (
        {"speed_km_h": 5, "power_W": 5, "duration_s": 5},
        "[[leg]] 1: give speed_km_h or power_W, one of the two",
    ),
    ({"speed_km_h": 5}, "[[leg]] 1: speed_km_h needs a distance or a duration, one of the two"),
    (
        {"speed_km_h": 5, "distance_m": 5, "duration_s": 5},
        "[[leg]] 1: speed_km_h needs a distance or a duration, one of the two",
    ),
    (
        {"power_W": 100, "distance_m": 5},
        "[[leg]] 1: power_W needs a duration, such as duration_min; how long a distance takes at "
        "a power nobody knows without a speed",
    ),
    (
        {"power_W": 100, "duration_s": 5, "payload_kg": 80},
        "[[leg]] 1: payload_kg is not used: power_W already says what is drawn",
    ),
    (
        {"pause_s": 100, "grade_percent": 2},
        "[[leg]] 1: grade_percent is not used: a pause moves nothing",
    ),
    (
        {"speed_kmh": 5, "duration_s": 5},
        "[[leg]] 1 speed_kmh is not known here; did you mean 'speed_km_h'?",
    ),
    (
        {"speed_km_h": -5, "duration_s": 5},
        "[[leg]] 1 speed_km_h is -5; accepted: a number, above 0 and up to 150",
    ),
    (
        {"speed_km_h": 18, "distance_m": 49},
        "[[leg]] 1 is too short: in 49 m no vehicle can reach 18 km/h and stop again at 0.5 m/s2 "
        "([vehicle] acceleration_m_s2); accepted: 50 m or more, or a lower speed_km_h",
    ),
    (
        {"speed_km_h": 18, "duration_s": 19},
        "[[leg]] 1 is too short: in 19 s no vehicle can reach 18 km/h and stop again at 0.5 m/s2 "
        "([vehicle] acceleration_m_s2); accepted: 20 s or more, or a lower speed_km_h",
    ),
]


@pytest.mark.parametrize("leg, said", BAD_LEGS)
def test_a_bad_leg_is_refused_by_number_key_and_what_is_accepted(tmp_path, leg, said):
    path = leg_day(tmp_path, leg)

    assert said in {told.removeprefix(f"{path}: ") for told in complaints(path)}


def test_legs_that_move_need_a_vehicle(tmp_path):
    path = write_day(
        tmp_path, {"load": {"start": "07:00"}, "leg": [{"speed_km_h": 5, "duration_h": 1}]}
    )

    assert complaints(path) == [
        f"{path}: [vehicle] is missing, but [[leg]] 1 gives speed_km_h; give mass_kg, "
        "rolling_coefficient, drag_area_m2 and drivetrain_efficiency"
    ]


def test_no_legs_and_an_endless_number_of_legs_are_refused(tmp_path):
    path = leg_day(tmp_path)
    assert complaints(path) == [f"{path}: leg is a list; accepted: 1 or more of them"]

    many = [LegTable(pause_s=1, repeat=10_000)] * 11
    with pytest.raises(InputError, match="makes 110000 legs; accepted: up to 100000"):
        leg_load(many, None, Path("day.toml"))
