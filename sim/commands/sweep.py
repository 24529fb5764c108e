"""The command that tries many packs."""

from __future__ import annotations

import json
import os
from concurrent.futures import Executor, ThreadPoolExecutor
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Annotated

import typer

from sim.commands.shell import (
    INTERRUPTED,
    NO,
    YES,
    AsJson,
    Format,
    Jobs,
    Picture,
    Plots,
    Quiet,
    Scenario,
    say,
)
from sim.errors import InputError


def workers(cluster: str | None, jobs: int | None) -> AbstractContextManager[Executor]:
    """Return what runs the candidates: threads here, or a cluster where one is named."""
    if cluster is None:
        return ThreadPoolExecutor(jobs or os.cpu_count())
    if jobs is not None:
        raise InputError(
            "--jobs counts threads here, but --cluster has workers of its own; leave one out"
        )
    from sim.ask.cluster import cluster as cluster_at

    return cluster_at(cluster)


def sweep(
    scenario: Scenario,
    parallel: Annotated[
        str | None,
        typer.Option(metavar="A:B[:STEP]", help="Parallel counts from A up to B."),
    ] = None,
    vary: Annotated[
        list[str] | None,
        typer.Option(
            metavar="KEY=START:STOP:STEP",
            help="Any number of the scenario, such as ambient.high_C=30:45:5; two axes in all.",
        ),
    ] = None,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Result folder. [default: out/<scenario name>-sweep]"),
    ] = None,
    resume: Annotated[
        bool, typer.Option("--resume", help="Take over the rows in DIR whose inputs are the same.")
    ] = False,
    jobs: Jobs = None,
    cluster: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Run on a dask cluster instead, by its scheduler's address.",
        ),
    ] = None,
    plots: Plots = True,
    picture: Picture = Format.png,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """What is the smallest parallel count for which it does? What stops the next smaller?

    Example: stillair sweep scenarios/orchard-cart.toml --parallel 6:30
    """
    from sim.ask.axes import axes_of
    from sim.ask.sweep import plan_of
    from sim.ask.sweep import sweep as ask
    from sim.files.case import read_scenario
    from sim.show import sweep_words as words
    from sim.show.folder import check_replaceable
    from sim.show.progress import count_bar
    from sim.show.sweep_files import read_kept, write_sweep

    axes = axes_of(parallel, vary or [])
    folder = Path("out") / f"{scenario.stem}-sweep" if out is None else out
    plan = plan_of(read_scenario(scenario), scenario, axes)
    check_replaceable(folder)
    kept = read_kept(folder) if resume else None
    bar = count_bar(len(plan.candidates), "sweeping")
    with workers(cluster, jobs) as executor, bar as progress:
        found = ask(plan, executor, kept, progress)
    if found.interrupted and not found.rows:
        raise KeyboardInterrupt
    content = write_sweep(found, folder, plots=plots, suffix=picture.value)
    if found.interrupted:
        say(f"{words.answer(found)} They are kept in {folder}; go on with --resume.")
        raise SystemExit(INTERRUPTED)  # a typer.Exit would say that nothing was written
    if as_json:
        say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        say(words.answer(found))
    else:
        say("\n".join([*words.report(found), f"written to {folder}"]))
    raise typer.Exit(YES if found.passed else NO)
