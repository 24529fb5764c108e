"""Cases of builders about charging, frost and heat, driven through scenarios."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from case_days import (
    FOLLOWS,
    FOLLOWS_J_K,
    IDLE,
    alike,
    as_built,
    board,
    cell,
    events,
    kept,
    releases_s,
    told,
    trips_s,
    write,
)
from cases import between, case, of

from sim.ask.built import simulate_built
from sim.ask.simulate import simulate
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.integrate.built_records import BUS_A, CORE_COLD_K, CORE_HOT_K, SOC_MEAN
from sim.show.built_words import report
from sim.units import ZERO_C_K, clock_text

OWN_CELL = Path(__file__).resolve().parents[1] / "profiles" / "cells" / "nmc-18650-energy.toml"
DAY_S = 86400.0
HAIR_C = 1e-3  # between the level that shuts and the one that opens again


def words(result) -> str:
    """Return the report in one line."""
    return " ".join(" ".join(report(result)).split())


@of("C13")
def test_a_recharge_takes_what_lies_between_cutoff_and_full(tmp_path, number):
    given, expect = case(number)
    empty_V, full_V = given["ocv_linear_v"]
    one = cell((empty_V, full_V), 0.01, Ah=given["pack_ah"], full_V=full_V)
    drained = alike(
        tmp_path / "out", one, [(1.0, 12 * 3600.0)],
        limits={"cutoff_V": given["controller_cutoff_v_per_cell"]},
    )  # fmt: skip
    assert drained.series.soc[-1] == pytest.approx(expect["soc_left"], rel=2e-3)
    assert drained.trace.end_s / 3600.0 == pytest.approx(expect["rechargeable_ah"], rel=2e-3)

    filled = as_built(
        tmp_path / "in", one, IDLE, start="08:00", soc=expect["soc_left"],
        charger={"windows": [["08:00", "20:00"]], "current_A": 2.0},
    )  # fmt: skip
    (window,) = filled.windows
    charged_Ah = 2.0 * (window.done_s - window.flows_s) / 3600.0
    assert charged_Ah == pytest.approx(expect["rechargeable_ah"], rel=2e-3)
    assert filled.kept[-1, SOC_MEAN] == pytest.approx(1.0, abs=1e-3)


@of("C18")
def test_a_hot_pack_waits_until_it_may_be_charged(tmp_path, number):
    given, expect = case(number)
    J_K = 45.0
    cooling = {"conductance_W_K": J_K / (60.0 * given["time_constant_min"])}
    for k, start_C in enumerate(given["start_c"]):
        result = as_built(
            tmp_path / str(k), cell(3.6, J_K=J_K, discharge_core_max_C=given["discharge_limit_c"]),
            IDLE, start="20:00", soc=0.5, cooling=cooling, air_C=float(given["ambient_c"]),
            charger={"windows": [["20:00", "22:00"]], "current_A": 1.0,
                     "hot_off_C": given["charge_limit_c"] + HAIR_C,
                     "hot_on_C": float(given["charge_limit_c"])},
            core_C=float(start_C),
        )  # fmt: skip
        (window,) = result.windows
        wait_min = (window.flows_s - window.begin_s) / 60.0
        assert wait_min == pytest.approx(expect["wait_min"][k], rel=2e-3)
        assert (wait_min == 0.0) == expect["charge_allowed_at_65c"]
        assert f"after a wait of {wait_min:.0f} min" in words(result)
        if start_C == 69:
            assert (events(result)["hot"] == 0.0) == expect["discharge_violation_at_69c"]


def at_plateaus(folder, cores_C, hold_s=300.0, **charger):
    """Charge for a minute at each temperature of a cell as warm as its air; return amperes."""
    air = []
    for k, core_C in enumerate(cores_C):
        air += [(600.0 * k, core_C), (600.0 * k + hold_s, core_C)]
    air.append((DAY_S, cores_C[-1]))
    windows = [
        [clock_text(600.0 * k + 120.0), clock_text(600.0 * k + 240.0)] for k in range(len(cores_C))
    ]
    result = as_built(
        folder, cell(3.6, J_K=FOLLOWS_J_K), IDLE, start="00:00", soc=0.1, air_C=air,
        cooling=FOLLOWS, charger={"windows": windows, **charger},
    )  # fmt: skip
    found = [-kept(result, BUS_A, 600.0 * k + 180.0) for k in range(len(cores_C))]
    return found, result


@of("C20")
def test_charge_current_in_steps_takes_the_lower_one_in_a_gap(tmp_path, number):
    given, expect = case(number)
    found, result = at_plateaus(
        tmp_path, given["a_probe_c"], current_A=100.0, table="step",
        over_core_C=[0.0, 6.0, 11.0, 45.0], over_core_C_A=[2.0, 5.5, 10.0, 10.0],
    )  # fmt: skip
    wanted_A = [0.0 if isinstance(a, str) else a for a in expect["a_limit_a"]]
    assert found == pytest.approx(wanted_A, abs=1e-3)
    assert "charger cold lock-out" in words(result)  # the last probe, below 0 C


CURVE_C = [0.0, 5.0, 10.0, 20.0, 30.0, 40.0, 45.0, 50.0]  # the curve as the case's text has it
CURVE_C_RATE = [0.0, 0.05, 0.7, 1.0, 1.0, 0.75, 0.5, 0.0]


@of("C20")
def test_a_charge_curve_is_nothing_outside_its_ends_and_its_amperes_are_a_packs(tmp_path, number):
    given, expect = case(number)
    curve = {
        "over_core_C": CURVE_C,
        "over_core_C_A": [rate * given["pack_ah"] for rate in CURVE_C_RATE],
        "hot_off_C": 50.0 + HAIR_C, "hot_on_C": 50.0, "current_A": 200.0,
    }  # fmt: skip
    found, _ = at_plateaus(tmp_path / "curve", given["b_probe_c"], **curve)
    assert np.array(found) / given["pack_ah"] == pytest.approx(expect["b_c_rate"], abs=1e-3)
    for k, packs in enumerate(given["packs"]):
        result = as_built(
            tmp_path / str(packs), cell(3.6, J_K=FOLLOWS_J_K), IDLE, pack=(1, 1, 2), start="20:00",
            soc=0.1, air_C=given["b_temp_for_amps_c"], cooling=FOLLOWS,
            unit=[{"pack": 2, "out": packs == 1}],
            charger={"windows": [["20:00", "20:05"]], **curve},
        )  # fmt: skip
        assert -kept(result, BUS_A, 60.0) == pytest.approx(expect["b_amps"][k], abs=1e-3)


@of("C21")
def test_a_box_in_the_morning_sun_stops_the_charge_by_the_clock(tmp_path, number):
    """The box is logged in Fahrenheit; the stop is 95 F, given in Celsius."""
    given, expect = case(number)
    stop_C = (given["charge_stop_f"] - 32.0) / 1.8
    assert stop_C == pytest.approx(expect["charge_stop_c"])
    low_C, high_C = given["inside_c"]["06:00"], given["inside_c"]["10:00"]
    path = write(
        tmp_path, cell(3.6, J_K=FOLLOWS_J_K), IDLE, start="06:00", soc=0.1, cooling=FOLLOWS,
        air_C=[(0.0, low_C), (4 * 3600.0, high_C), (DAY_S, high_C)],
        charger={"windows": [["06:00", "12:00"]], "current_A": 5.0, "hot_off_C": stop_C,
                 "hot_on_C": stop_C - 5.0},
    )  # fmt: skip
    rows = [(0.0, low_C), (4 * 3600.0, high_C), (DAY_S, high_C)]
    inside = "\n".join(f"{t:g},{c * 1.8 + 32.0:.6f}" for t, c in rows)
    (tmp_path / "air.csv").write_text(f"time_s,temperature_F\n{inside}\n")
    result = simulate_built(built_case(read_case(path)))
    (stop_s,) = trips_s(result, "charger hot lock-out")
    assert clock_text(6 * 3600.0 + stop_s, seconds=True) == expect["stops_at_clock"]
    assert stop_s / 60.0 == pytest.approx(expect["charge_window_min"], abs=2.0 / 60.0)
    assert -kept(result, BUS_A, stop_s - 60.0) == pytest.approx(5.0)
    assert kept(result, BUS_A, stop_s + 120.0) == 0.0
    assert "charger hot lock-out: will trip, first at 09:08; breaks the current 1 time" in words(
        result
    )


@of("C26")
def test_of_two_packs_the_cold_one_waits_for_its_charge(tmp_path, number):
    given, expect = case(number)
    J_K = 45.0
    result = as_built(
        tmp_path, cell(3.6, 1.0, J_K=J_K), IDLE, pack=(1, 1, 2), start="18:00", soc=0.1,
        air_C=given["room_c"],
        cooling={"conductance_W_K": J_K / (60.0 * given["time_constant_min"])},
        unit=[{"pack": p, "cell_C": warm_C} for p, warm_C in enumerate(given["pack_c"], 1)],
        charger={"windows": [["18:00", "20:00"]], "current_A": 1.0,
                 "cold_off_C": given["charge_min_c"] - HAIR_C,
                 "cold_on_C": given["charge_min_c"]},
    )  # fmt: skip
    for k, owner in enumerate(f"charger cold lock-out of pack {p}" for p in (1, 2)):
        assert (trips_s(result, owner) == []) == expect["charge_now"][k]
        wait_min = releases_s(result, owner)[0] / 60.0 if trips_s(result, owner) else 0.0
        assert wait_min == pytest.approx(expect["wait_min"][k], rel=3e-3)
    (window,) = result.windows
    assert window.flows_s == window.begin_s


@of("C27")
@pytest.mark.parametrize("k", [0, 1])
def test_a_lock_out_with_one_level_chatters_and_with_two_does_not(tmp_path, number, k):
    given, expect = case(number)
    swings = [(2.0 * i, 0.2 * (-1.0) ** i) for i in range(2001)]
    air = [*swings, (4600.0, 6.0), (DAY_S, 6.0)]
    on_C = given["on_above_c"][k]
    gap = {} if on_C == given["off_below_c"] else {"cold_on_C": on_C}
    result = as_built(
        tmp_path, cell(3.6, J_K=FOLLOWS_J_K), IDLE, start="05:00", soc=0.1, air_C=air,
        cooling=FOLLOWS,
        charger={"windows": [["05:00", "07:00"]], "current_A": 1.0,
                 "cold_off_C": given["off_below_c"], **gap},
    )  # fmt: skip
    count = len(result.switchings)
    if k == 0:
        low, high = between(expect["transitions_on_above_0"])
        assert low <= count <= high
        assert f"it {expect['warn']}s" in words(result)
    else:
        assert count == expect["transitions_on_above_5"]
        assert expect["warn"] not in words(result)
    assert board(result, "charger cold lock-out").chatters == (k == 0)


@of("C28")
def test_the_coldest_cell_forbids_charging_and_the_message_says_so(tmp_path, number):
    """A cell whose link is open stays in the frost, while its neighbour warms above 0 C."""
    given, expect = case(number)
    cold_C, warm_C = given["cell_sensors_c"]
    path = write(
        tmp_path, cell((3.0, 4.2), 30.0, J_K=45.0, Ah=30.0), [(10.0, 300.0)], pack=(1, 2),
        soc=0.9, start="20:00", air_C=cold_C, cooling={"conductance_W_K": 0.002},
        fault=[{"kind": "link_open", "group": 1, "cell": 1}],
        charger={"windows": [["20:05", "20:20"]], "current_A": 5.0,
                 "cold_off_C": given["charge_min_c"]},
    )  # fmt: skip
    result = simulate_built(built_case(read_case(path)))
    assert kept(result, CORE_HOT_K, 400.0) - ZERO_C_K > warm_C
    assert kept(result, CORE_COLD_K, 400.0) - ZERO_C_K == pytest.approx(expect["deciding_value_c"])
    assert int(np.argmin(result.run.state.cells[1])) + 1 == expect["deciding_sensor"]
    (window,) = result.windows
    assert window.never == (not expect["charge_allowed"])
    said = told(path).split(";")[0]
    assert all(word in said for word in expect["message_mentions"]), said


@of("C30")
def test_a_resting_pack_gains_no_volts_as_it_warms(tmp_path, number):
    """Our own cell at rest; and what frost does: a cold charge stops early, at the same voltage."""
    given, expect = case(number)
    n = given["series"]
    path = write(tmp_path, cell(3.6), [*IDLE, (0.0, 7200.0)], pack=(n, 1), air_C=25.0, core_C=5.0)
    path.write_text(path.read_text().replace('"cell.toml"', f'"{OWN_CELL}"'))
    result = simulate(read_case(path))
    core_C = result.series.core_C
    assert core_C[-1] - core_C[0] == pytest.approx(given["warm_by_k"], abs=1.0)
    before_V, after_V = result.series.pack_voltage_V[[0, -1]]
    low_V, high_V = between(expect["rest_v_after"])
    assert low_V <= after_V + (given["rest_v"] - before_V) <= high_V
    assert (abs(after_V - before_V) > 1.9) == expect["claim_2v_supported"]

    ends = {}
    for core_C in (5.0, 25.0):
        row = [60.0, 30.0]
        mohm = {"soc": [0.0, 1.0], "temperature_C": [5.0, 25.0], "discharge_mohm": [row, row]}
        filled = as_built(
            tmp_path / f"{core_C}", cell((3.0, 4.2), mohm, Ah=3.0, full_V=4.2), IDLE, soc=0.2,
            start="20:00", air_C=core_C,
            charger={"windows": [["20:00", "23:59"]], "current_A": 1.5, "taper_A": 0.7},
        )  # fmt: skip
        ends[core_C] = filled.kept[-1, SOC_MEAN]
        # Where the taper ends it the cell rests at 4.2 V - I R: the closed form of its charge.
        rest_V = 4.2 - 0.7e-3 * (60.0 if core_C == 5.0 else 30.0)
        assert ends[core_C] == pytest.approx((rest_V - 3.0) / 1.2, abs=1e-3)
    assert ends[5.0] < ends[25.0]
