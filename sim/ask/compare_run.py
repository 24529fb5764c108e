"""The model driven by a log, read where the log has its rows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.ask.compare_drive import Measured
from sim.drive.legs import Legs, leg_at
from sim.files.case import Case
from sim.integrate import march
from sim.judge.series import Series, series
from sim.physics.plant import Plant, output

Floats = NDArray[np.float64]
EMPTIEST_SOC = -0.05  # below it the drawn-on curve means nothing; a capacity may be off by so much


@dataclass(frozen=True)
class Predicted:
    """What the model says at each row (n,), voltage one cell's share.

    NaN past its end, and but for the charge also where it is far below empty.
    """

    cell_V: Floats
    surface_C: Floats
    core_C: Floats
    soc: Floats
    current_A: Floats  # of the whole
    air_C: Floats
    end_s: float
    mean_C: Floats | None = None  # of packs as built: the mean core, beside the hottest


def predict(case: Case, plant: Plant, seen: Measured, legs: Legs, start: Floats) -> Predicted:
    """March the legs and read the model where the log has its rows."""
    trace = march.march(plant, case.limits, legs, start, march.Settings(stop_at_limits=False))
    points = series(plant, legs, trace)
    held = _begin(plant, seen, legs, start)
    return read_rows(points, float(trace.end_s), plant, seen, legs, held)


def read_rows(
    points: Series,
    end_s: float,
    plant: Plant,
    seen: Measured,
    legs: Legs,
    held: tuple[float, float],
    mean_C: Floats | None = None,
) -> Predicted:
    """Read a run, seen at `points` up to `end_s`, where the log has its rows.

    `held` = one cell's share of the voltage and the whole's current at the first row; `mean_C` =
    the mean core of packs as built.
    """
    edges_s = seen.edges_s
    stretch = np.searchsorted(edges_s, legs.start_s, side="right") - 1
    of_point = stretch[points.leg]
    size = len(edges_s) - 1
    first = np.searchsorted(of_point, np.arange(size), side="left")
    last = np.searchsorted(of_point, np.arange(size), side="right") - 1
    gone = (last < first) | (edges_s[1:] > end_s + 1e-6)  # the model ended before
    first, last = (np.where(gone, 0, at) for at in (first, last))
    packs = plant.pack.packs

    def read(values: Floats, at_first: float) -> Floats:
        if seen.means:
            sums = np.concatenate(
                ([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(points.time_s)))
            )
            length_s = np.where(gone, 1.0, points.time_s[last] - points.time_s[first])
            return np.where(gone, np.nan, (sums[last] - sums[first]) / length_s)
        return np.append(at_first, np.where(gone, np.nan, values[last]))

    pack_A = points.pack_current_A * packs
    end_soc = np.where(gone, np.nan, points.soc[last])
    soc = end_soc if seen.means else np.append(points.soc[0], end_soc)
    told = np.where(soc < EMPTIEST_SOC, np.nan, 1.0)
    return Predicted(
        cell_V=told * read(points.pack_voltage_V / plant.pack.series, held[0]),
        surface_C=told * read(points.surface_C, points.surface_C[0]),
        core_C=told * read(points.core_C, points.core_C[0]),
        soc=soc,
        current_A=read(pack_A, held[1]),
        air_C=read(points.ambient_C, points.ambient_C[0]),
        end_s=end_s,
        mean_C=None if mean_C is None else told * read(mean_C, mean_C[0]),
    )


def _begin(plant: Plant, seen: Measured, legs: Legs, start: Floats) -> tuple[float, float]:
    """Return one cell's share of the voltage and the whole's current at the first row."""
    first = legs._replace(value=np.full_like(legs.value, seen.drive[0]))
    out = output(plant, leg_at(first, plant.pack, 0), float(legs.start_s[0]), start)
    side_by_side = plant.pack.parallel * plant.pack.packs
    return float(out.pack_V) / plant.pack.series, float(out.current_A) * side_by_side
