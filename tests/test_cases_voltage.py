"""Cases of builders about voltage, reach and range, driven through scenarios; see cases.py."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from case_days import alike, as_built, at_once, cell, events, kept, trips_s, write
from cases import between, case, of
from small_day import answer, rows_of

from sim.ask.built import simulate_built
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.integrate.built_records import BUS_V, SOC_MEAN
from sim.physics.limits import BEYOND_MODEL, BEYOND_REACH, CUTOFF, HOT

OWN_CELL = Path(__file__).resolve().parents[1] / "profiles" / "cells" / "nmc-18650-energy.toml"


@of("C03")
def test_a_load_beyond_reach_is_told_apart_from_one_below_cutoff(tmp_path, number):
    given, expect = case(number)
    n = given["series"]
    one = cell(given["pack_ocv_v"] / n, given["cell_r_mohm"], cutoff_V=given["pack_cutoff_v"] / n)

    def run(load_W):
        return alike(tmp_path / f"{load_W:g}", one, [(load_W, 10.0)], pack=(n, 1), power=True)

    for load_W in given["loads_w"]:
        result = run(load_W)
        found = events(result)
        if expect["result"][str(load_W)] == "ok":
            assert result.verdict.passed
            ampere = result.series.pack_current_A[0]
            assert ampere == pytest.approx(expect["current_at_500w_a"], rel=1e-3)
        elif expect["result"][str(load_W)] == "below_cutoff":
            assert found == {"cutoff": 0.0}
            greatest_W = load_W + result.verdict.limit(BEYOND_REACH).margin
            assert greatest_W == pytest.approx(expect["max_power_terminals_w"], rel=1e-3)
        else:
            assert found["beyond_reach"] == 0.0
            assert not result.verdict.finished
    # The greatest power above cut-off lies between two runs that differ by the case's tolerance.
    greatest_W = expect["max_power_above_cutoff_w"]
    assert run(greatest_W * (1.0 - 1e-3)).verdict.passed
    assert "cutoff" in events(run(greatest_W * (1.0 + 1e-3)))


@of("C07")
def test_heat_rises_with_the_square_of_the_current(tmp_path, number):
    """The 60 A would settle past where the model ends, so its heat is told there."""
    given, expect = case(number)
    mohm, rated_A = 10.0, 26.0
    to_air_W_K = rated_A**2 * mohm * 1e-3 / given["steady_rise_k_at_26a"]
    one = cell(3.6, mohm, J_K=20.0, discharge_core_max_C=float(expect["flag_above_c"]))
    for k, current_A in enumerate(given["currents_a"]):
        result = alike(
            tmp_path / f"{current_A}", one, [(current_A, 3000.0)], air_C=given["ambient_c"],
            cooling={"conductance_W_K": to_air_W_K},
        )  # fmt: skip
        rise_K = expect["steady_rise_k"][k]
        assert result.series.heat_W[-1] / to_air_W_K == pytest.approx(rise_K, rel=1e-3)
        if given["ambient_c"] + rise_K < 150.0:
            hottest_C = result.verdict.limit(HOT).worst
            assert hottest_C - given["ambient_c"] == pytest.approx(rise_K, rel=1e-3)
        else:
            assert not result.verdict.limit(BEYOND_MODEL).passed
        assert ("hot" in events(result)) == expect["flagged"][k]


@of("C11")
def test_charge_does_not_move_when_a_load_is_switched_on(tmp_path, number):
    given, expect = case(number)
    n = given["series"]
    table_V = [volt / n for volt in given["table_rest_v"]]
    soc = [s / 100.0 for s in given["table_soc_pct"]]
    rest = {"soc": [0.0, *soc, 1.0], "voltage_V": [3.0, *table_V, 4.2]}
    result = as_built(
        tmp_path, cell(rest, 1e3 * given["pack_r_ohm"] / n), [(0.0, 60.0), (given["step_a"], 60.0)],
        pack=(n, 1), soc=given["soc_pct"] / 100.0,
    )  # fmt: skip
    rows = result.kept
    switched = np.flatnonzero(rows[:, 0] == 60.0)
    before, after = rows[switched[0]], rows[switched[-1]]
    assert 100.0 * before[SOC_MEAN] == pytest.approx(expect["soc_pct_before"], abs=0.05)
    assert 100.0 * after[SOC_MEAN] == pytest.approx(expect["soc_pct_0s_after_step"], abs=0.05)
    assert after[SOC_MEAN] == before[SOC_MEAN]
    assert after[BUS_V] == pytest.approx(expect["loaded_v"], abs=0.05)
    misread = np.interp(after[BUS_V], given["table_rest_v"], given["table_soc_pct"])
    assert misread == pytest.approx(expect["soc_pct_if_misread"], abs=0.6)  # 0.05 V of a table step
    assert misread < 30.0 < 100.0 * after[SOC_MEAN]


@of("C12")
def test_the_charge_delivered_shrinks_as_the_current_rises(tmp_path, number):
    given, expect = case(number)
    rest = {"soc": given["ocv_soc"], "voltage_V": given["ocv_v"]}
    one = cell(rest, given["cell_r_mohm"], Ah=given["cell_ah"], cutoff_V=given["cutoff_v"])
    for k, current_A in enumerate(given["currents_a"]):
        result = alike(tmp_path / str(current_A), one, [(current_A, 3600.0)])
        assert not result.verdict.finished
        delivered_Ah = current_A * result.trace.end_s / 3600.0
        assert delivered_Ah == pytest.approx(expect["delivered_ah"][k], abs=0.005)
        assert result.series.soc[-1] == pytest.approx(expect["soc_left"][k], abs=0.005)
        empties = {"empty"} if expect["soc_left"][k] == 0.0 else {"cutoff"}
        assert set(events(result)) == empties


@of("C29")
def test_range_falls_in_the_cold(tmp_path, number):
    """Our own cell, aged as the case's pack is: twice the resistance, four fifths of the charge."""
    given, expect = case(number)
    ends_s = {}
    for air_C in given["temps_c"]:
        path = write(
            tmp_path / str(air_C), cell(3.6), [(8.0, 14400.0)], power=True, air_C=float(air_C),
            limits={"cutoff_V": 3.0}, cooling={"conductance_W_K": 0.1},
            unit=[{"pack": 1, "resistance_factor": 2.0, "capacity_factor": 0.8}],
        )  # fmt: skip
        path.write_text(path.read_text().replace('"cell.toml"', f'"{OWN_CELL}"'))
        result = simulate_built(built_case(read_case(path)))
        assert not result.verdict.finished
        ends_s[air_C] = result.run.end_s
    for air_C, band in expect["ratio_to_24c"].items():
        ratio = ends_s[int(air_C)] / ends_s[24]
        low, high = between(band) if isinstance(band, dict) else (band, band)
        assert low <= ratio <= high
    times = [ends_s[air_C] for air_C in sorted(ends_s)]
    assert times == sorted(times)
    assert times[0] < times[-1]


@of("C31")
def test_a_cold_start_trips_where_a_warm_one_does_not(tmp_path, number):
    """The case draws resistance straight over temperature: told as many columns."""
    given, expect = case(number)
    n = 12
    cold_C, warm_C = -4.0, 20.0
    columns_C = np.linspace(cold_C, warm_C, 97)
    ohm = np.interp(columns_C, [cold_C, warm_C], [given["r_ohm"]["-4"], given["r_ohm"]["20"]])
    row = (1e3 * ohm / n).tolist()
    mohm = {"soc": [0.0, 1.0], "temperature_C": columns_C.tolist(), "discharge_mohm": [row, row]}
    one = cell(given["pack_ocv_v"] / n, mohm)
    trip = {"under_voltage": {"trip": given["cutoff_v"] / n}}

    def run(core_C):
        return as_built(
            tmp_path / f"{core_C}", one, [(given["load_a"], 10.0)], pack=(n, 1), air_C=core_C,
            board=trip,
        )  # fmt: skip

    for core_C in (cold_C, warm_C):
        result, name = run(core_C), f"{core_C:.0f}"
        assert at_once(result, BUS_V) == pytest.approx(expect["loaded_v"][name], abs=0.02)
        assert bool(result.drive_trips) == expect["trip"][name]
        margin_V = n * result.verdict.limit(CUTOFF).worst - given["cutoff_v"]
        assert margin_V == pytest.approx(expect["loaded_v"][name] - given["cutoff_v"], abs=0.02)
    assert run(expect["no_trip_above_c"] - 0.02).drive_trips
    assert not run(expect["no_trip_above_c"] + 0.02).drive_trips


@of("C46")
@pytest.mark.parametrize("how", ["alike", "as built"])
def test_a_trip_does_not_depend_on_the_grid(tmp_path, number, how):
    given, expect = case(number)
    n = given["series"]
    one = cell(
        (3.0, 4.2),
        1e3 * given["pack_r_ohm"] / n,
        Ah=given["pack_ah"],
        cutoff_V=given["cutoff_v"] / n,
    )
    for k, grid_s in enumerate(given["grids_s"]):
        rows = round(given["full_run_s"] / grid_s)
        pieces = [(given["load_a"], grid_s)] * rows
        run = alike if how == "alike" else as_built
        result = run(tmp_path / str(k), one, pieces, pack=(n, 1))
        end_s = result.trace.end_s if how == "alike" else result.run.end_s
        assert end_s == pytest.approx(expect["trip_s"][k], abs=expect["tol_abs_s"])
        assert events(result)["cutoff"] == pytest.approx(end_s, abs=expect["tol_abs_s"])
        soc = result.series.soc[-1] if how == "alike" else result.kept[-1, SOC_MEAN]
        assert soc == pytest.approx(expect["soc_at_trip"], abs=1e-5)


@of("C46")
def test_times_written_rise_and_reach_the_end_without_drift(tmp_path, number):
    """A load of a tenth of a second: a row each and the end, none lost to rounding."""
    given, expect = case(number)
    n, step_s = given["series"], 0.1
    rows = round(given["full_run_s"] / step_s)
    pieces = [(given["load_a"] + 0.1 * (-1) ** k, step_s) for k in range(rows)]  # like rows merge
    one = cell((3.0, 4.2), 1e3 * given["pack_r_ohm"] / n, Ah=2.0 * given["pack_ah"])
    path = write(tmp_path, one, pieces, pack=(n, 1))
    code, _, err = answer("simulate", path, "--out", tmp_path / "out", "--no-plots", "--quiet")
    assert code == 0, err
    times_s = np.array([float(row["time_s"]) for row in rows_of(tmp_path / "out/timeseries.csv")])
    assert len(times_s) == expect["rows_for_full_run_at_0_1s"]
    assert times_s[-1] == expect["last_time_s"]
    assert np.all(np.diff(times_s) > 0.0) == expect["times_strictly_increasing"]


def test_what_was_kept_is_what_was_switched(tmp_path):
    """A board that trips halfway: the voltage kept after it is the resting one."""
    result = as_built(
        tmp_path, cell((3.0, 4.2), 10.0, Ah=10.0), [(10.0, 3600.0)],
        board={"under_voltage": {"trip": 3.5}},
    )  # fmt: skip
    (trip_s,) = trips_s(result, "board under voltage")
    assert trip_s == pytest.approx(1800.0, abs=0.01)  # 3.0 + 1.2 s - 0.1 = 3.5 at s = 1/2
    assert kept(result, BUS_V, trip_s + 60.0) == pytest.approx(0.0, abs=1e-9)
