"""What runs over the cells and groups of a pack as built, and what cells are before they differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.files.built_schema import LayoutTable
from sim.files.case import Case
from sim.physics.built import CAPACITY_AS, COUNT, FIXED, JOINT_OHM, LINKED, OUTWARD, SCALE

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]


@dataclass(frozen=True)
class Places:
    """Where each cell of the record stands, all from 0; `row` and `column` are -1 without layout.

    `kind` is its place in the module for the three-place model, "" otherwise.
    """

    pack: Whole
    group: Whole  # within its pack
    place: Whole  # within its group
    row: Whole
    column: Whole
    kind: tuple[str, ...]

    def name(self, cell: int, packs: int) -> str:
        """Return "cell 3 of group 8" in words, with the pack where there are several."""
        what = f"{self.kind[cell]} cells" if self.kind[cell] else f"cell {self.place[cell] + 1}"
        own = f"{what} of group {self.group[cell] + 1}"
        return f"{own} of pack {self.pack[cell] + 1}" if packs > 1 else own


@dataclass(frozen=True)
class Resolved:
    """Everything of `sim.physics.built.Built` that runs over cells and groups."""

    fixed: Floats
    neighbour: Whole
    neighbour_W_K: Floats
    group: Floats
    group_at: Whole
    pack_at: Whole
    places: Places
    off_charge: Floats  # (n,) share of charge above or below the start's
    listed_charge: Floats  # (n,) state of charge from a list, NaN where none
    assumptions: tuple[str, ...]


def nominal(case: Case, n: int, pack_of: Whole) -> Floats:
    """Return `fixed` of `n` like cells in free air, [[unit]]'s factors in it."""
    fixed = np.zeros((FIXED, n))
    fixed[CAPACITY_AS], fixed[SCALE] = case.plant.cell.capacity_As, 1.0
    fixed[JOINT_OHM], fixed[LINKED] = case.plant.pack.joint_ohm, 1.0
    fixed[COUNT], fixed[OUTWARD] = 1.0, 1.0
    for unit in case.scenario.unit or []:
        mine = pack_of == unit.pack - 1
        fixed[CAPACITY_AS, mine] *= unit.capacity_factor
        fixed[SCALE, mine] *= unit.resistance_factor
    return fixed


def shares_of(layout: LayoutTable, open_share: Floats) -> tuple[Floats, Floats]:
    """Return the shares of the film to the module's air and to the box's.

    Air between cells carries `between_share` of what it carries on a free side. Without a module
    node both lead to the box's air.
    """
    inward = (1.0 - open_share) * layout.between_share
    if layout.module_heat_capacity_J_K is None:
        return np.zeros_like(inward), open_share + inward
    return inward, open_share
