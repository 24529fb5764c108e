"""Heat in a cell and out of it against closed forms, exact series and laws.

T, C and N numbers are rows of the project's list of check values; the source of each stands beside
it.
"""

from __future__ import annotations

import math

import numpy as np
import plants
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.linalg import expm
from scipy.special import jn_zeros

from sim.drive.legs import leg_at
from sim.integrate.reference import Settings, march
from sim.judge.audit import balances
from sim.judge.series import totals
from sim.physics.box import AIR_AND_WALL, AIR_NODE, FREE_AIR, Box
from sim.physics.film import Film
from sim.physics.limits import BEYOND_MODEL, HOT
from sim.physics.pack import CURRENT, POWER, Pack
from sim.physics.plant import CORE, SURFACE, at_rest, rates
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
    return plants.cell(
        capacity_Ah=400.0, polarisation=[], resistance=resistance, heat=heat, **over
    )


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
