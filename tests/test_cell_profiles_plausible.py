"""The generic cell profiles against open measurements, bands of the class, a textbook cylinder.

T, D and E numbers are rows of the project's list of check values; the source of each stands beside
it. The files are read with tomllib alone: a fault of our own reader can't hide one of theirs.
"""

from __future__ import annotations

import csv
import math
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

CELLS = Path(__file__).resolve().parents[1] / "profiles" / "cells"
SHARED = Path(__file__).resolve().parents[2] / "shared"
NMC_ENERGY, LFP = "nmc-18650-energy", "lfp-26650"
NAMES = (NMC_ENERGY, "nmc-18650-power", "nmc-21700", LFP)
PROFILES = {
    name: tomllib.loads((CELLS / f"{name}.toml").read_text(encoding="utf-8")) for name in NAMES
}
GROUPS = {
    "capacity",
    "size",
    "open_circuit",
    "entropic",
    "resistance",
    "polarisation",
    "heat",
    "core_to_surface",
    "limits",
}

# D10: 10 s pulse resistance of a new 2.9 Ah 18650 at half charge, by cell temperature (open data,
# doi 10.17632/wykht8y7tg.1, read from the raw files: verified).
OPEN_PULSE_C_MOHM = {25.6: 37.12, 10.8: 51.98, 0.3: 79.50, -9.9: 129.88, -20.1: 216.59}
PULSE_S = 10.0

every_profile = pytest.mark.parametrize("name", NAMES)


def tables_mohm(profile: dict[str, Any]) -> list[np.ndarray]:
    """R0 and the pairs' resistances, each (soc, temperature)."""
    pairs = [np.array(pair["resistance_mohm"], float) for pair in profile["polarisation"]]
    return [np.array(profile["resistance"]["discharge_mohm"], float), *pairs]


def lookup_mohm(profile: dict[str, Any], table: np.ndarray, soc: float, core_C: float) -> float:
    """Straight lines over the state of charge, then over temperature."""
    grid = profile["resistance"]
    by_column = [np.interp(soc, grid["soc"], column) for column in table.T]
    return float(np.interp(core_C, grid["temperature_C"], by_column))


def pulse_mohm(profile: dict[str, Any], soc: float, core_C: float, after_s: float) -> float:
    """Voltage drop over current after a step; `math.inf` gives the whole resistance."""
    shares = [1.0] + [
        -math.expm1(-after_s / pair["time_constant_s"]) for pair in profile["polarisation"]
    ]
    return sum(
        share * lookup_mohm(profile, table, soc, core_C)
        for share, table in zip(shares, tables_mohm(profile), strict=True)
    )


def mean_open_circuit_V(profile: dict[str, Any]) -> float:
    curve = profile["open_circuit"]
    return float(np.trapezoid(curve["voltage_V"], curve["soc"]))


def heat_capacity_J_K(profile: dict[str, Any]) -> float:
    return profile["heat"]["core_J_K"] + profile["heat"]["surface_J_K"]


def test_every_invented_profile_of_the_folder_is_judged_here() -> None:
    generic = {path.stem for path in CELLS.glob("*.toml") if "INVENTED" in path.read_text("utf-8")}
    assert generic == set(NAMES)


@every_profile
def test_tables_fit_their_axes_and_span_empty_to_full(name: str) -> None:
    profile = PROFILES[name]
    curve, grid = profile["open_circuit"], profile["resistance"]
    assert len(curve["soc"]) == len(curve["voltage_V"]) == len(curve["entropic_mV_K"])
    for soc in (curve["soc"], grid["soc"]):
        assert (soc[0], soc[-1]) == (0.0, 1.0)
        assert np.all(np.diff(soc) > 0.0)
        # A reader that lays the table on an even grid loses nothing on hundredths.
        assert np.array(soc) * 100.0 == pytest.approx(np.round(np.array(soc) * 100.0), abs=1e-9)
    assert np.all(np.diff(grid["temperature_C"]) > 0.0)
    for table in tables_mohm(profile):
        assert table.shape == (len(grid["soc"]), len(grid["temperature_C"]))
        assert np.all(table > 0.0)


@every_profile
def test_a_frosty_and_a_hot_day_lie_inside_the_table(name: str) -> None:
    limits, columns_C = PROFILES[name]["limits"], PROFILES[name]["resistance"]["temperature_C"]
    assert columns_C[0] <= -20.0 and columns_C[-1] >= 60.0
    assert columns_C[0] <= limits["discharge_core_min_C"]
    assert columns_C[-1] >= limits["discharge_core_max_C"]


@every_profile
def test_every_parameter_says_where_it_comes_from_and_how_far_off_it_may_be(name: str) -> None:
    sources = PROFILES[name]["sources"]
    assert set(sources) == GROUPS
    for group, source in sources.items():
        assert len(source["from"].split()) >= 4, f"{group} gives no source to speak of"
        assert 0.0 < source["uncertainty"] <= 2.0, group
        assert source["guess"] is True, f"{group} of a generic cell is a guess and must say so"
    assert "mV/K" in sources["entropic"]["from"]  # relative to a zero says nothing: a band in words
    assert sources["resistance"]["uncertainty"] >= 0.25


@every_profile
def test_open_circuit_voltage_rises_from_the_cutoff_and_ends_no_higher_than_full(name: str) -> None:
    voltage_V, limits = PROFILES[name]["open_circuit"]["voltage_V"], PROFILES[name]["limits"]
    assert np.all(np.diff(voltage_V) > 0.0)
    assert voltage_V[0] == limits["cutoff_V"]  # the capacity is what comes out down to there
    assert voltage_V[-1] <= limits["full_V"]


def test_energy_type_has_the_mean_voltage_of_the_open_slow_discharge() -> None:
    # D07: C/20 discharge at 25 C of a 2.9 Ah cell, mean 3.6829 V; 3 % is the spread of the class.
    assert mean_open_circuit_V(PROFILES[NMC_ENERGY]) == pytest.approx(3.6829, rel=0.03)


@every_profile
def test_voltage_windows_are_those_of_the_trade(name: str) -> None:
    # Common practice, no source.
    profile, limits = PROFILES[name], PROFILES[name]["limits"]
    if name == LFP:
        assert (limits["full_V"], limits["cutoff_V"], profile["nominal_V"]) == (3.65, 2.5, 3.2)
        assert 3.4 <= profile["open_circuit"]["voltage_V"][-1] <= 3.5  # from memory
        assert mean_open_circuit_V(profile) == pytest.approx(3.2, abs=0.1)
        return
    assert limits["full_V"] == 4.2
    assert 2.5 <= limits["cutoff_V"] <= 3.0
    assert 3.6 <= profile["nominal_V"] <= 3.7
    assert mean_open_circuit_V(profile) == pytest.approx(profile["nominal_V"], abs=0.15)


def test_iron_phosphate_is_flat_where_nickel_manganese_cobalt_slopes() -> None:
    # Common knowledge of the trade, no source: under 0.15 V between 20 and 90 % against over 0.4 V.
    for name in NAMES:
        curve = PROFILES[name]["open_circuit"]
        low_V, high_V = np.interp([0.2, 0.9], curve["soc"], curve["voltage_V"])
        assert high_V - low_V < 0.15 if name == LFP else high_V - low_V > 0.4


@every_profile
def test_temperature_and_current_limits_do_not_exceed_the_trade(name: str) -> None:
    # Common practice, no source: discharge up to 60 C, charge 0 to 45 C, charge at 1C at most.
    profile, limits = PROFILES[name], PROFILES[name]["limits"]
    assert -20.0 <= limits["discharge_core_min_C"] < limits["discharge_core_max_C"] <= 60.0
    assert 0.0 <= limits["charge_core_min_C"] < limits["charge_core_max_C"] <= 45.0
    assert 0.0 < limits["charge_A"] <= profile["capacity_Ah"]
    assert limits["charge_A"] < limits["discharge_A"]


@every_profile
def test_resistance_never_falls_in_the_cold_nor_towards_empty(name: str) -> None:
    profile = PROFILES[name]
    low = np.array(profile["resistance"]["soc"]) <= 0.2
    for table in tables_mohm(profile):
        assert np.all(np.diff(table, axis=1) < 0.0)
        assert np.all(np.diff(table[low], axis=0) <= 0.0)
        assert np.all(table[0] > table[low][-1])


@every_profile
def test_frost_multiplies_resistance_as_the_class_does(name: str) -> None:
    # D10: 3.1 to 3.7 from 25 to -10 C over 0.1 s and 10 s; 2.5 to 4.5 is the band for the class.
    # Measured at half charge; below a tenth the steeper pairs outweigh R0 and no source was found.
    profile = PROFILES[name]
    for soc in (soc for soc in profile["resistance"]["soc"] if soc >= 0.1):
        for after_s in (PULSE_S, math.inf):
            cold, warm = (pulse_mohm(profile, soc, core_C, after_s) for core_C in (-10.0, 25.0))
            assert 2.5 <= cold / warm <= 4.5, f"at state of charge {soc} after {after_s} s"


@every_profile
def test_a_hot_cell_is_promised_no_more_relief_than_arrhenius_gives(name: str) -> None:
    # E16: 20 kJ/mol, the lower end of the open pulse tests, takes 60 C to 0.4284 of 25 C.
    profile = PROFILES[name]
    for soc in profile["resistance"]["soc"]:
        hot, warm = (pulse_mohm(profile, soc, core_C, math.inf) for core_C in (60.0, 25.0))
        assert 0.4284 <= hot / warm < 1.0


@pytest.mark.parametrize("core_C", OPEN_PULSE_C_MOHM)
def test_energy_type_is_never_stiffer_than_the_open_new_cell(core_C: float) -> None:
    # Too little resistance would say "stays cool" wrongly. Upwards 1.6: worn or poorer cells of the
    # class (two of the open 18650 sets lie at 35 to 43 mohm, a 2 Ah set above 100).
    ratio = pulse_mohm(PROFILES[NMC_ENERGY], 0.5, core_C, PULSE_S) / OPEN_PULSE_C_MOHM[core_C]
    assert 1.0 <= ratio <= 1.6


@pytest.mark.parametrize(
    ("name", "low_mohm", "high_mohm"),
    [
        (NMC_ENERGY, 45.0, 55.0),
        ("nmc-18650-power", 18.0, 25.0),
        ("nmc-21700", 28.0, 33.0),
        (LFP, 20.0, 40.0),
    ],
)
def test_ten_second_resistance_lies_in_the_band_of_its_type(
    name: str, low_mohm: float, high_mohm: float
) -> None:
    # From memory of the trade; iron-phosphate above the usual 12 to 20, see the next test.
    assert low_mohm <= pulse_mohm(PROFILES[name], 0.5, 25.0, PULSE_S) <= high_mohm


def test_iron_phosphate_is_as_soft_as_the_open_pulse_test_scaled_by_capacity() -> None:
    """Open pulse test of a 2.6 Ah 26650 at 20 C (University of South Carolina, CC BY-SA 4.0)."""
    file = SHARED / "data" / "chamber_26650_lfp" / "cell001_hppc_20C.csv"
    if not file.exists():
        pytest.skip(f"the open data are not here: {file.name}")
    with file.open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    current_A, voltage_V, time_s, out_Ah = (
        np.array([float(row[key]) for row in rows])
        for key in ("current_A", "voltage_V", "time_s", "discharged_Ah")
    )
    # The 3 A steps from rest in the middle half of the 2.2 Ah that the cell gave.
    rest = np.flatnonzero((np.abs(current_A[:-1]) < 0.1) & (np.abs(current_A[1:] - 3.0) < 0.2))
    middle = [k for k in rest if 0.6 < out_Ah[k] < 1.6]
    assert len(middle) >= 4
    measured_mohm = []
    for k in middle:
        after = int(np.searchsorted(time_s, time_s[k + 1] + PULSE_S))
        measured_mohm.append(1e3 * (voltage_V[k] - voltage_V[after]) / current_A[after])
    profile = PROFILES[LFP]
    scaled_mohm = float(np.median(measured_mohm)) * 2.6 / profile["capacity_Ah"]
    # The scale by rated capacity is a rule of thumb, the cell was worn and its leads are unknown:
    # the generic cell may be better by a quarter, which is inside its own stated 40 %.
    ratio = pulse_mohm(profile, 0.5, 20.0, PULSE_S) / scaled_mohm
    assert 0.75 <= ratio <= 1.5


@every_profile
def test_the_slow_part_is_a_third_to_two_thirds_on_top_of_ten_seconds(name: str) -> None:
    # Fit of the open 2.9 Ah cell: 59.4 mohm in all against 37.1 after 10 s, a ratio of 1.60.
    # A ratio near 1 would leave out the heat of sustained load.
    profile = PROFILES[name]
    ratio = pulse_mohm(profile, 0.5, 25.0, math.inf) / pulse_mohm(profile, 0.5, 25.0, PULSE_S)
    assert 1.33 <= ratio <= 1.7


@every_profile
def test_the_pairs_are_one_of_seconds_and_one_of_minutes(name: str) -> None:
    # E03: a published two-pair cell model (Chen and Rincon-Mora 2006) has 33 and 223 s; open
    # 18650 data want a faster first pair.
    fast_s, slow_s = (pair["time_constant_s"] for pair in PROFILES[name]["polarisation"])
    assert 1.0 <= fast_s <= 33.0
    assert 100.0 <= slow_s <= 300.0


@every_profile
def test_heat_capacity_per_mass_lies_in_the_lower_half_of_the_common_band(name: str) -> None:
    # T22 (from memory): 830 to 1130 J/kgK. The lower half is the side that runs hotter.
    profile = PROFILES[name]
    assert 830.0 <= heat_capacity_J_K(profile) / (profile["size"]["mass_g"] / 1e3) <= 980.0


@every_profile
def test_the_surface_node_is_no_more_than_the_can(name: str) -> None:
    # A steel can of 0.2 to 0.35 mm, 7850 kg/m3 and 490 J/kgK (handbook values, from memory).
    profile = PROFILES[name]
    radius_m, height_m = (
        profile["size"]["diameter_mm"] / 2e3,
        profile["size"]["height_mm"] / 1e3,
    )
    area_m2 = 2.0 * math.pi * radius_m * (height_m + radius_m)
    low_J_K, high_J_K = (area_m2 * wall_m * 7850.0 * 490.0 for wall_m in (0.2e-3, 0.35e-3))
    assert low_J_K <= profile["heat"]["surface_J_K"] <= high_J_K


@every_profile
def test_core_to_surface_is_that_of_a_heated_cylinder(name: str) -> None:
    # T14: mean to surface 1/(8 pi k L); k 0.2 (from memory) to 3.2 W/mK (Kumar et al. 2024,
    # abstract), the ends of T18. Good cooling is never assumed: k at most 0.7 (T23).
    profile, heat = PROFILES[name], PROFILES[name]["heat"]
    assert heat["core_is"] == "mean"
    height_m = profile["size"]["height_mm"] / 1e3
    low_K_W, likely_K_W, high_K_W = (
        1.0 / (8.0 * math.pi * k_W_mK * height_m) for k_W_mK in (3.2, 0.7, 0.2)
    )
    assert low_K_W < likely_K_W <= heat["core_to_surface_K_W"] <= high_K_W


def test_iron_phosphate_has_less_reversible_heat_than_cobalt_oxide() -> None:
    # E09: 0.309 mV/K for lithium cobalt oxide on graphite (Huang et al. 2006, abstract).
    slopes_mV_K = np.array(PROFILES[LFP]["open_circuit"]["entropic_mV_K"])
    assert np.max(np.abs(slopes_mV_K)) < 0.308648


@every_profile
def test_reversible_heat_warms_a_discharge_within_the_published_bands(name: str) -> None:
    # Bands from memory: -0.4 to +0.1 mV/K for nickel-manganese-cobalt. Bernardi: with discharge
    # positive, a negative slope heats.
    curve = PROFILES[name]["open_circuit"]
    slopes_mV_K = np.array(curve["entropic_mV_K"])
    assert slopes_mV_K.min() >= -0.4
    assert slopes_mV_K.max() <= 0.1
    assert np.trapezoid(slopes_mV_K, curve["soc"]) <= 0.0


@every_profile
def test_energy_by_mass_and_volume_is_that_of_real_cells(name: str) -> None:
    # From memory: 80 to 280 Wh/kg and 200 to 800 Wh/l over both chemistries.
    profile = PROFILES[name]
    size = profile["size"]
    energy_Wh = profile["capacity_Ah"] * mean_open_circuit_V(profile)
    volume_l = math.pi * size["diameter_mm"] ** 2 / 4.0 * size["height_mm"] / 1e6
    assert 80.0 <= energy_Wh / (size["mass_g"] / 1e3) <= 280.0
    assert 200.0 <= energy_Wh / volume_l <= 800.0


@every_profile
def test_dimensions_are_those_of_the_format_or_a_little_less(name: str) -> None:
    # The format's name states diameter (two digits) and height in millimetres; sleeves add 0.1 to
    # 0.5 mm (from memory). A larger can would cool better than the cell does.
    digits = next(word for word in name.split("-") if word.isdigit())
    diameter_mm, height_mm = float(digits[:2]), float(digits[2:4])
    size = PROFILES[name]["size"]
    assert 0.0 <= size["diameter_mm"] - diameter_mm <= 0.5
    assert 0.0 <= size["height_mm"] - height_mm <= 0.5
