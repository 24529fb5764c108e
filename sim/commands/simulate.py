"""The command that runs one day."""

from __future__ import annotations

import enum
import json
from pathlib import Path
from typing import Annotated

import typer

from sim.commands.shell import NO, YES, AsJson, Plots, Quiet, Scenario, say


class Integrator(enum.Enum):
    """The two ways to run a day."""

    march = "march"
    scipy = "scipy"


def simulate(
    scenario: Scenario,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Result folder. [default: out/<scenario name>]"),
    ] = None,
    every: Annotated[
        float | None,
        typer.Option(metavar="S", min=0.0, help="Thin timeseries.csv to a row every S seconds."),
    ] = None,
    plots: Plots = True,
    as_json: AsJson = False,
    quiet: Quiet = False,
    integrator: Annotated[
        Integrator, typer.Option(help="march: compiled; scipy: the slower reference.")
    ] = Integrator.march,
) -> None:
    """Does the pack stay cool and above cut-off over this day? What gives first?"""
    from sim.ask.simulate import simulate as ask
    from sim.files.case import read_case
    from sim.show import sentences
    from sim.show.files import write_result
    from sim.show.folder import check_replaceable
    from sim.show.progress import day_bar
    from sim.show.summary import summary

    folder = Path("out") / scenario.stem if out is None else out
    case = read_case(scenario)
    check_replaceable(folder)
    with day_bar(float(case.legs.end_s[-1])) as progress:
        result = ask(case, integrator.value, progress)
    content = summary(result)
    write_result(result, content, folder, every_s=every, plots=plots)
    if as_json:
        say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        say(sentences.verdict(result))
    else:
        say("\n".join([*sentences.report(result), f"written to {folder}"]))
    raise typer.Exit(YES if result.passed else NO)
