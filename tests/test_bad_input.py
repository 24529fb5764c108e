"""What can't be used is refused in sentences: the key, what was found, what is accepted.

Sources of the rules: the scenario and profile formats as the project's design lays them down.
"""

from __future__ import annotations

import datetime
import math

import pytest
from small_day import BOX, CLOCK_DAY, GONE, complaints, load_csv, write_day

NO_CLOCK = {"load.start": GONE}


IN_THE_SCENARIO = [
    # Unknown keys, at every level, with the nearest known one.
    ({"titel": "x"}, "titel is not known here; did you mean 'title'?"),
    ({"pak": {}}, "pak is not known here; did you mean 'pack'?"),
    ({"pack.seires": 4}, "[pack] seires is not known here; did you mean 'series'?"),
    ({"load.repeats": 2}, "[load] repeats is not known here; did you mean 'repeat'?"),
    ({"limits.cutof_V": 3.0}, "[limits] cutof_V is not known here; did you mean 'cutoff_V'?"),
    (
        {"pack.colour": "red"},
        "[pack] colour is not known here; "
        "known here: joint_mohm, lead_mohm, packs, parallel, series",
    ),
    (
        {"pack.a\nb": 1},
        '[pack] "a\\nb" is not known here; '
        "known here: joint_mohm, lead_mohm, packs, parallel, series",
    ),
    # Wrong types.
    ({"pack.series": "4"}, '[pack] series is "4"; accepted: a whole number, 1 to 1000'),
    ({"pack.series": True}, "[pack] series is true; accepted: a whole number, 1 to 1000"),
    ({"pack.series": 4.5}, "[pack] series is 4.5; accepted: a whole number, 1 to 1000"),
    ({"pack.joint_mohm": True}, "[pack] joint_mohm is true; accepted: a number, 0 to 100"),
    ({"pack.joint_mohm": "0.4"}, '[pack] joint_mohm is "0.4"; accepted: a number, 0 to 100'),
    ({"pack.joint_mohm": [0.4]}, "[pack] joint_mohm is a list; accepted: a number, 0 to 100"),
    ({"title": 7}, "title is 7; accepted: text in quotes"),
    ({"title": ""}, 'title is ""; accepted: some text'),
    ({"title": "a\nb"}, 'title is "a\\nb"; accepted: one line, without control characters'),
    ({"pack": 4}, "[pack] is 4; accepted: a table"),
    ({"pack": [{"series": 4}]}, "[pack] is a list; accepted: a table"),
    ({"cell": "cell.toml"}, '[cell] is "cell.toml"; accepted: a table'),
    ({"load.start": datetime.time(6, 30)}, "[load] start is 06:30:00; accepted: text in quotes"),
    (
        {"load.start": "25:00"},
        '[load] start is "25:00"; accepted: a clock time such as "06:30" or "06:30:15"',
    ),
    ({"load.day_first": "yes"}, '[load] day_first is "yes"; accepted: true or false'),
    # No numbers, and numbers out of bounds.
    ({"pack.joint_mohm": math.nan}, "[pack] joint_mohm is nan; accepted: a number, 0 to 100"),
    ({"pack.joint_mohm": math.inf}, "[pack] joint_mohm is inf; accepted: a number, 0 to 100"),
    ({"pack.parallel": -16}, "[pack] parallel is -16; accepted: a whole number, 1 to 10000"),
    ({"pack.packs": 0}, "[pack] packs is 0; accepted: a whole number, 1 to 100"),
    ({"load.repeat": 0}, "[load] repeat is 0; accepted: a whole number, 1 to 1000"),
    ({"load.scale": -1.0}, "[load] scale is -1.0; accepted: a number, 0 to 1000"),
    (
        {"ambient.constant_C": 298.15},
        "[ambient] constant_C is 298.15; accepted: a number, -50 to 70",
    ),
    (
        {"cooling.exposed_fraction": 60},
        "[cooling] exposed_fraction is 60; accepted: a number, 0 to 1",
    ),
    (
        {"cooling.conductance_W_K": 0.0},
        "[cooling] conductance_W_K is 0.0; accepted: a number, above 0 and up to 100",
    ),
    (
        {"limits.reserve_percent": 100},
        "[limits] reserve_percent is 100; accepted: a number, 0 or more and below 100",
    ),
    (
        {"start.charge_percent": 0},
        "[start] charge_percent is 0; accepted: a number, above 0 and up to 100",
    ),
    # Words that are no choice.
    ({"limits.on_cutoff": "halt"}, "[limits] on_cutoff is \"halt\"; accepted: 'stop' or 'record'"),
    ({"cooling.axis": "flat"}, "[cooling] axis is \"flat\"; accepted: 'lying' or 'standing'"),
    # What is missing.
    ({"title": GONE}, "title is missing; give text in quotes"),
    ({"pack": GONE}, "[pack] is missing; it needs series, parallel"),
    (
        {"load": GONE},
        "[load] is missing; it needs profile or route, or give [[leg]] tables",
    ),
    ({"cell": GONE}, "[cell] is missing; give a table"),
    (
        {"ambient": GONE},
        "[ambient] is missing; it holds constant_C, low_C, high_C, warmest, profile, shift_K",
    ),
    ({"pack.series": GONE}, "[pack] series is missing; give a whole number"),
    ({"cell.profile": GONE}, "[cell] profile is missing; give the path of a cell profile"),
    ({"cell.profile": ""}, '[cell] profile is ""; accepted: the path of a cell profile'),
    ({"cell.profile": "\0"}, '[cell] profile is "\\u0000"; accepted: the path of a cell profile'),
    ({"load.profile": ""}, '[load] profile is ""; accepted: some text'),
    (
        {"load.profile": "\0"},
        '[load] profile is "\\u0000"; accepted: one line, without control characters',
    ),
    # Given twice, or by half.
    (
        {"ambient.low_C": 10.0},
        "[ambient]: give constant_C, or low_C with high_C, or profile; one of the three",
    ),
    (
        {"ambient.profile": "air.csv"},
        "[ambient]: give constant_C, or low_C with high_C, or profile; one of the three",
    ),
    ({"ambient": {"low_C": 10.0}}, "[ambient]: low_C and high_C come together"),
    (
        {"ambient": {"low_C": 30.0, "high_C": 10.0}},
        "[ambient]: low_C 30.0 lies above high_C 10.0",
    ),
    (
        {**NO_CLOCK, "ambient": {"low_C": 10.0, "high_C": 30.0}},
        "[load] start is missing, but [ambient] low_C/high_C needs to know the clock; "
        'give the clock time of the first row, such as start = "06:30"',
    ),
    (
        {"enclosure": {"wall_area_m2": 1.0, "wall_conductance_W_m2K": 3.0}},
        "[enclosure] heat_capacity_J_K is missing; give a number",
    ),
    (
        {"enclosure": {**BOX, "wall_heat_capacity_J_K": 900.0}},
        "[enclosure]: wall_heat_capacity_J_K and inside_conductance_W_m2K come together: "
        "they make the wall a node of its own",
    ),
    (
        {**NO_CLOCK, "enclosure": {**BOX, "sun_W": 60.0}},
        "[load] start is missing, but [enclosure] sun_W needs to know the clock; "
        'give the clock time of the first row, such as start = "06:30"',
    ),
    (
        {"enclosure": {**BOX, "sun_area_m2": 0.5}},
        "[enclosure]: sun_area_m2 and sun_absorptance come together",
    ),
    (
        {"enclosure": {**BOX, "sun_W": 60.0, "sunrise": "19:00"}},
        "[enclosure]: sunrise 19:00 must come before sunset 18:00",
    ),
    # What no pack can mean: each value accepted alone, not together.
    (
        {"limits.cutoff_V": 5.0},
        "[limits] cutoff_V 5 must lie below full_V 4.2 (of the cell profile)",
    ),
    (
        {"limits.full_V": 2.0},
        "[limits] cutoff_V 2.5 (of the cell profile) must lie below full_V 2",
    ),
    (
        {"limits.cutoff_V": 4.3, "limits.full_V": 4.4},
        "[limits] cutoff_V 4.3 is not below the 4.2 V at which a full cell rests, "
        "so no charge would do",
    ),
    (
        {"limits.charge_core_min_C": 50},
        "[limits] charge_core_min_C 50 must lie below charge_core_max_C 45 (of the cell profile)",
    ),
    (
        {"limits.core_max_C": -30},
        "[limits] discharge_core_min_C -20 (of the cell profile) must lie below core_max_C -30",
    ),
    (
        {"start.charge_percent": 10, "limits.reserve_percent": 15},
        "[start] charge_percent 10 lies below [limits] reserve_percent 15",
    ),
    (
        {"cooling.exposed_fraction": 0},
        "[cooling] exposed_fraction is 0, so cells could lose no heat at all; "
        "accepted: above 0 to 1, or a measured conductance_W_K",
    ),
    (
        {"enclosure": {**BOX, "wall_conductance_W_m2K": 30.0, "sun_W": 1500.0}},
        "[enclosure] sun_W 1500 is more than the sun has on wall_area_m2 1; accepted: up to 1361",
    ),
    (
        {"enclosure": {**BOX, "sun_area_m2": 2.0, "sun_absorptance": 0.5}},
        "[enclosure] sun_area_m2 2 is more than wall_area_m2 1",
    ),
    (
        {"enclosure": {**BOX, "other_heat_W": 3000.0}},
        "[enclosure] other_heat_W and sun_W would warm the box by 1e+03 K through these walls, "
        "without any cell; accepted: up to 500 K",
    ),
    (
        {"ambient.constant_C": 70, "ambient.shift_K": 40},
        "[ambient] air goes from 110.0 to 110.0 C; accepted: -50 to 100 C, shift_K in it",
    ),
]


@pytest.mark.parametrize("changes, said", IN_THE_SCENARIO)
def test_a_broken_scenario_is_refused_by_key_value_and_what_is_accepted(tmp_path, changes, said):
    path = write_day(tmp_path, changes)

    assert complaints(path) == [f"{path}: {said}"]


def test_all_complaints_about_a_scenario_come_in_one_go(tmp_path):
    path = write_day(
        tmp_path,
        {"pack.series": "x", "pack.paralel": 3, "load": 3, "title": GONE, "float": 1},
    )

    assert complaints(path) == [
        f"{path}: [load] is 3; accepted: a table",
        f"{path}: [pack] paralel is not known here; did you mean 'parallel'?",
        f'{path}: [pack] series is "x"; accepted: a whole number, 1 to 1000',
        f"{path}: float is not known here; did you mean 'load'?",
        f"{path}: title is missing; give text in quotes",
    ]


def test_complaints_about_all_named_files_come_in_one_go(tmp_path):
    path = write_day(tmp_path, {"cell.profile": "nope.toml", "load.profile": "nope.csv"})

    said = complaints(path)

    assert said[0] == f"{tmp_path}/nope.toml is not there; give the path of a TOML file"
    assert said[1].startswith(f"{tmp_path}/nope.csv")
    assert len(said) == 2


def test_a_flood_of_complaints_is_counted(tmp_path):
    path = write_day(tmp_path, {f"pack.key_{i:02d}": i for i in range(30)})

    said = complaints(path)

    assert len(said) == 13
    assert said[-1] == f"{path}: and 18 more"


@pytest.mark.parametrize(
    "content, said",
    [
        (None, "is not there; give the path of a TOML file"),
        (b"\xff\xfet\x00i\x00", "is not UTF-8 text (byte 0); save it as UTF-8"),
        (b"title 'x'", "is not valid TOML: Expected '=' after a key"),
        (b"a = 1\na = 2\n", "is not valid TOML: Cannot overwrite a value"),
        (b"[pack]\nseries = " + b"4" * 5000, "is not valid TOML: Exceeds the limit"),
        (b"a = " + b"[" * 5000, "is not valid TOML here: nested too deep"),
    ],
)
def test_a_file_that_is_no_toml_is_refused(tmp_path, content, said):
    for name in ("day.toml", "cell.toml"):
        path = write_day(tmp_path)
        broken = tmp_path / name
        if content is None:
            broken.unlink()
        else:
            broken.write_bytes(content)

        (line,) = complaints(path)

        assert line.startswith(f"{broken} {said}")


def test_a_folder_is_no_scenario_and_no_profile(tmp_path):
    path = write_day(tmp_path, {"cell.profile": "."})

    assert complaints(tmp_path) == [f"{tmp_path} is a folder; give the path of a TOML file"]
    assert complaints(path) == [f"{tmp_path} is a folder; give the path of a TOML file"]


@pytest.mark.parametrize("value", ["9" * 4000, f"0x{'f' * 5000}", "{" + "a." * 2000 + "a = 1}"])
def test_a_monstrous_value_is_cut_short_in_its_complaint(tmp_path, value):
    path = write_day(tmp_path, {"pack": GONE})
    with path.open("a", encoding="utf-8") as file:
        file.write(f"pack.parallel = 5\npack.series = {value}\n")

    (line,) = complaints(path)

    assert line.startswith(f"{path}: [pack] series is ")
    assert line.endswith("; accepted: a whole number, 1 to 1000")
    assert len(line) < len(str(path)) + 140


def test_a_load_of_nonsense_is_refused_by_line_and_column(tmp_path):
    path = write_day(tmp_path)
    text = load_csv().replace("\n180,350\n", "\n180,much\n").replace("\n300,250\n", "\n300,\n")
    (tmp_path / "load.csv").write_text(text, encoding="utf-8")

    said = complaints(path)

    assert said[0].startswith(f"{tmp_path}/load.csv line 5 column 'power_W': found 'much'; ")
    assert said[1].startswith(f"{tmp_path}/load.csv line 7 column 'power_W': found nothing; ")


@pytest.mark.parametrize("text", ["time_s,power_W\n0,100\n", "time_s,power_W\n", ""])
def test_a_load_that_lasts_no_time_is_refused(tmp_path, text):
    path = write_day(tmp_path)
    (tmp_path / "load.csv").write_text(text, encoding="utf-8")

    (line,) = complaints(path)

    assert line.startswith(f"{tmp_path}/load.csv")


def test_a_load_longer_than_a_year_is_refused(tmp_path):
    path = write_day(tmp_path, {"load.repeat": 900})
    (tmp_path / "load.csv").write_text("time_h,power_W\n0,5\n6,8\n12,0\n", encoding="utf-8")

    assert complaints(path) == [
        f"{path}: [load] lasts 450 days in 1800 rows, 900 times its file; "
        "accepted: up to 366 days and 5000000 rows"
    ]


def test_a_load_of_more_rows_than_memory_holds_is_refused(tmp_path):
    path = write_day(tmp_path, {"load.repeat": 1000})
    rows = load_csv([i % 7 for i in range(6000)], step_s=1)
    (tmp_path / "load.csv").write_text(rows, encoding="utf-8")

    (line,) = complaints(path)

    assert "in 5999000 rows, 1000 times its file; accepted: up to " in line


def test_a_speed_profile_needs_a_vehicle(tmp_path):
    path = write_day(tmp_path)
    text = "time_s,speed_km_h\n0,0\n10,12\n60,12\n70,0\n"
    (tmp_path / "load.csv").write_text(text, encoding="utf-8")

    assert complaints(path) == [
        f"{path}: [vehicle] is missing, but {tmp_path}/load.csv gives speed ('speed_km_h'); "
        "give mass_kg, rolling_coefficient, drag_area_m2 and drivetrain_efficiency"
    ]


def test_the_sun_may_be_given_once_only(tmp_path):
    (tmp_path / "air.csv").write_text(CLOCK_DAY, encoding="utf-8")
    path = write_day(
        tmp_path, {"ambient": {"profile": "air.csv"}, "enclosure": {**BOX, "sun_W": 60.0}}
    )

    assert complaints(path) == [
        f"{path}: the sun is given twice, by [enclosure] sun_W and by {tmp_path}/air.csv; "
        "accepted: one of the two"
    ]
