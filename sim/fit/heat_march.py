"""A cell's core and surface under a measured heat, compiled: what the heat fit simulates.

The same two nodes and the same film as `sim.physics`; heat is handed in row by row, since here it
comes from measured voltage and not from a table of resistances.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import compiled_apart
from sim.physics.film import NUMBER, PATCH, Film, quick_conductance_W_K

Floats = NDArray[np.float64]

GAMMA = 1.0 - math.sqrt(0.5)
LONGEST_S = 10.0  # of a step; second order, so that a step of 10 s misses 1 mK on these cells


@compiled_apart
def two_nodes(
    time_s: Floats,
    heat_W: Floats,
    air_K: Floats,
    first_K: float,
    core_J_K: float,
    surface_J_K: float,
    across_W_K: float,
    film: Film,
    cooling: float,
    core_K: Floats,
    surface_K: Floats,
) -> None:
    """Fill core and surface (n,) from a start at `first_K`, both nodes alike.

    `heat_W` (n - 1,) is made in the core from each time to the next; air runs straight between
    times. `cooling` multiplies the film's conductance. Two-stage L-stable rule of Alexander (SIAM
    J. Numer. Anal. 14 (1977) 1006), film held over a step at the surface half a step ahead.
    """
    ahead = (1.0 - GAMMA) / GAMMA
    core, surface, drift_K_s = first_K, first_K, 0.0
    core_K[0], surface_K[0] = core, surface
    patch = np.zeros(PATCH)
    patch[NUMBER] = 1.0  # holds nowhere yet
    for k in range(time_s.shape[0] - 1):
        span_s = time_s[k + 1] - time_s[k]
        pieces = max(1, math.ceil(span_s / LONGEST_S - 1e-9))
        step_s = span_s / pieces
        a = 1.0 / (GAMMA * step_s)
        for j in range(pieces):
            air = air_K[k] + (j + 0.5) / pieces * (air_K[k + 1] - air_K[k])
            half_ahead = surface + 0.5 * step_s * drift_K_s
            g = cooling * quick_conductance_W_K(film, patch, half_ahead, air)
            core_a = a * core_J_K + across_W_K
            surface_a = a * surface_J_K + across_W_K + g
            scale = 1.0 / (core_a * surface_a - across_W_K * across_W_K)

            core_W = heat_W[k] - across_W_K * (core - surface)
            surface_W = across_W_K * (core - surface) - g * (surface - air)
            core_1 = core + ahead * (core_W * surface_a + across_W_K * surface_W) * scale
            surface_1 = surface + ahead * (surface_W * core_a + across_W_K * core_W) * scale

            core_W = heat_W[k] - across_W_K * (core_1 - surface_1)
            surface_W = across_W_K * (core_1 - surface_1) - g * (surface_1 - air)
            core = core_1 + (core_W * surface_a + across_W_K * surface_W) * scale
            new_surface = surface_1 + (surface_W * core_a + across_W_K * core_W) * scale
            drift_K_s = (new_surface - surface) / step_s
            surface = new_surface
        core_K[k + 1], surface_K[k + 1] = core, surface
