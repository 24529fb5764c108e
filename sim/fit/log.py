"""A measured log of one cell: what the fits read of a file, whoever's logger wrote it.

Seconds, ampere (discharge positive), volt, Celsius. Which column is which is told by the words
over it, never by the name of the file; where these leave a choice, an option must make it.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError, place
from sim.files.log_columns import LogOptions, LogTable, counter_Ah, read_log_table
from sim.units import SECONDS_PER_HOUR

__all__ = ["Log", "LogOptions", "read_log"]

Floats = NDArray[np.float64]

BY_WORDS = LogOptions()
LEAST_ROWS = 10
UNLOGGED_Ah = 5e-4  # of the counter's step that no logged current explains; above its rounding
UNLOGGED_SHARE = 0.05


@dataclass(frozen=True)
class Log:
    """One cell's record; all arrays (n,), `time_s` from 0 and rising strictly.

    A blank voltage or temperature is NaN. `current_A` is the reading of the row itself. `means`
    says that a row is the mean over the time until the next one; else it is a sample, and what
    flowed since the sample before is taken to be the row's own current (a tester writes a row
    when it switches). `counter_Ah` is the logger's own count of charge out, if it has one.
    """

    path: Path
    name: str
    time_s: Floats
    current_A: Floats
    voltage_V: Floats
    surface_C: Floats | None
    ambient_C: Floats | None
    notes: tuple[str, ...]
    lines: NDArray[np.intp]  # physical line of each row, for what is cited
    counter_Ah: Floats | None = None
    means: bool = False

    @property
    def interval_s(self) -> Floats:
        """Return the time that each row's current holds (n,): until or since, after `means`.

        The first sample of a log of samples stands for no time; the last mean for as long as the
        row before it.
        """
        steps_s = np.diff(self.time_s)
        if self.means:
            return np.append(steps_s, steps_s[-1])
        return np.insert(steps_s, 0, 0.0)

    @property
    def charge_Ah(self) -> Floats:
        """Return the charge out from the start to the end of each row's interval (n,).

        Counted from the current, but for intervals whose current was not logged: there from the
        logger's counter.
        """
        step_Ah = self.current_A * self.interval_s / SECONDS_PER_HOUR
        gone = self.unlogged
        if self.counter_Ah is not None and gone.any():
            step_Ah = np.where(gone, self._counter_step_Ah, step_Ah)
        return np.cumsum(step_Ah)

    @property
    def unlogged(self) -> NDArray[np.bool_]:
        """Return where the counter moved by much more or less than the logged current explains.

        There the current was switched on and off between two rows: what flowed, and when, is not
        in the file.
        """
        if self.counter_Ah is None:
            return np.zeros(len(self.time_s), dtype=bool)
        span_s = self.interval_s
        step_Ah = self.current_A * span_s / SECONDS_PER_HOUR
        other_Ah = np.roll(self.current_A, -1 if self.means else 1) * span_s / SECONDS_PER_HOUR
        low = np.minimum(step_Ah, other_Ah) - UNLOGGED_Ah
        high = np.maximum(step_Ah, other_Ah) + UNLOGGED_Ah
        seen_Ah = self._counter_step_Ah
        room = UNLOGGED_SHARE * np.abs(seen_Ah)
        return (seen_Ah < low - room) | (seen_Ah > high + room)

    @property
    def _counter_step_Ah(self) -> Floats:
        assert self.counter_Ah is not None  # asked only where there is one
        steps_Ah = np.diff(self.counter_Ah)
        if self.means:
            return np.append(steps_Ah, self.current_A[-1] * self.interval_s[-1] / SECONDS_PER_HOUR)
        return np.insert(steps_Ah, 0, 0.0)


def read_log(path: Path, options: LogOptions = BY_WORDS, *, means: bool = False) -> Log:
    """Read one cell's log: time, current and voltage, and temperatures where it has them.

    `means` says that its rows are means over the time until the next one. Raises InputError where
    a column is missing or two could be meant, naming what the file holds and which option decides.
    """
    found = read_log_table(path, options)
    table, current_A, voltage_V = found.table, found.current_A, found.pack_V
    _check(found, current_A, voltage_V)
    assert current_A is not None and voltage_V is not None  # checked
    return Log(
        path=path,
        name=path.name,
        time_s=table.time_s,
        current_A=current_A,
        voltage_V=voltage_V,
        surface_C=None if found.temperature is None else found.temperature.values,
        ambient_C=None if found.ambient is None else found.ambient.values,
        notes=tuple(note.text for note in table.notes),
        lines=table.lines,
        counter_Ah=counter_Ah(table, current_A),
        means=means,
    )


def _check(found: LogTable, current_A: Floats | None, voltage_V: Floats | None) -> None:
    """Raise InputError where a log can't be fitted to."""
    table = found.table
    where = place(table.path, line=table.header_line)
    names = ", ".join(f"'{column.header}'" for column in table.columns)
    if current_A is None:
        raise InputError(f"{where}: no column of current among {names}; a fit needs current_A")
    if voltage_V is None or not np.isfinite(voltage_V).any():
        raise InputError(f"{where}: no voltage among {names}; a fit needs voltage_V of the cell")
    if len(table.time_s) < LEAST_ROWS:
        rows = len(table.time_s)
        raise InputError(f"{table.path}: {rows} rows; a fit needs {LEAST_ROWS} or more")
    if not np.isfinite(current_A).all():
        line = table.lines[int(np.flatnonzero(~np.isfinite(current_A))[0])]
        raise InputError(f"{place(table.path, line=int(line))}: no current; each row needs it")
