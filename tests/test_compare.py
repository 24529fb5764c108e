"""Claims about `compare`, judged by closed forms with known errors put in, and by numpy alone.

The closed form: a cell whose open-circuit voltage is a straight line, one resistance, one thermal
node with a fixed conductance. Under constant current its charge and voltage are straight lines and
its temperature one exponential.
"""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import plants
import pytest
from small_day import answer, dump

from sim.ask.compare import Comparison, compare, figures
from sim.ask.compare_drive import Measured
from sim.ask.compare_run import Predicted
from sim.errors import InputError
from sim.files.log_columns import read_log_table
from sim.files.toml import read_toml
from sim.physics.pack import CURRENT

YES, NO, UNUSABLE = 0, 1, 2
EMPTY_V, RISE_V = 3.0, 1.2  # open circuit: 3.0 + 1.2 s
OHM, CAPACITY_AH, HEAT_J_K, COOLING_W_K, AIR_C = 0.05, 3.0, 45.0, 0.05, 22.0
STATED = {"capacity": 0.0, "open_circuit": 0.0, "resistance": 0.1, "heat": 0.0, "size": 0.0,
          "limits": 0.0}  # fmt: skip
SCENARIO = {
    "title": "A cell on a bench",
    "cell": {"profile": "cell.toml"},
    "pack": {"series": 1, "parallel": 1},
    "load": {"profile": "load.csv"},
    "ambient": {"constant_C": AIR_C},
    "cooling": {"conductance_W_K": COOLING_W_K},
}


def bench(folder: Path, *, stated: dict[str, float] = STATED, **tables: Any) -> Path:
    """Write the linear cell and a scenario of it, and return the scenario's path."""
    profile = plants.profile(
        capacity_Ah=CAPACITY_AH,
        open_circuit={"soc": [0.0, 1.0], "voltage_V": [EMPTY_V, EMPTY_V + RISE_V]},
        resistance={"discharge_mohm": 1e3 * OHM},
        polarisation=[],
        heat={"core_J_K": HEAT_J_K - 0.5, "surface_J_K": 0.5, "core_to_surface_K_W": 0.0},
        sources={g: {"from": "a bench", "uncertainty": u} for g, u in stated.items()},
    )
    (folder / "cell.toml").write_text(dump(profile))
    (folder / "load.csv").write_text("time_s,current_A\n0,1\n60,0\n")
    path = folder / "bench.toml"
    path.write_text(dump({**SCENARIO, **tables}))
    return path


def closed_form(time_s: np.ndarray, ampere: float, start_soc: float = 1.0) -> dict[str, np.ndarray]:
    """Return charge, voltage and temperature under a constant current from time 0."""
    soc = start_soc - ampere * time_s / (3600.0 * CAPACITY_AH)
    rise_K = ampere**2 * OHM / COOLING_W_K * (1.0 - np.exp(-COOLING_W_K * time_s / HEAT_J_K))
    return {
        "soc": soc,
        "voltage_V": EMPTY_V + RISE_V * soc - ampere * OHM,
        "cell_temp_C": AIR_C + rise_K,
    }


def write_log(path: Path, columns: dict[str, np.ndarray]) -> Path:
    """Write a log with every digit."""
    rows = zip(*columns.values(), strict=True)
    lines = [",".join(columns), *(",".join(f"{value:.10g}" for value in row) for row in rows)]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


TIME_S = np.arange(0.0, 3001.0, 10.0)
AMPERE = 3.0


def measured_log(
    folder: Path, *, off_V: Any = 0.0, off_K: Any = 0.0, ampere: float = AMPERE, **more: Any
) -> Path:
    """Write the closed form as a log, errors put in, a rest of one row ahead."""
    truth = closed_form(TIME_S, ampere)
    columns = {
        "time_s": TIME_S,
        "voltage_V": truth["voltage_V"] + off_V,
        "current_A": np.full(len(TIME_S), ampere),
        "cell_temp_C": truth["cell_temp_C"] + off_K,
        **more,
    }
    return write_log(folder / "log.csv", columns)


def run(scenario: Path, log: Path, **more: Any) -> Comparison:
    return compare(read_toml(scenario), scenario, read_log_table(log), **more)


# ---- figures come out as the errors that were put in


def test_a_log_of_the_model_itself_has_no_error(tmp_path):
    found = run(bench(tmp_path), measured_log(tmp_path), percent=100.0)

    assert abs(found.whole.voltage_worst_mV) < 1e-3  # mV
    assert abs(found.whole.temperature_worst_K) < 2e-3  # K, steps of 1 s against an exponential
    assert found.passed


@pytest.mark.parametrize("bias_mV", [-12.0, 4.0])
def test_a_bias_of_the_voltage_comes_out_as_put_in(tmp_path, bias_mV):
    log = measured_log(tmp_path, off_V=1e-3 * bias_mV)

    found = run(bench(tmp_path), log, percent=100.0).whole

    # predicted less measured
    assert found.voltage_bias_mV == pytest.approx(-bias_mV, abs=1e-3)
    assert found.voltage_rms_mV == pytest.approx(abs(bias_mV), abs=1e-3)
    assert found.voltage_worst_mV == pytest.approx(-bias_mV, abs=1e-3)


def test_a_drift_comes_out_with_its_rms_its_worst_and_when(tmp_path):
    ramp = TIME_S / TIME_S[-1]
    log = measured_log(tmp_path, off_V=-0.030 * ramp, off_K=-2.0 * ramp)

    found = run(bench(tmp_path), log, percent=100.0).whole

    n = len(ramp)
    rms = np.sqrt((2 * n - 1) / (6 * (n - 1)))  # of 0, 1/(n-1), ..., 1
    assert found.voltage_rms_mV == pytest.approx(30.0 * rms, abs=1e-3)
    assert found.voltage_bias_mV == pytest.approx(15.0, abs=1e-3)
    assert (found.voltage_worst_mV, found.voltage_worst_s) == pytest.approx((30.0, 3000.0))
    assert found.temperature_rms_K == pytest.approx(2.0 * rms, abs=2e-3)
    assert found.temperature_end_error_K == pytest.approx(2.0, abs=2e-3)


def test_a_current_read_too_small_shows_in_voltage_heat_and_charge(tmp_path):
    # The sensor reads 0.97 of the true current; the counter is right.
    truth = closed_form(TIME_S, AMPERE)
    counter = {"discharged_Ah": AMPERE * TIME_S / 3600.0}
    log = measured_log(tmp_path, current_A=np.full(len(TIME_S), 0.97 * AMPERE), **counter)

    found = run(bench(tmp_path), log, percent=100.0).whole

    as_read = closed_form(TIME_S, 0.97 * AMPERE)
    off_V = as_read["voltage_V"] - truth["voltage_V"]
    assert found.voltage_bias_mV == pytest.approx(1e3 * np.mean(off_V), rel=1e-4)
    assert found.voltage_rms_mV == pytest.approx(1e3 * np.sqrt(np.mean(off_V**2)), rel=1e-4)
    off_K = as_read["cell_temp_C"][-1] - truth["cell_temp_C"][-1]
    assert found.temperature_end_error_K == pytest.approx(off_K, abs=2e-3)
    assert found.charge_error_percent == pytest.approx(-3.0, abs=1e-6)


def test_the_part_above_ten_percent_is_told_apart(tmp_path):
    # 3 A empty the cell in an hour, so 10 % are left after 3240 s.
    time_s = np.arange(0.0, 3601.0, 10.0)
    truth = closed_form(time_s, AMPERE)
    wrong = np.where(time_s >= 3240.0, -0.5, -0.002)
    columns = {"time_s": time_s, "voltage_V": truth["voltage_V"] + wrong,
               "current_A": np.full(len(time_s), AMPERE)}  # fmt: skip

    found = run(bench(tmp_path), write_log(tmp_path / "log.csv", columns), percent=100.0)

    assert found.above.voltage_rms_mV == pytest.approx(2.0, abs=1e-3)
    assert found.above.rows == 324 and found.whole.rows == 361
    assert found.whole.voltage_worst_mV == pytest.approx(500.0, abs=1e-3)
    assert found.judged is found.above


def test_two_sensors_that_agree_in_the_morning_are_no_one_sensor():
    # C23: rmse 0.834 K over the first four pairs, 11.405 K over all seven, 19.6 K at most
    a = np.array([51.6, 51.1, 54.3, 59.4, 49.5, 49.2, 49.0])
    b = np.array([50.3, 52.1, 54.3, 59.1, 69.1, 67.3, 63.0])
    blank = np.full(7, np.nan)
    time_s = np.arange(7.0)
    seen = Measured(None, CURRENT, time_s, time_s, None, None, a, None, None, {}, False)
    said = Predicted(blank, b, b, np.full(7, 0.5), time_s, blank, 6.0)
    plant = plants.plant(plants.cell())

    morning = figures(seen, said, plant, np.arange(7) < 4)
    whole = figures(seen, said, plant, np.arange(7) < 7)

    assert morning.temperature_rms_K == pytest.approx(0.834, rel=0.002)
    assert whole.temperature_rms_K == pytest.approx(11.405, rel=0.002)
    assert whole.temperature_worst_K == pytest.approx(19.6, rel=0.002)
    assert whole.voltage_rms_mV is None and whole.charge_error_percent is None


# ---- what is compared with what


def test_a_pack_is_compared_by_one_cells_share(tmp_path):
    joint_ohm, lead_ohm = 0.002, 0.010
    pack = {"series": 4, "parallel": 5, "joint_mohm": 1e3 * joint_ohm, "lead_mohm": 1e3 * lead_ohm}
    truth = closed_form(TIME_S, AMPERE)
    # 5 A A of the pack through the leads; each cell's own current through its joint.
    pack_V = 4 * (truth["voltage_V"] - AMPERE * joint_ohm) - 5 * AMPERE * lead_ohm
    log = measured_log(
        tmp_path, voltage_V=pack_V + 0.040, current_A=np.full(len(TIME_S), 5 * AMPERE)
    )

    found = run(bench(tmp_path, pack=pack), log, percent=100.0)

    assert found.whole.voltage_bias_mV == pytest.approx(-10.0, abs=1e-3)  # 40 mV over four
    assert found.whole.voltage_worst_mV == pytest.approx(-10.0, abs=1e-3)


def test_a_log_of_one_cell_needs_to_be_named_beside_a_pack(tmp_path):
    scenario = bench(tmp_path, pack={"series": 14, "parallel": 5, "joint_mohm": 0.5})
    log = measured_log(tmp_path)

    with pytest.raises(InputError, match="say `--cell`"):
        run(scenario, log, percent=100.0)
    assert abs(run(scenario, log, percent=100.0, cell=True).whole.voltage_worst_mV) < 1e-3


def test_the_hottest_of_several_sensors_is_compared(tmp_path):
    truth = closed_form(TIME_S, AMPERE)["cell_temp_C"]
    log = measured_log(tmp_path, cell_temp_C=truth - 24.0, other_temp_C=truth)

    found = run(bench(tmp_path), log, percent=100.0)

    assert abs(found.whole.temperature_worst_K) < 2e-3
    assert any("hottest of 'cell_temp_C', 'other_temp_C'" in said for said in found.assumed)


def test_groups_stand_for_the_pack_where_all_are_logged(tmp_path):
    scenario = bench(tmp_path, pack={"series": 3, "parallel": 1})
    truth = closed_form(TIME_S, AMPERE)["voltage_V"]
    groups = {f"g{i}_V": truth + d for i, d in ((1, 0.01), (2, 0.0), (3, -0.01))}
    columns = {"time_s": TIME_S, "current_A": np.full(len(TIME_S), AMPERE), **groups}

    found = run(scenario, write_log(tmp_path / "log.csv", columns), percent=100.0)

    assert abs(found.whole.voltage_worst_mV) < 1e-3
    columns.pop("g3_V")
    columns["g4_V"] = np.zeros(len(TIME_S))
    columns["g3_V"] = np.zeros(len(TIME_S))
    with pytest.raises(InputError, match="2 voltages of groups for 3 cells in series"):
        run(scenario, write_log(tmp_path / "log.csv", columns), percent=100.0)


def test_what_a_log_lacks_is_said_and_a_log_of_nothing_refused(tmp_path):
    scenario, truth = bench(tmp_path), closed_form(TIME_S, AMPERE)
    drive = {"time_s": TIME_S, "current_A": np.full(len(TIME_S), AMPERE)}

    only_V = run(
        scenario,
        write_log(tmp_path / "v.csv", {**drive, "voltage_V": truth["voltage_V"]}),
        percent=100.0,
    )
    only_K = run(
        scenario,
        write_log(tmp_path / "k.csv", {**drive, "cell_temp_C": truth["cell_temp_C"]}),
        percent=100.0,
    )

    assert only_V.whole.temperature_rms_K is None
    assert any(said.startswith("temperature: ") for said in only_V.missing)
    assert only_K.whole.voltage_rms_mV is None and only_K.whole.temperature_rms_K < 2e-3
    assert any(said.startswith("voltage: ") for said in only_K.missing)
    with pytest.raises(InputError, match="neither a voltage nor a cell's temperature"):
        run(scenario, write_log(tmp_path / "n.csv", drive), percent=100.0)


def test_the_logs_own_air_goes_before_the_scenarios(tmp_path):
    # 8 K warmer air, and the cell as much.
    log = measured_log(tmp_path, off_K=8.0, ambient_C=np.full(len(TIME_S), AIR_C + 8.0))

    found = run(bench(tmp_path), log, percent=100.0)

    assert abs(found.whole.temperature_worst_K) < 2e-3
    assert "air as 'ambient_C' has it" in found.assumed


# ---- start, rows that are means, gaps, power


@pytest.mark.parametrize("start_soc", [0.95, 0.5])
def test_the_first_rest_tells_the_charge(tmp_path, start_soc):
    truth = closed_form(TIME_S[:100], AMPERE, start_soc)
    rest_V = EMPTY_V + RISE_V * start_soc
    columns = {
        "time_s": np.append(0.0, TIME_S[:100] + 60.0),
        "voltage_V": np.append(rest_V, truth["voltage_V"]),
        # Row 1 closes the minute of rest, so its current is still 0.
        "current_A": np.concatenate([[0.0, 0.0], np.full(99, AMPERE)]),
    }
    columns["voltage_V"][1] = rest_V

    found = run(bench(tmp_path), write_log(tmp_path / "log.csv", columns))

    assert found.predicted.soc[0] == pytest.approx(start_soc, abs=1e-4)
    assert abs(found.whole.voltage_worst_mV) < 0.05
    assert f"{100 * start_soc:.1f} % charge" in found.start[0]


def test_a_log_that_begins_under_load_takes_the_scenarios_charge_and_says_so(tmp_path):
    found = run(bench(tmp_path, start={"charge_percent": 80.0}), measured_log(tmp_path))

    assert found.predicted.soc[0] == pytest.approx(0.8)
    assert "begins under load" in found.start[0] and "80 %" in found.start[0]


def test_rows_that_are_means_are_compared_with_means(tmp_path):
    # A mean over 10 s of a straight line is its value in the middle.
    middle = closed_form(TIME_S + 5.0, AMPERE)
    columns = {"time_s": TIME_S, "voltage_V": middle["voltage_V"],
               "current_A": np.full(len(TIME_S), AMPERE)}  # fmt: skip
    log = write_log(tmp_path / "log.csv", columns)

    assert abs(run(bench(tmp_path), log, percent=100.0, means=True).whole.voltage_worst_mV) < 1e-3
    as_samples = run(bench(tmp_path), log, percent=100.0).whole.voltage_bias_mV
    half_s = 1e3 * RISE_V * AMPERE * 5.0 / (3600.0 * CAPACITY_AH)
    assert as_samples == pytest.approx(half_s, rel=1e-6)


def gapped(folder: Path, counter: bool, during_A: float) -> Path:
    """Write a log of 3 A whose rows from 1000 to 2000 s are gone; `during_A` flowed there."""
    keep = (TIME_S <= 1000.0) | (TIME_S >= 2000.0)
    current_A = np.where((TIME_S > 1000.0) & (TIME_S < 2001.0), during_A, AMPERE)
    out_Ah = np.cumsum(np.insert(current_A[1:] * 10.0, 0, 0.0)) / 3600.0
    soc = 1.0 - out_Ah / CAPACITY_AH
    seen_A = np.where(keep, AMPERE, np.nan)
    columns = {"time_s": TIME_S, "voltage_V": EMPTY_V + RISE_V * soc - AMPERE * OHM,
               "current_A": seen_A}  # fmt: skip
    if counter:
        columns["discharged_Ah"] = out_Ah
    return write_log(folder / "log.csv", {name: v[keep] for name, v in columns.items()})


def test_a_gap_is_never_bridged_in_silence(tmp_path):
    found = run(bench(tmp_path), gapped(tmp_path, False, AMPERE), percent=100.0)

    said = next(text for text in found.assumed if "a gap over 1000 s" in text)
    assert "line 102" in said and "the mean of the rows on both sides, 3 A" in said
    assert "0.8333 Ah" in said  # 3 A over 1000 s
    assert abs(found.whole.voltage_worst_mV) < 1e-3


def test_a_counter_tells_what_flowed_in_a_gap(tmp_path):
    found = run(bench(tmp_path), gapped(tmp_path, True, 1.5), percent=100.0)

    said = next(text for text in found.assumed if "own counter" in text)
    assert "0.4167 Ah" in said  # 1.5 A over 1000 s
    # The last row of the gap stands under 3 A in the log and under the counter's mean in the model.
    off_V = np.delete(found.off_V, 101)
    assert np.abs(off_V).max() < 1e-6
    assert abs(found.whole.charge_error_percent) < 1e-6


def test_a_log_of_power_drives_by_power(tmp_path):
    # Constant power against an independent integration of ds/dt by small Euler steps.
    power_W, soc, step_s = 10.0, 1.0, 0.05
    soc_at, volt_at = [soc], []
    for _ in range(int(TIME_S[-1] / step_s)):
        source_V = EMPTY_V + RISE_V * soc
        ampere = (source_V - np.sqrt(source_V**2 - 4.0 * OHM * power_W)) / (2.0 * OHM)
        soc -= ampere * step_s / (3600.0 * CAPACITY_AH)
        soc_at.append(soc)
    soc_at = np.array(soc_at)[:: int(10.0 / step_s)]
    source_V = EMPTY_V + RISE_V * soc_at
    ampere = (source_V - np.sqrt(source_V**2 - 4.0 * OHM * power_W)) / (2.0 * OHM)
    volt_at = source_V - OHM * ampere
    columns = {"time_s": TIME_S, "power_W": np.full(len(TIME_S), power_W), "voltage_V": volt_at}

    found = run(bench(tmp_path), write_log(tmp_path / "log.csv", columns), percent=100.0)

    assert found.whole.voltage_rms_mV < 0.05  # mV, Euler's own error
    both = run(
        bench(tmp_path),
        write_log(tmp_path / "log.csv", {**columns, "current_A": ampere}),
        percent=100.0,
        by_power=True,
    )
    assert both.whole.voltage_rms_mV < 0.05
    assert abs(both.whole.charge_error_percent) < 0.05


# ---- larger than what the parameters allow


def test_the_width_of_a_resistance_is_its_share_of_the_drop(tmp_path):
    cooling = {"conductance_W_K": COOLING_W_K, "uncertainty_percent": 0.0}
    found = run(bench(tmp_path, cooling=cooling), measured_log(tmp_path), percent=100.0)

    # 10 % of 50 mohm under 3 A: 15 mV at every row
    assert found.allowed("voltage") == pytest.approx(15.0, rel=1e-6)
    # and 10 % of the heat, so of the rise
    rise_K = closed_form(TIME_S, AMPERE)["cell_temp_C"] - AIR_C
    assert found.allowed("temperature") == pytest.approx(
        0.1 * np.sqrt(np.mean(rise_K**2)), rel=2e-3
    )


def test_the_width_of_a_measured_cooling_is_that_of_the_closed_form_a_tenth_either_way(tmp_path):
    stated = dict.fromkeys(STATED, 0.0)
    found = run(bench(tmp_path, stated=stated), measured_log(tmp_path), percent=100.0)

    def rise_K(times: float) -> np.ndarray:
        cooling_W_K = times * COOLING_W_K
        return AMPERE**2 * OHM / cooling_W_K * -np.expm1(-cooling_W_K * TIME_S / HEAT_J_K)

    width_K = 0.5 * (rise_K(0.9) - rise_K(1.1))
    assert found.uncertain.moved["film"] == 0.1  # assumed, no source
    assert found.allowed("temperature") == pytest.approx(np.sqrt(np.mean(width_K**2)), rel=2e-3)
    assert any("is good to 10 % (assumed" in said for said in found.assumed)


def test_widths_of_independent_groups_add_in_quadrature(tmp_path):
    stated = {**STATED, "resistance": 0.1, "open_circuit": 0.01}
    found = run(bench(tmp_path, stated=stated), measured_log(tmp_path), percent=100.0)

    open_V = EMPTY_V + RISE_V * closed_form(TIME_S, AMPERE)["soc"]
    expected_mV = 1e3 * np.sqrt(np.mean(0.015**2 + (0.01 * open_V) ** 2))  # JCGM 100:2008, 5.1.2
    assert found.allowed("voltage") == pytest.approx(expected_mV, rel=1e-6)


@pytest.mark.parametrize(("off_mV", "code"), [(14.0, YES), (16.0, NO)])
def test_the_answer_is_no_where_the_error_is_larger_than_what_is_stated(tmp_path, off_mV, code):
    scenario, log = bench(tmp_path), measured_log(tmp_path, off_V=1e-3 * off_mV)
    out = tmp_path / "out"

    got, said, err = answer("compare", scenario, log, "--start-percent", "100", "--out", out)

    assert (got, err) == (code, "")
    first = said.splitlines()[0]
    assert f"Off by {off_mV:.1f} mV rms" in first
    assert ("more than the parameters' stated uncertainty" in first) == (code == NO)
    assert {p.name for p in out.iterdir()} == {"compare.csv", "compare.png", "summary.json"}
    summary = json.loads((out / "summary.json").read_text())
    assert summary["whole_record"]["voltage_bias_mV"] == pytest.approx(-off_mV, abs=1e-3)
    assert summary["verdict"]["passed"] is (code == YES)
    with (out / "compare.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == len(TIME_S)
    off = [float(row["voltage_error_mV"]) for row in rows]
    assert off == pytest.approx([-off_mV] * len(rows), abs=0.01)
    assert float(rows[-1]["predicted_voltage_V"]) == pytest.approx(
        closed_form(TIME_S, AMPERE)["voltage_V"][-1], abs=1e-5
    )


def test_json_and_quiet_print_the_summary_and_the_answer(tmp_path):
    words = ("compare", bench(tmp_path), measured_log(tmp_path), "--start-percent", "100",
             "--no-plots", "--out", tmp_path / "out")  # fmt: skip

    _, printed, _ = answer(*words, "--json")
    assert json.loads(printed) == json.loads((tmp_path / "out" / "summary.json").read_text())
    _, printed, _ = answer(*words, "--quiet")
    assert len(printed.splitlines()) == 1 and printed.startswith("Off by")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("time_s,speed_km_h\n0,1\n1,2\n2,3\n", "neither current nor power"),
        ("time_s,current_A,voltage_V\n0,1,4\n1,2,4\n", "2 rows"),
        ("time_s,current_A,voltage_V\n0,1,48\n1,2,48\n2,2,48\n", "is about 48 V"),
    ],
)
def test_a_log_that_drives_no_such_cell_is_refused_in_a_sentence(tmp_path, text, words):
    log = tmp_path / "log.csv"
    log.write_text(text)

    code, out, err = answer("compare", bench(tmp_path), log, "--out", tmp_path / "out")

    assert code == UNUSABLE and out == "" and words in err and len(err.splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_a_damaged_count_is_not_taken_for_charge(tmp_path):
    # One row of the counter leaps by 5 Ah within 10 s and comes back.
    counted_Ah = AMPERE * TIME_S / 3600.0
    counted_Ah[100] += 5.0

    found = run(bench(tmp_path), measured_log(tmp_path, discharged_Ah=counted_Ah), percent=100.0)

    assert abs(found.whole.voltage_worst_mV) < 1e-3
    assert not any("own counter" in said for said in found.assumed)


def test_a_record_that_leaves_what_the_model_knows_says_where(tmp_path):
    # 100 A in 50 mohm: 500 W in 45 J/K pass 150 C within a quarter of a minute.
    truth = closed_form(TIME_S, AMPERE)
    columns = {"time_s": TIME_S, "voltage_V": truth["voltage_V"],
               "current_A": np.where(TIME_S > 500.0, 100.0, AMPERE)}  # fmt: skip

    found = run(bench(tmp_path), write_log(tmp_path / "log.csv", columns), percent=100.0)

    assert 500.0 < found.predicted.end_s < 520.0
    assert found.whole.rows == np.count_nonzero(found.predicted.end_s >= TIME_S)
    assert any("the model left what it knows" in said for said in found.missing)


def test_a_log_that_draws_more_than_the_cells_hold_is_compared_up_to_empty(tmp_path):
    # 3 A empty 3 Ah in an hour; the log goes on for another half.
    time_s = np.arange(0.0, 5401.0, 10.0)
    truth = closed_form(time_s, AMPERE)
    columns = {"time_s": time_s, "voltage_V": np.maximum(truth["voltage_V"], 2.9),
               "current_A": np.full(len(time_s), AMPERE)}  # fmt: skip

    found = run(bench(tmp_path), write_log(tmp_path / "log.csv", columns), percent=100.0)

    assert found.whole.rows == np.count_nonzero(truth["soc"] >= -0.05)
    assert any("draws more than the cells hold" in said for said in found.missing)
    assert abs(found.above.voltage_worst_mV) < 1e-3
