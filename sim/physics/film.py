"""Heat from a cell's side to still air and to the walls that it sees.

Air properties are cubics in T/300 K, fitted to CoolProp 8.0.0 (101325 Pa) over -50 to 160 C: within
0.02 % there, kinematic viscosity, conductivity and Prandtl number alike.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import bare_apart, inlined
from sim.units import STANDARD_GRAVITY_M_S2, STEFAN_BOLTZMANN_W_M2K4

# At a difference of nothing the standing cylinder's formula runs away while its heat does not:
# below this difference the conductance is held, which moves no temperature by 1e-4 K.
LEAST_DIFFERENCE_K = 1e-3

# The table of `tabled`: intervals even in the fourth root of the difference, about with which
# conductance rises, and in film temperature; the first ends where conductance begins to rise. In
# each it is a cubic both ways, through the formula at thirds: within 2e-8 of it from 5 K on, 1e-6
# at 0.1 K, 3e-5 at 1 mK, where no heat to speak of flows (tests/test_marchers_agree.py).
GRID_DIFFERENCE_K, GRID_COLDEST_K, GRID_WARMEST_K = 256.0, 203.0, 453.0
GRID_ROOTS, GRID_FILMS = 128, 25
LEAST_ROOT = LEAST_DIFFERENCE_K**0.25
ROOT_STEP = (GRID_DIFFERENCE_K**0.25 - LEAST_ROOT) / (GRID_ROOTS - 1)
FILMS_PER_K = GRID_FILMS / (GRID_WARMEST_K - GRID_COLDEST_K)
# Entries of a patch: sixteen coefficients, and where they hold.
NEAR, PER_K, FILMS, NUMBER = 16, 17, 18, 19
PATCH = 20
NO_GRID = np.empty((1, 0, 0))


class Film(NamedTuple):
    """One cell's side to the air about it. `fixed_W_K` >= 0 replaces the correlation."""

    area_m2: float  # the share of the side that air reaches; the ends are left out
    diameter_m: float
    height_m: float
    standing: bool
    emissivity: float
    fixed_W_K: float
    grid: NDArray[np.float64] = NO_GRID  # of `tabled`, (sets, roots, films) [W/m2K]
    tables: int = 0  # which set is this film's


@inlined
def air_properties(film_K):
    """Return kinematic viscosity [m2/s], conductivity [W/mK] and Prandtl number of dry air."""
    x = film_K / 300.0
    viscosity_m2_s = -1.15362308e-6 + x * (4.30116011e-6 + x * (1.40415372e-5 - x * 1.43963337e-6))
    conductivity_W_mK = -6.9142e-4 + x * (3.302028e-2 + x * (-7.09927e-3 + x * 1.15507e-3))
    prandtl = 0.80212698 + x * (-0.16358801 + x * (8.012166e-2 - x * 1.160531e-2))
    return viscosity_m2_s, conductivity_W_mK, prandtl


@inlined
def lying_nusselt(rayleigh, prandtl):
    """Return Nu on the diameter of a lying cylinder, Ra_D below 1e12.

    Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1049; goes to 0.36, its conduction
    limit, as Ra goes to 0.
    """
    spread = (1.0 + (0.559 / prandtl) ** (9.0 / 16.0)) ** (-8.0 / 27.0)
    return (0.60 + 0.387 * rayleigh ** (1.0 / 6.0) * spread) ** 2


@inlined
def plate_nusselt(rayleigh, prandtl):
    """Return Nu on the height of a standing plate: Churchill and Chu, ibid. 18 (1975) 1323."""
    spread = (1.0 + (0.492 / prandtl) ** (9.0 / 16.0)) ** (-8.0 / 27.0)
    return (0.825 + 0.387 * rayleigh ** (1.0 / 6.0) * spread) ** 2


@inlined
def standing_nusselt(rayleigh, prandtl, slenderness):
    """Return Nu on the height of a standing thin cylinder, `slenderness` = height / diameter.

    Popiel, Wojtkowiak and Bober, Exp. Therm. Fluid Sci. 32 (2007) 607: the plate's Nu times a
    curvature term. A cell is no plate: D/L >= 35/Gr^(1/4) fails for every size it comes in.
    """
    b = 0.0571322 + 0.20305 * prandtl**-0.43
    c = 0.9165 - 0.0043 * math.sqrt(prandtl) + 0.01333 * math.log(prandtl) + 0.0004809 / prandtl
    curvature = math.sqrt(32.0) * (rayleigh / prandtl) ** -0.25 * slenderness
    return plate_nusselt(rayleigh, prandtl) * (1.0 + b * curvature**c)


@inlined
def convection_W_m2K(film, surface_K, air_K):
    """Return the natural-convection coefficient, air properties at film temperature."""
    film_K = 0.5 * (surface_K + air_K)
    viscosity_m2_s, conductivity_W_mK, prandtl = air_properties(film_K)
    difference_K = max(abs(surface_K - air_K), LEAST_DIFFERENCE_K)
    length_m = film.height_m if film.standing else film.diameter_m
    buoyancy = STANDARD_GRAVITY_M_S2 / film_K * difference_K
    rayleigh = prandtl * buoyancy * length_m**3 / viscosity_m2_s**2
    if film.standing:
        nusselt = standing_nusselt(rayleigh, prandtl, film.height_m / film.diameter_m)
    else:
        nusselt = lying_nusselt(rayleigh, prandtl)
    return nusselt * conductivity_W_mK / length_m


@inlined
def radiation_W_m2K(emissivity, surface_K, walls_K):
    """Return eps sigma (Ts^2 + Tw^2)(Ts + Tw): a small body in walls at `walls_K`."""
    squares = surface_K * surface_K + walls_K * walls_K
    return emissivity * STEFAN_BOLTZMANN_W_M2K4 * squares * (surface_K + walls_K)


@inlined
def conductance_W_K(film, surface_K, air_K):
    """Return one cell's conductance to air [W/K]; the walls it sees are as warm as the air."""
    if film.fixed_W_K >= 0.0:
        return film.fixed_W_K
    convection = convection_W_m2K(film, surface_K, air_K)
    return film.area_m2 * (convection + radiation_W_m2K(film.emissivity, surface_K, air_K))


def tabled(film: Film) -> Film:
    """Return `film` with the table that `film_patch` reads; films alike but in area share it."""
    if film.fixed_W_K >= 0.0:
        return film
    key = film.diameter_m, film.height_m, film.standing, film.emissivity
    return Film(*film[:6], _grid(*key))


@lru_cache(maxsize=64)
def _grid(diameter_m: float, height_m: float, standing: bool, emissivity: float) -> Any:
    grid = np.empty((1, 3 * GRID_ROOTS + 1, 3 * GRID_FILMS + 1))
    _fill(Film(1.0, diameter_m, height_m, standing, emissivity, -1.0), grid[0])
    return grid


@inlined
def knot_K(i):
    """Return the difference at which interval `i` of the table begins."""
    return 0.0 if i == 0 else (LEAST_ROOT + (i - 1) * ROOT_STEP) ** 4


@bare_apart
def _fill(film, grid):
    for i in range(grid.shape[0]):
        near_K = knot_K(i // 3)
        half_K = 0.5 * (near_K + (knot_K(i // 3 + 1) - near_K) * (i % 3) / 3.0)
        for j in range(grid.shape[1]):
            film_K = GRID_COLDEST_K + j / (3.0 * FILMS_PER_K)
            grid[i, j] = conductance_W_K(film, film_K + half_K, film_K - half_K)


@inlined
def through_thirds(at_0, at_1, at_2, at_3):
    """Return the coefficients of the cubic that has these values at 0, 1/3, 2/3 and 1."""
    return (
        at_0,
        9.0 * at_1 - 4.5 * at_2 + at_3 - 5.5 * at_0,
        9.0 * at_0 - 22.5 * at_1 + 18.0 * at_2 - 4.5 * at_3,
        4.5 * (at_3 - at_0) + 13.5 * (at_1 - at_2),
    )


@inlined
def film_patch(film, surface_K, air_K, found):
    """Fill `found` (PATCH,) with the piece of the table about two temperatures.

    `on_film_patch` reads it: coefficients [W/K] of the cubics over the film temperature, from its
    powers 0 to 3, each over the difference; then the interval's least difference [K], intervals per
    K of difference, film intervals per K, and the film interval. Where the table ends, or there
    is none, it is the formula's value, and holds nowhere else.
    """
    film_K = 0.5 * (surface_K + air_K)
    difference_K = abs(surface_K - air_K)
    for n in range(PATCH):
        found[n] = 0.0
    if film.fixed_W_K >= 0.0:
        found[0] = film.fixed_W_K
        return
    if (
        film.grid.shape[1] == 0
        or not difference_K < GRID_DIFFERENCE_K
        or not GRID_COLDEST_K <= film_K < GRID_WARMEST_K
    ):
        found[0], found[NUMBER] = conductance_W_K(film, surface_K, air_K), 1.0
        return
    i, j = 0, min(int((film_K - GRID_COLDEST_K) * FILMS_PER_K), GRID_FILMS - 1)
    if difference_K >= LEAST_DIFFERENCE_K:
        root = math.sqrt(math.sqrt(difference_K))
        i = min(1 + int((root - LEAST_ROOT) / ROOT_STEP), GRID_ROOTS - 1)
    table, t, u, w, area_m2 = film.grid, int(film.tables), 3 * i, 3 * j, film.area_m2
    for n in range(4):
        found[4 * n], found[4 * n + 1], found[4 * n + 2], found[4 * n + 3] = through_thirds(
            table[t, u, w + n],
            table[t, u + 1, w + n],
            table[t, u + 2, w + n],
            table[t, u + 3, w + n],
        )
    for n in range(4):
        found[n], found[4 + n], found[8 + n], found[12 + n] = through_thirds(
            area_m2 * found[n],
            area_m2 * found[4 + n],
            area_m2 * found[8 + n],
            area_m2 * found[12 + n],
        )
    found[NEAR] = knot_K(i)
    found[PER_K] = 1.0 / (knot_K(i + 1) - found[NEAR])
    found[FILMS], found[NUMBER] = FILMS_PER_K, j * 1.0


@inlined
def on_film_patch(patch, surface_K, air_K):
    """Return the conductance to air [W/K], and whether the patch holds at these temperatures."""
    difference_K = abs(surface_K - air_K)
    film_K = 0.5 * (surface_K + air_K)
    f = (difference_K - patch[NEAR]) * patch[PER_K]
    g = (film_K - GRID_COLDEST_K) * patch[FILMS] - patch[NUMBER]
    holds = (f >= 0.0) & (f < 1.0) & (g >= 0.0) & (g < 1.0)
    square = f * f
    flat = (patch[0] + f * patch[1]) + square * (patch[2] + f * patch[3])
    up = (patch[4] + f * patch[5]) + square * (patch[6] + f * patch[7])
    bent = (patch[8] + f * patch[9]) + square * (patch[10] + f * patch[11])
    twice = (patch[12] + f * patch[13]) + square * (patch[14] + f * patch[15])
    return (flat + g * up) + (g * g) * (bent + g * twice), holds


@inlined
def quick_conductance_W_K(film, patch, surface_K, air_K):
    """Return `conductance_W_K` from the table; by the formula where there is none or it ends.

    `patch` (PATCH,) is kept from call to call, and filled anew where it does not hold.
    """
    to_air_W_K, holds = on_film_patch(patch, surface_K, air_K)
    if not holds:
        film_patch(film, surface_K, air_K, patch)
        to_air_W_K, _ = on_film_patch(patch, surface_K, air_K)
    return to_air_W_K
