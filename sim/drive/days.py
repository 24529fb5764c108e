"""The same load day after day."""

from __future__ import annotations

import numpy as np

from sim.drive.legs import Load
from sim.units import SECONDS_PER_DAY


def daily(load: Load, days: int) -> Load:
    """Return `load` once a day at the same clock time, at rest between and until the last day ends.

    Raises ValueError where it is longer than a day and there are several.
    """
    length_s = float(load.edge_s[-1])
    if length_s > SECONDS_PER_DAY and days > 1:
        raise ValueError(f"lasts {length_s / 3600:.1f} h, more than a day")
    starts_s, values, rows = [], [], []
    for day in range(days):
        begin_s = day * SECONDS_PER_DAY
        starts_s.append(load.edge_s[:-1] + begin_s)
        values.append(load.value)
        rows.append(load.row)
        if length_s < SECONDS_PER_DAY:
            starts_s.append(np.array([begin_s + length_s]))
            values.append(np.zeros(1))
            rows.append(np.array([-1]))
    end_s = max(days * SECONDS_PER_DAY, length_s)
    edges_s = np.append(np.concatenate(starts_s), end_s)
    return Load(load.kind, edges_s, np.concatenate(values), np.concatenate(rows))
