"""The command that writes one page to hand over."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Annotated

import typer

from sim.commands.shell import NO, YES, AsJson, Jobs, Quiet, Scenario, say


def report(
    scenario: Scenario,
    out: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="The page. [default: out/<scenario name>-report.html]"),
    ] = None,
    with_: Annotated[
        str | None,
        typer.Option("--with", metavar="A,B", help="More sections: headroom, odds, sweep, wiring."),
    ] = None,
    jobs: Jobs = None,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Is that safe? One page to hand over: answer, margins, pictures, guesses, how to measure.

    Example: stillair report scenarios/orchard-cart.toml --with sweep,headroom
    """
    from concurrent.futures import ThreadPoolExecutor

    from sim.ask.report import report as ask
    from sim.files.case import assemble, read_scenario
    from sim.show.progress import count_bar, day_bar
    from sim.show.report import check_free, content_of, page, write_page
    from sim.show.report_sections import Asked, made, wanted
    from sim.show.report_words import first_line

    file = Path("out") / f"{scenario.stem}-report.html" if out is None else out
    names = wanted(with_)
    content = read_scenario(scenario)
    case = assemble(content, scenario)
    check_free(file)
    sections = {}
    if names:
        bar = count_bar(len(names), "asking")
        with bar as done, ThreadPoolExecutor(jobs or os.cpu_count()) as threads:
            sections = made(names, Asked(content, scenario, case, threads), done)
    with day_bar(float(case.legs.end_s[-1])) as progress:
        found = ask(case, progress)
    write_page(page(found, sections), file)
    if as_json:
        say(json.dumps(content_of(found, sections), indent=2, allow_nan=False))
    else:
        said = first_line(found.run)
        told = [f"{name}: {one.answer}" for name, one in sections.items()]
        say(said if quiet else "\n".join([said, *told, f"written to {file}"]))
    passed = found.run.passed and all(one.passed for one in sections.values())
    raise typer.Exit(YES if passed else NO)
