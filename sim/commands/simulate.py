"""The command that runs one day."""

from __future__ import annotations

import enum
import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sim.commands.shell import NO, YES, AsJson, Plots, Quiet, Scenario, say

if TYPE_CHECKING:
    from sim.files.case import Case


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
    """Does the pack stay cool and above cut-off over this day? What gives first?

    Example: stillair simulate scenarios/orchard-cart.toml
    """
    from sim.ask.simulate import simulate as ask
    from sim.files.built_case import is_built
    from sim.files.case import read_case
    from sim.show import sentences
    from sim.show.files import write_result
    from sim.show.folder import check_replaceable
    from sim.show.progress import day_bar
    from sim.show.summary import summary

    folder = Path("out") / scenario.stem if out is None else out
    case = read_case(scenario)
    check_replaceable(folder)
    if is_built(case.scenario):
        _as_built(case, folder, integrator, every, plots=plots, as_json=as_json, quiet=quiet)
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


def _as_built(
    case: Case,
    folder: Path,
    integrator: Integrator,
    every: float | None,
    *,
    plots: bool,
    as_json: bool,
    quiet: bool,
) -> None:
    """Run a pack as it is built, print and exit."""
    from sim.ask.built import simulate_built
    from sim.errors import InputError
    from sim.files.built_case import TABLES, built_case
    from sim.show import built_words as words
    from sim.show.built_files import write_built
    from sim.show.built_summary import built_summary

    if integrator is not Integrator.march:
        said = next(name for name in TABLES if getattr(case.scenario, name) is not None)
        raise InputError(
            f"--integrator scipy knows identical cells only, and {case.path} has [{said}]; "
            "accepted there: --integrator march"
        )
    result = simulate_built(built_case(case))
    content = built_summary(result)
    write_built(result, content, folder, every_s=every, plots=plots)
    if as_json:
        say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        say(words.first_line(result))
    else:
        say("\n".join([*words.report(result), f"written to {folder}"]))
    raise typer.Exit(YES if result.passed else NO)
