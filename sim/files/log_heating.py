"""What a log shows of heat that no current explains, and of columns that lag behind each other."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim.files.log_findings import (
    LAG_ROWS,
    LEAST_STEPS,
    SETTLING_S,
    WARMING_K,
    Flags,
    Floats,
    LogFinding,
    SPECIFIC_HEAT_J_kgK,
    stretches,
)
from sim.units import SECONDS_PER_HOUR

WORTH_TELLING_ROWS = 0.1  # of a row's length; below it the estimate is noise
# Rows longer than this have so much polarisation inside that only half a row tells of a lag.
LONG_ROW_S, OF_LONG_ROWS = 2.0, 0.5
LEAST_EXPLAINED = 0.5  # of the voltage's steps by the current's


def least_heat_W(mass_kg: float, rise_K: float, length_s: float, heat_J_kgK: float) -> float:
    """Return the least heat [W] that warms a mass by so much: m c dT / dt, all losses left out."""
    return mass_kg * heat_J_kgK * rise_K / length_s


def unexplained_heating(
    time_s: Floats,
    rest: Flags,
    temperature_C: Floats,
    air_C: Floats | None,
    lines: NDArray[np.intp],
    name: str,
    mass_kg: float | None = None,
    heat_J_kgK: float = SPECIFIC_HEAT_J_kgK,
) -> LogFinding | None:
    """Return a finding where a pack at rest warms by 1 K or more and is above the air.

    With no current and steady surroundings a body only relaxes towards them; one that warms above
    them makes heat of its own. The first quarter hour after a load is left out, in which heat
    comes from the core. Without the air's temperature (`air_C` None) the finding is no fault yet.
    """
    worst: tuple[float, int, int] | None = None
    for first, last in stretches(rest):
        begin = first
        if first > 0:
            begin = int(np.searchsorted(time_s, time_s[first] + SETTLING_S))
        span = _greatest_rise(temperature_C, begin, last)
        if span is None:
            continue
        low, high = span
        rise_K = float(temperature_C[high] - temperature_C[low])
        if (
            air_C is not None
            and temperature_C[high] <= float(np.fmax.reduce(air_C[low : high + 1])) + WARMING_K
        ):
            continue
        if rise_K >= WARMING_K and (worst is None or rise_K > worst[0]):
            worst = rise_K, low, high
    if worst is None:
        return None
    rise_K, low, high = worst
    length_s = float(time_s[high] - time_s[low])
    a_kg_W = least_heat_W(1.0, rise_K, length_s, heat_J_kgK)
    numbers = {"rise_K": rise_K, "hours": length_s / SECONDS_PER_HOUR, "least_W_kg": a_kg_W}
    heat = f"{a_kg_W:.3g} W for each kg of pack (give `--mass-kg`)"
    if mass_kg is not None:
        numbers["least_heat_W"] = least_heat_W(mass_kg, rise_K, length_s, heat_J_kgK)
        heat = f"{numbers['least_heat_W']:.3g} W"
    air = "which is warmer than the air"
    if air_C is None:
        air = "unless the air was warmer: the log does not say (give `--air-C` or its column)"
    text = (
        f"'{name}' rises from {temperature_C[low]:.1f} to {temperature_C[high]:.1f} C in "
        f"{length_s / SECONDS_PER_HOUR:.3g} h with no current, {air}: unexplained "
        f"heating, at least {heat} made inside before any loss ({heat_J_kgK:g} J/kgK); keep people "
        "away and watch it"
    )
    return LogFinding("unexplained_heating", int(lines[low]), text, numbers, air_C is not None)


def _greatest_rise(temperature_C: Floats, first: int, last: int) -> tuple[int, int] | None:
    """Return the indices of the low and the later high that lie farthest apart."""
    at = np.arange(first, last + 1)
    at = at[np.isfinite(temperature_C[at])]
    if at.size < 2:
        return None
    values = temperature_C[at]
    lowest = np.minimum.accumulate(values)
    high = int(np.argmax(values - lowest))
    low = int(np.argmin(values[: high + 1]))
    return int(at[low]), int(at[high])


def column_lag(
    time_s: Floats, current_A: Floats, voltage_V: Floats, lines: NDArray[np.intp]
) -> LogFinding | None:
    """Return a finding where the voltage answers the current late, or before it comes.

    Least squares of the voltage's row-to-row steps on the current's, from two rows ahead to two
    behind; the lag is the mean of those places, weighed by their answers. Polarisation answers
    late too, so a voltage behind its current is a lag of that size at most.
    """
    steps_s = np.diff(time_s)
    usual_s = float(np.median(steps_s))
    size = len(steps_s)
    if size < LEAST_STEPS + 2 * LAG_ROWS:
        return None
    current_step_A, voltage_step_V = np.diff(current_A), np.diff(voltage_V)
    at = np.arange(LAG_ROWS, size - LAG_ROWS)
    places = np.arange(-LAG_ROWS, LAG_ROWS + 1)
    about = np.stack([current_step_A[at - place] for place in places], axis=1)
    even = np.stack([np.abs(steps_s[at - place] - usual_s) <= 0.1 * usual_s for place in places])
    moved = np.abs(about).max(axis=1) > 0.05 * float(np.abs(current_A).max())
    use = even.all(axis=0) & moved & np.isfinite(voltage_step_V[at])
    if np.count_nonzero(use) < LEAST_STEPS:
        return None
    answer, *_ = np.linalg.lstsq(about[use], voltage_step_V[at][use], rcond=None)
    left = voltage_step_V[at][use] - about[use] @ answer
    explained = 1.0 - float(np.var(left)) / float(np.var(voltage_step_V[at][use]) or 1.0)
    weight = np.clip(-answer, 0.0, None)  # voltage falls as discharge rises
    if explained < LEAST_EXPLAINED or weight.sum() <= 0.0:
        return None
    lag_s = float(np.sum(weight * places) / weight.sum()) * usual_s
    least = OF_LONG_ROWS if usual_s > LONG_ROW_S and lag_s > 0.0 else WORTH_TELLING_ROWS
    if abs(lag_s) <= least * usual_s:
        return None
    which = "behind" if lag_s > 0.0 else "ahead of"
    why = " (polarisation inside a row looks the same, so at most that)" if lag_s > 0.0 else ""
    text = (
        f"the voltage is about {abs(lag_s):.2g} s {which} the current, rows being {usual_s:g} s "
        f"apart{why}; a comparison of the two at edges of the load is off by as much"
    )
    return LogFinding("lag", int(lines[0]), text, {"lag_s": lag_s, "row_s": usual_s})
