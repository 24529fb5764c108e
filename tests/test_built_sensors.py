"""Board, controller and charger feel the sides of the cells that carry a sensor, and no others.

Closed forms: two cells side by side of one flat voltage share a current by their conductances, so
that each is a linear chain core - surface - air, and its warmth a matrix exponential (scipy's
`expm`). The second integrator is scipy's `solve_ivp` on the right-hand side written apart.
"""

from __future__ import annotations

import numpy as np
import pytest
from case_days import as_built, board, cell, events, told, trips_s, write
from scipy.linalg import expm
from scipy.optimize import brentq
from small_day import answer, read_strictly, write_day
from test_built_audit import HARD, MODULE, REAL

from sim.ask import built_audit, one_out
from sim.ask.built import simulate_built
from sim.ask.built_run import settings_of, through
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.physics.built import CORE, FELT, SURFACE, sensors_in

CORE_J_K, SIDE_J_K, ACROSS_K_W, FILM_W_K = 40.0, 8.0, 3.0, 0.05
MOHM, AIR_C, EASY = 40.0, 25.0, 0.4  # the first cell has so much of the other's resistance
TWO_NODES = {
    **cell(3.7, MOHM),
    "heat": {"core_J_K": CORE_J_K, "surface_J_K": SIDE_J_K, "core_to_surface_K_W": ACROSS_K_W},
}
FIRST, SECOND = {"group": 1, "cell": 1}, {"group": 1, "cell": 2}


def easy(factor=EASY):
    """Return the fault that makes the first of two cells carry more, and so the warmer one."""
    return [{"kind": "weak_cell", "group": 1, "cell": 1, "resistance_factor": factor}]


def warmth_C(time_s, pack_A, which, begin_C=AIR_C):
    """Return core and side of cell 0 or 1 in closed form, both at `begin_C` at first, air alike."""
    ohm = 1e-3 * MOHM * np.array([EASY, 1.0])
    heat_W = (pack_A * (1.0 / ohm[which]) / np.sum(1.0 / ohm)) ** 2 * ohm[which]
    a = np.array(
        [
            [-1.0 / (ACROSS_K_W * CORE_J_K), 1.0 / (ACROSS_K_W * CORE_J_K), heat_W / CORE_J_K],
            [1.0 / (ACROSS_K_W * SIDE_J_K), -(1.0 / ACROSS_K_W + FILM_W_K) / SIDE_J_K, 0.0],
            [0.0, 0.0, 0.0],
        ]
    )
    return begin_C + (expm(a * time_s) @ [0.0, 0.0, 1.0])[:2]


def when_s(level_C, pack_A, which, node):
    return brentq(lambda t: warmth_C(t, pack_A, which)[node] - level_C, 0.0, 7200.0)


@pytest.mark.parametrize(
    ("sensors", "which", "node"),
    [(None, 0, 0), ([FIRST], 0, 1), ([SECOND], 1, 1), ([SECOND, FIRST], 0, 1)],
    ids=["none", "on the warm one", "on the cool one", "on both"],
)
def test_a_board_trips_when_the_side_of_a_felt_cell_comes_to_its_level(
    tmp_path, sensors, which, node
):
    """0.1 s: a step is 1 s, and between its ends warmth is a straight line to the march."""
    tables = {} if sensors is None else {"sensor": sensors}
    result = as_built(
        tmp_path, TWO_NODES, [(14.0, 7200.0)], pack=(1, 2), fault=easy(),
        board={"hot_discharge": {"trip": 36.0}}, **tables,
    )  # fmt: skip

    tripped_s = trips_s(result, "board hot discharge")
    assert tripped_s == pytest.approx([when_s(36.0, 14.0, which, node)], abs=0.1)
    # A limit is judged by the warmest core, felt or not.
    peak_C = warmth_C(tripped_s[0], 14.0, 0)[0]
    hot = next(one for one in result.verdict.limits if one.name == "hot")
    assert hot.worst == pytest.approx(peak_C, abs=0.01)


def test_what_no_sensor_feels_is_judged_by_its_core_all_the_same(tmp_path):
    """The board feels the cool cell and never trips; the warm one passes its limit by its core."""
    end_C = [warmth_C(7200.0, 14.0, which) for which in (0, 1)]
    limit_C = float(end_C[0][0]) - 2.0
    assert end_C[1][1] < 46.0 < end_C[0][1]
    result = as_built(
        tmp_path, {**TWO_NODES, "limits": {**TWO_NODES["limits"], "discharge_core_max_C": limit_C}},
        [(14.0, 7200.0)], pack=(1, 2), fault=easy(), board={"hot_discharge": {"trip": 46.0}},
        sensor=[SECOND],
    )  # fmt: skip

    assert board(result, "board hot discharge").answer == "will not"
    assert not result.passed
    first = brentq(lambda t: warmth_C(t, 14.0, 0)[0] - limit_C, 0.0, 7200.0)
    assert events(result)["hot"] == pytest.approx(first, abs=0.5)


FROST = {"cold_off_C": 0.0, "cold_on_C": 0.5}
ICY_C, DRIVE_S, DRIVE_A = -5.0, 1200.0, 9.0


@pytest.mark.parametrize(
    ("sensors", "begins"), [(None, False), ([SECOND], False), ([FIRST], True)],
    ids=["none", "on the cold one", "on the warm one"],
)  # fmt: skip
def test_a_charge_under_frost_begins_where_a_warm_cell_is_felt_and_fails_by_the_cold_one(
    tmp_path, sensors, begins
):
    side_C = warmth_C(DRIVE_S, DRIVE_A, 0, ICY_C)[1]
    cold_C = warmth_C(DRIVE_S, DRIVE_A, 1, ICY_C)[0]
    assert side_C > 1.0
    assert cold_C < -0.5
    tables = {} if sensors is None else {"sensor": sensors}
    result = as_built(
        tmp_path, {**TWO_NODES, "limits": {**TWO_NODES["limits"], "charge_core_min_C": 0.0}},
        [(DRIVE_A, DRIVE_S), (0.0, 1.0)], pack=(1, 2), fault=easy(), start="20:00", soc=0.5,
        air_C=ICY_C, charger={"windows": [["20:20", "20:30"]], "current_A": 3.0, **FROST},
        **tables,
    )  # fmt: skip

    (window,) = result.windows
    assert window.never == (not begins)
    cold = next(one for one in result.verdict.limits if one.name == "charge_cold")
    assert not result.passed
    if not begins:
        assert cold.margin is None
        return
    assert window.flows_s == pytest.approx(DRIVE_S, abs=1e-6)
    assert cold.margin <= cold_C + 0.01  # the core that is felt by nobody, and 0 C
    assert events(result)["charge_cold"] == pytest.approx(DRIVE_S, abs=1e-6)


THREE = [{"group": 1, "cell": 2}, {"group": 2, "cell": 1}, {"group": 2, "cell": 3}]
SPREAD = {"capacity_percent": 3.0, "resistance_percent": 15.0}
GUARDED = {
    "a controller": {
        "pieces": HARD, "layout": {"rows": 2, "columns": 3, "neighbour_W_K": 0.1, **MODULE},
        "controller": {"over_core_C": [26.0, 60.0], "over_core_C_A": [13.0, 5.0]},
    },
    "a charger": {
        "pieces": [(12.0, 900.0), (0.0, 7200.0)], "start": "10:00",
        "charger": {"windows": [["10:15", "18:00"]], "current_A": 20.0,
                    "over_core_C": [0.0, 20.0, 60.0], "over_core_C_A": [1.0, 3.5, 12.0]},
    },
    "two packs": {
        "pieces": [(2.0 * pack_A, s) for pack_A, s in HARD], "pack": (2, 3, 2),
        "controller": {"over_core_C": [26.0, 60.0], "over_core_C_A": [26.0, 10.0]},
    },
}  # fmt: skip


def guarded(folder, which, sensors):
    tables = {"pack": (2, 3), "soc": 0.95, "spread": SPREAD, **GUARDED[which]}
    pieces = tables.pop("pieces")
    return write(folder, REAL, pieces, sensor=sensors, **tables)


@pytest.mark.parametrize("which", GUARDED)
def test_scipy_on_equations_written_apart_feels_the_same_cells(tmp_path, monkeypatch, which):
    """A thousandth of what would fail a run, as in test_built_audit; not so where it feels more."""
    case = built_case(read_case(guarded(tmp_path, which, THREE)))
    audit = simulate_built(case).audit

    assert audit.not_done == ()
    assert max(s.difference_K for s in audit.spots) < 2e-3
    assert max(s.difference_V for s in audit.spots) < 2e-4

    with_sensors = built_audit.spot

    def feels_more(built, *rest):
        fixed = built.fixed.copy()
        fixed[FELT] = 0.0
        return with_sensors(built._replace(fixed=fixed), *rest)

    monkeypatch.setattr(built_audit, "spot", feels_more)
    audit = simulate_built(case).audit
    assert max(s.difference_V for s in audit.spots) > 1e-3


def test_sensors_on_every_cell_of_one_node_are_as_none(tmp_path):
    """Where a side is as warm as its core, to feel every side is to feel the extremes: bits."""
    one = {**REAL, "heat": {"core_J_K": 40.0, "surface_J_K": 5.0, "core_to_surface_K_W": 0.0}}
    tables = {"pack": (2, 3), "soc": 0.95, "spread": SPREAD, **GUARDED["a controller"]}
    pieces = tables.pop("pieces")
    every = [{"group": g, "cell": c} for g in (1, 2) for c in (1, 2, 3)]
    kept = []
    for name, more in (("all", {"sensor": every}), ("none", {})):
        case = built_case(read_case(write(tmp_path / name, one, pieces, **tables, **more)))
        run, _ = through(case, settings_of(case, stop_at_limits=False))
        assert np.array_equal(run.state.cells[CORE], run.state.cells[SURFACE])
        kept.append(run.past.kept[: int(run.past.rows[0])])
    assert np.array_equal(*kept, equal_nan=True)


def test_a_sensor_follows_its_cell_where_another_is_missing(tmp_path):
    """Cells behind the gap move up in the record; the sensor stays with its own."""
    tables = {
        "pack": (2, 3), "fault": [{"kind": "cell_missing", "group": 1, "cell": 2}],
        "sensor": [{"group": 1, "cell": 3}, {"group": 2, "cell": 1}],
    }  # fmt: skip
    case = built_case(read_case(write(tmp_path, REAL, HARD, **tables)))
    places = case.places
    assert [places.name(int(cell), 1) for cell in sensors_in(case.built)] == [
        "cell 3 of group 1", "cell 1 of group 2",
    ]  # fmt: skip


def test_a_sensor_without_a_pack_sits_in_every_pack(tmp_path):
    for name, sensors in (
        ("one", [FIRST]),
        ("each", [{"pack": 2, **FIRST}, {"pack": 1, **FIRST}]),
    ):
        path = write(tmp_path / name, REAL, HARD, pack=(1, 3, 2), sensor=sensors)
        assert sensors_in(built_case(read_case(path)).built).tolist() == [0, 3]


def test_words_and_summary_say_what_guards_feel_and_how_much_hotter_the_hottest_is(tmp_path):
    path = write(
        tmp_path, TWO_NODES, [(14.0, 3600.0)], pack=(1, 2), fault=easy(), sensor=[SECOND],
        board={"hot_discharge": {"trip": 60.0}},
    )  # fmt: skip
    said = told(path)
    summary = read_strictly(tmp_path / "out" / "summary.json")

    felt = "board, controller and charger feel the side of 1 cell (cell 2 of group 1), with no lag"
    assert felt in said
    assert any(words.startswith(felt) for words in summary["assumptions"])
    hot_C, own_C = (warmth_C(3600.0, 14.0, which)[0] for which in (0, 1))
    assert (
        f"the hottest cell has none: cell 1 of group 1, {hot_C:.1f} C; the hottest that has one is "
        f"cell 2 of group 1, {own_C:.1f} C, {hot_C - own_C:.1f} K below"
    ) in said
    (sensor,) = summary["pack_as_built"]["sensors"]
    assert (sensor["pack"], sensor["group"], sensor["cell"]) == (1, 1, 2)
    assert sensor["peak_core_C"] == pytest.approx(own_C, abs=0.01)


def test_sensors_that_no_guard_looks_at_are_said_to_be_felt_by_none(tmp_path):
    said = told(write(tmp_path, TWO_NODES, [(5.0, 600.0)], pack=(1, 2), sensor=[FIRST]))
    assert "acts on warmth, so no [[sensor]] is felt by any" in said


HOT = {"board": {"hot_discharge": {"trip": 60.0}}}
REFUSED = [
    ([{"group": 5, "cell": 9}], {}, "[[sensor]] 1 names group 5 of 4, cell 9 of 5"),
    ([{"group": 1, "cell": 1, "pack": 2}], {}, "[[sensor]] 1 names pack 2 of 1"),
    ([{"group": 1}], {}, "[[sensor]] 1 cell is missing; give a whole number"),
    ([{"group": 1, "cell": 0}], {},
     "[[sensor]] 1 cell is 0; accepted: a whole number, 1 to 10000"),
    ([FIRST, SECOND, FIRST], {},
     "[[sensor]] 3 names pack 1 group 1 cell 1, as [[sensor]] 1 does; accepted: once"),
    ([FIRST, {"pack": 2, **FIRST}], {"pack.packs": 2},
     "[[sensor]] 2 names pack 2 group 1 cell 1, as [[sensor]] 1 does; accepted: once"),
    ([{"pack": 2, **FIRST}], {"pack.packs": 2},
     "no [[sensor]] sits in pack 1, so nothing would guard its warmth; accepted: one in every "
     "pack, or pack left out for all alike"),
    ([FIRST], {"fault": [{"kind": "cell_missing", "group": 1, "cell": 1}]},
     "[[sensor]] 1 sits on pack 1 group 1 cell 1, which a [[fault]] says is missing"),
    ([FIRST], {"layout": {"rows": 4, "columns": 5, "model": "places"}},
     '[[sensor]] sits on a single cell, and [layout] model "places" has none; accepted: model '
     '"resolved", or no [[sensor]]'),
]  # fmt: skip


@pytest.mark.parametrize(("sensors", "changes", "said"), REFUSED)
def test_a_sensor_that_can_not_be_felt_is_refused_in_one_sentence(tmp_path, sensors, changes, said):
    path = write_day(tmp_path, {**HOT, **changes, "sensor": sensors})

    code, out, err = answer("simulate", path, "--out", tmp_path / "out")
    assert (code, out, err) == (2, "", f"{path}: {said}\n")


def test_hours_with_one_pack_out_are_not_searched_with_cells_that_have_no_sensors(
    tmp_path, monkeypatch
):
    """Few cells' boards would cut off by a cell that none feels, and hide what comes after."""
    monkeypatch.setattr(one_out, "MOST_CELL_HOURS", 0)
    for name, sensors in (("felt", [SECOND]), ("not", None)):
        tables = {} if sensors is None else {"sensor": sensors}
        path = write(
            tmp_path / name, TWO_NODES, [(6.0, 7200.0)], pack=(2, 3, 2), spread=SPREAD,
            board={"hot_discharge": {"trip": 50.0}}, **tables,
        )  # fmt: skip
        found = simulate_built(built_case(read_case(path))).one_out
        assert ("searched with" in found.tried) == (sensors is None)
