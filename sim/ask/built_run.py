"""The day of a pack as built, hour by hour, so that any hour can be taken up again."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.files.built_case import BuiltCase
from sim.files.built_day import hours_s
from sim.integrate import built_march as march
from sim.integrate.built_records import DONE_S, FLOWS_S, OPENS_S, Bench, Run, Settings
from sim.physics.board import Switches, paths
from sim.physics.built import ASKED, SHORT, State, copied

UNDELIVERED = 1e-3  # of the load, past which the day's work was not done


@dataclass(frozen=True)
class Hour:
    """How things stand as a leg begins: the cells, the switches, and which windows are done."""

    leg: int
    time_s: float
    state: State
    switches: Switches
    charged: NDArray[np.bool_]
    windows: NDArray[np.float64]


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
    run, good = None, True
    for first, last in itertools.pairwise(edges):
        if first >= last:
            continue
        hours.append(_standing(first, float(case.legs.start_s[first]), state, bench))
        run = march.go_on(
            built, thresholds, limits, case.legs, case.day, case.start, state, bench, settings,
            first, last,
        )  # fmt: skip
        good = good and run.settled
        if run.stopped_by is not None:
            break
    assert run is not None  # a day has a leg
    return replace(run, settled=good), hours


def _standing(leg: int, time_s: float, state: State, bench: Bench) -> Hour:
    now = bench.switches
    switches = now._replace(
        beyond_since_s=now.beyond_since_s.copy(),
        tripped_s=now.tripped_s.copy(),
        trips=now.trips.copy(),
    )
    windows, charged = bench.past.windows.copy(), bench.past.charged.copy()
    return Hour(leg, time_s, copied(state), switches, charged, windows)


def taken_up(
    case: BuiltCase, hour: Hour, settings: Settings, side: str = "stated"
) -> tuple[State, Bench]:
    """Return a state and a bench of their own that stand as `hour` does, their book empty.

    What is tripped is tripped, and what is charged is not charged again.
    """
    thresholds, state = case.thresholds[side], copied(hour.state)
    bench = march.bench_for(
        case.built, thresholds, case.legs, case.day, state, keep_rows=settings.keep
    )
    bench.switches.beyond_since_s[:] = hour.switches.beyond_since_s
    bench.switches.tripped_s[:] = hour.switches.tripped_s
    bench.switches.trips[:] = hour.switches.trips
    bench.past.charged[:], bench.past.windows[:] = hour.charged, hour.windows
    if len(thresholds.trip):
        paths(thresholds, bench.switches, bench.work.flags)
    return state, bench


def part(
    case: BuiltCase, hour: Hour, state: State, bench: Bench, settings: Settings,
    first: int, last: int | None, side: str = "stated",
) -> Run:  # fmt: skip
    """March the legs `first` to `last` - 1 of what was taken up at `hour`."""
    return march.go_on(
        case.built, case.thresholds[side], case.case.limits, case.legs, case.day, hour.state,
        state, bench, settings, first, last,
    )  # fmt: skip


def onward(
    case: BuiltCase, hour: Hour, settings: Settings, last: int | None = None, side: str = "stated"
) -> Run:
    """March on from an hour, up to leg `last`, with a book of its own."""
    state, bench = taken_up(case, hour, settings, side)
    return part(case, hour, state, bench, settings, hour.leg, last, side)


def never_charged(run: Run) -> NDArray[np.bool_]:
    """Return in which stays at the charger no current ever flowed though the pack was not full."""
    rows = run.past.windows
    return np.isfinite(rows[:, OPENS_S]) & np.isnan(rows[:, FLOWS_S]) & np.isnan(rows[:, DONE_S])


def undelivered(run: Run) -> float:
    """Return the share of the energy asked that was not delivered."""
    asked_J, short_J = (float(run.state.box_sums[at]) for at in (ASKED, SHORT))
    return short_J / asked_J if asked_J > 0.0 else 0.0
