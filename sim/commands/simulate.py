"""The command that runs one day."""

from __future__ import annotations

import enum
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from sim.commands.shell import NO, YES, AsJson, Format, Picture, Plots, Quiet, Scenario, say

if TYPE_CHECKING:
    from sim.files.case import Case


class Integrator(enum.Enum):
    """The two ways to run a day."""

    march = "march"
    scipy = "scipy"


@dataclass(frozen=True)
class Kept:
    """What a run leaves, and where."""

    folder: Path
    every_s: float | None
    plots: bool
    suffix: str  # of the pictures


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
    picture: Picture = Format.png,
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
    from sim.show.report_day import with_day
    from sim.show.summary import summary

    folder = Path("out") / scenario.stem if out is None else out
    case = read_case(scenario)
    check_replaceable(folder)
    if is_built(case.scenario):
        kept = Kept(folder, every, plots, picture.value)
        _as_built(case, integrator, kept, as_json=as_json, quiet=quiet)
    with day_bar(float(case.legs.end_s[-1])) as progress:
        result = ask(case, integrator.value, progress)
    content = summary(result)
    write_result(result, content, folder, every_s=every, plots=plots, suffix=picture.value)
    if as_json:
        say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        say(sentences.verdict(result))
    else:
        said = with_day(sentences.report(result), result)
        say("\n".join([*said, f"written to {folder}"]))
    raise typer.Exit(YES if result.passed else NO)


def _as_built(
    case: Case,
    integrator: Integrator,
    kept: Kept,
    *,
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
    from sim.show.report_day import with_day

    if integrator is not Integrator.march:
        said = next(name for name in TABLES if getattr(case.scenario, name) is not None)
        raise InputError(
            f"--integrator scipy knows identical cells only, and {case.path} has [{said}]; "
            "accepted there: --integrator march"
        )
    result = simulate_built(built_case(case))
    content = built_summary(result)
    write_built(
        result, content, kept.folder, every_s=kept.every_s, plots=kept.plots, suffix=kept.suffix
    )
    if as_json:
        say(json.dumps(content, indent=2, allow_nan=False))
    elif quiet:
        say(words.first_line(result))
    else:
        lines = with_day(words.report(result), result)
        say("\n".join([*lines, f"written to {kept.folder}"]))
    raise typer.Exit(YES if result.passed else NO)
