"""A pack as built with few cells that stand for many, beside the same with every cell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sim.ask.built_run import settings_of, through
from sim.files.built_case import BuiltCase, built_case
from sim.integrate.built_look import PEAK_CORE_K
from sim.integrate.built_records import Run
from sim.physics.built import PACK_COUNT, sensors_in
from sim.units import ZERO_C_K


@dataclass(frozen=True)
class Bracket:
    """Peaks [C] by three places, and by how much they lie outside those of every cell [K]."""

    hottest_C: float
    coolest_C: float
    above_K: float  # the hottest place over the hottest cell; below 0 it is no bracket
    below_K: float  # the coolest place under the coolest cell
    only_places: bool  # cells differ by nothing but where they stand

    @property
    def brackets(self) -> bool:
        """Whether every cell's peak lies between those of the places."""
        return self.above_K >= 0.0 and self.below_K >= 0.0


def fewer_cells(case: BuiltCase) -> BuiltCase:
    """Return the case with three places of the module a group, or one cell a pack without layout.

    Left out is what single cells differ by: scatter, lists, busbars, sensors, faults of one cell.
    """
    scenario = case.case.scenario
    layout = scenario.layout
    if layout is not None:
        layout = layout.model_copy(update={"model": "places"})
    faults = [fault for fault in scenario.fault or [] if fault.cell is None]
    few = scenario.model_copy(
        update={
            "spread": None, "busbar": None, "fault": faults, "layout": layout, "sensor": None,
        }
    )  # fmt: skip
    return built_case(replace(case.case, scenario=few))


def bracket(case: BuiltCase, run: Run) -> Bracket | None:
    """Return three places beside a whole run of every cell; None where it is no such run.

    Nor is there one where guards feel single cells, which three places have not.
    """
    scenario = case.case.scenario
    resolved = scenario.layout is not None and scenario.layout.model == "resolved"
    if not resolved or run.stopped_by is not None or len(sensors_in(case.built)):
        return None
    few = fewer_cells(case)
    other, _ = through(few, settings_of(few, keep=False, stop_at_limits=False))

    def ends_C(one: BuiltCase, seen: Run) -> tuple[float, float]:
        peaks_C = seen.book.extremes[PEAK_CORE_K] - ZERO_C_K
        in_use = one.built.pack[PACK_COUNT, one.places.pack] > 0.0
        return float(np.max(peaks_C[in_use])), float(np.min(peaks_C[in_use]))

    hottest_C, coolest_C = ends_C(few, other)
    most_C, least_C = ends_C(case, run)
    single = any(fault.cell is not None for fault in scenario.fault or [])
    alike = scenario.spread is None and scenario.busbar is None and not single
    return Bracket(hottest_C, coolest_C, hottest_C - most_C, least_C - coolest_C, alike)
