"""Rows outside what a profile was fitted on are told apart, with the errors that were put there."""

from __future__ import annotations

import json

import numpy as np
import pytest
from small_day import answer, dump
from test_compare import AIR_C, AMPERE, TIME_S, bench, closed_form, measured_log, run

from sim.ask.compare_range import ranged
from sim.files.toml import read_toml

# The bench goes from 22 C by I^2 R / G = 9 K to 30.7 C, from full to 17 %, at 3 A throughout.
ALL = {
    "coldest_C": 15.0,
    "warmest_C": 45.0,
    "lowest_soc": 0.0,
    "highest_soc": 1.0,
    "charge_A": 1.0,
    "discharge_A": 6.0,
}


def fitted_bench(folder, **reach):
    """Return the bench whose profile states what it was fitted on."""
    path = bench(folder)
    profile = read_toml(folder / "cell.toml")
    (folder / "cell.toml").write_text(dump({**profile, "fitted": {**ALL, **reach}}))
    return path


def test_errors_put_in_above_a_temperature_are_found_outside_it_and_none_within(tmp_path):
    surface_C = closed_form(TIME_S, AMPERE)["cell_temp_C"]
    beyond = surface_C > 28.0 + 0.5  # half a kelvin is a logger's, not another range
    log = measured_log(tmp_path, off_V=np.where(beyond, -0.020, 0.0))

    parted = ranged(run(fitted_bench(tmp_path, warmest_C=28.0), log, percent=100.0))

    assert np.array_equal(parted.outside, beyond)
    assert parted.outside_figures.voltage_rms_mV == pytest.approx(20.0, abs=1e-3)
    assert parted.outside_figures.voltage_bias_mV == pytest.approx(20.0, abs=1e-3)
    assert parted.within_figures.voltage_rms_mV < 1e-3
    assert parted.within_figures.rows + parted.outside_figures.rows == parted.rows == len(TIME_S)
    (leaving,) = parted.leaving
    assert (leaving.side, leaving.rows) == ("warmer", int(beyond.sum()))
    assert leaving.first_s == TIME_S[np.argmax(beyond)]
    assert leaving.farthest == pytest.approx(surface_C.max(), abs=1e-6)


@pytest.mark.parametrize(
    "reach, side",
    [
        ({"coldest_C": 26.0}, "colder"),
        ({"discharge_A": 2.5}, "more current out"),
        ({"lowest_soc": 0.4}, "emptier"),
        ({"highest_soc": 0.7}, "fuller"),
    ],
)
def test_each_side_of_the_range_is_looked_at(tmp_path, reach, side):
    found = run(fitted_bench(tmp_path, **reach), measured_log(tmp_path), percent=100.0)

    assert [leaving.side for leaving in ranged(found).leaving] == [side]


def test_charging_harder_than_any_fitted_log_is_outside_too(tmp_path):
    current_A = np.where(TIME_S < 50.0, 1.0, -AMPERE)
    log = measured_log(tmp_path, current_A=current_A)
    found = run(fitted_bench(tmp_path), log, percent=10.0)

    assert [leaving.side for leaving in ranged(found).leaving] == ["more current in"]
    assert np.array_equal(ranged(found).outside, current_A < 0.0)


def test_a_log_within_or_a_profile_without_a_range_has_no_second_table(tmp_path):
    within = run(fitted_bench(tmp_path), measured_log(tmp_path), percent=100.0)
    assert ranged(within).leaving == () and not ranged(within).outside.any()
    (tmp_path / "b").mkdir()
    assert ranged(run(bench(tmp_path / "b"), measured_log(tmp_path), percent=100.0)) is None


def test_the_command_tells_both_sides_and_keeps_them(tmp_path):
    log = measured_log(tmp_path, off_V=-0.005)
    path = fitted_bench(tmp_path, warmest_C=AIR_C + 5.0)
    _, out, err = answer("compare", path, log, "--start-percent", "100", "--out", tmp_path / "out")

    assert err == ""
    first = out.splitlines()[0]
    assert "rows lie outside what the profile was fitted on: 5.0 mV and 0.00 K rms there" in first
    assert "what it was fitted on" in out and "\nfitted on" in out
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))
    parted = summary["fitted_range"]
    assert parted["rows_outside"] == parted["outside"]["rows"] > 0
    assert parted["leaves"][0]["side"] == "warmer"


def test_a_range_upside_down_is_refused_in_a_sentence(tmp_path):
    path = fitted_bench(tmp_path, coldest_C=50.0)
    code, out, err = answer("compare", path, measured_log(tmp_path))

    assert (code, out) == (2, "")
    assert err.endswith("[fitted]: coldest_C 50 lies above warmest_C 45\n")
