"""Heat in a cell and out of it against closed forms, exact series and laws.

T, C and N numbers are rows of the project's list of check values; the source of each stands beside
it.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import plants
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.linalg import expm
from scipy.special import j1, jn_zeros

from sim.drive.legs import leg_at
from sim.integrate.reference import Settings, march
from sim.judge.audit import BALANCE, balances
from sim.judge.series import totals
from sim.physics.box import AIR_AND_WALL, AIR_NODE, FREE_AIR, Box
from sim.physics.film import Film
from sim.physics.limits import BEYOND_MODEL, HOT
from sim.physics.pack import CURRENT, POWER, Pack
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE, SOC, SURFACE, at_rest, rates
from sim.units import ZERO_C_K

AIR_K = 25.0 + ZERO_C_K
ALONE = Pack(1, 1, 1, 0.0, 0.0)
TIGHT = Settings(relative=1e-11)  # so that what is left is the model's and not scipy's

# T01 to T04: two-state parameters of a 26650 in moving air, as copied in public code after
# Lin et al. and Perez et al. 2015; 15.98 K/W is the same cell in still air (from memory).
CORE_J_K, SURFACE_J_K, ACROSS_K_W, MOVING_K_W, STILL_K_W = 62.7, 4.5, 1.94, 3.08, 15.98


def bare_cell(resistance, *, core_J_K=40.5, surface_J_K=4.5, across_K_W=0.0, **over):
    """A cell that makes heat by its resistance alone: no pair, no entropy."""
    heat = {"core_J_K": core_J_K, "surface_J_K": surface_J_K, "core_to_surface_K_W": across_K_W}
    return plants.cell(capacity_Ah=400.0, polarisation=[], resistance=resistance, heat=heat, **over)


def two_nodes(air_K_W, *, resistance_mohm=250.0, pack=ALONE):
    """T01 to T04 as a plant; 2 A make 1 W in the core."""
    cell = bare_cell(
        {"discharge_mohm": resistance_mohm},
        core_J_K=CORE_J_K,
        surface_J_K=SURFACE_J_K,
        across_K_W=ACROSS_K_W,
    )
    return plants.plant(cell, pack=pack, conductance_W_K=1.0 / air_K_W)


def from_rest(plant, end_s, current_A=2.0, looks_s=(), how=TIGHT, limits=plants.NOT_LIMITED):
    """March a constant current from rest at the air's temperature."""
    legs = plants.held([0.0, end_s], [current_A], looks_s=looks_s)
    return march(plant, limits, legs, at_rest(plant, 1.0, AIR_K, AIR_K), how)


def rise_K(trace, time_s, node=CORE):
    """A node's rise over the air at an instant that the trace keeps."""
    at = np.flatnonzero(trace.time_s == time_s)
    assert len(at) > 0, f"the trace keeps no state at {time_s} s"
    return float(trace.state[at[0], node]) - AIR_K


def rates_of(plant, rises_K):
    """Rates [K/s] of core and surface at given rises, under 2 A."""
    state = at_rest(plant, 1.0, AIR_K, AIR_K)
    state[[CORE, SURFACE]] += rises_K
    leg = plants.held([0.0, 1.0], [2.0])
    rate = np.empty_like(state)
    rates(plant, leg_at(leg, plant.pack, 0), 0.0, state, rate)
    return rate[[CORE, SURFACE]]


# ---- core and surface


@pytest.mark.parametrize(
    ("air_K_W", "time_s", "core_K", "surface_K"),
    [
        # T08 to T11: K after 1 W from rest, by the matrix exponential.
        (MOVING_K_W, 60.0, 0.851936, 0.479635),
        (MOVING_K_W, 300.0, 3.035556, 1.841948),
        (MOVING_K_W, 600.0, 4.235181, 2.590368),
        (MOVING_K_W, 1200.0, 4.897247, 3.003417),
        # T12: in still air.
        (STILL_K_W, 60.0, 0.888581, 0.692245),
        (STILL_K_W, 300.0, 4.003684, 3.488402),
        (STILL_K_W, 600.0, 7.108993, 6.275797),
        (STILL_K_W, 3600.0, 17.054465, 15.203076),
        # T05, T06: settled, Rc + Ru and Ru.
        (MOVING_K_W, 9000.0, 5.02, 3.08),
    ],
)
@pytest.mark.parametrize("how", [Settings(), TIGHT], ids=["as shipped", "tight"])
def test_core_and_surface_warm_as_published(air_K_W, time_s, core_K, surface_K, how):
    trace = from_rest(two_nodes(air_K_W), time_s, how=how)

    # 1e-5 K: as shipped scipy is asked for 1e-8 of 300 K a step; tight, the print's last digit.
    abs_K = 1e-6 if how is TIGHT else 1e-5
    assert rise_K(trace, time_s) == pytest.approx(core_K, abs=abs_K)
    assert rise_K(trace, time_s, SURFACE) == pytest.approx(surface_K, abs=abs_K)


@pytest.mark.parametrize(
    ("air_K_W", "taus_s"),
    # T07; T12. Eigenvalues by numpy.
    [(MOVING_K_W, (5.2130417, 323.4009583)), (STILL_K_W, (7.3619668, 1188.132))],
)
def test_rates_have_the_published_time_constants(air_K_W, taus_s):
    plant = two_nodes(air_K_W)
    at_air = rates_of(plant, (0.0, 0.0))
    # The rates are straight lines in both temperatures, so a whole kelvin gives the derivative.
    unit = [rates_of(plant, rises_K) - at_air for rises_K in ((1.0, 0.0), (0.0, 1.0))]

    found_s = sorted(-1.0 / np.linalg.eigvals(np.stack(unit, axis=1)))

    assert found_s == pytest.approx(taus_s, rel=1e-6)  # printed to 1e-7 s or 1e-3 s


def test_rates_vanish_where_core_and_surface_settle():
    settled_K = (ACROSS_K_W + MOVING_K_W, MOVING_K_W)  # T05, T06

    assert rates_of(two_nodes(MOVING_K_W), settled_K) == pytest.approx((0.0, 0.0), abs=1e-13)


def test_a_pack_of_like_cells_warms_like_one():
    pack = Pack(4, 3, 2, 0.0, 0.0)
    lone = from_rest(two_nodes(MOVING_K_W), 600.0)

    many = from_rest(two_nodes(MOVING_K_W, pack=pack), 600.0, current_A=12.0)  # 2 A a cell

    assert many.state[:, CORE] == pytest.approx(lone.state[:, CORE], abs=1e-9)  # K


def test_joint_heat_enters_at_the_surface_and_the_core_follows():
    # 2 A through 250 mohm of joints, none in the cell: 1 W into the surface node.
    plant = two_nodes(MOVING_K_W, resistance_mohm=0.0, pack=Pack(1, 1, 1, 0.25, 0.0))

    trace = from_rest(plant, 9000.0)

    assert rise_K(trace, 9000.0, SURFACE) == pytest.approx(MOVING_K_W, abs=1e-6)
    assert rise_K(trace, 9000.0) == pytest.approx(MOVING_K_W, abs=1e-6)  # nothing flows between
    across, out = 1.0 / ACROSS_K_W, 1.0 / MOVING_K_W
    matrix = np.array(
        [
            [-across / CORE_J_K, across / CORE_J_K],
            [across / SURFACE_J_K, -(across + out) / SURFACE_J_K],
        ]
    )
    for time_s in (60.0, 300.0, 1200.0):
        core_K, surface_K = MOVING_K_W - expm(matrix * time_s) @ np.full(2, MOVING_K_W)
        assert core_K < surface_K
        assert rise_K(trace, time_s) == pytest.approx(core_K, abs=1e-6)
        assert rise_K(trace, time_s, SURFACE) == pytest.approx(surface_K, abs=1e-6)


def test_leads_are_lossy_and_heat_no_cell():
    # 2s 3p, 6 A through 0.5 ohm: 18 W of leads shared by 6 cells, and not one kelvin.
    plant = two_nodes(MOVING_K_W, resistance_mohm=0.0, pack=Pack(2, 3, 1, 0.0, 0.5))

    trace = from_rest(plant, 600.0, current_A=6.0)

    assert np.all(trace.state[:, [CORE, SURFACE]] == AIR_K)
    assert totals(trace)["lead_J"] == pytest.approx(18.0 * 600.0 / 6.0, rel=1e-9)


# ---- a cylinder heated through and through

CONDUCTIVITY_W_MK, LENGTH_M, RADIUS_M = 0.698, 0.06515, 0.01293  # Kim et al. 2013, via public code
VOLUME_HEAT_J_M3K = 2047.0 * 1148.1


def held_cylinder(resistance_share):
    """A cell of the cylinder's heat capacity behind 1/(share pi k L), surface held at the air's."""
    volume_m3 = math.pi * RADIUS_M**2 * LENGTH_M
    cell = bare_cell(
        {"discharge_mohm": 250.0},
        core_J_K=VOLUME_HEAT_J_M3K * volume_m3,
        surface_J_K=1e-2,
        across_K_W=1.0 / (resistance_share * math.pi * CONDUCTIVITY_W_MK * LENGTH_M),
    )
    return plants.plant(cell, conductance_W_K=1e4)


@pytest.mark.parametrize(
    ("conductivity_W_mK", "length_m", "axis_K_W"),
    [
        (0.698, 0.06515, 1.7499),  # T13: q / (4 pi k L), the axis over the surface
        (0.2, 0.065, 6.1213),  # T18, the same for the band of published conductivities
        (1.0, 0.065, 1.2243),
        (3.18, 0.065, 0.3850),
    ],
)
def test_core_stands_over_surface_as_axis_or_mean_of_a_cylinder(
    conductivity_W_mK, length_m, axis_K_W
):
    # The profile r^2 / R^2 has half the axis' rise for its mean (T14: 0.8750 K/W for the first).
    for share, settled_K in ((4.0, axis_K_W), (8.0, 0.5 * axis_K_W)):
        across_K_W = 1.0 / (share * math.pi * conductivity_W_mK * length_m)
        cell = bare_cell({"discharge_mohm": 250.0}, across_K_W=across_K_W)
        state = from_rest(plants.plant(cell, conductance_W_K=0.5), 3600.0).state[-1]

        assert state[CORE] - state[SURFACE] == pytest.approx(settled_K, rel=2e-4)  # four digits


def exact_rises(fourier):
    """Axis and mean of a cylinder heated evenly from rest, surface held, as k T / (g R^2).

    Green's function series of the University of Nebraska's library, eq. 24.
    """
    roots = jn_zeros(0, 60)
    decay = np.exp(-(roots**2) * fourier)
    axis = 0.25 - 2.0 * np.sum(decay / (roots**3 * j1(roots)))
    return axis, 0.125 - 4.0 * np.sum(decay / roots**4)


@pytest.mark.parametrize(
    ("fourier", "axis", "mean"),
    # T16, T17, printed to 1e-6.
    [(0.1, 0.096297, 0.057719), (0.2, 0.162949, 0.087372), (0.5, 0.234630, 0.118364)],
)
def test_the_series_is_summed_as_the_list_of_check_values_has_it(fourier, axis, mean):
    assert exact_rises(fourier) == pytest.approx((axis, mean), abs=1e-6)


@pytest.mark.parametrize(
    ("share", "which", "fourier", "excess"),
    [
        # A lumped node forgets that heat near the surface leaves first: its mean comes early,
        (8.0, 1, 0.1, 0.193),
        (8.0, 1, 0.2, 0.142),
        (8.0, 1, 0.5, 0.037),
        (8.0, 1, 1.0, 0.003),
        # while an axis that carries the whole cylinder's heat capacity comes late.
        (4.0, 0, 0.1, -0.144),
        (4.0, 0, 0.2, -0.155),
        (4.0, 0, 0.5, -0.079),
        (4.0, 0, 1.0, -0.015),
    ],
)
def test_lumped_core_misses_a_sudden_load_by_a_known_share(share, which, fourier, excess):
    # (1 - exp(-8 Fo))/8 and (1 - exp(-4 Fo))/4 against the series. Fo = 1 is 9 minutes for this
    # cell, and 1 W is 1.7 K at its axis: in still air the same error stands beside 16 K of film.
    time_s = fourier * RADIUS_M**2 * VOLUME_HEAT_J_M3K / CONDUCTIVITY_W_MK

    trace = from_rest(held_cylinder(share), time_s, looks_s=[time_s])

    found = rise_K(trace, time_s) * math.pi * CONDUCTIVITY_W_MK * LENGTH_M  # of 1 W
    # 1e-3: the surface stands 1e-4 K up, and the excess is given to three places.
    assert found / exact_rises(fourier)[which] - 1.0 == pytest.approx(excess, abs=1e-3)


# ---- one lumped node


@pytest.mark.parametrize(
    ("diameter_m", "density_kg_m3", "heat_J_kgK", "film_W_m2K", "printed_s", "abs_s"),
    [
        (
            1.0e-3,
            8500.0,
            320.0,
            210.0,
            9.94,
            5e-3,
        ),  # C25: Cengel, Example 4-1; the book rounds to 10
        (1.5e-3, 8000.0, 300.0, 75.0, 36.84, 5e-3),  # C26: Som, Example 4.2
    ],
    ids=["C25", "C26"],
)
def test_small_sphere_has_come_99_percent_of_the_way_when_the_textbook_says(
    diameter_m, density_kg_m3, heat_J_kgK, film_W_m2K, printed_s, abs_s
):
    capacity_J_K = density_kg_m3 * heat_J_kgK * math.pi / 6.0 * diameter_m**3
    # Behind the file's checks, which take no cell as small as that.
    cell = bare_cell({"discharge_mohm": 0.0})._replace(
        core_J_K=0.9 * capacity_J_K, surface_J_K=0.1 * capacity_J_K
    )
    plant = plants.plant(cell, conductance_W_K=film_W_m2K * math.pi * diameter_m**2)
    hot = plants.NOT_LIMITED._replace(core_max_K=AIR_K + 1.0)
    start = at_rest(plant, 1.0, AIR_K + 100.0, AIR_K)

    trace = march(plant, hot, plants.held([0.0, 60.0], [0.0]), start, TIGHT)

    (spell,) = trace.spells
    assert spell.limit == HOT
    assert spell.end_s == pytest.approx(printed_s, abs=abs_s)
    tau_s = density_kg_m3 * heat_J_kgK * diameter_m / (6.0 * film_W_m2K)
    assert spell.end_s == pytest.approx(tau_s * math.log(100.0), abs=1e-4)  # 1e-7 K of 0.1 K/s


def test_one_node_warms_along_an_exponential():
    # N07: 45 J/K, 0.045 W/K, 1 W.
    trace = from_rest(
        plants.plant(bare_cell({"discharge_mohm": 250.0})), 3000.0, looks_s=[100.0, 500.0, 1000.0]
    )

    found_K = [rise_K(trace, time_s) for time_s in (100.0, 500.0, 1000.0, 3000.0)]

    printed_K = (2.114724, 8.743763, 14.047124, 21.115843)
    assert found_K == pytest.approx(printed_K, abs=1e-6)  # the print's last digit


@pytest.mark.parametrize("current_A", [2.0, -2.0])
def test_entropy_heats_on_discharge_and_cools_on_charge(current_A):
    # E09, E10: Huang et al. 2006, J. Power Sources 156, 541, lithium cobalt oxide: -29.78 J/(K mol)
    # is -0.308648 mV/K, and 0.091977 W/A at 298 K on discharge.
    curve = {"soc": [0.0, 1.0], "voltage_V": [3.0, 4.2], "entropic_mV_K": [-0.308648] * 2}
    plant = plants.plant(bare_cell({"discharge_mohm": 0.0}, open_circuit=curve))

    trace = from_rest(plant, 1800.0, current_A=current_A)

    # 45 J/K, 0.045 W/K; the heat is a straight line in the cell's own temperature.
    heat_W_K = current_A * 0.091977 / 298.0
    slowed_W_K = 0.045 - heat_W_K
    settled_K = heat_W_K * AIR_K / slowed_W_K
    rises_K = settled_K * (1.0 - np.exp(-slowed_W_K * trace.time_s / 45.0))
    assert trace.state[:, CORE] - AIR_K == pytest.approx(rises_K, rel=2e-5)  # E10's five digits


def growing(share_K, columns_C):
    """0.5 ohm at 25 C, and `share_K` of it more for each kelvin, tabled at `columns_C`."""
    warm_K = [float(column_C) - 25.0 for column_C in columns_C]
    row = [500.0 * (1.0 + share_K * rise) for rise in warm_K]
    return {
        "soc": [0.0, 1.0],
        "temperature_C": [25.0 + rise for rise in warm_K],
        "discharge_mohm": [row, row],
    }


@pytest.mark.parametrize(
    ("share_K", "printed_K"),
    [
        # Section 7.2 of the references (N05 is one of them): 2 W at 25 C, that falls or grows.
        (-0.01, {300.0: 10.820174, 1000.0: 23.511474, 1800.0: 28.483890, 3600.0: 30.599490}),
        (0.00393, {300.0: 11.810870, 1000.0: 30.259077, 3600.0: 51.090911}),
    ],
)
@pytest.mark.parametrize(
    ("columns_K", "abs_K"),
    [
        # Inside, tables stand on half kelvins from their first column, with straight lines
        # between: so a straight law tabled there is followed exactly.
        (0.25, 1e-6),  # the print's last digit
        (0.5, 1e-6),
        # Between columns the file's table is a straight line in log R over 1/T, as cells have
        # it and this law has not: 1.4 mK and 13 mK measured.
        (2.0, 2e-3),
        (5.0, 15e-3),
    ],
)
def test_one_node_whose_resistance_follows_its_warmth(share_K, printed_K, columns_K, abs_K):
    columns_C = np.arange(25.0, 85.1, columns_K)
    plant = plants.plant(bare_cell(growing(share_K, columns_C)))

    trace = from_rest(plant, 3600.0, looks_s=list(printed_K))

    found_K = {time_s: rise_K(trace, time_s) for time_s in printed_K}
    assert found_K == pytest.approx(printed_K, abs=abs_K)


@pytest.mark.parametrize(
    ("share_K", "end_s"),
    [
        # 125 K up, where the model ends. Above a q0 = G the rise is exponential, at it straight.
        (0.03, 45.0 / 0.015 * math.log1p(125.0 * 0.015 / 2.0)),
        (0.0225, 125.0 * 45.0 / 2.0),
    ],
)
def test_heat_that_grows_faster_than_cooling_runs_away(share_K, end_s):
    plant = plants.plant(bare_cell(growing(share_K, np.arange(25.0, 180.1, 0.5))))

    trace = from_rest(plant, 20_000.0)

    assert trace.stopped_by == BEYOND_MODEL
    assert trace.end_s == pytest.approx(end_s, abs=1e-3)  # s; 1e-6 K of 0.05 K/s and more
    assert np.all(np.diff(trace.state[:, CORE]) > 0.0)


def test_heat_that_grows_slower_than_cooling_settles():
    # a = 0.01: q0 / (G - a q0) = 80 K.
    plant = plants.plant(bare_cell(growing(0.01, np.arange(25.0, 180.1, 0.5))))

    trace = from_rest(plant, 40_000.0)

    assert trace.stopped_by is None
    assert rise_K(trace, 40_000.0) == pytest.approx(80.0, abs=1e-5)


# ---- laws

STILL_FILM = Film(3.757e-3 * 0.6, 0.0184, 0.065, True, 0.8, -1.0)
BOXES = (
    Box(FREE_AIR, 1.0, 1.0, 0.0, 0.0, 0.0),
    Box(AIR_NODE, 900.0, 1.0, 0.0, 1.0, 2.0),
    Box(AIR_AND_WALL, 80.0, 800.0, 1.5, 1.0, 2.0),
)
# Resistance as of a cold cell: five times that of 25 C at -20 C, and more of it near empty.
COLD_AND_EMPTY = {
    "soc": [0.0, 0.2, 1.0],
    "temperature_C": [-20.0, 25.0, 60.0],
    "discharge_mohm": [[250.0, 60.0, 30.0], [150.0, 30.0, 15.0], [125.0, 25.0, 12.0]],
}
TWO_NODES = {"core_J_K": 40.0, "surface_J_K": 5.0, "core_to_surface_K_W": 2.0}
FEW = settings(max_examples=25, deadline=None)  # each runs a march or two; the first may compile
# Nothing, or 0.1 A and more: at 10 mA the rounding of 300 K is already 5e-8 of a cell's heat.
CURRENT_A = st.just(0.0) | st.floats(-3.0, -0.1) | st.floats(0.1, 9.0)
CURRENTS = st.lists(CURRENT_A, min_size=1, max_size=5)
ROWS_S = st.lists(st.floats(20.0, 1500.0), min_size=5, max_size=5)


def edges_s(rows_s, values):
    """Edges of as many rows as there are values."""
    return np.concatenate([[0.0], np.cumsum(rows_s[: len(values)])])


@pytest.mark.parametrize(
    ("how", "share"),
    # As shipped, what the audit lets pass (1e-6 measured); tight, what rounding leaves.
    [(Settings(), BALANCE), (TIGHT, 1e-8)],
    ids=["as shipped", "tight"],
)
@FEW
@given(
    kind=st.sampled_from([CURRENT, POWER]),
    values=CURRENTS,
    rows_s=ROWS_S,
    box=st.sampled_from(BOXES),
    lumped=st.booleans(),
    entropic_mV_K=st.sampled_from([-0.3, 0.0, 0.2]),
    sun_W=st.floats(0.0, 30.0),
)
def test_what_is_made_is_stored_or_lost(
    how, share, kind, values, rows_s, box, lumped, entropic_mV_K, sun_W
):
    curve = {"soc": [0.0, 1.0], "voltage_V": [3.0, 4.2], "entropic_mV_K": [entropic_mV_K] * 2}
    heat = {**TWO_NODES, "core_to_surface_K_W": 0.0} if lumped else TWO_NODES
    cell = plants.cell(open_circuit=curve, resistance=COLD_AND_EMPTY, heat=heat)
    plant = plants.plant(cell, pack=Pack(4, 2, 1, 0.002, 0.01), film=STILL_FILM, box=box)
    load = np.array(values) * (2.0 if kind == CURRENT else 25.0)
    legs = plants.held(edges_s(rows_s, values), load, kind=kind, sun_W=sun_W)

    trace = march(plant, plants.NOT_LIMITED, legs, at_rest(plant, 0.6, AIR_K, AIR_K), how)

    for name, residual in balances(plant, legs, trace).items():
        assert residual is None or residual < share, name  # of what flowed


@FEW
@given(values=CURRENTS, rows_s=ROWS_S)
def test_what_the_chemistry_gives_is_found_again_outside(values, rows_s):
    # Both ends of the energy are worked out here, from states alone and the load's own amounts:
    # the charge's energy from the straight line 3.0 + 1.2 s, the air's from temperatures.
    plant = plants.plant(pack=Pack(1, 1, 1, 0.002, 0.01))  # 45 J/K, 0.045 W/K; 25 mohm and a pair
    legs = plants.held(edges_s(rows_s, values), values)
    past_empty = replace(TIGHT, stop_at_limits=False)  # the line goes on there

    trace = march(plant, plants.NOT_LIMITED, legs, at_rest(plant, 0.6, AIR_K, AIR_K), past_empty)

    first, last, sums = trace.state[0], trace.state[-1], totals(trace)
    s0, s1 = first[SOC], last[SOC]
    chemical_J = 3.0 * 3600.0 * (3.0 * (s0 - s1) + 0.6 * (s0**2 - s1**2))
    pair_J = 0.5 * 2000.0 * last[FIRST_OVERVOLTAGE] ** 2  # 15 mohm, 30 s
    warm_J = 45.0 * (last[CORE] - AIR_K)
    lead_J = 0.01 * sum(
        current_A**2 * length_s
        for current_A, length_s in zip(legs.value, legs.end_s - legs.start_s, strict=True)
    )
    found_J = sums["delivered_J"] + lead_J + pair_J + warm_J + sums["to_air_J"]
    assert trace.stopped_by is None
    # 1e-4 J of up to 30 kJ: what 1e-11 of 300 K and of the sums allow.
    assert found_J == pytest.approx(chemical_J, abs=1e-4)
    air_J = 0.045 * trapezoid(trace.state[:, CORE] - AIR_K, trace.time_s)
    assert sums["to_air_J"] == pytest.approx(air_J, abs=0.5, rel=2e-3)  # states 60 s apart


def cores_C(plant, currents_A, rows_s, air_C=25.0, start_C=None):
    """Core temperatures of a run, and when."""
    legs = plants.held(edges_s(rows_s, currents_A), currents_A, ambient_C=air_C)
    begin_K = (air_C if start_C is None else start_C) + ZERO_C_K
    start = at_rest(plant, 1.0, begin_K, air_C + ZERO_C_K)
    trace = march(plant, plants.NOT_LIMITED, legs, start, TIGHT)
    return trace.time_s, trace.state[:, CORE] - ZERO_C_K


def never_hotter(cooler, hotter):
    """Whether the first of two runs is nowhere hotter, over the time that both have."""
    both_s, here, there = np.intersect1d(cooler[0], hotter[0], return_indices=True)
    assert len(both_s) > 1
    return bool(np.all(cooler[1][here] <= hotter[1][there] + 1e-5))  # K, the integrators' own


@FEW
@given(
    currents_A=CURRENTS,
    rows_s=ROWS_S,
    air_C=st.floats(-20.0, 40.0),
    hotter_K=st.floats(0.0, 20.0),
    box=st.sampled_from(BOXES),
)
def test_hotter_air_never_gives_a_cooler_core(currents_A, rows_s, air_C, hotter_K, box):
    # True although a warmer cell makes less heat: at equal temperatures it makes as much. Pairs
    # have no temperature here, or what they remember could reverse it by a hair.
    cell = plants.cell(capacity_Ah=30.0, resistance=COLD_AND_EMPTY, heat=TWO_NODES)
    plant = plants.plant(cell, film=STILL_FILM, box=box)

    mild = cores_C(plant, currents_A, rows_s, air_C)
    hot = cores_C(plant, currents_A, rows_s, air_C + hotter_K)

    assert never_hotter(mild, hot)


@FEW
@given(
    currents_A=CURRENTS,
    rows_s=ROWS_S,
    share=st.floats(0.05, 1.0),
    more=st.floats(1.0, 5.0),
    air_C=st.floats(-20.0, 40.0),
)
def test_more_cooling_never_gives_a_hotter_core(currents_A, rows_s, share, more, air_C):
    cell = plants.cell(capacity_Ah=30.0, resistance=COLD_AND_EMPTY, heat=TWO_NODES)
    little = STILL_FILM._replace(area_m2=STILL_FILM.area_m2 * share)
    much = little._replace(area_m2=little.area_m2 * more)

    warm, cool = (
        cores_C(plants.plant(cell, film=film), currents_A, rows_s, air_C) for film in (little, much)
    )

    assert never_hotter(cool, warm)


@FEW
@given(
    currents_A=CURRENTS,
    rows_s=ROWS_S,
    parallel=st.integers(1, 6),
    added=st.integers(1, 6),
    box=st.sampled_from(BOXES),
)
def test_more_cells_in_parallel_never_give_a_hotter_core(currents_A, rows_s, parallel, added, box):
    # The same current of the pack. Resistance that grows towards empty and in the cold is in it.
    cell = plants.cell(capacity_Ah=6.0, resistance=COLD_AND_EMPTY, heat=TWO_NODES)
    few, many = (
        cores_C(
            plants.plant(cell, pack=Pack(4, n, 1, 0.001, 0.01), film=STILL_FILM, box=box),
            currents_A,
            rows_s,
        )
        for n in (parallel, parallel + added)
    )

    assert never_hotter(many, few)
