"""Everything that can be seen along a trace, as arrays."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs, leg_at
from sim.integrate.trace import States, Trace
from sim.physics.compiled import compiled_apart
from sim.physics.pack import cells
from sim.physics.plant import CORE, SOC, SURFACE, TOTALS, Plant, output
from sim.units import ZERO_C_K

Floats = NDArray[np.float64]


class Series(NamedTuple):
    """One entry a point of the trace. Cell values are one cell's, power is of all packs."""

    time_s: Floats
    leg: NDArray[np.intp]
    ambient_C: Floats
    box_C: Floats
    core_C: Floats
    surface_C: Floats
    soc: Floats
    cell_voltage_V: Floats
    cell_current_A: Floats
    pack_voltage_V: Floats
    pack_current_A: Floats
    power_W: Floats
    heat_W: Floats


@compiled_apart
def _observe(plant, legs, time_s, state, leg, out):
    for m in range(time_s.shape[0]):
        seen = output(plant, leg_at(legs, plant.pack, leg[m]), time_s[m], state[m])
        out[0, m] = seen.ambient_K
        out[1, m] = seen.air_K
        out[2, m] = seen.cell_V
        out[3, m] = seen.current_A
        out[4, m] = seen.pack_V
        out[5, m] = seen.heat_W


def series(plant: Plant, legs: Legs, trace: Trace | States) -> Series:
    """Return what can be seen at every point of `trace`."""
    out = np.empty((6, len(trace.time_s)))
    _observe(plant, legs, trace.time_s, trace.state, trace.leg, out)
    ambient_K, air_K, cell_V, current_A, pack_V, heat_W = out
    pack_A = current_A * plant.pack.parallel
    return Series(
        time_s=trace.time_s,
        leg=trace.leg,
        ambient_C=ambient_K - ZERO_C_K,
        box_C=air_K - ZERO_C_K,
        core_C=trace.state[:, CORE] - ZERO_C_K,
        surface_C=trace.state[:, SURFACE] - ZERO_C_K,
        soc=trace.state[:, SOC],
        cell_voltage_V=cell_V,
        cell_current_A=current_A,
        pack_voltage_V=pack_V,
        pack_current_A=pack_A,
        power_W=pack_V * pack_A * plant.pack.packs,
        heat_W=heat_W,
    )


def totals(trace: Trace) -> dict[str, float]:
    """Return the sums at the end of the trace by their names in `sim.physics.plant.TOTALS`."""
    return dict(zip(TOTALS, trace.state[-1, -len(TOTALS) :].tolist(), strict=True))


def count(plant: Plant) -> int:
    """Return the number of cells in all packs."""
    return int(cells(plant.pack))
