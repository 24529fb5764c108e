"""Room for the march of a pack as built: arrays that are filled anew at every step."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.board import QUANTITIES
from sim.physics.built import COUNT, FIRST_CELL, GROUP_COUNT, Built

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# Rows of `Work.cells` (R, n).
(
    WEIGHT,  # like cells that each stands for, in its pack
    OHMIC_OHM,
    OPEN_V,
    SLOPE_V_K,
    SOURCE_V,
    CONDUCTANCE_S,
    STILL_V,
    PER_A_OHM,
    PIVOT_S,
    CURRENT_A,
    MIDDLE_SOC,
    MIDDLE_CORE_K,
    MIDDLE_OVER_V,
    CORE_W,
    JOINT_W,
    FILM_W_K,  # the whole film of each cell
    DIAGONAL_W_K,
    PASSED_W,
    CORE_1,  # changes of temperature over the implicit stages [K]
    SURFACE_1,
    CORE_2,
    SURFACE_2,
    DRAG_OHM,  # what pairs and moving charge add to its resistance over a step
    RISE_V,  # of the open-circuit voltage over all of the charge, where the cell stands
) = range(24)
FIRST_PAIR = 24  # then three rows a pair: resistance, time constant, what half a step leaves
# Rows of `Work.groups`, of `Work.packs` and of `Work.flags`.
GROUP_V, GROUP_OHM = range(2)
(
    PACK_V,  # source behind leads and board
    PACK_OHM,
    PACK_A,
    LIMIT_A,  # of its charge current
    MODULE_W,  # busbars' heat into the module's air
    TO_MODULE,  # sums over cells: conductance left to the module after elimination,
    TO_BOX_AIR,  # to the box's air,
    ACROSS,  # between the two through the cells,
    MODULE_HEAT,  # and heat towards them
    BOX_HEAT,
    COUPLED,
    PASSED_IN,
    PASSED_OUT,
    MODULE_1,
    MODULE_2,
    MODULE_K_S,  # at which its air warmed over the last step
) = range(16)
DISCHARGING, TAKES_PART = 0, 5  # between them those of `sim.physics.board`
# Entries of `Work.airs`.
AIR_1, WALL_1, AIR_2, WALL_2, BOX_W, HALF_S, AIR_K_S, JUMP_OHM = range(8)  # last: of the bus


class Work(NamedTuple):
    """Everything of a step that is not state."""

    cells: Floats  # (FIRST_PAIR + 3 pairs, n)
    pack_of: Places  # (n,)
    groups: Floats  # (2, G)
    packs: Floats  # (16, P)
    flags: NDArray[np.bool_]  # (6, P)
    airs: Floats  # (8,)
    seen: Floats  # (P, QUANTITIES)


def room_for(built: Built) -> Work:
    """Return arrays for `built`."""
    n, groups, packs = built.fixed.shape[1], built.group.shape[1], built.pack.shape[1]
    group_of = np.repeat(np.arange(groups), np.diff(built.group_at[FIRST_CELL]))
    cells = np.zeros((FIRST_PAIR + 3 * len(built.cell.pairs), n))
    cells[FIRST_PAIR:] = 1.0
    cells[WEIGHT] = built.fixed[COUNT] * built.group[GROUP_COUNT, group_of]
    return Work(
        cells,
        np.repeat(np.arange(packs), np.diff(built.pack_at))[group_of],
        np.zeros((2, groups)),
        np.zeros((16, packs)),
        np.ones((6, packs), dtype=np.bool_),
        np.zeros(8),
        np.zeros((packs, QUANTITIES)),
    )
