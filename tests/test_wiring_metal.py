"""Conductors against standards, handbooks, `ht` with CoolProp, and scipy.

W and C numbers are rows of the project's list of check values; sources stand beside each.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from fluids.piping import AWG_SI, AWG_gauges
from ht.conv_free_immersed import Nu_horizontal_cylinder_Churchill_Chu
from ht.radiation import q_rad
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from sim.physics.conductor import (
    METALS,
    Wire,
    adiabatic_end_C,
    adiabatic_k,
    circle_m2,
    ends_W_mK,
    gauge_m,
    inferred_zero_C,
    lasting_current_A,
    loss_W_mK,
    ohm_m,
    steady_K,
    through_insulation_mK_W,
    warmth,
)
from sim.units import ZERO_C_K

COPPER, ALUMINIUM, NICKEL = METALS["copper"], METALS["aluminium"], METALS["nickel"]
STEEL, BRASS = METALS["nickel-plated steel"], METALS["brass"]
TRIES = settings(max_examples=40, deadline=None)  # the first call may have to compile


def bare(metal, area_m2, *, emissivity=0.1, fixed_W_mK=-1.0, across=0.0, outer_m=None) -> Wire:
    """A round wire in still air, or with a given conductance."""
    diameter_m = math.sqrt(4.0 * area_m2 / math.pi) if outer_m is None else outer_m
    return Wire(
        metal.resistivity_ohm_m / area_m2, metal.per_K, metal.heat_J_m3K * area_m2, diameter_m,
        1.0, across, emissivity, 1.0, fixed_W_mK, 0.0,
    )  # fmt: skip


def held(wire, current_A, seconds, air_C, pieces=1):
    """Return what becomes of a wire under a constant current in air of one temperature."""
    edge_s = np.linspace(0.0, seconds, pieces + 1)
    current, air_K = np.full(pieces, float(current_A)), np.full(pieces, air_C + ZERO_C_K)
    return warmth(wire, edge_s, (current, current), (air_K, air_K), (air_K, air_K))


# --- size and resistance


def test_gauges_have_the_diameters_of_astm_b258():
    """W01, formula and table; `fluids` carries the table in inch and metre, to 4 or 5 digits."""
    table = {10: 2.5882, 12: 2.0525, 14: 1.6277, 16: 1.2908, 18: 1.0237, 20: 0.8118}
    for awg, diameter_mm in table.items():
        assert 1e3 * gauge_m(awg) == pytest.approx(diameter_mm, rel=5e-5)  # printed to 5 digits
    checked = 0
    for awg, diameter_m in zip(AWG_gauges, AWG_SI, strict=True):
        if awg in range(-3, 31):
            # The printed inches have 3 to 5 digits: 0.0100 inch of gauge 30 is 0.3 % off.
            assert gauge_m(int(awg)) == pytest.approx(diameter_m, abs=2.6e-6, rel=2e-3)
            checked += 1
    assert checked > 25
    assert 1e3 * gauge_m(-3) == pytest.approx(11.6840, rel=1e-5)  # 4/0 is 0.46 inch exactly


def test_copper_gauges_have_the_handbook_resistance():
    """W02: ohm per 1000 ft at 20 C, HyperPhysics table."""
    table = {6: 0.3951, 8: 0.6282, 10: 0.9989, 12: 1.588, 14: 2.525, 16: 4.016, 18: 6.385,
             20: 10.15, 22: 16.14, 24: 25.67}  # fmt: skip
    for awg, ohm in table.items():
        found = COPPER.resistivity_ohm_m / circle_m2(gauge_m(awg)) * 304.8
        assert found == pytest.approx(ohm, rel=5e-4)  # printed to 4 digits


def test_metals_have_the_constants_of_iec_60287_and_60949():
    """W03, W04; IEC 60949 table I: beta and K = sqrt(Qc (beta + 20) / rho20), in A s^0.5 / mm2."""
    for metal, beta_C, k in (
        (COPPER, 234.5, 226.0),
        (ALUMINIUM, 228.0, 148.0),
        (STEEL, 202.0, 78.0),
    ):
        full = metal.heat_J_m3K * (inferred_zero_C(metal) + 20.0) / metal.resistivity_ohm_m
        assert inferred_zero_C(metal) == pytest.approx(beta_C, abs=0.6)  # 1/alpha, rounded there
        assert 1e-6 * math.sqrt(full) == pytest.approx(k, abs=0.6)  # printed without decimals
    assert COPPER.resistivity_ohm_m == 1.7241e-8
    assert ALUMINIUM.resistivity_ohm_m == 2.8264e-8
    assert ohm_m(bare(COPPER, 1.0), 80.0 + ZERO_C_K) == pytest.approx(2.13064e-8, rel=1e-5)  # W03
    # IEC 60228 class 5, plain and tinned, 1.5 mm2: 13.3 and 13.7 ohm/km. Rounding is 0.5 % of each.
    tinned = METALS["tinned copper"].resistivity_ohm_m / COPPER.resistivity_ohm_m
    assert tinned == pytest.approx(13.7 / 13.3, rel=5e-3)


def test_nickel_and_brass_lie_where_tables_put_them():
    """W05: 6.85e-8 to 6.99e-8; W06: brass of 63 % copper 7.1e-8, 1.5e-3."""
    assert 6.85e-8 <= NICKEL.resistivity_ohm_m <= 6.99e-8
    assert NICKEL.per_K == pytest.approx(6.41e-3, rel=0.07)
    assert (BRASS.resistivity_ohm_m, BRASS.per_K) == (7.1e-8, 1.5e-3)


def test_a_loop_of_gauge_10_drops_the_worked_volts_and_watts():
    """W07: 6 m of copper, 40 A, 20 C: 0.78649 V and 31.460 W."""
    ohm = COPPER.resistivity_ohm_m / circle_m2(gauge_m(10)) * 6.0
    assert 40.0 * ohm == pytest.approx(0.78649, rel=1e-4)
    assert 1600.0 * ohm == pytest.approx(31.460, rel=1e-4)


@pytest.mark.parametrize(
    ("name", "mohm"),
    [("nickel", 5.825), ("copper", 1.437), ("aluminium", 2.355), ("brass", 5.917)],
)
def test_a_strip_has_the_resistance_of_its_metal(name, mohm):
    """W08: 0.15 x 8 mm, 100 mm."""
    found = METALS[name].resistivity_ohm_m * 0.1 / (0.15e-3 * 8e-3)
    assert 1e3 * found == pytest.approx(mohm, rel=2e-4)  # printed to 4 digits


def test_conductivity_by_wiedemann_and_franz_is_near_handbooks():
    """k in W/mK from memory: copper 398, aluminium 237, nickel 91, mild steel 54, brass 111."""
    for metal, k in (
        (COPPER, 398.0),
        (ALUMINIUM, 237.0),
        (NICKEL, 91.0),
        (STEEL, 54.0),
        (BRASS, 111.0),
    ):
        assert ends_W_mK(metal, 1.0, 1.0) / 8.0 == pytest.approx(k, rel=0.15)


# --- adiabatic heating


@pytest.mark.parametrize(
    ("metal", "start_C", "end_C", "k", "off"),
    [
        (COPPER, 70, 160, 115, 0.5), (COPPER, 90, 160, 100, 0.5), (COPPER, 90, 250, 143, 0.5),
        (COPPER, 30, 160, 143, 0.5), (COPPER, 30, 250, 176, 0.5),
        (ALUMINIUM, 70, 160, 76, 0.6), (ALUMINIUM, 90, 250, 94, 0.6),
    ],
)  # fmt: skip
def test_k_factors_are_those_of_the_standards(metal, start_C, end_C, k, off):
    """W09 to W11: BS 7671 and IEC 60364-5-54, printed without decimals."""
    assert 1e-6 * adiabatic_k(metal, start_C, end_C) == pytest.approx(k, abs=off)


@pytest.mark.parametrize(("seconds", "kA"), [(1.0, 90.2), (0.5, 127.6), (2.0, 63.8)])
def test_a_cable_of_630_mm2_bears_what_iec_60949_prints(seconds, kA):
    """W12: copper, 90 to 250 C; its K is printed as 226 and comes to 225.6, so 0.2 % apart."""
    found = adiabatic_k(COPPER, 90.0, 250.0) * 630e-6 / math.sqrt(seconds)
    assert 1e-3 * found == pytest.approx(kA, rel=3e-3)


def test_adiabatic_heating_ends_where_integration_does():
    """W13: 115 A through 1 mm2 for 1 s from 70 C ends at 160.30 C (solve_ivp); both of ours."""
    wire = bare(COPPER, 1e-6, fixed_W_mK=0.0)
    assert adiabatic_end_C(COPPER, 70.0, (115.0 / 1e-6) ** 2) == pytest.approx(160.30, abs=0.05)
    assert held(wire, 115.0, 1.0, 70.0).hottest_K - ZERO_C_K == pytest.approx(160.30, abs=0.05)


@pytest.mark.parametrize(
    ("start_C", "end_C", "amps"), [(70.0, 160.0, 115.29), (40.0, 1083.0, 283.7)]
)
def test_onderdonks_fusing_current_is_close_to_ours(start_C, end_C, amps):
    """W14: 1 mm2 for 1 s, formula from memory; the two agree within half a percent."""
    assert adiabatic_k(COPPER, start_C, end_C) * 1e-6 == pytest.approx(amps, rel=5e-3)


@given(
    area_mm2=st.floats(0.1, 50.0),
    density_A_mm2=st.floats(20.0, 400.0),
    start_C=st.floats(-20.0, 90.0),
)
@TRIES
def test_heat_that_leaves_only_lengthens_the_time_to_a_limit(area_mm2, density_A_mm2, start_C):
    """One-node T(t) of a wire: time to 160 C >= adiabatic time (references section 4)."""
    area_m2, current_A = area_mm2 * 1e-6, density_A_mm2 * area_mm2
    seconds = (adiabatic_k(COPPER, start_C, 160.0) * area_m2 / current_A) ** 2
    reached_C = held(bare(COPPER, area_m2), current_A, seconds, start_C).hottest_K - ZERO_C_K
    assert reached_C <= 160.0 + 0.02  # K, the march's own error


# --- still air


def outside_loss_W_m(diameter_m, emissivity, surface_K, air_K):
    """Heat per metre of a lying cylinder by `ht` and CoolProp alone."""
    film_K = 0.5 * (surface_K + air_K)
    names = ("D", "C", "V", "L", "isobaric_expansion_coefficient")
    density, heat, viscosity, conductivity, expansion = (
        PropsSI(name, "T", film_K, "P", 101325.0, "Air") for name in names
    )
    grashof = 9.80665 * expansion * (surface_K - air_K) * diameter_m**3 * (density / viscosity) ** 2
    nusselt = Nu_horizontal_cylinder_Churchill_Chu(viscosity * heat / conductivity, grashof)
    convection = nusselt * conductivity / diameter_m * (surface_K - air_K)
    return math.pi * diameter_m * (convection + q_rad(emissivity, surface_K, air_K))


@pytest.mark.parametrize("awg", [24, 16, 10, 4, -3])
@pytest.mark.parametrize("air_C", [-20.0, 25.0, 55.0])
@pytest.mark.parametrize("rise_K", [2.0, 20.0, 80.0])
def test_still_air_takes_what_ht_and_coolprop_say(awg, air_C, rise_K):
    """Air is a real gas there and beta = 1/T here: good to 0.5 % (references section 3.3)."""
    diameter_m, air_K = gauge_m(awg), air_C + ZERO_C_K
    wire = bare(COPPER, circle_m2(diameter_m), emissivity=0.9)
    found = loss_W_mK(wire, air_K + rise_K, air_K) * rise_K
    expected = outside_loss_W_m(diameter_m, 0.9, air_K + rise_K, air_K)
    assert found == pytest.approx(expected, rel=2e-3)


@pytest.mark.parametrize(("awg", "amps"), [(24, 3.0), (10, 40.0), (4, 120.0)])
def test_the_steady_temperature_balances_heat_as_ht_does(awg, amps):
    """Root of I^2 R(T) = loss(T) by scipy on `ht` and CoolProp; 0.2 % of a rise of some 40 K."""
    diameter_m, air_K = gauge_m(awg), 25.0 + ZERO_C_K
    ohm = COPPER.resistivity_ohm_m / circle_m2(diameter_m)

    def gain(surface_K):
        warm = 1.0 + 0.00393 * (surface_K - ZERO_C_K - 20.0)
        return amps**2 * ohm * warm - outside_loss_W_m(diameter_m, 0.9, surface_K, air_K)

    expected_K = brentq(gain, air_K + 0.1, air_K + 300.0)
    wire = bare(COPPER, circle_m2(diameter_m), emissivity=0.9)
    found_K = float(steady_K(wire, amps, air_K, air_K))
    assert found_K - air_K == pytest.approx(expected_K - air_K, rel=3e-3)
    # And the other way round: the current that keeps it there.
    assert float(lasting_current_A(wire, found_K, air_K, air_K)) == pytest.approx(amps, rel=1e-6)


def test_a_sleeve_adds_its_own_resistance_in_series():
    """Closed form: T_metal = T_surface + q rho ln(D/d) / 2 pi."""
    inner_m, outer_m, air_K = 2.6e-3, 5.6e-3, 300.0
    across = through_insulation_mK_W(inner_m, outer_m, 5.0)
    assert across == pytest.approx(5.0 * math.log(5.6 / 2.6) / (2.0 * math.pi), rel=1e-12)
    wire = bare(COPPER, circle_m2(inner_m), emissivity=0.9, across=across, outer_m=outer_m)
    metal_K = 360.0
    heat_W_m = float(loss_W_mK(wire, metal_K, air_K)) * (metal_K - air_K)
    surface_K = metal_K - heat_W_m * across
    expected = outside_loss_W_m(outer_m, 0.9, surface_K, air_K)
    assert heat_W_m == pytest.approx(expected, rel=3e-3)


def test_a_current_that_melts_the_metal_has_no_steady_temperature():
    wire = bare(COPPER, circle_m2(gauge_m(24)))
    assert math.isinf(steady_K(wire, 400.0, 300.0, 300.0))


# --- over time


@pytest.mark.parametrize(
    ("seconds", "rise_K"), [(300, 11.810870), (1000, 30.259077), (3600, 51.090911)]
)
def test_lumped_heating_with_rising_resistance_follows_the_closed_form(seconds, rise_K):
    """References 7.2: C 45 J/K, G 0.045 W/K, q0 2 W, a +0.00393, from the air's 20 C."""
    wire = Wire(2.0, 0.00393, 45.0, 1.0, 1.0, 0.0, 0.0, 1.0, 0.045, 0.0)
    found = held(wire, 1.0, seconds, 20.0, pieces=3)
    assert found.conductor_K[-1] - ZERO_C_K - 20.0 == pytest.approx(rise_K, abs=2e-3)  # K
    assert found.hottest_K == pytest.approx(found.conductor_K[-1], abs=1e-9)


def reference_K(wire, edge_s, begin_A, end_A, begin_K, end_K):
    """The same wire by scipy's solve_ivp, stretch by stretch; heat rides along."""
    state, out = np.array([begin_K[0], 0.0]), [begin_K[0]]
    for n in range(len(begin_A)):
        length_s = edge_s[n + 1] - edge_s[n]

        def rates(t, y, n=n, length_s=length_s):
            current_A = begin_A[n] + (end_A[n] - begin_A[n]) * t / length_s
            air_K = begin_K[n] + (end_K[n] - begin_K[n]) * t / length_s
            made = current_A**2 * ohm_m(wire, y[0])
            return [(made - loss_W_mK(wire, y[0], air_K) * (y[0] - air_K)) / wire.heat_J_mK, made]

        state = solve_ivp(rates, (0.0, length_s), state, rtol=1e-9, atol=1e-9).y[:, -1]
        out.append(state[0])
    return np.array(out), state[1]


@pytest.mark.parametrize("awg", [24, 10])
def test_the_march_follows_solve_ivp_through_pulses_and_ramps(awg):
    """A day of hard pulses: within 0.02 K, the tolerance of a step's rough estimate."""
    wire = bare(COPPER, circle_m2(gauge_m(awg)), emissivity=0.9)
    scale = 5.0 if awg == 24 else 60.0
    shape = np.array([0.1, 1.0, 0.0, 0.3, 1.2, 0.2, 0.2, 0.9, 0.0])
    edge_s = np.cumsum([0.0, 60.0, 20.0, 300.0, 5.0, 2.0, 900.0, 45.0, 120.0, 600.0])
    begin_A, end_A = scale * shape, scale * shape * np.linspace(1.0, 0.8, len(shape))
    air_K = 290.0 + 20.0 * edge_s / edge_s[-1]
    found = warmth(wire, edge_s, (begin_A, end_A), (air_K[:-1], air_K[1:]), (air_K[:-1], air_K[1:]))
    expected_K, heat_J_m = reference_K(wire, edge_s, begin_A, end_A, air_K[:-1], air_K[1:])
    assert np.abs(found.conductor_K - expected_K).max() < 0.02
    assert found.heat_J_m == pytest.approx(heat_J_m, rel=1e-3)
    assert found.hottest_K >= expected_K.max() - 0.02


@given(
    pulse_A=st.lists(st.floats(0.0, 120.0), min_size=1, max_size=8),
    more=st.floats(1.01, 1.5),
    air_C=st.floats(-20.0, 60.0),
)
@TRIES
def test_more_current_never_makes_a_cooler_wire_nor_more_metal_a_hotter_one(pulse_A, more, air_C):
    edge_s = 30.0 * np.arange(len(pulse_A) + 1)
    air_K, pulses = np.full(len(pulse_A), air_C + ZERO_C_K), np.array(pulse_A)

    def hottest(area_mm2, factor):
        return warmth(
            bare(COPPER, area_mm2 * 1e-6), edge_s, (pulses * factor, pulses * factor),
            (air_K, air_K), (air_K, air_K),
        ).hottest_K  # fmt: skip

    least_K = 0.02  # the march's own error
    assert hottest(4.0, more) >= hottest(4.0, 1.0) - least_K
    assert hottest(6.0, 1.0) <= hottest(4.0, 1.0) + least_K


def test_cells_at_its_ends_cool_a_short_link_as_a_fin_is_cooled():
    """Middle of a bar with even heat and loss, ends held: 1 - 1/cosh(m L / 2); within 10 %."""
    area_m2, length_m, loss = 1.2e-6, 0.02, 0.3
    ends = ends_W_mK(NICKEL, area_m2, length_m)
    for scale in (0.1, 1.0, 4.0, 12.0):
        x = math.sqrt(loss * scale / (ends / 8.0 * length_m**2)) * length_m / 2.0
        lumped = loss * scale / (loss * scale + ends)
        exact = 1.0 - 1.0 / math.cosh(x)
        assert lumped == pytest.approx(exact, rel=0.1)
        assert lumped <= exact + 1e-12
