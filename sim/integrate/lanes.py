"""Many runs side by side: sorted into lanes, marched eight at a time, spread over threads.

A lane gives the same bits as the run alone, whatever stands beside it, so how runs are sorted is
nobody's business but the clock's.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.integrate.book import Book, trace_of
from sim.integrate.march import (
    ALONE,
    BESIDE,
    NO_POINTS,
    Settings,
    as_lane,
    entered,
    plan_of,
)
from sim.integrate.trace import Trace
from sim.physics.beside import SET_OF_CELL, SET_OF_FILM, numbers, shared
from sim.physics.compiled import has_machine_code
from sim.physics.film import tabled
from sim.physics.limits import Limits
from sim.physics.plant import Plant
from sim.physics.side_by_side import WIDTH

Floats = NDArray[np.float64]
Lane = tuple[Plant, Limits, Legs, Floats]  # what one run is of, as `march.march` takes it
AS_SHIPPED = Settings()
COLUMNS = ("value", "ambient_K", "ambient_K_s", "sun_W", "sun_W_s")


def _same(one: Floats, other: Floats) -> bool:
    return one is other or np.array_equal(one, other)


def _shape(lane: Lane) -> tuple[object, ...]:
    """Return what must be alike for runs to stand side by side, but for the edges of the legs."""
    plant, _, legs, _ = lane
    cell = plant.cell
    tables = cell.ocv.shape[1:], cell.layers.shape[1:], plant.film.grid.shape[1:]
    return len(cell.pairs), plant.box.kind, legs.kind, len(legs.start_s), tables


def _groups(lanes: Sequence[Lane]) -> list[list[int]]:
    """Return the places of runs that can stand side by side: alike in shape and in edges."""
    found: dict[tuple[object, ...], list[list[int]]] = {}
    for place, lane in enumerate(lanes):
        alike = found.setdefault(_shape(lane), [])
        legs = lane[2]
        for group in alike:
            first = lanes[group[0]][2]
            if _same(legs.start_s, first.start_s) and _same(legs.end_s, first.end_s):
                group.append(place)
                break
        else:
            alike.append([place])
    return [group for groups in found.values() for group in groups]


def _beside(legs: Sequence[Legs], name: str) -> Floats:
    """Return the lanes' values of one entry a leg as (legs, lanes), or (legs, 1) if all are one."""
    arrays = [getattr(one, name) for one in legs]
    if all(_same(array, arrays[0]) for array in arrays[1:]):
        return as_lane(arrays[0])
    return np.ascontiguousarray(np.stack(arrays, axis=1))


def _tables(plants: Sequence[Plant], columns: Floats) -> tuple[Any, ...]:
    """Return what `march.run` takes as tables; enter in `columns` which set is each lane's own."""
    cells, films = [plant.cell for plant in plants], [plant.film for plant in plants]
    (ocv, layers), cell_at = shared([((cell.ocv, cell.layers), cell.tables) for cell in cells])
    (grid,), film_at = shared([((film.grid,), film.tables) for film in films])
    columns[SET_OF_CELL], columns[SET_OF_FILM] = cell_at, film_at
    return ocv, layers, grid, cells[0].pairs, plants[0].box.kind


def _block(lanes: Sequence[Lane], plan: tuple[Any, ...]) -> Book:
    """March up to `WIDTH` runs that can stand side by side."""
    wide = len(lanes) > 1
    filled = [*lanes, *([lanes[-1]] * (WIDTH - len(lanes) if wide else 0))]
    plants, all_limits, all_legs, starts = zip(*filled, strict=True)
    columns = np.array(list(map(numbers, plants, all_limits)), dtype=np.float64).T.copy()
    first = all_legs[0]
    distinct = [first] if all(legs is first for legs in all_legs) else all_legs
    days = (
        first.kind,
        first.start_s,
        first.end_s,
        *(_beside(distinct, name) for name in COLUMNS),
    )
    inputs = days, _tables(plants, columns), columns, np.array(starts).T.copy()
    return entered(inputs, plan, 0, BESIDE if wide else ALONE)[0]


def _with_film(lane: Lane) -> Lane:
    """Return a run whose film has its table."""
    plant, limits, legs, start = lane
    return Plant(plant.cell, plant.pack, tabled(plant.film), plant.box), limits, legs, start


def march_many(
    lanes: Sequence[Lane], settings: Settings = AS_SHIPPED, threads: int | None = None
) -> list[Trace]:
    """March many runs; return their traces in the same order, each as `march.march` gives it.

    `lanes` holds (plant, limits, legs, start). Runs whose legs have the same edges stand side by
    side; any others cost what they cost alone. Traces hold start and end only, whatever
    `settings` says. `threads` = how many to use, all cores if None.
    """
    plan = plan_of(replace(settings, keep_trace=False))
    ready = [_with_film(lane) for lane in lanes]
    width = WIDTH if has_machine_code() else 1
    blocks = [
        group[at : at + width] for group in _groups(ready) for at in range(0, len(group), width)
    ]

    def one(block: list[int]) -> list[Trace]:
        book = _block([ready[place] for place in block], plan)
        return [trace_of(book, k, NO_POINTS) for k in range(len(block))]

    workers = min(len(blocks), threads or os.cpu_count() or 1)
    if workers > 1:
        with ThreadPoolExecutor(workers) as pool:
            traces = list(pool.map(one, blocks))
    else:
        traces = [one(block) for block in blocks]
    found = {
        place: trace
        for block, those in zip(blocks, traces, strict=True)
        for place, trace in zip(block, those, strict=True)
    }
    return [found[place] for place in range(len(lanes))]
