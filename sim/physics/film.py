"""Heat from a cell's side to still air and to the walls that it sees.

Air properties are cubics in T/300 K, fitted to CoolProp 8.0.0 (101325 Pa) over -50 to 160 C: within
0.02 % there, kinematic viscosity, conductivity and Prandtl number alike.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import bare, bare_apart
from sim.units import STANDARD_GRAVITY_M_S2, STEFAN_BOLTZMANN_W_M2K4

# At a difference of nothing the standing cylinder's formula runs away while its heat does not:
# below this difference the conductance is held, which moves no temperature by 1e-4 K.
LEAST_DIFFERENCE_K = 1e-3

# The table of `tabled`: even in the fourth root of the difference, since conductance rises about
# with that root, and in film temperature. Bilinear, it misses the formula by 2e-4, or by 3e-3 below
# 5 mK, where no heat to speak of flows.
GRID_DIFFERENCE_K, GRID_COLDEST_K, GRID_WARMEST_K = 256.0, 203.0, 453.0
GRID_ROOTS, GRID_FILMS = 256, 50
NO_GRID = np.empty((0, 0))


class Film(NamedTuple):
    """One cell's side to the air about it. `fixed_W_K` >= 0 replaces the correlation."""

    area_m2: float  # the share of the side that air reaches; the ends are left out
    diameter_m: float
    height_m: float
    standing: bool
    emissivity: float
    fixed_W_K: float
    grid: NDArray[np.float64] = NO_GRID  # of `tabled`, (roots, films) [W/K]


@bare
def air_properties(film_K):
    """Return kinematic viscosity [m2/s], conductivity [W/mK] and Prandtl number of dry air."""
    x = film_K / 300.0
    viscosity_m2_s = -1.15362308e-6 + x * (4.30116011e-6 + x * (1.40415372e-5 - x * 1.43963337e-6))
    conductivity_W_mK = -6.9142e-4 + x * (3.302028e-2 + x * (-7.09927e-3 + x * 1.15507e-3))
    prandtl = 0.80212698 + x * (-0.16358801 + x * (8.012166e-2 - x * 1.160531e-2))
    return viscosity_m2_s, conductivity_W_mK, prandtl


@bare
def lying_nusselt(rayleigh, prandtl):
    """Return Nu on the diameter of a lying cylinder, Ra_D below 1e12.

    Churchill and Chu, Int. J. Heat Mass Transfer 18 (1975) 1049; goes to 0.36, its conduction
    limit, as Ra goes to 0.
    """
    spread = (1.0 + (0.559 / prandtl) ** (9.0 / 16.0)) ** (-8.0 / 27.0)
    return (0.60 + 0.387 * rayleigh ** (1.0 / 6.0) * spread) ** 2


@bare
def plate_nusselt(rayleigh, prandtl):
    """Return Nu on the height of a standing plate: Churchill and Chu, ibid. 18 (1975) 1323."""
    spread = (1.0 + (0.492 / prandtl) ** (9.0 / 16.0)) ** (-8.0 / 27.0)
    return (0.825 + 0.387 * rayleigh ** (1.0 / 6.0) * spread) ** 2


@bare
def standing_nusselt(rayleigh, prandtl, slenderness):
    """Return Nu on the height of a standing thin cylinder, `slenderness` = height / diameter.

    Popiel, Wojtkowiak and Bober, Exp. Therm. Fluid Sci. 32 (2007) 607: the plate's Nu times a
    curvature term. A cell is no plate: D/L >= 35/Gr^(1/4) fails for every size it comes in.
    """
    b = 0.0571322 + 0.20305 * prandtl**-0.43
    c = 0.9165 - 0.0043 * math.sqrt(prandtl) + 0.01333 * math.log(prandtl) + 0.0004809 / prandtl
    curvature = math.sqrt(32.0) * (rayleigh / prandtl) ** -0.25 * slenderness
    return plate_nusselt(rayleigh, prandtl) * (1.0 + b * curvature**c)


@bare
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


@bare
def radiation_W_m2K(emissivity, surface_K, walls_K):
    """Return eps sigma (Ts^2 + Tw^2)(Ts + Tw): a small body in walls at `walls_K`."""
    squares = surface_K * surface_K + walls_K * walls_K
    return emissivity * STEFAN_BOLTZMANN_W_M2K4 * squares * (surface_K + walls_K)


@bare
def conductance_W_K(film, surface_K, air_K):
    """Return one cell's conductance to air [W/K]; the walls it sees are as warm as the air."""
    if film.fixed_W_K >= 0.0:
        return film.fixed_W_K
    convection = convection_W_m2K(film, surface_K, air_K)
    return film.area_m2 * (convection + radiation_W_m2K(film.emissivity, surface_K, air_K))


def tabled(film: Film) -> Film:
    """Return `film` with the table that `quick_conductance_W_K` reads."""
    grid = np.empty((GRID_ROOTS + 1, GRID_FILMS + 1))
    _fill(film, grid)
    return film._replace(grid=grid)


@bare_apart
def _fill(film, grid):
    step = GRID_DIFFERENCE_K**0.25 / GRID_ROOTS
    for i in range(GRID_ROOTS + 1):
        half_K = 0.5 * (i * step) ** 4
        for j in range(GRID_FILMS + 1):
            film_K = GRID_COLDEST_K + (GRID_WARMEST_K - GRID_COLDEST_K) * j / GRID_FILMS
            grid[i, j] = conductance_W_K(film, film_K + half_K, film_K - half_K)


@bare
def quick_conductance_W_K(film, surface_K, air_K):
    """Return `conductance_W_K` from the table; by the formula where there is none or it ends."""
    film_K = 0.5 * (surface_K + air_K)
    difference_K = abs(surface_K - air_K)
    if (
        film.grid.shape[0] == 0
        or not difference_K < GRID_DIFFERENCE_K
        or not GRID_COLDEST_K <= film_K < GRID_WARMEST_K
    ):
        return conductance_W_K(film, surface_K, air_K)
    u = math.sqrt(math.sqrt(difference_K)) * (GRID_ROOTS / GRID_DIFFERENCE_K**0.25)
    w = (film_K - GRID_COLDEST_K) * (GRID_FILMS / (GRID_WARMEST_K - GRID_COLDEST_K))
    i, j = int(u), int(w)
    f, g = u - i, w - j
    low = film.grid[i, j] * (1.0 - g) + film.grid[i, j + 1] * g
    high = film.grid[i + 1, j] * (1.0 - g) + film.grid[i + 1, j + 1] * g
    return low * (1.0 - f) + high * f
