"""Room for the march of a pack as built: arrays that are filled anew at every step.

Cells are marched eight abreast, in arrays that begin on a whole line of the cache, since else each
look at eight is at two of them. So each pack's cells are filled up to a multiple of eight with
doubles of its last one, which weigh nothing and do what that one does: `abreast` says how.
"""

from __future__ import annotations

import itertools
import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.integrate.facets import A_PAIR, CHORD, CURVE, FILM_AT, FILM_NUMBER, LOW, PLACES
from sim.physics.abreast import WIDE, aligned, at, gathered, in_line
from sim.physics.board import QUANTITIES
from sim.physics.built import (
    CAPACITY_AS,
    COUNT,
    FELT,
    FIRST_CELL,
    GROUP_COUNT,
    LINK_OHM,
    LINKED,
    MINUS_AT,
    PLUS_AT,
    Built,
    State,
)
from sim.physics.compiled import inlined
from sim.physics.group import Ladders, ladders_of

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# Rows of `Work.cells` (R, N).
(
    WEIGHT,  # like cells that each stands for, in its pack
    OHMIC_OHM,
    OPEN_V,
    SLOPE_V_K,
    SOURCE_V,
    CONDUCTANCE_S,
    STILL_V,
    PER_A_OHM,
    CURRENT_A,
    MIDDLE_SOC,
    MIDDLE_CORE_K,
    CORE_W,
    JOINT_W,
    FILM_W_K,  # the whole film of each cell
    SETTLES_K_W,  # of a stage: how its surface follows a net heat
    PASSED_1,  # its net heat in either stage, the core's part of it passed on
    PASSED_2,
    CORE_1,  # changes of temperature over the implicit stages [K]
    SURFACE_1,
    CORE_2,
    SURFACE_2,
    DRAG_OHM,  # what pairs and moving charge add to its resistance over a step
    RISE_V,  # of the open-circuit voltage over all of the charge, where the cell stands
    PART,  # of its group's capacity, with all like it; nothing where its link is open
    HALF_SHARE,  # of its charge, that 1 A takes in half a step
    NET_CORE_W,  # what a stage begins with, at core and surface
    NET_SURFACE_W,
    PASSED_ON_W,  # the same with what comes from neighbours
    BETWEEN_W_K,  # to all neighbours
    MIDDLE_SURFACE_K,  # filled only where sensors are read
) = range(30)
# Then rows of each pair: resistance, time constant, conductance, what half a step leaves.
FIRST_PAIR, PAIR_ROWS = 30, 4
PAIR_OHM, PAIR_S, PAIR_SIEMENS, PAIR_LEFT = range(4)
# Rows of `Work.groups`, of `Work.packs` and of `Work.flags`.
GROUP_V, GROUP_OHM, WHOLE_AS = range(3)
(
    PACK_V,  # source behind leads and board
    PACK_OHM,
    PACK_A,
    LIMIT_A,  # of its charge current
    MODULE_W,  # busbars' heat into the module's air
    MODULE_NET_W,
    MODULE_SETTLES_K_W,
    COUPLED,
    MODULE_1,
    MODULE_2,
    MODULE_K_S,  # at which its air warmed over the last step
) = range(11)
# Columns of `Work.folds`, sums over the cells of a pack.
(
    TO_MODULE,  # conductance left to the module after elimination,
    TO_BOX_AIR,  # to the box's air,
    ACROSS,  # between the two through the cells,
    MODULE_HEAT,  # and heat towards them
    BOX_HEAT,
    PASSED_IN,
    PASSED_OUT,
) = range(7)
EIGHT = (0,) * 8
DISCHARGING, TAKES_PART = 0, 5  # between them those of `sim.physics.board`
# Entries of `Work.airs`; the last is of the bus.
AIR_1, WALL_1, AIR_2, WALL_2, BOX_W, HALF_S, AIR_K_S = range(7)
AIR_NET_W, WALL_NET_W, AIR_SETTLES_K_W, WALL_SETTLES_K_W, HANDED_ON, JUMP_OHM = range(7, 13)
BY_SENSORS = 13  # above 0 where guards feel sensors
# Rows of `Abreast.cell_at`, and what stands behind those of `Built.group_at` once it is abreast.
FIRST, END = range(2)
END_CELL = 3


class Abreast(NamedTuple):
    """A pack as built with its cells filled up, and the way there and back."""

    built: Built  # `group_at` (4, G) with END_CELL, neighbours (k, N), none by a conductance of 0
    source: Places  # (N,) which cell of the record each one is or doubles
    home: Places  # (n,) where each cell of the record stands
    pack_cells: Places  # (P + 1,) first cell of each pack, and the end


class Work(NamedTuple):
    """Everything of a step that is not state."""

    cells: Floats  # (FIRST_PAIR + PAIR_ROWS pairs, N)
    facets: Floats  # (N / WIDE, rows, WIDE) pieces of the tables on which the cells stand
    ladders: Ladders  # of the groups that have links and a cell on them
    runs: Places  # (k, N / WIDE) where a block's neighbours begin that stand in a row, or -1
    source: Places  # (N,)
    pack_of: Places  # (N,)
    pack_cells: Places  # (P + 1,)
    groups: Floats  # (3, G)
    packs: Floats  # (11, P)
    flags: NDArray[np.bool_]  # (6, P)
    airs: Floats  # (14,)
    folds: Floats  # (P, len(EIGHT))
    seen: Floats  # (P, QUANTITIES)


def abreast(built: Built) -> Abreast:
    """Return `built` with each pack's cells filled up to a multiple of the lanes."""
    edges = built.group_at[FIRST_CELL][built.pack_at]
    filled = [np.arange(first, end) for first, end in itertools.pairwise(edges)]
    filled = [np.pad(cells, (0, -len(cells) % WIDE), mode="edge") for cells in filled]
    source = np.concatenate(filled)
    own = np.concatenate([[True], source[1:] != source[:-1]])
    home = np.flatnonzero(own)
    pack_cells = np.concatenate([[0], np.cumsum([len(cells) for cells in filled])])
    at = built.group_at
    group_at = np.stack(
        [home[at[FIRST_CELL, :-1]], home[at[PLUS_AT, :-1]], home[at[MINUS_AT, :-1]],
         home[at[FIRST_CELL, 1:] - 1] + 1]
    )  # fmt: skip
    touches = built.neighbour[source] >= 0
    neighbour = _filled(np.where(touches, home[built.neighbour[source]], -1).T)
    wide = built._replace(
        fixed=in_line(np.ascontiguousarray(built.fixed[:, source])),
        neighbour=neighbour,
        neighbour_W_K=in_line(
            np.ascontiguousarray(
                np.where(touches, built.neighbour_W_K[source], 0.0).T.astype(float)
            )
        ),
        group_at=np.ascontiguousarray(group_at.astype(np.intp)),
    )
    return Abreast(wide, source.astype(np.intp), home, pack_cells.astype(np.intp))


def _in_blocks(neighbour: Places) -> Places:
    return neighbour.reshape(len(neighbour), neighbour.shape[1] // WIDE, WIDE)


def _filled(neighbour: Places) -> Places:
    """Return neighbours (k, N) with somebody in place of -1, nobody: whoever makes a run."""
    own = np.broadcast_to(np.arange(neighbour.shape[1]), neighbour.shape)
    off, none = _in_blocks(neighbour - own), _in_blocks(neighbour) < 0
    least = np.min(np.where(none, neighbour.shape[1], off), axis=2)
    most = np.max(np.where(none, -neighbour.shape[1], off), axis=2)
    start = _in_blocks(own)[:, :, 0] + least
    in_a_row = (least == most) & (start >= 0) & (start <= neighbour.shape[1] - WIDE)
    nobody = np.where(np.repeat(in_a_row, WIDE, axis=1), own + np.repeat(least, WIDE, axis=1), own)
    return np.ascontiguousarray(np.where(neighbour < 0, nobody, neighbour).astype(np.intp))


def runs_of(neighbour: Places) -> Places:
    """Return where each block's neighbours (k, N) begin if they stand in a row, else -1."""
    blocks = _in_blocks(neighbour)
    in_a_row = np.all(blocks - blocks[:, :, :1] == np.arange(WIDE), axis=2)
    return np.ascontiguousarray(np.where(in_a_row, blocks[:, :, 0], -1))


def widened(state: State, way: Abreast) -> State:
    """Return a state with the cells filled up; its sums and airs are `state`'s own."""
    return state._replace(cells=in_line(np.ascontiguousarray(state.cells[:, way.source])))


def room_for(built: Built) -> Work:
    """Return arrays for `built`."""
    way = abreast(built)
    n, groups, packs = len(way.source), built.group.shape[1], built.pack.shape[1]
    group_of = np.repeat(np.arange(groups), np.diff(built.group_at[FIRST_CELL]))
    cells = aligned((FIRST_PAIR + PAIR_ROWS * len(built.cell.pairs), n))
    cells[FIRST_PAIR:] = 1.0
    fixed = built.fixed
    cells[WEIGHT, way.home] = fixed[COUNT] * built.group[GROUP_COUNT, group_of]
    part_As = fixed[COUNT] * fixed[CAPACITY_AS] * fixed[LINKED]
    cells[BETWEEN_W_K] = np.sum(way.built.neighbour_W_K, axis=0)
    group_rows = np.zeros((3, groups))
    whole_As = np.bincount(group_of, part_As, groups)
    group_rows[WHOLE_AS] = whole_As
    of_As = whole_As[group_of]
    cells[PART, way.home] = np.divide(part_As, of_As, out=np.zeros_like(part_As), where=of_As > 0.0)
    on_ladder = (built.group[LINK_OHM] > 0.0) & (group_rows[WHOLE_AS] > 0.0)
    group_at = way.built.group_at[:, on_ladder]
    ladders = ladders_of(
        group_at[FIRST_CELL], group_at[END_CELL], group_at[[PLUS_AT, MINUS_AT]],
        built.group[LINK_OHM, on_ladder],
    )  # fmt: skip
    pack_of = np.repeat(np.arange(packs), np.diff(way.pack_cells))
    facets = aligned((n // WIDE, len(PLACES) + len(A_PAIR) * len(built.cell.pairs), WIDE))
    # On no piece yet, as `facets.no_facets` says.
    facets[:, [CHORD + LOW, len(CURVE) + LOW]] = math.inf
    facets[:, FILM_AT + FILM_NUMBER] = 1.0
    airs = np.zeros(14)
    airs[BY_SENSORS] = np.sum(fixed[FELT])
    return Work(
        cells, facets, ladders, runs_of(way.built.neighbour), way.source,
        pack_of.astype(np.intp), way.pack_cells, group_rows,
        np.zeros((11, packs)), np.ones((6, packs), dtype=np.bool_), airs,
        aligned((packs, len(EIGHT))), np.zeros((packs, QUANTITIES)),
    )  # fmt: skip


@inlined
def beside(built, work, array, row, k, c):
    """Return what stands in a row of `array` at the `k`-th neighbours of the cells from `c` on."""
    start = work.runs[k, c // WIDE]
    if start >= 0:
        return at(array, row, start)
    return gathered(array, row, built.neighbour, k, c)
