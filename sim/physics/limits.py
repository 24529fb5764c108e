"""Every limit as one signed margin: positive is safe, zero is the limit itself.

One function computes all margins; event times, worst values, the verdict and every search read
this one. A limit that does not apply (charging limits while discharging, a limit that was not
given) has an infinite margin.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.physics.compiled import inlined
from sim.physics.pack import cells
from sim.physics.side_by_side import where

# Order of every vector of margins.
NAMES = (
    "cutoff",
    "empty",
    "reserve",
    "hot",
    "cold",
    "charge_hot",
    "charge_cold",
    "overcharge",
    "cell_discharge",
    "cell_charge",
    "pack_current",
    "beyond_reach",
    "outside_table",
    "beyond_model",
)
CUTOFF, EMPTY, RESERVE, HOT, COLD, CHARGE_HOT, CHARGE_COLD, OVERCHARGE = range(8)
CELL_DISCHARGE, CELL_CHARGE, PACK_CURRENT, BEYOND_REACH, OUTSIDE_TABLE, BEYOND_MODEL = range(8, 14)
COUNT = len(NAMES)

UNITS = ("V", "%", "%", "K", "K", "K", "K", "V", "A", "A", "A", "W", "K", "K")

# The vehicle stops where its pack can give no more; the model stops where it knows no more.
STOPS_DRIVE = (CUTOFF, EMPTY, BEYOND_REACH)
MODEL_ENDS_K = 273.15 + 150.0  # far past where a cell feeds its own fire; see references, S05


class Limits(NamedTuple):
    """Levels in V, K, A and state of charge; infinite where there is no such limit."""

    cutoff_V: float
    full_V: float
    reserve_soc: float
    core_max_K: float
    discharge_core_min_K: float
    charge_core_max_K: float
    charge_core_min_K: float
    cell_discharge_A: float
    cell_charge_A: float
    pack_current_A: float  # of one pack
    coldest_table_K: float


@inlined
def margins(limits, plant, soc, core_K, seen, margin):
    """Fill `margin` (COUNT,), in `UNITS`; `seen` = cell current [A], cell voltage [V], room [W]."""
    current_A, cell_V, room_W = seen
    gives, takes = current_A > 0.0, current_A < 0.0
    margin[CUTOFF] = cell_V - limits.cutoff_V
    margin[EMPTY] = 100.0 * soc
    margin[RESERVE] = 100.0 * (soc - limits.reserve_soc)
    margin[HOT] = limits.core_max_K - core_K
    margin[COLD] = where(gives, core_K - limits.discharge_core_min_K, math.inf)
    margin[CHARGE_HOT] = where(takes, limits.charge_core_max_K - core_K, math.inf)
    margin[CHARGE_COLD] = where(takes, core_K - limits.charge_core_min_K, math.inf)
    margin[OVERCHARGE] = where(takes, limits.full_V - cell_V, math.inf)
    margin[CELL_DISCHARGE] = where(gives, limits.cell_discharge_A - current_A, math.inf)
    margin[CELL_CHARGE] = where(takes, limits.cell_charge_A + current_A, math.inf)
    margin[PACK_CURRENT] = limits.pack_current_A - abs(current_A) * plant.pack.parallel
    margin[BEYOND_REACH] = room_W * cells(plant.pack)
    margin[OUTSIDE_TABLE] = where(gives | takes, core_K - limits.coldest_table_K, math.inf)
    margin[BEYOND_MODEL] = MODEL_ENDS_K - core_K
