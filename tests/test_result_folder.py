"""What a run leaves: whole or not at all, with exactly the columns and keys it promises.

Columns: the project's design, section 3. Keys: pinned here, documented in the README.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from small_day import RESULT_FILES, names_in, read_strictly, rows_of, simulated, write_day

README = Path(__file__).resolve().parents[1] / "README.md"
TIMESERIES = [
    "time_s",
    "clock",
    "ambient_C",
    "box_C",
    "core_C",
    "surface_C",
    "soc",
    "cell_voltage_V",
    "cell_current_A",
    "pack_voltage_V",
    "pack_current_A",
    "power_W",
    "heat_W",
]
EVENTS = ["time_s", "clock", "event", "where", "value", "limit", "until_s"]
SUMMARY = [
    "stillair",
    "command",
    "title",
    "scenario",
    "digest",
    "verdict",
    "limits",
    "bad_end",
    "one_pack_out",
    "days",
    "repeats_from_day",
    "until_it_repeats",
    "energy",
    "end",
    "peak",
    "vehicle",
    "audit",
    "guesses",
    "assumptions",
    "notes",
    "inputs",
    "caution",
]
LIMIT = [
    "limit",
    "about",
    "unit",
    "level",
    "worst",
    "margin",
    "time_s",
    "clock",
    "seconds_beyond",
    "times_beyond",
    "passed",
]
VERDICT = ["passed", "sentence", "can_answer", "finished", "first"]


def test_a_run_leaves_four_files_and_nothing_beside_them(tmp_path):
    result = simulated(tmp_path)

    assert names_in(result) == sorted(RESULT_FILES)
    assert names_in(tmp_path) == ["cell.toml", "day.toml", "load.csv", "result"]
    assert (result / "overview.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")


def test_the_time_series_has_the_promised_columns_in_order(tmp_path):
    header = (
        (simulated(tmp_path, None, "--no-plots") / "timeseries.csv").read_text().splitlines()[0]
    )

    assert header.split(",") == TIMESERIES


def test_the_time_series_has_a_row_a_load_row_and_the_end(tmp_path):
    rows = rows_of(simulated(tmp_path, None, "--no-plots") / "timeseries.csv")

    assert [float(row["time_s"]) for row in rows] == [60.0 * i for i in range(41)]
    assert rows[0]["clock"] == "10:00:00"
    assert rows[-1]["clock"] == "10:40:00"


@pytest.mark.parametrize(
    "changes, most",
    [
        ({"load.repeat": 2, "load.scale": 0.4}, 81),
        ({"load.rest_after_h": 1.0, "load.scale": 0.4}, 42),
        ({"limits.cutoff_V": 3.4}, 41),  # ends inside a row
        ({"limits.cutoff_V": 3.9, "start.charge_percent": 50}, 1),  # ends as it begins
        ({"ambient": {"low_C": 5.0, "high_C": 25.0}}, 41),  # weather knots are no rows
    ],
)
def test_the_time_series_has_at_most_a_row_a_load_row_and_one(tmp_path, changes, most):
    rows = rows_of(simulated(tmp_path, changes, "--no-plots") / "timeseries.csv")

    times_s = [float(row["time_s"]) for row in rows]
    assert 1 <= len(rows) <= most
    assert times_s == sorted(set(times_s))


def test_power_in_the_time_series_is_voltage_times_current_times_packs(tmp_path):
    rows = rows_of(
        simulated(tmp_path, {"pack.packs": 3, "pack.lead_mohm": 5.0}, "--no-plots")
        / "timeseries.csv"
    )

    for row in rows:
        pack_V, pack_A = float(row["pack_voltage_V"]), float(row["pack_current_A"])
        # Voltage and current stand to 0.05 mV and 0.05 mA, power to 0.5 mW.
        rounding_W = 3 * (5e-5 * pack_A + 5e-5 * pack_V) + 1e-3
        assert float(row["power_W"]) == pytest.approx(3 * pack_V * pack_A, abs=rounding_W)
        assert pack_A == pytest.approx(5 * float(row["cell_current_A"]), abs=5e-4)


def test_power_in_the_time_series_is_the_power_that_the_load_asks(tmp_path):
    rows = rows_of(simulated(tmp_path, None, "--no-plots") / "timeseries.csv")

    asked_W = [200.0 + 50.0 * (i % 4) for i in range(40)]
    assert [float(row["power_W"]) for row in rows[:-1]] == pytest.approx(asked_W, abs=1e-3)


def test_charge_in_the_time_series_falls_by_the_current_drawn(tmp_path):
    load = {"load": {"profile": "amps.csv"}}
    write_day(tmp_path)
    (tmp_path / "amps.csv").write_text("time_s,current_A\n0,10\n600,5\n1200,0\n")
    rows = rows_of(simulated(tmp_path, load, "--no-plots") / "timeseries.csv")

    # 5 cells of 3 Ah side by side: 10 A for 600 s are 1/9 of the charge. To 6 digits.
    assert [float(row["soc"]) for row in rows] == pytest.approx(
        [1.0, 1.0 - 1 / 9, 1.0 - 1 / 9 - 1 / 18], abs=1e-6
    )


def test_events_have_the_promised_columns_and_an_instant_between_rows(tmp_path):
    result = simulated(tmp_path, {"limits.core_max_C": 35, "limits.reserve_percent": 40})

    header = (result / "events.csv").read_text().splitlines()[0]
    events = rows_of(result / "events.csv")
    assert header.split(",") == EVENTS
    assert [event["event"] for event in events] == ["core above limit", "charge below reserve"]
    for event in events:
        assert float(event["time_s"]) % 60.0 != 0.0
        assert event["until_s"] == ""  # both last to the end
    assert float(events[0]["value"]) == pytest.approx(35.0, abs=1e-3)  # K, at the very crossing


def test_the_summary_agrees_with_the_tables(tmp_path):
    result = simulated(tmp_path, {"limits.core_max_C": 35, "limits.reserve_percent": 40})

    said = read_strictly(result / "summary.json")
    rows, events = rows_of(result / "timeseries.csv"), rows_of(result / "events.csv")
    failed = {row["limit"] for row in said["limits"] if not row["passed"]}
    limits = {row["limit"]: row for row in said["limits"]}
    assert failed == {"hot", "reserve"}
    assert said["verdict"]["first"]["time_s"] == pytest.approx(float(events[0]["time_s"]), abs=1e-6)
    for event, name in zip(events, ("hot", "reserve"), strict=True):
        beyond_s = 2400.0 - float(event["time_s"])
        assert limits[name]["seconds_beyond"] == pytest.approx(beyond_s, abs=1e-5)
        assert limits[name]["times_beyond"] == 1
        assert limits[name]["margin"] < 0.0
    hottest_C = max(float(row["core_C"]) for row in rows)
    assert limits["hot"]["worst"] == pytest.approx(hottest_C, abs=1e-3)  # 3 digits in the table
    assert limits["hot"]["margin"] == pytest.approx(35.0 - hottest_C, abs=1e-3)
    assert said["end"]["state_of_charge_percent"] == pytest.approx(
        100.0 * float(rows[-1]["soc"]), abs=1e-4
    )
    energy_Wh = sum(200.0 + 50.0 * (i % 4) for i in range(40)) / 60.0
    assert said["energy"]["delivered_Wh"] == pytest.approx(energy_Wh, rel=1e-5)  # the audit's bound


def test_a_margin_is_negative_exactly_where_an_event_is(tmp_path):
    for n, changes in enumerate(
        (
            {},
            {"limits.core_max_C": 30},
            {"load.discharge": "negative", "start.charge_percent": 20},
            {"ambient.constant_C": -30},
            {"limits.pack_current_max_A": 20, "limits.cutoff_V": 3.3, "limits.on_cutoff": "record"},
        )
    ):
        result = simulated(tmp_path / str(n), changes, "--no-plots")
        said = read_strictly(result / "summary.json")
        events = rows_of(result / "events.csv")
        beyond = [row for row in said["limits"] if row["margin"] is not None and row["margin"] < 0]
        assert {row["limit"] for row in beyond} == {
            row["limit"] for row in said["limits"] if not row["passed"]
        }
        assert sum(row["times_beyond"] for row in beyond) == len(events)
        assert said["verdict"]["passed"] == (not events)


def test_the_keys_of_the_summary_are_the_pinned_ones(tmp_path):
    said = read_strictly(simulated(tmp_path, None, "--no-plots") / "summary.json")

    assert list(said) == SUMMARY
    assert list(said["verdict"]) == VERDICT
    assert {tuple(row) for row in said["limits"]} == {tuple(LIMIT)}
    assert said["command"] == "simulate"
    assert said["scenario"] == "day.toml"


def test_the_readme_documents_every_key_of_the_summary(tmp_path):
    said = read_strictly(simulated(tmp_path, None, "--no-plots") / "summary.json")

    section = README.read_text(encoding="utf-8").split("## What a run leaves")[1].split("\n## ")[0]
    rows = re.findall(r"^\| (`.*?) \|(.*)\|$", section, re.MULTILINE)
    keys = {key for first, _ in rows for key in re.findall(r"`(\w+)`", first)}
    inner = {key for _, second in rows for key in re.findall(r"`(\w+)`", second)}
    assert keys == set(said)
    assert inner >= {*VERDICT, *LIMIT}
    assert all(f"`{name}`" in section for name in RESULT_FILES)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"limits.pack_current_max_A": 100},
        {"limits.cutoff_V": 3.9, "start.charge_percent": 50},
        {"pack": {"series": 1, "parallel": 1}, "load.scale": 100},
        {"load.scale": 0},
        {"load.discharge": "negative"},
        {"ambient.constant_C": -40},
    ],
)
def test_the_summary_is_strict_json_however_the_run_went(tmp_path, changes):
    result = simulated(tmp_path, changes, "--no-plots")

    assert list(read_strictly(result / "summary.json")) == SUMMARY


def test_a_limit_that_nobody_gave_has_no_level_and_no_margin(tmp_path):
    said = read_strictly(simulated(tmp_path, None, "--no-plots") / "summary.json")

    limits = {row["limit"]: row for row in said["limits"]}
    for name in ("reserve", "pack_current", "outside_table"):
        assert limits[name]["passed"]
        assert (limits[name]["level"], limits[name]["margin"]) == (None, None)


def test_the_same_day_twice_leaves_the_same_numbers(tmp_path):
    first, second = simulated(tmp_path / "a"), simulated(tmp_path / "b")

    for name in ("timeseries.csv", "events.csv", "summary.json"):
        text = (second / name).read_text().replace(f"{tmp_path}/b", f"{tmp_path}/a")
        assert text == (first / name).read_text()


def test_the_digest_changes_with_any_input(tmp_path):
    def digest(changes: dict[str, Any]) -> str:
        return read_strictly(simulated(tmp_path, changes, "--no-plots") / "summary.json")["digest"]

    digests = {
        digest(changes)
        for changes in (
            {},
            {"pack.parallel": 6},
            {"load.scale": 1.01},
            {"ambient.constant_C": 25.1},
            {"cell.capacity_Ah": 3.1},
        )
    }
    assert len(digests) == 5
