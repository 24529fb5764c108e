"""Judge: 25 logger files and five cases by other authors, through `stillair check LOG` alone.

The logger files lie outside the project; cases are cited by their number, their values retold.
Constants of a case are invented there or rounded from public threads.
"""

from __future__ import annotations

import csv
import json
import re
import zoneinfo
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_day import answer

from sim.files.log_columns import read_log_table
from sim.files.log_correction import corrected_A, read_correction
from sim.files.log_findings import idle, offset_charge_Ah, open_joints, sense_connection
from sim.files.log_heating import column_lag, least_heat_W
from sim.files.log_summary import summarise

SHARED = Path(__file__).resolve().parents[2] / "shared"
INPUTS = SHARED / "cases" / "inputs"
needs_inputs = pytest.mark.skipif(
    not (INPUTS / "expected.csv").is_file(), reason="the shared logger files are not here"
)
VERDICTS = {"OK", "WARN", "NEEDS_OPTION", "REJECT"}
YES, NO, UNUSABLE = 0, 1, 2
FLAGS = {  # what expectations.md lets be declared, and so reads the refused files
    "02": ["--thousands", "."],
    "06": ["--discharge", "negative"],
    "07": ["--discharge", "by-state"],
    "13": ["--zone", "Europe/Berlin"],
    "17": ["--time-column", "count", "--samples-per-second", "1000"],
    "23": ["--column", "battery_a"],
}


def expectations() -> list[dict[str, str]]:
    if not (INPUTS / "expected.csv").is_file():
        return []
    with (INPUTS / "expected.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def content(*words: str | Path) -> dict:
    code, out, err = answer("check", *words, "--json")
    assert code in (YES, NO), err
    return json.loads(out)


def assert_as_expected(row: dict[str, str], got: dict) -> None:
    """Compare with one row of expected.csv; 0.5 % is its author's bound."""
    if row["kind"] != "duplicate_time":
        assert got["rows"] == int(row["n_samples"])
    assert got["span_s"] == pytest.approx(float(row["t_last_s"]), rel=1e-9)
    assert got["charge_Ah"]["net"] == pytest.approx(float(row["ah_hold"]), rel=0.005)
    if row["kind"] != "duplicate_time":  # its straight lines run between rows, ours between means
        straight = got["charge_Ah"]["net_by_straight_lines"]
        assert straight == pytest.approx(float(row["ah_trap"]), rel=0.005)
    for name, quantity, end, pick in (
        ("v_min", "voltage", "lowest", min),
        ("temp_max_c", "temperature", "highest", max),
        ("temp_min_c", "temperature", "lowest", min),
    ):
        ends = [c[end] for c in got["columns"] if c["quantity"] == quantity and c[end] is not None]
        if row[name] and ends:
            assert pick(ends) == pytest.approx(float(row[name]), rel=1e-9), name


@needs_inputs
@pytest.mark.parametrize("row", expectations(), ids=lambda row: row["file"])
def test_each_logger_file_is_checked_as_its_author_expects(row):
    allowed = {row["verdict"], row["also_acceptable"].split(" ")[0]} & VERDICTS
    code, out, err = answer("check", INPUTS / row["file"], "--json")
    if code == UNUSABLE:
        assert allowed & {"REJECT", "NEEDS_OPTION"}, err
        assert out == "" and f"{row['file']} line {row['line']}" in err
        assert "REJECT" in allowed or "`--" in err
        assert "Traceback" not in err and "[load]" not in err
        return
    got = json.loads(out)
    assert code == YES and got["verdict"]["faults"] == 0
    verdict = "WARN" if got["notes"] else "OK"
    assert verdict in allowed, got["notes"]
    if verdict == "WARN":
        told = {(note["kind"], note["line"]) for note in got["notes"]}
        assert (row["kind"], int(row["line"])) in told
    assert_as_expected(row, got)


@needs_inputs
@pytest.mark.parametrize("number", FLAGS)
def test_what_may_be_declared_makes_a_refused_file_readable(number):
    row = next(row for row in expectations() if row["file"].startswith(number))
    if number == "13" and "Europe/Berlin" not in zoneinfo.available_timezones():
        pytest.skip("this system has no table of time zones")

    assert_as_expected(row, content(INPUTS / row["file"], *FLAGS[number]))


@needs_inputs
@pytest.mark.parametrize(("record", "seconds", "ampere"), [("1", 5.0, 10.0), ("2", 4.0, 12.0)])
def test_either_record_of_a_rebooted_logger_is_read_on_request(record, seconds, ampere):
    got = content(INPUTS / "20_header_again_after_reboot.csv", "--record", record)

    assert got["span_s"] == seconds
    assert got["charge_Ah"]["net"] == pytest.approx(seconds * ampere / 3600.0, rel=1e-9)
    assert [note["kind"] for note in got["notes"]] == ["record"]


@needs_inputs
def test_the_holes_of_a_counter_are_named():
    got = content(INPUTS / "17_sample_counter_with_holes.csv", *FLAGS["17"])

    assert "221, 226 to 230" in got["notes"][0]["text"]  # expectations.md


@needs_inputs
def test_a_gap_is_counted_apart_and_shown():
    got = content(INPUTS / "16_ninety_minute_gap.csv")

    assert [(g["line"], g["length_s"]) for g in got["gaps"]] == [(5, 5444.0)]
    assert got["charge_Ah"]["in_gaps"] == pytest.approx(5.897667, rel=1e-6)  # expected.csv


@needs_inputs
def test_the_words_of_a_check_say_units_sign_span_and_charge():
    code, out, _ = answer("check", INPUTS / "01_semicolon_decimal_comma.csv")

    assert code == YES
    lines = out.splitlines()
    assert "can be read" in lines[0] and "0.27461 Ah out" in lines[0]
    text = " ".join(line.strip() for line in lines)
    for words in ("semicolons, decimal comma", "discharge positive", "24.5 to 25.9 C", "gaps"):
        assert words in text


# ---- C15: a sense wire


def groups(values_V: list[float], rows: int = 10) -> str:
    head = "time_s,current_A," + ",".join(f"g{i + 1:02d}_V" for i in range(len(values_V)))
    return "\n".join([head, *(f"{t},5.0," + ",".join(map(str, values_V)) for t in range(rows)), ""])


C15 = [3.72, 3.72, 3.72, 4.87, 2.57, 3.72, 3.72, 3.72]


def test_a_pair_that_averages_to_the_others_is_a_sense_wire(tmp_path):
    path = tmp_path / "groups.csv"
    path.write_text(groups(C15), encoding="utf-8")

    code, out, _ = answer("check", path, "--json")

    got = json.loads(out)
    assert code == NO and [f["kind"] for f in got["findings"]] == ["sense_connection"]
    finding = got["findings"][0]
    assert (finding["first_group"], finding["second_group"]) == (4, 5)
    assert finding["pair_mean_V"] == pytest.approx(3.72, rel=0.001)
    assert "voltage" not in finding["kind"]


@pytest.mark.parametrize(
    "values_V",
    [
        [3.72, 3.72, 3.72, 3.72, 3.10, 3.72, 3.72, 3.72],  # one weak group alone
        [3.72, 3.72, 3.95, 3.72, 3.49, 3.72, 3.72, 3.72],  # no neighbours
        [3.72, 3.73, 3.71, 3.72, 3.74, 3.70, 3.72, 3.72],  # ordinary spread
        [3.72, 3.72, 3.95, 3.20, 3.72, 3.72, 3.72, 3.72],  # the mean misses the others
    ],
)
def test_other_ways_to_be_apart_are_no_sense_wire(values_V):
    names = [str(i) for i in range(len(values_V))]

    assert sense_connection(np.array([values_V]), names, np.array([2])) == []


def test_groups_that_are_not_connected_do_not_hide_a_sense_wire(tmp_path):
    path = tmp_path / "groups.csv"
    path.write_text(groups([*C15, 0.0, 0.0]), encoding="utf-8")

    assert content(path)["findings"][0]["kind"] == "sense_connection"


# ---- C22: heat without current

HOT = "time_h,current_A,pack_temp_C,air_temp_C\n0,0,37,30\n24,0,47,30\n"


def test_a_pack_that_warms_at_rest_is_a_fault_with_its_least_heat(tmp_path):
    path = tmp_path / "hot.csv"
    path.write_text(HOT, encoding="utf-8")

    code, out, _ = answer("check", path, "--mass-kg", "10", "--heat-J-kgK", "950", "--json")

    got = json.loads(out)
    assert code == NO and got["findings"][0]["kind"] == "unexplained_heating"
    assert got["findings"][0]["least_heat_W"] == pytest.approx(1.1, rel=0.005)
    assert least_heat_W(10.0, 10.0, 86400.0, 950.0) == pytest.approx(1.1, rel=0.005)


def test_without_the_airs_temperature_it_is_told_as_no_fault_yet(tmp_path):
    path = tmp_path / "hot.csv"
    path.write_text(re.sub(r",[^,\n]*$", "", HOT, flags=re.M), encoding="utf-8")

    code, out, _ = answer("check", path, "--json")
    assert code == YES and json.loads(out)["findings"][0]["kind"] == "unexplained_heating"
    code, _, _ = answer("check", path, "--air-C", "30")
    assert code == NO
    code, out, _ = answer("check", path, "--air-C", "47", "--json")
    assert code == YES and json.loads(out)["findings"] == []


def test_a_pack_that_relaxes_towards_warmer_air_or_settles_after_a_load_is_no_fault(tmp_path):
    hours = np.arange(0, 10, 0.1)
    warming = 40.0 - 15.0 * np.exp(-hours / 2.5)
    rows = [f"{h:.1f},0,{t:.2f},40" for h, t in zip(hours, warming, strict=True)]
    path = tmp_path / "warm.csv"
    path.write_text("\n".join(["time_h,current_A,pack_temp_C,air_temp_C", *rows, ""]))
    assert content(path)["findings"] == []

    # After the load ends the sensor goes on rising for some minutes: the core's heat.
    seconds = np.arange(0, 3600, 10)
    current = np.where(seconds < 1200, 30, 0)
    surface = 25 + np.where(
        seconds < 1200, seconds / 240, 5 + 2 * (1 - np.exp(-(seconds - 1200) / 150))
    )
    rows = [f"{s},{i},{t:.2f},20" for s, i, t in zip(seconds, current, surface, strict=True)]
    path.write_text("\n".join(["time_s,current_A,pack_temp_C,air_temp_C", *rows, ""]))
    assert content(path)["findings"] == []


# ---- C41: an open joint


def test_a_leg_far_below_its_neighbours_is_an_open_joint(tmp_path):
    path = tmp_path / "legs.csv"
    rows = "".join(f"{t},30,58.0,58.0,8.5,58.0\n" for t in range(6))
    path.write_text("time_s,current_A,leg1_V,leg2_V,leg3_V,leg4_V\n" + rows, encoding="utf-8")

    code, out, _ = answer("check", path, "--json")

    found = json.loads(out)["findings"]
    assert code == NO and [(f["kind"], f["leg"]) for f in found] == [("open_joint", 3)]


def test_a_leg_that_loses_voltage_with_the_current_has_a_joint_of_that_resistance():
    # 50 mohm at 30 A: 1.5 V and 45 W, the case's own third joint
    current_A = np.tile([0.0, 10.0, 20.0, 30.0], 10)
    legs = np.full((40, 4), 58.0)
    legs[:, 1] -= 0.05 * current_A

    found = open_joints(legs, list("abcd"), np.arange(40), current_A)

    assert [(f.kind, f.numbers["leg"]) for f in found] == [("resistive_joint", 2.0)]
    assert found[0].numbers["joint_mohm"] == pytest.approx(50.0, rel=0.001)
    assert found[0].numbers["lost_V"] == pytest.approx(1.5, rel=0.001)
    assert found[0].numbers["lost_W"] == pytest.approx(45.0, rel=0.001)


def test_legs_that_differ_little_or_are_emptier_by_a_fifth_are_no_joint():
    legs = np.full((40, 4), 58.0)
    legs[:, 1] = 46.0

    assert open_joints(legs, list("abcd"), np.arange(40), np.tile([0.0, 30.0], 20)) == []


# ---- C48: a sensor that lies near zero

TRUE = [0.14, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0, 5.9]
READ = [1.58, 1.64, 2.17, 3.07, 3.86, 4.75, 5.52, 6.12]
PAIRS = "true_A,read_A\n" + "".join(f"{a},{b}\n" for a, b in zip(TRUE, READ, strict=True))


def day(offset_A: float, load_A: float = 10.0) -> str:
    """Eight hours by the minute: rest but for the second hour."""
    rows = (f"{i},{offset_A + (load_A if 60 <= i < 120 else 0):.4f}" for i in range(481))
    return "\n".join(["time_min,current_A", *rows, ""])


def test_an_offset_at_rest_is_told_with_what_it_adds_up_to(tmp_path):
    path = tmp_path / "day.csv"
    path.write_text(day(0.3), encoding="utf-8")

    finding = content(path)["findings"][0]

    assert finding["kind"] == "idle_offset" and not finding["fault"]
    assert finding["offset_A"] == pytest.approx(0.3, rel=0.005)
    assert finding["record_Ah"] == pytest.approx(2.4, rel=0.005)  # C48, 0.3 A over 8 h
    assert offset_charge_Ah(0.018, 86400.0) == pytest.approx(0.432, rel=0.005)  # C48, 18 mA a day


@settings(max_examples=50, deadline=None)
@given(st.floats(-0.4, 0.4), st.floats(5.0, 50.0), st.integers(10, 400))
def test_any_offset_is_found_again_whatever_the_load(offset_A, load_A, minutes):
    time_s = 60.0 * np.arange(481.0)
    current_A = offset_A + np.where(
        (time_s >= 60 * 10) & (time_s < 60 * (10 + minutes)), load_A, 0.0
    )

    at_rest = idle(time_s, current_A)

    if abs(offset_A) < 0.04 * load_A:
        assert at_rest is not None
        assert at_rest.current_A == pytest.approx(offset_A, abs=1e-9)  # A, rounding


def test_a_rest_at_zero_beside_a_small_load_is_no_offset(tmp_path):
    path = tmp_path / "day.csv"
    lines = day(0.0).splitlines()
    for i in range(202, 260):
        lines[i] = lines[i].split(",")[0] + ",0.3"
    path.write_text("\n".join(lines) + "\n")

    assert content(path)["findings"] == []


def test_a_correction_table_is_looked_up_backwards(tmp_path):
    pairs, log = tmp_path / "pairs.csv", tmp_path / "log.csv"
    pairs.write_text(PAIRS, encoding="utf-8")
    log.write_text("time_h,current_A\n" + "".join(f"{h},2.17\n" for h in range(9)))

    got = content(log, "--correct", pairs)

    assert got["charge_Ah"]["net"] == pytest.approx(8.0, rel=0.005)  # 2.17 A read is 1.00 A true
    assert pytest.approx(117.0, rel=0.005) == 100.0 * (2.17 / 1.0 - 1.0)  # C48's own figure
    assert "put right by the 8 pairs" in got["notes"][0]["text"]
    table = read_correction(pairs)
    back = corrected_A(table, np.array(READ), np.arange(8), log)
    np.testing.assert_allclose(back, TRUE, rtol=1e-12)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("true_A,read_A\n0,1.5\n1,1.4\n", "a higher reading always meaning"),
        ("true_A,read_A\n0,1.5\n", "two pairs or more"),
        ("true_A,other_A\n0,1\n1,2\n", "accepted: two columns"),
        ("true_A,read\n0,1\n1,2\n", "no unit of current"),
        ("true_A,read_A\n0,1\n1,x\n", "line 3"),
    ],
)
def test_a_correction_table_that_is_none_is_refused(tmp_path, text, words):
    pairs, log = tmp_path / "pairs.csv", tmp_path / "log.csv"
    pairs.write_text(text, encoding="utf-8")
    log.write_text(day(0.0))

    code, out, err = answer("check", log, "--correct", pairs)

    assert code == UNUSABLE and out == "" and words in err


def test_a_reading_outside_the_correction_table_is_refused_with_its_line(tmp_path):
    pairs, log = tmp_path / "pairs.csv", tmp_path / "log.csv"
    pairs.write_text(PAIRS, encoding="utf-8")
    log.write_text(day(0.3))

    code, _, err = answer("check", log, "--correct", pairs)

    assert code == UNUSABLE and "line 2: 0.3 A lies outside" in err


# ---- a lag between the columns


def lagged(lag_rows: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A random current, and a voltage that answers it by a resistance, so many rows later."""
    rng = np.random.default_rng(5)
    time_s = np.arange(400.0)
    current_A = np.repeat(rng.uniform(0.0, 20.0, 100), 4)
    seen_A = np.interp(time_s - lag_rows, time_s, current_A)
    return time_s, current_A, 40.0 - 0.05 * seen_A


@pytest.mark.parametrize("lag_rows", [-1.0, -0.4, 0.3, 1.0])
def test_a_lag_between_columns_is_estimated(lag_rows):
    finding = column_lag(*lagged(lag_rows), np.arange(400))

    assert finding is not None
    assert finding.numbers["lag_s"] == pytest.approx(lag_rows, abs=0.02)  # of a row


def test_columns_without_a_lag_raise_no_finding():
    assert column_lag(*lagged(0.0), np.arange(400)) is None


# ---- what is right must raise nothing

MEASURED = sorted(
    p for p in SHARED.glob("data/*/*.csv") if "time_s,voltage_V" in p.read_text()[:40]
)


@pytest.mark.skipif(not MEASURED, reason="the shared open measurements are not here")
@pytest.mark.parametrize("path", MEASURED, ids=lambda path: path.name)
def test_measured_cells_on_a_bench_show_no_fault(path):
    found = summarise(read_log_table(path))

    assert found.faults == ()
    kinds = {finding.kind for finding in found.findings}
    # The pulse tests of the 2.9 Ah cell log no row while 1C flows between groups (its NOTE).
    assert ("counter" in kinds) == path.name.startswith(("hppc_0C", "hppc_25C", "hppc_m10C"))


def test_a_weather_profile_and_a_scenario_are_still_checked(tmp_path):
    path = tmp_path / "weather.csv"
    path.write_text("time,temperature_C\n" + "".join(f"{h:02d}:00,{20 + h}\n" for h in range(24)))

    got = content(path)

    assert got["columns"][0]["part"] == "the air" and got["charge_Ah"] is None
    assert got["start_clock"] == "00:00:00"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--column", "nobody"], "0 columns are named 'nobody'"),
        (["--zone", "Nowhere/Land"], "--zone"),
        (["--encoding", "klingon"], "known: utf-8"),
        (["--record", "3"], "1 records"),
        (["--voltage-column", "x"], "no column of voltage is named 'x'"),
    ],
)
def test_options_that_fit_nothing_are_one_sentence(tmp_path, words, said):
    path = tmp_path / "log.csv"
    path.write_text(
        "time,current_A,voltage_V\n" + "".join(f"2024-05-03 10:00:0{i},5,40\n" for i in range(5))
    )

    code, out, err = answer("check", path, *words)

    assert code == UNUSABLE and out == "" and said in err and len(err.splitlines()) == 1


def test_an_absent_log_is_one_sentence(tmp_path):
    code, _, err = answer("check", tmp_path / "absent.csv")

    assert code == UNUSABLE and "can't be read" in err and len(err.splitlines()) == 1
