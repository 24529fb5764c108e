"""Tracks of positions: geodesy against other formulas, known climbs and stands, and bad files.

"Vincenty" is the inverse formula of Survey Review 23 (1975) 88, written here from memory and held
to the worked example that geodesists print with it.
"""

from __future__ import annotations

import math
import sys
from pathlib import Path

import gpx_text
import numpy as np
import pytest
from gpx_text import gpx, write
from hypothesis import given, settings
from hypothesis import strategies as st
from small_day import answer, complaints, write_day

from sim.errors import InputError
from sim.files.case import read_case
from sim.files.gpx import read_points
from sim.files.route_file import Route, route_of
from sim.files.track import EARTH_M, box_smoothed, climb_m, haversine_m

CART = {
    "mass_kg": 640.0,
    "rolling_coefficient": 0.03,
    "drag_area_m2": 1.6,
    "drivetrain_efficiency": 0.78,
    "auxiliary_W": 60.0,
}
A_M, FLATTENING = 6378137.0, 1 / 298.257222101  # GRS 80


def vincenty_m(lat1: float, lon1: float, lat2: float, lon2: float) -> float:
    """Return the length of the geodesic on GRS 80 between two points in degrees."""
    b_m = A_M * (1 - FLATTENING)
    u1, u2 = (math.atan((1 - FLATTENING) * math.tan(math.radians(x))) for x in (lat1, lat2))
    apart = lam = math.radians(lon2 - lon1)
    for _ in range(200):
        sin_s = math.hypot(
            math.cos(u2) * math.sin(lam),
            math.cos(u1) * math.sin(u2) - math.sin(u1) * math.cos(u2) * math.cos(lam),
        )
        if sin_s == 0.0:
            return 0.0
        cos_s = math.sin(u1) * math.sin(u2) + math.cos(u1) * math.cos(u2) * math.cos(lam)
        sigma = math.atan2(sin_s, cos_s)
        sin_a = math.cos(u1) * math.cos(u2) * math.sin(lam) / sin_s
        cos2_a = 1 - sin_a**2
        mid = cos_s - 2 * math.sin(u1) * math.sin(u2) / cos2_a if cos2_a else 0.0
        c = FLATTENING / 16 * cos2_a * (4 + FLATTENING * (4 - 3 * cos2_a))
        before = lam
        inner = mid + c * cos_s * (2 * mid**2 - 1)
        lam = apart + (1 - c) * FLATTENING * sin_a * (sigma + c * sin_s * inner)
        if abs(lam - before) < 1e-13:
            break
    k = cos2_a * (A_M**2 - b_m**2) / b_m**2
    big_a = 1 + k / 16384 * (4096 + k * (-768 + k * (320 - 175 * k)))
    big_b = k / 1024 * (256 + k * (-128 + k * (74 - 47 * k)))
    last = big_b / 6 * mid * (4 * sin_s**2 - 3) * (4 * mid**2 - 3)
    more = big_b * sin_s * (mid + big_b / 4 * (cos_s * (2 * mid**2 - 1) - last))
    return b_m * big_a * (sigma - more)


def dms(degrees: float, minutes: float, seconds: float) -> float:
    return math.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees)


# Flinders Peak and Buninyong, the worked example of the geodetic datum's technical manual
# (Australia, GDA94), from memory: 54 972.271 m.
PEAK = dms(-37, 57, 3.72030), dms(144, 25, 29.52440)
HILL = dms(-37, 39, 10.15610), dms(143, 55, 35.38390)


def routed(folder: Path, text: str | None, **over) -> Route:
    """Return the route of a text, or with None of the file that is there."""
    options = {
        "speed_km_h": None,
        "smooth_height_m": 100.0,
        "smooth_speed_s": 5.0,
        "acceleration_m_s2": 0.5,
    }
    path = folder / "ride.gpx" if text is None else write(folder, text)
    return route_of(read_points(path), **{**options, **over})


def driven_m(route: Route) -> float:
    """Return the way of the profile, speeds changing over each row's whole length if they do."""
    row_s = np.diff(route.time_s, append=route.end_s)
    before = np.concatenate(([0.0], route.speed_m_s[:-1]))
    return float((0.5 * (before + route.speed_m_s) * row_s).sum())


def route_day(folder: Path, text: str, changes: dict | None = None) -> Path:
    write(folder, text)
    ours = {"load": {"route": "ride.gpx"}, "pack": {"series": 14, "parallel": 16}, "vehicle": CART}
    return write_day(folder, {**ours, **(changes or {})})


def test_vincentys_formula_here_gives_the_printed_example():
    assert vincenty_m(*PEAK, *HILL) == pytest.approx(54972.271, abs=1e-3)


def test_a_great_circle_lies_within_its_sphere_error_of_the_printed_geodesic():
    # 0.56 %: half the difference between the ellipsoid's radii of curvature and the mean radius.
    assert haversine_m(*PEAK, *HILL) == pytest.approx(54972.271, rel=5.6e-3)


@given(
    lat=st.floats(-89, 89),
    lon=st.floats(-180, 180),
    north_m=st.floats(-2000, 2000),
    east_m=st.floats(-2000, 2000),
)
def test_any_step_lies_within_the_spheres_error_of_vincentys_formula(lat, lon, north_m, east_m):
    lat2 = lat + math.degrees(north_m / EARTH_M)
    lon2 = lon + math.degrees(east_m / EARTH_M / math.cos(math.radians(lat)))

    # A micrometre for the rounding of degrees.
    assert haversine_m(lat, lon, lat2, lon2) == pytest.approx(
        vincenty_m(lat, lon, lat2, lon2), rel=5.7e-3, abs=1e-6
    )


@given(*(st.floats(-90, 90), st.floats(-180, 180)) * 2)
def test_distance_is_the_angle_between_vectors_on_the_sphere(lat1, lon1, lat2, lon2):
    """Another closed form: atan2(|a x b|, a . b)."""

    def unit(lat: float, lon: float) -> np.ndarray:
        lat, lon = math.radians(lat), math.radians(lon)
        return np.array(
            [math.cos(lat) * math.cos(lon), math.cos(lat) * math.sin(lon), math.sin(lat)]
        )

    a, b = unit(lat1, lon1), unit(lat2, lon2)
    angle = math.atan2(float(np.linalg.norm(np.cross(a, b))), float(a @ b))
    # 0.2 m: at the antipodes either form loses half its digits.
    assert haversine_m(lat1, lon1, lat2, lon2) == pytest.approx(EARTH_M * angle, abs=0.2)


def test_a_meridian_driven_evenly_keeps_its_length_and_speed(tmp_path):
    time_s = np.arange(0, 1801)
    text = gpx(5.0 * time_s, 0 * time_s, time_s, latitude_deg=50.0)

    route = routed(tmp_path, text)

    # The log begins under way; the vehicle gathers 5 m/s at 0.5 m/s2, which costs v^2 / 2a.
    assert driven_m(route) == pytest.approx(9000.0 - 25.0, abs=0.1)
    assert route.speed_m_s[10:] == pytest.approx(5.0, abs=1e-3)  # 1e-9 of a degree: 0.1 mm
    assert (route.end_s, route.start_clock_s) == (1800.0, 6 * 3600.0)
    assert route.notes[0].startswith(f"{tmp_path / 'ride.gpx'}: 9.00 km, 30 min")


@pytest.mark.parametrize("smooth_s", [0.0, 5.0, 20.0])
def test_a_circle_has_its_circumference_whatever_the_smoothing(tmp_path, smooth_s):
    radius_m, speed_m_s = 300.0, 4.0
    time_s = np.arange(0, math.floor(2 * math.pi * radius_m / speed_m_s) + 1)
    angle = speed_m_s * time_s / radius_m
    text = gpx(radius_m * np.sin(angle), radius_m * np.cos(angle), time_s)

    route = routed(tmp_path, text, smooth_speed_s=smooth_s)

    arc_m = speed_m_s * time_s[-1]
    # Begun under way, as above; chords of 4 m are 3e-5 shorter than their arcs.
    assert driven_m(route) == pytest.approx(arc_m - speed_m_s**2 / 2 / 0.5, rel=1e-4)
    chord = 2 * radius_m * math.sin(speed_m_s / radius_m / 2)
    assert np.median(route.speed_m_s) == pytest.approx(chord, rel=1e-5)


def test_a_track_over_the_date_line_is_no_jump(tmp_path):
    time_s = np.arange(0, 101)
    text = gpx(0 * time_s, 5.0 * time_s, time_s, longitude_deg=179.998)

    assert driven_m(routed(tmp_path, text)) == pytest.approx(500.0 - 25.0, abs=0.1)


def hill(noise_m: float, seed: int = 3, slope: float = 0.05) -> tuple[str, float]:
    """Return 1 km flat, 2 km up, 1 km flat at 5 m/s with jittering heights, and the true climb."""
    time_s = np.arange(0, 801)
    along_m = 5.0 * time_s
    true_m = 200.0 + slope * np.clip(along_m - 1000.0, 0.0, 2000.0)
    jitter_m = noise_m * np.random.default_rng(seed).standard_normal(len(time_s))
    return gpx(along_m, 0 * along_m, time_s, true_m + jitter_m), slope * 2000.0


@pytest.mark.parametrize("seed", range(5))
def test_smoothing_finds_the_climb_of_a_jittering_ramp_and_says_what_it_did(tmp_path, seed):
    text, true_m = hill(2.0, seed)

    energy = read_case(route_day(tmp_path, text)).load_file.road
    note = routed(tmp_path, text).notes[0]

    # As logged: 800 differences of 2 sqrt(2) m, of whose mean size the rises are half; the ramp
    # itself changes little about it. 15 %: four standard deviations of that sum.
    logged_m = float(note.split("climb ")[1].split(" m")[0])
    assert logged_m == pytest.approx(800 * 2 * math.sqrt(2) / math.sqrt(2 * math.pi), rel=0.15)
    # 12 m: what 2 km of jittering plain leave, 3 m a kilometre, and the ends of the ramp.
    assert true_m - 1.0 <= energy.climb_m <= true_m + 12.0
    told_m = float(note.split("as logged, ")[1].split(" m")[0])
    assert "m with heights averaged twice over 100 m" in note
    assert told_m == pytest.approx(energy.climb_m, abs=2.0)  # the start's lag of a few metres


def test_a_clean_ramp_keeps_its_climb_and_its_energy(tmp_path):
    text, true_m = hill(0.0)

    energy = read_case(route_day(tmp_path, text)).load_file.road

    assert energy.climb_m == pytest.approx(true_m, rel=2e-3)
    assert energy.climb_Wh == pytest.approx(640 * 9.80665 * true_m / 3600, rel=2e-3)


@given(
    st.lists(st.tuples(st.floats(0.1, 50), st.floats(-20, 20)), min_size=3, max_size=40),
    st.floats(0, 300),
)
def test_smoothing_never_adds_climb_and_keeps_both_ends(steps, width):
    x = np.cumsum([dx for dx, _ in steps])
    y = np.array([y for _, y in steps])

    smooth = box_smoothed(x, y, width)

    assert climb_m(smooth) <= climb_m(y) + 1e-6  # rounding of areas of 1e5 m2
    assert smooth[[0, -1]] == pytest.approx(y[[0, -1]], abs=1e-6)
    assert smooth.min() >= y.min() - 1e-6
    assert smooth.max() <= y.max() + 1e-6


@given(st.floats(-2, 2), st.floats(-50, 50), st.floats(0, 500))
def test_smoothing_leaves_a_straight_line_alone(slope, start, width):
    x = np.cumsum([0.0, 3.0, 0.5, 40.0, 7.0, 7.0, 1.0])

    assert box_smoothed(x, start + slope * x, width) == pytest.approx(start + slope * x, abs=1e-9)


def test_stands_are_told_from_creeping_and_their_wander_is_no_way(tmp_path):
    random = np.random.default_rng(5)
    time_s = np.arange(0, 1201)
    moving = (time_s < 300) | ((time_s >= 600) & (time_s < 1000))  # creeps at 1.4 m/s, stands twice
    along_m = 1.4 * np.concatenate(([0.0], np.cumsum(moving[:-1])))
    wander_m = np.convolve(random.standard_normal(1400), np.ones(60) / 60, "same")[:1201] * 2.0
    height_m = 100 + random.standard_normal(1201)
    text = gpx(along_m, wander_m, time_s, height_m)

    route = routed(tmp_path, text)

    row_s = np.diff(route.time_s, append=route.end_s)
    stood_s = float(row_s[(route.speed_m_s == 0.0)].sum())
    assert stood_s == pytest.approx(500.0, abs=30.0)  # the window of 10 s at each of three edges
    assert driven_m(route) == pytest.approx(980.0, rel=0.03)
    assert "in 2 stands (" in route.notes[0]
    assert "m of wander there left out)" in route.notes[0]
    energy = read_case(route_day(tmp_path, text)).load_file.road
    assert energy.ignored_height_m == 0.0
    assert energy.climb_m < 12.0  # of a hundred metres and more as logged


def test_speeds_that_jitter_are_smoothed_and_the_gain_is_told_as_climb(tmp_path):
    random = np.random.default_rng(7)
    time_s = np.arange(0, 601)
    text = gpx(5.0 * time_s + random.normal(0, 0.5, 601), 0 * time_s, time_s)

    before = read_case(route_day(tmp_path, text, {"load.smooth_speed_s": 0.0})).load_file
    after = read_case(route_day(tmp_path, text)).load_file

    # An even drive speeds up once: 0.5 m v^2.
    once_Wh = 0.5 * 640 * 25 / 3600
    assert before.road.accelerating_Wh > 50 * once_Wh
    assert after.road.accelerating_Wh < 5 * once_Wh
    assert before.road.battery_Wh > 1.5 * after.road.battery_Wh  # braked away for nothing
    told = next(note for note in after.notes if "speeding up" in note)
    assert f"as {5**2 / 2 / 9.80665:.0f} m" not in told.split("as logged")[0]
    assert "with speeds averaged twice over 5 s" in told


def test_a_start_and_a_stop_between_sparse_points_take_the_vehicles_own_time(tmp_path):
    time_s = [0, 300, 600, 900]
    text = gpx([0, 1500, 1500, 3000], [0, 0, 0, 0], time_s)

    route = routed(tmp_path, text)

    # 5 m/s at 0.5 m/s2 is reached and left in 10 s; the stand in the middle is a row of its own.
    assert route.time_s == pytest.approx([0, 10, 300, 310, 600, 610])
    assert route.speed_m_s == pytest.approx([5, 5, 0, 0, 5, 5], rel=1e-6)


def test_a_track_without_times_is_driven_at_the_speed_that_is_given(tmp_path):
    along_m = np.arange(0, 3001, 10)
    text = gpx(along_m, 0 * along_m, None, 0.02 * along_m)

    route = routed(tmp_path, text, speed_km_h=18.0)
    energy = read_case(route_day(tmp_path, text, {"load.speed_km_h": 18.0})).load_file.road

    # At 5 m/s, speeding up and braking at 0.5 m/s2 for 10 s each, which covers 25 m each.
    assert route.end_s == pytest.approx(3000 / 5 + 10, rel=1e-6)
    assert route.start_clock_s is None
    assert driven_m(route) == pytest.approx(3000.0, rel=1e-6)
    assert energy.distance_m == pytest.approx(3000.0, rel=1e-6)
    assert energy.top_speed_m_s == pytest.approx(5.0)
    assert energy.climb_m == pytest.approx(60.0, rel=1e-3)
    # No instant asks for more than speeding up at the end of the ramp: (m a + rolling + grade) v.
    grade = math.sin(math.atan(0.02))
    push_N = 640 * (0.5 + 9.80665 * (0.03 * math.cos(math.atan(0.02)) + grade)) + 0.5 * 1.2 * 40
    assert energy.peak_power_W == pytest.approx(push_N * 5 / 0.78 + 60, rel=1e-3)


def test_a_track_is_the_same_load_as_its_speeds_written_as_a_profile(tmp_path):
    time_s = np.arange(0, 901)
    speed_m_s = 4 + 2 * np.sin(time_s / 60)
    along_m = np.concatenate(([0.0], np.cumsum(speed_m_s[:-1])))
    rows = "".join(f"{t},{v}\n" for t, v in zip(time_s, speed_m_s, strict=True))
    track_case = read_case(route_day(tmp_path, gpx(along_m, 0 * along_m, time_s)))
    path = write_day(tmp_path, {"load.profile": "speed.csv", "vehicle": CART}, "profile")
    (tmp_path / "speed.csv").write_text(f"time_s,speed_m_s\n{rows}")
    table_case = read_case(path)

    track, table = track_case.load_file.road, table_case.load_file.road
    # The table starts at 0.5 m/s2 and holds its last row a second more; so does the track start.
    for name in ("rolling_Wh", "drag_Wh", "battery_Wh", "distance_m"):
        assert getattr(track, name) == pytest.approx(getattr(table, name), rel=1.5e-2), name
    assert track_case.load.kind == table_case.load.kind
    assert track.top_speed_m_s == pytest.approx(table.top_speed_m_s, rel=2e-3)


def test_check_and_simulate_show_distance_climb_and_time_of_a_route(tmp_path):
    text, _ = hill(1.0)
    path = route_day(tmp_path, text)

    code, out, err = answer("check", path)
    assert (code, err) == (0, "")
    flat = " ".join(out.split())
    assert "load 'positions' of ride.gpx as speed: 06:00 to 06:13 (13 min)" in flat
    assert "ride.gpx: 4.00 km, climb " in flat
    assert "vehicle 3.98 km, " in flat  # less the 25 m of a start that the log begins after
    assert "m as logged" in flat
    assert "its clock is UTC and the ride begins at 06:00; give [load] start" in flat

    code, out, _ = answer("simulate", path, "--no-plots", "--out", tmp_path / "o")
    assert code in (0, 1)
    assert "heights averaged twice over 100 m" in " ".join(out.split())


def test_the_local_clock_that_is_given_goes_before_the_tracks_utc(tmp_path):
    text, _ = hill(0.0)

    case = read_case(route_day(tmp_path, text, {"load.start": "08:00"}))

    assert case.start_clock_s == 8 * 3600.0
    assert not any("UTC" in note for note in case.notes)


def test_a_track_without_heights_is_flat_and_says_so(tmp_path):
    time_s = np.arange(0, 200)
    route = routed(tmp_path, gpx(3.0 * time_s, 0 * time_s, time_s))

    assert not route.grade_percent.any()
    assert any("has no heights (ele); taken as flat" in note for note in route.notes)


def test_gaps_are_bridged_at_an_even_speed_and_told(tmp_path):
    time_s = np.concatenate((np.arange(0, 100), np.arange(400, 500)))
    route = routed(tmp_path, gpx(4.0 * time_s, 0 * time_s, time_s))

    gap = next(note for note in route.notes if "without a point" in note)
    assert f"{tmp_path / 'ride.gpx'} line 103 (point 100): 301 s without a point; 1204 m" in gap
    assert driven_m(route) == pytest.approx(4.0 * 499 - 4.0**2 / 2 / 0.5, abs=0.1)


def points(*lines: str) -> str:
    return gpx_text.track("\n".join(lines))


A = '<trkpt lat="47.0000" lon="8.0"><time>2031-05-04T06:00:00Z</time></trkpt>'
B = '<trkpt lat="47.0001" lon="8.0"><time>2031-05-04T06:00:05Z</time></trkpt>'
C = '<trkpt lat="47.0002" lon="8.0"><time>2031-05-04T06:00:10Z</time></trkpt>'
UNTIMED = '<trkpt lat="47.0003" lon="8.0"></trkpt>'
BOMB = (
    '<?xml version="1.0"?>\n<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa">'
    + "".join(
        f'<!ENTITY {n} "{f"&{m};" * 10}">' for m, n in zip("bcdefghi", "abcdefgh", strict=True)
    )
    + ']>\n<gpx version="1.1"><trk><name>&i;</name></trk></gpx>'
)
OUTSIDE = (
    '<?xml version="1.0"?>\n<!DOCTYPE gpx [<!ENTITY x SYSTEM "cell.toml">]>\n'
    '<gpx version="1.1"><trk><name>&x;</name></trk></gpx>'
)
REFUSED = [
    (points(UNTIMED, UNTIMED), "line 4 (point 1) has no time that can be read (none has one of 2)"),
    (points(A, B, UNTIMED), "line 6 (point 3) has no time that can be read (1 have no one of 3)"),
    (points(A, C, B), "line 6 (point 3): time runs backwards by 5 s; accepted: points in the"),
    (
        points(A, B.replace("47.0001", "47.01")),
        "line 5 (point 2) lies 1112 m from the point before after 5 s, which is 801 km/h",
    ),
    (
        points(A, B, C.replace("47.0002", "47.0012")),
        "line 6 (point 3) lies 122 m from the point before after 5 s, which is 88 km/h where the "
        "step beside it is at 8; a jump of the receiver?",
    ),
    (
        points(A, A.replace("47.0000", "47.0010"), B),
        "line 5 (point 2) lies 111 m from the point before at the very same time; accepted: up to",
    ),
    (points(A, B.replace("47.0001", "97")), "line 5 (point 2): lat is 97; accepted: -90 to 90"),
    (points(A, B.replace("47.0001", "nan")), "line 5 (point 2): lat is nan; accepted: -90 to 90"),
    (
        points(A.replace("<time>", "<ele>12000</ele><time>"), B),
        "line 4 (point 1): ele is 12000; accepted: -1000 to 9000",
    ),
    (
        points(A.replace("<t", "<ele>10</ele><t", 2), B.replace("<ti", "<ele>90</ele><ti")),
        "line 4 (point 1): the slope is 719 %; accepted: up to 35 %; a larger [load] smooth",
    ),
    (points(A), "has 1 points in tracks and routes; accepted: two or more"),
    (points(A, A), "all points have one time; accepted: two times or more"),
    (
        points(A, B.replace("47.0001", "47.0000")),
        "the track goes nowhere; accepted: one that moves",
    ),
    (BOMB, "line 2 declares a document type (DOCTYPE), whose entities are not read"),
    (OUTSIDE, "line 2 declares a document type (DOCTYPE), whose entities are not read"),
    (
        points(A.replace("<time>", "<extensions>" + "<a>" * 300_000), B),
        "line 4 is nested too deep; accepted: up to 100 levels",
    ),
    ("<gpx><trk>", "is not valid XML: no element found"),
    ("", "is not valid XML: no element found"),
    ("time_s,speed_m_s\n0,1\n", "is not valid XML: syntax error"),
    ("<html><body/></html>", "has 0 points in tracks and routes; accepted: two or more"),
    (points(A, B.replace('lat="47.0001"', 'lat="north"')), "can't be read as GPX: "),
    (points(A, B.replace('lat="47.0001"', "")), "can't be read as GPX: "),
]


@pytest.mark.parametrize("text, said", REFUSED)
def test_a_bad_track_is_refused_with_file_line_and_point(tmp_path, text, said):
    text = text.replace('<ele>10</ele><trkpt lat="47', '<trkpt lat="47')
    path = route_day(tmp_path, text)

    told = complaints(path)

    assert len(told) == 1
    where = tmp_path / "ride.gpx"
    assert told[0].startswith((f"{where} {said}", f"{where}: {said}")), told[0]


def test_an_encoding_that_is_not_utf8_is_refused(tmp_path):
    path = route_day(tmp_path, "")
    text = points(A, B).replace("by hand", "café").replace("UTF-8", "ISO-8859-1")
    (tmp_path / "ride.gpx").write_bytes(text.encode("latin-1"))

    assert "is not UTF-8 text (byte " in complaints(path)[0]


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    path = route_day(tmp_path, "")
    (tmp_path / "ride.gpx").unlink()
    assert complaints(path) == [
        f"{tmp_path / 'ride.gpx'} is not there; give the path of a GPX file"
    ]
    (tmp_path / "ride.gpx").mkdir()
    assert complaints(path) == [f"{tmp_path / 'ride.gpx'} is a folder; give the path of a GPX file"]


def test_without_the_package_one_sentence_says_what_to_install(tmp_path, monkeypatch):
    path = route_day(tmp_path, points(A, B))
    monkeypatch.setitem(sys.modules, "gpxpy", None)

    assert complaints(path) == [
        f"{tmp_path / 'ride.gpx'}: [load] route needs the package 'gpxpy'; install it by: "
        "pip install gpxpy"
    ]


IN_THE_SCENARIO = [
    ({"load.profile": "load.csv"}, "[load]: give profile or route, one of the two"),
    ({"load.unit": "W"}, "[load]: unit belongs to a profile, and there is none"),
    (
        {"load": {"profile": "load.csv", "speed_km_h": 5}},
        "[load]: speed_km_h belongs to a route, and there is none",
    ),
    ({"load.speed_km_h": 0}, "[load] speed_km_h is 0; accepted: a number, above 0 and up to 150"),
    (
        {"leg": [{"pause_s": 5}]},
        "[load] names ride.gpx, so there is no place for [[leg]]; give one",
    ),
]


@pytest.mark.parametrize("changes, said", IN_THE_SCENARIO)
def test_the_scenario_names_one_load_and_only_its_own_keys(tmp_path, changes, said):
    path = route_day(tmp_path, points(A, B), changes)

    assert complaints(path) == [f"{path}: {said}"]


def test_a_route_needs_a_vehicle(tmp_path):
    write(tmp_path, points(A, B, C))
    path = write_day(tmp_path, {"load": {"route": "ride.gpx"}})

    assert complaints(path)[0].startswith(
        f"{path}: [vehicle] is missing, but {tmp_path / 'ride.gpx'} is a route; give mass_kg"
    )


@settings(max_examples=40, deadline=None)
@given(st.data())
def test_a_mutilated_file_ends_in_a_complaint_or_a_route_never_in_a_traceback(
    tmp_path_factory, data
):
    folder = tmp_path_factory.mktemp("gpx")
    raw = bytearray(points(A, B, C, UNTIMED).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(raw) - 1))
        how = data.draw(st.sampled_from(["flip", "cut", "insert"]))
        if how == "flip":
            raw[at] = data.draw(st.integers(0, 255))
        elif how == "cut":
            del raw[at : at + data.draw(st.integers(1, 30))]
        else:
            raw[at:at] = data.draw(st.binary(max_size=5))
    (folder / "ride.gpx").write_bytes(bytes(raw))
    speed = data.draw(st.sampled_from([None, 10.0]))
    try:
        routed(folder, None, speed_km_h=speed)
    except InputError as problem:
        assert str(problem).startswith(str(folder / "ride.gpx"))
