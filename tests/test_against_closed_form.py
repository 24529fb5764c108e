"""One cell and its pack against closed forms, a published cell, and measured resistances.

T, D and E numbers are rows of the project's list of check values; the source of each stands beside
it.
"""

from __future__ import annotations

import math

import numpy as np
import plants
import pytest
from plants import NOT_LIMITED, each_marcher, settings

from sim.judge.series import series, totals
from sim.judge.verdict import judge
from sim.physics.cell import DISCHARGE, layer, open_circuit, pair
from sim.physics.limits import BEYOND_REACH, CUTOFF
from sim.physics.pack import POWER, Pack, current_for_power_A
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE, TOTALS, at_rest
from sim.units import ZERO_C_K

AIR_K = 25.0 + ZERO_C_K
FARADAY_C_MOL = 96485.332  # CODATA 2018


def run(march, plant, legs, how="careful", *, soc=1.0, core_K=AIR_K, limits=NOT_LIMITED, **over):
    """March from rest; returns the trace and what can be seen along it."""
    trace = march(
        plant, limits, legs, at_rest(plant, soc, core_K, AIR_K), settings(march, how, **over)
    )
    return trace, series(plant, legs, trace)


def at(trace, time_s):
    """The first point that the trace keeps at an instant."""
    found = np.flatnonzero(trace.time_s == time_s)
    assert len(found) > 0, f"the trace keeps no state at {time_s} s"
    return int(found[0])


def total(trace, name, point=-1):
    """One of the trace's sums at a point of it."""
    return float(trace.state[point, len(trace.state[0]) - len(TOTALS) + TOTALS.index(name)])


# ---- one polarisation pair: the cell of plants.py is that of E11


def in_pair_J(trace, point):
    """What went into the pair, what it made of it as heat, and what it holds [J]."""
    heat_J, stored_J = total(trace, "pair_J", point), total(trace, "pair_stored_J", point)
    return heat_J + stored_J, heat_J, stored_J


@pytest.fixture(params=plants.MARCHERS, ids=plants.MARCHER_IDS, scope="module")
def one_pair(request):
    """Half an hour at 3 A from full, kept at every row of E11."""
    legs = plants.held([0.0, 1800.0], [3.0], looks_s=[10.0, 30.0, 60.0, 300.0])
    return run(request.param, plants.plant(), legs)


# E11, E12 and the table they are rows of. Closed form: V1 = I R1 (1 - exp(-t/tau)).
ONE_PAIR = [
    (0.0, 4.1250000, 0.0, 0.0, 0.0, 0.0),
    (10.0, 4.1089106, 0.0127561, 0.201952, 0.039234, 0.162718),
    (30.0, 4.0865546, 0.0284454, 1.489912, 0.680770, 0.809142),
    (60.0, 4.0660901, 0.0389099, 4.598108, 3.084127, 1.513981),
    (300.0, 3.9800020, 0.0449980, 36.450184, 34.425368, 2.024816),
    (1800.0, 3.4800000, 0.0450000, 238.950000, 236.925000, 2.025000),
]


@pytest.mark.parametrize(("time_s", "cell_V", "pair_V", "in_J", "heat_J", "stored_J"), ONE_PAIR)
def test_one_pair_under_constant_current(one_pair, time_s, cell_V, pair_V, in_J, heat_J, stored_J):
    trace, seen = one_pair
    point = at(trace, time_s)

    # As printed: to 1e-7 V and 1e-6 J.
    assert seen.cell_voltage_V[point] == pytest.approx(cell_V, abs=1e-7)
    assert trace.state[point, FIRST_OVERVOLTAGE] == pytest.approx(pair_V, abs=1e-7)
    assert in_pair_J(trace, point) == pytest.approx((in_J, heat_J, stored_J), abs=1e-6)


@each_marcher
def test_a_pair_relaxes_after_a_pulse(march):
    legs = plants.held([0.0, 60.0, 700.0], [3.0, 0.0], looks_s=[90.0, 120.0, 180.0])

    trace, seen = run(march, plants.plant(), legs)

    # The minute took 180 of 10800 As, and 20 mV of 1.2 V with it.
    # E13, 30, 60 and 120 s after a minute at 3 A: closed form, printed to 1e-8 V.
    for time_s, pair_V in ((90.0, 0.01431416), (120.0, 0.00526588), (180.0, 0.00071266)):
        point = at(trace, time_s)
        assert trace.state[point, FIRST_OVERVOLTAGE] == pytest.approx(pair_V, abs=1e-8)
        assert seen.cell_voltage_V[point] == pytest.approx(4.18 - pair_V, abs=2e-8)


@each_marcher
def test_heat_of_resistors_and_bernardi_differ_by_what_the_pair_still_holds(march):
    # I (E - V) of Bernardi, Pawlikowski and Newman counts 4.598108 J for the pair in the first
    # minute (E12), its resistor makes 3.084127; the rest comes out while the pair relaxes.
    legs = plants.held([0.0, 60.0, 1200.0], [3.0, 0.0])

    trace, _ = run(march, plants.plant(), legs)

    pulse = at(trace, 60.0)
    ohmic_J = 3.0**2 * 0.025 * 60.0
    open_J = total(trace, "chemical_J", pulse)
    bernardi_J = open_J - total(trace, "cell_J", pulse)
    assert bernardi_J == pytest.approx(ohmic_J + 4.598108, abs=1e-6)
    assert total(trace, "ohmic_J", pulse) == pytest.approx(ohmic_J, abs=1e-9)
    assert in_pair_J(trace, -1) == pytest.approx((4.598108, 4.598108, 0.0), abs=1e-6)
    # The open circuit falls from 4.2 V by 1.2 V x 180 As / 10800 As.
    assert open_J == pytest.approx(180.0 * (4.2 - 0.5 * 1.2 * 180.0 / 10800.0), rel=1e-9)


# ---- power, leads and joints: a battery of 3.6 V and 50 mohm


def flat_cell(discharge_mohm=50.0, **over):
    """3.6 V at any charge, no pair; big enough for its charge not to matter."""
    flat = {"soc": [0.0, 1.0], "voltage_V": [3.6, 3.6], **over.pop("open_circuit", {})}
    resistance = {"discharge_mohm": discharge_mohm}
    return plants.cell(
        capacity_Ah=100.0, polarisation=[], open_circuit=flat, resistance=resistance, **over
    )


def test_power_takes_the_smaller_root():
    current_A, room_W = current_for_power_A(3.6, 0.05, 20.0)

    # E14: the quadratic's root, printed to 1e-7; the greatest power is E^2 / 4R = 64.8 W.
    assert current_A == pytest.approx(6.0667409, abs=1e-7)
    assert 3.6 - 0.05 * current_A == pytest.approx(3.2966630, abs=1e-7)
    assert room_W == pytest.approx(64.8 - 20.0, rel=1e-12)


def test_beyond_the_greatest_power_the_current_stays_and_the_room_says_so():
    for power_W in (64.9, 100.0):
        assert current_for_power_A(3.6, 0.05, power_W) == pytest.approx((36.0, 64.8 - power_W))


@each_marcher
def test_a_run_holds_power_at_the_smaller_root(march):
    trace, seen = run(
        march, plants.plant(flat_cell()), plants.held([0.0, 60.0], [20.0], kind=POWER)
    )

    assert seen.cell_current_A == pytest.approx(6.0667409, abs=1e-7)  # E14, as printed
    assert seen.cell_voltage_V == pytest.approx(3.2966630, abs=1e-7)
    assert seen.power_W == pytest.approx(20.0, rel=1e-12)
    assert trace.worst[BEYOND_REACH] == pytest.approx(44.8, rel=1e-12)
    assert trace.spells == ()


@each_marcher
@pytest.mark.parametrize(("power_W", "reached"), [(64.799, True), (64.801, False)])
def test_the_greatest_power_is_that_of_matched_resistance(march, power_W, reached):
    legs = plants.held([0.0, 60.0], [power_W], kind=POWER)

    trace, _ = run(march, plants.plant(flat_cell()), legs, "shipped")

    assert (trace.stopped_by is None) == reached
    assert trace.worst[BEYOND_REACH] == pytest.approx(64.8 - power_W, abs=1e-12)


@each_marcher
def test_power_beyond_reach_is_an_event_and_its_shortfall_is_counted(march):
    # 80 W of a cell that has 64.8 W, for the middle one of three minutes.
    plant = plants.plant(flat_cell())
    legs = plants.held([0.0, 60.0, 120.0, 180.0], [20.0, 80.0, 20.0], kind=POWER)

    trace, seen = run(march, plant, legs, stop_at_limits=False)

    (event,) = judge(NOT_LIMITED, legs, trace).events
    assert (event.event, event.time_s, event.until_s) == ("power beyond reach", 60.0, 120.0)
    assert (event.value, event.limit) == pytest.approx((80.0, 64.8), rel=1e-12)
    found = totals(trace)
    assert found["short_J"] == pytest.approx(60.0 * (80.0 - 64.8), rel=1e-9)
    assert found["delivered_J"] == pytest.approx(60.0 * (20.0 + 64.8 + 20.0), rel=1e-9)
    assert np.max(seen.cell_current_A) == pytest.approx(36.0, rel=1e-12)  # E / 2R, not more


@each_marcher
@pytest.mark.parametrize(("kind", "asked"), [(0, 12.0), (POWER, 82.944)])
def test_joints_and_leads_by_kirchhoff(march, kind, asked):
    # Two packs of 2s 3p, 2 mohm a joint and 30 mohm of leads, 12 A in all. By hand: 6 A a pack
    # and 2 A a cell; 3.6 - 2 x 0.025 = 3.55 V at a cell, 2 x (3.55 - 2 x 0.002) - 6 x 0.03 =
    # 6.912 V at a pack's terminals, 2 x 6 x 6.912 = 82.944 W.
    pack = Pack(2, 3, 2, 0.002, 0.030)
    plant = plants.plant(flat_cell(25.0), pack=pack)

    trace, seen = run(march, plant, plants.held([0.0, 100.0], [asked], kind=kind))

    exactly = {"rel": 1e-12}
    assert seen.pack_current_A == pytest.approx(6.0, **exactly)
    assert seen.cell_current_A == pytest.approx(2.0, **exactly)
    assert seen.cell_voltage_V == pytest.approx(3.55, **exactly)
    assert seen.pack_voltage_V == pytest.approx(6.912, **exactly)
    assert seen.power_W == pytest.approx(82.944, **exactly)
    assert seen.heat_W == pytest.approx(2.0**2 * (0.025 + 0.002), **exactly)
    found = totals(trace)  # of one of the 12 cells, over 100 s
    assert found["joint_J"] == pytest.approx(100.0 * 2.0**2 * 0.002, rel=1e-9)
    assert found["lead_J"] == pytest.approx(100.0 * 2.0 * 6.0**2 * 0.030 / 12.0, rel=1e-9)
    assert found["delivered_J"] == pytest.approx(100.0 * 82.944 / 12.0, rel=1e-9)


# ---- a published cell: Chen and Rincon-Mora, IEEE Trans. Energy Conv. 21 (2006) 504, 850 mAh.
# Equations as two independent public copies have them, minus sign before z^2 (the other sign,
# found in some copies, gives 4.34 V when full).

Z = np.linspace(0.0, 1.0, 2001)
# Both published capacitances turn negative near empty, the greater below z = 0.0112: held at
# what they are at 0.014, which is below where any of the runs reaches 3.0 V.
Z_HELD = np.maximum(Z, 0.014)


def published_cell():
    """The published equations as tables on 2001 points of charge."""
    open_V = -1.031 * np.exp(-35.0 * Z) + 3.685 + 0.2156 * Z - 0.1178 * Z**2 + 0.3201 * Z**3

    def column(values):
        return np.asarray(values)[:, None].tolist()

    short = {
        "resistance_mohm": column(1e3 * (0.3208 * np.exp(-29.14 * Z) + 0.04669)),
        "capacitance_F": column(-752.9 * np.exp(-13.51 * Z_HELD) + 703.6),
    }
    long = {
        "resistance_mohm": column(1e3 * (6.603 * np.exp(-155.2 * Z) + 0.04984)),
        "capacitance_F": column(-6056.0 * np.exp(-27.12 * Z_HELD) + 4475.0),
    }
    series_mohm = column(1e3 * (0.1562 * np.exp(-24.37 * Z) + 0.07446))
    return plants.cell(
        capacity_Ah=0.85,
        open_circuit={"soc": Z.tolist(), "voltage_V": open_V.tolist()},
        resistance={"soc": Z.tolist(), "temperature_C": [25.0], "discharge_mohm": series_mohm},
        polarisation=[short, long],
    )


CHEN = published_cell()


@pytest.mark.parametrize(
    ("soc", "open_V"),
    # E01, printed to 1e-5 V.
    [
        (0.0, 2.65400),
        (0.1, 3.67457),
        (0.2, 3.72503),
        (0.5, 3.80336),
        (0.8, 3.94598),
        (1.0, 4.10290),
    ],
)
def test_published_open_circuit_voltage(soc, open_V):
    assert open_circuit(CHEN, soc, AIR_K)[0] == pytest.approx(open_V, abs=6e-6)


@pytest.mark.parametrize(
    ("soc", "series_ohm", "short_s", "long_s"),
    # E02, E03 and the table beside them: printed to 1e-5 ohm and 0.01 s.
    [
        (1.0, 0.07446, 32.85, 223.03),
        (0.5, 0.07446, 32.81, 223.03),
        (0.2, 0.07565, 31.11, 221.70),
        (0.1, 0.08812, 32.60, 203.00),
        (0.05, 0.12064, 38.91, 153.46),
    ],
)
def test_published_resistances_and_time_constants(soc, series_ohm, short_s, long_s):
    assert layer(CHEN, soc, AIR_K, DISCHARGE) == pytest.approx(series_ohm, abs=6e-6)
    # 0.006 s: half the last digit, and the chord of the table.
    assert pair(CHEN, soc, AIR_K, 0)[1] == pytest.approx(short_s, abs=0.006)
    assert pair(CHEN, soc, AIR_K, 1)[1] == pytest.approx(long_s, abs=0.006)


def test_published_resistances_of_the_pairs_at_half_charge():
    ohm = [pair(CHEN, 0.5, AIR_K, k)[0] for k in (0, 1)]

    assert ohm == pytest.approx([0.04669, 0.04984], abs=1e-6)  # E02


@each_marcher
def test_published_cell_holds_the_integral_of_its_open_circuit_voltage(march):
    legs = plants.held([0.0, 3060.0], [1.0])

    trace, _ = run(march, plants.plant(CHEN), legs, stop_at_limits=False)

    # E04, 3.233486 Wh by scipy's quad; chords over 1/2000 of charge add 2e-7 of it.
    assert totals(trace)["chemical_J"] / 3600.0 == pytest.approx(3.233486, rel=1e-6)


@each_marcher
@pytest.mark.parametrize(
    ("current_A", "to_3_V_s", "half_V"),
    # E05, by LSODA on the published equations; printed to 0.01 s and 1e-5 V.
    [
        (0.08, 37701.15, 3.78968),
        (0.32, 9380.02, 3.74865),
        (0.64, 4662.67, 3.69393),
        (0.85, 3497.47, 3.65803),
    ],
)
def test_published_cell_reaches_three_volt_as_published(march, current_A, to_3_V_s, half_V):
    half_s = 0.5 * 3060.0 / current_A
    legs = plants.held([0.0, 3060.0 / current_A], [current_A], looks_s=[half_s])

    trace, seen = run(march, plants.plant(CHEN), legs, limits=NOT_LIMITED._replace(cutoff_V=3.0))

    assert trace.stopped_by == CUTOFF
    # 1e-5: chords over 1/2000 of charge; the check itself asks for 5e-4.
    assert trace.end_s == pytest.approx(to_3_V_s, rel=1e-5)
    assert seen.cell_voltage_V[at(trace, half_s)] == pytest.approx(half_V, abs=6e-6)


# ---- reversible heat


# E07: -29.78 J/(K mol) overall, LiCoO2/graphite, charged cell on discharge; Huang, Yan and Jiang,
# J. Power Sources 156 (2006) 541, abstract.
ENTROPY_J_K_MOL = -29.78


def entropic_cell():
    """No resistance: all its heat is reversible."""
    slope_mV_K = 1e3 * ENTROPY_J_K_MOL / FARADAY_C_MOL
    return flat_cell(0.0, open_circuit={"entropic_mV_K": [slope_mV_K, slope_mV_K]})


def test_entropy_is_the_slope_of_the_open_circuit_over_temperature():
    _, slope_V_K = open_circuit(entropic_cell(), 0.5, 298.0)

    assert slope_V_K * 1e3 == pytest.approx(-0.308648, abs=1e-6)  # E09, as printed
    warm_V, cold_V = (open_circuit(entropic_cell(), 0.5, T_K)[0] for T_K in (308.15, 298.15))
    assert warm_V - cold_V == pytest.approx(-3.08648e-3, abs=1e-8)


@each_marcher
@pytest.mark.parametrize(("current_A", "sign"), [(1.0, 1.0), (-1.0, -1.0)])
def test_a_falling_open_circuit_heats_on_discharge_and_cools_on_charge(march, current_A, sign):
    adiabatic = plants.plant(entropic_cell(), conductance_W_K=0.0)
    legs = plants.held([0.0, 60.0], [current_A])

    trace, seen = run(march, adiabatic, legs, soc=0.5, core_K=298.0)

    assert seen.heat_W[0] == pytest.approx(sign * 0.091977, abs=1e-6)  # E10, as printed
    # C dT/dt = -I T dU/dT, so 45 J/K go from 298 K as an exponential.
    per_K_s = 1.0 * 0.308648e-3 / 45.0
    assert trace.state[-1, CORE] == pytest.approx(298.0 * math.exp(sign * per_K_s * 60.0), abs=1e-6)


@each_marcher
def test_reversible_heat_of_a_mole_of_charge(march):
    # So well cooled that it stays at 298 K; 60 As of the 96485 of a mole.
    plant = plants.plant(entropic_cell(), conductance_W_K=1e4)
    legs = plants.held([0.0, 60.0], [1.0], ambient_C=298.0 - ZERO_C_K)

    trace, _ = run(march, plant, legs, core_K=298.0)

    per_mole_J = totals(trace)["reversible_J"] * FARADAY_C_MOL / 60.0
    assert per_mole_J == pytest.approx(8874.0, rel=5e-4)  # E08: 8.874 kJ/mol at 298 K


# ---- resistance over temperature, between the columns of a table


def over_temperature(columns_C, mohm):
    """A cell whose resistance is known at some temperatures."""
    table = {
        "soc": [0.0, 1.0],
        "temperature_C": list(columns_C),
        "discharge_mohm": [list(mohm)] * 2,
    }
    return plants.cell(polarisation=[], resistance=table)


def arrhenius(energy_kJ_mol, celsius):
    """E16: exp(Ea/R (1/T - 1/298.15))."""
    kelvin = np.asarray(celsius) + 273.15
    return np.exp(energy_kJ_mol * 1e3 / 8.314462618 * (1.0 / kelvin - 1.0 / 298.15))


@pytest.mark.parametrize(
    ("energy_kJ_mol", "ratios"),
    # E16 and the row beside it, at -10, 0, 40 and 60 C, printed to four or five digits.
    [
        (20.0, (2.9243, 2.0926, 0.6795, 0.4284)),
        (30.0, (5.0008, 3.0271, 0.5601, 0.2804)),
        (50.0, (14.624, 6.3346, 0.3805, 0.1202)),
    ],
)
def test_three_far_columns_are_enough_for_arrhenius(energy_kJ_mol, ratios):
    columns_C = [-20.0, 25.0, 60.0]
    cell = over_temperature(columns_C, 40.0 * arrhenius(energy_kJ_mol, columns_C))

    def ratio(celsius):
        kelvin = np.array([celsius, 25.0]) + ZERO_C_K
        here, reference = (layer(cell, 0.5, T_K, DISCHARGE) for T_K in kelvin)
        return here / reference

    found = [ratio(celsius) for celsius in (-10.0, 0.0, 40.0, 60.0)]

    # E16's own tolerance (chords over 1 K take half of it), or half the last of four places.
    assert found == pytest.approx(ratios, rel=1e-4, abs=6e-5)
    straight = np.interp(0.0, columns_C, arrhenius(energy_kJ_mol, columns_C))
    assert straight > 1.3 * ratios[1]  # what a chord between the same columns would say


@pytest.mark.parametrize(("energy_kJ_mol", "off"), [(20.0, 5.5e-5), (30.0, 1.2e-4)])
def test_between_half_degrees_a_chord_stays_near_arrhenius(energy_kJ_mol, off):
    # Worst a quarter degree above the coldest column: 1/32 K^2 of curvature, growing with Ea^2.
    columns_C = [-20.0, 25.0, 60.0]
    cell = over_temperature(columns_C, 40.0 * arrhenius(energy_kJ_mol, columns_C))
    quarters_C = np.arange(-19.75, 60.0, 0.5)

    ohm = np.array([layer(cell, 0.5, T_K, DISCHARGE) for T_K in quarters_C + ZERO_C_K])

    high = ohm / (0.040 * arrhenius(energy_kJ_mol, quarters_C)) - 1.0
    assert np.all((high > 0.0) & (high < off))


# D10 and D11: pulse resistances [mohm] of an open 2.9 Ah cell at half charge, 2.9 A; Kollmeyer,
# Mendeley wykht8y7tg v1, 5-pulse tests.
PULSE_C = [-20.1, -9.9, 0.3, 10.8, 25.6]
AFTER_10_S = [216.59, 129.88, 79.50, 51.98, 37.12]
AFTER_0P1_S = [127.14, 84.68, 56.92, 38.26, 26.70]


@pytest.mark.parametrize(
    ("measured", "off", "straight_off"),
    [
        # Of the measured, at -9.9 and at 10.8 C: read between the three other columns, and what
        # a straight line would say. At 10.8 C the cell itself is off Arrhenius.
        (AFTER_10_S, (-0.009, 0.097), (0.140, 0.191)),
        (AFTER_0P1_S, (-0.011, 0.069), (0.087, 0.160)),
    ],
    ids=["10 s", "0.1 s"],
)
def test_measured_resistance_between_columns(measured, off, straight_off):
    columns_C, known = PULSE_C[::2], measured[::2]
    cell = over_temperature(columns_C, known)

    found, straight = [], []
    for celsius, mohm in zip(PULSE_C[1::2], measured[1::2], strict=True):
        found.append(1e3 * layer(cell, 0.5, celsius + ZERO_C_K, DISCHARGE) / mohm - 1.0)
        straight.append(np.interp(celsius, columns_C, known) / mohm - 1.0)

    assert found == pytest.approx(off, abs=1e-3)
    assert straight == pytest.approx(straight_off, abs=1e-3)
    assert math.hypot(*found) < 0.55 * math.hypot(*straight)
