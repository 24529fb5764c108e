"""A knob is turned in steps until the verdict changes, then closed in on.

scipy's brentq finds where the least margin is zero. Runs go on past every limit meanwhile, so that
margins pass through zero instead of ending there. Where what fails has no margin, as a board that
trips, the stretch is halved instead.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from sim.ask.built_run import UNDELIVERED
from sim.ask.built_seen import (
    NOT_DELIVERED,
    PERHAPS,
    STILL_CHANGES,
    BuiltSeen,
    observe_built,
    without_under_voltage,
)
from sim.ask.candidates import AUDIT, NO_ANSWER, observe, observe_many, scaled
from sim.ask.lasting import keeps_changing, settled
from sim.drive.days import Lasted
from sim.errors import InputError
from sim.files.built_case import built_case, is_built
from sim.files.case import Case
from sim.integrate.trace import Trace
from sim.judge.audit import balances, complaints
from sim.physics.limits import CUTOFF, HOT, NAMES
from sim.physics.plant import SOC
from sim.physics.side_by_side import WIDTH
from sim.units import ZERO_C_K

SHARE, BUILT_SHARE = 2e-5, 5e-4  # how close the turn is found, of the value
NOWHERE = -1e6  # stands for the margin of a run that left the numbers


@dataclass(frozen=True)
class Look:
    """One run with a knob somewhere: whether it passes, and how near it comes to a limit."""

    value: float
    passes: bool
    margin: float  # the least, over its scale
    limit: str  # that gives first, or that is nearest
    hottest_core_C: float
    end_soc: float
    lasted: Lasted | None = None  # of days that are run until they repeat
    # Of packs as built: of every limit that applied, and of the energy not delivered [%].
    margins: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Knob:
    """How far one knob can go. `limit` is None where none was found up to `searched_to`."""

    name: str
    today: float | None
    # The last value that still passes, or where today fails the nearest that would pass; None
    # where nothing tried does.
    greatest: float | None
    limit: str | None
    passes_today: bool
    searched_to: float
    upwards: bool  # whether what fails lies above `greatest`
    looks: tuple[Look, ...]
    note: str | None = None
    # Of days in a row: the first, from 1, that all later ones are like; then any number holds.
    alike_from: int | None = None


def share_of(case: Case) -> float:
    """Return how close a knob's turn is found; a run of packs as built takes so much longer."""
    return BUILT_SHARE if is_built(case.scenario) else SHARE


def look_at(case: Case, value: float, ignored: Iterable[int] = (), *, stop: bool = False) -> Look:
    """Return what becomes of `case`; limits in `ignored` count for nothing.

    Runs that leave the numbers or whose balances do not close fail by a limit of their own.
    """
    if is_built(case.scenario):
        return _built_look(case, value, set(ignored), stop=stop)
    case = settled(case)
    return _judged(case, value, set(ignored), observe(case, stop=stop))


def looks_at(
    made: Callable[[float], Case],
    values: Sequence[float],
    ignored: Iterable[int] = (),
    *,
    stop: bool = False,
) -> list[Look]:
    """Return what `look_at` says of one value or more of `values`, the first ones, to the bit.

    Those whose legs have the edges of the first march beside it; packs as built go one by one.
    Raises InputError where the first can't be made.
    """
    cases = [made(values[0])]
    if is_built(cases[0].scenario):
        return [look_at(cases[0], values[0], ignored, stop=stop)]
    cases = [settled(cases[0])]
    edges_s = cases[0].legs.start_s, cases[0].legs.end_s
    for value in values[1:WIDTH]:
        try:
            case = settled(made(value))
        except InputError:  # not asked for yet, and perhaps never
            break
        if not all(map(np.array_equal, edges_s, (case.legs.start_s, case.legs.end_s))):
            break
        cases.append(case)
    traces, left = observe_many(cases, stop=stop, threads=1), set(ignored)
    return [
        _judged(case, value, left, trace)
        for case, value, trace in zip(cases, values, traces, strict=False)
    ]


def _judged(case: Case, value: float, left: set[int], trace: Trace) -> Look:
    worst = trace.worst.copy()
    worst[list(left)] = np.inf
    hottest_C = case.limits.core_max_K - float(trace.worst[HOT]) - ZERO_C_K
    seen: dict[str, Any] = {
        "value": value,
        "hottest_core_C": hottest_C,
        "end_soc": float(trace.state[-1, SOC]),
        "lasted": case.lasted,
    }
    if not np.all(np.isfinite(trace.state)) or np.any(np.isnan(worst)):
        return Look(passes=False, margin=NOWHERE, limit=NO_ANSWER, **seen)
    margins = scaled(case, worst)
    first = next((spell.limit for spell in trace.spells if spell.limit not in left), None)
    least = int(np.argmin(margins))
    if first is None and complaints(balances(case.plant, case.legs, trace), (), None):
        return Look(passes=False, margin=NOWHERE, limit=AUDIT, **seen)
    if first is None and keeps_changing(case):
        return Look(passes=False, margin=-100.0 * PERHAPS, limit=STILL_CHANGES, **seen)
    return Look(
        passes=first is None,
        margin=float(margins[least]) if math.isfinite(margins[least]) else -NOWHERE,
        limit=NAMES[least if first is None else first],
        **seen,
    )


def _built_look(case: Case, value: float, left: set[int], *, stop: bool) -> Look:
    """Return what becomes of packs as built; a day that ends at cut-off ends before its boards."""
    built = built_case(case)
    if CUTOFF in left:
        built = without_under_voltage(built)
    try:
        seen = observe_built(built, stop=stop)
    except ArithmeticError:
        return Look(value, False, NOWHERE, NO_ANSWER, math.nan, math.nan)
    names = {NAMES[n] for n in left}
    worst = seen.looked_at(seen.run.book.worst)
    hottest_C = case.limits.core_max_K - float(worst[HOT]) - ZERO_C_K
    worst[list(left)] = np.inf
    margins = scaled(case, worst)
    least = int(np.argmin(margins))
    failures = [f for f in seen.failures if f.name not in names and not _cut_short(seen, f.name)]
    passes = not failures and not seen.complaints
    limit = AUDIT if seen.complaints else NAMES[least]
    margin = float(margins[least]) if math.isfinite(margins[least]) else -NOWHERE
    if failures:
        limit = failures[0].name
        margin = min([margin, *(seen.worth(f.name) for f in failures if f.name not in NAMES)])
    elif seen.complaints:
        margin = NOWHERE
    known = {NAMES[n]: float(m) for n, m in enumerate(margins) if math.isfinite(m)}
    known[NOT_DELIVERED] = 100.0 * (UNDELIVERED - seen.undelivered)
    return Look(value, passes, margin, limit, hottest_C, seen.end_soc, seen.case.case.lasted, known)


def _cut_short(seen: BuiltSeen, name: str) -> bool:
    """Return whether energy is not delivered only because the day ends at cut-off."""
    return name == NOT_DELIVERED and seen.run.stopped_by == CUTOFF


def close_in(
    look: Callable[[float], Look], passing: Look, failing: Look, tolerance: float
) -> tuple[Look, Look]:
    """Return the last look that passes and the first that fails, within `tolerance`.

    brentq finds where the margin is zero; the verdict decides on which side a value lies.
    """
    from scipy.optimize import brentq

    seen: list[Look] = []

    def margin(value: float) -> float:
        seen.append(look(value))
        return seen[-1].margin

    if passing.margin > 0.0 > failing.margin and failing.limit in NAMES:
        ahead = math.copysign(0.4 * tolerance, failing.value - passing.value)
        root = brentq(margin, passing.value, failing.value, xtol=0.1 * tolerance)
        low, high = sorted((passing.value, failing.value))
        for beside in (root - ahead, root + ahead):
            margin(min(max(beside, low), high))
        for found in sorted(seen, key=lambda s: abs(s.value - passing.value)):
            if not found.passes:
                failing = found
                break
            passing = found
    while abs(failing.value - passing.value) > tolerance:
        found = look(0.5 * (passing.value + failing.value))
        passing, failing = (found, failing) if found.passes else (passing, found)
    return passing, failing


def turned(
    name: str,
    look: Callable[[float], Look],
    today: float,
    ladders: tuple[Iterable[float], Iterable[float]],
    tolerance: Callable[[float], float],
    ahead: Callable[[Sequence[float]], list[Look]] | None = None,
    close: Callable[..., tuple[Look, Look]] = close_in,
) -> Knob:
    """Turn a knob along the first ladder while the day passes, along the second while it fails.

    A ladder holds the values tried in turn, until the verdict changes; a window between two of
    them is not seen. `ahead` looks at some of the next rungs at once, as `looks_at` does; one that
    the verdict's turn leaves out is no look. `close` closes in on the turn, as `close_in` does.
    """
    looks: dict[float, Look] = {}
    waiting: dict[float, Look] = {}

    def noted(value: float) -> Look:
        if value not in looks:
            looks[value] = look(value)
        return looks[value]

    def knob(greatest: float | None, limit: str | None, to: float, *, upwards: bool) -> Knob:
        seen = tuple(looks[value] for value in sorted(looks))
        return Knob(name, today, greatest, limit, first.passes, to, upwards, seen)

    before = first = noted(today)
    rungs = list(ladders[0 if first.passes else 1])
    for n, value in enumerate(rungs):
        if ahead is not None and value not in looks and value not in waiting:
            waiting = {seen.value: seen for seen in ahead(rungs[n:])}
        looks.update({value: waiting[value]} if value in waiting else {})
        found = noted(value)
        if found.passes == first.passes:
            before = found
            continue
        passing, failing = (before, found) if first.passes else (found, before)
        passing, failing = close(noted, passing, failing, tolerance(abs(failing.value)))
        upwards = failing.value > passing.value
        return knob(passing.value, failing.limit, found.value, upwards=upwards)
    if first.passes:
        return knob(before.value, None, before.value, upwards=before.value >= today)
    return knob(None, before.limit, before.value, upwards=True)
