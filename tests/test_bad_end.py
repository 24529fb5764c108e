"""The bad end of every guess must be the bad one, and must say what was moved."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import steady
from small_day import MEASURED
from steady import AIR_C, CONDUCTANCE_W_K, JOINT_OHM, RESISTANCE_OHM

from sim.ask.bad_end import bad_end, hotter_and_emptier, shares
from sim.ask.simulate import simulate
from sim.files.case import assemble, read_case, read_scenario
from sim.physics.limits import COLD, CUTOFF, HOT
from sim.show.report_words import bad_end as told
from sim.show.report_words import badge
from sim.show.sentences import answer, report
from sim.show.summary import summary

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"


@pytest.mark.parametrize("name", ["orchard-cart", "canal-launch", "cold-store-tug"])
def test_it_is_never_cooler_never_higher_and_never_fuller(name):
    case = read_case(SCENARIOS / f"{name}.toml")
    result = simulate(case)
    bad = result.bad_end

    assert bad.verdict.limit(HOT).worst >= result.verdict.limit(HOT).worst
    assert bad.verdict.limit(CUTOFF).worst < result.verdict.limit(CUTOFF).worst
    assert bad.end_soc < result.series.soc[-1]


@pytest.mark.parametrize(
    "group",
    [
        *("capacity", "open_circuit", "entropic", "resistance", "polarisation", "heat"),
        *("core_to_surface", "film"),
    ],
)
def test_each_group_alone_makes_the_day_hotter_or_emptier(group):
    """In free air without a change of weather, so that heat capacity can't help by lagging."""
    path = SCENARIOS / "orchard-cart.toml"
    content = read_scenario(path)
    content["ambient"] = {"constant_C": 30.0}
    del content["enclosure"]
    case = assemble(content, path)
    nothing = dict.fromkeys(shares(case), 0.0)
    by = 0.02 if group == "open_circuit" else 0.3  # 30 % of a voltage would be another chemistry
    alone = hotter_and_emptier(case.plant, {**nothing, group: by})

    def peak_and_end(plant):
        from dataclasses import replace

        trace = simulate(replace(case, plant=plant)).trace
        return trace.state[:, 1].max(), trace.state[-1, 0]

    (hot_K, end), (bad_K, bad) = peak_and_end(case.plant), peak_and_end(alone)
    assert bad_K > hot_K + 1e-3 or bad < end - 1e-3


def test_a_measured_profile_is_moved_by_what_it_says_and_no_more():
    path = SCENARIOS / "orchard-cart.toml"
    content = read_scenario(path)
    exact = {"from": "measured", "uncertainty": 0.0}
    groups = ("capacity", "size", "open_circuit", "entropic", "resistance", "polarisation", "heat")
    content["cell"]["sources"] = dict.fromkeys((*groups, "core_to_surface", "limits"), exact)
    content["cooling"] = {"conductance_W_K": 0.03, "uncertainty_percent": 0.0}
    case = assemble(content, path)

    assert set(shares(case).values()) == {0.0}
    np.testing.assert_allclose(
        bad_end(case).end_soc, simulate(case).series.soc[-1], rtol=0, atol=1e-12
    )


def test_an_answer_that_hangs_on_the_guesses_says_so():
    hangs = simulate(read_case(SCENARIOS / "canal-launch.toml"))
    holds = simulate(read_case(SCENARIOS / "orchard-cart.toml"))

    assert hangs.passed and not hangs.bad_end.verdict.passed
    assert answer(hangs).startswith("Stays cool if the guesses hold: ")
    assert answer(holds).startswith("Stays cool: ")


EXACT = {group: {"from": "a bench", "uncertainty": 0.0} for group in MEASURED}
CELL_A = steady.CURRENT_A / 20


@pytest.mark.parametrize("percent", [None, 25.0])
def test_measured_cooling_is_a_tenth_weaker_at_the_bad_end_or_what_the_file_says(tmp_path, percent):
    """The steady rise is I^2 R / G; a tenth is assumed, no source."""
    said = {} if percent is None else {"uncertainty_percent": percent}
    changes = {"cooling": {"conductance_W_K": CONDUCTANCE_W_K, **said}}
    case = read_case(steady.write(tmp_path, changes, {"sources": EXACT}))
    share = 0.1 if percent is None else percent / 100.0

    assert bad_end(case).moved["film"] == share
    rise_K = steady.warmer_K(CELL_A) / (1.0 - share)
    # After eight time constants 3e-4 of the rise is left: 0.01 K.
    assert bad_end(case).verdict.limit(HOT).worst == pytest.approx(AIR_C + rise_K, abs=0.01)
    assert any(f"measured cooling is good to {100 * share:g} %" in s for s in case.assumptions)


def test_core_to_surface_is_moved_by_its_own_uncertainty_and_not_by_that_of_heat():
    """The shipped cells' heat is good to 10 %, what lies between core and surface to 50 %."""
    case = read_case(SCENARIOS / "orchard-cart.toml")
    moved = shares(case)
    worse = hotter_and_emptier(case.plant, moved).cell

    assert (moved["heat"], moved["core_to_surface"]) == (0.1, 0.5)
    assert worse.core_to_surface_W_K == pytest.approx(case.plant.cell.core_to_surface_W_K / 1.5)


def frosty(folder: Path, least_C: float):
    """Return a day that begins at 20 C in air of -20 C, its resistance and cooling unsure."""
    unsure = {**EXACT, "resistance": {"from": "a bench", "uncertainty": 0.3}}
    changes = {
        "ambient.constant_C": -20.0,
        "start.cell_C": 20.0,
        "cooling": {"conductance_W_K": CONDUCTANCE_W_K},
        "limits.discharge_core_min_C": least_C,
    }
    return read_case(steady.write(folder, changes, {"sources": unsure}))


def test_cold_end_is_that_of_less_heat_and_more_cooling(tmp_path):
    """The day ends at air + I^2 R / G: 0.7 of the cell's resistance, 1.1 of the cooling."""
    cold = bad_end(frosty(tmp_path, -15.0)).cold
    rise_K = CELL_A**2 * (0.7 * RESISTANCE_OHM + JOINT_OHM) / (1.1 * CONDUCTANCE_W_K)

    assert cold.name == "cold"
    assert cold.worst == pytest.approx(-20.0 + rise_K, abs=1e-2)  # 5e-5 of 40 K is left
    assert cold.margin == pytest.approx(cold.worst + 15.0, abs=1e-9)


def test_answer_that_hangs_on_frost_alone_says_so_and_one_far_from_it_does_not(tmp_path):
    near, far = (simulate(frosty(tmp_path / str(c), c)) for c in (-7.0, -40.0))

    assert near.passed and near.bad_end.verdict.passed and not near.bad_end.cold.passed
    assert answer(near).startswith("Stays cool if the guesses hold: ")
    assert any(line.startswith("cold end ") for line in report(near))
    assert badge(near, summary(near)) == ("Yes, if the guesses hold", "if")
    assert "At their colder end a limit of cold is crossed: coldest core" in told(summary(near))
    assert "colder" not in told(summary(far))
    assert far.bad_end.passed and answer(far).startswith("Stays cool: ")
    assert not any(line.startswith("cold end ") for line in report(far))


@pytest.mark.parametrize("name", ["orchard-cart", "canal-launch", "cold-store-tug"])
def test_cold_end_is_never_warmer_than_the_day(name):
    case = read_case(SCENARIOS / f"{name}.toml")
    nominal = simulate(case).verdict

    cold = bad_end(case).cold
    assert cold.worst <= next(j for j in nominal.limits if j.name == cold.name).worst + 1e-9
    assert nominal.limit(COLD).margin is not None


def braking(folder: Path, full_V: float):
    """Return a day at 90 % that draws 2 A of each cell for a minute and then puts them back."""
    unsure = {
        **EXACT,
        "resistance": {"from": "a guess", "uncertainty": 0.3},
        "open_circuit": {"from": "a guess", "uncertainty": 0.01},
    }
    changes = {"limits.full_V": full_V, "start": {"charge_percent": 90.0}}
    path = steady.write(folder, changes, {"sources": unsure})
    load = "time_s,current_A\n0,40\n60,-40\n120,0\n"
    (folder / "load.csv").write_text(load, encoding="utf-8")
    return read_case(path)


def test_full_end_is_that_of_more_voltage_and_resistance(tmp_path):
    """U = 3.0 + 1.2 s, a hundredth more, and 1.3 I R on top."""
    full = bad_end(braking(tmp_path, 4.25)).full

    assert full.name == "overcharge"
    # 1e-4 V: 2 A for a minute are 3e-4 of the charge, and they are put back.
    assert full.worst == pytest.approx(1.01 * 4.08 + 2.0 * 1.3 * RESISTANCE_OHM, abs=1e-4)


def test_answer_that_hangs_on_full_voltage_alone_says_so_and_one_far_from_it_does_not(tmp_path):
    near, far = (simulate(braking(tmp_path / str(v), v)) for v in (4.15, 4.4))

    assert near.passed and near.bad_end.verdict.passed and not near.bad_end.full.passed
    assert answer(near).startswith("Stays cool if the guesses hold: ")
    assert any(line.startswith("full end ") for line in report(near))
    assert summary(near)["bad_end"]["full"]["passed"] is False
    assert "At their fuller end cells are charged beyond" in told(summary(near))
    assert far.bad_end.passed and answer(far).startswith("Stays cool: ")
    assert not any(line.startswith("full end ") for line in report(far))
    assert "fuller" not in told(summary(far))


def test_a_day_without_charging_has_no_full_end(tmp_path):
    assert bad_end(read_case(steady.write(tmp_path))).full is None
