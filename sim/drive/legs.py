"""The day as legs: within a leg the load is constant and the weather is a straight line.

No integrator ever steps across the end of a leg.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.drive.weather import Weather
from sim.physics.compiled import bare
from sim.physics.pack import share
from sim.physics.plant import Leg


class Load(NamedTuple):
    """A load of all packs together that holds each value from its edge until the next.

    `edge_s` has one entry more than `value`: the last is the end. `row` says which row of the
    load file each value comes from (-1 for rest added behind the last).
    """

    kind: int  # pack.CURRENT or pack.POWER
    edge_s: NDArray[np.float64]
    value: NDArray[np.float64]  # A or W
    row: NDArray[np.intp]


class Legs(NamedTuple):
    """All legs of a run, one entry a leg; `value` is of all packs together, `row` as in `Load`."""

    kind: int
    start_s: NDArray[np.float64]
    end_s: NDArray[np.float64]
    value: NDArray[np.float64]
    row: NDArray[np.intp]
    stretch: NDArray[np.intp]  # which entry of the Load: legs of one stretch share their load
    ambient_K: NDArray[np.float64]
    ambient_K_s: NDArray[np.float64]
    sun_W: NDArray[np.float64]
    sun_W_s: NDArray[np.float64]


@bare
def leg_at(legs, pack, i):
    """Return leg `i` as one cell of `pack` sees it."""
    return Leg(
        legs.start_s[i],
        legs.end_s[i],
        legs.kind,
        share(pack, legs.kind, legs.value[i]),
        legs.ambient_K[i],
        legs.ambient_K_s[i],
        legs.sun_W[i],
        legs.sun_W_s[i],
    )


def repeated(load: Load, times: int, scale: float, rest_after_s: float) -> Load:
    """Return the load end to end `times` times, scaled, and then at rest for `rest_after_s`."""
    period_s = load.edge_s[-1]
    starts_s = np.concatenate([load.edge_s[:-1] + n * period_s for n in range(times)])
    value = np.tile(load.value * scale, times)
    row = np.tile(load.row, times)
    end_s = times * period_s
    if rest_after_s > 0.0:
        starts_s = np.append(starts_s, end_s)
        value = np.append(value, 0.0)
        row = np.append(row, -1)
        end_s += rest_after_s
    return Load(load.kind, np.append(starts_s, end_s), value, row)


def legs(load: Load, weather: Weather) -> Legs:
    """Return the legs between all edges of the load and all knots of the weather.

    Neighbouring rows of equal load are one stretch, so that a rest logged at 1 Hz is one leg.
    """
    changes = np.append(True, (np.diff(load.value) != 0.0) | (np.diff(load.row) < 0))
    first = np.flatnonzero(changes)
    starts_s = load.edge_s[first]
    edges_s = np.unique(np.concatenate([starts_s, weather.time_s, load.edge_s[-1:]]))
    edges_s = edges_s[(edges_s >= 0.0) & (edges_s <= load.edge_s[-1])]
    start_s, end_s = edges_s[:-1], edges_s[1:]
    stretch = np.searchsorted(starts_s, start_s, side="right") - 1
    ambient_K = np.interp(edges_s, weather.time_s, weather.ambient_K)
    sun_W = np.interp(edges_s, weather.time_s, weather.sun_W)
    return Legs(
        load.kind,
        start_s,
        end_s,
        load.value[first][stretch],
        load.row[first][stretch],
        first[stretch],
        ambient_K[:-1],
        np.diff(ambient_K) / (end_s - start_s),
        sun_W[:-1],
        np.diff(sun_W) / (end_s - start_s),
    )
