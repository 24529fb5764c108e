"""From a checked cell profile to what the compiled code reads."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim.files.cell_schema import CellProfile, Grid
from sim.physics.cell import Cell
from sim.physics.lookup import even_knots
from sim.units import MILLI, SECONDS_PER_HOUR, ZERO_C_K

COLUMN_K = 0.5  # of the even temperature grid: a chord there misses 30 kJ/mol by 1e-4
PRODUCT_ROWS = 1000
FINEST_ROWS = 2000  # of the resistance table; its knots are a few dozen at most


def spread_over_temperature(
    rows: NDArray[np.float64], knots_K: NDArray[np.float64], grid_K: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Interpolate `rows` (n_s, n_knots) to `grid_K`: straight lines in log R over 1/T.

    Resistances of cells follow exp(E / R T) closely (open pulse tests: 20 to 25 kJ/mol from -20
    to 25 C), so a straight chord over T would sit well above the curve between far columns. A
    row with a zero in it is interpolated straight.
    """
    order = slice(None, None, -1)  # 1/T falls where T rises
    out = np.empty((len(rows), len(grid_K)))
    for i, row in enumerate(rows):
        if np.all(row > 0.0):
            logs = np.interp(1.0 / grid_K, 1.0 / knots_K[order], np.log(row)[order])
            out[i] = np.exp(logs)
        else:
            out[i] = np.interp(grid_K, knots_K, row)
    return out


def cell_record(profile: CellProfile) -> Cell:
    """Return the compiled code's record of a profile; the profile is already checked."""
    curve, table = profile.open_circuit, profile.resistance
    soc = np.array(curve.soc)
    even = np.linspace(0.0, 1.0, even_knots(soc) + 1)
    slope_mV_K = curve.entropic_mV_K or [0.0] * len(soc)
    ocv = np.stack(
        [np.interp(even, soc, curve.voltage_V), np.interp(even, soc, slope_mV_K) * MILLI], axis=1
    )

    knots_s = np.array(table.soc if table.soc is not None else [0.0, 1.0])
    knots_K = (
        np.array(table.temperature_C if table.temperature_C is not None else [25.0]) + ZERO_C_K
    )
    intervals = even_knots(knots_s, FINEST_ROWS)
    if any(isinstance(pair.capacitance_F, list) for pair in profile.polarisation):
        # R C is no straight line between knots where both R and C are: a finer grid follows it.
        intervals *= -(-PRODUCT_ROWS // intervals)
    rows_s = np.linspace(0.0, 1.0, intervals + 1)
    width_K = float(knots_K[-1] - knots_K[0])
    columns = max(1, round(width_K / COLUMN_K))
    columns_K = np.linspace(knots_K[0], knots_K[-1], columns + 1)

    def on_grid(grid: Grid) -> NDArray[np.float64]:
        """Return a number or table as (n_T, n_s) on the even grids."""
        rows = np.empty((len(knots_s), len(knots_K)))
        rows[:] = np.asarray(grid, dtype=float)
        over_K = spread_over_temperature(rows, knots_K, columns_K)
        return np.array([np.interp(rows_s, knots_s, column) for column in over_K.T])

    charge = table.discharge_mohm if table.charge_mohm is None else table.charge_mohm
    layers = [on_grid(table.discharge_mohm) * MILLI, on_grid(charge) * MILLI]
    for pair in profile.polarisation:
        resistance_ohm = on_grid(pair.resistance_mohm) * MILLI
        if pair.capacitance_F is not None:
            layers += [resistance_ohm, resistance_ohm * on_grid(pair.capacitance_F)]
        else:
            assert pair.time_constant_s is not None  # the schema asks for one of the two
            layers += [resistance_ohm, on_grid(pair.time_constant_s)]
    heat = profile.heat
    across_K_W = heat.core_to_surface_K_W
    return Cell(
        capacity_As=profile.capacity_Ah * SECONDS_PER_HOUR,
        ocv=np.ascontiguousarray(ocv)[None],
        reference_K=curve.reference_C + ZERO_C_K,
        layers=np.ascontiguousarray(np.stack(layers, axis=-1))[None],
        tables=0,
        coldest_K=float(knots_K[0]),
        columns_per_K=columns / width_K if width_K > 0.0 else 1.0,
        pairs=(0,) * len(profile.polarisation),
        core_J_K=heat.core_J_K,
        surface_J_K=heat.surface_J_K,
        core_to_surface_W_K=1.0 / across_K_W if across_K_W > 0.0 else 0.0,
    )


def coldest_column_K(profile: CellProfile) -> float:
    """Return the coldest temperature the resistance table knows; minus infinity if it has no such.

    One number, or one column, says that resistance does not change with temperature.
    """
    columns_C = profile.resistance.temperature_C
    if columns_C is None or len(columns_C) == 1:
        return -np.inf
    return columns_C[0] + ZERO_C_K
