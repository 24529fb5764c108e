"""A cell profile that can't be used is refused by key, value and what is accepted."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from small_day import CELL, GONE, changed, complaints, dump, write_day

from sim.files.case import read_case

IN_THE_PROFILE = [
    ({"capacity_ah": 3.0}, "capacity_ah is not known here; did you mean 'capacity_Ah'?"),
    ({"heat.cor_J_K": 3.0}, "[heat] cor_J_K is not known here; did you mean 'core_J_K'?"),
    (
        {"polarisation": [{"resistance_mohm": 1.0, "time_constnt_s": 3.0}]},
        "[[polarisation]] 1 time_constnt_s is not known here; did you mean 'time_constant_s'?",
    ),
    (
        {"polarisation": {"resistance_mohm": 1.0, "time_constant_s": 3.0}},
        "polarisation is a table; accepted: a list of tables, each under double brackets",
    ),
    ({"capacity_Ah": 0}, "capacity_Ah is 0; accepted: a number, 0.001 to 500"),
    (
        {"capacity_Ah": 3200},
        "capacity_Ah is 3200; accepted: a number, 0.001 to 500; 3.2 Ah if mAh was meant",
    ),
    ({"capacity_Ah": 1e6}, "capacity_Ah is 1000000.0; accepted: a number, 0.001 to 500"),
    ({"size": GONE}, "[size] is missing; it needs diameter_mm, height_mm, mass_g"),
    ({"size.mass_g": 0.047}, "[size] mass_g is 0.047; accepted: a number, 5 to 10000"),
    (
        {"heat.core_to_surface_K_W": 1e-6},
        "[heat] core_to_surface_K_W is 1e-06; accepted: 0, for one lumped node, or 0.001 to 1000",
    ),
    ({"heat.core_J_K": 0.0}, "[heat] core_J_K is 0.0; accepted: a number, 0.001 to 100000"),
    (
        {"limits.cutoff_V": 4.2},
        "[limits]: cutoff_V 4.2 must lie below full_V 4.2",
    ),
    (
        {"open_circuit.soc": [0.0, 0.5, 0.3, 1.0], "open_circuit.voltage_V": [3.0, 3.3, 3.6, 4.2]},
        "[open_circuit]: soc must rise from row to row; row 3 has 0.3 after 0.5",
    ),
    (
        {"open_circuit.soc": [0.0, 0.5, 0.5, 1.0], "open_circuit.voltage_V": [3.0, 3.3, 3.6, 4.2]},
        "[open_circuit]: soc must rise from row to row; row 3 has 0.5 after 0.5",
    ),
    (
        {"open_circuit.soc": [0.0, math.nan, 1.0], "open_circuit.voltage_V": [3.0, 3.6, 4.2]},
        "[open_circuit]: soc must rise from row to row; row 2 has nan after 0.0",
    ),
    (
        {"open_circuit.soc": [0, 50, 100], "open_circuit.voltage_V": [3.0, 3.6, 4.2]},
        "[open_circuit]: soc must go from 0.0 to 1.0; found 0 to 100",
    ),
    (
        {"open_circuit.soc": [0.1, 1.0]},
        "[open_circuit]: soc must go from 0.0 to 1.0; found 0.1 to 1.0",
    ),
    (
        {"open_circuit.voltage_V": [3.0, 3.6, 4.2]},
        "[open_circuit]: voltage_V has 3 values for 2 of soc; accepted: one each",
    ),
    (
        {"open_circuit.voltage_V": [4.2, 3.0]},
        "[open_circuit]: voltage_V must not fall as soc rises; it goes from 4.2 at soc 0.0 "
        "to 3.0 at 1.0",
    ),
    (
        {"resistance": {"discharge_mohm": "25"}},
        '[resistance] discharge_mohm is "25"; accepted: a number, or a list of rows of numbers',
    ),
    (
        {"resistance": {"discharge_mohm": True}},
        "[resistance] discharge_mohm is true; accepted: a number, or a list of rows of numbers",
    ),
    (
        {"resistance": {"discharge_mohm": [25, 30]}},
        "[resistance] discharge_mohm holds 25 as row 1; accepted: a list of numbers",
    ),
    (
        {"resistance": {"discharge_mohm": -25}},
        "[resistance]: discharge_mohm holds -25; accepted: 0 to 100000",
    ),
    (
        {"resistance": {"discharge_mohm": [[25, 30], [20, 25]]}},
        "[resistance]: discharge_mohm is a table, so [resistance] needs soc and temperature_C",
    ),
    (
        {"resistance": {"soc": [0, 1], "discharge_mohm": 25}},
        "[resistance]: soc and temperature_C come together, or neither with bare numbers",
    ),
    (
        {
            "resistance": {
                "soc": [0, 1],
                "temperature_C": [0, 25],
                "discharge_mohm": [[25, 30], [20]],
            }
        },
        "[resistance]: discharge_mohm has 1 values in row 2; accepted: 2, as temperature_C has",
    ),
    (
        {
            "resistance": {
                "soc": [0, 0.5, 1],
                "temperature_C": [0, 25],
                "discharge_mohm": [[25, 30], [20, 25]],
            }
        },
        "[resistance]: discharge_mohm has 2 rows; accepted: 3, as soc has values",
    ),
    (
        {
            "resistance": {
                "soc": [0, 1],
                "temperature_C": [25, 0],
                "discharge_mohm": [[25, 30], [20, 25]],
            }
        },
        "[resistance]: temperature_C must rise; found [25.0, 0.0]",
    ),
    (
        {
            "polarisation": [
                {"resistance_mohm": 1.0, "time_constant_s": 3.0, "capacitance_F": 3000.0}
            ]
        },
        "[[polarisation]] 1: give time_constant_s or capacitance_F, one of the two",
    ),
    (
        {"polarisation": [{"resistance_mohm": 1.0}]},
        "[[polarisation]] 1: give time_constant_s or capacitance_F, one of the two",
    ),
    (
        {"polarisation": [{"resistance_mohm": 1.0, "time_constant_s": 0.0}]},
        "[[polarisation]] 1 time_constant_s holds 0; accepted: 0.001 to 1e+07",
    ),
    (
        {"polarisation": [{"resistance_mohm": 1.0, "capacitance_F": 0.01}]},
        "[[polarisation]] 1 has a time constant of 1e-05 s; accepted: 0.001 s or more; "
        "what is faster belongs into [resistance]",
    ),
    (
        {"sources.resistanc": {"from": "a log", "uncertainty": 0.1}},
        "[sources]: 'resistanc' is no group of parameters; known: capacity, size, open_circuit, "
        "entropic, resistance, polarisation, heat, limits, core_to_surface",
    ),
    (
        {"sources.resistance": {"uncertainty": 0.1}},
        "[sources] resistance from is missing; give text in quotes",
    ),
    (
        {"sources.resistance.uncertainty": 30},
        "[sources] resistance uncertainty is 30; accepted: a number, 0 to 10",
    ),
]


@pytest.mark.parametrize("changes, said", IN_THE_PROFILE)
def test_a_broken_profile_is_refused_by_key_value_and_what_is_accepted(tmp_path, changes, said):
    path = write_day(tmp_path)
    (tmp_path / "cell.toml").write_text(dump(changed(CELL, changes)), encoding="utf-8")

    assert complaints(path) == [f"{tmp_path}/cell.toml: {said}"]


@pytest.mark.parametrize("changes, said", IN_THE_PROFILE[:2])
def test_an_override_of_the_profile_is_refused_in_the_scenarios_name(tmp_path, changes, said):
    path = write_day(tmp_path, {f"cell.{key}": value for key, value in changes.items()})

    assert complaints(path) == [f"{path} [cell] over cell.toml: {said}"]


TABLE = {
    "open_circuit": {
        "soc": [0.0, 0.3, 1.0],
        "voltage_V": [3.0, 3.5, 4.2],
        "entropic_mV_K": [-0.2, 0.0, 0.1],
    },
    "resistance": {
        "soc": [0.0, 0.4, 1.0],
        "temperature_C": [0, 25],
        "discharge_mohm": [[60, 40], [50, 30], [45, 28]],
        "charge_mohm": [[66, 44], [55, 33], [49, 30]],
    },
    "polarisation": [{"resistance_mohm": [[20, 15], [18, 12], [16, 11]], "time_constant_s": 30.0}],
}


def test_tables_with_falling_soc_are_turned_round_and_mean_the_same(tmp_path):
    curve, grid, (pair,) = TABLE["open_circuit"], TABLE["resistance"], TABLE["polarisation"]
    falling = {
        "open_circuit": {key: column[::-1] for key, column in curve.items()},
        "resistance": {
            key: column if key == "temperature_C" else column[::-1] for key, column in grid.items()
        },
        "polarisation": [{**pair, "resistance_mohm": pair["resistance_mohm"][::-1]}],
    }

    def cell(tables: dict[str, Any]) -> Any:
        path = write_day(tmp_path)
        content = dump({**CELL, **tables})
        (tmp_path / "cell.toml").write_text(content, encoding="utf-8")
        return read_case(path).plant.cell

    rising, turned = cell(TABLE), cell(falling)

    assert np.ptp(rising.layers) > 0.0
    np.testing.assert_array_equal(turned.ocv, rising.ocv)
    np.testing.assert_array_equal(turned.layers, rising.layers)
