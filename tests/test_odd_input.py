"""Odd but usable: told as a note, or answered by a verdict that fails; never an error."""

from __future__ import annotations

import pytest
from small_day import BOX, CLOCK_DAY, answer, write_day

from sim.files.case import read_case

# What is not wrong, only idle: told as a note, so that nobody trusts a number that nothing reads.
IDLE = [
    ({"start.box_C": 20.0}, "[start] box_C is not used: there is no [enclosure]"),
    ({"ambient.warmest": "13:00"}, "[ambient] warmest is not used: it belongs to low_C and high_C"),
    ({"ambient.time_unit": "s"}, "[ambient] time_unit is not used: it belongs to a profile"),
    (
        {"cooling": {"conductance_W_K": 0.05, "emissivity": 0.9}},
        "[cooling] emissivity is not used: conductance_W_K replaces it",
    ),
    (
        {"enclosure": {**BOX, "sunset": "20:00"}},
        "[enclosure] sunset is not used: it belongs to sun_W",
    ),
    (
        {"enclosure": {**BOX, "sun_area_m2": 0.5, "sun_absorptance": 0.5}},
        "[enclosure] sun_area_m2 is not used: it belongs to an [ambient] profile with sun",
    ),
    (
        {
            "vehicle": {
                "mass_kg": 300,
                "rolling_coefficient": 0.02,
                "drag_area_m2": 1.0,
                "drivetrain_efficiency": 0.8,
            }
        },
        "[vehicle] is not used: {folder}/load.csv gives power",
    ),
    ({"load.scale": 0}, "[load] is 0 throughout, so nothing is asked of the pack"),
]


@pytest.mark.parametrize("changes, said", IDLE)
def test_what_nothing_reads_is_told_as_a_note(tmp_path, changes, said):
    path = write_day(tmp_path, changes)

    assert f"{path}: {said.format(folder=tmp_path)}" in read_case(path).notes


def test_a_weather_files_sun_without_a_box_is_told_as_a_note(tmp_path):
    (tmp_path / "air.csv").write_text(CLOCK_DAY, encoding="utf-8")
    path = write_day(tmp_path, {"ambient": {"profile": "air.csv"}})

    notes = read_case(path).notes

    assert f"{tmp_path}/air.csv: 'sun_W_m2' is not used: there is no [enclosure]" in notes


@pytest.mark.parametrize(
    "changes, first",
    [
        ({"limits.core_max_C": 20}, "Gets too hot: core above limit (20.0 C) at 10:00, 40 min in"),
        ({"start.cell_C": 65}, "Gets too hot: core above limit (60.0 C) at 10:00, "),
        (
            {"limits.cutoff_V": 3.9, "start.charge_percent": 50},
            "Does not last the day: cell below cut-off (3.90 V) at 10:00; hottest core",
        ),
        (
            {"pack": {"series": 1, "parallel": 1}, "load.scale": 100},
            "Does not last the day: cell below cut-off (2.50 V) at 10:00, then cell current above "
            "limit",
        ),
        (
            {"load.discharge": "negative"},
            "Stays cool, but crosses 2 other limits: cell above full voltage (4.20 V) at 10:00",
        ),
        (
            {"ambient.constant_C": -40},
            "Stays cool, but crosses another limit: core too cold to discharge (-20.0 C) at 10:00",
        ),
    ],
)
def test_a_pack_beyond_a_limit_from_the_start_is_an_answer_not_an_error(tmp_path, changes, first):
    path = write_day(tmp_path, changes)

    code, out, err = answer("simulate", path, "--no-plots", "--out", tmp_path / "result")

    assert (code, err) == (1, "")
    assert first in out.splitlines()[0]
