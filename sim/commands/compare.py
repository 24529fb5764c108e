"""The command that holds the model against a measured log."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from sim.commands import log_flags as flags
from sim.commands.shell import NO, YES, AsJson, Format, Picture, Plots, Quiet, Scenario, say

MOST_GROUPS = 8  # of parameters with an uncertainty of their own
Log = Annotated[Path, typer.Argument(metavar="LOG", help="A measured log (CSV).")]


def compare(
    scenario: Scenario,
    log: Log,
    start_percent: Annotated[
        float | None,
        typer.Option(metavar="%", min=0.0, max=100.0, help="Charge at the first row. [its rest]"),
    ] = None,
    cell: Annotated[
        bool, typer.Option("--cell", help="The log is of one cell: no pack, joints or leads.")
    ] = False,
    means: Annotated[
        bool, typer.Option("--means", help="Each row is a mean until the next, not a sample.")
    ] = False,
    by_power: Annotated[
        bool, typer.Option("--by-power", help="Drive by the measured power, not the current.")
    ] = False,
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
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Result folder. [default: out/<scenario name>-compare]"),
    ] = None,
    plots: Plots = True,
    picture: Picture = Format.png,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """How far off was the prediction from what I measured? Exit 1: more than is stated.

    Example: stillair compare scenarios/orchard-cart.toml ride.csv
    """
    from sim.ask.compare import compare as ask
    from sim.files.case import read_scenario
    from sim.files.log_columns import read_log_table
    from sim.files.log_correction import put_right
    from sim.show import compare_words as words
    from sim.show.compare_files import write_compare
    from sim.show.folder import check_replaceable
    from sim.show.progress import count_bar

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
    folder = Path("out") / f"{scenario.stem}-compare" if out is None else out
    content = read_scenario(scenario)
    read = read_log_table(log, options)
    read = read if correct is None else put_right(read, correct)
    check_replaceable(folder)
    with count_bar(MOST_GROUPS, "comparing") as progress:
        found = ask(
            content,
            scenario,
            read,
            percent=start_percent,
            cell=cell,
            means=means,
            by_power=by_power,
            progress=progress,
        )
    summary = words.content(found)
    write_compare(found, summary, folder, plots=plots, suffix=picture.value)
    if as_json:
        say(json.dumps(summary, indent=2, allow_nan=False))
    elif quiet:
        say(words.answer(found))
    else:
        say("\n".join([*words.report(found), f"written to {folder}"]))
    raise typer.Exit(YES if found.passed else NO)
