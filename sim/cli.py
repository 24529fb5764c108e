"""The command line: parse, call one question, print, exit code. No arithmetic here."""

from __future__ import annotations

import enum
import io
import json
import os
import sys
from pathlib import Path
from typing import Annotated, Any

import typer

from sim import __version__
from sim.errors import InputError, OutputError, StillairError

YES, NO, UNUSABLE, INTERRUPTED = 0, 1, 2, 130
# typer gives its base of wrong options and missing arguments no public name.
UsageError: Any = typer.BadParameter.__base__


class Integrator(enum.Enum):
    """The two ways to run a day."""

    march = "march"
    scipy = "scipy"


app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="Is passive cooling enough for this battery pack, by how much, and what gives first? "
    "Exit codes: 0 yes, 1 a limit is crossed, 2 the input can't be used, 130 interrupted.",
)
Scenario = Annotated[Path, typer.Argument(metavar="SCENARIO", help="A scenario file (TOML).")]
AsJson = Annotated[bool, typer.Option("--json", help="Print the summary as JSON, not words.")]
Quiet = Annotated[bool, typer.Option("--quiet", help="Print the answer only, one line.")]
Plots = Annotated[bool, typer.Option("--plots/--no-plots", help="Draw the picture.")]
Jobs = Annotated[
    int | None, typer.Option(metavar="N", min=1, help="Threads. [default: one a core]")
]


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"stillair {__version__}")
        raise typer.Exit(YES)


@app.callback()
def _options(
    version: Annotated[
        bool,
        typer.Option("--version", callback=_version, is_eager=True, help="Print the version."),
    ] = False,
) -> None:
    """Options of the command itself."""


@app.command()
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
        _say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        _say(sentences.verdict(result))
    else:
        _say("\n".join([*sentences.report(result), f"written to {folder}"]))
    raise typer.Exit(YES if result.passed else NO)


@app.command()
def check(
    scenario: Scenario,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """Is this file right, before I wait for a run? Shows how everything was understood."""
    from sim.files.case import read_case
    from sim.show.check import understood
    from sim.show.summary import inputs

    case = read_case(scenario)
    if as_json:
        _say(json.dumps(inputs(case), indent=2, allow_nan=False))
    else:
        lines = understood(case)
        _say("\n".join(lines[:1] if quiet else lines))


@app.command()
def sweep(
    scenario: Scenario,
    parallel: Annotated[
        str | None,
        typer.Option(metavar="A:B[:STEP]", help="Parallel counts, both ends included."),
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
    plots: Plots = True,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """What is the smallest parallel count for which it does? What stops the next smaller?"""
    from concurrent.futures import ThreadPoolExecutor

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
    with bar as progress, ThreadPoolExecutor(jobs or os.cpu_count()) as threads:
        found = ask(plan, threads, kept, progress)
    if found.interrupted and not found.rows:
        raise KeyboardInterrupt
    content = write_sweep(found, folder, plots=plots)
    if found.interrupted:
        _say(f"{words.answer(found)} They are kept in {folder}; go on with --resume.")
        raise SystemExit(INTERRUPTED)  # a typer.Exit would say that nothing was written
    if as_json:
        _say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        _say(words.answer(found))
    else:
        _say("\n".join([*words.report(found), f"written to {folder}"]))
    raise typer.Exit(YES if found.passed else NO)


@app.command()
def headroom(
    scenario: Scenario,
    out: Annotated[
        Path | None,
        typer.Option(metavar="DIR", help="Result folder. [default: out/<scenario name>-headroom]"),
    ] = None,
    jobs: Jobs = None,
    plots: Plots = True,
    as_json: AsJson = False,
    quiet: Quiet = False,
) -> None:
    """How far can I go with the pack that I have: load, heat of the day, current, repeats?"""
    from concurrent.futures import ThreadPoolExecutor

    from sim.ask.headroom import JOBS
    from sim.ask.headroom import headroom as ask
    from sim.files.case import read_scenario
    from sim.show import headroom_words as words
    from sim.show.folder import check_replaceable
    from sim.show.headroom_files import write_headroom
    from sim.show.progress import count_bar

    content = read_scenario(scenario)
    folder = Path("out") / f"{scenario.stem}-headroom" if out is None else out
    check_replaceable(folder)
    bar = count_bar(JOBS, "turning knobs")
    with bar as progress, ThreadPoolExecutor(jobs or os.cpu_count()) as threads:
        found = ask(content, scenario, threads, progress)
    summary = write_headroom(found, folder, plots=plots)
    if as_json:
        _say(json.dumps(summary, indent=2, allow_nan=False))
    elif quiet:
        _say(words.answer(found))
    else:
        _say("\n".join([*words.report(found), f"written to {folder}"]))
    raise typer.Exit(YES if found.run.passed else NO)


def _say(text: str) -> None:
    """Print an answer; a reader who has gone (`| head -1`) changes nothing about it."""
    try:
        typer.echo(text)
    except OSError as problem:
        _forget_output()
        if not isinstance(problem, BrokenPipeError):
            raise OutputError(f"the answer can't be printed: {problem.strerror}") from None


def _forget_output() -> None:
    """Let what is left in the buffer go nowhere, or it would fail once more when Python ends."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _complain(problem: StillairError) -> None:
    """Print one line a complaint, whatever stands in the names and values that it quotes."""
    said = problem.complaints if isinstance(problem, InputError) else [str(problem)]
    for line in said:
        whole = "".join(c if c.isprintable() else repr(c)[1:-1] for c in line)
        typer.echo(whole, err=True)


def main() -> None:
    """Run the command line; every error ends in one sentence and its exit code."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a title may hold what this terminal can't show
            stream.reconfigure(errors="backslashreplace")
    try:
        code = app(standalone_mode=False)
    except StillairError as problem:
        _complain(problem)
        code = UNUSABLE
    except UsageError as problem:
        problem.show()
        code = UNUSABLE
    except ArithmeticError as problem:
        typer.echo(f"No answer: {problem}", err=True)
        code = NO
    except OSError as problem:  # such as no room for the compiled code
        typer.echo(f"No answer, the system refused: {problem}", err=True)
        _forget_output()
        code = UNUSABLE
    except (KeyboardInterrupt, typer.Abort):
        code = INTERRUPTED
    if code == INTERRUPTED:  # typer itself turns most interrupts into their code
        typer.echo("Interrupted; nothing was written.", err=True)
    sys.exit(code)


if __name__ == "__main__":
    main()
