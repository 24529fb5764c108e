"""Cases of builders about boards, controllers and their thresholds, driven through scenarios."""

from __future__ import annotations

import pytest
from case_days import (
    FOLLOWS,
    FOLLOWS_J_K,
    IDLE,
    alike,
    as_built,
    at_once,
    board,
    cell,
    events,
    kept,
    releases_s,
    trips_s,
)
from cases import between, case, of

from sim.integrate.built_records import BOX_K, BUS_A, BUS_V, CELL_LOW_V, GROUP_HIGH_V
from sim.show.built_words import report
from sim.units import ZERO_C_K

ANSWERS = {"no": "will not", "maybe": "may", "yes": "will"}
CHARGES = {"discharge": "negative"}  # a load of braking alone counts its current the other way


def words(result) -> str:
    """Return the report in one line."""
    return " ".join(" ".join(report(result)).split())


@of("C10")
@pytest.mark.parametrize("policy", ["latch", "retry_after_hold_off", "restart_above_48v"])
def test_a_sagging_pack_trips_at_once_and_restarts_as_its_rule_says(tmp_path, number, policy):
    given, expect = case(number)
    n = 10
    rule = {
        "latch": {"latch": True},
        "retry_after_hold_off": {"release": (given["cutoff_v"] + 0.1) / n},
        "restart_above_48v": {"release": 48.0 / n},
    }[policy]
    hold = {} if policy == "latch" else {"hold_off_s": given["hold_off_s"]}
    result = as_built(
        tmp_path, cell(given["pack_ocv_v"] / n, 1e3 * given["pack_r_ohm"] / n),
        [(given["load_a"], given["window_s"])], pack=(n, 1), limits={"on_cutoff": "record"},
        board={"under_voltage": {"trip": given["cutoff_v"] / n, **rule, **hold}},
    )  # fmt: skip
    assert at_once(result, BUS_V) == pytest.approx(expect["v_at_t0"])
    trips = trips_s(result, "board under voltage")
    assert trips[0] == expect["first_trip_s"]
    wanted = expect["trips"][policy]
    low, high = between(wanted) if isinstance(wanted, dict) else (wanted, wanted)
    assert low <= len(trips) <= high
    found = board(result, "board under voltage")
    assert found.chatters == (policy == "retry_after_hold_off")
    assert ("it chatters" in words(result)) == found.chatters
    assert not result.passed


@of("C16")
def test_braking_into_a_full_pack_trips_past_a_current_that_can_be_found(tmp_path, number):
    given, expect = case(number)
    n = given["series"]
    one = cell(given["cell_ocv_v"], 1e3 * given["pack_r_ohm"] / n)
    trip = {"over_voltage": {"trip": given["ov_trip_v_per_cell"]}}

    def braked(brake_A):
        return as_built(
            tmp_path / f"{brake_A:g}",
            one,
            [(brake_A, 5.0)],
            pack=(n, 1),
            board=trip,
            soc=0.5,
            load=CHARGES,
        )

    for k, brake_A in enumerate(given["brake_a"]):
        result = braked(brake_A)
        assert at_once(result, GROUP_HIGH_V) == pytest.approx(expect["cell_v"][k], rel=5e-4)
        answer = board(result, "board over voltage").answer
        assert answer == ANSWERS["yes" if expect["trip"][k] else "no"]
    most_A = expect["max_brake_a"]
    assert board(braked(most_A * (1.0 + 5e-4)), "board over voltage").answer == "will"
    assert board(braked(most_A * (1.0 - 5e-4)), "board over voltage").answer == "will not"


@of("C17")
@pytest.mark.parametrize("what", ["over_current", "under_voltage"])
def test_a_board_with_a_tolerance_has_three_answers(tmp_path, number, what):
    given, expect = case(number)
    key = "oc_trip_a" if what == "over_current" else "uv_trip_v"
    low, high = between(given[key])
    level = {"trip": 0.5 * (low + high), "tolerance": 0.5 * (high - low), "latch": True}

    def answer(value):
        rest_V, ampere = (3.6, value) if what == "over_current" else (value, 1.0)
        result = as_built(
            tmp_path / f"{value:g}", cell(rest_V), [(ampere, 5.0)], board={what: level}
        )
        found = board(result, f"board {what.replace('_', ' ')}").answer
        assert result.passed == (found == "will not")
        return found, result

    values = given["currents_a" if what == "over_current" else "cell_v"]
    for k, value in enumerate(values):
        found, result = answer(float(value))
        assert found == ANSWERS[expect[what][k]]
    # Boundaries belong to "may".
    assert answer(low)[0] == "may"
    assert answer(high)[0] == "may"
    if what == "under_voltage":
        latest_V = float(result.built_case.thresholds["late"].trip[0])
        assert latest_V == pytest.approx(expect["cells_protected_down_to_v"])


@of("C19")
def test_the_current_limit_falls_with_the_hottest_cell_and_the_cut_out_holds(tmp_path, number):
    """A cell as warm as its air goes through all temperatures; "off at 70" is a hair above it."""
    given, expect = case(number)
    warm_C = [*given["probe_c"], *given["sequence_c"]]
    wanted_A = [*expect["limit_a"], *expect["sequence_limit_a"]]
    # The cold comes last: between two plateaus air passes through what lies between.
    order = [k for k in range(len(warm_C)) if warm_C[k] > -10.0] + [given["probe_c"].index(-10.1)]
    plateaus = [warm_C[k] + (0.01 if warm_C[k] == given["hot_off_c"] else 0.0) for k in order]
    # So slow that a cell of no mass to speak of, which stands half a step behind, passes its audit.
    air = []
    for k, core_C in enumerate(plateaus):
        air += [(1500.0 * k, core_C), (1500.0 * k + 300.0, core_C)]
    most_A = given["table_a"][0] * 2.0
    result = as_built(
        tmp_path, cell(3.6, J_K=FOLLOWS_J_K), [(most_A, air[-1][0])], air_C=air, cooling=FOLLOWS,
        controller={
            "over_core_C": [float(c) for c in given["table_c"]],
            "over_core_C_A": [float(a) for a in given["table_a"]],
            "hot_off_C": float(given["hot_off_c"]), "hot_on_C": float(given["hot_restart_c"]),
            "cold_off_C": float(given["cold_off_c"]), "cold_on_C": given["cold_off_c"] + 1.0,
        },
    )  # fmt: skip
    found = [kept(result, BUS_A, 1500.0 * k + 240.0) for k in range(len(plateaus))]
    assert found == pytest.approx([wanted_A[k] for k in order], abs=0.01)
    assert len(trips_s(result, "controller hot cut-out")) == 1
    assert len(releases_s(result, "controller hot cut-out")) == 1
    assert result.undelivered > 0.5


@of("C25")
def test_a_board_heats_the_box_by_its_diode_while_its_discharge_switch_is_off(tmp_path, number):
    given, expect = case(number)
    box = {"wall_area_m2": 1.0, "wall_conductance_W_m2K": 1.0 / given["box_k_per_w"],
           "heat_capacity_J_K": 50.0}  # fmt: skip
    ohm, volt = given["switch_r_mohm"], given["diode_v"]
    for k, (board_mohm, off) in enumerate(((0.0, True), (ohm, False))):
        result = as_built(
            tmp_path / str(k), cell(3.6, J_K=FOLLOWS_J_K), IDLE, start="20:00", soc=0.2,
            enclosure=box, cooling=FOLLOWS,
            board={
                "resistance_mohm": board_mohm, "drop_V": volt,
                "under_voltage": {"trip": 3.9 if off else 3.0, "latch": True},
            },
            charger={"windows": [["20:00", "22:00"]], "current_A": given["charge_a"]},
        )  # fmt: skip
        rise_K = kept(result, BOX_K, 7000.0) - ZERO_C_K - 25.0
        assert rise_K == pytest.approx(expect["box_rise_k"][k], rel=1e-3)
        loss_W = rise_K / given["box_k_per_w"]
        assert loss_W == pytest.approx(expect["loss_diode_w" if off else "loss_switch_w"], rel=1e-3)


@of("C44")
@pytest.mark.parametrize("k", [0, 1, 2])
def test_a_dip_shorter_than_a_step_is_seen_and_trips_after_the_boards_delay(tmp_path, number, k):
    given, expect = case(number)
    n, dip = 10, given["dip"]
    rest_s = given["duration_s"] - dip["start_s"] - dip["length_s"]
    pieces = [(given["base_a"], dip["start_s"]), (dip["a"], dip["length_s"]),
              (given["base_a"], rest_s)]  # fmt: skip
    one = cell(given["pack_ocv_v"] / n, 1e3 * given["pack_r_ohm"] / n)
    trip = {"trip": given["cutoff_v"] / n, "delay_s": given["board_delay_s"][k], "latch": True}
    result = as_built(tmp_path, one, pieces, pack=(n, 1), board={"under_voltage": trip})
    trips = trips_s(result, "board under voltage")
    if expect["trip_s"][k] is None:
        assert trips == []
        assert result.passed
    else:
        assert trips == pytest.approx([expect["trip_s"][k]], abs=expect["tol_abs_s"])
    assert at_once(result, BUS_V) == pytest.approx(expect["v_outside"])
    lowest_V = n * result.kept[:, CELL_LOW_V].min()
    assert lowest_V == pytest.approx(expect["min_v_reported"])
    plain = alike(tmp_path / "plain", one, pieces, pack=(n, 1))
    assert n * plain.series.cell_voltage_V.min() == pytest.approx(expect["v_in_dip"])


@of("C45")
def test_what_is_past_its_limit_at_the_start_is_told_there(tmp_path, number):
    given, expect = case(number)
    cold, low, full, hot = given["starts"]

    charged = {"load": CHARGES, "soc": 0.5}
    result = as_built(
        tmp_path / "cold", cell(3.6, charge_core_min_C=cold["charge_min_c"]),
        [(1.0, 60.0)], **charged, air_C=cold["t_c"],
    )  # fmt: skip
    assert events(result) == {expect["result"][0]["violation"]: expect["result"][0]["t_s"]}

    result = as_built(
        tmp_path / "low", cell((2.4, 3.0), cutoff_V=low["cutoff_v"]), [(1.0, 60.0)], soc=0.5
    )
    assert at_once(result, CELL_LOW_V) == pytest.approx(low["cell_v"])
    assert events(result) == {"cutoff": expect["result"][1]["t_s"]}  # the case's under_voltage

    result = as_built(
        tmp_path / "full", cell((3.0, 4.2), 10.0, Ah=3.0, full_V=full["target_v"]), IDLE,
        start="20:00", charger={"windows": [["20:00", "21:00"]], "current_A": 3.0},
    )  # fmt: skip
    (window,) = result.windows
    assert window.energy_Wh == expect["result"][2]["ah"]
    assert not window.never
    assert result.passed
    assert "full already" in words(result)

    result = as_built(
        tmp_path / "hot", cell(3.6, charge_core_max_C=hot["charge_max_c"]),
        [(1.0, 60.0)], **charged, air_C=hot["t_c"],
    )  # fmt: skip
    assert events(result) == {}
    assert result.passed
