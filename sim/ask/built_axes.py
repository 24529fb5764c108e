"""What a change of a pack's size means for a pack as built, and what can't be changed there."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from sim.ask.axes import PARALLEL, Axis, Changes
from sim.errors import InputError

SIZES = (PARALLEL, "pack.series")
PLACES = ("layout.rows", "layout.columns")


def following(content: dict[str, Any], changes: Changes, path: Path) -> dict[str, Any]:
    """Return `content`, `changes` made, with a [layout] of as many places as there are cells.

    Where a size of the pack was changed and no place was, the side of the module that the groups
    stand along stays, and the other one follows. Raises InputError where neither side divides the
    cells.
    """
    layout, keys = content.get("layout"), [key for key, _ in changes]
    if not isinstance(layout, dict) or not set(keys) & set(SIZES) or set(keys) & set(PLACES):
        return content
    said = [layout.get("rows"), layout.get("columns")]
    said += [content["pack"].get("series"), content["pack"].get("parallel")]
    numbers = [n for n in said if isinstance(n, int) and n > 0]
    if len(numbers) < len(said):
        return content  # the schema says so in its own words
    rows, columns, series, parallel = numbers
    cells = series * parallel
    # A side that divides the series does so at every count, so that it is the same one throughout.
    sides = ("columns", "rows") if series % rows and not series % columns else ("rows", "columns")
    for side in sides:
        if cells % layout[side] == 0:
            other = "columns" if side == "rows" else "rows"
            return {**content, "layout": {**layout, other: cells // layout[side]}}
    raise InputError(
        f"{path}: neither the {rows} rows nor the {columns} columns of [layout] divide the "
        f"{cells} cells of {parallel} in parallel; accepted: counts where one of them does"
    )


def refuse_new_count(content: dict[str, Any], axes: Sequence[Axis], path: Path) -> None:
    """Raise InputError where cells are listed place by place and an axis changes their count."""
    spread = content.get("spread")
    if not isinstance(spread, dict) or spread.get("cells") is None:
        return
    own = content.get("pack", {})
    for axis in axes:
        if axis.key not in (*SIZES, "pack.packs"):
            continue
        today = own.get(axis.key.partition(".")[2], 1 if axis.key == "pack.packs" else None)
        if set(axis.values) - {today}:
            raise InputError(
                f"{path}: [spread] cells lists the cells place by place, so {axis.key} can't "
                f"change from {'what it is' if today is None else today}; accepted: {axis.key} "
                "left as it is, or a scenario without [spread] cells"
            )
