"""A day that leaves what its cell was fitted on must say so, by how much, and on which side."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import steady
from small_day import answer, read_strictly

from sim.ask.fitted_range import Beyond, beyond
from sim.ask.whole import whole_run
from sim.files.case import read_case

CELL_A = steady.CURRENT_A / 20
WARM_C = steady.AIR_C + steady.warmer_K(CELL_A)  # 56.7 C by I^2 R / G
LEFT = 1.0 - CELL_A * steady.HOURS / 100.0  # 85 % by counting
WIDE = {
    "coldest_C": 0.0, "warmest_C": 60.0, "lowest_soc": 0.0, "highest_soc": 1.0,
    "charge_A": 3.0, "discharge_A": 10.0,
}  # fmt: skip
KINDS = [{}, {"board": {"resistance_mohm": 0.0}}]


def day(folder: Path, kind: dict[str, Any], **fitted: float) -> Path:
    """Write the steady day with a cell fitted on a range; return the scenario."""
    return steady.write(folder, kind, {"fitted": {**WIDE, **fitted}})


@pytest.mark.parametrize("kind", KINDS, ids=["alike", "as built"])
@pytest.mark.parametrize(
    ("side", "fitted", "farthest", "unit"),
    [
        ("colder", {"coldest_C": 45.0}, steady.AIR_C, "K"),
        ("warmer", {"warmest_C": 50.0}, WARM_C, "K"),
        ("emptier", {"lowest_soc": 0.9}, 100.0 * LEFT, "%"),
        ("fuller", {"highest_soc": 0.95}, 100.0, "%"),
        ("discharge", {"discharge_A": 4.0}, CELL_A, "A"),
    ],
)
def test_each_side_is_found_by_what_a_formula_gives(tmp_path, kind, side, fitted, farthest, unit):
    (found,) = beyond(whole_run(read_case(day(tmp_path, kind, **fitted))))

    # 2e-3 K: eleven time constants leave 2e-5 of the rise.
    (bound,) = fitted.values()
    assert found == Beyond(
        side,
        pytest.approx(farthest, abs=2e-3),
        100.0 * bound if unit == "%" else bound,
        unit,
    )


def test_current_into_a_cell_is_looked_at_by_itself(tmp_path):
    """60 A of a charger into 20 cells are 3 A each, and the range ends at 2."""
    charger = {"windows": [["12:00", "14:00"]], "current_A": 60.0}
    limits = {"limits.charge_core_max_C": 90.0, "limits.cell_charge_max_A": 9.0}
    (found,) = beyond(
        whole_run(read_case(day(tmp_path, {"charger": charger, **limits}, charge_A=2.0)))
    )
    assert (found.side, found.bound) == ("charge", 2.0)
    assert found.farthest == pytest.approx(3.0, rel=1e-9)


@pytest.mark.parametrize("kind", KINDS, ids=["alike", "as built"])
def test_the_words_and_the_summary_say_which_and_how_far(tmp_path, kind):
    path = day(tmp_path, kind, warmest_C=50.0, discharge_A=4.0)
    code, out, err = answer("simulate", path, "--out", tmp_path / "out", "--no-plots")

    said = (
        "the day leaves what the cell was fitted on: cells as warm as 56.7 C (6.7 K above its "
        "range), 5.0 A out of a cell (1.0 A above its range); figures there are extrapolated, and "
        "nothing measured stands behind them"
    )
    summary = read_strictly(tmp_path / "out" / "summary.json")
    assert (code, err) == (0, "")
    assert said in " ".join(out.split())
    assert summary["notes"] == [said]
    assert (
        "the cell was fitted on 0 to 50 C, 0 to 100 % charge, up to 4 A out and 3 A in a cell; "
        "figures outside are extrapolated" in summary["assumptions"]
    )


@pytest.mark.parametrize("kind", KINDS, ids=["alike", "as built"])
def test_a_day_within_the_range_and_a_profile_without_one_say_nothing(tmp_path, kind):
    assert beyond(whole_run(read_case(day(tmp_path / "in", kind)))) == ()
    assert beyond(whole_run(read_case(steady.write(tmp_path / "none", kind)))) == ()


def test_a_sweep_says_what_range_its_cell_was_fitted_on(tmp_path):
    path = day(tmp_path, {})
    code, _, err = answer("sweep", path, "--parallel", "20:21", "--out", tmp_path / "s")

    assert (code, err) == (0, "")
    told = read_strictly(tmp_path / "s" / "summary.json")["assumptions"]
    assert any(words.startswith("the cell was fitted on 0 to 60 C") for words in told)
