"""The audit's second opinion: it agrees with right runs wherever they end, and sees wrong ones."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from sim.ask.simulate import simulate
from sim.files.case import assemble
from sim.integrate import reference
from sim.integrate.trace import KEPT_S
from sim.judge.audit import spot
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE

CELLS = Path(__file__).resolve().parents[1] / "profiles" / "cells"


def one_cell(cell, watt, air_C, **limits):
    """A case of one cell under one power for six hours, which no small cell outlasts."""
    content = {
        "title": "one long leg",
        "cell": {"profile": str(CELLS / f"{cell}.toml")},
        "pack": {"series": 1, "parallel": 1},
        "load": {"start": "08:00"},
        "leg": [{"power_W": watt, "duration_h": 6.0}],
        "ambient": {"constant_C": air_C},
        "limits": {"cutoff_V": 2.9, **limits},
    }
    return assemble(content, Path("day.toml"))


# The two integrators differ by 0.06 mV and 1 mK here; drawn as straight lines between different
# minutes, the last minute before a cut-off differed by up to 18 mV and 0.1 K.
@pytest.mark.parametrize(
    "cell, watt, air_C",
    [
        ("nmc-18650-power", 10.0, 25.0),
        ("nmc-18650-power", 20.0, 25.0),
        ("nmc-18650-energy", 20.0, 25.0),
        ("nmc-21700", 10.0, 25.0),
        ("lfp-26650", 10.0, 25.0),
        ("nmc-18650-energy", 6.0, -15.0),
    ],
)
def test_a_run_that_stops_inside_a_long_leg_can_be_believed(cell, watt, air_C):
    result = simulate(one_cell(cell, watt, air_C, **({"cutoff_V": 2.5} if "lfp" in cell else {})))

    assert not result.verdict.finished
    assert result.audit.complaints == ()
    assert len(result.audit.spots) == 2
    for check in result.audit.spots:
        assert check.difference_V < 2e-4  # 0.2 mV, a tenth of what the audit lets pass
        assert check.difference_K < 5e-3
        whole_s = min(900.0, result.trace.end_s)  # a quarter hour, at its end too
        assert whole_s - KEPT_S <= check.end_s - check.start_s <= whole_s


@pytest.mark.parametrize("cell", ["nmc-18650-energy", "lfp-26650"])
def test_a_run_cut_off_in_its_first_seconds_can_be_believed(cell):
    result = simulate(one_cell(cell, 20.0, -15.0))

    assert result.trace.end_s < 10.0
    assert not result.verdict.passed
    assert result.audit.complaints == ()


@pytest.mark.parametrize(
    "column, by, volt, kelvin",
    [(CORE, 0.2, 0.0, 0.1), (FIRST_OVERVOLTAGE + 1, 0.02, 5e-3, 0.0)],
    ids=["core", "pair"],
)
def test_the_second_integrator_sees_states_that_drift_away(column, by, volt, kelvin):
    case = one_cell("nmc-18650-power", 10.0, 25.0)
    trace = simulate(case).trace
    state = trace.state.copy()
    state[:, column] += by * np.linspace(0.0, 1.0, len(state)) ** 8  # late, and so within the spot

    def again(part, start):
        settings = reference.Settings(stop_at_limits=False)
        return reference.march(case.plant, case.limits, part, start, settings)

    right = spot(case.plant, case.legs, trace, "end", trace.end_s, again)
    wrong = spot(case.plant, case.legs, trace._replace(state=state), "end", trace.end_s, again)

    assert right is not None and wrong is not None
    assert right.difference_V < 2e-4 and right.difference_K < 5e-3
    assert wrong.difference_V > volt and wrong.difference_K > kelvin


# Load edges far steeper than the march's step leave 2e-5 to 7e-5 of the load, of no account beside
# a load that nobody knows to a percent. Where they leave more, volts differ too and are told.
@pytest.mark.parametrize(
    "cell, watt, air_C",
    [("nmc-18650-energy", 20.0, 0.0), ("nmc-21700", 30.0, 0.0), ("lfp-26650", 30.0, 0.0)],
)
def test_hard_pulses_into_a_cold_cell_can_be_believed(cell, watt, air_C):
    case = one_cell(cell, watt, air_C)
    pulses = [{"power_W": watt, "duration_s": 20}, {"power_W": 0.1, "duration_s": 60}]
    content = {
        **case.scenario.model_dump(exclude_unset=True, exclude_none=True),
        "load": {"start": "08:00", "repeat": 6},
        "leg": pulses,
        "limits": {"cutoff_V": 2.0, "on_cutoff": "record", "cell_discharge_max_A": 100.0},
    }

    assert simulate(assemble(content, Path("day.toml"))).audit.complaints == ()
