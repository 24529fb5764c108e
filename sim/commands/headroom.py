"""The command that turns one knob after another."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Annotated

import typer

from sim.commands.shell import NO, YES, AsJson, Format, Jobs, Picture, Plots, Quiet, Scenario, say


def headroom(
    scenario: Scenario,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Result folder. [default: out/<scenario name>-headroom]"),
    ] = None,
    jobs: Jobs = None,
    plots: Plots = True,
    picture: Picture = Format.png,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """How far can I go with the pack that I have: load, heat of the day, current, repeats?

    Example: stillair headroom scenarios/orchard-cart.toml
    """
    from concurrent.futures import ThreadPoolExecutor

    from sim.ask.headroom import headroom as ask
    from sim.ask.headroom import jobs_of
    from sim.files.case import read_scenario
    from sim.show import headroom_words as words
    from sim.show.folder import check_replaceable
    from sim.show.headroom_files import write_headroom
    from sim.show.progress import count_bar

    content = read_scenario(scenario)
    folder = Path("out") / f"{scenario.stem}-headroom" if out is None else out
    check_replaceable(folder)
    bar = count_bar(jobs_of(content), "turning knobs")
    with bar as progress, ThreadPoolExecutor(jobs or os.cpu_count()) as threads:
        found = ask(content, scenario, threads, progress)
    summary = write_headroom(found, folder, plots=plots, suffix=picture.value)
    if as_json:
        say(json.dumps(summary, indent=2, allow_nan=False))
    elif quiet:
        say(words.answer(found))
    else:
        say("\n".join([*words.report(found), f"written to {folder}"]))
    raise typer.Exit(YES if found.run.passed else NO)
