"""A run of a pack as built is believed for good reasons, and doubted for good ones.

The second integrator is scipy's `solve_ivp` on a right-hand side written apart from the march
(sim/judge/built_rates.py); here it is shown that it agrees where nothing is wrong, on every kind of
pack, and that it does not agree with a march of another pack.
"""

from __future__ import annotations

import numpy as np
import pytest
from case_days import as_built, cell, trips_s, write
from small_day import answer, read_strictly

from sim.ask import built_audit
from sim.ask.built import simulate_built
from sim.ask.built_run import settings_of, through
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.integrate import built_records as column
from sim.judge.audit import SPOT_K, SPOT_V
from sim.physics.built import CAPACITY_AS, JOINT_OHM
from sim.show.built_words import report

HARD = [(12.0, 900.0), (2.0, 600.0), (-3.0, 300.0), (14.0, 900.0)]  # of 2s3p, 3 Ah a cell
REAL = {
    **cell((3.0, 4.2), 25.0, Ah=3.0, J_K=45.0),
    "polarisation": [
        {"resistance_mohm": 8.0, "time_constant_s": 20.0},
        {"resistance_mohm": 12.0, "time_constant_s": 400.0},
    ],
    "heat": {"core_J_K": 40.0, "surface_J_K": 5.0, "core_to_surface_K_W": 2.0},
}
MODULE = {"module_heat_capacity_J_K": 30.0, "module_conductance_W_K": 0.5}
BOX = {
    "wall_area_m2": 0.2, "wall_conductance_W_m2K": 4.0, "heat_capacity_J_K": 300.0,
    "other_heat_W": 2.0, "wall_heat_capacity_J_K": 900.0, "inside_conductance_W_m2K": 8.0,
}  # fmt: skip
TABLES = {
    "a ladder of unequal cells": {
        "spread": {"capacity_percent": 3.0, "resistance_percent": 8.0, "charge_percent": 1.0},
        "busbar": {"link_mohm": 0.5, "take_off": "one_end"},
        "fault": [{"kind": "link_open", "group": 2, "cell": 2}],
    },
    "a module in a box": {
        "layout": {"rows": 2, "columns": 3, "neighbour_W_K": 0.1, **MODULE},
        "enclosure": BOX,
        "board": {"resistance_mohm": 3.0},
    },
    "three places": {"layout": {"rows": 2, "columns": 3, "model": "places"}, "enclosure": BOX},
    "two unequal packs": {
        "pack": (2, 3, 2),
        "unit": [{"pack": 2, "charge_percent": 80.0, "resistance_factor": 1.4}],
    },
    "a controller that holds back": {
        "controller": {"over_cell_V": [3.3, 3.9], "over_cell_V_A": [2.0, 14.0],
                       "over_core_C": [26.0, 60.0], "over_core_C_A": [13.0, 5.0],
                       "regeneration_max_A": 2.0},
    },
    "a charger": {
        "start": "10:00", "soc": 0.9, "fault": [{"kind": "weak_group", "group": 1,
                                                 "resistance_factor": 3.0}],
        "charger": {"windows": [["10:45", "18:00"]], "current_A": 4.0, "outlet_W": 40.0,
                    "over_core_C": [0.0, 20.0, 60.0], "over_core_C_A": [1.0, 3.5, 2.5]},
    },
}  # fmt: skip


@pytest.mark.parametrize("which", TABLES)
def test_scipy_on_equations_written_apart_agrees(tmp_path, which):
    """0.05 K and 2 mV would fail a run; here it is a thousandth of that (step of 1 s)."""
    keywords = {"pack": (2, 3), "soc": 0.95, **TABLES[which]}
    pieces = [*HARD, (0.0, 7200.0)] if "charger" in keywords else HARD
    result = as_built(tmp_path, REAL, pieces, **keywords)

    assert result.audit.not_done == ()
    assert [s.why for s in result.audit.spots] == ["hottest core", "lowest cell voltage"]
    assert all(s.end_s - s.start_s >= 300.0 for s in result.audit.spots)
    assert max(s.difference_K for s in result.audit.spots) < 2e-3
    assert max(s.difference_V for s in result.audit.spots) < 2e-4


def test_scipy_agrees_while_it_charges_at_constant_voltage_and_by_its_table(tmp_path):
    """The quarter hour of a charge itself, where nothing else heats: a pack at rest before."""
    result = as_built(
        tmp_path, REAL, [(0.0, 600.0)], pack=(2, 3), start="20:00", soc=0.9, core_C=10.0,
        air_C=10.0, charger={"windows": [["20:00", "20:10"]], "current_A": 9.0, "outlet_W": 60.0,
                             "over_core_C": [0.0, 40.0], "over_core_C_A": [6.0, 20.0]},
    )  # fmt: skip
    assert result.audit.not_done == ()
    assert max(s.difference_K for s in result.audit.spots) < 2e-3
    assert result.windows[0].energy_Wh > 1.0


@pytest.mark.parametrize(
    ("row", "factor"), [(CAPACITY_AS, 0.97), (JOINT_OHM, 1.5)], ids=["capacity", "joints"]
)
def test_scipy_does_not_agree_with_the_march_of_another_pack(tmp_path, monkeypatch, row, factor):
    def of_another(built, *rest):
        fixed = built.fixed.copy()
        fixed[row] *= factor
        return built_audit_spot(built._replace(fixed=fixed), *rest)

    built_audit_spot = built_audit.spot
    monkeypatch.setattr(built_audit, "spot", of_another)
    path = write(tmp_path, REAL, HARD, pack=(2, 3), soc=0.95, spread={})
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace('"series" = 2', '"series" = 2, "joint_mohm" = 5.0'))
    audit = simulate_built(built_case(read_case(path))).audit

    assert not audit.passed
    assert any("a second integrator differs" in words for words in audit.complaints)
    worst = max(audit.spots, key=lambda s: s.difference_V)
    assert worst.difference_V > SPOT_V or worst.difference_K > SPOT_K


def test_what_the_second_integrator_said_stands_in_words_and_summary(tmp_path):
    path = write(tmp_path, REAL, HARD, pack=(2, 3), soc=0.95, spread={})
    code, out, err = answer("simulate", path, "--out", tmp_path / "out", "--no-plots")
    assert code == 0, err
    assert "a second integrator over the worst quarter hours differs by" in " ".join(out.split())
    audit = read_strictly(tmp_path / "out" / "summary.json")["audit"]
    assert [s["around"] for s in audit["spot_checks"]] == ["hottest core", "lowest cell voltage"]
    assert audit["largest_difference_K"] == max(s["difference_K"] for s in audit["spot_checks"])
    assert audit["not_done"] == []


def test_a_check_that_can_not_be_made_is_said_with_its_reason(tmp_path):
    """Ten seconds on, ten off: something switches in every leg."""
    result = as_built(
        tmp_path, cell(4.7, 150.0), [(20.0, 600.0)],
        board={"under_voltage": {"trip": 4.5, "release": 4.6, "hold_off_s": 10.0}},
    )  # fmt: skip
    assert result.audit.spots == ()
    assert len(result.audit.not_done) == 2
    words = " ".join(" ".join(report(result)).split())
    assert "no second integrator over the quarter hour of the hottest core: something" in words


def test_halving_the_step_raises_no_alarm_where_a_board_switches(tmp_path):
    """Each trip comes by a delay after a crossing, so its instant hangs a little on the step."""
    result = as_built(
        tmp_path, REAL, [(4.0, 61.0)] * 60, soc=0.5, limits={"on_cutoff": "record"},
        board={"under_voltage": {"trip": 3.4, "release": 3.45, "delay_s": 7.0, "hold_off_s": 5.0}},
    )  # fmt: skip
    assert len(trips_s(result, "board under voltage")) > 20
    assert result.audit.halving_V < SPOT_V
    assert result.audit.passed


def test_a_board_that_opened_before_the_hottest_hour_is_open_in_what_is_marched_again(tmp_path):
    """It latches in the first hour; the air warms until the last, when nothing flows."""
    path = write(
        tmp_path, REAL, [(4.0, 6 * 3600.0)], soc=0.5, air_C=[(0.0, 20.0), (6 * 3600.0, 40.0)],
        board={"under_voltage": {"trip": 3.4, "latch": True}}, limits={"on_cutoff": "record"},
    )  # fmt: skip
    case = built_case(read_case(path))
    run, hours = through(case, settings_of(case), hourly=True)
    onward = built_audit.onward(case, hours[-1], settings_of(case))

    assert np.isfinite(hours[-1].switches.tripped_s).all()
    assert onward.state.cells == pytest.approx(run.state.cells, abs=1e-6)
    assert onward.switches.logged[0] == 0


def test_rows_between_the_two_instants_of_one_switching_are_not_compared():
    """A shallow crossing: halving moves the trip by 0.2 s, and a row kept between differs by 1 V.

    Where the runs switch otherwise, nothing behind that is compared, and it is said up to where.
    """
    rows = np.zeros((4, column.COLUMNS + 3))
    rows[:, column.TIME] = [0.0, 10.0, 10.1, 20.0]
    rows[:, column.CELL_LOW_V] = [3.6, 3.5, 3.4, 3.7]
    other = rows.copy()
    other[2, column.CELL_LOW_V] += 1.0
    one, two = np.array([[0.0, 0.0, 10.0]]), np.array([[0.0, 0.0, 10.2]])

    until_s, spans_s = built_audit._alike(one, two)
    assert until_s == np.inf
    assert built_audit._apart(rows, other, until_s, spans_s) == (0.0, 0.0)
    nothing = np.zeros((0, 3))
    assert built_audit._apart(rows, other, *built_audit._alike(nothing, nothing))[1] > 0.9
    until_s, spans_s = built_audit._alike(one, nothing)
    assert until_s == pytest.approx(10.0, abs=0.01)
    assert built_audit._apart(rows, other, until_s, spans_s) == (0.0, 0.0)
