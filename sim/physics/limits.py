"""Every limit as one signed margin: positive is safe, zero is the limit itself.

One function computes all margins; event times, worst values, the verdict and every search read
this one. A limit that does not apply (charging limits while discharging, a limit that was not
given) has an infinite margin.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.physics.compiled import bare
from sim.physics.pack import cells

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


@bare
def margins(limits, plant, soc, core_K, seen, margin):
    """Fill `margin` (COUNT,), in `UNITS`; `seen` = cell current [A], cell voltage [V], room [W]."""
    current_A, cell_V, room_W = seen
    margin[CUTOFF] = cell_V - limits.cutoff_V
    margin[EMPTY] = 100.0 * soc
    margin[RESERVE] = 100.0 * (soc - limits.reserve_soc)
    margin[HOT] = limits.core_max_K - core_K
    margin[COLD] = core_K - limits.discharge_core_min_K if current_A > 0.0 else math.inf
    margin[CELL_DISCHARGE] = limits.cell_discharge_A - current_A if current_A > 0.0 else math.inf
    if current_A < 0.0:
        margin[CHARGE_HOT] = limits.charge_core_max_K - core_K
        margin[CHARGE_COLD] = core_K - limits.charge_core_min_K
        margin[OVERCHARGE] = limits.full_V - cell_V
        margin[CELL_CHARGE] = limits.cell_charge_A + current_A
    else:
        margin[CHARGE_HOT] = math.inf
        margin[CHARGE_COLD] = math.inf
        margin[OVERCHARGE] = math.inf
        margin[CELL_CHARGE] = math.inf
    margin[PACK_CURRENT] = limits.pack_current_A - abs(current_A) * plant.pack.parallel
    margin[BEYOND_REACH] = room_W * cells(plant.pack)
    margin[OUTSIDE_TABLE] = core_K - limits.coldest_table_K if current_A != 0.0 else math.inf
    margin[BEYOND_MODEL] = MODEL_ENDS_K - core_K
