"""Many runs side by side: sorted into lanes, marched eight at a time, spread over threads.

A lane gives the same bits as the run alone, whatever stands beside it, so how runs are sorted is
nobody's business but the clock's.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.integrate.book import Book, empty_book
from sim.integrate.march import (
    ALONE,
    BESIDE,
    FIRST_SPELLS,
    Days,
    Plan,
    Settings,
    Tables,
    as_lane,
    buffer,
    plan_of,
    run,
    trace_of,
)
from sim.integrate.trace import Trace
from sim.physics.beside import numbers, shared
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
    tables = cell.ocv.shape, cell.layers.shape, plant.film.grid.shape
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


def _beside(arrays: Sequence[Floats]) -> Floats:
    """Return the lanes' arrays of one entry a leg as (legs, lanes), or (legs, 1) if all are one."""
    if all(_same(array, arrays[0]) for array in arrays[1:]):
        return as_lane(arrays[0])
    return np.ascontiguousarray(np.stack(arrays, axis=1))


def _block(lanes: Sequence[Lane], plan: Plan) -> Book:
    """March up to `WIDTH` runs that can stand side by side."""
    wide = len(lanes) > 1
    filled = [*lanes, *([lanes[-1]] * (WIDTH - len(lanes) if wide else 0))]
    ocv, ocv_at = shared([lane[0].cell.ocv for lane in filled])
    layers, layers_at = shared([lane[0].cell.layers for lane in filled])
    if ocv_at != layers_at:  # one number names a lane's set of both
        ocv = np.concatenate([lane[0].cell.ocv for lane in filled])
        layers = np.concatenate([lane[0].cell.layers for lane in filled])
        layers_at = list(range(len(filled)))
    grid, grid_at = shared([lane[0].film.grid for lane in filled])
    columns = [
        numbers(
            plant._replace(
                cell=plant.cell._replace(tables=layers_at[k]),
                film=plant.film._replace(tables=grid_at[k]),
            ),
            limits,
        )
        for k, (plant, limits, _, _) in enumerate(filled)
    ]
    plant, _, legs, start = lanes[0]
    days = Days(
        legs.kind,
        legs.start_s,
        legs.end_s,
        *(_beside([getattr(lane[2], name) for lane in filled]) for name in COLUMNS),
    )
    inputs = (
        days,
        np.ascontiguousarray(np.array(columns, dtype=np.float64).T),
        Tables(ocv, layers, grid, plant.cell.pairs, plant.box.kind),
        np.ascontiguousarray(np.stack([lane[3] for lane in filled], axis=1)),
    )
    capacity = FIRST_SPELLS
    while True:
        book = empty_book(len(filled), capacity, len(start))
        run(inputs, plan, book, buffer(0, len(start)), BESIDE if wide else ALONE)
        if int(book.counts.max()) <= capacity:
            return book
        capacity = int(book.counts.max())


def _own_set(lane: Lane) -> Lane:
    """Return a run whose tables are its own set alone, and whose film has its table."""
    plant, limits, legs, start = lane
    cell, t = plant.cell, plant.cell.tables
    cell = cell._replace(ocv=cell.ocv[t : t + 1], layers=cell.layers[t : t + 1], tables=0)
    return plant._replace(cell=cell, film=tabled(plant.film)), limits, legs, start


def march_many(
    lanes: Sequence[Lane], settings: Settings = AS_SHIPPED, threads: int | None = None
) -> list[Trace]:
    """March many runs; return their traces in the same order, each as `march.march` gives it.

    `lanes` holds (plant, limits, legs, start). Runs whose legs have the same edges stand side by
    side; any others cost what they cost alone. Traces hold start and end only, whatever
    `settings` says. `threads` = how many to use, all cores if None.
    """
    plan = plan_of(replace(settings, keep_trace=False))
    ready = [_own_set(lane) for lane in lanes]
    width = WIDTH if has_machine_code() else 1
    blocks = [
        group[at : at + width] for group in _groups(ready) for at in range(0, len(group), width)
    ]

    def one(block: list[int]) -> list[Trace]:
        book = _block([ready[place] for place in block], plan)
        return [trace_of(book, k, *lanes[place][2:], None) for k, place in enumerate(block)]

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
