"""What a sizing leaves: its summary, the confirming sweep, and a scenario ready to simulate."""

from __future__ import annotations

import json
import os
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

from sim import __version__
from sim.ask.simulate import Result
from sim.ask.size import Sizing
from sim.ask.size_layout import Layout
from sim.errors import OutputError
from sim.files.case import guesses
from sim.show.folder import written_whole
from sim.show.sentences import CAUTION
from sim.show.size_words import answer, as_text, assumed, at_hand, layout_name, speeds
from sim.show.summary import inputs, summary
from sim.show.sweep_files import write_rows

FILES = ("profile", "route")  # keys that hold a path relative to their scenario


def summary_of(sizing: Sizing) -> dict[str, Any]:
    """Return the whole sizing as one tree of plain values."""
    chosen, run = sizing.choice, sizing.run
    home = None if chosen is None else chosen.home
    return {
        "stillair": __version__,
        "command": "size",
        "title": sizing.table.title,
        "verdict": {"passed": sizing.passed, "sentence": answer(sizing)},
        "choice": None if chosen is None else _chosen(chosen),
        "at_hand": at_hand(sizing),
        "day": {**asdict(sizing.day), "wh_per_km": sizing.day.wh_per_km},
        "window": [asdict(fit) for fit in sizing.fits],
        "layouts": [_layout(layout) for layout in sizing.layouts],
        "one_pack_out": None
        if home is None
        else {**asdict(home), "energy_ok": home.energy_ok, "current_ok": home.current_ok},
        "speeds": [asdict(row) for row in speeds(sizing)],
        "run": _run(run),
        "frost": _run(sizing.frost),
        "questions": list(sizing.questions),
        "guesses": guesses(sizing.case),
        "assumptions": assumed(sizing),
        "notes": list(sizing.case.notes),
        "requirements": sizing.table.model_dump(exclude_unset=True, exclude_none=True),
        "inputs": None if run is None else inputs(run.case),
        "caution": CAUTION,
    }


def _run(run: Result | None) -> dict[str, Any] | None:
    """Return how the chosen pack fared in a whole run, its audit in full."""
    if run is None:
        return None
    whole = summary(run)
    return {key: whole[key] for key in ("verdict", "bad_end", "audit", "end")}


def _chosen(layout: Layout) -> dict[str, Any]:
    what = layout.what
    assert what is not None
    return {
        "name": layout_name(layout),
        "series": layout.fit.series,
        "parallel": layout.parallel,
        "packs": layout.content["pack"]["packs"],
        "cells": what.cells,
        "mass_kg": layout.mass_kg,
        "cost": layout.cost,
        "nominal_V": what.voltage_V,
        "nominal_Wh": what.energy_Wh,
        "capacity_Ah": what.capacity_Ah,
        "full_V": layout.fit.full_V,
        "cutoff_V": layout.fit.series * layout.fit.cutoff_V,
        "decides": layout.decides,
        "problems": list(layout.problems),
    }


def _layout(layout: Layout) -> dict[str, Any]:
    return {
        "series": layout.fit.series,
        "parallel": layout.parallel,
        "cells": None if layout.what is None else layout.what.cells,
        "decides": layout.decides,
        "asked": [asdict(one) for one in layout.asked],
        "problems": list(layout.problems),
    }


def write_size(sizing: Sizing, folder: Path, *, plots: bool, suffix: str = "png") -> dict[str, Any]:
    """Write the summary and the confirming sweep into `folder`, whole or not at all.

    The picture's `suffix` is its format. Returns the summary. Raises OutputError.
    """
    content = summary_of(sizing)
    with written_whole(folder) as fresh:
        text = as_text(content) + "\n"
        (fresh / "summary.json").write_text(text, "utf-8", errors="backslashreplace")
        if sizing.confirmed is not None:
            write_rows(sizing.confirmed, fresh / "sweep.csv")
        if plots:
            from sim.show.size_plots import picture

            picture(sizing, fresh / f"size.{suffix}")
    return content


def check_new(path: Path) -> None:
    """Raise OutputError where a file is in the way of the scenario that is to be written."""
    if path.exists() or path.is_symlink():
        raise OutputError(f"{path} is there already and is not overwritten; give another --write")
    if not path.absolute().parent.is_dir():
        raise OutputError(f"{path} can't be written: there is no folder {path.parent}")


def write_scenario(sizing: Sizing, path: Path) -> None:
    """Write the chosen pack as a scenario; raise OutputError where that can't be done."""
    check_new(path)
    beside = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with beside.open("x", encoding="utf-8", errors="backslashreplace") as file:
            file.write(scenario_text(sizing, path))
        os.link(beside, path)  # unlike a rename, fails where somebody was quicker
    except OSError as problem:
        raise OutputError(f"{path} can't be written: {problem.strerror or problem}") from None
    finally:
        beside.unlink(missing_ok=True)


def scenario_text(sizing: Sizing, path: Path) -> str:
    """Return the chosen pack's scenario as TOML, paths in it relative to `path`."""
    chosen = sizing.choice
    assert chosen is not None
    content = _moved(chosen.content, sizing.path, path)
    lines = [
        "# Written by `stillair size`; simulate it, then replace what is guessed by what you know.",
        *(f"# {line}" for line in _why(chosen)),
        "",
    ]
    lines += [f"{key} = {_toml(v)}" for key, v in content.items() if not isinstance(v, dict | list)]
    for key, value in content.items():
        tables = value if isinstance(value, list) else [value] if isinstance(value, dict) else []
        head = f"[[{key}]]" if isinstance(value, list) else f"[{key}]"
        for table in tables:
            lines += ["", head, *(f"{_key(k)} = {_toml(v)}" for k, v in table.items())]
    return "\n".join(lines) + "\n"


def _why(layout: Layout) -> list[str]:
    """Return what each requirement asked for, on lines of their own."""
    asked = [
        f"{one.name}: {'none will do' if one.parallel is None else one.parallel}"
        for one in layout.asked
    ]
    return [f"Cells side by side that each requirement asks for: {', '.join(asked)}."]


def _moved(content: dict[str, Any], source: Path, target: Path) -> dict[str, Any]:
    """Return a content whose relative paths lead from `target` to where they led from `source`."""
    moved = {key: dict(v) if isinstance(v, dict) else v for key, v in content.items()}
    for table in moved.values():
        for key in FILES if isinstance(table, dict) else ():
            if isinstance(table.get(key), str):
                there = source.absolute().parent / table[key]
                name = os.path.relpath(there, target.absolute().parent)
                table[key] = Path(name).as_posix()
    return moved


def _key(key: str) -> str:
    return key if re.fullmatch(r"[\w-]+", key, re.ASCII) else json.dumps(key)


def _toml(value: Any) -> str:
    """Return one value as TOML spells it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{_key(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(one) for one in value) + "]"
    return repr(value)
