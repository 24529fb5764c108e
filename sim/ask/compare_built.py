"""A pack as built driven by a log: its hottest cell and its mean cell where the log has its rows.

The logged current or power did flow, so that neither board nor controller nor charger cuts it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.ask.compare_drive import Measured
from sim.ask.compare_run import Predicted, read_rows
from sim.ask.wiring_built import series_of
from sim.drive.legs import Legs
from sim.files.built_case import BuiltCase, built_case
from sim.files.case import Case
from sim.integrate import built_march as march
from sim.integrate import built_records as column
from sim.physics.built import CAPACITY_AS, CORE, SOC, State, at_rest
from sim.physics.bus import DRIVE, Controller, Ramp
from sim.physics.plant import Plant
from sim.units import ZERO_C_K

Floats = NDArray[np.float64]
AN_INSTANT_S = 1e-3  # of the first row's current, to see its voltage
HOTTEST = "the surface of the hottest cell, for the log does not say which cell is measured"
MEAN = "the core of the mean cell"


@dataclass(frozen=True)
class BuiltDrive:
    """The packs of a case as built, to be driven by logs."""

    built: BuiltCase

    @classmethod
    def of(cls, case: Case) -> BuiltDrive:
        """Build the packs of `case`; raise InputError where they can't be."""
        return cls(built_case(case))

    def predict(
        self, case: Case, plant: Plant, seen: Measured, legs: Legs, start: Floats
    ) -> Predicted:
        """March the legs with the cells of `plant`, and read the packs where the log has rows."""
        fixed = self.built.built.fixed.copy()
        fixed[CAPACITY_AS] *= plant.cell.capacity_As / self.built.built.cell.capacity_As
        built = self.built.built._replace(cell=plant.cell, film=plant.film, fixed=fixed)
        moved = replace(self.built, built=built)
        begin = self._begin(moved, start, case)
        kept, end_s = _marched(moved, legs, begin)
        first = legs._replace(
            start_s=legs.start_s[:1],
            end_s=legs.start_s[:1] + AN_INSTANT_S,
            value=np.full(1, seen.drive[0]),
            **{name: getattr(legs, name)[:1] for name in legs._fields if name not in BEGIN},
        )
        held, _ = _marched(moved, first, begin)
        series, packs = plant.pack.series, plant.pack.packs
        held_V, held_A = held[0, column.BUS_V] / series, held[0, column.BUS_A]
        points = series_of(kept)._replace(
            soc=kept[:, column.SOC_MEAN], pack_current_A=kept[:, column.BUS_A] / packs
        )
        mean_C = kept[:, column.CORE_MEAN_K] - ZERO_C_K
        return read_rows(points, end_s, plant, seen, legs, (held_V, held_A), mean_C)

    def _begin(self, moved: BuiltCase, start: Floats, case: Case) -> State:
        """Return the state at the first row; packs and groups differ as the scenario has it."""
        cells, own = self.built.start.cells, case.start
        soc = np.clip(cells[SOC] + (start[0] - own[0]), 0.0, 1.0)
        core_K = cells[CORE] + (start[1] - own[1])
        return at_rest(moved.built, soc, core_K, float(start[3]))


BEGIN = ("kind", "start_s", "end_s", "value")


def _marched(case: BuiltCase, legs: Legs, begin: State) -> tuple[Floats, float]:
    """March legs past every limit, nothing switching; return what was kept, and the end [s]."""
    none = Ramp(np.zeros(0), np.zeros(0))
    count = len(legs.start_s)
    day = case.day._replace(
        mode=np.full(count, DRIVE, dtype=np.intp),
        window=np.full(count, -1, dtype=np.intp),
        controller=Controller(np.inf, np.inf, none, none),
    )
    levels = case.thresholds["stated"]
    unbound = levels._replace(trip=levels.sign * np.inf, release=levels.sign * np.inf)
    settings = march.Settings(stop_at_limits=False)
    run = march.march(case.built, unbound, case.case.limits, legs, day, begin, settings)
    return run.past.kept[: int(run.past.rows[0])], run.end_s


def beside(seen: Measured, predicted: Predicted) -> dict[str, float] | None:
    """Return how far the mean cell is off the measured temperature [K]; None without either."""
    if predicted.mean_C is None or seen.surface_C is None:
        return None
    off_K = predicted.mean_C - seen.surface_C
    known = np.isfinite(off_K)
    if not known.any():
        return None
    peak_K = predicted.mean_C[known].max() - seen.surface_C[known].max()
    return {
        "temperature_rms_K": float(np.sqrt(np.mean(off_K[known] ** 2))),
        "temperature_bias_K": float(np.mean(off_K[known])),
        "temperature_peak_error_K": float(peak_K),
    }
