"""First sizings: the cases of makers with their numbers, arithmetic against itself, real runs.

C numbers are cases from public threads; their values are those of the case list, restated here.
"""

from __future__ import annotations

import io
import json
import math
import os
import pty
import subprocess
import sys
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import plants
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from small_day import answer, dump, names_in, read_strictly, rows_of

from sim.ask.size import Sizing, size
from sim.ask.size_day import day_of, power_at, scenario_of
from sim.ask.size_rules import (
    at_least,
    doubts,
    energy_density_Wh_L,
    holds_too_much,
    implied,
    layouts,
    nominal,
    parallel_for_energy,
    parallel_for_power,
    parallel_for_sag,
    parallel_to_get_home,
    range_against_speed,
    series_fit,
    way_home,
    weakest,
)
from sim.errors import InputError
from sim.files.case import assemble
from sim.files.size_schema import SURFACES, CurveTable, SizeTable
from sim.files.toml import checked

ROOT = Path(__file__).resolve().parents[1]
MILE_KM = 1.609344  # international mile, exact
KNOT_KM_H = 1.852  # international, exact
# 3 Ah, 25 + 15 mohm, 3.0 + 1.2 s volt, all of it measured, so that no answer hangs on a guess.
MEASURED = ("capacity", "size", "open_circuit", "entropic", "resistance", "polarisation", "heat")
CELL = plants.profile(
    nominal_V=3.6,
    sources={group: {"from": "a bench", "uncertainty": 0.0} for group in (*MEASURED, "limits")},
)
DAY = {
    "title": "A cart to be",
    "cell": {"profile": "cell.toml"},
    "need": {"hours": 2.0, "power_W": 600.0},
    "window": {"controller_min_V": 42.0, "controller_max_V": 60.0},
    "ambient": {"constant_C": 35.0},
    "cooling": {"conductance_W_K": 0.05},
}


def requirements(
    folder: Path, over: dict[str, Any] | None = None, cell: dict | None = None
) -> Path:
    """Write a cell and a file of requirements, tables of `over` in place of the day's own."""
    (folder / "cell.toml").write_text(dump({**CELL, **(cell or {})}))
    path = folder / "need.toml"
    path.write_text(dump({**DAY, **(over or {})}))
    return path


def sized(folder: Path, over: dict[str, Any] | None = None, cell: dict | None = None) -> Sizing:
    path = requirements(folder, over, cell)
    table = checked(SizeTable, {**DAY, **(over or {})}, str(path))
    with ThreadPoolExecutor(2) as threads:
        return size(table, path, threads)


def by_name(sizing: Sizing) -> dict[str, int | None]:
    assert sizing.choice is not None
    return {one.name: one.parallel for one in sizing.choice.asked}


def refused(*words: str | Path) -> str:
    """Return the complaint that `size` ends with."""
    code, out, err = answer("size", *words)
    assert (code, out) == (2, ""), out
    return err


# The cases.


def test_c01_current_is_taken_at_the_lowest_voltage_and_every_broken_limit_is_named(tmp_path):
    # 10S2P of 10 A cells, a board of 20 A, 1000 W at 30 V: 33.3 A, four side by side.
    cell = {"limits": {**CELL["limits"], "cutoff_V": 3.0, "discharge_A": 10.0}}
    over = {
        "need": {"hours": 0.1, "power_W": 1000.0, "current_headroom": 1.0, "reserve_percent": 0.0},
        "window": {},
        "pack": {"series": 10, "parallel": 2, "board_max_A": 20.0},
    }
    assert parallel_for_power(1000.0, 1.0, 10, 1, 3.0, 10.0) == 4

    found = sized(tmp_path, over, cell)

    assert by_name(found)["continuous current"] == 4
    assert found.choice.problems == ("board of 20 A, but the peak is 33.3 A a pack at 30.0 V",)
    requirements(tmp_path, over, cell)
    code, out, _ = answer("size", tmp_path / "need.toml")
    assert code == 1
    flat = " ".join(out.split())
    assert "10s2p in one pack will not do: " in flat
    assert "continuous current (needs 4)" in flat
    assert "board of 20 A, but the peak is 33.3 A a pack at 30.0 V" in flat
    assert "1000 W is 33.3 A a pack at 30.0 V" in flat


def test_c02_energy_and_power_are_told_at_nominal_voltage_not_at_that_of_a_full_charge(tmp_path):
    # 10S2P of 3 Ah: 216 to 222 Wh and 1080 to 1110 W at 15 A a cell, never 252 Wh.
    for nominal_V in (3.6, 3.7):
        what = nominal(10, 2, 1, 3.0, nominal_V)
        assert 216 <= what.energy_Wh <= 222
        assert 1080 <= what.voltage_V * 2 * 15 <= 1110
    over = {"need": {"hours": 0.2, "power_W": 500.0}, "window": {}, "pack": {"series": 10}}

    found = sized(tmp_path, over)
    path = requirements(tmp_path, over)
    out = answer("size", path)[1]

    what = found.choice.what
    assert what.energy_Wh == pytest.approx(what.cells * 3.0 * 3.6)
    assert f"{what.voltage_V:.1f} V and {what.energy_Wh:.0f} Wh nominal" in out.splitlines()[0]
    assert what.energy_Wh < what.cells * 3.0 * 4.2


def test_c08_a_report_is_turned_into_consumption_and_rate_and_both_are_questioned():
    found = implied(36.0, 4.0, 2, hours=0.25, distance_km=1.5)

    assert found.wh_per_km == pytest.approx(96.0)
    assert found.mean_W == pytest.approx(576.0)
    assert found.mean_A == pytest.approx(16.0)
    assert found.cell_A == pytest.approx(8.0)
    assert found.c_rate == pytest.approx(4.0)
    consumption, rate = doubts(found)
    assert consumption.startswith("consumption: 96 Wh/km, a steady pull of 346 N at the battery")
    assert "are power (or the pack's capacity) and distance what was said?" in consumption
    assert rate.startswith("rate: 16 A on the mean is 4C, empty in 15 min")


def test_c08_the_command_questions_a_childs_vehicle_that_draws_576_w(tmp_path):
    over = {
        "need": {"distance_km": 1.5, "hours": 0.25, "power_W": 576.0},
        "window": {},
        "pack": {"series": 10},
    }
    out = " ".join(answer("size", requirements(tmp_path, over))[1].split())

    assert "question consumption: 96 Wh/km" in out


def test_c09_cells_for_a_controller_and_the_lowest_of_cells_and_board():
    # 13S5P, 3.45 Ah and 8 A a cell; a 15 A controller with a third on top; a board of 30 A.
    assert at_least(15 * 4 / 3 / 8) == 3
    what = nominal(13, 5, 1, 3.45, 3.6)
    assert what.capacity_Ah == pytest.approx(17.25)
    assert what.energy_Wh == pytest.approx(807.3, rel=2e-3)
    limit = weakest({"cells": 5 * 8.0, "board": 30.0, "lead": None, "fuse": None})
    assert (limit.current_A, limit.element) == (30.0, "board")
    assert limit.all_A == {"cells": 40.0, "board": 30.0}
    trip_Wh = [30 * wh for wh in (12, 15)]
    assert trip_Wh == [360, 450]
    # The same in the command's units, 7.46 to 9.32 Wh/km; both a usual consumption.
    per_km = [w / 30 / MILE_KM for w in trip_Wh]
    assert per_km == pytest.approx([7.46, 9.32], rel=1e-3)
    assert doubts(implied(46.8, 17.25, 5, distance_km=807.3 / per_km[0])) == []


def test_c09_a_controllers_current_is_asked_as_it_is_and_the_board_may_be_just_as_much(tmp_path):
    # 15 A for an hour and 30 A at the peak; 8 A cells of 3 Ah; a third on top; a board of 30 A.
    over = {
        "need": {"hours": 1.0, "current_A": 15.0, "peak_A": 30.0, "current_headroom": 4 / 3},
        "window": {},
        "pack": {"series": 13, "board_max_A": 30.0},
    }
    cell = {"limits": {**CELL["limits"], "discharge_A": 8.0}}
    found = sized(tmp_path, over, cell)
    asked = {one.name: one for one in found.choice.asked}

    assert asked["continuous current"].parallel == 3  # 15 x 4/3 / 8, of the case
    # 15 Ah and 15 % left, of 3 Ah cells; no voltage comes into it.
    assert asked["energy"].parallel == math.ceil(15.0 / 0.85 / 3.0) == 6
    assert asked["peak"].parallel == 4  # 30 A / 8 A
    assert found.choice.problems == ()
    assert found.passed
    out = " ".join(answer("size", requirements(tmp_path, over, cell))[1].split())
    assert "702 Wh at 46.8 V in 60 min; 15 A held for ten minutes, 30 A at the peak" in out


@pytest.mark.parametrize("amperes, count", [(20.0, 3), (24.0, 3), (24.1, 4), (8.0, 1)])
def test_c09_a_count_is_rounded_up_and_a_whole_one_stays(amperes, count):
    assert at_least(amperes / 8.0) == count


def test_c35_one_pack_lost_has_a_verdict_for_energy_and_one_for_current():
    limits = weakest({"cells": 40.0, "board": 30.0, "lead": 25.0, "fuse": 30.0})
    home = way_home(500.0, 0.4, 0.0, 6.0 * 25.0, 30.0, limits)

    assert (home.energy_ok, home.current_ok) == (True, False)
    assert home.energy_margin_Wh == pytest.approx(50.0)
    assert (home.limiting, home.ok_up_to_A) == ("lead", 25.0)
    # Two packs of 5 Ah at 10 A: an hour and 1C together, half an hour and 2C alone.
    both, one = (nominal(1, 1, packs, 5.0, 3.6).capacity_Ah for packs in (2, 1))
    assert [both / 10, one / 10] == [1.0, 0.5]
    assert [implied(3.6, ah, 1, hours=ah / 10).c_rate for ah in (both, one)] == [1.0, 2.0]


def test_c35_a_sizing_of_two_packs_asks_for_the_way_home_and_tells_both_margins(tmp_path):
    over = {
        "need": {"hours": 2.0, "power_W": 600.0, "home_share": 1.0},
        "pack": {"packs": 2, "lead_max_A": 14.0},
    }
    found = sized(tmp_path, over)

    # The whole day on one pack: as much in one as a vehicle with a single pack would need.
    n = found.choice.fit.series
    alone = parallel_for_energy(1200.0, 0.15, n, 1, 10.8)
    assert by_name(found)["one pack out, energy"] == alone
    assert found.choice.decides == "one pack out, energy"
    home = found.choice.home
    assert home.energy_ok
    assert 0.0 <= home.energy_margin_Wh <= n * 10.8  # no more than one cell more in each group
    # 600 W at the lowest voltage, all through one lead.
    amperes = 600.0 / (n * found.choice.fit.cutoff_V)
    assert (home.limiting, home.ok_up_to_A) == ("lead", 14.0)
    assert home.current_margin_A == pytest.approx(14.0 - amperes)
    assert not found.passed
    out = " ".join(answer("size", requirements(tmp_path, over))[1].split())
    assert "with 100 % of the day to go: energy " in out
    assert "A too much (the lead carries 14.0 A)" in out


def test_c42_range_and_time_against_speed_and_one_charge_from_every_row(tmp_path):
    # A launch: 10 A at 3.3 knots for 11 h; full speed, 4.5 knots, for 3.5 h; 1 A for 110 h.
    pack_Ah = 10.0 * 11.0
    assert pack_Ah == 1.0 * 110.0
    full_A = pack_Ah / 3.5
    assert full_A == pytest.approx(31.43, rel=5e-3)
    slow, fast = range_against_speed(
        48.0 * pack_Ah, [3.3 * KNOT_KM_H, 4.5 * KNOT_KM_H], [48.0 * 10.0, 48.0 * full_A]
    )
    assert (slow.hours, fast.hours) == pytest.approx((11.0, 3.5))
    assert slow.range_km / KNOT_KM_H == pytest.approx(36.3, rel=5e-3)
    assert fast.range_km / KNOT_KM_H == pytest.approx(15.75, rel=5e-3)
    assert slow.range_km / fast.range_km == pytest.approx(2.305, rel=5e-3)

    curve = {"speed_km_h": [3.3 * KNOT_KM_H, 4.5 * KNOT_KM_H], "power_W": [480.0, 48 * full_A]}
    over = {"need": {"hours": 4.0, "speed_km_h": 6.2}, "curve": curve}
    path = requirements(tmp_path, over)
    found = sized(tmp_path, over)
    code, out, _ = answer("size", path, "--json")
    rows = json.loads(out)["speeds"]
    assert code == 0
    assert rows[0]["range_km"] / rows[1]["range_km"] == pytest.approx(2.305, rel=5e-3)
    # Between two points straight in log over log.
    exponent = math.log(full_A / 10.0) / math.log(4.5 / 3.3)
    want_W = 480.0 * (6.2 / 3.3 / KNOT_KM_H) ** exponent
    assert found.day.continuous_W == pytest.approx(want_W, rel=1e-6)


def test_c42_a_curve_is_never_drawn_on_past_its_steep_end():
    curve = CurveTable(speed_km_h=[6.0, 8.0], power_W=[480.0, 1500.0])

    assert power_at(curve, 8.0, Path("x")) == pytest.approx(1500.0)
    with pytest.raises(InputError, match=r"speed_km_h 8\.1 lies outside \[curve\], 6 to 8"):
        power_at(curve, 8.1, Path("x"))


def test_c43_energy_of_a_cell_and_a_layout_follow_from_counts_and_volts():
    limit_kWh, measured_Wh = 450 * 11.67 / 1000, 5180 / 450
    assert limit_kWh == pytest.approx(5.2515)
    assert measured_Wh == pytest.approx(11.511, rel=1e-3)
    assert holds_too_much(measured_Wh, 18.4, 65.1) is None
    series, parallel, cell_V = layouts(429, 137.0, 2.5, 4.2)[0]
    assert (series, parallel) == (33, 13)
    assert cell_V == pytest.approx(4.1515, rel=1e-4)
    assert all(s * p == 429 for s, p, _ in layouts(429, 137.0, 0.0, 200.0))


@pytest.mark.parametrize("cell_Wh, fine", [(5.2, True), (11.67, True), (14.0, True), (30.0, False)])
def test_c43_an_18650_holds_five_to_fourteen_watt_hours(cell_Wh, fine):
    found = holds_too_much(cell_Wh, 18.4, 65.1)

    assert (found is None) == fine
    assert energy_density_Wh_L(cell_Wh, 18.4, 65.1) == pytest.approx(
        cell_Wh / (math.pi * 0.92**2 * 6.51) * 1000
    )


def test_c43_kilowatt_hours_in_one_cell_are_refused_with_the_usual_span(tmp_path):
    # 11.67 kWh would be 3242 Ah at 3.6 V: past any cell's bound. A tenth of it gets to this check.
    said = refused(requirements(tmp_path, cell={"capacity_Ah": 324.2}))

    assert "capacity_Ah 324.2: 1167 Wh in one cell of 18.4 x 65 mm, where 3.5 to 15 Wh" in said
    assert said.endswith("would be usual; Wh or kWh, Ah or mAh?\n")
    assert "capacity_Ah is 3242" in refused(requirements(tmp_path, cell={"capacity_Ah": 3242.0}))


def test_c43_an_unlikely_cell_is_questioned_not_refused(tmp_path):
    found = sized(tmp_path, cell={"capacity_Ah": 5.5})

    assert found.questions[0].startswith("cell: 19.8 Wh in one cell of 18.4 x 65 mm, where")


@pytest.mark.parametrize("words", [["--ambient", "-10"], ["--ambient=-10"]])
def test_c47_a_temperature_below_zero_is_an_options_value(tmp_path, words):
    code, out, err = answer("size", requirements(tmp_path), *words, "--json")

    assert (code, err) == (0, "")
    assert json.loads(out)["requirements"]["ambient"] == {"constant_C": -10.0}


def test_c47_a_bare_negative_number_is_refused_with_the_way_to_write_it(tmp_path):
    said = refused(requirements(tmp_path), "-10")

    assert "negative number has to be the value of an option: --ambient -10 or --amb" in said


def test_c29_colder_air_never_asks_for_fewer_cells(tmp_path):
    profile = ROOT / "profiles" / "cells" / "nmc-18650-energy.toml"
    if not profile.is_file():
        pytest.skip("profiles/ is not beside the tests")
    path = requirements(tmp_path)
    words = ["size", path, "--cell", profile, "--series", "14", "--json"]
    counts = []
    for cold in (24, 12, 4, -10):
        code, out, _ = answer(*words, "--cold", str(cold))
        assert code == 0
        asked = json.loads(out)["layouts"][-1]["asked"]
        counts.append(next(a["parallel"] for a in asked if a["name"].startswith("frost")))

    assert counts == sorted(counts)
    assert counts[-1] > counts[0]


# Arithmetic against the definition.


COUNTS = st.integers(1, 40)


@given(
    st.floats(1, 1e5), st.floats(0, 0.9), st.integers(1, 100), st.integers(1, 4), st.floats(1, 30)
)
def test_the_count_for_energy_suffices_and_one_less_does_not(energy, reserve, series, packs, cell):
    n = parallel_for_energy(energy, reserve, series, packs, cell)

    def usable(count: int) -> float:
        return count * series * packs * cell * (1 - reserve)

    assert usable(n) >= energy * (1 - 1e-8)
    assert n == 1 or usable(n - 1) < energy


@given(
    st.floats(1, 1e5),
    st.floats(0, 1),
    st.floats(0, 0.8),
    st.integers(1, 40),
    st.integers(2, 4),
    st.floats(1, 30),
)
def test_the_count_to_get_home_leaves_no_energy_missing(day, share, reserve, series, packs, cell):
    n = parallel_to_get_home(day, share, reserve, series, packs, cell)

    def margin(count: int) -> float:
        one_Wh = count * series * cell
        soc = 1 - (1 - share) * day / (packs * one_Wh)
        limits = weakest({"cells": 1.0})
        return way_home(
            (packs - 1) * one_Wh, soc, reserve, share * day, 0.0, limits
        ).energy_margin_Wh

    assert margin(n) >= -1e-6 * day
    assert n == 1 or margin(n - 1) < 1e-6 * day


@given(st.floats(10, 1e4), st.integers(1, 40), st.floats(3.0, 4.0), st.floats(0.005, 0.1))
def test_the_count_against_sag_holds_the_cutoff_by_the_power_quadratic(power, series, rest, ohm):
    n = parallel_for_sag(power, series, 1, rest, ohm, 2.8)

    def loaded_V(count: int) -> float:
        """(E - I R) I = P: the larger voltage, or 0 where none delivers P."""
        cell_W = power / series / count
        root = rest**2 - 4 * ohm * cell_W
        return 0.0 if root < 0 else 0.5 * (rest + math.sqrt(root))

    assert loaded_V(n) >= 2.8 - 1e-6
    assert n == 1 or loaded_V(n - 1) < 2.8


def test_no_count_mends_a_cell_that_rests_below_its_cutoff():
    assert parallel_for_sag(100.0, 10, 1, 3.0, 0.05, 3.1) is None


def test_series_counts_keep_the_window_full_and_empty_and_meet_the_charger():
    def why(series: int, charger_V: float | None = None) -> str | None:
        return series_fit(series, 4.2, 2.8, 3.45, (42.0, 60.0), charger_V).why_not

    assert [n for n in range(8, 20) if why(n) is None] == [13, 14]
    assert "full at 63.0 V, above the controller's 60 V" in why(15)
    assert "41.4 V at the reserve, at rest, not above the controller's 42 V" in why(12)
    assert "would overcharge it" in why(13, 58.8)
    assert "never fills it" in why(14, 54.6)
    assert why(14, 58.8) is None
    # The run ends where the controller does, if that is sooner than the cell's own cut-off.
    assert series_fit(13, 4.2, 2.8, 3.45, (42.0, 60.0), None).cutoff_V == pytest.approx(42 / 13)
    assert series_fit(14, 4.2, 3.1, 3.45, (42.0, 60.0), None).cutoff_V == 3.1


# The day that is made of the requirements.


def day(folder: Path, need: dict[str, Any], **over: Any):
    path = requirements(folder)
    table = checked(SizeTable, {**DAY, "need": need, **over}, str(path))
    return day_of(assemble(scenario_of(table, path, 14, 5, 3.0), path), table, 50.4)


def test_a_day_of_power_has_its_mean_and_its_peaks(tmp_path):
    plain = day(tmp_path, {"hours": 3.0, "power_W": 700.0})
    peaky = day(tmp_path, {"hours": 3.0, "power_W": 700.0, "peak_W": 3000.0, "peak_s": 20.0})

    assert (plain.energy_Wh, plain.continuous_W, plain.peak_W) == pytest.approx((2100, 700, 700))
    assert (peaky.energy_Wh, peaky.peak_W, peaky.hours) == pytest.approx((2100, 3000, 3))
    assert peaky.continuous_W == pytest.approx(700.0)  # a block is ten minutes


def test_a_day_of_a_vehicle_costs_what_its_road_load_says(tmp_path):
    vehicle = {"mass_kg": 400.0, "surface": "gravel", "drag_area_m2": 0.0}
    flat = day(tmp_path, {"distance_km": 20.0, "speed_km_h": 18.0}, vehicle=vehicle)
    hilly = day(
        tmp_path,
        {"distance_km": 20.0, "speed_km_h": 18.0, "climb_m": 200.0, "stops": 40},
        vehicle=vehicle,
    )

    g, eff = 9.80665, 0.75  # of the schema
    rolling_Wh = 0.02 * 400 * g * 20_000 / 3600 / eff
    start_Wh = 0.5 * 400 * 25 / 3600 / eff
    stop_Wh = 0.02 * 400 * g * 25 / 3600 / eff  # over 25 m of braking the pack pays no rolling
    assert flat.energy_Wh == pytest.approx(rolling_Wh + start_Wh - stop_Wh, rel=1e-6)
    assert [flat.distance_km, hilly.distance_km] == pytest.approx([20.0, 20.0])
    # 200 m up; down at 5 % gravity pulls the whole way and nothing comes back.
    up_Wh = 400 * g * 200 / 3600 / eff
    down_m = 200 / math.sin(math.atan(0.05))
    spared_Wh = 0.02 * 400 * g * down_m / 3600 / eff
    # The last stop lies on the way down, where nothing is paid for rolling anyway.
    want_Wh = rolling_Wh + up_Wh - spared_Wh + 41 * start_Wh - 40 * stop_Wh
    # 0.2 %: rolling resistance on the slopes is that of their cosine, 0.9988.
    assert hilly.energy_Wh == pytest.approx(want_Wh, rel=2e-3)


@pytest.mark.parametrize("surface", SURFACES)
def test_a_surface_stands_for_the_upper_end_of_its_span(tmp_path, surface):
    table = checked(
        SizeTable,
        {
            **DAY,
            "need": {"hours": 1.0, "speed_km_h": 10.0},
            "vehicle": {"mass_kg": 200.0, "surface": surface},
        },
        "x",
    )
    content = scenario_of(table, Path("x"), 14, 5, 3.0)

    assert content["vehicle"]["rolling_coefficient"] == max(SURFACES[surface])


def test_legs_or_a_profile_may_say_the_day_instead(tmp_path):
    legs = [{"power_W": 500.0, "duration_h": 1.0}, {"power_W": 900.0, "duration_min": 30.0}]
    by_legs = sized(tmp_path, {"need": {"reserve_percent": 10.0}, "leg": legs})
    (tmp_path / "load.csv").write_text("time_h,power_W\n0,500\n1,900\n1.5,0\n")
    by_file = sized(tmp_path, {"need": {"reserve_percent": 10.0}, "load": {"profile": "load.csv"}})

    assert by_legs.day.energy_Wh == pytest.approx(950.0)
    assert by_legs.day.continuous_W == pytest.approx(900.0)
    assert by_file.choice.parallel == by_legs.choice.parallel


# The whole answer.


def test_what_decides_is_the_requirement_that_asks_for_most(tmp_path):
    def decided(over: dict[str, Any], cell: dict | None = None) -> str:
        found = sized(tmp_path, {"pack": {"series": 14}, **over}, cell)
        asked = by_name(found)
        assert asked[found.choice.decides] == max(asked.values()) == found.choice.parallel
        assert found.passed, found.run.verdict
        return found.choice.decides

    long_day = {"need": {"hours": 4.0, "power_W": 400.0}}
    assert decided(long_day) == "energy"
    short = {"hours": 0.2, "power_W": 1500.0}
    weak = {**CELL["limits"], "discharge_A": 3.0}
    assert decided({"need": {**short, "current_headroom": 2.0}}, {"limits": weak}) == (
        "continuous current"
    )
    assert decided({"need": {**short, "peak_W": 6000.0}}, {"limits": weak}) == "peak"
    hot = {"constant_C": 57.0}
    assert decided({"need": {"hours": 0.5, "power_W": 900.0}, "ambient": hot}) == "heat"
    two = {"pack": {"series": 14, "packs": 2}, "need": {"hours": 4.0, "power_W": 400.0}}
    assert decided({**two}) == "one pack out, energy"


def test_heat_asks_for_as_many_as_the_steady_core_says(tmp_path):
    """Joint and pair included: I^2 (R0 + R1 + Rj) = G (T - T_air) once all is warm."""
    ambient = {"constant_C": 50.0}
    need = {"hours": 6.0, "power_W": 1000.0, "reserve_percent": 0.0}
    cell = {
        "capacity_Ah": 3.0,
        "open_circuit": {"soc": [0.0, 1.0], "voltage_V": [3.59, 3.61]},
        "limits": {**CELL["limits"], "cutoff_V": 2.8},
    }
    found = sized(
        tmp_path, {"need": need, "ambient": ambient, "window": {}, "pack": {"series": 14}}, cell
    )

    ohm, rise_K, conductance_W_K = 0.025 + 0.015 + 0.0004, 60.0 - 50.0, 0.05
    greatest_A = math.sqrt(rise_K * conductance_W_K / ohm)
    # Joints of 0.4 mohm heat the surface, which is the core here: one lumped node.
    cell_V = 3.6 - greatest_A * ohm
    least = 1000.0 / 14 / cell_V / greatest_A
    assert abs(least - round(least)) > 0.02  # or rounding of the voltage would decide
    assert by_name(found)["heat"] == math.ceil(least)


def test_the_chosen_pack_passes_and_one_less_does_not_where_the_day_decides(tmp_path):
    found = sized(tmp_path, {"need": {"hours": 4.0, "power_W": 400.0}})

    rows = {row.parallel: row.passes for row in found.confirmed.rows}
    assert rows[found.choice.parallel]
    assert not rows[found.choice.parallel - 1]
    assert found.run.passed
    assert found.run.case.scenario.pack.parallel == found.choice.parallel


def test_of_several_layouts_the_one_with_fewest_cells_is_chosen(tmp_path):
    found = sized(tmp_path, {"need": {"hours": 2.0, "power_W": 600.0, "reserve_percent": 25.0}})

    cells = {layout.fit.series: layout.what.cells for layout in found.layouts}
    assert set(cells) == {13, 14}
    assert found.choice.what.cells == min(cells.values())


def test_stock_mass_and_price_are_counted(tmp_path):
    plenty = sized(tmp_path, {"stock": {"cells": 1000, "price": 2.5, "mass_max_kg": 100.0}})
    assert plenty.choice.cost == pytest.approx(2.5 * plenty.choice.what.cells)
    assert plenty.choice.mass_kg == pytest.approx(0.047 * plenty.choice.what.cells)
    assert plenty.passed

    path = requirements(tmp_path, {"stock": {"cells": 50, "mass_max_kg": 3.0}})
    code, out, _ = answer("size", path, "--quiet")
    cells, kg = plenty.choice.what.cells, 0.047 * plenty.choice.what.cells
    assert code == 1
    assert out.startswith("No pack as asked; the nearest is ")
    assert f"but {cells} cells where 50 are at hand; {kg:.1f} kg of cells where 3 kg" in out


def test_cells_that_can_never_do_it_are_told_with_the_reason(tmp_path):
    code, out, _ = answer(
        "size", requirements(tmp_path, {"ambient": {"constant_C": 61.0}}), "--quiet"
    )

    assert code == 1
    assert out.startswith("No pack of this cell will do: 14 in series: heat: ")
    assert "core above limit by 1" in out


def test_the_first_line_names_pack_cells_mass_volts_energy_and_what_decides(tmp_path):
    code, out, err = answer("size", requirements(tmp_path))

    assert (code, err) == (0, "")
    found = sized(tmp_path)
    what = found.choice.what
    assert out.splitlines()[0].startswith(
        f"{found.choice.fit.series}s{found.choice.parallel}p in one pack: {what.cells} cells, "
        f"{0.047 * what.cells:.1f} kg, {what.voltage_V:.1f} V and {what.energy_Wh:.0f} Wh nominal; "
        f"{found.choice.decides} decides ("
    )


def test_write_leaves_a_scenario_that_simulates_to_the_same_verdict(tmp_path):
    path = requirements(tmp_path)
    (tmp_path / "deeper").mkdir()
    target = tmp_path / "deeper" / "cart.toml"

    code, out, err = answer("size", path, "--write", target)
    assert (code, err) == (0, "")
    assert f"scenario written to {target}; go on with: stillair simulate {target}" in out
    again, words, err = answer("simulate", target, "--no-plots", "--out", tmp_path / "o")

    assert (again, err) == (0, "")
    verdict = next(line for line in out.splitlines() if line.startswith("run "))[4:].strip()
    assert words.startswith(verdict)
    written = tomllib.loads(target.read_text())
    assert written["cell"]["profile"] == "../cell.toml"
    assert written["pack"]["parallel"] == sized(tmp_path).choice.parallel


def test_write_overwrites_nothing_and_leaves_nothing_behind(tmp_path):
    path = requirements(tmp_path)
    target = tmp_path / "cart.toml"
    target.write_text("mine")

    assert refused(path, "--write", target) == (
        f"{target} is there already and is not overwritten; give another --write\n"
    )
    assert target.read_text() == "mine"
    assert "there is no folder" in refused(path, "--write", tmp_path / "no" / "cart.toml")
    assert names_in(tmp_path) == ["cart.toml", "cell.toml", "need.toml"]


def test_out_leaves_a_summary_and_the_confirming_sweep(tmp_path):
    folder = tmp_path / "o"
    code, _, err = answer("size", requirements(tmp_path), "--out", folder)

    assert (code, err) == (0, "")
    assert names_in(folder) == ["size.png", "summary.json", "sweep.csv"]
    summary = read_strictly(folder / "summary.json")
    assert summary["verdict"]["passed"]
    assert summary["run"]["audit"]["passed"]
    assert [row["parallel"] for row in rows_of(folder / "sweep.csv")] == [
        str(summary["choice"]["parallel"] + k) for k in range(-3, 4)
    ]


def test_options_go_over_the_file_and_may_stand_alone(tmp_path):
    path = requirements(tmp_path)
    both = json.loads(answer("size", path, "--power", "900", "--packs", "2", "--json")[1])
    assert both["requirements"]["need"] == {"hours": 2.0, "power_W": 900.0}
    assert both["requirements"]["pack"] == {"packs": 2}

    alone = answer(
        *("size", "--cell", tmp_path / "cell.toml", "--hours", "2", "--power", "600"),
        *("--controller", "42:60", "--ambient", "35", "--json"),
    )
    assert alone[0] == 0
    assert json.loads(alone[1])["choice"]["series"] == 14


def test_cells_in_stock_that_are_too_few_are_told_how_far_they_go(tmp_path):
    path = requirements(tmp_path, {"stock": {"cells": 100}, "pack": {"series": 14}})
    code, out, _ = answer("size", path)

    assert code == 1
    flat = " ".join(out.split())
    # 14 x 7 = 98 of them; 7 x 14 x 10.8 Wh = 1058 Wh for 1200 Wh with 15 % to be left.
    assert "; 7, which are in stock: charge below reserve at 13:" in flat


def test_one_pack_out_is_judged_by_the_day_itself(tmp_path):
    """Against a march of our own: two packs of one-pair cells at one power, the pair filled.

    I (U - v - I R) = P a cell and dv/dt = (I R1 - v)/tau, in steps of a second; half the energy by
    both, half by one; the least count that ends at the reserve or above.
    """
    over = {
        "need": {"hours": 4.0, "power_W": 700.0, "home_share": 0.5},
        "pack": {"series": 14, "packs": 2, "joint_mohm": 0.0, "lead_mohm": 0.0},
        "cooling": {"conductance_W_K": 5.0},
    }
    found = sized(tmp_path, over)
    r0, r1, tau = 0.025, 0.015, CELL["polarisation"][0]["time_constant_s"]

    def left(parallel: int) -> float:
        soc, v = 1.0, 0.0
        for second in range(4 * 3600):
            packs = 2 if second < 2 * 3600 else 1
            watt = 700.0 / (14 * parallel * packs)
            source = 3.0 + 1.2 * soc - v
            amps = (source - math.sqrt(source * source - 4.0 * r0 * watt)) / (2.0 * r0)
            v += (amps * r1 - v) * (1.0 - math.exp(-1.0 / tau))
            soc -= amps / 3600.0 / 3.0
        return soc

    least = next(n for n in range(10, 60) if left(n) >= 0.15)
    assert by_name(found)["one pack out, energy"] == least
    assert found.choice.parallel == least
    spare_Wh = (left(least) - 0.15) * least * 14 * 10.8
    assert found.choice.home.energy_margin_Wh == pytest.approx(spare_Wh, abs=1.0)  # of 2800 Wh


@pytest.mark.slow
def test_in_the_cold_one_pack_out_asks_for_more_than_its_energy_by_hand(tmp_path):
    # At -20 C a cell of a drained pack sags below the controller's volts long before it is empty.
    cell = ROOT / "profiles" / "cells" / "nmc-18650-power.toml"
    need = ["--hours", "6", "--power", "400", "--peak", "2200", "--home", "0.3"]
    words = [*need, "--series", "6", "--controller", "20:30", "--packs", "2", "--ambient=-20"]
    code, out, _ = answer("size", "--cell", cell, *words, "--json")

    assert code == 0
    asked = {one["name"]: one for one in json.loads(out)["layouts"][0]["asked"]}
    energy = asked["one pack out, energy"]
    # 2400 Wh (0.3 + 0.7/2) / 0.85 over 6 cells of 9 Wh: 34 by hand.
    assert energy["by_hand"] == math.ceil(2400 * (0.3 + 0.7 / 2) / 0.85 / 6 / 9.0) == 34
    assert energy["parallel"] > energy["by_hand"]
    assert "cell below cut-off" in energy["why"]


def test_in_frost_one_pack_out_asks_too_and_sweep_and_table_say_what_decides(tmp_path):
    over = {
        "need": {"hours": 3.0, "power_W": 500.0},
        "pack": {"series": 14, "packs": 2},
        "cold_C": -15.0,
    }
    # R0 ten times as high at -15 C as at 25 C: the cold asks, and there the loss of a pack.
    cell = {
        "resistance": {
            "soc": [0.0, 1.0],
            "temperature_C": [-15.0, 25.0],
            "discharge_mohm": [[250.0, 25.0], [250.0, 25.0]],
        }
    }
    found = sized(tmp_path, over, cell)
    asked = by_name(found)

    assert asked["one out, frost (-15 C)"] >= asked["frost (-15 C)"] > asked["energy"]
    assert found.choice.parallel == max(asked.values())
    lines = answer("size", requirements(tmp_path, over, cell))[1].splitlines()
    rows = [line for line in lines if line.startswith(tuple(asked))]
    assert len(rows) == len(asked)
    for row in rows:  # counts stand in their column, under "side by side"
        assert row[24:35].strip().removesuffix(" <").isdigit()


def test_a_power_that_cannot_be_meant_is_questioned_and_is_no_fault_of_the_cell(tmp_path):
    need = {"distance_km": 30.0, "speed_km_h": 12.0, "power_W": 65_000.0}
    code, out, err = answer("size", requirements(tmp_path, {"need": need}))

    assert (code, err) == (1, "")
    assert out.startswith("No pack of this cell will do: ")
    # 65 kW for 2.5 h over 30 km, and the force that does that work: 5417 Wh/km x 3.6 J/Wh per m.
    flat = " ".join(out.split())
    assert "question consumption: 5417 Wh/km, a steady pull of 19500 N at the battery" in flat


@pytest.mark.parametrize("count, code, opening", [(3, 1, "will not do: energy"), (9, 0, "will do")])
def test_a_count_at_hand_is_answered_first_and_decides_the_exit_code(
    tmp_path, count, code, opening
):
    over = {"pack": {"series": 14, "parallel": count}, "need": {"hours": 1.0, "power_W": 600.0}}
    path = requirements(tmp_path, over)
    target = tmp_path / "cart.toml"

    found, out, _ = answer("size", path, "--write", target)

    assert found == code
    assert out.startswith(f"14s{count}p in one pack {opening}")
    least = sized(tmp_path, {**over, "pack": {"series": 14}}).choice.parallel
    assert 3 < least < 9
    if code:
        assert f"The least that will do is 14s{least}p in one pack" in out
    # What is there is what is written; what is too small is replaced.
    assert tomllib.loads(target.read_text())["pack"]["parallel"] == max(count, least)


def test_where_no_series_count_fits_the_windows_that_would_are_told(tmp_path):
    said = refused(requirements(tmp_path, {"window": {"controller_min_V": 43.0,
                                                      "controller_max_V": 46.0}}))  # fmt: skip

    # 3.0 + 1.2 x 0.15 = 3.18 V at the reserve, 4.2 V full.
    assert "10 in series needs a controller that works from 31.8 V or less up to 42.0 V" in said


REFUSED = [
    ({"ambient": None}, "[ambient] is missing; give the air of the hottest day (--ambient 35"),
    ({"need": {"power_W": 5.0}}, "[need] must say how long: hours, or distance_km with speed_km_h"),
    (
        {"need": {"hours": 1.0, "distance_km": 1.0, "speed_km_h": 1.0, "power_W": 5.0}},
        "[need] distance_km, speed_km_h and hours: give two of the three",
    ),
    (
        {"need": {"hours": 1.0}},
        "give [need] power_W or current_A, or [vehicle] with a surface, or [curve]; one",
    ),
    (
        {"need": {"hours": 1.0}, "vehicle": {"mass_kg": 5.0, "surface": "soil"}},
        "[need] speed_km_h is missing: [vehicle] and [curve] go by it",
    ),
    (
        {"vehicle": {"mass_kg": 5.0, "surface": "soil"}},
        "give [need] power_W or current_A, or [vehicle] with a surface, or [curve]; one",
    ),
    (
        {"need": {"hours": 1.0, "speed_km_h": 5.0}, "vehicle": {"mass_kg": 5.0}},
        "[vehicle]: give surface (concrete, asphalt, gravel, cobbles, soil, sand) or rolling",
    ),
    (
        {"need": {"hours": 1.0, "power_W": 500.0, "peak_W": 100.0}},
        "[need]: peak_W 100 lies below power_W 500, the mean; are they the wrong way round?",
    ),
    (
        {"need": {"hours": 1.0, "power_W": 100.0, "peak_W": 9000.0}},
        "[need] 6 peaks of 9000 W for 10 s take more than power_W 100 gives on the mean",
    ),
    (
        {
            "need": {"distance_km": 3.0, "speed_km_h": 10.0, "climb_m": 200.0},
            "vehicle": {"mass_kg": 300.0, "surface": "gravel"},
        },
        "[need] climb_m 200 at grade_percent 5 is 4 km up and as much down; accepted: less than",
    ),
    (
        {"need": {"hours": 1.0, "current_A": 10.0, "peak_W": 900.0}},
        "[need]: peak_W belongs to power_W; beside current_A give peak_A",
    ),
    (
        {"need": {"hours": 1.0, "power_W": 10.0, "peak_A": 900.0}},
        "[need]: peak_A belongs to current_A; beside power_W give peak_W",
    ),
    (
        {"need": {"hours": 1.0, "current_A": 10.0, "peak_A": 9.0}},
        "[need]: peak_A 9 lies below current_A 10, the mean; are they the wrong way round?",
    ),
    ({"window": {}}, "[window] is missing; give controller_min_V and controller_max_V, charger_V"),
    (
        {"window": {"controller_min_V": 42.0, "controller_max_V": 43.0}},
        "[window] no series count of this cell fits: 10 in series: ",
    ),
    (
        {"window": {"controller_min_V": 60.0, "controller_max_V": 42.0}},
        "[window]: controller_min_V 60 must lie below controller_max_V 42",
    ),
    ({"leg": [{"pause_s": 5}]}, "[need] hours is not used: [load] or [[leg]] already say the day"),
    ({"pack": {"paralel": 5}}, "[pack] paralel is not known here; did you mean 'parallel'?"),
]


@pytest.mark.parametrize("over, said", REFUSED)
def test_requirements_that_do_not_hang_together_are_refused_in_one_sentence(tmp_path, over, said):
    path = requirements(tmp_path)
    content = {key: value for key, value in {**DAY, **over}.items() if value is not None}
    path.write_text(dump(content))

    assert refused(path).startswith(f"{path}: {said}")


@pytest.mark.parametrize(
    "words, said",
    [
        (["--hours", "2"], "--cell is missing; give a cell profile (stillair new DIR lays one)"),
        (["--controller", "42-60"], "--controller 42-60 can't be understood; accepted: LOW:HIGH"),
        (["--ask"], "--ask needs a terminal to ask on; give options or a file instead"),
    ],
)
def test_options_that_cannot_be_used_are_refused_in_one_sentence(
    tmp_path, monkeypatch, words, said
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys, "stdin", io.StringIO())

    assert refused(*words).startswith(said)


@pytest.mark.slow
def test_ask_asks_for_what_is_missing_on_a_terminal(tmp_path):
    requirements(tmp_path)
    here, there = pty.openpty()
    # A cell that is not there, hours and not distance, no word for a number; power, and so no mass.
    replies = ["cel.toml", "cell.toml", "", "", "two", "2", "600", "", "42-60", "42:60", "58.8"]
    replies += ["1.5", "", "10", "35", ""]  # packs are whole; no frost
    words = ["size", "--ask", "--mass-limit", "50", "--json"]
    os.write(here, "".join(f"{reply}\n" for reply in replies).encode())
    process = subprocess.run(
        [sys.executable, "-m", "sim.cli", *words],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        stdin=there,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    os.close(there)
    os.close(here)
    out, err = process.stdout, process.stderr

    assert process.returncode == 0, err
    assert "How far, in km" in err
    assert "two is not a number" in err
    assert "cel.toml is not there" in err
    assert "--controller 42-60 can't be understood" in err
    assert "1.5 is not a whole number" in err
    assert "Mass of the laden vehicle" not in err
    summary = json.loads(out)
    assert summary["requirements"]["need"] == {
        "hours": 2.0,
        "power_W": 600.0,
        "reserve_percent": 10.0,
    }
    assert summary["choice"]["series"] == 14


@settings(max_examples=8, deadline=None)
@given(
    hours=st.floats(0.2, 6),
    power=st.floats(50, 2000),
    air=st.floats(5, 45),
    packs=st.integers(1, 3),
)
def test_whatever_is_asked_the_pack_that_is_named_passes_its_own_day(
    tmp_path_factory, hours, power, air, packs
):
    folder = tmp_path_factory.mktemp("size")
    over = {
        "need": {"hours": hours, "power_W": power},
        "ambient": {"constant_C": air},
        "pack": {"series": 14, "packs": packs},
    }
    found = sized(folder, over)

    assert found.choice is not None
    assert found.run.passed
    assert found.passed
    asked = [one.parallel for one in found.choice.asked]
    assert found.choice.parallel >= max(asked)
