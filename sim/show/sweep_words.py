"""A sweep in plain words: the smallest pack that passes, and what stops the next smaller one."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from sim.ask.axes import PARALLEL, Axis, text_of
from sim.ask.built_axes import SIZES
from sim.ask.built_seen import NEVER, NOT_DELIVERED, STILL_CHANGES, cells_marched
from sim.ask.candidates import AUDIT, NO_ANSWER, Row, value_of
from sim.ask.sweep import Column, Sweep, room_of
from sim.files.built_case import built_case, is_built
from sim.files.case import Case, guesses
from sim.judge.verdict import ABOUT, EVENTS
from sim.physics.limits import HOT, NAMES, UNITS
from sim.show.days_words import ALIKE_IS
from sim.show.lines import at, hung, number, room
from sim.show.one_out_words import clause, told
from sim.show.sentences import CAUTION, INDENT

TOLD = {
    NEVER: "charging never begins",
    NOT_DELIVERED: "energy asked is not delivered",
    STILL_CHANGES: "days that still change at the bound",
    AUDIT: "a run that can't be believed",
    NO_ANSWER: "a run that can't be believed",
    "": "a run that can't be believed",
}
MOST_LINES = 40  # of a table on the terminal; sweep.csv has them all
LEAD = 3  # rows shown on either side of a change, where not all fit


def event_of(name: str) -> str:
    """Return what it is called when a limit gives, or why a run can't be believed."""
    if name in NAMES:
        return EVENTS[NAMES.index(name)]
    return TOLD.get(name) or f"{name.replace('_', ' ')} trips"


def first_event(row: Row) -> str:
    """Return what gives first of a row that does not pass, and where in a pack as built."""
    assert row.first_limit is not None
    said = event_of(row.first_limit)
    if row.first_limit == NOT_DELIVERED:
        said = f"{100.0 * row.undelivered:.1f} % of the {said}"
    if row.may:
        said = said.removesuffix(" trips") + " may trip (inside its tolerance)"
    return f"{said} ({row.first_where})" if row.first_where else said


def lacking(row: Row, name: str) -> str:
    """Return ", 1.3 % short" of a limit; nothing where the miss is too short to have a size."""
    margin = row.margins.get(name, 0.0)
    if margin >= 0.0 or name not in NAMES:
        return ""
    unit = UNITS[NAMES.index(name)]
    return f", {room(margin, unit)} {'over' if ABOUT[NAMES.index(name)][1] < 0 else 'short'}"


def failure(case: Case, row: Row) -> str:
    """Return "charge below reserve at 17:02, 1.3 % short": what gives first."""
    if row.complaint is not None:
        return f"a run that can't be believed ({row.complaint})"
    assert row.first_limit is not None
    words = first_event(row)
    if row.first_time_s is not None:
        words += f" {at(case, row.first_time_s)}"
    said = f"{words}{lacking(row, row.first_limit)}"
    if row.unanswered:
        return f"{said}, where the model knows nothing"
    # Never rounded up: what stops short of the end does not last 100 %.
    return said if row.finished else f"{said}; lasts {int(100.0 * row.share_of_day)} % of the day"


def spare(row: Row) -> str:
    """Return "2.1 % above reserve"-like room to the nearest limit of a row that passes."""
    name = row.nearest_limit
    assert name is not None
    margin = row.margins[name]
    number_ = NAMES.index(name)
    return f"{room(margin, UNITS[number_])} left until {EVENTS[number_]}"


def pack(row: Row) -> str:
    """Return "16 in parallel (224 cells, 10.5 kg, cost 672)"."""
    cost = "" if row.cost is None else f", cost {row.cost:.2f}".removesuffix(".00")
    return f"{row.parallel} in parallel ({row.cells} cells, {row.mass_kg:.1f} kg{cost})"


def extent(axis: Axis) -> str:
    """Return "6 to 30", "30 to 45"."""
    first, last = text_of(axis.values[0]), text_of(axis.values[-1])
    return first if first == last else f"{first} to {last}"


def stretches(values: Sequence[float], wanted: Iterable[bool]) -> str:
    """Return "6 to 12, 15": neighbouring values that are wanted, as stretches."""
    runs: list[list[float]] = []
    before = False
    for value, is_wanted in zip(values, wanted, strict=True):
        if is_wanted and before:
            runs[-1][1:] = [value]
        elif is_wanted:
            runs.append([value])
        before = is_wanted
    return ", ".join(" to ".join(text_of(value) for value in run) for run in runs)


def where(row: Row, axis: Axis | None) -> str:
    """Return " at ambient.high_C = 45"; nothing without a second axis."""
    return "" if axis is None else f" at {axis.key} = {text_of(value_of(row, axis.key))}"


def answer(sweep: Sweep) -> str:
    """Return the whole answer in one line."""
    case = sweep.plan.base.case
    if sweep.interrupted:
        total = len(sweep.plan.candidates)
        return f"Interrupted: {len(sweep.rows)} of {total} candidates are finished; no answer yet."
    doubts = [
        f"{pack(row)}: {'; '.join(result.audit.complaints) or 'fails in a whole run'}"
        for row, result in sweep.runs
        if not result.passed
    ]
    doubt = f"Do not trust this answer: {'; '.join(doubts)}. " if doubts else ""
    if not any(row.passes for row in sweep.rows):
        said = _none_passes(sweep, case)
    elif not sweep.columns:
        said = _without_parallel(sweep, case)
    elif sweep.other is None:
        said = _one_axis(sweep, case)
    else:
        said = _two_axes(sweep, case)
    return doubt + said + _one_pack_out(sweep)


def _one_pack_out(sweep: Sweep) -> str:
    """Return a sentence a named candidate about one pack out; nothing for one pack."""
    said = ""
    for row, result in sweep.runs:
        words = clause(result.one_out).removeprefix("; ")
        if words and len(sweep.runs) > 1:
            said += f" {row.parallel} in parallel{where(row, sweep.other)}, {words}."
        elif words:
            said += f" {words[0].upper()}{words[1:]}."
    return said


def _none_passes(sweep: Sweep, case: Case) -> str:
    what = " and ".join(f"{axis.key} {extent(axis)}" for axis in sweep.plan.axes)
    row = sweep.nearest
    if row is None:
        return f"None of {len(sweep.rows)} candidates ({what}) passes, and none gives numbers."
    name = pack(row) + where(row, sweep.other) if sweep.columns else _values(sweep, row)
    others = [
        f"{event_of(limit)}{lacking(row, limit)}"
        for limit, margin in row.margins.items()
        if margin < 0.0 and limit != row.first_limit
    ]
    then = f"; then {'; '.join(others)}" if others else ""
    begin = f"None of {len(sweep.rows)} candidates ({what}) passes; nearest is {name}"
    if len(sweep.rows) == 1:
        begin = f"{name} does not pass"
    return f"{begin}: {failure(case, row)}{then}."


def _values(sweep: Sweep, row: Row) -> str:
    """Return "ambient.high_C = 45, load.scale = 0.8": where a row stands on all axes."""
    return ", ".join(f"{a.key} = {text_of(value_of(row, a.key))}" for a in sweep.plan.axes)


def _stopped(column: Column, case: Case, axis: Axis | None = None) -> str:
    """Return what stops the next smaller pack."""
    row = column.next_smaller
    if row is None:
        return "nothing smaller was tried"
    return f"{row.parallel} does not{where(row, axis)}: {failure(case, row)}"


def _larger_that_fail(column: Column, case: Case) -> str:
    """Return a sentence where the answer is not monotone: larger packs that fail."""
    if not column.failing_above:
        return ""
    counts = stretches(
        [row.parallel for row in column.rows], [row in column.failing_above for row in column.rows]
    )
    names = sorted({event_of(row.first_limit or "") for row in column.failing_above})
    return f" But not every larger pack passes: {counts} in parallel fail ({', '.join(names)})."


def _if(sweep: Sweep, row: Row) -> str:
    """Return ", if the guesses hold" where a row does not pass with all of them at a bad end."""
    hangs = any(same is row and not run.bad_end.passed for same, run in sweep.runs)
    return " if the guesses hold" if hangs else ""


def _one_axis(sweep: Sweep, case: Case) -> str:
    column = sweep.columns[0]
    row = column.smallest
    assert row is not None
    return (
        f"Smallest pack that passes{_if(sweep, row)}: {pack(row)}, {spare(row)}; "
        f"{_stopped(column, case)}."
        f"{_larger_that_fail(column, case)}"
    )


def _two_axes(sweep: Sweep, case: Case) -> str:
    axis, low, all_over = sweep.other, sweep.smallest, sweep.everywhere
    assert axis is not None and low is not None
    column = next(c for c in sweep.columns if c.value == value_of(low, axis.key))
    if all_over is None:
        said = (
            f"No pack passes at every {axis.key} of {extent(axis)}; the smallest that passes at "
            f"any{_if(sweep, low)} is {pack(low)}, {_at_which(sweep, low, axis)}: {spare(low)}"
            f"{where(low, axis)}; {_stopped(column, case)}."
        )
    else:
        said = f"Smallest pack that passes at every {axis.key} of {extent(axis)}"
        said += (
            f"{_if(sweep, all_over)}: {pack(all_over)}, {spare(all_over)}{where(all_over, axis)}; "
        )
        said += _next_everywhere(sweep, all_over, axis, case)
        if low.parallel < all_over.parallel:
            said += f" {low.parallel} in parallel will do {_at_which(sweep, low, axis)}."
    odd = [c for c in sweep.columns if c.failing_above]
    if odd:
        values = stretches(
            [c.value or 0.0 for c in sweep.columns], [c in odd for c in sweep.columns]
        )
        said += f" But not every larger pack passes at {axis.key} = {values}."
    return said


def _at_which(sweep: Sweep, row: Row, axis: Axis) -> str:
    """Return "at ambient.high_C = 30 to 44": where this parallel count passes."""
    same = [r for r in sweep.rows if r.parallel == row.parallel]
    values = [value_of(r, axis.key) for r in same]
    return f"at {axis.key} = {stretches(values, [r.passes for r in same])}"


def _next_everywhere(sweep: Sweep, all_over: Row, axis: Axis, case: Case) -> str:
    """Return what stops the next smaller pack at the value where it lacks most."""
    counts = next(a for a in sweep.plan.axes if a.key == PARALLEL).values
    at_count = counts.index(all_over.parallel)
    if at_count == 0:
        return "nothing smaller was tried."
    below = [row for row in sweep.rows if row.parallel == counts[at_count - 1] and not row.passes]
    worst = min(below, key=room_of)
    return f"{worst.parallel} does not{where(worst, axis)}: {failure(case, worst)}."


def _without_parallel(sweep: Sweep, case: Case) -> str:
    passing = sum(row.passes for row in sweep.rows)
    close = sweep.closest_call
    assert close is not None
    if len(sweep.plan.axes) == 2:
        one, two = sweep.plan.axes
        said = f"{passing} of {len(sweep.rows)} pairs of {one.key} and {two.key} pass"
    else:
        axis = sweep.plan.axes[0]
        said = f"Passes at {axis.key} = {stretches(axis.values, [r.passes for r in sweep.rows])}"
    said += f"{_if(sweep, close)}; the closest call is {_values(sweep, close)}, {spare(close)}"
    row = sweep.next_failing
    if row is None:
        return f"{said}; every value tried passes."
    return f"{said}; {_values(sweep, row)} does not: {failure(case, row)}."


def table(sweep: Sweep) -> list[str]:
    """Return the lines of the table: rows, or with two axes the smallest pack at each value."""
    if sweep.other is not None and sweep.columns:
        return _by_value(sweep)
    names = [axis.key for axis in sweep.plan.axes]
    head = "".join(f"{name.rpartition('.')[2]:>{_wide(name)}}" for name in names)
    lines = [
        f"{head}  {'passes':<7}{'gives first':<30}{'hottest':>8}{'lowest':>8}{'charge':>8}{'kg':>8}"
    ]
    shown = _worth_showing([row.first_limit for row in sweep.rows])
    for i, row in enumerate(sweep.rows):
        if i in shown:
            lines.append(_line(row, names))
        elif i - 1 in shown:
            lines.append("     ...")
    return lines


def _wide(name: str) -> int:
    return max(9, len(name.rpartition(".")[2]) + 2)


def _line(row: Row, names: list[str]) -> str:
    values = "".join(f"{text_of(value_of(row, name)):>{_wide(name)}}" for name in names)
    gives = event_of(row.first_limit) if row.first_limit else ""
    gives = gives if len(gives) < 30 else f"{gives[:26]}..."
    if row.hottest_core_C is None or row.lowest_cell_V is None or row.end_soc is None:
        return f"{values}  {'no':<7}{gives:<30}"
    return (
        f"{values}  {'yes' if row.passes else 'no':<7}{gives:<30}"
        f"{number(row.hottest_core_C, UNITS[HOT]):>8}{number(row.lowest_cell_V, 'V'):>8}"
        f"{number(charge_of(row), '%', row.margins.get('reserve', 0.0)):>8}{row.mass_kg:>8.1f}"
    )


def charge_of(row: Row) -> float:
    """Return the charge left [%]: at the end, or at the least where days are charged again."""
    left = row.end_soc if row.least_soc is None else row.least_soc
    return math.nan if left is None else 100.0 * left


def _worth_showing(kinds: list[str | None]) -> set[int]:
    """Return which rows are shown: all, or the ends and those about a change of what gives."""
    count = len(kinds)
    if count <= MOST_LINES:
        return set(range(count))
    changes = [0, count, *(i for i in range(1, count) if kinds[i] != kinds[i - 1])]
    return {i for c in changes for i in range(c - LEAD, c + LEAD) if 0 <= i < count}


def _by_value(sweep: Sweep) -> list[str]:
    axis, case = sweep.other, sweep.plan.base.case
    assert axis is not None
    name = axis.key.rpartition(".")[2]
    lines = [f"{name:>{_wide(axis.key)}}{'smallest':>10}{'cells':>7}{'kg':>8}  the next smaller"]
    shown = _worth_showing(
        [None if c.smallest is None else str(c.smallest.parallel) for c in sweep.columns]
    )
    for i, column in enumerate(sweep.columns):
        value = f"{text_of(column.value or 0.0):>{_wide(axis.key)}}"
        row = column.smallest
        if i not in shown:
            lines += ["     ..."] if i - 1 in shown else []
        elif row is None:
            best = max(column.rows, key=room_of)
            lines.append(f"{value}{'none':>10}{'':>15}  {best.parallel}: {failure(case, best)}")
        else:
            lines.append(
                f"{value}{row.parallel:>10}{row.cells:>7}{row.mass_kg:>8.1f}  "
                f"{_stopped(column, case)}"
            )
    return lines


def report(sweep: Sweep) -> list[str]:
    """Return everything that `sweep` prints, the answer first."""
    case = sweep.plan.base.case
    lines = [answer(sweep), "", *table(sweep), ""]
    for row, result in sweep.runs:
        audit = "passed" if result.audit.passed else "; ".join(result.audit.complaints)
        name = pack(row) + where(row, sweep.other) if sweep.columns else _values(sweep, row)
        lines += hung("audit", f"whole run of {name}: {audit}", INDENT)
        if result.one_out is not None:
            lines += hung("pack out", f"{name}: {told(result.case, result.one_out)}", INDENT)
    balances = sum(row.complaint is not None for row in sweep.rows)
    lines += hung(
        "balances", f"close in {len(sweep.rows) - balances} of {len(sweep.rows)} candidates", INDENT
    )
    load = case.scenario.load
    if load.until_it_repeats:
        said = f"each candidate is run until they repeat or one fails, {load.most_days} at the most"
        lines += hung("days", f"{said}; alike is {ALIKE_IS}", INDENT)
    for note in (*notes(sweep), *case.notes):
        lines += hung("note", note, INDENT)
    found = guesses(case)
    if found:
        lines += hung("guesses", ", ".join(g["what"] for g in found), INDENT)
    return [*lines, "", *hung("", CAUTION, 0)]


def notes(sweep: Sweep) -> list[str]:
    """Return what a reader of the answer should know of how the candidates were made."""
    said = [
        f"{axis.key} = {text_of(axis.missed)} is not tried: the steps from "
        f"{text_of(axis.values[0])} end at {text_of(axis.values[-1])}"
        for axis in sweep.plan.axes
        if axis.missed is not None
    ]
    said += [f"{axis.key} makes no difference to the day of any candidate" for axis in sweep.idle]
    return [*said, *as_built(sweep)]


def as_built(sweep: Sweep) -> list[str]:
    """Return how packs as built were run: which cells, and what followed their count."""
    case = sweep.plan.base.case
    if not is_built(case.scenario):
        return []
    said = [cells_marched(built_case(case))]
    keys, layout = {axis.key for axis in sweep.plan.axes}, case.scenario.layout
    if layout is not None and keys & set(SIZES):
        said.append(
            "the module grows and shrinks with the pack: its side along the series stays "
            f"(the first candidate has [layout] rows {layout.rows}, columns {layout.columns})"
        )
    return said
