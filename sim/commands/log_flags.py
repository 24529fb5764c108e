"""How a raw log is to be read: the options that `check`, `compare` and `fit` share."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from sim.files.log_columns import LogOptions


class Counts(enum.Enum):
    """How a file counts discharge."""

    positive = "positive"
    negative = "negative"
    by_state = "by-state"


def _text(metavar: str, words: str) -> object:
    return typer.Option(metavar=metavar, help=words)


TimeColumn = Annotated[str | None, _text("NAME", "Log: the column of time.")]
TimeUnit = Annotated[str | None, _text("UNIT", "Log: unit of a time column that says none.")]
PerSecond = Annotated[
    float | None, _text("N", "Log: the time column counts samples, so many a second.")
]
LoadColumn = Annotated[str | None, _text("NAME", "Log: the column of current, power or speed.")]
LoadUnit = Annotated[str | None, _text("UNIT", "Log: the unit of that column.")]
Discharge = Annotated[
    Counts, typer.Option(help="Log: how it counts discharge; by-state: a column of words says it.")
]
Thousands = Annotated[str | None, _text("MARK", "Log: what parts thousands (1.234,5 or 1 234.5).")]
DayFirst = Annotated[
    bool | None,
    typer.Option("--day-first/--month-first", help="Log: 01/02 is the first of February, or not."),
]
Encoding = Annotated[str | None, _text("NAME", "Log: how its text is encoded. [default: UTF-8]")]
Zone = Annotated[
    str | None, _text("AREA/CITY", "Log: whose clock it is, where it was set back in autumn.")
]
Record = Annotated[int | None, _text("N", "Log: which record, where a file holds several.")]
VoltageColumn = Annotated[str | None, _text("NAME", "Log: the voltage of the whole.")]
TemperatureColumn = Annotated[str | None, _text("NAME", "Log: the cell's or pack's temperature.")]
AmbientColumn = Annotated[str | None, _text("NAME", "Log: the air's temperature.")]
Correct = Annotated[
    Path | None,
    _text("TABLE", "Log: pairs true_A, read_A by which its current is put right."),
]


def log_options(
    *,
    time_column: str | None = None,
    time_unit: str | None = None,
    samples_per_second: float | None = None,
    column: str | None = None,
    unit: str | None = None,
    discharge: Counts = Counts.positive,
    thousands: str | None = None,
    day_first: bool | None = None,
    encoding: str | None = None,
    zone: str | None = None,
    record: int | None = None,
    voltage_column: str | None = None,
    temperature_column: str | None = None,
    ambient_column: str | None = None,
) -> LogOptions:
    """Return the options as the reader takes them."""
    from sim.files.headers import TableOptions
    from sim.files.log_columns import LogOptions

    table = TableOptions(
        time_column=time_column,
        time_unit=time_unit,
        column=column,
        unit=unit,
        discharge=discharge.value.replace("-", " "),
        thousands=thousands,
        day_first=day_first,
        encoding=encoding,
        zone=zone,
        samples_per_second=samples_per_second,
        record=record,
        flags=True,
    )
    return LogOptions(table, voltage_column, temperature_column, ambient_column)
