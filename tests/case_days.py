"""Days of the cases: a textbook cell, a scenario in a folder, and what a run of it shows.

Nothing is computed here that a test compares with: these only write files, run them and read.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import plants
from small_day import answer, dump

from sim.ask.built import BuiltResult, simulate_built
from sim.ask.simulate import Result
from sim.ask.simulate import simulate as simulate_alike
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.integrate import built_records as column

STILL_J_K = 1e5  # so much that no loss warms it by a thousandth of a kelvin
FOLLOWS_J_K = 2e-3  # so little that it is as warm as its air, with 100 W/K
FOLLOWS = {"conductance_W_K": 100.0}
IDLE = [(0.0, 60.0)]
WIDE = {  # limits of a cell that nothing here reaches
    "full_V": 9.9, "cutoff_V": 0.0, "discharge_A": 1e5, "charge_A": 1e5,
    "discharge_core_min_C": -60.0, "discharge_core_max_C": 200.0,
    "charge_core_min_C": -60.0, "charge_core_max_C": 200.0,
}  # fmt: skip


def cell(
    rest_V: float | tuple[float, float] | dict[str, Any],
    mohm: float | dict[str, Any] = 0.0,
    *,
    Ah: float = 500.0,
    J_K: float = STILL_J_K,
    **limits: float,
) -> dict[str, Any]:
    """Return the profile of a textbook cell: no pairs, one node, no limit but those given.

    `rest_V` is one voltage at any charge, those of an empty and a full cell, or a table.
    """
    if not isinstance(rest_V, dict):
        ends = rest_V if isinstance(rest_V, tuple) else (rest_V, rest_V)
        rest_V = {"soc": [0.0, 1.0], "voltage_V": list(ends)}
    return plants.profile(
        capacity_Ah=Ah,
        open_circuit=rest_V,
        resistance=mohm if isinstance(mohm, dict) else {"discharge_mohm": mohm},
        polarisation=[],
        heat={"core_J_K": 0.5 * J_K, "surface_J_K": 0.5 * J_K, "core_to_surface_K_W": 0.0},
        limits={**WIDE, **limits},
    )


def write(
    folder: Path,
    one: dict[str, Any],
    pieces: list[tuple[float, float]],
    *,
    pack: tuple[int, ...] = (1, 1, 1),
    power: bool = False,
    air_C: float | list[tuple[float, float]] = 25.0,
    start: str | None = None,
    soc: float = 1.0,
    core_C: float | None = None,
    **tables: Any,
) -> Path:
    """Write cell, load and scenario; return the scenario's path.

    `pieces` are (ampere or watt, seconds); `pack` series, parallel, packs; `air_C` a constant or
    (seconds, C) knots; `soc` and `core_C` at the start; `tables` are further tables.
    """
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cell.toml").write_text(dump(one), encoding="utf-8")
    edges_s = np.concatenate([[0.0], np.cumsum([seconds for _, seconds in pieces])])
    rows = [
        f"{t:.10g},{v:.10g}" for t, v in zip(edges_s, [p for p, _ in pieces] + [0.0], strict=True)
    ]
    name = "power_W" if power else "current_A"
    (folder / "load.csv").write_text("\n".join([f"time_s,{name}", *rows]) + "\n", encoding="utf-8")
    ambient: dict[str, Any] = {"constant_C": air_C}
    if isinstance(air_C, list):
        air = [f"{seconds:.10g},{warm:.10g}" for seconds, warm in air_C]
        (folder / "air.csv").write_text("\n".join(["time_s,temperature_C", *air]) + "\n")
        ambient = {"profile": "air.csv"}
    load = {"profile": "load.csv"} | ({} if start is None else {"start": start})
    keys = ("series", "parallel", "packs")
    content: dict[str, Any] = {
        "title": "A case",
        "cell": {"profile": "cell.toml"},
        "pack": dict(zip(keys, pack + (1,) * (3 - len(pack)), strict=True)),
        "load": load,
        "ambient": ambient,
        "cooling": {"conductance_W_K": 0.05},
        "start": {"charge_percent": 100.0 * soc} | ({} if core_C is None else {"cell_C": core_C}),
    }
    for name, table in tables.items():
        both = isinstance(table, dict) and name in content
        content[name] = {**content[name], **table} if both else table
    path = folder / "case.toml"
    path.write_text(dump(content), encoding="utf-8")
    return path


def as_built(*args: Any, **keywords: Any) -> BuiltResult:
    """Write a case and run it as a pack as built; one without its tables has identical cells."""
    if not keywords.keys() & {"fault", "busbar", "layout", "controller", "board", "unit",
                              "charger"}:  # fmt: skip
        keywords.setdefault("spread", {})
    result = simulate_built(built_case(read_case(write(*args, **keywords))))
    assert result.audit.passed, result.audit.complaints
    return result


def alike(*args: Any, **keywords: Any) -> Result:
    """Write a case and run it with identical cells."""
    return simulate_alike(read_case(write(*args, **keywords)))


def told(path: Path) -> str:
    """Return what the command prints about a scenario, in one line."""
    code, out, err = answer("simulate", path, "--out", path.parent / "out", "--no-plots")
    assert code in (0, 1), err
    return " ".join(out.split())


def kept(result: BuiltResult, which: int, time_s: float) -> float:
    """Return one column at an instant, on a straight line between what was kept around it."""
    rows = result.kept
    return float(np.interp(time_s, rows[:, column.TIME], rows[:, which]))


def at_once(result: BuiltResult, which: int, time_s: float = 0.0) -> float:
    """Return one column as a leg begins, before anything has switched there."""
    rows = result.kept
    return float(rows[np.flatnonzero(rows[:, column.TIME] >= time_s - 1e-9)[0], which])


def pack_A(result: BuiltResult) -> list[float]:
    """Return each pack's current at the first instant."""
    first = result.kept[0]
    packs = result.built_case.built.pack.shape[1]
    return [float(first[column.COLUMNS + 3 * p]) for p in range(packs)]


def events(result: Any) -> dict[str, float]:
    """Return when each limit was first passed, by its name."""
    found: dict[str, float] = {}
    for event in result.verdict.events:
        found.setdefault(event.name, event.time_s)
    return found


def trips_s(result: BuiltResult, owner: str) -> list[float]:
    """Return when a threshold tripped."""
    return [one.time_s for one in result.switchings if one.owner == owner and not one.closed]


def releases_s(result: BuiltResult, owner: str) -> list[float]:
    """Return when a threshold let go."""
    return [one.time_s for one in result.switchings if one.owner == owner and one.closed]


def board(result: BuiltResult, owner: str) -> Any:
    """Return the answer of one threshold."""
    return next(one for one in result.boards if one.owner == owner)
