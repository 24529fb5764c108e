"""Every cell of every pack as it lies in its module seen from above, with its peak temperature."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.ask.built import BuiltResult
from sim.files.layout import CLASSES, class_of, grid_of
from sim.integrate.built_look import PEAK_CORE_K
from sim.units import ZERO_C_K

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]


class FromAbove(NamedTuple):
    """One entry a cell, all from 0."""

    pack: Whole
    group: Whole
    place: Whole  # within its group
    row: Whole
    column: Whole
    peak_core_C: Floats


def from_above(result: BuiltResult) -> FromAbove | None:
    """Return all cells with their peaks; None without a layout.

    Where places stand for cells, each cell has the peak of its kind in its group, or in the groups
    that are like it.
    """
    case, layout = result.built_case, result.case.scenario.layout
    if layout is None:
        return None
    places, table = case.places, result.case.scenario.pack
    peak_C = result.run.book.extremes[PEAK_CORE_K] - ZERO_C_K
    if places.row[0] >= 0:
        return FromAbove(places.pack, places.group, places.place, places.row, places.column, peak_C)
    grid = grid_of(layout, layout.rows * layout.columns, case.case.path)
    kinds = np.array(CLASSES)[class_of(grid)]
    pack, in_pack = np.divmod(np.arange(len(kinds) * table.packs), len(kinds))
    group, place = np.divmod(in_pack, table.parallel)
    kind_of, value_C = np.array(places.kind), np.empty(len(pack))
    for p in range(table.packs):
        told = np.unique(places.group[places.pack == p])
        alike = told[np.argmax(np.bincount(places.group[places.pack == p])[told])]
        for g in range(table.series):
            own = g if g in told else alike
            for kind in np.unique(kinds):
                of = (places.pack == p) & (places.group == own) & (kind_of == kind)
                at = (pack == p) & (group == g) & (kinds[in_pack] == kind)
                value_C[at] = peak_C[of].max()
    return FromAbove(pack, group, place, grid.row[in_pack], grid.column[in_pack], value_C)
