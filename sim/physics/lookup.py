"""Tables on even grids, looked up in constant time inside compiled code.

Knots of a user's table fall where they like; `even_knots` finds an even grid that contains all of
them (or is so fine that it makes no difference), so that a look-up is one multiplication and the
straight lines between knots stay exactly those of the table.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from sim.physics.compiled import inlined
from sim.physics.side_by_side import least, most

if TYPE_CHECKING:
    from numpy.typing import NDArray

FINEST = 20_000  # intervals; 5e-5 of the range, below any measured table's own resolution


def even_knots(knots: NDArray[np.float64], finest: int = FINEST) -> int:
    """Return the least number of equal intervals over [0, 1] on which all `knots` lie.

    Falls back to `finest` where none up to there holds every knot to 1e-9.
    """
    for intervals in range(max(1, len(knots) - 1), finest):
        scaled = knots * intervals
        if np.all(np.abs(scaled - np.round(scaled)) < 1e-9 * intervals):
            return intervals
    return finest


@inlined
def cell_of(x, steps, last):
    """Return the interval (0 to last - 1) that holds `x`, with `steps` intervals to a unit."""
    u = x * steps
    if not u > 0.0:  # so written that a NaN lands at the start, not outside the array
        return 0
    if u >= last:
        return last - 1
    return int(u)


@inlined
def held(fraction):
    """Return `fraction` kept within 0 to 1, by which a look-up holds its table's end value."""
    return least(most(fraction, 0.0), 1.0)
