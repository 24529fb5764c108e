"""What is said of packs as built where a run can't be told as it was, and of titles as written."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest
from small_day import answer, dump, write_day

from sim.ask.built_run import settings_of, through
from sim.ask.one_out import BY_CURRENT, BY_ENERGY, _aspect, _Found
from sim.files.built_case import built_case
from sim.files.case import assemble, read_scenario
from sim.judge.built import judged
from sim.physics.limits import BEYOND_MODEL, COUNT, EMPTY, PACK_CURRENT

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"


def test_a_day_with_more_crossings_than_can_be_entered_is_no_answer():
    content = read_scenario(SCENARIOS / "orchard-cart.toml")
    content["board"] = {"resistance_mohm": 1.0}
    case = built_case(assemble(content, SCENARIOS / "orchard-cart.toml"))
    run, _ = through(case, settings_of(case, keep=False, longest_step_s=60.0))
    run.book.counts[0] = len(run.book.spells) + 1

    with pytest.raises(ArithmeticError, match="that a run can tell"):
        judged(case.case.limits, run)


def test_a_run_that_stops_for_any_reason_does_not_come_home_by_energy():
    """One pack out, and the cells get hotter than the model knows: charge was left all the same."""
    worst = np.full(COUNT, np.inf)
    worst[EMPTY], worst[PACK_CURRENT] = 60.0, 5.0
    found = [_Found(0.0, 0, worst, 1800.0, BEYOND_MODEL, 3600.0)]

    energy, current = _aspect(found, BY_ENERGY), _aspect(found, BY_CURRENT)

    assert (energy.passed, energy.stops_s) == (False, 1800.0)
    assert (current.passed, current.margin) == (True, 5.0)


@pytest.mark.parametrize("title", ["5 $ or $_^{ x $\\frac$", "$\\int$", "a_b^c {x}"])
def test_a_title_that_looks_like_mathematics_is_drawn_as_written(tmp_path, title):
    path = write_day(tmp_path, {"title": title})
    code, _, complaints = answer("simulate", path, "--out", tmp_path / "out")

    assert (code in (0, 1), complaints) == (True, "")
    assert (tmp_path / "out" / "overview.png").stat().st_size > 10_000
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    content["board"] = {"resistance_mohm": 1.0}
    path.write_text(dump(content), encoding="utf-8")
    code, _, complaints = answer("simulate", path, "--out", tmp_path / "built")
    assert (code in (0, 1), complaints) == (True, "")
    assert (tmp_path / "built" / "overview.png").stat().st_size > 10_000
