"""Rows and columns of a module: who touches whom, and how much of each cell faces outward."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.files.built_schema import LayoutTable
from sim.files.cell_schema import CellProfile
from sim.files.scenario_schema import CoolingTable
from sim.physics.gap import gap_W_K
from sim.units import MILLI, ZERO_C_K

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]

CLASSES = ("centre", "edge", "corner")
SIDES = {"square": 4, "staggered": 6}  # neighbours of a cell in the middle
# Air in gaps is taken as cold, so that it conducts less than in any module that runs warm: 14 % at
# 50 C. At -20 C it conducts 7 % less still, which its bad end covers.
GAP_AIR_K = ZERO_C_K


@dataclass(frozen=True)
class Grid:
    """The places of one pack in the order of its cells: group by group along the rows."""

    row: Whole
    column: Whole
    neighbour: Whole  # (n, sides), -1 where nobody stands
    open_share: Floats  # of a cell's sides that face outward


def grid_of(layout: LayoutTable, cells: int, path: Path) -> Grid:
    """Return the grid of a pack of `cells`; raise InputError unless they fill it."""
    rows, columns = layout.rows, layout.columns
    if rows * columns != cells:
        raise InputError(
            f"{path}: [layout] has {rows} x {columns} = {rows * columns} places for the {cells} "
            "cells of a pack; accepted: as many places as cells"
        )
    row, column = np.divmod(np.arange(cells), columns)
    if layout.pattern == "square":
        steps = [np.array(s) for s in ((0, -1), (0, 1), (-1, 0), (1, 0))]
        moves = [(np.full(cells, dr), np.full(cells, dc)) for dr, dc in steps]
    else:  # every other row is moved half a pitch to the right
        odd = row % 2
        moves = [(np.zeros(cells, dtype=int), np.full(cells, dc)) for dc in (-1, 1)]
        moves += [(np.full(cells, dr), odd - 1 + dc) for dr in (-1, 1) for dc in (0, 1)]
    neighbour = np.full((cells, len(moves)), -1)
    for k, (dr, dc) in enumerate(moves):
        r, c = row + dr, column + dc
        inside = (r >= 0) & (r < rows) & (c >= 0) & (c < columns)
        neighbour[inside, k] = (r * columns + c)[inside]
    open_share = np.mean(neighbour < 0, axis=1)
    return Grid(row, column, neighbour, open_share)


def across_gap_W_K(layout: LayoutTable, profile: CellProfile, cooling: CoolingTable) -> float:
    """Return the conductance between two neighbours through the air of their gap; 0 without gap_mm.

    Where air does not reach a cell's side, nothing is counted.
    """
    if layout.gap_mm is None:
        return 0.0
    return gap_W_K(
        layout.gap_mm * MILLI,
        profile.size.diameter_mm * MILLI,
        profile.size.height_mm * MILLI * cooling.exposed_fraction,
        math.pi / SIDES[layout.pattern],
        cooling.emissivity,
        GAP_AIR_K,
    )


def class_of(grid: Grid) -> Whole:
    """Return of each place which of `CLASSES` it is."""
    most = (grid.open_share > 0.0) & (grid.open_share == grid.open_share.max())
    return np.where(grid.open_share == 0.0, 0, np.where(most, 2, 1))


def class_shares(grid: Grid) -> tuple[tuple[str, ...], Floats, Floats]:
    """Return the places that there are, the share of cells in each, and their open share.

    A cell with nothing open is in the centre, one with the most open at a corner, all others at
    the edge. These are as open as on the mean, so that the module as a whole loses what it loses;
    where there is no centre the least open of them speaks for all: too hot rather than too cool.
    """
    of = class_of(grid)
    members = {kind: of == k for k, kind in enumerate(CLASSES)}
    kinds = tuple(kind for kind in CLASSES if members[kind].any())
    shares = np.array([members[kind].mean() for kind in kinds])
    opens = np.array([grid.open_share[members[kind]].mean() for kind in kinds])
    if kinds[0] == "edge":
        opens[0] = grid.open_share[members["edge"]].min()
    return kinds, shares, opens
