"""How tables about a pack as built and its wiring were understood: one line each, with units."""

from __future__ import annotations

from typing import Any

from sim.ask.built_seen import cells_marched
from sim.files.built_case import TABLES, BuiltCase
from sim.files.built_schema import LEVELS, Threshold
from sim.files.cell_schema import Strict
from sim.files.scenario_schema import ScenarioTable

WIRING = ("conductor", "fuse", "wiring")
# Ends of keys that are units, the longest first, and how they are written.
UNITS = {
    "_W_m2K": "W/m2K", "_W_mK": "W/mK", "_W_K": "W/K", "_J_K": "J/K", "_A2s": "A2s",
    "_mohm": "mohm", "_percent": "%", "_mm2": "mm2", "_mm": "mm", "_AWG": "AWG", "_A": "A",
    "_C": "C", "_K": "K", "_V": "V", "_W": "W", "_s": "s", "_h": "h",
}  # fmt: skip


def built_subjects(case: BuiltCase) -> list[tuple[str, str]]:
    """Return a line a table about the pack as built, and which cells are marched."""
    scenario = case.case.scenario
    count, packs = case.built.fixed.shape[1], case.built.pack.shape[1]
    lines = [("as built", line) for table in TABLES for line in _lines(scenario, table)]
    said = f"{cells_marched(case)}: {count} marched in {packs} pack{'s' if packs > 1 else ''}"
    if case.owners:
        said += f", {len(case.owners)} thresholds watched"
    return [*lines, ("cells", said), *(("note", note) for note in case.notes)]


def wiring_subjects(scenario: ScenarioTable) -> list[tuple[str, str]]:
    """Return a line a conductor, and one each of fuse and other wiring, where they are given."""
    given = [table for table in WIRING if table in scenario.model_fields_set]
    return [("wiring", line) for table in given for line in _lines(scenario, table)]


def _lines(scenario: ScenarioTable, table: str) -> list[str]:
    found = getattr(scenario, table)
    if found is None:
        return []
    if isinstance(found, list):
        return [f"[[{table}]] {at}: {told(one)}" for at, one in enumerate(found, 1)]
    thresholds = [
        f"[{table}] {name}: {told(one, _unit_of(name))}"
        for name, one in _values(found)
        if isinstance(one, Threshold)
    ]
    own = told(found)
    return [*([f"[{table}]: {own}"] if own else []), *thresholds]


def told(table: Strict, unit: str = "") -> str:
    """Return what a table says, the keys given first and then what stands for those left out.

    `unit` is that of keys which have none in their name.
    """
    given = [_one(name, value, unit) for name, value in _values(table) if _is_given(table, name)]
    other = [_one(n, v, unit) for n, v in _values(table) if not _is_given(table, n)]
    said, assumed = ", ".join(filter(None, given)), ", ".join(filter(None, other))
    return "; ".join(filter(None, [said, assumed and f"by default {assumed}"]))


def _values(table: Strict) -> list[tuple[str, Any]]:
    return [(name, getattr(table, name)) for name in type(table).model_fields]


def _is_given(table: Strict, name: str) -> bool:
    return name in table.model_fields_set


def _one(name: str, value: Any, unit: str) -> str:
    """Return "release 3.1 V"; nothing of what is not there, and of tables within."""
    if value is None or isinstance(value, Strict) or value == []:
        return ""
    end = next((end for end in UNITS if name.endswith(end)), "")
    own = UNITS.get(end) or (unit if name in ("trip", "release", "tolerance") else "")
    return f"{_plain(name.removesuffix(end))} {_text(value)}{f' {own}' if own else ''}".strip()


def _text(value: Any) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        if value and isinstance(value[0], list):
            return ", ".join(" to ".join(map(_text, one)) for one in value)
        return " / ".join(map(_text, value))
    return f"{value:g}" if isinstance(value, float) else str(value)


def _plain(name: str) -> str:
    return name.replace("_", " ")


def _unit_of(threshold: str) -> str:
    """Return the unit of a board's threshold."""
    return next((unit for part, (_, _, unit) in LEVELS.items() if part in threshold), "")
