"""What `--out` leaves of a pack as built: time series, events, cells, summary and pictures."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from sim.ask.built import BuiltResult
from sim.integrate import built_records as column
from sim.physics.limits import NAMES
from sim.show.built_summary import cell_rows
from sim.show.built_words import place
from sim.show.files import EVENT
from sim.show.folder import written_whole
from sim.show.rows import clocks, write_columns, write_series
from sim.show.summary import event
from sim.units import ZERO_C_K, clock_text


def _rows_to_write(result: BuiltResult, every_s: float | None) -> Any:
    """Return the rows at which another row of the load begins, and the last."""
    kept, legs = result.kept, result.run.legs
    leg = kept[:, column.LEG].astype(int)
    begins = np.append(True, np.diff(leg) > 0) & np.append(True, np.diff(legs.stretch[leg]) != 0)
    rows = np.flatnonzero(begins)
    if every_s is not None:
        chosen, last_s = [], -np.inf
        for m in rows.tolist():
            if kept[m, column.TIME] - last_s >= every_s - 1e-9:
                chosen.append(m)
                last_s = kept[m, column.TIME]
        rows = np.array(chosen, dtype=int)
    return np.unique(np.append(rows, len(kept) - 1))


def write_timeseries(result: BuiltResult, path: Path, every_s: float | None) -> None:
    """Write one row a load row: bus, extremes of cells and groups, and each pack's share."""
    kept = result.kept[_rows_to_write(result, every_s)]
    clock_s = result.case.start_clock_s
    columns: dict[str, Any] = {
        "time_s": (kept[:, column.TIME], 3),
        "clock": clocks(clock_s + kept[:, column.TIME]),
    }
    plain = {
        "ambient_C": (column.AMBIENT_K, 3, ZERO_C_K),
        "box_C": (column.BOX_K, 3, ZERO_C_K),
        "hottest_core_C": (column.CORE_HOT_K, 3, ZERO_C_K),
        "mean_core_C": (column.CORE_MEAN_K, 3, ZERO_C_K),
        "coldest_core_C": (column.CORE_COLD_K, 3, ZERO_C_K),
        "hottest_surface_C": (column.SURFACE_HOT_K, 3, ZERO_C_K),
        "soc": (column.SOC_MEAN, 6, 0.0),
        "lowest_group_soc": (column.SOC_LOW, 6, 0.0),
        "highest_group_soc": (column.SOC_HIGH, 6, 0.0),
        "lowest_cell_V": (column.CELL_LOW_V, 5, 0.0),
        "lowest_group_V": (column.GROUP_LOW_V, 5, 0.0),
        "highest_group_V": (column.GROUP_HIGH_V, 5, 0.0),
        "greatest_cell_A": (column.CELL_HIGH_A, 4, 0.0),
        "bus_voltage_V": (column.BUS_V, 4, 0.0),
        "bus_current_A": (column.BUS_A, 4, 0.0),
        "charging": (column.CHARGING, 1, 0.0),
    }
    for name, (number, digits, zero) in plain.items():
        columns[name] = kept[:, number] - zero, digits
    columns["power_W"] = kept[:, column.BUS_V] * kept[:, column.BUS_A], 3
    for p in range(result.built_case.built.pack.shape[1]):
        at = column.COLUMNS + 3 * p
        columns[f"pack_{p + 1}_A"] = kept[:, at], 4
        columns[f"pack_{p + 1}_soc"] = kept[:, at + 1], 6
        columns[f"pack_{p + 1}_hottest_C"] = kept[:, at + 2] - ZERO_C_K, 3
    write_series(columns, path)


def write_events(result: BuiltResult, path: Path) -> None:
    """Write one row a crossing of a limit or a switching of a board, in order of time."""
    clock_s = result.case.start_clock_s
    rows = []
    for found, where in zip(result.verdict.events, result.where, strict=True):
        words = place(result, NAMES.index(found.name), where) or found.where
        rows.append({**event(found, clock_s), "where": words})
    for one in result.switchings:
        rows.append(
            {
                "time_s": one.time_s,
                "clock": clock_text(clock_s + one.time_s, seconds=True),
                "event": f"{one.owner} {'lets go' if one.closed else 'trips'}",
                "where": "in use" if one.in_use else "not in use",
                "value": one.value,
                "limit": None,
                "until_s": None,
            }
        )
    rows.sort(key=lambda row: float(row["time_s"]))
    write_columns({name: [row[name] for row in rows] for name in EVENT}, path, decimals=6)


def write_built(
    result: BuiltResult,
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
        write_columns(cell_rows(result), fresh / "cells.csv")
        text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
        (fresh / "summary.json").write_text(text + "\n", "utf-8", errors="backslashreplace")
        if plots:
            from sim.show.built_plots import built_overview, pack_map

            built_overview(result, fresh / f"overview.{suffix}")
            if result.case.scenario.layout is not None:
                pack_map(result, fresh / f"pack-map.{suffix}")
