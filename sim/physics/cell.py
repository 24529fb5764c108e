"""One cell: open-circuit voltage, resistances, heat made; for one cell of any pack.

State of charge goes from 0 to 1. Temperatures in kelvin. Discharge current is positive.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.compiled import inlined
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


@inlined
def chord(cell, i):
    """Return the straight lines of interval `i` of the curve: voltage, entropic coefficient.

    Each as its value [V, V/K] at the interval's begin and what it gains up to its end.
    """
    table, t = cell.ocv, int(cell.tables)
    begin_V, begin_V_K = table[t, i, 0], table[t, i, 1]
    return begin_V, table[t, i + 1, 0] - begin_V, begin_V_K, table[t, i + 1, 1] - begin_V_K


@inlined
def on_chord(cell, chord, fraction, core_K):
    """Return open-circuit voltage [V] and its slope over temperature [V/K] on a chord.

    U = U_ref(s) + (T - T_ref) dU/dT(s). Below empty and above full the last line is drawn on, so
    that a margin goes on falling there; the coefficient is held.
    """
    begin_V, gain_V, begin_V_K, gain_V_K = chord
    slope_V_K = begin_V_K + held(fraction) * gain_V_K
    return begin_V + fraction * gain_V + (core_K - cell.reference_K) * slope_V_K, slope_V_K


@inlined
def open_circuit(cell, soc, core_K):
    """Return open-circuit voltage [V] and its slope over temperature [V/K], as `on_chord`."""
    last = cell.ocv.shape[1] - 1
    i = cell_of(soc, last, last)
    return on_chord(cell, chord(cell, i), soc * last - i, core_K)


@inlined
def patch(cell, i, j, which):
    """Return one layer between four points of the table, as four coefficients for `on_patch`."""
    table, t = cell.layers, int(cell.tables)
    corner = table[t, j, i, which]
    along = table[t, j, i + 1, which] - corner
    up = table[t, j + 1, i, which] - corner
    return corner, along, up, table[t, j + 1, i + 1, which] - table[t, j + 1, i, which] - along


@inlined
def on_patch(patch, fraction, g):
    """Return the bilinear value at fractions of a patch's width (charge) and height (warmth)."""
    corner, along, up, twist = patch
    return corner + fraction * along + g * (up + fraction * twist)


@inlined
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
    return on_patch(patch(cell, i, j, which), f, g)


@inlined
def pair(cell, soc, core_K, k):
    """Return resistance [ohm] and time constant [s] of polarisation pair `k`."""
    resistance_ohm = layer(cell, soc, core_K, FIRST_PAIR + 2 * k)
    return resistance_ohm, layer(cell, soc, core_K, FIRST_PAIR + 2 * k + 1)


@inlined
def reversible_heat_W(current_A, core_K, slope_V_K):
    """Return -I T dU/dT [W]: positive heats (Bernardi, Pawlikowski and Newman 1985)."""
    return -current_A * core_K * slope_V_K
