"""The command that turns logs of a cell into a proposed profile."""

from __future__ import annotations

import enum
import itertools
import json
from pathlib import Path
from typing import Annotated

import typer

from sim.commands import log_flags
from sim.commands.shell import YES, AsJson, Format, Picture, Plots, Quiet, say

SEARCHES = 6  # of one voltage fit: one for the scales, one a start


class Air(enum.Enum):
    """How the air about the cell moved."""

    still = "still"
    stirred = "stirred"


class Contact(enum.Enum):
    """Whether a resistance outside the cell may lie in the measured voltage."""

    fit = "fit"
    none = "none"


Logs = Annotated[list[Path], typer.Argument(metavar="LOG...", help="Logs of one cell (CSV).")]
Out = Annotated[Path, typer.Option(metavar="PROFILE", help="The proposed profile; never replaced.")]
Ocv = Annotated[
    Path | None,
    typer.Option(metavar="LOG", help="A slow discharge. [default: the slowest whole one of LOG]"),
]
Like = Annotated[
    Path | None,
    typer.Option(metavar="PROFILE", help="A profile of the class: size, mass, limits, heat."),
]
Mass = Annotated[
    float | None, typer.Option(metavar="G", min=5.0, max=10_000.0, help="The cell, weighed.")
]
Means = Annotated[
    list[str] | None,
    typer.Option(
        metavar="NAME", help="A log whose rows are means until the next row, not samples."
    ),
]
Heat = Annotated[bool, typer.Option("--heat/--no-heat", help="Fit heat where the logs tell it.")]


def fit(
    logs: Logs,
    out: Out,
    ocv: Ocv = None,
    like: Like = None,
    mass_g: Mass = None,
    means: Means = None,
    heat: Heat = True,
    air: Annotated[Air, typer.Option(help="How the air about the cell moved.")] = Air.still,
    contact: Annotated[
        Contact, typer.Option(help="none: voltage sensed at the can by leads of its own.")
    ] = Contact.fit,
    time_column: log_flags.TimeColumn = None,
    time_unit: log_flags.TimeUnit = None,
    samples_per_second: log_flags.PerSecond = None,
    column: log_flags.LoadColumn = None,
    unit: log_flags.LoadUnit = None,
    discharge: log_flags.Discharge = log_flags.Counts.positive,
    thousands: log_flags.Thousands = None,
    day_first: log_flags.DayFirst = None,
    encoding: log_flags.Encoding = None,
    zone: log_flags.Zone = None,
    record: log_flags.Record = None,
    voltage_column: log_flags.VoltageColumn = None,
    temperature_column: log_flags.TemperatureColumn = None,
    ambient_column: log_flags.AmbientColumn = None,
    plots: Plots = True,
    picture: Picture = Format.png,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """I logged a cell: what are its real capacity, resistance, heat? Proposes a profile.

    Example: stillair fit drive.csv one_c.csv --ocv slow.csv
    --like profiles/cells/nmc-18650-energy.toml --out mine.toml
    """
    from sim.errors import InputError
    from sim.files.cell_schema import CellProfile
    from sim.files.toml import checked, read_toml
    from sim.fit.log import read_log
    from sim.fit.profile import needs_like
    from sim.fit.question import Given, fit_cell
    from sim.show import fit_words as words
    from sim.show.fit_files import check_free, write_fit
    from sim.show.progress import count_bar

    check_free(out, picture.value)
    if like is None:
        raise needs_like()
    profile = checked(CellProfile, read_toml(like), str(like))
    options = log_flags.log_options(
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
    named = set(means or ())
    strange = named - {path.name for path in (*logs, *([ocv] if ocv else []))}
    if strange:
        raise InputError(f"--means names '{sorted(strange)[0]}', which is none of the logs")
    read = {path: read_log(path, options, means=path.name in named) for path in logs}
    slow = None if ocv is None else read.get(ocv) or read_log(ocv, options, means=ocv.name in named)
    moved = air.value if heat else None
    given = Given(profile, like, out.stem, mass_g, moved, contact.value)
    with count_bar(SEARCHES * (2 if heat else 1), "fitting") as told:
        done = itertools.count(1)
        progress = None if told is None else lambda: told(next(done))
        found = fit_cell(list(read.values()), slow, given, progress)
    summary = write_fit(found, out, plots=plots, suffix=picture.value)
    if as_json:
        say(json.dumps(summary, indent=2, allow_nan=False))
    elif quiet:
        say(words.answer(found))
    else:
        say("\n".join([*words.report(found), f"proposed in {out}"]))
    raise typer.Exit(YES)
