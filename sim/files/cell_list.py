"""A measured list of cells: which one stands where, its capacity and its resistance."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError

NEEDED = ("group", "place")
NUMBERS = ("capacity_Ah", "resistance_mohm", "joint_mohm", "charge_percent")
MOST = 10_000  # of packs, groups and places
ACCEPTED = {
    "capacity_Ah": (0.01, 1000.0),
    "resistance_mohm": (0.01, 10_000.0),
    "joint_mohm": (0.0, 1000.0),
    "charge_percent": (0.0, 100.0),
}


@dataclass(frozen=True)
class CellList:
    """One entry a cell; a column that the file lacks is None."""

    path: Path
    pack: NDArray[np.intp]  # from 0, as group and place
    group: NDArray[np.intp]
    place: NDArray[np.intp]
    columns: dict[str, NDArray[np.float64]]


def read_cell_list(path: Path) -> CellList:
    """Return the list in a CSV file with the columns group, place and at least one of NUMBERS.

    Also `pack`, where there are several; all count from 1. Lines that begin with # are comments.
    Raises InputError with file, line and column of what can't be used.
    """
    try:
        text = path.read_text("utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path} is not there; give the path of a CSV file") from None
    except OSError as problem:
        raise InputError(f"{path} can't be read: {problem.strerror}") from None
    except UnicodeDecodeError as problem:
        raise InputError(
            f"{path} is not UTF-8 text (byte {problem.start}); save it as UTF-8"
        ) from None
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if len(lines) < 2:
        raise InputError(f"{path} holds no cells; a header and a row a cell are needed")
    separator = ";" if ";" in lines[0][1] else "\t" if "\t" in lines[0][1] else ","
    # Line by line: an open quote would swallow the lines behind it.
    rows = [next(csv.reader([line], delimiter=separator)) for _, line in lines]
    header = [name.strip() for name in rows[0]]
    _check_header(path, header)
    numbers: dict[str, list[float]] = {name: [] for name in header}
    for (line, _), row in zip(lines[1:], rows[1:], strict=True):
        if len(row) != len(header):
            raise InputError(
                f"{path} line {line}: {len(row)} fields, where the header has {len(header)}"
            )
        for name, field in zip(header, row, strict=True):
            numbers[name].append(_number(path, line, name, field.strip(), separator))
    whole = {n: np.array(numbers[n]).astype(np.intp) for n in ("pack", *NEEDED) if n in numbers}
    found = CellList(
        path,
        whole["pack"] - 1 if "pack" in whole else np.zeros(len(rows) - 1, dtype=np.intp),
        whole["group"] - 1,
        whole["place"] - 1,
        {name: np.array(numbers[name]) for name in NUMBERS if name in numbers},
    )
    _check_once(found, [line for line, _ in lines[1:]])
    return found


def _check_header(path: Path, header: list[str]) -> None:
    missing = [name for name in NEEDED if name not in header]
    unknown = [name for name in header if name not in (*NEEDED, *NUMBERS, "pack")]
    if missing or unknown or not set(NUMBERS) & set(header) or len(set(header)) < len(header):
        raise InputError(
            f"{path}: the header is {', '.join(header)}; accepted: group, place, one or more of "
            f"{', '.join(NUMBERS)}, and pack where there are several, each once"
        )


def _number(path: Path, line: int, name: str, field: str, separator: str) -> float:
    text = field.replace(",", ".") if separator == ";" else field
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if name in ACCEPTED:
        low, high = ACCEPTED[name]
        if low <= value <= high:
            return value
        accepted = f"a number from {low:g} to {high:g}"
        if name == "capacity_Ah" and high < value <= 1e3 * high:
            accepted += f"; {value / 1e3:g} Ah if mAh was meant"
    else:
        if 1 <= value <= MOST and value.is_integer():
            return value
        accepted = f"a whole number from 1 to {MOST}"
    raise InputError(f"{path} line {line}, column {name}: '{field}'; accepted: {accepted}")


def _check_once(found: CellList, lines: list[int]) -> None:
    seen: dict[tuple[int, int, int], int] = {}
    for line, *key in zip(lines, found.pack, found.group, found.place, strict=True):
        place = (int(key[0]), int(key[1]), int(key[2]))
        if place in seen:
            raise InputError(
                f"{found.path} line {line}: group {place[1] + 1} place {place[2] + 1} of pack "
                f"{place[0] + 1} stands in line {seen[place]} already"
            )
        seen[place] = line
