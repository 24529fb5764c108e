"""Columns to a CSV file, without the quarter second that pandas takes to start."""

from __future__ import annotations

import csv
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.units import SECONDS_PER_DAY, clock_text

A_CHUNK = 8192  # rows at once: their bytes fit into a cache
EXACT = 1e15  # below it a decimal of so many digits is one float alone
ZERO, MINUS, POINT, COMMA, NEW_LINE = b"0-.,\n"


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


Numbers = tuple[NDArray[np.float64], int]  # and to how many decimals they are rounded, one or more
Parts = tuple[NDArray[np.bytes_], ...]  # of texts: each is made of one of every array


def write_series(columns: Mapping[str, Numbers | Parts], path: Path) -> None:
    """Write columns of equal length under their names, of `Numbers` or of plain texts in `Parts`.

    A day of seconds has a million numbers: texts one by one took a fifth of a run. Here a column
    is rows of bytes, one row a place of its numbers, with zero bytes where a number has no digit
    there; these are left out at last. Numbers stand in the fewest digits, one behind the point at
    the least; a nought has no sign.
    """
    first = next(iter(columns.values()))[0]
    with path.open("wb") as file:
        file.write(",".join(columns).encode() + b"\n")
        for begin in range(0, len(first), A_CHUNK):
            chunk = slice(begin, begin + A_CHUNK)
            places: list[NDArray[np.uint8]] = []
            for column in columns.values():
                places += [*_places(column, chunk), np.full(len(first[chunk]), COMMA, np.uint8)]
            places[-1][:] = NEW_LINE
            file.write(np.stack(places, axis=1).tobytes().translate(None, b"\0"))


def clocks(second_of_day: NDArray[np.float64]) -> Parts:
    """Return `clock_text` with its seconds of many instants: hour and minute, second, day."""
    days, rest = np.divmod(second_of_day.astype(np.int64), int(SECONDS_PER_DAY))
    minutes = np.array([clock_text(60.0 * n) for n in range(24 * 60)], dtype="S")
    seconds = np.array([f":{n:02d}" for n in range(60)], dtype="S")
    later = [clock_text(n * SECONDS_PER_DAY)[5:] for n in range(int(days.max()) + 1)]
    return minutes[rest // 60], seconds[rest % 60], np.array(later, dtype="S")[days]


def _places(column: Numbers | Parts, chunk: slice) -> Iterable[Any]:
    if isinstance(column[1], int):
        return _digits(column[0][chunk], column[1])
    return [place for part in column for place in part[chunk, None].view(np.uint8).T]


def _digits(values: NDArray[np.float64], decimals: int) -> list[NDArray[np.uint8]]:
    """Return rows of bytes that read down as the numbers, rounded as numpy rounds them."""
    scaled = np.rint(values * 10.0**decimals)
    if not np.all(np.abs(scaled) < EXACT):  # no number, or so great that digits would be made up
        return list(_of_texts(np.round(values, decimals)))
    rest = np.abs(scaled).astype(np.int64)
    whole, behind = rest // 10**decimals, np.zeros(len(values), dtype=bool)
    found: list[NDArray[np.uint8]] = []
    for place in range(max(decimals + 1, len(str(rest.max())))):
        rest, digit = np.divmod(rest, 10)
        behind |= digit > 0
        shows = whole >= 10 ** (place - decimals) if place > decimals else behind
        found.append(np.where(shows, digit + ZERO, 0).astype(np.uint8))
        if place == decimals - 1:
            found[-1][:] = digit + ZERO
            found.append(np.full(len(values), POINT, np.uint8))
            behind[:] = True
    found.append(np.where(scaled < 0.0, MINUS, 0).astype(np.uint8))
    return found[::-1]


def _of_texts(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    texts = np.array(["" if v != v else repr(v) for v in values.tolist()], dtype="S")
    return texts[:, None].view(np.uint8).T


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
