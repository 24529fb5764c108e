"""What must come of a mutated log, judged by a narrow reader that knows how it was written."""

from __future__ import annotations

import csv
import random
import re
from datetime import datetime
from pathlib import Path

import numpy as np
from mutated_logs import BYTES, LOG, NUMBER, QUANTITIES, Log, Mutant

from sim.errors import InputError
from sim.files.tables import Table, read_table

UNITS = {"current": {"A": 1, "mA": 1000, "uA": 1e6, "kA": 1e-3}, "voltage": {"V": 1, "mV": 1000},
         "temperature": {"C": 1, "dC": 10, "K": None, "F": None}}  # fmt: skip
TIME_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0}


def strict_number(text: str, mark: str) -> float:
    """Return the number that a field is, letter by letter; NaN for anything else."""
    if mark == ",":
        text = "" if "." in text else text.replace(",", ".")
    return float(text) if NUMBER.fullmatch(text) else np.nan


def strict_time(text: str, log: Log) -> float:
    """Return seconds in some count of its own; NaN where the field is no such time."""
    if log.clock in ("s", "ms"):
        return strict_number(text, log.mark) * (1e-3 if log.clock == "ms" else 1.0)
    form = {"clock": "%H:%M:%S", "date": "%Y-%m-%dT%H:%M:%S", "day first": "%d.%m.%Y %H:%M:%S"}
    if log.clock == "date":
        text = text.replace(" ", "T")
    try:
        found = datetime.strptime(text, form[log.clock])
    except ValueError:
        return np.nan
    return (found - datetime(1900, 1, 1)).total_seconds()


def strict(log: Log, raw: bytes) -> tuple[dict[int, list[float]], set[int]]:
    """Return time and numbers by line, and the lines that are no whole row of numbers."""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = raw.decode("cp1252", errors="replace")
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    good: dict[int, list[float]] = {}
    bad: set[int] = set()
    for number, line in enumerate(lines, start=1):
        if number <= len(log.head) or not line.strip() or line.lstrip(' "').startswith("#"):
            continue
        try:
            fields = next(csv.reader([line], delimiter=log.delimiter, strict=True,
                                     skipinitialspace=True))  # fmt: skip
        except (csv.Error, StopIteration):
            bad.add(number)
            continue
        fields = [part.strip() for part in fields]
        if not any(fields):
            continue
        if len(fields) == 5 and not fields[4]:
            fields = fields[:4]
        if len(fields) != 4:
            bad.add(number)
            continue
        numbers = [strict_number(part, log.mark) / log.scale[quantity]
                   for part, quantity in zip(fields[1:], QUANTITIES, strict=True)]  # fmt: skip
        row = [strict_time(fields[0], log), numbers[0] * log.sign, *numbers[1:]]
        if np.isnan(row).any() or max(map(abs, row[1:])) > 1e18:
            bad.add(number)
        else:
            good[number] = row
    return good, bad


def as_read(table: Table) -> dict[int, list[float]]:
    """Return time and numbers by line, as the reader has them."""
    columns = [table.find(quantity)[0].values for quantity in QUANTITIES]
    rows = np.column_stack([table.time_s, *columns])
    return dict(zip(table.lines.tolist(), rows.tolist(), strict=True))


def complaint(mutant: Mutant, path: Path) -> str | None:
    """Return what is wrong with what the reader makes of a mutant, None for nothing."""
    path.write_bytes(mutant.raw)
    try:
        table = read_table(path, LOG, mutant.log.options)
    except InputError as refused:
        if not all(
            str(path) in text and len(text) > len(str(path)) + 10 for text in refused.complaints
        ):
            return f"a complaint without file or sense: {refused.complaints}"
        return f"refused, nothing being wrong: {refused}" if mutant.must == "same" else None
    if mutant.must == "refuse":
        return "read, though it must be refused"
    if mutant.must == "told" and not {note.line for note in table.notes} & set(mutant.lines):
        return f"read without a note on line {mutant.lines}"
    if mutant.must == "header":
        return _header(mutant, table)
    if any(len(table.find(quantity)) != 1 for quantity in QUANTITIES):
        return "columns lost without a word"
    if mutant.must == "same":
        return _against(as_read(table), strict(mutant.log, mutant.log.raw())[0], by_line=False)
    good, bad = strict(mutant.log, mutant.raw)
    noted = {note.line for note in table.notes}
    got = as_read(table)
    if wrong := sorted(line for line in bad if line not in noted and line in got):
        return f"lines {wrong} are no rows of numbers, and were read"
    if {"gap", "midnight"} <= {note.kind for note in table.notes}:  # told, so not silent
        good = {line: [got[line][0], *row[1:]] for line, row in good.items() if line in got}
    if {"time_missing", "duplicate_time", "encoding"} & {note.kind for note in table.notes}:
        good = {line: row for line, row in good.items() if line in got and line not in noted}
        got = {line: row for line, row in got.items() if line in good}
        if "duplicate_time" in {note.kind for note in table.notes}:
            return None
    for line in noted:
        good.pop(line, None)
        got.pop(line, None)
    return _against(got, good, by_line=True)


def _against(
    got: dict[int, list[float]], want: dict[int, list[float]], by_line: bool
) -> str | None:
    if by_line and set(got) != set(want):
        return f"lines {sorted(set(got) ^ set(want))} are in one and not in the other"
    if len(got) != len(want):
        return f"{len(got)} rows instead of {len(want)}"
    if not got:
        return None
    a, b = np.array([got[k] for k in sorted(got)]), np.array([want[k] for k in sorted(want)])
    a[:, 0] -= a[0, 0]
    b[:, 0] -= b[0, 0]
    steps = np.diff(b[:, 0])
    b[1:, 0] += 86400.0 * np.cumsum(steps < -43200.0)
    # Doubles of up to 1e6, a few operations.
    if np.allclose(a, b, rtol=1e-9, atol=1e-6):
        return None
    i, k = np.argwhere(~np.isclose(a, b, rtol=1e-9, atol=1e-6))[0]
    name = ("time", *QUANTITIES)[k]
    return f"{name} of line {sorted(got)[i]} is read as {a[i, k]:g} instead of {b[i, k]:g}"


def _header(mutant: Mutant, table: Table) -> str | None:
    """Judge a file with a letter of its header changed: numbers off only as the header says."""
    log = mutant.log
    good, _ = strict(log, mutant.raw)
    want = np.array([good[line] for line in table.lines.tolist()])
    line = mutant.raw.decode("utf-8-sig").replace("\r\n", "\n").split("\n")[len(log.preamble)]
    units = log.units or [""] * 4
    time_off = _factor(table.time_s, want[:, 0] - want[0, 0])
    names = [name.strip(' "') for name in line.split(log.delimiter)]
    for quantity, k in zip(QUANTITIES, (1, 2, 3), strict=True):
        for column in (c for c in table.find(quantity) if [c.header] == names[k : k + 1]):
            values, own = column.values, want[:, k]
            if _factor(values, own) in (None, 1.0):
                continue
            written = _unit(column.header) or units[k]
            said = UNITS[quantity].get(written, 0)
            if said is None:
                continue
            if said == 0 or not np.isclose(_factor(values, own), log.scale[quantity] / said):
                return f"'{column.header}' read off by {_factor(values, own)}: header {line}"
    if time_off not in (None, 1.0):
        said = [
            TIME_S[u] for u in re.findall(r"[a-z]+", line.split(log.delimiter)[0]) if u in TIME_S
        ]
        own = 1e-3 if log.clock == "ms" else 1.0
        if not any(np.isclose(time_off, unit / own) for unit in said):
            return f"time off by {time_off}: header {line}"
    missing = [q for q in QUANTITIES if not table.find(q)]
    if "current" in missing and not any(table.find(q) for q in ("voltage", "temperature")):
        return f"nothing left of the log: header {line}"
    return None


def _unit(header: str) -> str:
    found = re.search(r"[\[(]\s*([^\])]*?)\s*[\])]\s*$|[_ ,]([A-Za-z°]+)$", header.strip())
    text = (found.group(1) or found.group(2) or "") if found else ""
    return text.replace("°", "").replace("deg", "")


def _factor(got: np.ndarray, want: np.ndarray) -> float | None:
    """Return by what factor values are off, None where no one factor says it."""
    use = np.isfinite(got) & (np.abs(want) > 1e-9)
    if not use.any():
        return None
    ratio = got[use] / want[use]
    return (
        float(np.round(ratio[0], 9)) if np.ptp(ratio) <= 1e-6 * abs(ratio[0]) else float(ratio[0])
    )


LOAD = ("current", "power", "speed")


def local_complaint(good: Path, rng: random.Random, path: Path) -> str | None:
    """Change bytes in one row of a file and return which other rows that changed in silence."""
    lines = good.read_bytes().split(b"\n")
    at = rng.randrange(1, len(lines))
    text = lines[at].removesuffix(b"\r")
    end = lines[at][len(text) :]
    place, gone = rng.randrange(len(text) + 1), rng.choice([0, 1, 1, 2])
    lines[at] = text[:place] + rng.choice(BYTES) + text[place + gone :] + end
    path.write_bytes(b"\n".join(lines))
    try:
        before = read_table(good, LOAD)
        after = read_table(path, LOAD)
    except InputError:
        return None
    old, new = _rows(before), _rows(after)
    kinds = {note.kind for note in after.notes} - {note.kind for note in before.notes}
    if kinds or len(before.columns) != len(after.columns):
        return None if kinds else "columns lost without a word"
    if b"\n" in lines[at] or b"\r" in lines[at].removesuffix(end):
        return None  # other rows have other numbers then; the random logs cover it
    lost = [k for k in old if k != at + 1 and k not in new]
    changed = [
        k
        for k in old
        if k != at + 1 and k in new and not np.allclose(old[k], new[k], equal_nan=True)
    ]
    # The first row's time counts all others.
    if changed and at + 1 == int(before.lines[0]):
        changed = [k for k in changed if not np.allclose(old[k][1:], new[k][1:], equal_nan=True)]
    return f"lines {lost + changed} changed with line {at + 1}" if lost or changed else None


def _rows(table: Table) -> dict[int, list[float]]:
    # A voltage channel that never was connected is one as soon as a single row says so.
    columns = [c.values for c in table.columns if c.quantity in (*LOAD, "temperature")]
    rows = np.column_stack([table.time_s, *columns])
    return dict(zip(table.lines.tolist(), rows.tolist(), strict=True))
