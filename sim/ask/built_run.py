"""The day of a pack as built, hour by hour, so that any hour can be taken up again."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from sim.files.built_case import BuiltCase
from sim.files.built_day import hours_s
from sim.integrate import built_march as march
from sim.integrate.built_records import Run, Settings
from sim.physics.built import State, copied


@dataclass(frozen=True)
class Hour:
    """How things stand as a leg begins."""

    leg: int
    time_s: float
    state: State


def settings_of(case: BuiltCase, **over: Any) -> Settings:
    """Return how a run of `case` goes."""
    stop = case.case.scenario.limits.on_cutoff == "stop"
    return replace(Settings(stop_at_limits=stop), **over)


def through(
    case: BuiltCase, settings: Settings, side: str = "stated", *, hourly: bool = False
) -> tuple[Run, list[Hour]]:
    """March the day of `case` with its levels at a side of their tolerance.

    Returns the run, and how things stood at every full hour where asked for.
    """
    built, thresholds, limits = case.built, case.thresholds[side], case.case.limits
    state = copied(case.start)
    bench = march.bench_for(built, thresholds, case.legs, case.day, state, keep_rows=settings.keep)
    end = len(case.legs.start_s)
    edges = [0, end]
    if hourly:
        at_s = hours_s(float(case.legs.end_s[-1]))
        edges = [0, *np.searchsorted(case.legs.start_s, at_s).tolist(), end]
    hours: list[Hour] = []
    run = None
    for first, last in itertools.pairwise(edges):
        if first >= last:
            continue
        hours.append(Hour(first, float(case.legs.start_s[first]), copied(state)))
        run = march.go_on(
            built, thresholds, limits, case.legs, case.day, case.start, state, bench, settings,
            first, last,
        )  # fmt: skip
        if run.stopped_by is not None:
            break
    assert run is not None  # a day has a leg
    return run, hours


def onward(case: BuiltCase, hour: Hour, settings: Settings, last: int | None = None) -> Run:
    """March on from an hour with a book of its own; all switches begin closed."""
    thresholds = case.thresholds["stated"]
    state = copied(hour.state)
    bench = march.bench_for(
        case.built, thresholds, case.legs, case.day, state, keep_rows=settings.keep
    )
    return march.go_on(
        case.built, thresholds, case.case.limits, case.legs, case.day, hour.state, state, bench,
        settings, hour.leg, last,
    )  # fmt: skip
