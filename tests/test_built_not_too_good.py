"""What once made a pack as built look better than it is: each of these answered yes, and must not.

The truth is Kirchhoff's law and arithmetic by hand, written beside each check.
"""

from __future__ import annotations

import numpy as np
import pytest
from case_days import as_built, cell, write
from small_day import answer

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
    peak_A = result.run.book.extremes[2]
    share = 1.0 / np.array([20.0, 40.0, 30.0])
    assert peak_A == pytest.approx(9.0 * share / share.sum(), rel=1e-4)


def test_fault_of_a_cell_that_is_missing_is_refused(tmp_path):
    faults = [{"kind": kind, "group": 1, "cell": 2} for kind in ("link_open", "cell_missing")]
    path = write(tmp_path, PLAIN, [(1.0, 10.0)], pack=(2, 2, 1), fault=faults)
    code, _, complaints = answer("simulate", path, "--out", tmp_path / "out")
    assert (code, "which [[fault]] 2 says is missing" in complaints) == (2, True)
