"""Does a log leave what the profile was fitted on, and how far off is the model on either side?"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.ask.compare import Comparison, Figures, figures
from sim.files.cell_schema import FittedRange

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
# A logger's last digit is no other range: shares of a current, points of charge, kelvin.
SLACK_A, SLACK_SOC, SLACK_K = 0.02, 0.005, 0.5


@dataclass(frozen=True)
class Leaving:
    """One side on which rows leave the fitted range: how many, from when [s], how far at most."""

    side: str
    rows: int
    first_s: float
    farthest: float
    bound: float
    unit: str


@dataclass(frozen=True)
class Ranged:
    """A comparison parted by the range that the profile was fitted on.

    `outside` (n,) says of each row with a figure whether it left; charge and energy are None, since
    both are of a stretch and not of rows.
    """

    fitted: FittedRange
    rows: int  # with a figure
    outside: Flags
    within_figures: Figures
    outside_figures: Figures
    leaving: tuple[Leaving, ...]


def ranged(found: Comparison) -> Ranged | None:
    """Return how the rows lie about the fitted range; None where the profile states none.

    A row is outside by its temperature (the log's own, or else the model's surface), its cell's
    current, or the model's charge.
    """
    fitted = found.case.profile.fitted
    if fitted is None:
        return None
    known = np.isfinite(found.off_V) | np.isfinite(found.off_K)
    outside, leaving = np.zeros(len(known), dtype=bool), []
    for side, unit, values, bound, beyond in _sides(found, fitted):
        rows = known & beyond
        if rows.any():
            far = values[rows][np.argmax(np.abs(values[rows] - bound))]
            first_s = float(found.seen.time_s[np.argmax(rows)])
            leaving.append(Leaving(side, int(rows.sum()), first_s, float(far), bound, unit))
        outside |= rows
    return Ranged(
        fitted,
        int(known.sum()),
        outside,
        _of(found, known & ~outside),
        _of(found, outside),
        tuple(leaving),
    )


def _of(found: Comparison, rows: Flags) -> Figures:
    whole = figures(found.seen, found.predicted, found.plant, rows)
    return replace(whole, charge_error_percent=None, energy_error_percent=None)


def _sides(found: Comparison, fitted: FittedRange) -> list[tuple[str, str, Floats, float, Flags]]:
    """Return (words, unit, values (n,), bound, beyond (n,)) of each side of the range."""
    pack, seen, said = found.plant.pack, found.seen, found.predicted
    all_A = said.current_A if seen.current_A is None else seen.current_A
    cell_A = all_A / (pack.parallel * pack.packs)
    surface_C = said.surface_C
    if seen.surface_C is not None:
        surface_C = np.where(np.isfinite(seen.surface_C), seen.surface_C, surface_C)
    percent = 100.0 * said.soc
    most_A, least_A = fitted.discharge_A, -fitted.charge_A
    low, high = 100.0 * fitted.lowest_soc, 100.0 * fitted.highest_soc
    points, slack_A = 100.0 * SLACK_SOC, SLACK_A * max(fitted.discharge_A, fitted.charge_A)
    return [
        ("colder", "C", surface_C, fitted.coldest_C, surface_C < fitted.coldest_C - SLACK_K),
        ("warmer", "C", surface_C, fitted.warmest_C, surface_C > fitted.warmest_C + SLACK_K),
        ("more current out", "A", cell_A, most_A, cell_A > most_A + slack_A),
        ("more current in", "A", -cell_A, fitted.charge_A, cell_A < least_A - slack_A),
        ("emptier", "%", percent, low, percent < low - points),
        ("fuller", "%", percent, high, percent > high + points),
    ]
