"""Wiring, compare and check of packs as built: currents by closed forms, figures, and words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import steady
from scipy.integrate import solve_ivp
from small_day import answer, complaints, read_strictly
from steady import CURRENT_A
from test_compare import (
    AIR_C,
    AMPERE,
    CAPACITY_AH,
    COOLING_W_K,
    EMPTY_V,
    HEAT_J_K,
    OHM,
    RISE_V,
    TIME_S,
    bench,
    closed_form,
    write_log,
)
from test_compare import run as compared
from wired import FUSE, LEAD

from sim.ask.wiring import Wiring, wiring
from sim.files.case import read_case

BOARD = {"resistance_mohm": 0.0}
CELL_OHM = steady.RESISTANCE_OHM + steady.JOINT_OHM
LINK = {"name": "links", "material": "nickel", "thickness_mm": 0.3, "width_mm": 8,
        "length_mm": 20, "carries": "cell", "count": 80, "insulation_max_C": 90}  # fmt: skip
WIRES = {"conductor": [{**LEAD, "gauge_AWG": 4}, {**LEAD, "name": "trunk", "carries": "all_packs",
         "gauge_AWG": 1}, LINK], "fuse": {**FUSE, "rating_A": 150}}  # fmt: skip


def judged(folder: Path, changes: dict[str, Any]) -> Wiring:
    """Return what is judged of the steady day, its wiring given."""
    return wiring(read_case(steady.write(folder, {**WIRES, **changes})))


def test_wiring_of_alike_cells_is_that_of_the_pack_not_as_built(tmp_path):
    plain, built = judged(tmp_path / "a", {}), judged(tmp_path / "b", {"board": BOARD})

    for one, other in zip(plain.conductors, built.conductors, strict=True):
        assert (one.peak_A, one.answer) == (pytest.approx(other.peak_A, rel=1e-6), other.answer)
        # 0.02 K: two marches, whose cells differ by 2e-5 K, and rows kept at other instants.
        assert one.hottest_C == pytest.approx(other.hottest_C, abs=0.02)
    assert [c.answer for c in plain.checks] == [c.answer for c in built.checks]


def test_the_lead_of_the_stiffer_pack_carries_its_own_share(tmp_path):
    """I1 / I2 = R2 / R1 at the first instant; the trunk carries both."""
    unit = [{"pack": 1, "lead_mohm": 0.0}, {"pack": 2, "lead_mohm": 20.0}]
    found = judged(tmp_path, {"pack.packs": 2, "unit": unit})

    own_ohm = 4 * CELL_OHM / 20
    share = (own_ohm + 0.020) / (2 * own_ohm + 0.020)
    lead, trunk, link = found.conductors
    assert lead.peak_A == pytest.approx(share * CURRENT_A, rel=1e-4)
    assert trunk.peak_A == pytest.approx(CURRENT_A, rel=1e-6)
    assert link.peak_A == pytest.approx(share * CURRENT_A / 20, rel=1e-4)
    out = found.one_out_conductors[0]
    assert out.peak_A == pytest.approx(CURRENT_A, rel=1e-6)
    assert any("judged by whichever carries most" in note for note in found.notes)


def test_the_link_of_the_cell_with_least_resistance_is_the_hottest(tmp_path):
    """One of 20 cells at half the resistance: I = I0 (1/R) / sum(1/R)."""
    fault = [{"kind": "weak_cell", "group": 2, "cell": 5, "resistance_factor": 0.5}]
    found = judged(tmp_path, {"fault": fault})

    own_ohm = 0.5 * steady.RESISTANCE_OHM + steady.JOINT_OHM
    most_A = CURRENT_A / own_ohm / (1.0 / own_ohm + 19.0 / CELL_OHM)
    assert found.conductors[2].peak_A == pytest.approx(most_A, rel=1e-4)
    assert found.conductors[0].peak_A == pytest.approx(CURRENT_A, rel=1e-6)


def test_the_command_judges_wiring_of_a_pack_as_built(tmp_path):
    path = steady.write(tmp_path, {**WIRES, "spread": {"resistance_percent": 5.0}})

    code, out, err = answer("wiring", path, "--out", tmp_path / "w")

    summary = read_strictly(tmp_path / "w" / "summary.json")
    assert (code in (0, 1), err) == (True, "")
    assert out.splitlines()[0] == summary["verdict"]["sentence"]
    assert (tmp_path / "w" / "wiring.png").stat().st_size > 10_000
    assert "short-circuit currents are of alike cells" in " ".join(out.split())


# A log of one current, made by the closed form of one cell.


def logged(folder: Path, cells: int, *, off_K: float = 0.0) -> Path:
    """Write what a pack of `cells` like ones in parallel would log at one current."""
    truth = closed_form(TIME_S, AMPERE)
    columns = {
        "time_s": TIME_S,
        "voltage_V": truth["voltage_V"],
        "current_A": np.full(len(TIME_S), cells * AMPERE),
        "cell_temp_C": truth["cell_temp_C"] + off_K,
    }
    return write_log(folder / "log.csv", columns)


def test_a_pack_as_built_of_like_cells_is_not_off_its_closed_form(tmp_path):
    pack = {"series": 1, "parallel": 4}
    path = bench(tmp_path, pack=pack, board=BOARD, controller={"current_max_A": 1.0})

    found = compared(path, logged(tmp_path, 4))

    # 0.1 mV and 5 mK: second-order steps of 1 s on a curve that bends by 900 s.
    assert found.whole.voltage_worst_mV == pytest.approx(0.0, abs=0.1)
    assert found.whole.temperature_worst_K == pytest.approx(0.0, abs=5e-3)
    assert found.mean_cell["temperature_bias_K"] == pytest.approx(0.0, abs=5e-3)
    told = " ".join(found.assumed)
    assert "the surface of the hottest cell, for the log does not say which" in told
    assert "whatever boards, controller and charger allow" in told
    power = compared(path, logged(tmp_path, 4), by_power=True)
    assert power.whole.voltage_worst_mV == pytest.approx(0.0, abs=1.0)


def test_the_hottest_cell_is_compared_and_the_mean_one_told_beside_it(tmp_path):
    """Two cells, one of half the resistance, as scipy has their charges and temperatures."""
    fault = [{"kind": "weak_cell", "group": 1, "cell": 1, "resistance_factor": 0.5}]
    path = bench(tmp_path, pack={"series": 1, "parallel": 2}, fault=fault)
    ohm = np.array([0.5 * OHM, OHM])

    def rates(_: float, state: np.ndarray) -> np.ndarray:
        own_V = EMPTY_V + RISE_V * state[:2]
        volt = (np.sum(own_V / ohm) - 2.0 * AMPERE) / np.sum(1.0 / ohm)
        cell_A = (own_V - volt) / ohm
        warming_K_s = (cell_A**2 * ohm - COOLING_W_K * (state[2:] - AIR_C)) / HEAT_J_K
        return np.concatenate([-cell_A / (3600.0 * CAPACITY_AH), warming_K_s])

    truth = solve_ivp(
        rates, (0.0, TIME_S[-1]), [1.0, 1.0, AIR_C, AIR_C], "LSODA", TIME_S, rtol=1e-9, atol=1e-9
    ).y
    found = compared(path, logged(tmp_path, 2))

    measured_C = closed_form(TIME_S, AMPERE)["cell_temp_C"]
    assert np.ptp(truth[2:, -1]) > 1.0  # or nothing would be told apart
    off_K = {"hottest": truth[2:].max(axis=0), "mean": truth[2:].mean(axis=0)}
    off_K = {name: values - measured_C for name, values in off_K.items()}
    # 5 mK: second-order steps of 1 s; rows of the first instants are of a body that stands still.
    assert found.off_K == pytest.approx(off_K["hottest"], abs=5e-3)
    assert found.mean_cell["temperature_bias_K"] == pytest.approx(off_K["mean"].mean(), abs=5e-3)
    code, out, err = answer("compare", path, tmp_path / "log.csv", "--out", tmp_path / "c")
    assert (code in (0, 1), err) == (True, "")
    assert "beside it the core of the mean cell: off by" in " ".join(out.split())
    summary = read_strictly(tmp_path / "c" / "summary.json")
    assert summary["compared"]["temperature_is"].startswith("the surface of the hottest cell")
    assert summary["mean_cell"]["is"] == "the core of the mean cell"


def test_a_log_of_one_cell_leaves_the_pack_as_built_aside(tmp_path):
    fault = [{"kind": "weak_cell", "group": 1, "cell": 1, "resistance_factor": 0.5}]
    path = bench(tmp_path, pack={"series": 1, "parallel": 2}, fault=fault)

    found = compared(path, logged(tmp_path, 1), cell=True)

    assert (found.mean_cell, found.whole.voltage_worst_mV) == (None, pytest.approx(0.0, abs=0.1))


# What `check` says of it.


def test_check_tells_every_table_on_lines_of_its_own_with_units(tmp_path):
    changes = {
        **WIRES,
        "pack.packs": 2,
        "unit": [{"pack": 2, "charge_percent": 60.0, "lead_mohm": 9.0}],
        "fault": [{"kind": "weak_group", "group": 2, "capacity_factor": 0.9}],
        "board": {"under_voltage": {"trip": 2.8, "tolerance": 0.1}, "drop_V": 0.2},
        "charger": {"windows": [["20:00", "05:30"]], "current_A": 15.0},
    }
    code, out, err = answer("check", steady.write(tmp_path, changes))

    said = " ".join(out.split())
    assert (code, err) == (0, "")
    for words in (
        "[[unit]] 1: pack 2, charge 60 %, lead 9 mohm; by default capacity factor 1",
        "[[fault]] 1: kind weak_group, group 2, capacity factor 0.9",
        "[board]: drop 0.2 V; by default resistance 0 mohm",
        "[board] under_voltage: trip 2.8 V, tolerance 0.1 V; by default delay 0 s, hold off 1 s",
        "[charger]: windows 20:00 to 05:30, current 15 A",
        "[[conductor]] 1: name lead, material copper, gauge 4 AWG, length 500 mm",
        "[fuse]: rating 150 A",
    ):
        assert words in said
    assert "all cells are identical, equally" not in said


def test_check_refuses_what_simulate_and_wiring_refuse(tmp_path):
    twice = {"conductor": [LEAD, LEAD]}
    refused = {
        "layout": {"rows": 3, "columns": 5},
        "fault": [{"kind": "bad_joint", "group": 9, "cell": 1, "joint_mohm": 5.0}],
        "charger": {"windows": [["20:00", "05:30"]], "current_A": 1.0, "voltage_V": 99.0},
    }
    for at, (table, value) in enumerate(refused.items()):
        path = steady.write(tmp_path / str(at), {table: value})
        code, _, err = answer("simulate", path, "--out", tmp_path / "s")
        assert (code, complaints(path)) == (2, err.splitlines())
    assert "once more" in complaints(steady.write(tmp_path / "twice", twice))[0]
