"""A day of one constant current, whose cells come to a temperature that a formula gives.

One lumped node, one resistance without polarisation, a fixed conductance to air: after many time
constants a cell is warmer than the air by I^2 R / G, and its charge is what has not flowed out.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Executor, Future
from pathlib import Path
from typing import Any

import plants
from small_day import MEASURED, changed, dump

CURRENT_A, HOURS = 100.0, 3
RESISTANCE_OHM, JOINT_OHM, CONDUCTANCE_W_K = 0.027, 0.003, 0.045
HEAT_J_K, AIR_C, LIMIT_C = 45.0, 40.0, 60.0  # a time constant of 1000 s
SCENARIO: dict[str, Any] = {
    "title": "A steady current",
    "cell": {"profile": "cell.toml"},
    "pack": {"series": 4, "parallel": 20, "joint_mohm": 1e3 * JOINT_OHM},
    "load": {"profile": "load.csv", "start": "08:00"},
    "ambient": {"constant_C": AIR_C},
    "cooling": {"conductance_W_K": CONDUCTANCE_W_K, "uncertainty_percent": 0.0},
    "limits": {"core_max_C": LIMIT_C, "cell_discharge_max_A": 1e4, "reserve_percent": 10.0},
}
# Ample charge, so that heat alone decides unless a test says otherwise.
CELL = plants.profile(
    capacity_Ah=100.0,
    resistance={"discharge_mohm": 1e3 * RESISTANCE_OHM},
    polarisation=[],
    sources={group: {"from": "a bench", "uncertainty": 0.01} for group in MEASURED},
)


def write(folder: Path, changes: dict[str, Any] | None = None, cell: Any = None) -> Path:
    """Write the day into `folder` with `changes` (keys as "pack.series"); return the scenario."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cell.toml").write_text(dump({**CELL, **(cell or {})}), encoding="utf-8")
    rows = f"time_s,current_A\n0,{CURRENT_A}\n{3600 * HOURS},0\n"
    (folder / "load.csv").write_text(rows, encoding="utf-8")
    path = folder / "steady.toml"
    path.write_text(dump(changed(SCENARIO, changes or {})), encoding="utf-8")
    return path


def warmer_K(cell_A: float) -> float:
    """Return by how much a cell is warmer than the air in the end: I^2 R / G."""
    return cell_A**2 * (RESISTANCE_OHM + JOINT_OHM) / CONDUCTANCE_W_K


def greatest_cell_A(room_K: float) -> float:
    """Return the current at which a cell is `room_K` warmer than the air in the end."""
    return math.sqrt(room_K * CONDUCTANCE_W_K / (RESISTANCE_OHM + JOINT_OHM))


class AtOnce(Executor):
    """Runs each job as it is handed in; `before` may end it all. Counts candidates, not jobs."""

    def __init__(self, before: Callable[[int], None] = lambda _: None) -> None:
        self.before, self.count = before, 0

    def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future[Any]:
        """Run `fn` now."""
        self.before(self.count)
        self.count += len(args[-1]) if args and isinstance(args[-1], list) else 1
        future: Future[Any] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as problem:
            future.set_exception(problem)
        return future
