"""`compare` on open measurements, its figures held against a computation by numpy alone.

The cells are described by hand from other tests of theirs; nothing here is fitted to the judged
records. The data lie beside the checkout and nothing of them is copied.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import plants
import pytest
from small_day import dump

from sim.ask.compare import Comparison, compare
from sim.files.log_columns import LogOptions, read_log_table
from sim.files.toml import read_toml

DATA = Path(__file__).resolve().parents[2] / "shared" / "data"
OHM, PAIR_OHM, PAIR_S = 0.033, 0.014, 60.0
HEAT_J_K, COOLING_W_K = 48.5, 0.177  # of the 2.6 Ah cell in its chamber, its NOTE's lumped fit
Z = np.linspace(0.0, 1.0, 101)


def rows(name: str) -> np.ndarray:
    path = DATA / name
    if not path.is_file():
        pytest.skip(f"open data shared/data/{name} is not beside this checkout")
    return np.genfromtxt(path, delimiter=",", names=True)


def write_bench(folder: Path, capacity_Ah: float, open_V: np.ndarray) -> Path:
    """Write a cell with this open-circuit voltage over Z, and the scenario of its bench."""
    profile = plants.profile(
        capacity_Ah=capacity_Ah,
        open_circuit={"soc": Z.tolist(), "voltage_V": np.maximum.accumulate(open_V).tolist()},
        resistance={"discharge_mohm": 1e3 * OHM},
        polarisation=[{"resistance_mohm": 1e3 * PAIR_OHM, "time_constant_s": PAIR_S}],
        heat={"core_J_K": HEAT_J_K - 0.5, "surface_J_K": 0.5, "core_to_surface_K_W": 0.0},
        sources={
            group: {"from": "by hand", "uncertainty": uncertainty}
            for group, uncertainty in (
                ("capacity", 0.01), ("open_circuit", 0.003), ("resistance", 0.15),
                ("polarisation", 0.3), ("heat", 0.1), ("size", 0.01), ("limits", 0.1),
            )
        },
    )  # fmt: skip
    (folder / "cell.toml").write_text(dump(profile))
    (folder / "load.csv").write_text("time_s,current_A\n0,1\n60,0\n")
    scenario = {
        "title": "A cell in a chamber",
        "cell": {"profile": "cell.toml"},
        "pack": {"series": 1, "parallel": 1},
        "load": {"profile": "load.csv"},
        "ambient": {"constant_C": 25.0},
        "cooling": {"conductance_W_K": COOLING_W_K},
    }
    path = folder / "bench.toml"
    path.write_text(dump(scenario))
    return path


def slow_curve(name: str, capacity_Ah: float, ampere: float) -> np.ndarray:
    """Return a slow discharge's voltage over Z, its own drop put back."""
    slow = rows(name)
    soc = 1.0 - slow["discharged_Ah"][1:] / capacity_Ah
    return np.interp(Z, soc[::-1], (slow["voltage_V"][1:] + ampere * OHM)[::-1])


def by_numpy(
    log: np.ndarray, open_V: np.ndarray, capacity_Ah: float, start_soc: float, air_C: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Return voltage and temperature at each row of samples: the same equations in small steps."""
    soc, pair_V, warm_C = start_soc, 0.0, float(log["cell_temp_C"][0])
    volts, warmths = [], []
    last_s = float(log["time_s"][0])
    for k, (time_s, ampere) in enumerate(zip(log["time_s"], log["current_A"], strict=True)):
        parts = max(1, int(np.ceil((time_s - last_s) / 0.5)))
        step_s = (time_s - last_s) / parts
        for i in range(parts):
            before_V = pair_V
            pair_V += (ampere * PAIR_OHM - pair_V) * (1.0 - np.exp(-step_s / PAIR_S))
            heat_W = ampere**2 * OHM + (0.5 * (before_V + pair_V)) ** 2 / PAIR_OHM
            share = (i + 0.5) / parts
            air = air_C[k - 1] + share * (air_C[k] - air_C[k - 1]) if k else air_C[0]
            target_C = air + heat_W / COOLING_W_K
            warm_C += (target_C - warm_C) * (1.0 - np.exp(-step_s * COOLING_W_K / HEAT_J_K))
            soc -= ampere * step_s / (3600.0 * capacity_Ah)
        last_s = time_s
        volts.append(np.interp(soc, Z, open_V) - pair_V - ampere * OHM)
        warmths.append(warm_C)
    return np.array(volts), np.array(warmths)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def ask(scenario: Path, name: str, **more) -> Comparison:
    column = more.pop("ambient_column", None)
    log = read_log_table(DATA / name, LogOptions(ambient_column=column))
    return compare(read_toml(scenario), scenario, log, **more)


CAPACITY_AH = 2.752  # its slow test, its NOTE
SAMPLES = ("R1_dis_1C", "R1_dis_2C", "R1_random_01", "R1_pulse_10min_on_20min_rest")


@pytest.mark.parametrize("name", SAMPLES)
def test_the_figures_of_measured_runs_are_those_that_numpy_finds(tmp_path, name):
    file = f"chamber_18650_2p6Ah/{name}.csv"
    log = rows(file)
    open_V = np.maximum.accumulate(
        slow_curve("chamber_18650_2p6Ah/R1_ocv_C20.csv", CAPACITY_AH, 0.13)
    )
    scenario = write_bench(tmp_path, CAPACITY_AH, open_V)

    found = ask(scenario, file, ambient_column="ambient_from_rest_C", percent=100.0)

    volts, warmths = by_numpy(log, open_V, CAPACITY_AH, 1.0, log["ambient_from_rest_C"])
    soc = 1.0 - log["discharged_Ah"] / CAPACITY_AH
    off_mV, off_K = 1e3 * (volts - log["voltage_V"]), warmths - log["cell_temp_C"]
    whole, above = found.whole, found.above
    # The curve is kinked at every hundredth of charge and temperatures go in steps of half a
    # second here: 0.1 mV and 0.01 K. The first row's drop comes at once in both.
    assert whole.voltage_rms_mV == pytest.approx(rms(off_mV), abs=0.1)
    assert whole.voltage_bias_mV == pytest.approx(np.mean(off_mV), abs=0.1)
    assert whole.temperature_rms_K == pytest.approx(rms(off_K), abs=0.01)
    assert whole.temperature_end_error_K == pytest.approx(off_K[-1], abs=0.01)
    assert whole.temperature_peak_error_K == pytest.approx(
        warmths.max() - log["cell_temp_C"].max(), abs=0.01
    )
    assert above.voltage_rms_mV == pytest.approx(rms(off_mV[soc > 0.1]), rel=0.02)
    assert abs(whole.charge_error_percent) < 0.1


def test_a_drive_by_the_second_is_compared_as_means(tmp_path):
    # 2.80 Ah: from rested voltages, its NOTE. The file holds means of one second.
    file, capacity_Ah = "chamber_18650_2p9Ah/drive_HWFET_25C.csv", 2.80
    log = rows(file)
    slow = rows("chamber_18650_2p9Ah/derived_c20_ocv_table_25C.csv")
    open_V = np.maximum.accumulate(slow["voltage_discharge_C20_V"])
    scenario = write_bench(tmp_path, capacity_Ah, open_V)

    found = ask(scenario, file, percent=100.0, means=True)

    # Independently: a second's mean is the mean of its ends, the current held from row to row.
    span_s = np.append(np.diff(log["time_s"]), 1.0)
    out_Ah = np.cumsum(log["current_A"] * span_s) / 3600.0
    soc = 1.0 - np.insert(out_Ah, 0, 0.0) / capacity_Ah
    pair_V = np.zeros(len(log) + 1)
    for k, ampere in enumerate(log["current_A"]):
        grown = 1.0 - np.exp(-span_s[k] / PAIR_S)
        pair_V[k + 1] = pair_V[k] + (ampere * PAIR_OHM - pair_V[k]) * grown
    ends_V = np.interp(soc, Z, open_V) - pair_V
    volts = 0.5 * (ends_V[1:] + ends_V[:-1]) - log["current_A"] * OHM
    off_mV = 1e3 * (volts - log["voltage_V"])
    assert found.whole.voltage_rms_mV == pytest.approx(rms(off_mV), abs=0.05)
    assert found.above.voltage_rms_mV == pytest.approx(rms(off_mV[soc[1:] > 0.1]), abs=0.05)


def test_a_pulse_test_whose_bites_are_not_logged_keeps_its_charge_by_the_counter(tmp_path):
    # Its NOTE: the 1C bites between the groups are not logged; the counter says 2.77 Ah in all.
    file, capacity_Ah = "chamber_18650_2p9Ah/hppc_25C.csv", 2.80
    log = rows(file)
    slow = rows("chamber_18650_2p9Ah/derived_c20_ocv_table_25C.csv")
    scenario = write_bench(
        tmp_path, capacity_Ah, np.maximum.accumulate(slow["voltage_discharge_C20_V"])
    )

    found = ask(scenario, file)

    assert abs(found.whole.charge_error_percent) < 0.5
    end_soc = found.predicted.soc[-1]
    assert end_soc == pytest.approx(1.0 - log["discharged_Ah"][-1] / capacity_Ah, abs=0.005)
    assert sum("own counter" in said for said in found.assumed) == 6  # the rest are summed up
    assert any("more such places" in said for said in found.assumed)
