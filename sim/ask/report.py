"""Everything that a report tells of one scenario: its day, and what each guess moves of it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

from sim.ask.bad_end import hotter_and_emptier, shares
from sim.ask.built import BuiltResult, simulate_built
from sim.ask.built_bad_end import worse_end
from sim.ask.built_run import settings_of, through
from sim.ask.lasting import settled
from sim.ask.simulate import Result, simulate
from sim.files.built_case import BuiltCase, built_case, is_built
from sim.files.case import Case
from sim.integrate import march
from sim.judge.built import group_charge, judged
from sim.judge.verdict import Verdict, judge
from sim.physics.limits import CUTOFF, HOT
from sim.physics.plant import SOC

# `hotter_and_emptier` wants these; 0 leaves them as they are.
STAY = {"capacity": 0.0, "open_circuit": 0.0, "resistance": 0.0, "heat": 0.0}


@dataclass(frozen=True)
class Outcome:
    """What becomes of the day, gone on with past its limits."""

    verdict: Verdict
    hottest_core_C: float | None  # None where no current ever flowed
    lowest_cell_V: float | None
    end_soc: float  # of the emptiest group where they differ


@dataclass(frozen=True)
class Moved:
    """What one guess at its hotter and emptier end makes of the day."""

    group: str
    share: float  # by which it was moved, of its value
    outcome: Outcome


@dataclass(frozen=True)
class Report:
    """One scenario's day, and what each guess moves of it."""

    run: Result | BuiltResult
    plain: Outcome  # with every guess as it stands
    moves: tuple[Moved, ...]  # the ones that turn most of the hottest core first


def report(case: Case, progress: Callable[[float], None] | None = None) -> Report:
    """Run the day of `case`, as built where it says so, and once more for each guess.

    `progress` is told the time of the day reached [s]. Raises InputError where the packs can't be
    built, ArithmeticError where no integration is possible.
    """
    run: Result | BuiltResult
    look: Callable[[dict[str, float]], Outcome]
    case = settled(case)
    if is_built(case.scenario):
        built = built_case(case)
        run, look = simulate_built(built), partial(_built, built)
    else:
        run, look = simulate(case, progress=progress), partial(_plain, case)
    plain = look({})
    moves = [Moved(group, share, look({group: share})) for group, share in shares(case).items()]
    moves.sort(key=lambda one: -_moved_K(plain, one.outcome))
    return Report(run, plain, tuple(moves))


def _moved_K(plain: Outcome, other: Outcome) -> float:
    if plain.hottest_core_C is None or other.hottest_core_C is None:
        return 0.0
    return abs(other.hottest_core_C - plain.hottest_core_C)


def _outcome(verdict: Verdict, end_soc: float) -> Outcome:
    return Outcome(verdict, verdict.limit(HOT).worst, verdict.limit(CUTOFF).worst, end_soc)


def _plain(case: Case, moved: dict[str, float]) -> Outcome:
    settings = march.Settings(stop_at_limits=False, keep_trace=False)
    plant = hotter_and_emptier(case.plant, {**STAY, **moved})
    trace = march.march(plant, case.limits, case.legs, case.start, settings)
    return _outcome(judge(case.limits, case.legs, trace), float(trace.state[-1, SOC]))


def _built(case: BuiltCase, moved: dict[str, float]) -> Outcome:
    settings = settings_of(case, stop_at_limits=False, keep=False)
    run, _ = through(worse_end(case, {**STAY, **moved}), settings)
    verdict = judged(case.case.limits, run)[0].verdict
    return _outcome(verdict, float(group_charge(run).min()))
