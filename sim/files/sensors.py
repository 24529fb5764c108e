"""Which cells carry a sensor: what board, controller and charger feel of a pack's warmth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.files.built_record import Places
from sim.files.case import Case

Whole = NDArray[np.intp]


def sensors_of(case: Case, places: Places) -> Whole:
    """Return the cells of the record that carry a sensor, in rising order; none if none is said.

    Raises InputError where a sensor sits on no cell, on a cell that has one, where a pack is left
    without, or where cells do not stand one by one.
    """
    scenario = case.scenario
    if scenario.sensor is None:
        return np.zeros(0, dtype=np.intp)
    if scenario.layout is not None and scenario.layout.model == "places":
        raise InputError(
            f'{case.path}: [[sensor]] sits on a single cell, and [layout] model "places" has '
            'none; accepted: model "resolved", or no [[sensor]]'
        )
    keys = zip(places.pack.tolist(), places.group.tolist(), places.place.tolist(), strict=True)
    cell_at = {key: cell for cell, key in enumerate(keys)}
    complaints: list[str] = []
    said: dict[tuple[int, int, int], int] = {}
    for number, sensor in enumerate(scenario.sensor, 1):
        what = f"{case.path}: [[sensor]] {number}"
        beyond = _beyond(case, sensor.pack or 1, sensor.group, sensor.cell)
        if beyond:
            complaints.append(f"{what} names {', '.join(beyond)}")
            continue
        packs = range(scenario.pack.packs) if sensor.pack is None else [sensor.pack - 1]
        spots = [(pack, sensor.group - 1, sensor.cell - 1) for pack in packs]
        again = next((spot for spot in spots if spot in said), None)
        gone = next((spot for spot in spots if spot not in cell_at), None)
        if again is not None:
            complaints.append(
                f"{what} names {_words(again)}, as [[sensor]] {said[again]} does; accepted: once"
            )
        elif gone is not None:
            complaints.append(f"{what} sits on {_words(gone)}, which a [[fault]] says is missing")
        said.update({spot: number for spot in spots if spot not in said})
    without = sorted(set(range(scenario.pack.packs)) - {pack for pack, _, _ in said})
    if without and said and not complaints:
        complaints.append(
            f"{case.path}: no [[sensor]] sits in pack {without[0] + 1}, so nothing would guard its "
            "warmth; accepted: one in every pack, or pack left out for all alike"
        )
    if complaints:
        raise InputError(complaints)
    return np.array(sorted(cell_at[spot] for spot in said), dtype=np.intp)


def _beyond(case: Case, pack: int, group: int, cell: int) -> list[str]:
    table = case.scenario.pack
    asked = (("pack", pack, table.packs), ("group", group, table.series),
             ("cell", cell, table.parallel))  # fmt: skip
    return [f"{name} {value} of {most}" for name, value, most in asked if value > most]


def _words(spot: tuple[int, int, int]) -> str:
    pack, group, cell = spot
    return f"pack {pack + 1} group {group + 1} cell {cell + 1}"
