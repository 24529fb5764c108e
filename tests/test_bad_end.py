"""The bad end of every guess must be the bad one, and must say what was moved."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sim.ask.bad_end import bad_end, hotter_and_emptier, shares
from sim.ask.simulate import simulate
from sim.files.case import assemble, read_case, read_scenario
from sim.physics.limits import CUTOFF, HOT
from sim.show.sentences import answer

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
    "group", ["capacity", "open_circuit", "entropic", "resistance", "polarisation", "heat", "film"]
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
    content["cell"]["sources"] = dict.fromkeys((*groups, "limits"), exact)
    content["cooling"] = {"conductance_W_K": 0.03}
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
