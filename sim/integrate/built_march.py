"""The day of a pack as built, marched in steps that end at edges, switchings and limits."""

from __future__ import annotations

import numpy as np

from sim.drive.legs import Legs
from sim.integrate.built_look import (
    AFTER,
    BEFORE,
    MARGINS,
    ROW,
    WORST,
    WORST_S,
    empty_book,
    margin_rows,
)
from sim.integrate.built_loop import run
from sim.integrate.built_middle import take_middle
from sim.integrate.built_records import (
    COLUMNS,
    EDGE,
    STEPS,
    WHICH_LIMIT,
    Bench,
    Day,
    Desk,
    Past,
    Run,
    Settings,
)  # fmt: skip
from sim.integrate.built_work import abreast, room_for, widened
from sim.integrate.trace import KEPT_S
from sim.physics.abreast import in_line
from sim.physics.board import Thresholds, all_closed
from sim.physics.built import Built, State, copied
from sim.physics.film import tabled
from sim.physics.limits import BEYOND_MODEL, COUNT, STOPS_DRIVE, Limits

AS_SHIPPED = Settings()
__all__ = ["Bench", "Day", "Run", "Settings", "bench_for", "go_on", "march"]


def rows_of(legs: Legs) -> int:
    """Return how many instants of the legs are kept at the most, switchings apart."""
    length_s = legs.end_s - legs.start_s
    return int(np.sum(np.ceil(length_s / KEPT_S) + 2))


def bench_for(
    built: Built, thresholds: Thresholds, legs: Legs, day: Day, state: State, *, keep_rows: bool
) -> Bench:
    """Return the arrays for a run over `legs`."""
    packs, windows = built.pack.shape[1], int(day.window.max(initial=-1)) + 1
    work = room_for(built)
    past = Past(
        np.empty((rows_of(legs) if keep_rows else 0, COLUMNS + 3 * packs)),
        np.zeros(1, dtype=np.intp),
        np.full((windows, 4), np.nan),
        np.zeros(windows, dtype=np.bool_),
        np.zeros(3),
    )
    desk = Desk(
        np.full((MARGINS, len(ROW)), np.inf), np.full(COUNT, -1, dtype=np.intp),
        np.zeros_like(work.seen), np.zeros(4), np.zeros(7, dtype=np.intp),
    )  # fmt: skip
    saved = copied(state)
    saved = widened(saved, abreast(built))
    return Bench(work, empty_book(built), past, all_closed(thresholds), desk, saved)


def march(
    built: Built,
    thresholds: Thresholds,
    limits: Limits,
    legs: Legs,
    day: Day,
    start: State,
    settings: Settings = AS_SHIPPED,
) -> Run:
    """March `legs` from `start`, or until a limit ends the run; `start` is left as it is."""
    state = copied(start)
    bench = bench_for(built, thresholds, legs, day, state, keep_rows=settings.keep)
    return go_on(built, thresholds, limits, legs, day, start, state, bench, settings)


def go_on(
    built: Built,
    thresholds: Thresholds,
    limits: Limits,
    legs: Legs,
    day: Day,
    start: State,
    state: State,
    bench: Bench,
    settings: Settings,
    first: int = 0,
    last: int | None = None,
) -> Run:
    """March the legs `first` to `last`, `state` and `bench` in place, and return the run so far."""
    way = abreast(built._replace(film=tabled(built.film)))
    ready, wide = way.built, widened(state, way)
    extremes = in_line(np.ascontiguousarray(bench.book.extremes[:, way.source]))
    book = bench.book._replace(extremes=extremes)
    desk = bench.desk._replace(margin=margin_rows(limits, book))
    desk.margin[[BEFORE, AFTER]] = bench.desk.margin[[BEFORE, AFTER]]
    work = bench.work._replace(facets=in_line(bench.work.facets))
    stops = np.zeros(COUNT, dtype=np.bool_)
    stops[[*STOPS_DRIVE, BEYOND_MODEL] if settings.stop_at_limits else [BEYOND_MODEL]] = True
    if bench.past.last[STEPS] == 0.0:
        take_middle(ready, work, wide)
    bench.past.last[WHICH_LIMIT] = -1.0
    bench.desk.turn[:] = (first, EDGE, 0, 1, 0, -1, 0)
    bench.desk.pace[:] = (legs.start_s[first], 0.0, 0.0, np.inf)
    settled = run(
        ready, thresholds, bench.switches, limits, legs, day,
        len(legs.start_s) if last is None else last, wide, bench.saved, work, book,
        bench.past, desk, stops, settings.longest_step_s,
    )  # fmt: skip
    state.cells[:] = wide.cells[:, way.home]
    bench.desk.margin[:] = desk.margin
    book.worst[:], book.worst_s[:] = desk.margin[WORST, :COUNT], desk.margin[WORST_S, :COUNT]
    bench.book.extremes[:] = extremes[:, way.home]
    end_s, which, steps = bench.past.last.tolist()
    return Run(
        built, legs, day, state, bench.book, bench.switches, thresholds, bench.past, start,
        end_s, None if which < 0 else int(which), int(steps), bool(settled),
    )  # fmt: skip
