"""Heat between two neighbours of a module, by finite differences: the air about round cells solved.

Laplace's equation on a grid, each cell at one temperature, the middle one at 1, all others at 0;
where a line of the grid meets a cell's side between two points, its distance counts as it is.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import spsolve

STEPS = ((1, 0), (-1, 0), (0, 1), (0, -1))
LEAST = 0.02  # of a grid's step to a cell's side, so that no entry dwarfs the rest


def centres(pitch_m: float, sides: int) -> np.ndarray:
    """Return the middle cell, a neighbour, and all others about the middle one, (n, 2)."""
    if sides == 4:
        about = [(i, j) for i in (-1, 0, 1) for j in (-1, 0, 1) if (i, j) not in ((0, 0), (1, 0))]
        return pitch_m * np.array([(0, 0), (1, 0), *about], dtype=float)
    turns = np.arange(6) * math.pi / 3.0
    return pitch_m * np.vstack([[0.0, 0.0], np.column_stack([np.cos(turns), np.sin(turns)])])


def widths(gap_m: float, diameter_m: float, sides: int, step_m: float) -> float:
    """Return the shape factor by length from the middle cell to one of its `sides` neighbours."""
    radius_m, pitch_m = 0.5 * diameter_m, gap_m + diameter_m
    places = centres(pitch_m, sides)
    line_m = np.arange(-1.5 * pitch_m, 1.5 * pitch_m, step_m)
    xy = np.stack(np.meshgrid(line_m, line_m, indexing="ij"))
    whose = np.full(xy.shape[1:], -1)
    for k, centre in enumerate(places):
        whose[np.hypot(*(xy - centre[:, None, None])) <= radius_m] = k
    air = np.argwhere(whose < 0)
    number = np.full(whose.shape, -1)
    number[tuple(air.T)] = np.arange(len(air))
    entries: list[Any] = []
    own, from_middle = np.zeros(len(air)), np.zeros(len(air))
    to_neighbour = np.zeros(len(air))
    for step in STEPS:
        beside = air + step
        inside = np.flatnonzero(np.all((beside >= 0) & (beside < len(line_m)), axis=1))
        found = whose[tuple(beside[inside].T)]
        open_air = inside[found < 0]
        entries.append((open_air, number[tuple(beside[open_air].T)]))
        own[open_air] += 1.0
        at_side, cell = inside[found >= 0], found[found >= 0]
        along = 0 if step[0] else 1
        off_m = xy[:, air[at_side, 0], air[at_side, 1]].T - places[cell]
        half_m = np.sqrt(np.maximum(radius_m**2 - off_m[:, 1 - along] ** 2, 0.0))
        near = np.clip((np.abs(off_m[:, along]) - half_m) / step_m, LEAST, 1.0)
        own[at_side] += 1.0 / near
        from_middle[at_side] += np.where(cell == 0, 1.0 / near, 0.0)
        to_neighbour[at_side] += np.where(cell == 1, 1.0 / near, 0.0)
    rows, columns = np.concatenate(entries, axis=1)
    matrix = sparse.diags(own) - sparse.coo_matrix((np.ones(len(rows)), (rows, columns)))
    return float(to_neighbour @ spsolve(matrix.tocsc(), from_middle))
