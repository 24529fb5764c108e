"""The day in three lines of plain characters, for a terminal."""

from __future__ import annotations

import shutil
import sys

import numpy as np
from numpy.typing import NDArray

from sim.show.lines import NARROWEST, WIDEST

Floats = NDArray[np.float64]
# Low to high; ASCII only, since not every terminal has the block characters.
RAMP = " .:-=+*#"
OVER = "!"
LEAST_COLUMNS = 8


def columns(time_s: Floats, value: Floats, count: int) -> Floats:
    """Return the greatest value in each of `count` equal stretches of time, (count,).

    A stretch without a point of its own has what the line through its neighbours has there.
    """
    edges = np.linspace(time_s[0], time_s[-1], count + 1)
    found = np.interp(0.5 * (edges[1:] + edges[:-1]), time_s, value)
    at = np.clip(np.searchsorted(edges, time_s, side="right") - 1, 0, count - 1)
    found[np.unique(at)] = -np.inf
    np.maximum.at(found, at, value)
    return found


def ramp(values: Floats, low: float, high: float, over: float | None = None) -> str:
    """Return one character a value between `low` and `high`; "!" where it is above `over`."""
    span = high - low if high > low else 1.0
    steps = np.clip(np.ceil((values - low) / span * (len(RAMP) - 1)), 0, len(RAMP) - 1).astype(int)
    text = (RAMP[k] for k in steps.tolist())
    beyond = np.zeros(len(values), bool) if over is None else values > over
    return "".join(OVER if b else c for c, b in zip(text, beyond.tolist(), strict=True))


def day(
    time_s: Floats,
    load: tuple[Floats, str],
    core_C: Floats,
    limit_C: float,
    charge_percent: Floats,
    ends: tuple[str, str],
) -> list[str]:
    """Return load, hottest core against its limit, and charge over the day; [] for no room.

    `load` comes with its unit, `ends` are the clock at begin and end. No line is wider than the
    terminal. Charge is drawn by its greatest too, but a column is short against its fall.
    """
    drawn, unit = load
    top = float(np.max(drawn))
    hottest = float(np.max(core_C))
    warmest = max(limit_C, hottest) if np.isfinite(limit_C) else hottest
    coolest = float(np.min(core_C))
    least, begin, end = (
        float(f(charge_percent)) for f in (np.min, lambda c: c[0], lambda c: c[-1])
    )
    limit = f", limit {limit_C:.0f} C" if np.isfinite(limit_C) else ""
    low = f", least {least:z.0f} %" if least < min(begin, end) - 1.0 else ""
    rows = [
        ("load", drawn, min(0.0, float(np.min(drawn))), top, None, f"up to {top:.0f} {unit}"),
        ("hottest core", core_C, coolest, warmest, limit_C, f"up to {hottest:z.1f} C{limit}"),
        (
            "charge",
            charge_percent,
            min(0.0, least),
            100.0,
            None,
            f"{begin:z.0f} -> {end:z.0f} %{low}",
        ),
    ]
    width = min(max(shutil.get_terminal_size((WIDEST, 24)).columns, NARROWEST), WIDEST)
    left = max(len(name) for name, *_ in rows) + 1
    count = width - left - 3 - max(len(words) for *_, words in rows)
    if count < LEAST_COLUMNS or len(time_s) < 2 or time_s[-1] <= time_s[0]:
        return []
    lines = [
        f"{name:<{left}}|{ramp(columns(time_s, value, count), low, high, over)}| {words}"
        for name, value, low, high, over, words in rows
    ]
    space = count + 1 - len(ends[0]) - len(ends[1])
    if space >= 1:
        lines.append(" " * (left + 1) + ends[0] + " " * (space - 1) + ends[1])
    return lines


def wanted() -> bool:
    """Return whether anybody looks at a terminal; a pipe gets none of it."""
    return sys.stdout.isatty()
