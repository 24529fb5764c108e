"""What a sweep leaves: sweep.csv, summary.json, pictures, and its rows to go on with."""

from __future__ import annotations

import csv
import json
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from sim import __version__
from sim.ask.axes import PARALLEL, text_of
from sim.ask.candidates import POWER_SHARE, SCALES, Row, row_from, value_of
from sim.ask.sweep import Column, Sweep
from sim.ask.whole import Whole, assumptions_of
from sim.errors import InputError
from sim.files.case import Case, guesses
from sim.physics.compiled import PACKAGE, digest_of
from sim.physics.limits import NAMES, UNITS
from sim.show.folder import written_whole
from sim.show.sentences import CAUTION
from sim.show.summary import inputs
from sim.show.sweep_words import answer, event_of, notes
from sim.show.whole import whole_summary
from sim.units import clock_text

KEPT = "candidates.jsonl"
DECIMALS = {
    "margin_worst": 6,
    "hottest_core_C": 3,
    "lowest_cell_V": 5,
    "end_soc": 6,
    "energy_out_Wh": 3,
    "mass_kg": 4,
}
MARGINS_ARE = (
    "the least of all margins of the same day gone on with past its limits, each over its scale: "
    + ", ".join(f"{unit} over {scale:g}" for unit, scale in SCALES.items())
    + f", W over {100 * POWER_SHARE:g} % of the greatest load"
)


def columns(sweep: Sweep) -> list[str]:
    """Return the header of sweep.csv."""
    others = [axis.key for axis in sweep.plan.axes if axis.key != PARALLEL]
    load = sweep.plan.base.case.scenario.load
    days = ["days_run", "repeats_from"] if load.until_it_repeats else []
    return [
        "parallel", *others, "passes", "first_limit", "margin_worst", "hottest_core_C",
        "lowest_cell_V", "end_soc", "energy_out_Wh", "cells", "mass_kg", *days,
    ]  # fmt: skip


def cell_text(row: Row, name: str) -> str:
    """Return what stands in sweep.csv of a row under a name."""
    if name == "passes":
        return "true" if row.passes else "false"
    known = {field.name for field in fields(row)}
    value = getattr(row, name) if name in known else value_of(row, name)
    if value is None:
        return ""
    if name == "margin_worst":  # a small miss must not read as none
        return repr(round(value, DECIMALS[name]) or float(f"{value:.1g}") + 0.0)
    if name in DECIMALS:
        return repr(round(value, DECIMALS[name]) + 0.0)  # never "-0.0"
    return value if isinstance(value, str) else text_of(value)


def write_rows(sweep: Sweep, path: Path) -> None:
    """Write sweep.csv, one row a candidate; numbers that no run gave are left empty."""
    names = columns(sweep)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(names)
        writer.writerows([cell_text(row, name) for name in names] for row in sweep.rows)


def _made_by() -> dict[str, str]:
    """Return which Stillair marches here: its version, and a hash of what is compiled.

    Between two versions there are others.
    """
    return {"stillair": __version__, "march": digest_of(PACKAGE)}


def write_kept(sweep: Sweep, path: Path) -> None:
    """Write every row whole, so that `--resume` can take it over where its inputs are the same."""
    lines = [json.dumps(_made_by())]
    lines += [json.dumps(asdict(row), allow_nan=False) for row in sweep.rows]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def read_kept(folder: Path) -> dict[str, Row]:
    """Return the rows that an earlier sweep left in `folder`, by the digest of their inputs.

    None are found where there is no such file, or another Stillair wrote it. Raises InputError
    where it is no such file.
    """
    path = folder / KEPT
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        return {}
    except (OSError, UnicodeDecodeError) as problem:
        raise InputError(f"{path} can't be read: {problem}; leave --resume out") from None
    try:
        first, *rest = text.splitlines()
        made_by = json.loads(first)
        if made_by["stillair"] != __version__ or made_by != _made_by():
            return {}
        rows = [row_from(line) for line in rest]
    except (ValueError, TypeError, KeyError) as problem:
        raise InputError(
            f"{path} was not written by a sweep ({problem}); leave --resume out"
        ) from None
    return {row.digest: row for row in rows}


def summary_of(sweep: Sweep) -> dict[str, Any]:
    """Return the summary: the answer, what stops the next smaller, and how it was checked."""
    plan, case = sweep.plan, sweep.plan.base.case
    low, all_over, nearest = sweep.smallest, sweep.everywhere, sweep.nearest
    done = not sweep.interrupted
    return {
        "stillair": __version__,
        "command": "sweep",
        "title": case.scenario.title,
        "scenario": plan.base.path.name,
        "axes": [{"key": axis.key, "values": list(axis.values)} for axis in plan.axes],
        "candidates": len(plan.candidates),
        "finished": len(sweep.rows),
        "interrupted": sweep.interrupted,
        "verdict": {"passed": sweep.passed, "sentence": answer(sweep)},
        "passing": sum(row.passes for row in sweep.rows),
        "smallest_parallel": low.parallel if done and low else None,
        "smallest": _row(low) if done and low else None,
        "stopped_by": _below(sweep) if done else None,
        "smallest_parallel_everywhere": all_over.parallel if done and all_over else None,
        "monotone": None if not sweep.columns else not any(c.failing_above for c in sweep.columns),
        "by_value": [_column(column, case) for column in sweep.columns] if done else [],
        "nearest": None
        if not done or nearest is None
        else {**_row(nearest), "lacks": lacks(nearest)},
        "whole_runs": [_run(row, result) for row, result in sweep.runs],
        "margin_worst_is": MARGINS_ARE,
        "unbelievable": [_row(row) for row in sweep.rows if row.complaint is not None],
        "guesses": guesses(case),
        "assumptions": assumptions_of(case),
        "notes": [*notes(sweep), *case.notes],
        "inputs": inputs(case),
        "caution": CAUTION,
    }


def _row(row: Row) -> dict[str, Any]:
    """Return a row under the names of sweep.csv, with its cost."""
    content = {key: value for key, value in asdict(row).items() if key not in ("changes", "levels")}
    return {"values": dict(row.changes), **content}


def lacks(row: Row) -> list[dict[str, Any]]:
    """Return each limit that a row passes, and by how much."""
    return [
        {
            "limit": name,
            "event": event_of(name),
            "lacks": -margin,
            "unit": UNITS[NAMES.index(name)],
        }
        for name, margin in row.margins.items()
        if margin < 0.0
    ]


def _below(sweep: Sweep) -> dict[str, Any] | None:
    """Return what stopped the candidate next smaller than the smallest that passes."""
    for column in sweep.columns:
        if column.smallest is not None and column.smallest is sweep.smallest:
            below = column.next_smaller
            return None if below is None else _stopped(below, sweep.plan.base.case)
    return None


def _column(column: Column, case: Case) -> dict[str, Any]:
    low, below = column.smallest, column.next_smaller
    return {
        "value": column.value,
        "smallest_parallel": None if low is None else low.parallel,
        "stopped_by": None if below is None else _stopped(below, case),
        "fails_above": [row.parallel for row in column.failing_above],
    }


def _stopped(row: Row, case: Case) -> dict[str, Any]:
    clock = None
    if row.first_time_s is not None:
        clock = clock_text(case.start_clock_s + row.first_time_s, seconds=True)
    return {
        "parallel": row.parallel,
        "limit": row.first_limit,
        "event": event_of(row.first_limit or ""),
        "time_s": row.first_time_s,
        "clock": clock,
        "lacks": lacks(row),
    }


def _run(row: Row, result: Whole) -> dict[str, Any]:
    """Return how a named candidate fared in a whole run, its audit in full."""
    whole = whole_summary(result)
    return {
        "values": dict(row.changes),
        "digest": row.digest,
        "passed": result.passed,
        "sentence": whole["verdict"]["sentence"],
        "bad_end": whole["bad_end"],
        "one_pack_out": whole["one_pack_out"],
        "audit": whole["audit"],
    }


def write_sweep(sweep: Sweep, folder: Path, *, plots: bool, suffix: str = "png") -> dict[str, Any]:
    """Write the whole result into `folder`, or leave it as it was, and return the summary.

    The picture's `suffix` is its format. Raises OutputError.
    """
    content = summary_of(sweep)
    with written_whole(folder) as fresh:
        write_rows(sweep, fresh / "sweep.csv")
        write_kept(sweep, fresh / KEPT)
        text = json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False)
        (fresh / "summary.json").write_text(text + "\n", "utf-8", errors="backslashreplace")
        if plots and not sweep.interrupted:
            from sim.show.sweep_plots import picture

            picture(sweep, fresh / f"sweep.{suffix}")
    return content
