"""A table of true against read currents, by which a sensor's readings are put right."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError, place
from sim.files.figures import not_a_number, numbers
from sim.files.headers import Findings, Note, TableOptions
from sim.files.log_columns import LogTable
from sim.files.sheet import decimal_mark, read_sheet

Floats = NDArray[np.float64]
TRUE = re.compile(r"true|actual|reference|wahr|soll|vrai", re.I)
READ = re.compile(r"read|sensor|shown|indicated|ist|logged|lu\b", re.I)
ACCEPTED = "two columns, such as true_A and read_A, with a pair a row"


@dataclass(frozen=True)
class Correction:
    """Pairs (n,) in ampere, discharge positive, both rising strictly."""

    path: Path
    true_A: Floats
    read_A: Floats


def read_correction(path: Path) -> Correction:
    """Return the pairs of a file; raises InputError where they are none, or not one-to-one."""
    findings = Findings(path, for_load=True, options=TableOptions(flags=True))
    sheet = read_sheet(path, findings.options, findings)
    places = [_column(sheet.headers, sheet.header_line, words, path) for words in (TRUE, READ)]
    decimal = decimal_mark(sheet, places, findings.options, findings)
    columns = []
    for i in places:
        unit = sheet.meanings[i].unit
        if unit is None or unit.quantity != "current":
            what = f"no unit of current; accepted: {ACCEPTED}"
            findings.refuse(sheet.header_line, what, sheet.headers[i])
            continue
        values, bad = numbers(sheet.columns[i], decimal, None)
        for k in bad:
            what = not_a_number(sheet.columns[i][k], decimal, findings)
            findings.refuse(int(sheet.lines[k]), what, sheet.headers[i])
        columns.append(unit.to_base(values))
    findings.stop_if_refused()
    true_A, read_A = columns
    order = np.argsort(read_A, kind="stable")
    true_A, read_A, lines = true_A[order], read_A[order], sheet.lines[order]
    falls = np.flatnonzero((np.diff(read_A) <= 0.0) | (np.diff(true_A) <= 0.0)) + 1
    if len(read_A) < 2 or falls.size:
        line = int(lines[falls[0]]) if falls.size else sheet.header_line
        what = "accepted: two pairs or more, a higher reading always meaning a higher current"
        findings.refuse(line, what)
    findings.stop_if_refused()
    return Correction(path, true_A, read_A)


def _column(headers: list[str], line: int, words: re.Pattern[str], path: Path) -> int:
    hits = [i for i, header in enumerate(headers) if words.search(header)]
    if len(hits) != 1:
        found = ", ".join(f"'{header}'" for header in headers)
        raise InputError(f"{place(path, line=line)}: found {found}; accepted: {ACCEPTED}")
    return hits[0]


def put_right(log: LogTable, path: Path) -> LogTable:
    """Return the log with its current corrected by the table at `path`, and a note of it.

    Raises InputError where the load is no current, or leaves the table.
    """
    table, load = log.table, log.load
    if load is None or load.quantity != "current":
        found = "none" if load is None else f"{load.quantity} ('{load.header}')"
        raise InputError(f"{table.path}: `--correct` is for a column of current; found {found}")
    pairs = read_correction(path)
    fixed = replace(load, values=corrected_A(pairs, load.values, table.lines, table.path))
    before_A, after_A = (float(np.mean(c.values)) for c in (load, fixed))
    what = f"{table.path} line {table.lines[0]}: '{load.header}' was put right by the "
    what += f"{len(pairs.read_A)} pairs of {path}; its mean goes from {before_A:.4g} to "
    note = Note("corrected", int(table.lines[0]), f"{what}{after_A:.4g} A")
    columns = tuple(fixed if column is load else column for column in table.columns)
    table = replace(table, columns=columns, notes=(*table.notes, note))
    return replace(log, table=table, load=fixed)


def corrected_A(
    correction: Correction, read_A: Floats, lines: NDArray[np.intp], path: Path
) -> Floats:
    """Return the true currents of readings (n,), by straight lines between the pairs.

    Raises InputError for a reading outside the table: nobody measured what it means.
    """
    low_A, high_A = float(correction.read_A[0]), float(correction.read_A[-1])
    outside = np.flatnonzero((read_A < low_A) | (read_A > high_A))
    if outside.size:
        first = outside[0]
        raise InputError(
            f"{place(path, line=int(lines[first]))}: {read_A[first]:g} A lies outside the readings "
            f"of {correction.path}, {low_A:g} to {high_A:g} A (and {outside.size - 1} more rows); "
            "add pairs for rest and for the greatest current"
        )
    return np.interp(read_A, correction.read_A, correction.true_A)
