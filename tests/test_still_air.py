"""Still air about a cell and the box around it, against handbooks, `ht` and CoolProp.

C numbers are rows of the project's list of check values; the source of each stands beside it.
"""

from __future__ import annotations

import math

import numpy as np
import plants
import pytest
from CoolProp.CoolProp import PropsSI
from ht import conv_free_immersed as immersed
from ht.radiation import q_rad
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import trapezoid
from scipy.linalg import expm, solve
from scipy.optimize import brentq

from sim.drive.legs import Load, legs
from sim.drive.weather import Weather, daily_C, daily_sun_W, even_knots_s
from sim.integrate.reference import march
from sim.judge.series import series, totals
from sim.physics.box import AIR_AND_WALL, AIR_NODE, Box, box_rates
from sim.physics.film import (
    LEAST_DIFFERENCE_K,
    Film,
    air_properties,
    conductance_W_K,
    convection_W_m2K,
    lying_nusselt,
    plate_nusselt,
    radiation_W_m2K,
    standing_nusselt,
)
from sim.physics.pack import CURRENT, Pack
from sim.physics.plant import BOX, CORE, WALL, at_rest
from sim.units import ZERO_C_K

GRAVITY_M_S2 = 9.81  # as the textbooks take it
AXES = pytest.mark.parametrize("standing", [False, True], ids=["lying", "standing"])

# Any cell that the tool is made for, in any weather.
ANY_SIZE = {"diameter_m": st.floats(0.014, 0.035), "height_m": st.floats(0.05, 0.11)}
ANY_CELL = {**ANY_SIZE, "air_C": st.floats(-20.0, 45.0)}
TRIES = settings(max_examples=60, deadline=None)  # the first call may have to compile


def whole_side(diameter_m, height_m, standing=False, emissivity=0.8) -> Film:
    """A cylinder whose whole side gives heat."""
    area_m2 = math.pi * diameter_m * height_m
    return Film(area_m2, diameter_m, height_m, standing, emissivity, -1.0)


def coolprop_air(film_K):
    """Kinematic viscosity, conductivity, Prandtl number and expansion coefficient [1/K]."""
    names = ("D", "C", "V", "L", "isobaric_expansion_coefficient")
    density, heat, viscosity, conductivity, expansion = (
        PropsSI(name, "T", film_K, "P", 101325.0, "Air") for name in names
    )
    return viscosity / density, conductivity, viscosity * heat / conductivity, expansion


def outside_conductance_W_K(film: Film, surface_K, air_K):
    """One cell's conductance from `ht` and CoolProp alone, air as the real gas it is."""
    viscosity_m2_s, conductivity, prandtl, expansion_K = coolprop_air(0.5 * (surface_K + air_K))
    length_m = film.height_m if film.standing else film.diameter_m
    difference_K = abs(surface_K - air_K)
    grashof = 9.80665 * expansion_K * difference_K * length_m**3 / viscosity_m2_s**2
    if film.standing:
        nusselt = immersed.Nu_vertical_cylinder_Popiel_Churchill(
            prandtl, grashof, film.height_m, film.diameter_m
        )
    else:
        nusselt = immersed.Nu_horizontal_cylinder_Churchill_Chu(prandtl, grashof)
    radiation = q_rad(film.emissivity, surface_K, air_K) / (surface_K - air_K)
    return film.area_m2 * (nusselt * conductivity / length_m + radiation)


def rise_K(conductance, film: Film, heat_W, air_K):
    """The steady rise over air at which a side gives `heat_W`."""

    def lack_W(rise):
        return conductance(film, air_K + rise, air_K) * rise - heat_W

    return brentq(lack_W, 1e-12, 200.0, xtol=1e-12)


def rayleigh(length_m, expansion_K, difference_K, viscosity_m2_s, diffusivity_m2_s):
    """g beta dT L^3 / (nu a), with the textbooks' gravity."""
    buoyancy = GRAVITY_M_S2 * expansion_K * difference_K * length_m**3
    return buoyancy / (viscosity_m2_s * diffusivity_m2_s)


# ---- air


def test_air_is_coolprops_over_the_range_claimed():
    for air_C in np.arange(-50.0, 160.1, 5.0):
        # 2e-4 is what film.py claims; from -30 to 120 C it is 0.7e-4.
        rel = 1e-4 if -30.0 <= air_C <= 120.0 else 2e-4
        outside = coolprop_air(air_C + ZERO_C_K)[:3]

        assert air_properties(air_C + ZERO_C_K) == pytest.approx(outside, rel=rel), air_C


@pytest.mark.parametrize(
    ("film_K", "viscosity_m2_s", "conductivity_W_mK", "prandtl"),
    [
        # C15: A Heat Transfer Textbook, Table A.6.
        (300.0, 1.575e-5, 0.0264, 0.707),
        (350.0, 2.069e-5, 0.0300, 0.702),
        (400.0, 2.613e-5, 0.0335, 0.699),
        # C16: Incropera, Table A.4.
        (250.0, 11.44e-6, 22.3e-3, 0.720),
        (300.0, 15.89e-6, 26.3e-3, 0.707),
        (350.0, 20.92e-6, 30.0e-3, 0.700),
        (400.0, 26.41e-6, 33.8e-3, 0.690),
    ],
)
def test_air_is_that_of_the_handbooks(film_K, viscosity_m2_s, conductivity_W_mK, prandtl):
    # 1.5 %: by so much the two tables differ from each other (A.4 fits 100 kPa better).
    printed = (viscosity_m2_s, conductivity_W_mK, prandtl)

    assert air_properties(film_K) == pytest.approx(printed, rel=0.015)


# ---- correlations


@pytest.mark.parametrize("prandtl", [0.68, 0.70, 0.72, 1.0, 7.0])
def test_nusselt_numbers_are_those_of_an_independent_library(prandtl):
    for ra in 10.0 ** np.arange(-2.0, 7.1, 0.5):
        lying = immersed.Nu_horizontal_cylinder_Churchill_Chu(prandtl, ra / prandtl)
        plate = immersed.Nu_vertical_plate_Churchill(prandtl, ra / prandtl)
        # 1e-9: the same formula, other code.
        assert lying_nusselt(ra, prandtl) == pytest.approx(lying, rel=1e-9)
        assert plate_nusselt(ra, prandtl) == pytest.approx(plate, rel=1e-9)
        for slenderness in (1.5, 2.5, 3.5, 8.0):
            thin = immersed.Nu_vertical_cylinder_Popiel_Churchill(
                prandtl, ra / prandtl, slenderness * 0.02, 0.02
            )
            assert standing_nusselt(ra, prandtl, slenderness) == pytest.approx(thin, rel=1e-9)


def test_lying_cylinder_in_air_that_does_not_move_conducts():
    assert lying_nusselt(0.0, 0.7) == pytest.approx(0.36, rel=1e-15)  # Churchill and Chu 1975


def test_horizontal_pipe_of_a_textbook():
    # C01: Cengel, Example 9-1: Ra 1.869e6, Nu 17.40, h 5.869, 443 W; radiation at eps 1, 553 W.
    side_m2 = math.pi * 0.08 * 6.0
    viscosity_m2_s, prandtl = 1.749e-5, 0.7241
    ra = rayleigh(0.08, 1.0 / 318.0, 50.0, viscosity_m2_s, viscosity_m2_s / prandtl)
    nusselt = lying_nusselt(ra, prandtl)
    convection = nusselt * 0.02699 / 0.08
    radiation = radiation_W_m2K(1.0, 343.0, 293.0)

    assert nusselt == pytest.approx(17.40, rel=2e-3)  # four digits, with rounded g
    assert convection == pytest.approx(5.869, rel=2e-3)
    assert convection * side_m2 * 50.0 == pytest.approx(443.0, rel=2e-3)  # three digits
    assert radiation * side_m2 * 50.0 == pytest.approx(553.0, rel=2e-3)


@pytest.mark.parametrize(
    ("expansion_K", "difference_K", "a_m2_s", "nu_m2_s", "prandtl", "k_W_mK", "size_m", "printed"),
    [
        # C03: A Heat Transfer Textbook, Example 8.4, a wire in air at 350 K.
        (1.0 / 350.0, 100.0, 2.93e-5, 2.073e-5, 0.707, 0.0297, 0.005, 13.84),
        # C09: Janna, Example 8.6, a pipe; its expansion coefficient is that of the cold air.
        (1.0 / 278.0, 45.0, 0.2216e-4, 15.68e-6, 0.708, 0.02624, 0.15, 5.62),
    ],
    ids=["C03 wire", "C09 pipe"],
)
def test_other_lying_cylinders_of_textbooks(
    expansion_K, difference_K, a_m2_s, nu_m2_s, prandtl, k_W_mK, size_m, printed
):
    ra = rayleigh(size_m, expansion_K, difference_K, nu_m2_s, a_m2_s)

    h_W_m2K = lying_nusselt(ra, prandtl) * k_W_mK / size_m

    assert h_W_m2K == pytest.approx(printed, rel=5e-4)  # printed to three or four digits


@pytest.mark.parametrize(
    ("diameter_m", "surface_K", "air_K", "h_W_m2K", "rel"),
    [
        # With our air. C02: C01 from `ht` and CoolProp, printed to four digits.
        (0.08, 343.15, 293.15, 5.962, 1e-4),
        (0.08, 343.15, 293.15, 5.869, 0.018),  # C01 itself: its air is 2.3 % more viscous
        (0.005, 400.0, 300.0, 13.964, 1e-4),  # C03 with CoolProp
        (0.005, 400.0, 300.0, 13.84, 0.01),  # C03 itself: its conductivity is 1 % low
        # C09 takes 1/beta as 278 K where the film has 300.65 K: 8 % of Ra, 2.6 % of h.
        (0.15, 323.15, 278.15, 5.62 * (278.0 / 300.65) ** (1.0 / 3.0), 5e-3),
    ],
)
def test_textbook_cylinders_with_our_own_air(diameter_m, surface_K, air_K, h_W_m2K, rel):
    found = convection_W_m2K(whole_side(diameter_m, 1.0), surface_K, air_K)

    assert found == pytest.approx(h_W_m2K, rel=rel)


@pytest.mark.parametrize(
    ("ra", "prandtl", "printed", "rel"),
    [
        (0.690 * 2.63e9, 0.690, 147.0, 2e-3),  # C04: Incropera, Example 9.2, three digits
        (5.503e8, 0.7256, 102.6, 1e-3),  # C06: Cengel, Problem 9-19E, four digits
    ],
    ids=["C04", "C06"],
)
def test_standing_plates_of_textbooks(ra, prandtl, printed, rel):
    assert plate_nusselt(ra, prandtl) == pytest.approx(printed, rel=rel)


# ---- one cell in still air


@pytest.mark.parametrize(
    ("size_mm", "standing", "rises_K"),
    [
        # C17, C18 and the row after: from `ht` and CoolProp, side only, emissivity 0.8, 25 C.
        ((18.4, 65.0), False, (6.658, 12.235, 22.215, 39.719)),
        ((18.4, 65.0), True, (6.443, 11.906, 21.721, 38.995)),
        ((21.2, 70.2), False, (5.592, 10.306, 18.776, 33.714)),
        ((21.2, 70.2), True, (5.402, 10.006, 18.311, 33.010)),
        ((26.2, 65.5), False, (5.060, 9.340, 17.044, 30.665)),
        ((26.2, 65.5), True, (4.798, 8.898, 16.312, 29.481)),
    ],
)
def test_bare_cell_gets_as_warm_as_the_table_says(size_mm, standing, rises_K):
    film = whole_side(size_mm[0] / 1000.0, size_mm[1] / 1000.0, standing)

    found_K = [rise_K(conductance_W_K, film, heat_W, 298.15) for heat_W in (0.25, 0.5, 1.0, 2.0)]

    assert found_K == pytest.approx(rises_K, abs=2e-3)  # K; printed to 1 mK, our air adds 0.3 mK


@AXES
@TRIES
@given(difference_K=st.floats(0.5, 60.0), colder=st.booleans(), **ANY_CELL)
def test_any_cell_gives_the_heat_of_an_outside_library(
    standing, diameter_m, height_m, air_C, difference_K, colder
):
    film = whole_side(diameter_m, height_m, standing)
    air_K = air_C + ZERO_C_K
    surface_K = air_K - difference_K if colder else air_K + difference_K

    outside_W_K = outside_conductance_W_K(film, surface_K, air_K)

    # 0.2 %: beta = 1/T misses that of real air by up to 0.5 %; h goes with its cube root or less.
    assert conductance_W_K(film, surface_K, air_K) == pytest.approx(outside_W_K, rel=2e-3)


@pytest.mark.parametrize("size_mm", [(18.4, 65.0), (21.2, 70.2), (26.2, 65.5)])
def test_standing_cell_is_no_plate(size_mm):
    # Section 3.4 of the references: 6.4 to 6.8 W/m2K where the plate gives 5.5 to 5.6, at 20 K.
    diameter_m, height_m = size_mm[0] / 1000.0, size_mm[1] / 1000.0
    viscosity_m2_s, conductivity, prandtl = air_properties(308.15)
    grashof = 9.80665 / 308.15 * 20.0 * height_m**3 / viscosity_m2_s**2

    thin = convection_W_m2K(whole_side(diameter_m, height_m, standing=True), 318.15, 298.15)
    plate = plate_nusselt(grashof * prandtl, prandtl) * conductivity / height_m

    assert 6.35 < thin < 6.85  # W/m2K, both printed to 0.1
    assert 5.45 < plate < 5.65
    assert diameter_m / height_m < 0.35 * 35.0 / grashof**0.25  # the plate's own condition


@AXES
@TRIES
@given(**ANY_CELL)
def test_a_greater_difference_moves_more_heat_and_never_less(standing, diameter_m, height_m, air_C):
    film = whole_side(diameter_m, height_m, standing)
    air_K = air_C + ZERO_C_K
    differences_K = np.concatenate([np.geomspace(1e-5, 80.0, 200), [LEAST_DIFFERENCE_K]])
    differences_K.sort()
    conductances = np.array([conductance_W_K(film, air_K + d, air_K) for d in differences_K])
    below = np.array([conductance_W_K(film, air_K - d, air_K) for d in differences_K])

    assert conductances.min() > 0.0
    assert np.all(np.diff(conductances * differences_K) > 0.0)
    assert np.all(np.diff(below * differences_K) > 0.0)
    # The thin cylinder's formula turns up again below 5 mK, by 3 % at most: no cell is that near.
    rising = differences_K > (0.01 if standing else 0.0)
    assert np.all(np.diff(conductances[rising]) > 0.0)


@AXES
@TRIES
@given(difference_K=st.floats(0.0, 60.0), **ANY_CELL)
def test_heat_takes_the_same_way_back(standing, diameter_m, height_m, air_C, difference_K):
    # Film temperature and T^4 exchange know no direction; so a cell as cold as the air was gains
    # from air as warm as the cell was what it had lost before.
    film = whole_side(diameter_m, height_m, standing)
    air_K = air_C + ZERO_C_K

    out = conductance_W_K(film, air_K + difference_K, air_K)
    back = conductance_W_K(film, air_K, air_K + difference_K)

    assert back == pytest.approx(out, rel=1e-14)  # rounding


@AXES
def test_heat_is_continuous_through_no_difference(standing):
    film = whole_side(0.0184, 0.065, standing)

    def heat_W(difference_K):
        return conductance_W_K(film, 298.15 + difference_K, 298.15) * difference_K

    steps_K = np.linspace(-2.0, 2.0, 8001) * LEAST_DIFFERENCE_K
    heat = np.array([heat_W(d) for d in steps_K])
    assert heat_W(0.0) == 0.0
    assert math.isfinite(conductance_W_K(film, 298.15, 298.15))
    assert np.all(np.diff(heat) > 0.0)
    # No step is greater than the steepest conductance times its width: there is no jump.
    assert np.diff(heat).max() < 1.5 * conductance_W_K(film, 298.15, 298.15) * np.diff(steps_K)[0]


@AXES
def test_holding_the_conductance_near_no_difference_moves_no_temperature(standing):
    # film.py claims 1e-4 K; `ht` holds nothing.
    film = whole_side(0.0184, 0.065, standing)
    for heat_W in np.geomspace(1e-9, 1e-2, 30):
        free_K = rise_K(outside_conductance_W_K, film, heat_W, 298.15)
        assert rise_K(conductance_W_K, film, heat_W, 298.15) == pytest.approx(free_K, abs=1e-4)


# ---- radiation and sun on plates


def test_board_in_a_computer_gets_as_warm_as_in_the_textbook():
    # C07, Cengel: 8 W from 0.15 x 0.20 m, eps 0.8, air and walls 20 C, h 6.696 given: 42.6 C. Its
    # h is a lying plate's, which the tool does not have; the radiation is ours.
    def lack_W(board_K):
        exchange = 6.696 + radiation_W_m2K(0.8, board_K, 293.15)
        return 0.15 * 0.20 * exchange * (board_K - 293.15) - 8.0

    assert brentq(lack_W, 294.0, 400.0) - ZERO_C_K == pytest.approx(
        42.6, abs=0.06
    )  # K, printed 0.1


def test_the_same_board_upright():
    # C08: 46.26 C from `ht` and CoolProp, film temperature found with it.
    def lack_W(board_K):
        film_K, rise = 0.5 * (board_K + 293.15), board_K - 293.15
        viscosity_m2_s, conductivity, prandtl = air_properties(film_K)
        ra = 9.80665 / film_K * rise * 0.2**3 / viscosity_m2_s**2 * prandtl
        convection = plate_nusselt(ra, prandtl) * conductivity / 0.2
        return 0.15 * 0.20 * (convection + radiation_W_m2K(0.8, board_K, 293.15)) * rise - 8.0

    # 0.02 K: printed to 0.01 K, which air pressure and gravity taken just so can move.
    assert brentq(lack_W, 294.0, 400.0) - ZERO_C_K == pytest.approx(46.26, abs=0.02)


def test_sunlit_plate_that_also_radiates():
    # C22: inputs of Incropera, Problem 12.111: 0.9 of 900 W/m2, eps 0.1, h 20, 17 C; 56.18 C.
    def lack_W_m2(plate_K):
        exchange = 20.0 + radiation_W_m2K(0.1, plate_K, 290.15)
        return exchange * (plate_K - 290.15) - 0.9 * 900.0

    assert brentq(lack_W_m2, 291.0, 400.0) - ZERO_C_K == pytest.approx(56.18, abs=0.01)


@pytest.mark.parametrize(
    ("absorbed_W_m2", "film_W_m2K", "air_C", "plate_C"),
    [
        (0.7 * 550.0, 25.0, 10.0, 25.4),  # C20: Cengel, Problem 1-135
        (0.72 * 650.0, 25.0, 20.0, 38.72),  # C21: computed from a published problem's inputs
        (0.052 * 800.0, 1.0, 35.0, 76.6),  # C24: sol-air temperature of a dark wall
    ],
    ids=["C20", "C21", "C24"],
)
def test_box_in_the_sun_settles_where_a_sunlit_plate_does(
    absorbed_W_m2, film_W_m2K, air_C, plate_C
):
    box = Box(AIR_NODE, 100.0, 1.0, 0.0, film_W_m2K, 0.0)  # 1 m2; the cells keep their heat
    plant = plants.plant(conductance_W_K=0.0, box=box)
    day = plants.held([0.0, 3000.0], [0.0], ambient_C=air_C, sun_W=absorbed_W_m2)
    start = at_rest(plant, 1.0, 298.15, air_C + ZERO_C_K)

    trace = march(plant, plants.NOT_LIMITED, day, start)

    # 1e-3 K: the answers have no rounding, and after 30 time constants nothing is left to come.
    assert trace.state[-1, BOX] - ZERO_C_K == pytest.approx(plate_C, abs=1e-3)


# ---- the box

ONE_NODE = Box(AIR_NODE, 9000.0, 1.0, 0.0, 4.9, 12.0)
TWO_NODES = Box(AIR_AND_WALL, 800.0, 8200.0, 7.5, 4.9, 12.0)


def test_box_of_one_node_settles_at_heat_over_conductance():
    # 30 W of cells, 12 W of others and 60 W of sun through 4.9 W/K.
    settled_K = 298.15 + 102.0 / 4.9

    air_K_s, _, lost_W = box_rates(ONE_NODE, 30.0, settled_K, 0.0, 298.15, 60.0)

    assert air_K_s == pytest.approx(0.0, abs=1e-15)  # K/s, rounding
    assert lost_W == pytest.approx(102.0, rel=1e-12)
    assert box_rates(ONE_NODE, 30.0, settled_K + 1.0, 0.0, 298.15, 60.0)[0] < 0.0


def test_box_with_a_wall_keeps_its_air_warmer_than_the_wall_the_sun_heats():
    # What is made inside crosses both steps, the sun only the outer one.
    wall_K = 298.15 + 102.0 / 4.9
    air_K = wall_K + 42.0 / 7.5

    air_K_s, wall_K_s, lost_W = box_rates(TWO_NODES, 30.0, air_K, wall_K, 298.15, 60.0)

    assert (air_K_s, wall_K_s) == pytest.approx((0.0, 0.0), abs=1e-14)  # K/s, rounding
    assert lost_W == pytest.approx(102.0, rel=1e-12)
    assert box_rates(TWO_NODES, 30.0, air_K + 1.0, wall_K, 298.15, 60.0)[0] < 0.0
    assert box_rates(TWO_NODES, 30.0, air_K, wall_K + 1.0, 298.15, 60.0)[1] < 0.0


def test_box_about_cold_cells_warms_along_an_exponential():
    plant = plants.plant(conductance_W_K=0.0, box=ONE_NODE)
    day = plants.held([0.0, 7200.0], [0.0], sun_W=60.0)

    trace = march(plant, plants.NOT_LIMITED, day, at_rest(plant, 1.0, 298.15, 298.15))

    expected_K = 298.15 + 72.0 / 4.9 * (1.0 - np.exp(-trace.time_s * 4.9 / 9000.0))
    assert len(trace.time_s) > 100
    # 5e-6 K: scipy is asked for 1e-8 of 300 K a step.
    assert trace.state[:, BOX] == pytest.approx(expected_K, abs=5e-6)


@pytest.mark.parametrize("box", [ONE_NODE, TWO_NODES], ids=["one node", "air and wall"])
def test_cells_and_box_at_rest_follow_the_matrix_exponential(box):
    # 224 cells of 45 J/K and 0.045 W/K, 10 K colder than the ambient in the morning sun.
    cells, walled = 224, box.kind == AIR_AND_WALL
    plant = plants.plant(pack=Pack(14, 16, 1, 0.0, 0.0), box=box)
    day = plants.held([0.0, 5400.0], [0.0], sun_W=60.0)

    trace = march(plant, plants.NOT_LIMITED, day, at_rest(plant, 1.0, 288.15, 288.15))

    inward, outward = (box.inside_W_K, box.outside_W_K) if walled else (box.outside_W_K, 0.0)
    give = cells * 0.045
    flow_W_K = np.array(
        [
            [-give, give, 0.0],
            [give, -give - inward, inward if walled else 0.0],
            [0.0, inward if walled else 0.0, -inward - outward],
        ]
    )
    capacity_J_K = np.array([cells * 45.0, box.air_J_K, box.wall_J_K])
    source_W = np.array([0.0, 12.0, 60.0]) if walled else np.array([0.0, 72.0, 0.0])
    nodes = 3 if walled else 2
    matrix = (flow_W_K / capacity_J_K[:, None])[:nodes, :nodes]
    settled_K = solve(matrix, -(source_W / capacity_J_K)[:nodes])
    for time_s, state in zip(trace.time_s, trace.state[:, [CORE, BOX, WALL]], strict=True):
        expected_K = settled_K + expm(matrix * time_s) @ (-10.0 - settled_K)
        assert state[:nodes] - 298.15 == pytest.approx(expected_K, abs=1e-5)  # K, as asked of scipy


def day_of(ambient_C, sun_W, knots_s):
    """Legs of a day at rest in a given weather."""
    weather = Weather(knots_s, np.asarray(ambient_C) + ZERO_C_K, np.asarray(sun_W))
    return legs(Load(CURRENT, knots_s[[0, -1]], np.zeros(1), np.zeros(1, int)), weather)


def test_free_air_is_the_ambient_and_a_wide_open_box_nearly_so():
    knots_s = even_knots_s(86400.0)
    day = day_of(daily_C(knots_s, 19.0, 38.0, 55800.0), np.zeros(len(knots_s)), knots_s)
    free = plants.plant(film=whole_side(0.0184, 0.065))
    open_box = free._replace(box=Box(AIR_NODE, 1.0, 1.0, 0.0, 1e3, 0.0))
    start = at_rest(free, 1.0, 298.15, day.ambient_K[0])

    in_air, in_box = (march(p, plants.NOT_LIMITED, day, start) for p in (free, open_box))

    seen = series(free, day, in_air)
    assert np.array_equal(seen.box_C, seen.ambient_C)
    assert np.ptp(seen.core_C) > 10.0  # the cell feels the day
    # A cell takes 0.05 W at most, so the box is 5e-5 K off; and its air comes 1 ms late.
    assert in_box.state[:, CORE] == pytest.approx(in_air.state[:, CORE], abs=1e-3)  # K


# ---- the weather


@pytest.mark.parametrize(("rise_h", "set_h"), [(6.0, 18.0), (4.6, 21.3)])
def test_sun_gives_two_over_pi_of_noon_and_nothing_at_night(rise_h, set_h):
    second = np.arange(0.0, 2 * 86400.0 + 1.0, 5.0)
    sun_W = daily_sun_W(second, 60.0, rise_h * 3600.0, set_h * 3600.0)
    hour = np.mod(second / 3600.0, 24.0)

    half_sine_J = 2.0 / math.pi * 60.0 * (set_h - rise_h) * 3600.0
    assert trapezoid(sun_W, second) == pytest.approx(2.0 * half_sine_J, rel=1e-6)  # two days
    assert np.all(sun_W[(hour <= rise_h) | (hour >= set_h)] == 0.0)
    assert np.all(sun_W >= 0.0)
    assert hour[sun_W.argmax()] == pytest.approx(0.5 * (rise_h + set_h), abs=5.0 / 3600.0)
    assert sun_W.max() == pytest.approx(60.0, rel=1e-6)


def test_box_is_given_the_whole_sun_of_the_day_by_the_march():
    knots_s = even_knots_s(86400.0)
    sun_W = daily_sun_W(knots_s, 60.0, 6.0 * 3600.0, 18.0 * 3600.0)
    day = day_of(np.full(len(knots_s), 25.0), sun_W, knots_s)
    plant = plants.plant(box=ONE_NODE)

    sums = totals(march(plant, plants.NOT_LIMITED, day, at_rest(plant, 1.0, 298.15, 298.15)))

    # 2e-4: pi^2 / 12 (10 min / 12 h)^2, what straight lines between knots cut off a half sine.
    assert sums["sun_J"] == pytest.approx(2.0 / math.pi * 60.0 * 12.0 * 3600.0, rel=2e-4)
    assert sums["other_heat_J"] == pytest.approx(12.0 * 86400.0, rel=1e-9)


def test_air_is_warmest_and_coldest_at_its_hours_every_day():
    second = np.arange(0.0, 3 * 86400.0, 60.0)
    air_C = daily_C(second, 19.0, 38.0, 15.5 * 3600.0)

    assert np.flatnonzero(air_C > 38.0 - 1e-9).tolist() == [930, 2370, 3810]  # minutes: 15:30
    assert np.flatnonzero(air_C < 19.0 + 1e-9).tolist() == [210, 1650, 3090]  # 03:30
    assert air_C.mean() == pytest.approx(28.5, abs=1e-9)
    assert (air_C.min(), air_C.max()) == pytest.approx((19.0, 38.0), abs=1e-12)


def test_straight_lines_between_knots_miss_the_daily_air_by_2_mk():
    knots_s, second = even_knots_s(86400.0), np.arange(0.0, 86401.0, 10.0)
    lines_C = np.interp(second, knots_s, daily_C(knots_s, 18.0, 38.0, 55800.0))

    # 20 K of swing: 10 K (pi 10 min / 24 h)^2 / 2 = 2.4 mK.
    assert np.abs(lines_C - daily_C(second, 18.0, 38.0, 55800.0)).max() < 2.4e-3
