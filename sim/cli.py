"""The command line: parse, call one question, print, exit code. No arithmetic here."""

from __future__ import annotations

import enum
import json
import sys
from pathlib import Path
from typing import Annotated

import typer

from sim import __version__
from sim.errors import StillairError

YES, NO, UNUSABLE, INTERRUPTED = 0, 1, 2, 130


class Integrator(enum.Enum):
    """The two ways to run a day."""

    march = "march"
    scipy = "scipy"


app = typer.Typer(
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    help="Is passive cooling enough for this battery pack, by how much, and what gives first? "
    "Exit codes: 0 yes, 1 a limit is crossed, 2 the input can't be used, 130 interrupted.",
)
Scenario = Annotated[Path, typer.Argument(metavar="SCENARIO", help="A scenario file (TOML).")]


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
    plots: Annotated[bool, typer.Option("--plots/--no-plots", help="Draw the pictures.")] = True,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the summary as JSON instead of words.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print the verdict only.")] = False,
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
    warning = sentences.distrust(result)
    if as_json:
        typer.echo(json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False))
    else:
        lines = [line for line in (warning, sentences.answer(result)) if line]
        if not quiet:
            lines += [*sentences.report(result), f"written to {folder}"]
        typer.echo("\n".join(lines))
    raise typer.Exit(YES if result.passed else NO)


@app.command()
def check(
    scenario: Scenario,
    as_json: Annotated[
        bool, typer.Option("--json", help="Print the inputs as JSON instead of words.")
    ] = False,
    quiet: Annotated[bool, typer.Option("--quiet", help="Print one line only.")] = False,
) -> None:
    """Is this file right, before I wait for a run? Shows how everything was understood."""
    from sim.files.case import read_case
    from sim.show.check import understood
    from sim.show.summary import inputs

    case = read_case(scenario)
    if as_json:
        typer.echo(json.dumps(inputs(case), indent=2, allow_nan=False, ensure_ascii=False))
    else:
        lines = understood(case)
        typer.echo("\n".join(lines[:1] if quiet else lines))


def main() -> None:
    """Run the command line; every error ends in one sentence and its exit code."""
    try:
        code = app(standalone_mode=False)
    except StillairError as problem:
        typer.echo(str(problem), err=True)
        code = UNUSABLE
    except ArithmeticError as problem:
        typer.echo(f"No answer: {problem}", err=True)
        code = NO
    except (KeyboardInterrupt, typer.Abort):
        typer.echo("Interrupted; nothing was written.", err=True)
        code = INTERRUPTED
    except BrokenPipeError:  # the reader of our output has gone: nothing left to say
        sys.stderr.close()
        code = NO
    sys.exit(code)


if __name__ == "__main__":
    main()
