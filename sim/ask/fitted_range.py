"""Does a simulated day leave what the cell's profile was fitted on, and by how much?"""

from __future__ import annotations

from dataclasses import dataclass

from sim.ask.built import BuiltResult
from sim.ask.compare_range import SLACK_A, SLACK_K, SLACK_SOC
from sim.ask.whole import Whole
from sim.integrate.built_look import LEAST_A, LOWEST_CORE_K, PEAK_A
from sim.integrate.built_records import SOC_HIGH, SOC_LOW, SURFACE_HOT_K
from sim.units import ZERO_C_K


@dataclass(frozen=True)
class Beyond:
    """One side on which a day leaves the fitted range: how far it goes, and the range's end.

    `side` is colder, warmer, emptier, fuller, discharge or charge; percent of charge, positive
    currents of one cell.
    """

    side: str
    farthest: float
    bound: float
    unit: str


def beyond(run: Whole) -> tuple[Beyond, ...]:
    """Return where a run leaves what its profile was fitted on; nothing where none is stated.

    By the surface, as the logs were; of packs as built by the warmest surface and the coldest
    core of all cells, the groups' charge, and the greatest current of any cell each way.
    """
    fitted = run.case.profile.fitted
    if fitted is None:
        return ()
    slack_A = SLACK_A * max(fitted.discharge_A, fitted.charge_A)
    coldest_C, warmest_C, lowest_soc, highest_soc, out_A, in_A = _extremes(run)
    low, high = 100.0 * fitted.lowest_soc, 100.0 * fitted.highest_soc
    sides = (
        ("colder", "K", coldest_C, fitted.coldest_C, SLACK_K, -1.0),
        ("warmer", "K", warmest_C, fitted.warmest_C, SLACK_K, 1.0),
        ("emptier", "%", 100.0 * lowest_soc, low, 100.0 * SLACK_SOC, -1.0),
        ("fuller", "%", 100.0 * highest_soc, high, 100.0 * SLACK_SOC, 1.0),
        ("discharge", "A", out_A, fitted.discharge_A, slack_A, 1.0),
        ("charge", "A", in_A, fitted.charge_A, slack_A, 1.0),
    )
    return tuple(
        Beyond(side, farthest, bound, unit)
        for side, unit, farthest, bound, slack, sign in sides
        if sign * (farthest - bound) > slack
    )


def _extremes(run: Whole) -> tuple[float, float, float, float, float, float]:
    """Return coldest, warmest [C], lowest, highest charge [1], most out of and into a cell [A]."""
    if isinstance(run, BuiltResult):
        kept, peaks = run.kept, run.run.book.extremes
        return (
            float(peaks[LOWEST_CORE_K].min()) - ZERO_C_K,
            float(kept[:, SURFACE_HOT_K].max()) - ZERO_C_K,
            float(kept[:, SOC_LOW].min()),
            float(kept[:, SOC_HIGH].max()),
            float(peaks[PEAK_A].max()),
            -float(peaks[LEAST_A].min()),
        )
    seen = run.series
    return (
        float(seen.surface_C.min()),
        float(seen.surface_C.max()),
        float(seen.soc.min()),
        float(seen.soc.max()),
        float(seen.cell_current_A.max()),
        -float(seen.cell_current_A.min()),
    )
