"""What `--out` leaves: time series, events, summary and picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from sim.ask.simulate import Result
from sim.show.folder import written_whole
from sim.show.rows import clocks, write_columns, write_series
from sim.show.summary import event

DECIMALS = {
    "time_s": 3,
    "ambient_C": 3,
    "box_C": 3,
    "core_C": 3,
    "surface_C": 3,
    "soc": 6,
    "cell_voltage_V": 5,
    "cell_current_A": 4,
    "pack_voltage_V": 4,
    "pack_current_A": 4,
    "power_W": 3,
    "heat_W": 5,
}

EVENT = ("time_s", "clock", "event", "where", "value", "limit", "until_s")


def rows_to_write(result: Result, every_s: float | None) -> np.ndarray:
    """Return which points of the trace are rows: each row of the load as it begins, and the end.

    Rows of equal load in a row are one; a change of speed inside a row makes no row of its own.

    `every_s` drops rows that follow the last one kept by less.
    """
    legs, trace = result.case.legs, result.trace
    first_of_row = np.append(True, (np.diff(legs.stretch) != 0) & (np.diff(legs.row) != 0))
    begins = np.append(True, np.diff(trace.leg) > 0)
    keep = np.flatnonzero(begins & first_of_row[trace.leg])
    if every_s is not None:
        kept, last_s = [], -np.inf
        for m in keep:
            if trace.time_s[m] - last_s >= every_s - 1e-9:
                kept.append(int(m))
                last_s = trace.time_s[m]
        keep = np.array(kept, dtype=int)
    last = len(trace.time_s) - 1  # already kept where the run ended as a row began
    return keep if keep[-1] == last else np.append(keep, last)


def write_timeseries(result: Result, path: Path, every_s: float | None) -> None:
    """Write one row a load row, the state and what is drawn as the row begins."""
    seen, clock_s = result.series, result.case.start_clock_s
    rows = rows_to_write(result, every_s)
    columns = {name: (getattr(seen, name)[rows], digits) for name, digits in DECIMALS.items()}
    clock = clocks(clock_s + seen.time_s[rows])
    write_series({"time_s": columns.pop("time_s"), "clock": clock, **columns}, path)


def write_events(result: Result, path: Path) -> None:
    """Write one row an event, its first instant not rounded to a row of the load."""
    rows = [event(e, result.case.start_clock_s) for e in result.verdict.events]
    write_columns({name: [row[name] for row in rows] for name in EVENT}, path, decimals=6)


def write_result(
    result: Result,
    content: dict[str, Any],
    folder: Path,
    *,
    every_s: float | None,
    plots: bool,
    suffix: str = "png",
) -> None:
    """Write the whole result into `folder`, or leave it as it was; raises OutputError.

    `suffix` says the format of the pictures.
    """
    with written_whole(folder) as fresh:
        write_timeseries(result, fresh / "timeseries.csv", every_s)
        write_events(result, fresh / "events.csv")
        text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
        # A path that is no UTF-8 comes in as lone surrogates; so escaped, they are JSON's own.
        (fresh / "summary.json").write_text(text + "\n", "utf-8", errors="backslashreplace")
        if plots:
            from sim.show.plots import overview

            overview(result, fresh / f"overview.{suffix}")
