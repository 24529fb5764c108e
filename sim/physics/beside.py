"""Plants side by side: the same records, with lanes where one plant has numbers.

Kinds (of the box, of the load), the number of pairs and the size of the tables are one for all;
the tables themselves are stacked, and each lane knows its own.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from sim.physics.box import Box
from sim.physics.cell import Cell
from sim.physics.compiled import inlined
from sim.physics.film import Film
from sim.physics.limits import Limits
from sim.physics.pack import Pack
from sim.physics.plant import Plant
from sim.physics.rows import take
from sim.physics.side_by_side import lane

Floats = NDArray[np.float64]
SET_OF_CELL, SET_OF_FILM = 2, 19  # places among `numbers` of which set of tables is a lane's own


def numbers(plant: Plant, limits: Limits) -> list[float]:
    """Return the numbers of a plant and its limits in the order in which `plant_at` reads them."""
    cell, film, box = plant.cell, plant.film, plant.box
    return [
        cell.capacity_As,
        cell.reference_K,
        cell.tables,
        cell.coldest_K,
        cell.columns_per_K,
        cell.core_J_K,
        cell.surface_J_K,
        cell.core_to_surface_W_K,
        *plant.pack,
        *film[:6],
        film.tables,
        *box[1:],
        *limits,
    ]


def shared(sets: Sequence[tuple[tuple[Floats, ...], int]]) -> tuple[list[Floats], list[int]]:
    """Return stacks of the different ones among equally large sets of tables, and each one's place.

    Each is what stands at place `t` of its own `stacks`, given as (stacks, t).
    """
    found: list[list[Floats]] = []
    known: dict[tuple[int, ...], int] = {}  # the same arrays need no look at their numbers
    places = []
    for stacks, t in sets:
        key = (*map(id, stacks), t)
        if key not in known:
            one = [stack[t : t + 1] for stack in stacks]
            same = (n for n, other in enumerate(found) if all(map(np.array_equal, one, other)))
            known[key] = next(same, len(found))
            if known[key] == len(found):
                found.append(one)
        places.append(known[key])
    stacked = (
        found[0] if len(found) == 1 else [np.concatenate(kind) for kind in zip(*found, strict=True)]
    )
    return stacked, places


@inlined
def plant_at(columns, ocv, layers, grid, pairs, kind, like):
    """Return the plant whose `numbers` stand in `columns` (count, lanes)."""
    cell = Cell(
        take(columns, 0, like),
        ocv,
        take(columns, 1, like),
        layers,
        take(columns, 2, like),
        take(columns, 3, like),
        take(columns, 4, like),
        pairs,
        take(columns, 5, like),
        take(columns, 6, like),
        take(columns, 7, like),
    )
    pack = Pack(
        take(columns, 8, like),
        take(columns, 9, like),
        take(columns, 10, like),
        take(columns, 11, like),
        take(columns, 12, like),
    )
    film = Film(
        take(columns, 13, like),
        take(columns, 14, like),
        take(columns, 15, like),
        take(columns, 16, like),
        take(columns, 17, like),
        take(columns, 18, like),
        grid,
        take(columns, 19, like),
    )
    box = Box(
        kind,
        take(columns, 20, like),
        take(columns, 21, like),
        take(columns, 22, like),
        take(columns, 23, like),
        take(columns, 24, like),
    )
    return Plant(cell, pack, film, box)


@inlined
def limits_at(columns, like):
    """Return the limits whose numbers stand in `columns`, behind those of the plant."""
    return Limits(
        take(columns, 25, like),
        take(columns, 26, like),
        take(columns, 27, like),
        take(columns, 28, like),
        take(columns, 29, like),
        take(columns, 30, like),
        take(columns, 31, like),
        take(columns, 32, like),
        take(columns, 33, like),
        take(columns, 34, like),
        take(columns, 35, like),
    )


@inlined
def cell_alone(cell, k):
    """Return the cell of lane `k` in plain numbers."""
    return Cell(
        lane(cell.capacity_As, k),
        cell.ocv,
        lane(cell.reference_K, k),
        cell.layers,
        lane(cell.tables, k),
        lane(cell.coldest_K, k),
        lane(cell.columns_per_K, k),
        cell.pairs,
        lane(cell.core_J_K, k),
        lane(cell.surface_J_K, k),
        lane(cell.core_to_surface_W_K, k),
    )


@inlined
def film_alone(film, k):
    """Return the film of lane `k` in plain numbers."""
    return Film(
        lane(film.area_m2, k),
        lane(film.diameter_m, k),
        lane(film.height_m, k),
        lane(film.standing, k),
        lane(film.emissivity, k),
        lane(film.fixed_W_K, k),
        film.grid,
        lane(film.tables, k),
    )


@inlined
def plant_alone(plant, k):
    """Return the plant of lane `k` in plain numbers; counts too are floats."""
    pack, box = plant.pack, plant.box
    return Plant(
        cell_alone(plant.cell, k),
        Pack(
            1.0 * lane(pack.series, k),
            1.0 * lane(pack.parallel, k),
            1.0 * lane(pack.packs, k),
            lane(pack.joint_ohm, k),
            lane(pack.lead_ohm, k),
        ),
        film_alone(plant.film, k),
        Box(
            box.kind,
            lane(box.air_J_K, k),
            lane(box.wall_J_K, k),
            lane(box.inside_W_K, k),
            lane(box.outside_W_K, k),
            lane(box.other_heat_W, k),
        ),
    )


@inlined
def limits_alone(limits, k):
    """Return the limits of lane `k` in plain numbers."""
    return Limits(
        lane(limits.cutoff_V, k),
        lane(limits.full_V, k),
        lane(limits.reserve_soc, k),
        lane(limits.core_max_K, k),
        lane(limits.discharge_core_min_K, k),
        lane(limits.charge_core_max_K, k),
        lane(limits.charge_core_min_K, k),
        lane(limits.cell_discharge_A, k),
        lane(limits.cell_charge_A, k),
        lane(limits.pack_current_A, k),
        lane(limits.coldest_table_K, k),
    )
