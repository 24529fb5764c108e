"""One cell: open-circuit voltage, resistances, heat made; for one cell of any pack.

State of charge goes from 0 to 1. Temperatures in kelvin. Discharge current is positive.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import compiled
from sim.physics.lookup import cell_of, held

DISCHARGE, CHARGE, FIRST_PAIR = 0, 1, 2  # layers of the resistance table; two layers a pair


class Cell(NamedTuple):
    """What the compiled code reads of a cell; made and checked by `sim.files.build`.

    `ocv` is (n, 2): reference voltage [V] and entropic coefficient [V/K] over an even grid of
    state of charge. `layers` is (n_T, n_s, 2 + 2 K): resistance on discharge and on charge
    [ohm], then for each polarisation pair its resistance [ohm] and its time constant [s]
    (or its capacitance [F] where `by_capacitance`), over even grids of temperature and charge.
    """

    capacity_As: float
    ocv: NDArray[np.float64]
    reference_K: float
    layers: NDArray[np.float64]
    coldest_K: float  # of the table's columns
    columns_per_K: float
    by_capacitance: NDArray[np.bool_]  # (K,)
    core_J_K: float
    surface_J_K: float
    core_to_surface_W_K: float  # 0: core and surface are one lumped node


@compiled
def open_circuit(cell, soc, core_K):
    """Return open-circuit voltage [V] and its slope over temperature [V/K].

    U = U_ref(s) + (T - T_ref) dU/dT(s). Straight lines between the table's points; below empty
    and above full the last line is drawn on, so that a margin goes on falling there.
    """
    last = cell.ocv.shape[0] - 1
    i = cell_of(soc, last, last)
    f = soc * last - i
    reference_V = cell.ocv[i, 0] + f * (cell.ocv[i + 1, 0] - cell.ocv[i, 0])
    slope_V_K = cell.ocv[i, 1] + held(f) * (cell.ocv[i + 1, 1] - cell.ocv[i, 1])
    return reference_V + (core_K - cell.reference_K) * slope_V_K, slope_V_K


@compiled
def layer(cell, soc, core_K, which):
    """Return one layer of the resistance table at a state of charge and a temperature.

    Bilinear on the even grids; held at the table's ends (the verdict counts where it was).
    """
    rows = cell.layers.shape[1] - 1
    columns = cell.layers.shape[0] - 1
    i = cell_of(soc, rows, rows)
    j = cell_of(core_K - cell.coldest_K, cell.columns_per_K, columns)
    f = held(soc * rows - i)
    g = held((core_K - cell.coldest_K) * cell.columns_per_K - j)
    cold = cell.layers[j, i, which] * (1.0 - f) + cell.layers[j, i + 1, which] * f
    warm = cell.layers[j + 1, i, which] * (1.0 - f) + cell.layers[j + 1, i + 1, which] * f
    return cold * (1.0 - g) + warm * g


@compiled
def pair(cell, soc, core_K, k):
    """Return resistance [ohm] and time constant [s] of polarisation pair `k`."""
    resistance_ohm = layer(cell, soc, core_K, FIRST_PAIR + 2 * k)
    other = layer(cell, soc, core_K, FIRST_PAIR + 2 * k + 1)
    if cell.by_capacitance[k]:
        return resistance_ohm, resistance_ohm * other
    return resistance_ohm, other


@compiled
def reversible_heat_W(current_A, core_K, slope_V_K):
    """Return -I T dU/dT [W]: positive heats (Bernardi, Pawlikowski and Newman 1985)."""
    return -current_A * core_K * slope_V_K
