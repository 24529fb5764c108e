"""What `compare` leaves: compare.csv, summary.json and a picture."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from sim.ask.compare import Comparison
from sim.show.folder import written_whole


def write_compare(
    found: Comparison,
    content: dict[str, Any],
    folder: Path,
    *,
    plots: bool,
    suffix: str = "png",
) -> None:
    """Write the whole result into `folder`, or leave it as it was; raises OutputError.

    The picture's `suffix` is its format.
    """
    with written_whole(folder) as fresh:
        write_rows(found, fresh / "compare.csv")
        text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
        (fresh / "summary.json").write_text(text + "\n", "utf-8", errors="backslashreplace")
        if plots:
            from sim.show.compare_plots import picture

            picture(found, fresh / f"compare.{suffix}")


def write_rows(found: Comparison, path: Path) -> None:
    """Write one row a row of the log; what it does not hold stays blank."""
    import pandas as pd

    seen, said, spread = found.seen, found.predicted, found.uncertain
    blank = np.full(len(seen.time_s), np.nan)
    columns = {
        "time_s": (seen.time_s, 3),
        "line": (seen.log.table.lines, 0),
        "soc": (said.soc, 5),
        "current_A": (said.current_A if seen.current_A is None else seen.current_A, 4),
        "measured_voltage_V": (blank if seen.cell_V is None else seen.cell_V, 5),
        "predicted_voltage_V": (said.cell_V, 5),
        "voltage_error_mV": (1e3 * found.off_V, 2),
        "voltage_uncertainty_mV": (1e3 * spread.voltage_V, 2),
        "measured_temperature_C": (blank if seen.surface_C is None else seen.surface_C, 3),
        "predicted_temperature_C": (said.surface_C, 3),
        "predicted_core_C": (said.core_C, 3),
        "temperature_error_K": (found.off_K, 3),
        "temperature_uncertainty_K": (spread.temperature_K, 3),
        "air_C": (said.air_C, 3),
    }
    rounded = {name: np.round(values, d) for name, (values, d) in columns.items()}
    frame = pd.DataFrame({name: v + v.dtype.type(0) for name, v in rounded.items()})  # never "-0.0"
    frame.to_csv(path, index=False)
