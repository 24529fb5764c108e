"""What cells of a group pass each other, where that is so much that it charges one of them."""

from __future__ import annotations

from sim.integrate.built_work import CURRENT_A
from sim.physics.built import CAPACITY_AS, CORE
from sim.physics.compiled import bare_apart, inlined
from sim.physics.limits import CELL_CHARGE, CHARGE_COLD, CHARGE_HOT

# A cell that takes more than C/20, where chargers taper off, is charged by its neighbours.
PASSED_PER_AS = 0.05 / 3600.0


@inlined
def _take(left, limit, value, cell):
    margin, place = left
    if not value >= margin[limit]:
        margin[limit], place[limit] = value, cell


@bare_apart
def passed_on(limits, built, work, state, left, p):
    """Take the charge limits of cells that their neighbours charge while their pack is not.

    `left` are the margins of all limits and the place of each.
    """
    for c in range(work.pack_cells[p], work.pack_cells[p + 1]):
        into_A, core_K = -work.cells[CURRENT_A, c], state.cells[CORE, c]
        if into_A <= PASSED_PER_AS * built.fixed[CAPACITY_AS, c]:
            continue
        _take(left, CELL_CHARGE, limits.cell_charge_A - into_A, work.source[c])
        _take(left, CHARGE_HOT, limits.charge_core_max_K - core_K, work.source[c])
        _take(left, CHARGE_COLD, core_K - limits.charge_core_min_K, work.source[c])
