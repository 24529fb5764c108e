"""The pack as it is built: every cell, or a few that stand for many, and how they hang together.

All arrays run over cells (n), groups (G) or packs (P), quantities in rows, so that compiled code
is handed few arrays and walks along them. A cell may stand for `COUNT` like cells of its group, a
group for `GROUP_COUNT` like groups in series, a pack for `PACK_COUNT` like packs in parallel:
identical cells are one entry, a resolved pack has an entry each, three places of a module three.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.box import Box
from sim.physics.cell import Cell
from sim.physics.film import Film

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# Rows of `Built.fixed`: what differs from cell to cell. The scale is on every resistance of the
# profile's tables. A cell whose link is open (LINKED 0, else 1) carries nothing. INWARD and OUTWARD
# are the shares of the film's conductance to the module's own air and to the air of the box. Guards
# feel the surfaces of cells with a sensor (FELT 1), or every core where there is none.
CAPACITY_AS, SCALE, JOINT_OHM, LINKED, COUNT, INWARD, OUTWARD, FELT = range(8)
FIXED = 8
# Rows of `Built.group` and `Built.group_at`; a link of 0 ohm stands for ideal busbars. The leads
# attach to the plus rail at one cell and to the minus rail at another.
GROUP_COUNT, LINK_OHM = range(2)
FIRST_CELL, PLUS_AT, MINUS_AT = range(3)
# Rows of `Built.pack`; a count of 0 is a pack that is out. The board's resistance heats the box, as
# does its drop, which charge passes while the discharge path is off. The module's own air and
# holder have a heat capacity (0 for no module) and a conductance to the air of the box.
PACK_COUNT, LEAD_OHM, BOARD_OHM, BOARD_DROP_V, MODULE_J_K, MODULE_W_K = range(6)


class Built(NamedTuple):
    """Everything of the packs that does not change during a run."""

    cell: Cell
    film: Film
    box: Box
    fixed: Floats  # (FIXED, n)
    neighbour: Places  # (n, k) cells that touch through the holder, -1 for none
    neighbour_W_K: Floats  # (n, k) conductance to each, per cell
    group: Floats  # (2, G)
    group_at: Places  # (3, G + 1); FIRST_CELL has the end behind the last
    pack: Floats  # (6, P)
    pack_at: Places  # (P + 1,) first group of each pack, and the end


# Rows of `State.cells`, behind them one overvoltage a pair; as in `sim.physics.plant` in K, V.
SOC, CORE, SURFACE, FIRST_OVER = range(4)


class State(NamedTuple):
    """What changes, filled in place. Temperatures in K."""

    cells: Floats  # (FIRST_OVER + pairs, n)
    airs_K: Floats  # (P + 2,) each module's air, the box's air, its wall
    sums: Floats  # (P, SUMS) of each pack as a whole [J], charge [As]; times PACK_COUNT for all
    box_sums: Floats  # (BOX_SUMS,) [J]


# Columns of `State.sums`.
(
    DRAWN,  # As out of the pack
    CHEMICAL,  # what the chemistry gives: I (U - T dU/dT)
    AT_BUS,  # behind leads and board
    OHMIC,
    PAIRS,
    STORED,
    REVERSIBLE,
    JOINT,
    LINK,  # busbars between neighbours
    LEAD,
    BOARD,
    TO_AIR,  # from the cells to module and box air
    TO_BOX,  # from the module's air to the box's
    IN_MODULE,  # busbars' heat that goes to the module's air
) = range(14)
SUMS = 14
# Entries of `State.box_sums`.
ASKED, DELIVERED, SHORT, CHARGED, SUN, OTHER_HEAT, TO_OUTSIDE, IN_BOX = range(8)
BOX_SUMS = 8


def sensors_in(built: Built) -> Places:
    """Return the cells that carry a sensor (S,), in rising order."""
    return np.flatnonzero(built.fixed[FELT] > 0.0)


def at_rest(built: Built, soc: Floats, cell_K: Floats, air_K: float) -> State:
    """Return a state with empty pairs; `soc` and `cell_K` (n,), all air at `air_K`."""
    cells = np.zeros((FIRST_OVER + len(built.cell.pairs), built.fixed.shape[1]))
    cells[SOC], cells[CORE], cells[SURFACE] = soc, cell_K, cell_K
    packs = built.pack.shape[1]
    return State(cells, np.full(packs + 2, air_K), np.zeros((packs, SUMS)), np.zeros(BOX_SUMS))


def copied(state: State) -> State:
    """Return a state of its own."""
    return State(*(array.copy() for array in state))
