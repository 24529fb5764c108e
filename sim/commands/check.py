"""The command that shows how a scenario, or a log, is understood."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sim.commands import log_flags as flags
from sim.commands.shell import NO, YES, AsJson, Quiet, say

if TYPE_CHECKING:
    from sim.files.log_columns import LogOptions

File = Annotated[
    Path, typer.Argument(metavar="FILE", help="A scenario file (TOML), or a log or profile (CSV).")
]


def check(
    file: File,
    time_column: flags.TimeColumn = None,
    time_unit: flags.TimeUnit = None,
    samples_per_second: flags.PerSecond = None,
    column: flags.LoadColumn = None,
    unit: flags.LoadUnit = None,
    discharge: flags.Discharge = flags.Counts.positive,
    thousands: flags.Thousands = None,
    day_first: flags.DayFirst = None,
    encoding: flags.Encoding = None,
    zone: flags.Zone = None,
    record: flags.Record = None,
    voltage_column: flags.VoltageColumn = None,
    temperature_column: flags.TemperatureColumn = None,
    ambient_column: flags.AmbientColumn = None,
    correct: flags.Correct = None,
    mass_kg: Annotated[
        float | None,
        typer.Option(metavar="KG", min=0.0, help="Log: mass of the cells, for heat at rest."),
    ] = None,
    heat_capacity: Annotated[
        float | None,
        typer.Option("--heat-J-kgK", metavar="C", min=1.0, help="Log: their specific heat. [950]"),
    ] = None,
    air: Annotated[
        float | None,
        typer.Option("--air-C", metavar="C", help="Log: the air, if it has no column."),
    ] = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Is this file right, before I wait for a run? Shows how everything was understood.

    Example: stillair check scenarios/orchard-cart.toml
    """
    options = flags.log_options(
        time_column=time_column,
        time_unit=time_unit,
        samples_per_second=samples_per_second,
        column=column,
        unit=unit,
        discharge=discharge,
        thousands=thousands,
        day_first=day_first,
        encoding=encoding,
        zone=zone,
        record=record,
        voltage_column=voltage_column,
        temperature_column=temperature_column,
        ambient_column=ambient_column,
    )
    if _is_table(file):
        _log(file, options, correct, (mass_kg, heat_capacity, air), as_json, quiet)
    else:
        _scenario(file, as_json, quiet)


def _is_table(file: Path) -> bool:
    """Whether a file is a table: not by name TOML, and not TOML by its content either."""
    from sim.errors import InputError
    from sim.files.toml import read_toml

    if file.suffix.lower() == ".toml" or not file.is_file():
        return file.suffix.lower() in (".csv", ".tsv", ".txt", ".log")
    try:
        read_toml(file)
    except InputError:
        return True
    return False


def _scenario(file: Path, as_json: bool, quiet: bool) -> None:
    from sim.ask.wiring import check_tables
    from sim.files.built_case import built_case, is_built
    from sim.files.case import read_case
    from sim.show.check import understood
    from sim.show.summary import inputs

    case = read_case(file)
    check_tables(case)
    if is_built(case.scenario):
        built_case(case)  # refuses what can't be built
    if as_json:
        say(json.dumps(inputs(case), indent=2, allow_nan=False))
    else:
        lines = understood(case)
        say("\n".join(lines[:1] if quiet else lines))


def _log(
    file: Path,
    options: LogOptions,
    correct: Path | None,
    about: tuple[float | None, float | None, float | None],
    as_json: bool,
    quiet: bool,
) -> None:
    from sim.files.log_columns import read_log_table
    from sim.files.log_correction import put_right
    from sim.files.log_heating import SPECIFIC_HEAT_J_kgK
    from sim.files.log_summary import summarise
    from sim.show import log_words as words

    log = read_log_table(file, options)
    log = log if correct is None else put_right(log, correct)
    mass_kg, heat_J_kgK, air_C = about
    found = summarise(log, mass_kg, heat_J_kgK or SPECIFIC_HEAT_J_kgK, air_C)
    if as_json:
        say(json.dumps(words.content(found), indent=2, allow_nan=False))
    elif quiet:
        say(words.answer(found))
    else:
        say("\n".join(words.report(found)))
    raise typer.Exit(NO if found.faults else YES)
