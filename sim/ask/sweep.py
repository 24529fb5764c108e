"""What is the smallest pack for which it holds, and what stops the next smaller one?

Candidates are run through the standard `concurrent.futures.Executor`: threads on this machine
(the compiled march lets the interpreter lock go), or whatever else speaks that interface.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Executor, Future, as_completed
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from sim.ask.axes import MOST_CANDIDATES, PARALLEL, Axis, Changes, must_hold_number, replaced
from sim.ask.built_axes import following, refuse_new_count
from sim.ask.candidates import Base, Row, run_batch, value_of, varied
from sim.ask.whole import Whole, whole_run
from sim.errors import InputError
from sim.files.built_case import built_case, is_built
from sim.files.case import Case, assemble
from sim.physics.side_by_side import WIDTH


@dataclass(frozen=True)
class Plan:
    """What is to be run: every combination of the axes' values, the parallel count outermost."""

    base: Base
    axes: tuple[Axis, ...]
    candidates: tuple[Changes, ...]


@dataclass(frozen=True)
class Column:
    """All parallel counts at one value of the second axis (None without one), rising."""

    value: float | None
    rows: tuple[Row, ...]

    @cached_property
    def smallest(self) -> Row | None:
        """Return the smallest that passes."""
        return next((row for row in self.rows if row.passes), None)

    @cached_property
    def next_smaller(self) -> Row | None:
        """Return the candidate just below the smallest that passes, if one was tried."""
        if self.smallest is None:
            return None
        at = self.rows.index(self.smallest)
        return self.rows[at - 1] if at else None

    @cached_property
    def failing_above(self) -> tuple[Row, ...]:
        """Return larger packs than the smallest passing one that do not pass."""
        if self.smallest is None:
            return ()
        above = self.rows[self.rows.index(self.smallest) + 1 :]
        return tuple(row for row in above if not row.passes)


@dataclass(frozen=True)
class Sweep:
    """A finished or interrupted sweep: rows in the plan's order, of what is finished.

    `runs` are whole runs, audit and all, of the rows that the answer names.
    """

    plan: Plan
    rows: tuple[Row, ...]
    interrupted: bool
    runs: tuple[tuple[Row, Whole], ...] = ()

    @property
    def passed(self) -> bool:
        """Whether any candidate passes, and those named hold in a whole run."""
        some = any(row.passes for row in self.rows)
        return not self.interrupted and some and all(result.passed for _, result in self.runs)

    @cached_property
    def other(self) -> Axis | None:
        """Return the axis beside the parallel count."""
        return next((axis for axis in self.plan.axes if axis.key != PARALLEL), None)

    @cached_property
    def columns(self) -> tuple[Column, ...]:
        """Return the rows by the second axis's value; none where the parallel count is no axis."""
        if all(axis.key != PARALLEL for axis in self.plan.axes):
            return ()
        if self.other is None:
            return (Column(None, self.rows),)
        rows: dict[float, list[Row]] = {value: [] for value in self.other.values}
        for row in self.rows:
            rows[value_of(row, self.other.key)].append(row)
        return tuple(Column(value, tuple(own)) for value, own in rows.items())

    @cached_property
    def idle(self) -> tuple[Axis, ...]:
        """Return the axes whose values make no difference to any row of a finished sweep."""
        if self.interrupted:
            return ()
        return tuple(a for a in self.plan.axes if len(a.values) > 1 and self._makes_none(a))

    def _makes_none(self, axis: Axis) -> bool:
        alike: dict[Changes, Row] = {}
        for row in self.rows:
            others = tuple(one for one in row.changes if one[0] != axis.key)
            bare = replace(row, changes=(), digest="")
            if alike.setdefault(others, bare) != bare:
                return False
        return len(alike) < len(self.rows)

    @cached_property
    def smallest(self) -> Row | None:
        """Return the smallest pack that passes at any value, where it has the least room."""
        found = [c.smallest for c in self.columns if c.smallest is not None]
        return min(found, key=lambda row: (row.parallel, room_of(row)), default=None)

    @cached_property
    def everywhere(self) -> Row | None:
        """Return the smallest pack that passes at every value, where it has the least room."""
        if not self.columns:
            return None
        for same in zip(*(column.rows for column in self.columns), strict=False):
            if all(row.passes for row in same):
                return min(same, key=room_of)
        return None

    @cached_property
    def nearest(self) -> Row | None:
        """Return the candidate that comes nearest to passing, where none does.

        The one that lasts longest, and of those that last the day the one with most room: past an
        empty cell margins are numbers of no meaning.
        """
        if any(row.passes for row in self.rows):
            return None
        known = [row for row in self.rows if row.margin_worst is not None]
        return max(known, key=lambda row: (row.share_of_day, room_of(row)), default=None)

    @cached_property
    def closest_call(self) -> Row | None:
        """Return the passing candidate with the least room."""
        return min((row for row in self.rows if row.passes), key=room_of, default=None)

    @cached_property
    def next_failing(self) -> Row | None:
        """Return the failing candidate that comes nearest to passing; of one axis, next to one."""
        failing = [row for row in self.rows if not row.passes]
        if len(self.plan.axes) == 1:
            pairs = itertools.pairwise(self.rows)
            turns = [(one, other) for one, other in pairs if one.passes != other.passes]
            failing = [other if one.passes else one for one, other in turns] or failing
        return max(failing, key=room_of, default=None)


def room_of(row: Row) -> float:
    """Return how near a row comes to passing, or to failing; the least where no run told."""
    return -math.inf if row.margin_worst is None else row.margin_worst


def plan_of(content: dict[str, Any], path: Path, axes: Sequence[Axis]) -> Plan:
    """Return the plan for a scenario's content, its files read once.

    Raises InputError where the axes can't be varied: both ends of each are tried out.
    """
    keys = [axis.key for axis in axes]
    if len(set(keys)) < len(keys):
        raise InputError(f"{keys[0]} is varied twice; accepted: two different keys")
    count = 1
    for axis in axes:
        count *= len(axis.values)
        must_hold_number(axis.key, content, path)
    if count > MOST_CANDIDATES:
        raise InputError(f"{count} candidates are too many; accepted: up to {MOST_CANDIDATES}")
    axes = sorted(axes, key=lambda axis: axis.key != PARALLEL)
    named = [[(axis.key, value) for value in axis.values] for axis in axes]
    candidates = tuple(itertools.product(*named))
    refuse_new_count(content, axes, path)
    first = following(replaced(content, candidates[0]), candidates[0], path)
    base = Base(content, path, assemble(first, path))
    _try_out(base.case)
    for column in named:
        kept = [one for one in candidates[0] if one[0] != column[-1][0]]
        _try_out(varied(base, (*kept, column[-1])))
        for one in column:  # a [layout] may fit some counts only
            following(replaced(content, (*kept, one)), (one,), path)
    return Plan(base, tuple(axes), candidates)


def _try_out(case: Case) -> None:
    """Raise InputError where the packs of `case` can't be built."""
    if is_built(case.scenario):
        built_case(case)


def sweep(
    plan: Plan,
    executor: Executor,
    kept: Mapping[str, Row] | None = None,
    progress: Callable[[int], None] | None = None,
) -> Sweep:
    """Run all candidates, then once more and whole those that the answer names.

    `kept` are rows by the digest of their inputs, taken over where a candidate has the same;
    `progress` is told how many are finished. An interrupt (Ctrl-C) ends the sweep with the rows
    that are finished. Raises InputError where a candidate's numbers can't be used.
    """
    rows: dict[int, Row] = {}
    try:
        if kept:
            rows.update(_taken_over(plan, kept))
        if progress:
            progress(len(rows))
        _run(plan, executor, rows, progress)
        found = _in_order(plan, rows, interrupted=False)
        runs = [(row, whole_run(varied(plan.base, row.changes))) for row in _to_check(found)]
    except KeyboardInterrupt:
        return _in_order(plan, rows, interrupted=True)
    return replace(found, runs=tuple(runs))


def _in_order(plan: Plan, rows: dict[int, Row], *, interrupted: bool) -> Sweep:
    return Sweep(plan, tuple(row for _, row in sorted(rows.items())), interrupted)


def _taken_over(plan: Plan, kept: Mapping[str, Row]) -> dict[int, Row]:
    """Return the rows that are known already, by their place in the plan."""
    found = {}
    for at, changes in enumerate(plan.candidates):
        row = kept.get(varied(plan.base, changes).digest)
        if row is not None:
            found[at] = replace(row, changes=changes)
    return found


def _run(
    plan: Plan,
    executor: Executor,
    rows: dict[int, Row],
    progress: Callable[[int], None] | None,
) -> None:
    """Add the rows that are missing; where it is cut short, those that were finished by then.

    Candidates go to the executor as many at a time as are marched side by side; packs as built
    one by one.
    """
    width = 1 if is_built(plan.base.case.scenario) else WIDTH
    missing = [at for at in range(len(plan.candidates)) if at not in rows]
    batches = [missing[n : n + width] for n in range(0, len(missing), width)]
    futures: dict[Future[list[Row]], list[int]] = {}
    try:
        for batch in batches:
            changes = [plan.candidates[at] for at in batch]
            futures[executor.submit(run_batch, plan.base, changes)] = batch
        for future in as_completed(futures):
            rows.update(zip(futures[future], future.result(), strict=True))
            if progress:
                progress(len(rows))
    finally:  # cut short, by whatever: what was finished is kept
        for future in futures:
            future.cancel()
        for future, batch in futures.items():
            if future.done() and not future.cancelled() and future.exception() is None:
                rows.update(zip(batch, future.result(), strict=True))


def _to_check(found: Sweep) -> list[Row]:
    """Return the passing rows that the answer will name."""
    wanted = [found.smallest, found.everywhere] if found.columns else [found.closest_call]
    named: list[Row] = []
    for row in wanted:
        if row is not None and row not in named:
            named.append(row)
    return named
