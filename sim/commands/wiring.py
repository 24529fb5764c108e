"""The command that judges cable, busbar, links and fuse."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer

from sim.commands.shell import NO, YES, AsJson, Format, Picture, Plots, Quiet, Scenario, say


def wiring(
    scenario: Scenario,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Result folder. [default: out/<scenario name>-wiring]"),
    ] = None,
    plots: Plots = True,
    picture: Picture = Format.png,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Do cable, busbar, cell links and fuse suit these currents, and a short circuit?

    Judges the [[conductor]] and [fuse] tables of a scenario by the currents of its simulated day.

    Example: stillair wiring scenarios/orchard-cart.toml
    """
    from sim.ask.wiring import wiring as ask
    from sim.files.case import read_case
    from sim.show import wiring_words as words
    from sim.show.folder import check_replaceable
    from sim.show.progress import day_bar
    from sim.show.wiring_files import write_wiring

    folder = Path("out") / f"{scenario.stem}-wiring" if out is None else out
    case = read_case(scenario)
    check_replaceable(folder)
    with day_bar(float(case.legs.end_s[-1])) as progress:
        found = ask(case, progress)
    content = write_wiring(found, folder, plots=plots, suffix=picture.value)
    if as_json:
        say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        say(words.verdict(found))
    else:
        say("\n".join([*words.report(found), f"written to {folder}"]))
    raise typer.Exit(YES if found.passed else NO)
