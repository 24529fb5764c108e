"""The worst of each day of a run of several."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.units import SECONDS_PER_DAY

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class DayPeak:
    """The worst of one day of the run, counted from its start."""

    hottest_core_C: float
    lowest_cell_V: float
    charge_begin: float  # of the emptiest group
    charge_least: float


def day_peaks(
    time_s: Floats, core_C: Floats, cell_V: Floats, charge: Floats, end_s: float
) -> tuple[DayPeak, ...]:
    """Return the worst of each 24 h; arrays (n,) of hottest core, lowest cell, emptiest group."""
    last = max((end_s - 1e-6) // SECONDS_PER_DAY, 0.0)
    day = np.minimum(time_s // SECONDS_PER_DAY, last).astype(int)
    found = []
    for number in range(int(day.max()) + 1):
        mine = day == number
        found.append(
            DayPeak(
                float(core_C[mine].max()),
                float(cell_V[mine].min()),
                float(charge[mine][0]),
                float(charge[mine].min()),
            )
        )
    return tuple(found)
