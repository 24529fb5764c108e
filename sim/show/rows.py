"""Columns to a CSV file, as pandas writes them and without its quarter second of start."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray


def write_columns(
    columns: Mapping[str, NDArray[Any] | Sequence[Any]], path: Path, decimals: int | None = None
) -> None:
    """Write columns of equal length under their names; what is None or NaN is left empty.

    Floats are written in the fewest digits that read back as the same, or with so many `decimals`;
    a nought has no sign.
    """
    texts = [_texts(column, decimals) for column in columns.values()]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(columns)
        writer.writerows(zip(*texts, strict=True))


def _texts(column: NDArray[Any] | Sequence[Any], decimals: int | None) -> list[Any]:
    """Return what csv writes as it should stand: floats themselves, or texts."""
    if decimals is None and isinstance(column, np.ndarray):
        values = (column + 0.0 if column.dtype.kind == "f" else column).tolist()
        return ["" if v != v else v for v in values] if np.isnan(column).any() else values
    return [_text(value, decimals) for value in column]


def _text(value: Any, decimals: int | None) -> Any:
    if value is None or value != value:
        return ""
    return f"{value:z.{decimals}f}" if decimals is not None and isinstance(value, float) else value
