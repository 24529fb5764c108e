"""One cell: open-circuit voltage, resistances, heat made; for one cell of any pack.

State of charge goes from 0 to 1. Temperatures in kelvin. Discharge current is positive.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import bare
from sim.physics.lookup import cell_of, held

DISCHARGE, CHARGE, FIRST_PAIR = 0, 1, 2  # layers of the resistance table; two layers a pair


class Cell(NamedTuple):
    """What the compiled code reads of a cell; made and checked by `sim.files.build`.

    `ocv` is (sets, n, 2): reference voltage [V] and entropic coefficient [V/K] over an even grid
    of state of charge. `layers` is (sets, n_T, n_s, 2 + 2 K): resistance on discharge and on
    charge [ohm], then for each polarisation pair its resistance [ohm] and its time constant [s],
    over even grids of temperature and charge. Many cells may share one stack of tables: `tables`
    says which set is this cell's.
    """

    capacity_As: float
    ocv: NDArray[np.float64]
    reference_K: float
    layers: NDArray[np.float64]
    tables: int
    coldest_K: float  # of the table's columns
    columns_per_K: float
    pairs: tuple[int, ...]  # one entry a pair; its length is a constant to the compiler
    core_J_K: float
    surface_J_K: float
    core_to_surface_W_K: float  # 0: core and surface are one lumped node


@bare
def open_circuit(cell, soc, core_K):
    """Return open-circuit voltage [V] and its slope over temperature [V/K].

    U = U_ref(s) + (T - T_ref) dU/dT(s). Straight lines between the table's points; below empty
    and above full the last line is drawn on, so that a margin goes on falling there.
    """
    last = cell.ocv.shape[1] - 1
    i = cell_of(soc, last, last)
    f = soc * last - i
    table, t = cell.ocv, cell.tables
    reference_V = table[t, i, 0] + f * (table[t, i + 1, 0] - table[t, i, 0])
    slope_V_K = table[t, i, 1] + held(f) * (table[t, i + 1, 1] - table[t, i, 1])
    return reference_V + (core_K - cell.reference_K) * slope_V_K, slope_V_K


@bare
def layer(cell, soc, core_K, which):
    """Return one layer of the resistance table at a state of charge and a temperature.

    Bilinear on the even grids; held at the table's ends (the verdict counts where it was).
    """
    rows = cell.layers.shape[2] - 1
    columns = cell.layers.shape[1] - 1
    i = cell_of(soc, rows, rows)
    j = cell_of(core_K - cell.coldest_K, cell.columns_per_K, columns)
    f = held(soc * rows - i)
    g = held((core_K - cell.coldest_K) * cell.columns_per_K - j)
    table, t = cell.layers, cell.tables
    cold = table[t, j, i, which] * (1.0 - f) + table[t, j, i + 1, which] * f
    warm = table[t, j + 1, i, which] * (1.0 - f) + table[t, j + 1, i + 1, which] * f
    return cold * (1.0 - g) + warm * g


@bare
def pair(cell, soc, core_K, k):
    """Return resistance [ohm] and time constant [s] of polarisation pair `k`."""
    resistance_ohm = layer(cell, soc, core_K, FIRST_PAIR + 2 * k)
    return resistance_ohm, layer(cell, soc, core_K, FIRST_PAIR + 2 * k + 1)


@bare
def reversible_heat_W(current_A, core_K, slope_V_K):
    """Return -I T dU/dT [W]: positive heats (Bernardi, Pawlikowski and Newman 1985)."""
    return -current_A * core_K * slope_V_K
