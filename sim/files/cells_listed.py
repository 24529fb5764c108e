"""A measured list of cells put in the place of the profile's cells, and what it can't replace."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.files.case import Case
from sim.files.cell_list import CellList
from sim.physics.built import CAPACITY_AS, JOINT_OHM, SCALE
from sim.units import MILLI, SECONDS_PER_HOUR

Floats = NDArray[np.float64]
FULLEST = 1.5  # of the profile's capacity: past that it is a slip of unit or another cell (assumed)
# Which key of a [[unit]] says of a whole pack what a column says of each of its cells.
OF_UNIT = {
    "capacity_Ah": "capacity_factor",
    "resistance_mohm": "resistance_factor",
    "charge_percent": "charge_percent",
}


def put_in(case: Case, found: CellList, fixed: Floats, listed: Floats) -> list[str]:
    """Put a measured list into `fixed` and `listed`; return what was assumed.

    Raises InputError where a cell stands outside the packs, holds more than such a cell can,
    where a [[unit]] says the same of its pack otherwise, or where too few resistances are given.
    """
    table = case.scenario.pack
    _refuse_outside(case, found)
    at = (found.pack * table.series + found.group) * table.parallel + found.place
    said = []
    if len(at) < fixed.shape[1]:
        said.append(
            f"{fixed.shape[1] - len(at)} cells that {found.path.name} does not list are as the "
            "profile and [spread] have them"
        )
    _refuse_twice(case, found)
    if "capacity_Ah" in found.columns:
        _refuse_too_much(case, found)
        fixed[CAPACITY_AS, at] = found.columns["capacity_Ah"] * SECONDS_PER_HOUR
    if "resistance_mohm" in found.columns:
        _refuse_few(case, found)
        measured = found.columns["resistance_mohm"]
        fixed[SCALE, at] = measured / measured.mean()
        said.append(
            f"resistances of {found.path.name} scale the profile's by their ratio to their mean, "
            f"{measured.mean():.3g} mohm: a meter's 1 kHz value is not what a load feels"
        )
    if "joint_mohm" in found.columns:
        fixed[JOINT_OHM, at] = found.columns["joint_mohm"] * MILLI
    if "charge_percent" in found.columns:
        listed[at] = found.columns["charge_percent"] / 100.0
    return said


def _name(found: CellList, k: int) -> str:
    return f"group {found.group[k] + 1} place {found.place[k] + 1} of pack {found.pack[k] + 1}"


def _refuse_outside(case: Case, found: CellList) -> None:
    table = case.scenario.pack
    beyond = (
        (found.pack >= table.packs)
        | (found.group >= table.series)
        | (found.place >= table.parallel)
    )
    if beyond.any():
        k = int(np.flatnonzero(beyond)[0])
        raise InputError(
            f"{found.path}: {_name(found, k)} is outside the {table.series}s{table.parallel}p of "
            f"{table.packs} pack{'s' if table.packs > 1 else ''}"
        )


def _refuse_twice(case: Case, found: CellList) -> None:
    """Refuse what a [[unit]] says of a whole pack where the list says it of that pack's cells."""
    for number, unit in enumerate(case.scenario.unit or [], 1):
        if unit.pack - 1 not in found.pack:
            continue
        for column, key in OF_UNIT.items():
            if column in found.columns and key in unit.model_fields_set:
                raise InputError(
                    f"{case.path}: [[unit]] {number} gives pack {unit.pack} a {key}, and "
                    f"{found.path.name} lists the {column} of its cells; accepted: one of them"
                )


def _refuse_too_much(case: Case, found: CellList) -> None:
    whole_Ah = case.plant.cell.capacity_As / SECONDS_PER_HOUR
    most = int(found.columns["capacity_Ah"].argmax())
    most_Ah = float(found.columns["capacity_Ah"][most])
    if most_Ah > FULLEST * whole_Ah:
        raise InputError(
            f"{found.path}: {_name(found, most)} has {most_Ah:g} Ah where the profile's cell holds "
            f"{whole_Ah:g} Ah; accepted: up to {FULLEST:g} times that"
        )


def _refuse_few(case: Case, found: CellList) -> None:
    """Refuse resistances of a few cells: the mean of weak ones alone would make them sound."""
    table = case.scenario.pack
    for pack, rows in zip(*np.unique(found.pack, return_counts=True), strict=True):
        if 2 * rows < table.series * table.parallel:
            raise InputError(
                f"{found.path}: resistance_mohm of {rows} of the {table.series * table.parallel} "
                f"cells of pack {pack + 1}, which count by their ratio to their mean; accepted: of "
                "half of a pack's cells at least, or a [[fault]] weak_cell with a resistance_factor"
            )
