"""Which column of a measured log is what: the load, the voltages, the temperatures, the air.

Told by the words over the columns and, for voltages of groups, by their numbers; where these
leave a choice, an option must make it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from sim.errors import InputError, place
from sim.files.headers import LOADS, Findings, Meaning, TableOptions, split_header
from sim.files.sheet import read_sheet
from sim.files.tables import Column, Table, read_table
from sim.units import MILLI

AMBIENT = re.compile(r"ambient|air|chamber|room|oven|bath|umgebung|luft|ambiante|ambiente", re.I)
BATTERY = re.compile(r"batter|pack|akku|accu|(?:^|[^a-z])batt?(?:[^a-z]|$)", re.I)
_NUMBERED = re.compile(r"(\D*)(\d+)(\D*)")
LEAST_GROUPS = 3  # numbered voltages; two could be anything
GROUP_V = (0.5, 5.0)  # one cell's voltage, or that of cells side by side


BY_FLAGS = TableOptions(flags=True)


@dataclass(frozen=True)
class LogOptions:
    """What the command line may say of a log; None leaves it to the file."""

    table: TableOptions = BY_FLAGS
    voltage_column: str | None = None
    temperature_column: str | None = None
    ambient_column: str | None = None


@dataclass(frozen=True)
class LogTable:
    """A table, and which of its columns plays which part; None or empty where there is none.

    `load` is the current, or else the power, or else the speed. `voltage` is of the whole pack or
    cell, `groups` are voltages of numbered groups and `legs` numbered ones above a cell's, both in
    the order of the file. `temperatures` are all but the air's.
    """

    table: Table
    load: Column | None
    voltage: Column | None
    groups: tuple[Column, ...]
    legs: tuple[Column, ...]
    temperatures: tuple[Column, ...]
    temperature: Column | None
    ambient: Column | None

    @property
    def current_A(self) -> np.ndarray | None:
        """The current (n,), None where the load is no current."""
        has = self.load is not None and self.load.quantity == "current"
        return self.load.values if has and self.load is not None else None

    @property
    def pack_V(self) -> np.ndarray | None:
        """The voltage of the whole (n,), or the sum of the groups, None where there is neither."""
        if self.voltage is not None:
            return self.voltage.values
        if not self.groups:
            return None
        connected = [g.values for g in self.groups if np.isfinite(g.values).any()]
        return np.sum(connected, axis=0) if connected else None


def read_log_table(path: Path, options: LogOptions = LogOptions()) -> LogTable:
    """Read a measured log, a load profile or a weather profile, whichever the file is.

    Raises InputError where the file can't be read, or where two columns could be meant.
    """
    said = options.table
    meanings = read_sheet(path, said, Findings(path, for_load=True, options=said)).meanings
    if said.column is None and said.unit is None:
        said = replace(said, column=_load_header(meanings))
    quantities = {meaning.quantity for meaning in meanings}
    weather = said.column is None and not quantities & set(LOADS)
    if weather and quantities & {"temperature", "sun", "sun_per_area"}:
        wanted: tuple[str, ...] = ("temperature", "sun", "sun_per_area")
    elif "speed" in quantities and not quantities & {"power", "current"}:
        wanted = ("speed", "grade", "elevation")
    else:
        wanted = LOADS
    table = read_table(path, wanted, said)
    load = _load(table, said) if set(wanted) & set(LOADS) else None
    return _parts(table, load, options)


def _load_header(meanings: list[Meaning]) -> str | None:
    """Return the header of the load where the words settle it: current first, then power."""
    for quantity in ("current", "power"):
        headers = [m.header for m in meanings if m.quantity == quantity and m.unit is not None]
        if headers:
            return _plainest_load(headers) if len(headers) > 1 else headers[0]
    return None


def _plainest_load(headers: list[str]) -> str | None:
    """Return the plainest header, unless another one speaks of the battery: then it is not it."""
    plain = _plainest(headers)
    return None if any(h != plain and BATTERY.search(h) for h in headers) else plain


def _plainest(headers: list[str]) -> str | None:
    """Return the header that says no more than its kind (current_A beside load_current_A)."""
    if len(set(headers)) < len(headers):  # no option could tell them apart
        return None
    words = {h: len(re.findall(r"[^\W\d_]+", split_header(h)[0])) for h in headers}
    fewest = [h for h in headers if words[h] == min(words.values())]
    return fewest[0] if len(fewest) == 1 else None


def _load(table: Table, options: TableOptions) -> Column:
    if options.column is not None:
        return next(c for c in table.columns if c.header == options.column.strip())
    for quantity in LOADS:
        found = table.find(quantity)
        if len(found) == 1:
            return found[0]
        if found:
            raise _several(table, found, quantity, "--column")
    raise InputError(f"{place(table.path, line=table.header_line)}: no column of a load")


def _several(table: Table, found: tuple[Column, ...], what: str, option: str) -> InputError:
    where = place(table.path, line=table.header_line)
    headers = [column.header for column in found]
    names = ", ".join(f"'{header}'" for header in headers)
    alike = len(set(headers)) < len(headers)
    way = "give each a name of its own" if alike else f"name one by `{option}`"
    return InputError(f"{where}: several columns could be the {what}: {names}; {way}")


def _parts(table: Table, load: Column | None, options: LogOptions) -> LogTable:
    voltages = table.find("voltage")
    groups, legs = _numbered(voltages)
    rest = tuple(c for c in voltages if all(c is not other for other in (*groups, *legs)))
    voltage = _pick(table, rest, voltages, "voltage", options.voltage_column, "--voltage-column")
    temperatures = table.find("temperature")
    airs = tuple(c for c in temperatures if AMBIENT.search(c.header))
    cells = tuple(c for c in temperatures if all(c is not air for air in airs))
    if load is None:  # a weather profile: its temperature is the air's
        airs, cells = temperatures, ()
    ambient = _pick(
        table, airs, temperatures, "air temperature", options.ambient_column, "--ambient-column"
    )
    cells = tuple(c for c in cells if c is not ambient)
    temperature = _pick(
        table, cells, temperatures, "cell temperature", options.temperature_column,
        "--temperature-column", must=False,
    )  # fmt: skip
    return LogTable(table, load, voltage, groups, legs, cells, temperature, ambient)


def _numbered(voltages: tuple[Column, ...]) -> tuple[tuple[Column, ...], tuple[Column, ...]]:
    """Return the columns of numbered groups (a cell's voltage each) and of numbered legs."""
    families: dict[tuple[str, str], list[Column]] = {}
    for column in voltages:
        if found := _NUMBERED.fullmatch(column.header):
            families.setdefault((found[1], found[3]), []).append(column)
    groups: list[Column] = []
    legs: list[Column] = []
    for family in families.values():
        alive = [c.values[np.isfinite(c.values)] for c in family]
        middle_V = [float(np.median(v)) for v in alive if v.size]
        if len(family) >= LEAST_GROUPS and middle_V:
            of_cells = GROUP_V[0] <= float(np.median(middle_V)) <= GROUP_V[1]
            (groups if of_cells else legs).extend(family)
    return tuple(groups), tuple(legs)


def _pick(
    table: Table,
    found: tuple[Column, ...],
    among: tuple[Column, ...],
    what: str,
    named: str | None,
    option: str,
    must: bool = True,
) -> Column | None:
    """Return the one column that is meant; None for none, and where `must` not, for several."""
    if named is not None:
        hits = [column for column in among if column.header == named.strip()]
        if len(hits) == 1:
            return hits[0]
        names = ", ".join(f"'{column.header}'" for column in among) or "none"
        where = place(table.path, line=table.header_line)
        raise InputError(f"{where}: no column of {what} is named '{named}'; found: {names}")
    if len(found) <= 1:
        return found[0] if found else None
    plain = _plainest([column.header for column in found])
    if plain is not None:
        return next(column for column in found if column.header == plain)
    if must:
        raise _several(table, found, what, option)
    return None


def counter_Ah(table: Table, current_A: np.ndarray) -> np.ndarray | None:
    """Return the logger's count of charge out, turned to rise with discharge; None for none.

    The sense is the one in which the count goes along with the current.
    """
    for column in table.columns:
        unit = re.search(r"(?<![A-Za-z])(m?)Ah\b", column.header.replace("_", " "))
        if unit is None or not np.isfinite(column.values).all():
            continue
        counted_Ah = column.values * (MILLI if unit.group(1) else 1.0)
        steps_Ah = np.diff(counted_Ah)
        flowed = 0.5 * (current_A[1:] + current_A[:-1]) * np.diff(table.time_s)
        along = float(np.dot(steps_Ah, flowed))
        if along != 0.0:
            return np.asarray((counted_Ah - counted_Ah[0]) * np.sign(along))
    return None
