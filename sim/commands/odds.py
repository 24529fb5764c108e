"""The command that draws all that is unsure at once."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Annotated

import typer

from sim.commands.shell import NO, YES, AsJson, Format, Jobs, Picture, Plots, Quiet, Scenario, say


def odds(
    scenario: Scenario,
    draws: Annotated[
        int, typer.Option(metavar="N", help="How many days to draw, an even number.")
    ] = 4096,
    seed: Annotated[
        int, typer.Option(metavar="N", min=0, help="Another seed draws other days.")
    ] = 1,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Result folder. [default: out/<scenario name>-odds]"),
    ] = None,
    jobs: Jobs = None,
    plots: Plots = True,
    picture: Picture = Format.png,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """My guesses, cells, weather and load vary: how likely does it stay cool, what matters most?

    Example: stillair odds scenarios/orchard-cart.toml
    """
    from concurrent.futures import ThreadPoolExecutor

    from sim.ask.odds import check_draws, runs_of
    from sim.ask.odds import odds as ask
    from sim.files.case import read_case
    from sim.show import odds_words as words
    from sim.show.folder import check_replaceable
    from sim.show.odds_files import write_odds
    from sim.show.progress import count_bar

    check_draws(draws)
    case = read_case(scenario)
    runs = runs_of(case, draws)
    folder = Path("out") / f"{scenario.stem}-odds" if out is None else out
    check_replaceable(folder)
    bar = count_bar(runs, "drawing days")
    with bar as progress, ThreadPoolExecutor(jobs or os.cpu_count()) as threads:
        found = ask(case, draws, seed, threads, progress)
    summary = write_odds(found, folder, plots=plots, suffix=picture.value)
    if as_json:
        say(json.dumps(summary, indent=2, allow_nan=False))
    elif quiet:
        say(words.answer(found))
    else:
        say("\n".join([*words.report(found), f"written to {folder}"]))
    raise typer.Exit(YES if found.passed else NO)
