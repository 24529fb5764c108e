"""A small day in a folder: scenario, cell and forty rows of power, and ways to run it."""

from __future__ import annotations

import contextlib
import copy
import csv
import datetime
import io
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from unittest import mock

import plants

from sim import cli

POWER_W = [200 + 50 * (minute % 4) for minute in range(40)]
SCENARIO = {
    "title": "A small day",
    "cell": {"profile": "cell.toml"},
    "pack": {"series": 4, "parallel": 5},
    "load": {"profile": "load.csv", "start": "10:00"},
    "ambient": {"constant_C": 25.0},
}
BOX = {"wall_area_m2": 1.0, "wall_conductance_W_m2K": 3.0, "heat_capacity_J_K": 900.0}
CLOCK_DAY = "time,temperature_C,sun_W_m2\n" + "".join(f"{h:02d}:00,20,100\n" for h in range(24))
# Measured well, all but the limits, so that the small day's verdict hangs on no guess.
MEASURED = ("capacity", "size", "open_circuit", "entropic", "resistance", "polarisation", "heat")
CELL = plants.profile(
    sources={group: {"from": "a bench", "uncertainty": 0.01} for group in MEASURED}
)
RESULT_FILES = {"timeseries.csv", "events.csv", "summary.json", "overview.png"}
GONE = object()  # put in the place of a key, it takes the key away


def toml(value: Any) -> str:
    """Return one value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        # TOML takes JSON's escapes, but wants DEL escaped too.
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml(one) for one in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f"{toml(k)} = {toml(v)}" for k, v in value.items()) + "}"
    return value.isoformat() if isinstance(value, datetime.time) else repr(value)


def dump(content: dict[str, Any]) -> str:
    """Return a whole TOML file."""
    return "".join(f"{toml(key)} = {toml(value)}\n" for key, value in content.items())


def changed(content: dict[str, Any], changes: dict[str, Any]) -> dict[str, Any]:
    """Return a copy with `changes` made, keys as "pack.series"; GONE takes one away."""
    content = copy.deepcopy(content)
    for path, value in changes.items():
        *tables, key = path.split(".")
        here = content
        for table in tables:
            here = here.setdefault(table, {})
        if value is GONE:
            del here[key]
        else:
            here[key] = value
    return content


def load_csv(power_W: list[float] = POWER_W, step_s: int = 60) -> str:
    """Return a load file of one row a step, without a clock."""
    rows = "".join(f"{step_s * i},{value}\n" for i, value in enumerate(power_W))
    return f"time_s,power_W\n{rows}"


def write_day(folder: Path, changes: dict[str, Any] | None = None, name: str = "day") -> Path:
    """Write the small day into `folder`, changed, and return the scenario's path."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "cell.toml").write_text(dump(CELL), encoding="utf-8")
    (folder / "load.csv").write_text(load_csv(), encoding="utf-8")
    path = folder / f"{name}.toml"
    path.write_text(dump(changed(SCENARIO, changes or {})), encoding="utf-8")
    return path


def command(*words: str | Path, cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command as users do, in a process of its own, and return what it left."""
    return subprocess.run(
        [sys.executable, "-m", "sim.cli", *map(str, words)],
        cwd=cwd,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        timeout=120,
    )


def answer(*words: str | Path) -> tuple[int, str, str]:
    """Run the command in this process; return exit code, output and complaints."""
    out, err = io.StringIO(), io.StringIO()
    with (
        mock.patch.object(sys, "argv", ["stillair", *map(str, words)]),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
    ):
        try:
            cli.main()
        except SystemExit as end:
            return int(end.code or 0), out.getvalue(), err.getvalue()
    raise AssertionError("main() came back without an exit code")


def rows_of(path: Path) -> list[dict[str, str]]:
    """Return the rows of a CSV file that a run wrote."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def complaints(path: Path) -> list[str]:
    """Return what `check` complains of, one line each; it must exit 2 and print nothing else."""
    code, out, err = answer("check", path)
    assert (code, out) == (2, ""), out or err
    assert err.endswith("\n")
    assert "Traceback" not in err
    return err.splitlines()


def simulated(folder: Path, changes: dict[str, Any] | None = None, *words: str) -> Path:
    """Run the small day, changed, and return its result folder."""
    path = write_day(folder, changes)
    code, _, err = answer("simulate", path, "--out", folder / "result", *words)
    assert code in (0, 1), err
    return folder / "result"


def read_strictly(path: Path) -> Any:
    """Return a JSON file's content; NaN and Infinity are no JSON (RFC 8259, section 6)."""

    def refuse(word: str) -> None:
        raise AssertionError(f"{path} holds {word}")

    return json.loads(path.read_text(encoding="utf-8"), parse_constant=refuse)


def names_in(folder: str | Path) -> list[str]:
    """Return the names in a folder, sorted."""
    return sorted(entry.name for entry in Path(folder).iterdir())
