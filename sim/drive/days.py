"""The same load day after day: as many days as are asked for, or as it takes until they repeat."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from sim.drive.legs import Legs, Load
from sim.units import SECONDS_PER_DAY


class Ending(StrEnum):
    """What ends a run of days that goes on until it repeats."""

    REPEATS = "repeats"
    FAILS = "fails"
    OPEN = "still changes"  # at the bound on days


@dataclass(frozen=True)
class Lasted:
    """What became of days that were run until they repeat.

    Changes are of the last morning against the one before, the largest of all cells and airs with
    its sign; None where the run ended within its first day.
    """

    ending: Ending
    days: int  # that were run
    most_days: int
    from_day: int | None  # the first, from 1, that all later ones are like
    last_change_K: float | None
    last_change_share: float | None  # of the charge


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


def mornings_s(end_s: float) -> np.ndarray:
    """Return where each day but the first begins, and where the last of whole days ends [s]."""
    return np.arange(1.0, (end_s + 1e-6) // SECONDS_PER_DAY + 1.0) * SECONDS_PER_DAY


def first_days(load: Load, days: int) -> Load:
    """Return the first `days` of a load that has an edge at the end of each day."""
    count = int(np.searchsorted(load.edge_s, days * SECONDS_PER_DAY - 1e-6))
    return Load(load.kind, load.edge_s[: count + 1], load.value[:count], load.row[:count])


def legs_of_first_days(legs: Legs, days: int) -> Legs:
    """Return the legs of the first `days` where a leg ends with each day."""
    count = int(np.searchsorted(legs.end_s, days * SECONDS_PER_DAY - 1e-6)) + 1
    cut = {name: getattr(legs, name)[:count] for name in legs._fields[1:]}
    return legs._replace(**cut)
