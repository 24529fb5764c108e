"""A whole run with its audit: of identical cells, or of packs as built where a scenario says so."""

from __future__ import annotations

from collections.abc import Callable

from sim.ask.built import BuiltResult, simulate_built
from sim.ask.simulate import Result, simulate
from sim.files.built_case import built_case, is_built
from sim.files.case import Case

Whole = Result | BuiltResult


def whole_run(case: Case, progress: Callable[[float], None] | None = None) -> Whole:
    """Run the day of `case`, as built where it says anything of that.

    Raises InputError where packs can't be built, ArithmeticError where nothing can be said.
    """
    if is_built(case.scenario):
        return simulate_built(built_case(case))
    return simulate(case, progress=progress)


def end_s(run: Whole) -> float:
    """Return when a run ended [s from its start]."""
    return run.run.end_s if isinstance(run, BuiltResult) else run.trace.end_s


def assumptions_of(case: Case) -> list[str]:
    """Return what the model takes for granted of `case`, one plain sentence each."""
    if not is_built(case.scenario):
        return list(case.assumptions)
    own = [words for words in case.assumptions if not words.startswith("all cells are identical")]
    return [*built_case(case).assumptions, *own]
