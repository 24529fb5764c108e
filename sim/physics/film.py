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

from sim.physics.compiled import bare_apart, inlined, inside
from sim.physics.side_by_side import never_inlined
from sim.units import STANDARD_GRAVITY_M_S2, STEFAN_BOLTZMANN_W_M2K4

# At a difference of nothing the standing cylinder's formula runs away while its heat does not:
# below this difference the conductance is held, which moves no temperature by 1e-4 K.
LEAST_DIFFERENCE_K = 1e-3

# The table of `tabled`: knots even in the fourth root of the difference, about with which
# conductance rises, and in film temperature. Straight between them, it misses the formula by 2e-4,
# or by 3e-3 below 5 mK, where no heat to speak of flows.
GRID_DIFFERENCE_K, GRID_COLDEST_K, GRID_WARMEST_K = 256.0, 203.0, 453.0
GRID_ROOTS, GRID_FILMS = 256, 50
ROOT_STEP = GRID_DIFFERENCE_K**0.25 / GRID_ROOTS
FILMS_PER_K = GRID_FILMS / (GRID_WARMEST_K - GRID_COLDEST_K)
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
    return film._replace(grid=_grid(*key), tables=0)


@lru_cache(maxsize=64)
def _grid(diameter_m: float, height_m: float, standing: bool, emissivity: float) -> Any:
    grid = np.empty((1, GRID_ROOTS + 1, GRID_FILMS + 1))
    _fill(Film(1.0, diameter_m, height_m, standing, emissivity, -1.0), grid[0])
    return grid


@bare_apart
def _fill(film, grid):
    for i in range(GRID_ROOTS + 1):
        half_K = 0.5 * (i * ROOT_STEP) ** 4
        for j in range(GRID_FILMS + 1):
            film_K = GRID_COLDEST_K + (GRID_WARMEST_K - GRID_COLDEST_K) * j / GRID_FILMS
            grid[i, j] = conductance_W_K(film, film_K + half_K, film_K - half_K)


@inside
def film_patch(film, surface_K, air_K):
    """Return four points of the table about two temperatures, as `on_film_patch` takes them.

    Four coefficients as of `cell.on_patch` [W/K], then where they hold: the least difference [K],
    intervals per K of difference, film intervals per K, and the film interval. Where the table
    ends, or there is none, it is the formula's value, and holds nowhere else.
    """
    never_inlined()
    film_K = 0.5 * (surface_K + air_K)
    difference_K = abs(surface_K - air_K)
    if film.fixed_W_K >= 0.0:
        return film.fixed_W_K, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
    if (
        film.grid.shape[1] == 0
        or not difference_K < GRID_DIFFERENCE_K
        or not GRID_COLDEST_K <= film_K < GRID_WARMEST_K
    ):
        return conductance_W_K(film, surface_K, air_K), 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 1.0
    i = min(int(math.sqrt(math.sqrt(difference_K)) / ROOT_STEP), GRID_ROOTS - 1)
    j = min(int((film_K - GRID_COLDEST_K) * FILMS_PER_K), GRID_FILMS - 1)
    near_K = (i * ROOT_STEP) ** 4
    table, t, area_m2 = film.grid, int(film.tables), film.area_m2
    corner, along = table[t, i, j], table[t, i + 1, j] - table[t, i, j]
    up = table[t, i, j + 1] - corner
    twist = table[t, i + 1, j + 1] - table[t, i, j + 1] - along
    return (
        area_m2 * corner,
        area_m2 * along,
        area_m2 * up,
        area_m2 * twist,
        near_K,
        1.0 / (((i + 1) * ROOT_STEP) ** 4 - near_K),
        FILMS_PER_K,
        j * 1.0,
    )


@inlined
def on_film_patch(patch, surface_K, air_K):
    """Return the conductance to air [W/K], and whether the patch holds at these temperatures."""
    difference_K = abs(surface_K - air_K)
    film_K = 0.5 * (surface_K + air_K)
    f = (difference_K - patch[4]) * patch[5]
    g = (film_K - GRID_COLDEST_K) * patch[6] - patch[7]
    holds = (f >= 0.0) & (f < 1.0) & (g >= 0.0) & (g < 1.0)
    return patch[0] + f * patch[1] + g * (patch[2] + f * patch[3]), holds


@inlined
def quick_conductance_W_K(film, surface_K, air_K):
    """Return `conductance_W_K` from the table; by the formula where there is none or it ends."""
    return on_film_patch(film_patch(film, surface_K, air_K), surface_K, air_K)[0]
