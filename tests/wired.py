"""Small days with wiring: a scenario in a folder, its current by rows, and what is judged of it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import small_day

from sim.ask.wiring import Wiring, wiring
from sim.files.case import read_case

# A pack that gives a lot without sagging far; nothing stops its day.
PACK = {"pack.series": 4, "pack.parallel": 40, "limits.on_cutoff": "record"}
LEAD = {"name": "lead", "material": "copper", "gauge_AWG": 10, "length_mm": 500,
        "insulation_mm": 1.0, "insulation_max_C": 105}  # fmt: skip
FUSE = {"rating_A": 30, "dc_V": 60, "breaking_A": 10_000, "ratio": [1.0, 1.3333, 2.0],
        "hold_s": [14400, 3600, 5], "clear_s": [14400, 3600, 60]}  # fmt: skip


def write(
    folder: Path, pieces: list[tuple[float, float]], changes: dict[str, Any] | None = None
) -> Path:
    """Write a day of (ampere of all packs, seconds) pieces, and return the scenario's path."""
    path = small_day.write_day(folder, {**PACK, **(changes or {})})
    rows, time_s = ["time_s,current_A"], 0.0
    for ampere, seconds in pieces:
        rows.append(f"{time_s:g},{ampere:g}")
        time_s += seconds
    rows.append(f"{time_s:g},0")
    (folder / "load.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def judged(
    folder: Path, pieces: list[tuple[float, float]], changes: dict[str, Any] | None = None
) -> Wiring:
    """Return what is judged of such a day."""
    return wiring(read_case(write(folder, pieces, changes)))


def answers(found: Wiring, kind: str, *, one_out: bool = False) -> dict[str, str]:
    """Return the answers of one kind of check by element."""
    return {c.element: c.answer for c in found.checks if c.kind == kind and c.one_out == one_out}
