"""The one reader for load profiles, ambient profiles and measured logs: text as people write it.

What can be read in one way only is read; whatever was left out or carried on is a note; the
rest is refused with its line. Values hold from their row until the next.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sim.errors import InputError, nearest, place
from sim.files import clocks, suspicions
from sim.files.figures import not_a_number, numbers
from sim.files.headers import (
    BASE_UNIT,
    LOADS,
    TELLABLE,
    Findings,
    Meaning,
    Note,
    TableOptions,
    find_unit,
)
from sim.files.log_direction import holes, sign_by_state
from sim.files.log_habits import carried
from sim.files.sheet import DELIMITERS, Sheet, decimal_mark, read_sheet
from sim.files.suspicions import Reading

__all__ = ["Column", "Note", "Table", "TableOptions", "load_column", "read_table"]

AS_WRITTEN = TableOptions()
THOUSANDS = (".", ",", "'", " ", "_")
DISCHARGES = ("positive", "negative", "by state")
LOAD_UNITS = ("W", "kW", "A", "mA", "m/s", "km/h", "mph")


@dataclass(frozen=True)
class Column:
    """One column: `header` as written, its `quantity`, and `values` (n,) in `unit`.

    `quantity` is power W, current A, speed m/s, voltage V, temperature C, grade percent,
    elevation m, sun W, sun_per_area W/m2, state (words, all NaN) or unknown (as written). A
    blank field of a column that was not asked for is NaN; so is a voltage that dropped out.
    """

    header: str
    quantity: str
    unit: str
    values: np.ndarray
    texts: tuple[str, ...] = ()  # of a column of words alone, one a row


@dataclass(frozen=True)
class Table:
    """A file as understood; `time_s` (n,) begins at 0 and rises strictly.

    `start_clock_s` is the second of the day of the first row where the file tells it, `is_clock`
    says that it told a clock without a date. `lines` (n,) are physical lines from 1, `columns`
    all but the time, `rule` is one line on how the file was understood.
    """

    path: Path
    time_s: np.ndarray
    start_clock_s: float | None
    is_clock: bool
    lines: np.ndarray
    columns: tuple[Column, ...]
    notes: tuple[Note, ...]
    rule: str
    header_line: int = 1

    def find(self, quantity: str) -> tuple[Column, ...]:
        """Return the columns of a quantity in the order of the file."""
        return tuple(column for column in self.columns if column.quantity == quantity)


def read_table(path: Path, wanted: tuple[str, ...], options: TableOptions = AS_WRITTEN) -> Table:
    """Read a table whose columns of the `wanted` quantities are complete and plausible.

    Raises InputError with up to eight complaints, each naming file, line, what was found and
    what is accepted. Columns that are not wanted may have blanks. A voltage that is zero
    throughout, or for a single row, is NaN even where wanted, and a note says so.
    """
    findings = Findings(path, any(quantity in wanted for quantity in LOADS), options)
    _check_options(options, path)
    sheet = read_sheet(path, options, findings)
    required = _resolve(sheet, wanted, options, findings)
    held = carried(sheet.meanings, sheet.columns)
    time_at = clocks.choose(sheet.meanings, sheet.columns, options, findings, sheet.header_line)
    # May drop rows, so nothing may keep fields or lines of the sheet from before it.
    stamps = _stamps(sheet, time_at, findings)
    findings.stop_if_refused()
    by_number = clocks.looks_like_number(stamps)
    numeric = [i for i, m in enumerate(sheet.meanings) if m.quantity in BASE_UNIT]
    numeric += time_at if by_number else ()
    decimal = decimal_mark(sheet, numeric, options, findings)
    times = _times(sheet, time_at, stamps, decimal if by_number else None, options, findings)
    readings = [
        _reading(sheet, i, i in required, decimal, options, findings)
        for i in range(len(sheet.meanings))
        if i not in time_at
    ]
    if options.discharge == "by state":
        sign_by_state(readings, sheet.lines, sheet.header_line, findings)
    # Before rows are merged: a mean would hide a wrapped or dropped-out sample, and its line.
    suspicions.check(readings, sheet.lines, options.discharge, findings)
    findings.stop_if_refused()
    assert times is not None  # None comes with a complaint
    starts = suspicions.row_groups(times.seconds, sheet.lines, readings, findings)
    findings.stop_if_refused()
    time_s, lines = times.seconds[starts], sheet.lines[starts]
    # After they are merged: a gap counts the value that really holds over it.
    for reading in readings:
        reading.values = _group_means(reading.values, starts)
    dated = times.start_clock_s is not None and not times.is_clock
    suspicions.gaps(time_s, lines, readings, findings, dated)
    rule = (
        f"{DELIMITERS[sheet.delimiter]}, decimal {'comma' if decimal == ',' else 'point'}, header "
        f"on line {sheet.header_line}; time from {times.what}; {len(time_s)} rows, lines "
        f"{lines[0]} to {lines[-1]}, {time_s[-1]:g} s; each value holds until the next row"
        f"{', a blank field keeps the value before' if held else ''}"
    )
    return Table(
        path=path,
        time_s=time_s,
        start_clock_s=times.start_clock_s,
        is_clock=times.is_clock,
        lines=lines,
        columns=tuple(_column(reading, starts) for reading in readings),
        notes=tuple(sorted(findings.notes, key=lambda note: note.line)),
        rule=rule,
        header_line=sheet.header_line,
    )


def load_column(table: Table, options: TableOptions = AS_WRITTEN) -> Column:
    """Return the one column of power, current or speed that drives the pack.

    Raises InputError where the file leaves the choice open or has none, naming what it holds.
    """
    where = place(table.path, line=table.header_line)
    loads = [column for column in table.columns if column.quantity in LOADS]
    if options.column is not None:
        loads = [column for column in table.columns if column.header == options.column.strip()]
        if len(loads) == 1 and loads[0].quantity not in LOADS:
            what = f"column '{loads[0].header}' is {loads[0].quantity}, not power, current or speed"
            raise InputError(f"{where}: {what}; if it is, say its unit by {options.option('unit')}")
    if len(loads) == 1:
        return loads[0]
    if loads:
        choices = ", ".join(f"'{column.header}' ({column.quantity})" for column in loads)
        alike = len({column.header for column in loads}) < len(loads)
        way = f"name one by {options.option('column')}"
        way = "give each a name of its own" if alike else way
        what = f"several columns could be the load: {choices}; {way}"
    else:
        what = _none_of(LOADS, [column.header for column in table.columns])
        what += f"; or name a column by {options.option('column')} and its `unit`"
    raise InputError(f"{where}: {what}")


def _none_of(wanted: tuple[str, ...], found: list[str]) -> str:
    names = ", ".join(f"'{header}'" for header in found)
    accepted = "; ".join(TELLABLE[quantity] for quantity in wanted)
    return f"no column of {' or '.join(wanted)} among {names}; accepted: {accepted}"


def _check_options(options: TableOptions, path: Path) -> None:
    if options.discharge not in DISCHARGES:
        what = f"{options.option('discharge')} is '{options.discharge}'; known: "
        raise InputError(f"{path}: {what}{', '.join(DISCHARGES)}")
    if options.thousands is not None and options.thousands not in THOUSANDS:
        known = " ".join(f'"{mark}"' for mark in THOUSANDS)
        what = f"{options.option('thousands')} is '{options.thousands}'; known: {known}"
        raise InputError(f"{path}: {what}")


def _resolve(
    sheet: Sheet, wanted: tuple[str, ...], options: TableOptions, findings: Findings
) -> set[int]:
    """Apply the options to the meanings and return which columns must be complete.

    A column named by `[load] column` replaces all other loads; its unit decides what it is.
    """
    meanings = sheet.meanings
    chosen = _chosen(sheet, options, findings)
    if chosen is not None:
        meanings[chosen] = _with_unit(meanings[chosen], sheet.header_line, options, findings)
        if meanings[chosen].quantity not in wanted and not findings.complaints:
            what = f"is {meanings[chosen].quantity}; accepted: {' or '.join(LOADS)}; if it is one, "
            what += f"say its unit by {options.option('unit')}"
            findings.refuse(sheet.header_line, what, meanings[chosen].header)
    # A grade or a height beside the chosen load is still used, a second current is not.
    required = {
        i
        for i, meaning in enumerate(meanings)
        if meaning.quantity in wanted and meaning.unit is not None
        if i == chosen or chosen is None or meaning.quantity not in LOADS
    }
    for i, meaning in enumerate(meanings):
        if not meaning.bare or meaning.quantity not in wanted:
            continue
        # One load is enough, so a bare one beside it is left; a bare grade has no stand-in.
        group = LOADS if meaning.quantity in LOADS else (meaning.quantity,)
        if any(meanings[k].quantity in group for k in required):
            what = f"column '{meaning.header}' doesn't say its unit; it is not used"
            findings.warn("unit", sheet.header_line, what)
            continue
        say = f", or say {options.option('unit')}"
        unit = findings.advise(say if group == LOADS else "", "")
        what = f"a {meaning.quantity} without a unit; name it {TELLABLE[meaning.quantity]}{unit}"
        findings.refuse(sheet.header_line, what, sheet.headers[i])
    if wanted and not required and not findings.complaints:
        findings.refuse(sheet.header_line, _none_of(wanted, sheet.headers))
    return required


def _chosen(sheet: Sheet, options: TableOptions, findings: Findings) -> int | None:
    """Return the index of the load column that the options speak of, None if of none."""
    if options.column is not None:
        hits = [i for i, header in enumerate(sheet.headers) if header == options.column.strip()]
        if len(hits) != 1:
            hint = nearest(options.column, sheet.headers) if not hits else ""
            what = f"{len(hits)} columns are named '{options.column}'"
            hint = "; give each a name of its own" if hits else hint
            findings.refuse(sheet.header_line, f"{what} ({options.option('column')}){hint}")
            findings.stop_if_refused()
        return hits[0]
    if options.unit is None:
        return None
    loads = [i for i, meaning in enumerate(sheet.meanings) if meaning.quantity in LOADS]
    if len(loads) != 1:
        found = ", ".join(f"'{sheet.headers[i]}'" for i in loads) or "none"
        what = f"{options.option('unit')} is for one load column, found: {found}; name it by "
        what += options.option("column")
        findings.refuse(sheet.header_line, what)
        findings.stop_if_refused()
    return loads[0]


def _with_unit(meaning: Meaning, line: int, options: TableOptions, findings: Findings) -> Meaning:
    """Return the meaning of the chosen load column with its unit from the options or the header."""
    if options.unit is None:
        if meaning.unit is None or meaning.quantity not in BASE_UNIT:
            known = ", ".join(LOAD_UNITS)
            what = f"its unit is not told; say {options.option('unit')}, one of {known}"
            findings.refuse(line, what, meaning.header)
        return meaning
    unit = find_unit(options.unit)
    if unit is None or unit.quantity not in LOADS:
        known = ", ".join(LOAD_UNITS)
        what = f"{options.option('unit')} is '{options.unit}'; known: {known}"
        findings.refuse(line, what, meaning.header)
        return meaning
    if meaning.unit is not None and meaning.unit != unit:
        what = f"column '{meaning.header}' names the unit {meaning.unit.text}; it was read as "
        findings.warn("unit", line, f"{what}{unit.text} because {options.option('unit')} says so")
    return replace(meaning, unit=unit, quantity=unit.quantity)


def _stamps(sheet: Sheet, time_at: tuple[int, ...], findings: Findings) -> list[str]:
    """Return the fields of the time, of date and clock together where they stand apart.

    Rows ahead of the first time are left out with a note: a logger that waits for its clock. A
    row without a time further down is refused, since its value would hold for nobody knows how
    long.
    """
    if not time_at:
        return []
    stamps = list(sheet.columns[time_at[0]])
    if len(time_at) > 1:
        parts = zip(*(sheet.columns[i] for i in time_at), strict=True)
        stamps = [" ".join(part) if all(part) else "" for part in parts]
    first = next((i for i, stamp in enumerate(stamps) if stamp), None)
    header = sheet.headers[time_at[0]]
    if first is None:
        findings.refuse(int(sheet.lines[0]), "no row has a time", header)
        return []
    # A logger writes rows before its clock is set; what they held nobody can place in time.
    if first:
        what = f"{first} rows have no time yet; left out up to line {int(sheet.lines[first - 1])}"
        findings.warn("time_missing", int(sheet.lines[0]), what)
        sheet.drop(0, first)
        del stamps[:first]
    for i in (i for i, stamp in enumerate(stamps) if not stamp):
        findings.refuse(int(sheet.lines[i]), "no time; each row needs its own", header)
    return stamps


def _times(
    sheet: Sheet,
    time_at: tuple[int, ...],
    stamps: list[str],
    decimal: str | None,
    options: TableOptions,
    findings: Findings,
) -> clocks.Times | None:
    """Return the times, running on over midnight; `decimal` is None for clocks and date-times."""
    meaning = sheet.meanings[time_at[0]]
    if decimal is None:
        times = clocks.from_stamps(stamps, sheet.lines, meaning, options, findings)
    else:
        unit = clocks.unit_for_numbers(meaning, options, findings, sheet.header_line)
        values, bad = numbers(stamps, decimal, options.thousands)
        for i in bad:
            what = not_a_number(stamps[i], decimal, findings)
            findings.refuse(int(sheet.lines[i]), what, meaning.header)
        if unit is None or bad:
            return None
        times = clocks.from_numbers(values, unit, meaning.header)
    if times is None:
        return None
    if options.samples_per_second is not None and decimal is not None:
        holes(values, sheet.lines, findings)
    return replace(times, seconds=clocks.run_on(times, sheet.lines, meaning.header, findings))


def _reading(
    sheet: Sheet, i: int, required: bool, decimal: str, options: TableOptions, findings: Findings
) -> Reading:
    """Return a column in base units, discharge positive; complain only of a required one."""
    meaning, texts = sheet.meanings[i], sheet.columns[i]
    values, bad = numbers(texts, decimal, options.thousands)
    if required:
        for k in bad:
            what = not_a_number(texts[k], decimal, findings)
            findings.refuse(int(sheet.lines[k]), what, meaning.header)
    elif meaning.quantity in BASE_UNIT and (filled := [k for k in bad if texts[k]]):
        what = f"column '{meaning.header}' holds '{texts[filled[0]]}', no number; left out"
        more = f", as in {len(filled) - 1} more rows" if len(filled) > 1 else ""
        findings.warn("number", int(sheet.lines[filled[0]]), what + more)
    if meaning.quantity in BASE_UNIT and meaning.unit is not None:
        values = meaning.unit.to_base(values)
    # All of them turn, chosen or not: a file counts one way.
    if options.discharge == "negative" and meaning.quantity in ("power", "current"):
        values = -values
    return Reading(meaning, texts, values + 0.0, required)  # + 0.0 makes -0.0 a plain zero


def _group_means(values: np.ndarray, starts: np.ndarray) -> np.ndarray:
    """Return the mean of the finite values of each group of rows, NaN where there is none."""
    if starts.size == values.size:
        return values
    known = np.isfinite(values)
    counts = np.add.reduceat(known.astype(float), starts)
    sums = np.add.reduceat(np.where(known, values, 0.0), starts)
    return np.where(counts > 0, sums / np.maximum(counts, 1.0), np.nan)


def _column(reading: Reading, starts: np.ndarray) -> Column:
    meaning = reading.meaning
    if meaning.quantity in BASE_UNIT and meaning.unit is not None:
        return Column(meaning.header, meaning.quantity, BASE_UNIT[meaning.quantity], reading.values)
    quantity = "state" if meaning.quantity == "state" else "unknown"
    texts = tuple(reading.texts[i] for i in starts) if quantity == "state" else ()
    return Column(meaning.header, quantity, "", reading.values, texts)
