"""Judge: 25 small logger files with a table of what each must be read as, or how refused.

The files and `expected.csv` were written by somebody else than this reader; they lie outside
the project. Numbers may be off by 0.5 %, the bound that their author set.
"""

from __future__ import annotations

import csv
import zoneinfo
from pathlib import Path

import numpy as np
import pytest

from sim.errors import InputError
from sim.files.load_file import read_load
from sim.files.scenario_schema import ScenarioTable
from sim.files.tables import Column, Table, TableOptions, load_column, read_table

INPUTS = Path(__file__).resolve().parents[2] / "shared" / "cases" / "inputs"
pytestmark = pytest.mark.skipif(
    not (INPUTS / "expected.csv").is_file(), reason="the shared logger files are not here"
)
FOR_A_LOAD = ("power", "current", "speed", "grade", "elevation")
VERDICTS = ("OK", "WARN", "NEEDS_OPTION", "REJECT")
READ_SILENTLY = ("01", "03", "05", "14", "18", "19", "25")
OPTION = {
    "02": TableOptions(thousands="."),
    "06": TableOptions(discharge="negative"),
    "07": TableOptions(discharge="by state"),
    "13": TableOptions(zone="Europe/Berlin"),
    "17": TableOptions(time_column="count", samples_per_second=1000.0),
    "23": TableOptions(column="battery_a"),
}


def expectations() -> list[dict[str, str]]:
    if not (INPUTS / "expected.csv").is_file():
        return [{"file": "absent"}]
    with (INPUTS / "expected.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


EXPECTED = expectations()
BY_NUMBER = {row["file"][:2]: row for row in EXPECTED}


def read(row: dict[str, str], options: TableOptions) -> tuple[Table, Column]:
    table = read_table(INPUTS / row["file"], FOR_A_LOAD, options)
    return table, load_column(table, options)


def assert_numbers(row: dict[str, str], table: Table, load: Column) -> None:
    if row["kind"] == "duplicate_time":
        assert f"{row['n_samples']} rows" in table.notes[0].text
    else:
        assert len(table.time_s) == int(row["n_samples"])
    assert table.time_s[-1] == pytest.approx(float(row["t_last_s"]), rel=1e-9)
    held_Ah = float(np.sum(load.values[:-1] * np.diff(table.time_s))) / 3600
    assert held_Ah == pytest.approx(float(row["ah_hold"]), rel=0.005)
    for name, quantity, worst in (
        ("v_min", "voltage", np.nanmin),
        ("temp_max_c", "temperature", np.nanmax),
        ("temp_min_c", "temperature", np.nanmin),
    ):
        columns = [column.values for column in table.find(quantity)]
        if row[name] and columns:
            found = worst([worst(v) for v in columns if np.isfinite(v).any()])
            assert found == pytest.approx(float(row[name]), rel=1e-9), name


@pytest.mark.parametrize("row", EXPECTED, ids=lambda row: row["file"])
def test_each_file_is_read_or_refused_as_its_author_expects(row):
    allowed = {row["verdict"], row["also_acceptable"]} & set(VERDICTS)
    try:
        table, load = read(row, TableOptions())
    except InputError as refused:
        assert allowed & {"REJECT", "NEEDS_OPTION"}, str(refused)
        text = str(refused)
        assert f"{row['file']} line {row['line']}" in text
        assert "Traceback" not in text and "Error" not in text
        if "REJECT" not in allowed:
            assert "[load]" in text
        return
    noted = [note for note in table.notes if note.kind == row["kind"]]
    verdict = "WARN" if table.notes else "OK"
    assert verdict in allowed, [note.text for note in table.notes]
    if verdict == "WARN":
        assert int(row["line"]) in [note.line for note in noted]
        for note in table.notes:
            assert note.text.startswith(f"{INPUTS / row['file']} line {note.line}: ")
    assert_numbers(row, table, load)


@pytest.mark.parametrize("number", READ_SILENTLY)
def test_ordinary_files_are_read_without_a_word(number):
    table, load = read(BY_NUMBER[number], TableOptions())

    assert table.notes == ()
    assert_numbers(BY_NUMBER[number], table, load)


@pytest.mark.parametrize("number", OPTION)
def test_the_option_that_the_refusal_asks_for_makes_the_file_readable(number):
    if number == "13" and "Europe/Berlin" not in zoneinfo.available_timezones():
        pytest.skip("this system has no table of time zones")
    table, load = read(BY_NUMBER[number], OPTION[number])

    assert_numbers(BY_NUMBER[number], table, load)


def test_both_directions_with_a_minus_stay_refused_with_the_sign_turned():
    with pytest.raises(InputError, match="line 6"):
        read(BY_NUMBER["07"], TableOptions(discharge="negative"))


def test_the_charge_in_the_gap_is_told_apart():
    table, _ = read(BY_NUMBER["16"], TableOptions())

    # 3.9 A over 5444 s is 5.8977 Ah of the 8.6225 (expectations.md)
    assert "5444 s" in table.notes[0].text and "5.898 Ah" in table.notes[0].text


def test_two_current_columns_are_both_named():
    with pytest.raises(InputError, match=r"'motor_a'.*'battery_a'"):
        read(BY_NUMBER["23"], TableOptions())


def test_miles_per_hour_of_the_file_become_metres_per_second():
    table, _ = read(BY_NUMBER["23"], OPTION["23"])

    assert table.find("speed")[0].values[3] * 3.6 == pytest.approx(19.96, abs=0.005)  # km/h


def test_unused_channels_never_look_like_an_empty_cell():
    table, _ = read(BY_NUMBER["24"], TableOptions())

    cells = {column.header: column.values for column in table.find("voltage")}
    assert np.isnan(cells["c11_V"]).all() and np.isnan(cells["c12_V"]).all()
    assert np.isnan(cells["c03_V"][4]) and np.isfinite(np.delete(cells["c03_V"], 4)).all()


def test_blanks_between_rates_are_held_and_said_in_the_rule():
    table, load = read(BY_NUMBER["19"], TableOptions())

    # expectations.md: blanks as zero would give 0.010278 Ah instead of 0.013722
    assert load.values.tolist() == [0.0, 12.4, 12.4, 12.3, 12.3, 0.0]
    assert "a blank field keeps the value before" in table.rule


# ---- the same files as the load of a scenario, read by the same reader


def as_load(row: dict[str, str], **keys: object):
    scenario = ScenarioTable.model_validate(
        {
            "title": "A raw log as the load",
            "cell": {"profile": "cell.toml"},
            "pack": {"series": 10, "parallel": 6},
            "load": {"profile": str(INPUTS / row["file"]), **keys},
            "ambient": {"constant_C": 20.0},
        }
    )
    return read_load(scenario, Path("day.toml"))


@pytest.mark.parametrize("row", EXPECTED, ids=lambda row: row["file"])
def test_each_file_drives_a_pack_or_is_refused_as_its_author_expects(row):
    allowed = {row["verdict"], row["also_acceptable"]} & set(VERDICTS)
    try:
        found = as_load(row)
    except InputError as refused:
        assert allowed & {"REJECT", "NEEDS_OPTION"}
        assert f"{row['file']} line {row['line']}" in str(refused)
        return
    assert allowed & {"OK", "WARN"}
    if row["kind"] != "duplicate_time":
        assert found.rows == int(row["n_samples"])
    assert_held(row, found)


@pytest.mark.parametrize("number", OPTION)
def test_the_keys_that_a_refused_load_asks_for_make_it_drive_a_pack(number):
    if number == "13" and "Europe/Berlin" not in zoneinfo.available_timezones():
        pytest.skip("this system has no table of time zones")
    keys = {name: told for name, told in vars(OPTION[number]).items() if told is not None}
    found = as_load(BY_NUMBER[number], **{k: v for k, v in keys.items() if k != "flags"})

    assert_held(BY_NUMBER[number], found)


def assert_held(row: dict[str, str], found) -> None:
    # The last row's value goes on for the middle row's length, where the author counts none.
    edges_s, values = found.load.edge_s, found.load.value
    until_s = np.minimum(edges_s[1:], float(row["t_last_s"]))
    held_Ah = float(np.sum(values * np.maximum(until_s - edges_s[:-1], 0.0))) / 3600
    assert held_Ah == pytest.approx(float(row["ah_hold"]), rel=0.005)


def test_the_keys_of_a_refused_load_are_named_by_the_refusal():
    for number, key in (("07", 'discharge = "by state"'), ("13", "zone ="), ("20", "record = 2")):
        with pytest.raises(InputError, match=r"\[load\]") as refused:
            as_load(BY_NUMBER[number])
        assert key in str(refused.value)
