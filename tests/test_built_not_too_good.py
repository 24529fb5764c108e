"""What once made a pack as built look better than it is: each of these answered yes, and must not.

The truth is Kirchhoff's law and arithmetic by hand, written beside each check.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from case_days import as_built, cell, write
from small_day import MEASURED, answer

from sim.integrate.built_look import PEAK_A
from sim.physics.limits import CELL_CHARGE, CHARGE_COLD

PLAIN = cell((3.0, 4.2), 30.0, Ah=3.0, charge_A=3.0, charge_core_min_C=0.0)
LARGE = cell((3.0, 4.2), 30.0)


def listed(folder, head, rows):
    folder.mkdir(parents=True, exist_ok=True)
    text = "\n".join([head, *(",".join(f"{value:g}" for value in row) for row in rows)]) + "\n"
    (folder / "cells.csv").write_text(text, encoding="utf-8")
    return {"cells": "cells.csv"}


def test_cell_that_its_neighbours_charge_too_fast_or_frozen_is_beyond_its_limits(tmp_path):
    # Of three cells at 20, 60 and 60 %: e = 3.24, 3.72, 3.72 V behind 30 mohm each, 6 A drawn:
    # V = (10.68 V - 6 A x 30 mohm) / 3 = 3.5 V, so that the first takes 0.26 V / 30 mohm = 8.67 A.
    places = [(1, place, 20.0 if place == 1 else 60.0) for place in (1, 2, 3)]
    spread = listed(tmp_path, "group,place,charge_percent", places)

    result = as_built(
        tmp_path, PLAIN, [(6.0, 60.0)], pack=(1, 3, 1), air_C=-5.0, core_C=-5.0, spread=spread
    )

    assert not result.passed
    taken = result.verdict.limit(CELL_CHARGE)
    assert (taken.worst, taken.time_s) == (pytest.approx(26.0 / 3.0, rel=1e-9), 0.0)
    assert result.placed.worst_at[CELL_CHARGE] == 0
    assert result.verdict.limit(CHARGE_COLD).worst == pytest.approx(-5.0)


def test_what_unlike_cells_pass_each_other_below_a_twentieth_of_their_charge_is_no_charging(
    tmp_path,
):
    # 1 % apart are 12 mV, which drive 0.2 A through twice 30 mohm; C/20 of 3 Ah is 0.15 A, 0.75 %.
    for apart, judged in ((0.7, False), (0.8, True)):
        rows = [(1, 1, 50.0), (1, 2, 50.0 + apart)]
        spread = listed(tmp_path / str(apart), "group,place,charge_percent", rows)
        result = as_built(
            tmp_path / str(apart), PLAIN, [(0.0, 10.0)], pack=(1, 2, 1), air_C=-5.0, core_C=-5.0,
            spread=spread,
        )  # fmt: skip
        assert (result.verdict.limit(CHARGE_COLD).margin is not None) == judged


MANY = [(group, place, 30.0) for group in (1, 2) for place in (1, 2)]
LISTS = [
    # The one weak cell's 90 mohm over their own mean would be a sound cell.
    ("group,place,resistance_mohm", [(1, 1, 90.0)], {}, "of half of a pack's cells at least"),
    ("group,place,capacity_Ah", [(1, 1, 30.0)], {}, "has 30 Ah where the profile's"),
    (
        "group,place,resistance_mohm", MANY,
        {"unit": [{"pack": 1, "resistance_factor": 1.5}]},
        "[[unit]] 1 gives pack 1 a resistance_factor, and cells.csv lists the resistance_mohm",
    ),
    (
        "group,place,capacity_Ah", [(1, 1, 3.0)],
        {"unit": [{"pack": 1, "capacity_factor": 0.8}]},
        "[[unit]] 1 gives pack 1 a capacity_factor, and cells.csv lists the capacity_Ah",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("head", "rows", "tables", "words"), LISTS)
def test_list_that_would_make_a_weak_cell_sound_is_refused(tmp_path, head, rows, tables, words):
    spread = listed(tmp_path, head, rows)
    path = write(tmp_path, PLAIN, [(1.0, 10.0)], pack=(2, 2, 1), spread=spread, **tables)

    code, _, complaints = answer("simulate", path, "--out", tmp_path / "out")

    assert code == 2
    assert words in complaints


def test_measured_resistances_stand_to_each_other_as_listed(tmp_path):
    # At one voltage currents are as conductances; the cell that is not listed is as the profile has
    # it, whose 30 mohm are the mean of those that are. The cells are so large that nothing drifts.
    spread = listed(tmp_path, "group,place,resistance_mohm", [(1, 1, 20.0), (1, 2, 40.0)])
    result = as_built(tmp_path, LARGE, [(9.0, 1.0)], pack=(1, 3, 1), spread=spread)
    peak_A = result.run.book.extremes[PEAK_A]
    share = 1.0 / np.array([20.0, 40.0, 30.0])
    assert peak_A == pytest.approx(9.0 * share / share.sum(), rel=1e-4)


def test_fault_of_a_cell_that_is_missing_is_refused(tmp_path):
    faults = [{"kind": kind, "group": 1, "cell": 2} for kind in ("link_open", "cell_missing")]
    path = write(tmp_path, PLAIN, [(1.0, 10.0)], pack=(2, 2, 1), fault=faults)
    code, _, complaints = answer("simulate", path, "--out", tmp_path / "out")
    assert (code, "which [[fault]] 2 says is missing" in complaints) == (2, True)


def unsure(one):
    """Return a cell of which all but the resistance is measured."""
    sources = {name: {"from": "a bench", "uncertainty": 0.0} for name in MEASURED}
    return {**one, "sources": {**sources, "resistance": {"from": "memory", "uncertainty": 0.3}}}


@pytest.mark.parametrize("how", ["controller", "board"])
def test_day_that_a_guess_cuts_short_by_a_controller_or_board_hangs_on_it(tmp_path, how):
    # 5 A for 1 s of cells of 500 Ah: 4.2 V - 5 A x 30 mohm = 4.05 V, with 30 % more resistance
    # 4.005 V. Below 4.02 V the controller's ramp lets less than 5 A through: at 4.2 - 0.039 i it
    # is 5 - (4.02 - 4.2 + 0.039 i) 100 = 23 - 3.9 i, so i = 23/4.9 = 4.694 A and not 5. A
    # board of 3.98 +- 0.03 V trips at 4.01 V, early. Neither is reached with 30 mohm.
    tables = {
        "controller": {"controller": {"over_cell_V": [3.98, 4.02], "over_cell_V_A": [1.0, 5.0]}},
        "board": {"board": {"under_voltage": {"trip": 3.98, "release": 4.1, "tolerance": 0.03}}},
    }[how]
    path = write(tmp_path, unsure(LARGE), [(5.0, 1.0)], **tables)

    code, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--json")
    bad = json.loads(out)["bad_end"]

    assert code == 0
    assert not bad["passed"]
    assert json.loads(out)["verdict"]["sentence"].startswith("Stays cool if the guesses hold")
    if how == "board":
        assert list(bad["cut_offs"]) == ["board under voltage"]
    else:
        given_A = 23.0 / 4.9
        given_W, asked_W = given_A * (4.2 - 0.039 * given_A), 5.0 * 4.005
        assert bad["undelivered_share"] == pytest.approx(1.0 - given_W / asked_W, abs=2e-4)


def test_controller_that_holds_back_a_lone_pack_does_not_bring_it_home(tmp_path):
    # Two packs of 30 mohm at 10 A: 4.2 - 0.15 = 4.05 V each; one alone 4.2 - 0.3 = 3.9 V, and the
    # ramp of 5 A at 3.9 V to 10 A at 4.0 V holds it to i = 5 + (4.2 - 0.03 i - 3.9) 50 = 8 A.
    ramp = {"over_cell_V": [3.9, 4.0], "over_cell_V_A": [5.0, 10.0]}
    path = write(tmp_path, LARGE, [(10.0, 1.0)], pack=(1, 1, 2), controller=ramp)

    code, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--json")
    rest = json.loads(out)["one_pack_out"]

    assert (code, rest["passed"], rest["energy"]["passed"]) == (0, False, False)
    # Asked is counted at the voltage that the load would have had: (3.9 x 10 - 3.96 x 8) / 39.
    assert rest["energy"]["undelivered_share"] == pytest.approx(1.0 - 3.96 * 8.0 / 39.0, rel=1e-3)
    words = " ".join(answer("simulate", path, "--out", tmp_path / "b")[1].split())
    assert "by energy NO (at worst pack 1 out" in words
    assert "18.8 % of what is asked is not delivered" in words


def test_braking_that_lifts_a_lone_pack_past_full_is_no_way_home(tmp_path):
    # 4.18 V at rest; 1 A into each of two packs of 30 mohm makes 4.195 V, 2 A into one 4.21 V.
    one = cell(4.165, 30.0, full_V=4.2)
    path = write(tmp_path, one, [(1.0, 30.0), (-2.0, 30.0)], pack=(1, 1, 2), board={})
    code, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--json")
    rest = json.loads(out)["one_pack_out"]["current"]
    assert (code, rest["passed"], rest["limit"]) == (0, False, "overcharge")
    assert rest["margin"] == pytest.approx(-0.025, abs=1e-6)


RAMPS = [
    # i = 50 (4.2 - 0.03 i - 4.0) is 4 A.
    ({"over_cell_V": [4.0, 4.2], "over_cell_V_A": [0.0, 10.0]}, 4.0),
    ({"over_core_C": [20.0, 24.0], "over_core_C_A": [10.0, 0.0]}, 0.0),
]


@pytest.mark.parametrize(("ramp", "given_A"), RAMPS)
def test_ramp_may_end_at_nothing_and_all_that_it_holds_back_is_counted(tmp_path, ramp, given_A):
    result = as_built(tmp_path, LARGE, [(10.0, 1.0)], controller=ramp)
    assert result.run.book.extremes[PEAK_A, 0] == pytest.approx(given_A, abs=1e-6)
    asked_W, given_W = 10.0 * 3.9, given_A * (4.2 - 0.03 * given_A)
    assert result.undelivered == pytest.approx(1.0 - given_W / asked_W, rel=1e-4)
    assert not result.passed


def test_room_that_a_charger_leaves_at_its_own_voltage_is_shown_as_none(tmp_path):
    one = cell((3.0, 4.2), 30.0, Ah=0.1, full_V=4.2)
    charger = {"windows": [["00:00", "23:00"]], "current_A": 0.1, "taper_A": 0.01}
    path = write(tmp_path, one, [(0.0, 7200.0)], soc=0.5, start="08:00", charger=charger)
    _, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--no-plots")
    row = next(line for line in out.splitlines() if line.startswith("cell voltage on charge"))
    assert row.split()[4:9] == ["4.20", "V", "4.20", "V", "+0.00"]


def test_bad_end_doubts_what_air_carries_between_cells_too(tmp_path):
    # 1 A through 30 mohm is 30 mW; the middle of 3 x 3 sheds it by half of 0.05 W/K, which nobody
    # gave: 1.2 K. At the bad end it is half of that half: 2.4 K.
    one = cell(4.0, 30.0, J_K=10.0)
    one["sources"] = {name: {"from": "a bench", "uncertainty": 0.0} for name in MEASURED}
    cooling = {"conductance_W_K": 0.05, "uncertainty_percent": 0.0}
    layout = {"rows": 3, "columns": 3}
    path = write(tmp_path, one, [(3.0, 16000.0)], pack=(3, 3, 1), cooling=cooling, layout=layout)

    _, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--json")
    told = json.loads(out)

    assert told["pack_as_built"]["hottest_core_C"] == pytest.approx(26.2, abs=2e-3)
    assert told["bad_end"]["core_C"] == pytest.approx(27.4, abs=2e-3)
    assert told["bad_end"]["moved"]["between_share"] == 0.5


def test_board_that_takes_the_motors_brake_away_is_no_yes(tmp_path):
    # 4.2 V at rest and 2 A of braking through 30 mohm are 4.26 V, beyond 4.25 V; 1 A is not. A
    # charger that its board cuts off takes no brake away.
    trip = {"over_voltage": {"trip": 4.25, "release": 4.2, "delay_s": 1.0}}
    one = cell(4.2, 30.0, full_V=4.4)
    for brake_A, code in ((2.0, 1), (1.0, 0)):
        path = write(tmp_path, one, [(1.0, 30.0), (-brake_A, 30.0)], board=trip)
        found, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--json")
        assert found == code
    path = write(tmp_path, one, [(1.0, 30.0), (-2.0, 30.0)], board=trip)
    _, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--quiet")
    assert "the board over voltage trips on braking after 31 s" in out
    charger = {"windows": [["08:00", "09:00"]], "current_A": 3.0, "voltage_V": 4.3}
    path = write(tmp_path, one, [(0.0, 60.0)], board=trip, start="08:00", charger=charger)
    code, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--json")
    (over, *_) = json.loads(out)["boards"]
    assert (code, over["answer"], over["stops_drive"]) == (0, "will trip", False)


def test_braking_that_a_guess_lifts_past_full_makes_the_answer_hang_on_it(tmp_path):
    # 4.13 V at rest, 2 A of braking: 4.19 V by 30 mohm, 4.208 V by 30 % more; full is 4.2 V.
    one = unsure(cell(4.13, 30.0, full_V=4.2))
    path = write(tmp_path, one, [(1.0, 30.0), (-2.0, 30.0)], board={})
    code, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--json")
    told = json.loads(out)
    assert (code, told["bad_end"]["passed"]) == (0, False)
    assert told["bad_end"]["full"]["worst"] == pytest.approx(4.208, abs=1e-6)
    assert told["verdict"]["sentence"].startswith("Stays cool if the guesses hold")


@pytest.mark.parametrize(("hours", "chatters"), [(1, True), (5, False)])
def test_chatter_is_many_trips_in_a_day_and_not_one_a_day(tmp_path, hours, chatters):
    # 12 brakings past the board's level: one an hour are 12 within 24 h, one in 5 h are 5.
    one = cell(4.2, 30.0, full_V=4.4)
    level = {"trip": 4.25, "release": 4.2, "delay_s": 1.0, "hold_off_s": 600.0}
    trip = {"over_voltage": level}
    pieces = [(1.0, 1.0)] + [(-2.0, 60.0), (0.0, hours * 3600.0 - 60.0)] * 12
    result = as_built(tmp_path, one, pieces, soc=0.5, board=trip)
    (over,) = result.boards
    assert (over.trips, over.chatters) == (12, chatters)
