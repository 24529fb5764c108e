"""The compiled march against the reference: scipy's solve_ivp on the same right-hand side.

The two share the physics and nothing else: not the steps, the root-finding, or the film's table.
Tolerances: 1 mV is a fifth of a good monitor's resolution, 10 mK a tenth of a thermocouple
logger's; the march's own error is ten times smaller and falls fourfold as its step halves.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plants import NOT_LIMITED, cell, held, plant, profile

from sim.drive.legs import Legs
from sim.files.case import read_case
from sim.integrate import march, reference
from sim.integrate.trace import Trace
from sim.judge.series import series
from sim.physics.box import AIR_AND_WALL, AIR_NODE, Box
from sim.physics.film import (
    NUMBER,
    PATCH,
    Film,
    conductance_W_K,
    quick_conductance_W_K,
    tabled,
)
from sim.physics.limits import NAMES
from sim.physics.pack import CURRENT, POWER, Pack
from sim.physics.plant import SOC, Plant, at_rest

SCENARIOS = sorted((Path(__file__).resolve().parents[1] / "scenarios").glob("*.toml"))
AGREE_V, AGREE_K, AGREE_S = 1e-3, 1e-2, 1e-2

RESISTIVE = {
    "soc": [0.0, 0.2, 1.0],
    "temperature_C": [-20.0, 0.0, 25.0, 45.0],
    "discharge_mohm": [
        [400.0, 160.0, 70.0, 60.0],
        [200.0, 80.0, 35.0, 28.0],
        [190.0, 75.0, 30.0, 25.0],
    ],
    "charge_mohm": [
        [420.0, 170.0, 75.0, 60.0],
        [220.0, 90.0, 38.0, 30.0],
        [200.0, 80.0, 33.0, 27.0],
    ],
}
CURVE = {
    "soc": [0.0, 0.05, 0.2, 0.5, 0.8, 1.0],
    "voltage_V": [2.8, 3.3, 3.5, 3.65, 3.95, 4.2],
    "entropic_mV_K": [-0.3, -0.3, 0.0, 0.1, 0.0, -0.1],
}
PAIRS = [
    {"resistance_mohm": 12.0, "time_constant_s": 4.0},
    {"resistance_mohm": 20.0, "time_constant_s": 180.0},
]
REAL = profile(
    open_circuit=CURVE,
    resistance=RESISTIVE,
    polarisation=PAIRS,
    heat={"core_J_K": 40.0, "surface_J_K": 5.0, "core_to_surface_K_W": 2.0},
)
FILM = Film(2.2e-3, 0.0184, 0.065, False, 0.8, -1.0)


def both(one: Plant, legs: Legs, start, limits=NOT_LIMITED, *, stop: bool = False):
    """Return the traces of march and reference."""
    return (
        march.march(one, limits, legs, start, march.Settings(stop_at_limits=stop)),
        reference.march(one, limits, legs, start, reference.Settings(stop_at_limits=stop)),
    )


def first(trace: Trace, points: int) -> Trace:
    """Return the first points of a trace."""
    kept = {name: getattr(trace, name)[:points] for name in ("time_s", "state", "leg")}
    return trace._replace(**kept)


def assert_agree(one: Plant, legs: Legs, ours: Trace, judge: Trace) -> None:
    assert ours.stopped_by == judge.stopped_by
    assert ours.end_s == pytest.approx(judge.end_s, abs=AGREE_S)
    assert ours.leg.tolist() == judge.leg.tolist()
    mine, theirs = series(one, legs, ours), series(one, legs, judge)
    inner = slice(None) if ours.stopped_by is None else slice(-1)
    np.testing.assert_allclose(
        mine.cell_voltage_V[inner], theirs.cell_voltage_V[inner], rtol=0, atol=AGREE_V
    )
    for name in ("core_C", "surface_C", "box_C"):
        np.testing.assert_allclose(
            getattr(mine, name)[inner], getattr(theirs, name)[inner], rtol=0, atol=AGREE_K
        )
    np.testing.assert_allclose(mine.soc, theirs.soc, rtol=0, atol=1e-5)


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_they_agree_over_every_scenario(path):
    case = read_case(path)
    stop = case.scenario.limits.on_cutoff == "stop"
    ours, judge = both(case.plant, case.legs, case.start, case.limits, stop=stop)

    assert_agree(case.plant, case.legs, ours, judge)
    assert [s.limit for s in ours.spells] == [s.limit for s in judge.spells]
    for mine, theirs in zip(ours.spells, judge.spells, strict=True):
        assert mine.start_s == pytest.approx(theirs.start_s, abs=AGREE_S)
    for name, mine, theirs in zip(NAMES, ours.worst, judge.worst, strict=True):
        # Relative for the power beyond reach, which is tens of kilowatts away.
        assert mine == pytest.approx(theirs, abs=AGREE_K, rel=1e-5), name


boxes = st.sampled_from(
    [
        Box(0, 1.0, 1.0, 0.0, 0.0, 0.0),
        Box(AIR_NODE, 900.0, 1.0, 0.0, 1.5, 5.0),
        Box(AIR_AND_WALL, 300.0, 4000.0, 8.0, 2.5, 5.0),
    ]
)
loads = st.lists(
    st.tuples(st.sampled_from([1.0, 7.0, 45.0, 600.0]), st.floats(-1.0, 4.0)),
    min_size=2,
    max_size=9,
)


@settings(max_examples=25, deadline=None)
@given(
    loads,
    boxes,
    st.sampled_from([CURRENT, POWER]),
    st.floats(0.3, 0.95),
    st.floats(-15.0, 40.0),
    st.booleans(),
)
def test_they_agree_on_any_load_in_any_box(load, box, kind, soc, ambient_C, standing):
    """Up to 4 A a cell (or 14 W), rows of 1 s to 10 min, from -15 to 40 C, to where it is empty.

    Below an empty cell the current of a power load grows without bound, and small things with it.
    """
    lengths, amounts = zip(*load, strict=True)
    pack = Pack(14, 16, 1, 0.4e-3, 6e-3)
    scale = pack.parallel if kind == CURRENT else 3.5 * pack.parallel * pack.series
    one = plant(cell(**REAL), pack=pack, film=FILM._replace(standing=standing), box=box)
    legs = held(
        np.concatenate([[0.0], np.cumsum(lengths)]),
        np.array(amounts) * scale,
        kind=kind,
        ambient_C=ambient_C,
    )
    start = at_rest(one, soc, ambient_C + 273.15, ambient_C + 273.15)

    ours, judge = both(one, legs, start)
    below = np.flatnonzero(judge.state[:, SOC] < 0.0)
    last = int(below[0]) if len(below) else len(judge.time_s)
    assert_agree(one, legs, first(ours, last), first(judge, last))


@pytest.mark.parametrize("kind, amount", [(CURRENT, 3.0), (POWER, 10.0)])
def test_error_falls_fourfold_as_the_step_halves(kind, amount):
    """Second order: 4 to within a quarter, between steps of 16 and 2 s."""
    one = plant(cell(**REAL), film=FILM._replace(fixed_W_K=0.03))
    legs = held([0.0, 1920.0], [amount], kind=kind, ambient_C=10.0)
    start = at_rest(one, 0.93, 283.15, 283.15)
    judge = reference.march(one, NOT_LIMITED, legs, start, reference.Settings("DOP853", 1e-12))
    errors = []
    for step_s in (16.0, 8.0, 4.0, 2.0):
        wide = march.Settings(longest_step_s=step_s)
        trace = march.march(one, NOT_LIMITED, legs, start, wide)
        at = np.searchsorted(judge.time_s, 600.0)
        errors.append(abs(trace.state[at, 1] - judge.state[at, 1]))
    ratios = np.array(errors[:-1]) / np.array(errors[1:])

    assert errors[-1] > 1e-9  # K; still above the judge's own error
    assert np.all((ratios > 3.0) & (ratios < 5.0)), ratios


def test_a_row_of_five_minutes_is_as_accurate_as_three_hundred_of_one_second():
    one = plant(cell(**REAL), film=FILM)
    start = at_rest(one, 0.9, 298.15, 298.15)
    coarse = march.march(one, NOT_LIMITED, held([0, 300.0], [3.0]), start)
    rows = held(np.arange(301.0), 3.0 + 1e-12 * np.arange(300))  # told apart, so not joined
    fine = march.march(one, NOT_LIMITED, rows, start)

    assert coarse.state[-1, 1] == pytest.approx(fine.state[-1, 1], abs=1e-4)  # K
    assert coarse.state[-1, 5] == pytest.approx(fine.state[-1, 5], abs=1e-6)  # V


def test_any_step_is_stable_in_temperature():
    """Nodes of 0.1 J/K and steps of 60 s: 600 of the fastest time constant."""
    light = profile(heat={"core_J_K": 0.1, "surface_J_K": 0.05, "core_to_surface_K_W": 1.0})
    one = plant(cell(**light), conductance_W_K=0.5)
    legs = held([0.0, 600.0], [3.0])
    start = at_rest(one, 0.9, 298.15, 298.15)
    trace = march.march(one, NOT_LIMITED, legs, start, march.Settings(longest_step_s=60.0))
    heat_W = 9.0 * 0.040  # I^2 (R0 + R1), the pair being full

    assert trace.state[-1, 2] - 298.15 == pytest.approx(heat_W / 0.5, abs=2e-3)
    assert np.all(trace.state[:, 1] < 298.15 + heat_W * (1.0 / 0.5 + 1.0) * 1.1)


@settings(max_examples=200, deadline=None)
@given(st.floats(-30.0, 90.0), st.floats(-60.0, 60.0), st.booleans())
def test_the_film_table_misses_the_formula_by_less_than_a_millionth(air_C, rise_K, standing):
    """Of the heat at a difference of 1 K or more; below that of the heat at 1 K."""
    film = tabled(FILM._replace(standing=standing))
    air_K = air_C + 273.15
    exact = conductance_W_K(film, air_K + rise_K, air_K)
    patch = np.zeros(PATCH)
    patch[NUMBER] = 1.0  # holds nowhere yet
    quick = quick_conductance_W_K(film, patch, air_K + rise_K, air_K)

    assert abs(quick - exact) * abs(rise_K) < 1e-6 * exact * max(abs(rise_K), 1.0)


@pytest.mark.parametrize("rise_K", [0.0, 1e-9, 0.5e-3, 1e-3, 2e-3])
def test_the_film_table_is_right_where_hardly_any_heat_flows(rise_K):
    """Below 1 mK the formula itself is held; just above it rises steeply."""
    film, patch = tabled(FILM), np.zeros(PATCH)
    patch[NUMBER] = 1.0
    exact = conductance_W_K(film, 300.0 + rise_K, 300.0)

    assert quick_conductance_W_K(film, patch, 300.0 + rise_K, 300.0) == pytest.approx(
        exact, rel=5e-5
    )


def test_machine_code_exists():
    """The march is compiled, not interpreted: numba holds a signature of it."""
    from numba import config

    if config.DISABLE_JIT:
        pytest.skip("numba's compiler is switched off for this run")
    one = plant()
    march.march(one, NOT_LIMITED, held([0, 1.0], [1.0]), at_rest(one, 0.9, 298.15, 298.15))

    assert march.run.signatures
