"""The cold end of packs as built must be the cold one, and an answer that hangs on it says so."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
import steady
from small_day import MEASURED
from steady import CONDUCTANCE_W_K, JOINT_OHM, RESISTANCE_OHM

from sim.ask.built import BuiltResult, simulate_built
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.physics.limits import CHARGE_COLD
from sim.show.built_summary import built_summary
from sim.show.built_words import answer, report
from sim.show.report_words import bad_end as told
from sim.show.report_words import badge

UNSURE = {
    **{group: {"from": "a bench", "uncertainty": 0.0} for group in MEASURED},
    "resistance": {"from": "a bench", "uncertainty": 0.3},
}
CHARGE_A, AIR_C = 3.0, -4.5  # of one cell: 6 K of rise


def frosty(folder: Path, air_C: float = AIR_C, **changes: Any) -> BuiltResult:
    """Run a day charged in frost: 3 h out at 5 A a cell, then 8 h in at 3 A, not full by its end.

    Resistance is good to 30 %, measured cooling to a tenth; everything else is known.
    """
    charger = {"windows": [["11:00", "19:00"]], "current_A": 20 * CHARGE_A, "cold_off_C": -30.0}
    given = {
        "ambient.constant_C": air_C,
        "start.charge_percent": 60.0,
        "cooling": {"conductance_W_K": CONDUCTANCE_W_K},
        "layout": {"rows": 8, "columns": 10, "between_share": 1.0},  # all cooled alike
        "charger": {**charger, **changes.pop("charger", {})},
        "limits.charge_core_min_C": 0.0,
        "limits.cell_charge_max_A": 10.0,
        **changes,
    }
    return simulate_built(built_case(read_case(steady.write(folder, given, {"sources": UNSURE}))))


def words(result: BuiltResult) -> str:
    """Return the report in one line."""
    return " ".join(" ".join(report(result)).split())


def test_cold_end_is_that_of_less_heat_and_more_cooling(tmp_path):
    """Charging ends at air + I^2 R / G: 0.7 of the cell's resistance, 1.1 of the cooling."""
    result = frosty(tmp_path)
    rise_K = CHARGE_A**2 * (0.7 * RESISTANCE_OHM + JOINT_OHM) / (1.1 * CONDUCTANCE_W_K)
    cold, plain = result.bad_end.cold, result.verdict.limit(CHARGE_COLD)

    # Eight hours are 29 time constants: what is left is the march's steps.
    assert plain.worst == pytest.approx(AIR_C + steady.warmer_K(CHARGE_A), abs=1e-3)
    assert cold.name == "charge_cold"
    assert cold.worst == pytest.approx(AIR_C + rise_K, abs=1e-3)
    assert cold.margin == pytest.approx(cold.worst, abs=1e-9)


def test_answer_that_hangs_on_frost_alone_says_so_and_one_far_from_it_does_not(tmp_path):
    near, far = frosty(tmp_path / "near"), frosty(tmp_path / "far", 25.0)

    assert near.passed and near.bad_end.verdict.passed and not near.bad_end.passed
    assert answer(near).startswith("Stays cool if the guesses hold: ")
    assert "mass and cooling at either: core too cold to charge; coldest core on" in words(near)
    summary = built_summary(near)
    assert summary["bad_end"]["cold"]["limit"] == "charge_cold"
    assert not summary["bad_end"]["passed"]
    assert badge(near, summary) == ("Yes, if the guesses hold", "if")
    assert "At their colder end a limit of cold is crossed: coldest core" in told(summary)
    assert far.bad_end.cold is None and answer(far).startswith("Stays cool: ")
    assert not any(line.startswith("cold end ") for line in report(far))


def test_charger_that_frost_shuts_at_the_cold_end_only_makes_the_answer_hang_on_guesses(tmp_path):
    """Air of -10 C: after driving, cells are at 6.7 C, and with guesses colder at 0.2 C."""
    rise_K = 25.0 * (0.7 * RESISTANCE_OHM + JOINT_OHM) / (1.1 * CONDUCTANCE_W_K)
    assert rise_K < 12.0 < steady.warmer_K(5.0)  # or the guard would shut both or none
    guard = {"cold_off_C": 2.0, "cold_on_C": 3.0}
    result = frosty(
        tmp_path, -10.0, charger=guard, **{"limits.charge_core_min_C": -20.0}
    )  # fmt: skip

    assert result.passed and result.bad_end.cold.passed
    assert result.bad_end.never_charges == ("colder",)
    assert answer(result).startswith("Stays cool if the guesses hold: ")
    assert "charging never begins" in words(result)
    assert "Charging never begins at their colder end." in told(built_summary(result))


@pytest.mark.parametrize("air_C", [-15.0, 2.0])
def test_cold_end_is_never_warmer_than_the_days_of_unlike_cells(tmp_path, air_C):
    changes = {
        "layout": {"rows": 8, "columns": 10, "neighbour_W_K": 0.02, "model": "resolved"},
        "fault": [{"kind": "weak_cell", "group": 2, "cell": 3, "resistance_factor": 0.5}],
        "pack.series": 4,
    }
    result = frosty(tmp_path, air_C, **changes)
    cold = result.bad_end.cold
    same = next(j for j in result.verdict.limits if j.name == cold.name)

    assert cold.worst <= same.worst + 1e-9


def braking(folder: Path, full_V: float) -> BuiltResult:
    """Run a day at 90 % that draws 2 A of each cell for a minute and then puts them back."""
    voltage = {"open_circuit": {"from": "a guess", "uncertainty": 0.01}}
    given = {
        "start": {"charge_percent": 90.0},
        "limits.full_V": full_V,
        "layout": {"rows": 8, "columns": 10},
    }
    path = steady.write(folder, given, {"sources": {**UNSURE, **voltage}})
    load = "time_s,current_A\n0,40\n60,-40\n120,0\n"
    (folder / "load.csv").write_text(load, encoding="utf-8")
    return simulate_built(built_case(read_case(path)))


def test_full_end_is_that_of_more_voltage_and_resistance_and_decides_what_is_said(tmp_path):
    """U = 3.0 + 1.2 s, a hundredth more, and 1.3 I R on top; as for alike cells."""
    near, far = braking(tmp_path / "near", 4.15), braking(tmp_path / "far", 4.4)
    most_V = 1.01 * 4.08 + 2.0 * 1.3 * RESISTANCE_OHM

    # 1e-4 V: 2 A for a minute are 3e-4 of the charge, and they are put back.
    assert far.bad_end.full.worst == pytest.approx(most_V, abs=1e-4)
    assert near.passed and not near.bad_end.passed
    assert answer(near).startswith("Stays cool if the guesses hold: ")
    assert "at their fuller end at once" in words(near)
    assert far.bad_end.passed and answer(far).startswith("Stays cool: ")
    assert "fuller" not in words(far)
    assert frosty(tmp_path / "charged").bad_end.full is None  # by a charger, which holds a voltage
