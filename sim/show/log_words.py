"""How a log was understood, in words and as plain values: what `check LOG` prints."""

from __future__ import annotations

from typing import Any

import numpy as np

from sim import __version__
from sim.files.log_columns import LogTable
from sim.files.log_findings import LogFinding
from sim.files.log_summary import Amount, LogSummary
from sim.files.tables import Column
from sim.show.lines import hung, span
from sim.units import clock_text

INDENT = 9
SHOWN = 12  # columns named one by one; groups and legs together
WHAT = {"power": "W", "current": "A", "speed": "m/s", "voltage": "V", "temperature": "C"}


def answer(found: LogSummary) -> str:
    """Return the first line: whether the file can be used, and what it holds."""
    log, table = found.log, found.log.table
    rows = f"{len(table.time_s)} rows over {span(float(table.time_s[-1]))}"
    holds = [rows]
    if found.charge is not None:
        holds.append(_both_ways(found.charge, "Ah"))
    elif found.energy is not None:
        holds.append(_both_ways(found.energy, "Wh"))
    for column, word in ((_voltage(log), "lowest"), (log.temperature or log.ambient, "highest")):
        if column is not None and np.isfinite(column.values).any():
            extreme = np.nanmin if word == "lowest" else np.nanmax
            holds.append(f"{word} {extreme(column.values):.4g} {column.unit}")
    text = f"{table.path} can be read: {', '.join(holds)}."
    if found.faults:
        kinds = ", ".join(dict.fromkeys(f.kind.replace("_", " ") for f in found.faults))
        text += f" It shows a fault: {kinds}."
    return text


def _voltage(log: LogTable) -> Column | None:
    if log.voltage is not None:
        return log.voltage
    known = [g for g in log.groups if np.isfinite(g.values).any()]
    return min(known, key=lambda g: float(np.nanmin(g.values)), default=None)


def _both_ways(amount: Amount, unit: str) -> str:
    back = f" and {amount.back:.5g} {unit} in" if amount.back > 0.0 else ""
    return f"{amount.out:.5g} {unit} out{back}"


def report(found: LogSummary) -> list[str]:
    """Return all lines, the answer first, one line a thing understood or done."""
    log, table = found.log, found.log.table
    subjects = [("read as", table.rule)]
    if table.start_clock_s is not None:
        subjects.append(("clock", f"first row at {clock_text(table.start_clock_s, seconds=True)}"))
    subjects += [("column", _column_words(log, column)) for column in _listed(log)]
    for name, family in (("groups", log.groups), ("legs", log.legs)):
        if family:
            subjects.append((name, _family_words(family)))
    subjects += _flows(found)
    for gap in found.gaps:
        counts = "" if gap.charge_Ah is None else f", {gap.charge_Ah:.4g} Ah by that"
        what = f"{span(gap.length_s)} after line {gap.line}, whose values hold over it{counts}"
        subjects.append(("gap", what))
    if not found.gaps:
        subjects.append(("gaps", "none"))
    subjects += [("note", note.text) for note in found.notes]
    subjects += [
        ("fault" if finding.fault else "finding", f"line {finding.line}: {finding.text}")
        for finding in found.findings
    ]
    lines = [answer(found)]
    for label, text in subjects:
        lines += hung(label, text, INDENT)
    return lines


def _listed(log: LogTable) -> list[Column]:
    """Return the columns that are named one by one."""
    together = {id(c) for c in (*log.groups, *log.legs)}
    return [c for c in log.table.columns if id(c) not in together][:SHOWN]


def _part(log: LogTable, column: Column) -> str:
    """Return which part a column plays."""
    if column is log.load:
        return "the load, discharge positive" if column.quantity != "speed" else "the load"
    if column is log.voltage:
        return "voltage of the whole"
    if column is log.ambient:
        return "the air"
    if any(column is t for t in log.temperatures):
        return "a cell's or the pack's temperature"
    if column.quantity == "state":
        return "words, by which the sign of the current is checked"
    return "not used"


def _column_words(log: LogTable, column: Column) -> str:
    known = column.values[np.isfinite(column.values)]
    if column.quantity in ("state", "unknown"):
        return f"'{column.header}': {_part(log, column)}"
    if not known.size:
        return f"'{column.header}': {column.quantity}, without a number; not used"
    blanks = len(column.values) - known.size
    gone = f", {blanks} rows without" if blanks else ""
    return (
        f"'{column.header}': {column.quantity}, {known.min():.5g} to {known.max():.5g} "
        f"{column.unit}{gone}; {_part(log, column)}"
    )


def _family_words(family: tuple[Column, ...]) -> str:
    known = [c for c in family if np.isfinite(c.values).any()]
    names = f"{len(family)} voltages, '{family[0].header}' to '{family[-1].header}'"
    if not known:
        return f"{names}, none connected"
    lowest = min(known, key=lambda c: float(np.nanmin(c.values)))
    highest = max(known, key=lambda c: float(np.nanmax(c.values)))
    values = np.stack([c.values for c in known])
    apart = np.fmax.reduce(values) - np.fmin.reduce(values)
    return (
        f"{names}, {len(known)} connected: lowest {np.nanmin(lowest.values):.3f} V "
        f"('{lowest.header}'), highest {np.nanmax(highest.values):.3f} V ('{highest.header}'), at "
        f"most {1e3 * float(np.nanmax(apart)):.0f} mV apart"
    )


def _flows(found: LogSummary) -> list[tuple[str, str]]:
    subjects = []
    for label, amount, unit, by in (
        ("charge", found.charge, "Ah", "each value held until the next row"),
        ("energy", found.energy, "Wh", f"{found.energy_by}, held likewise"),
    ):
        if amount is not None:
            gap = f", of it {amount.in_gaps:.5g} in gaps" if found.gaps else ""
            words = f"{_both_ways(amount, unit)}, net {amount.net:.5g} {unit}{gap}; {by}"
            words += f" ({amount.straight:.5g} net by straight lines)"
            subjects.append((label, words))
    return subjects


def content(found: LogSummary) -> dict[str, Any]:
    """Return the same as plain values: what `--json` prints."""
    log, table = found.log, found.log.table
    return {
        "stillair": __version__,
        "command": "check",
        "file": str(table.path),
        "verdict": {"usable": True, "faults": len(found.faults), "sentence": answer(found)},
        "read_as": table.rule,
        "rows": len(table.time_s),
        "span_s": float(table.time_s[-1]),
        "first_line": int(table.lines[0]),
        "last_line": int(table.lines[-1]),
        "header_line": table.header_line,
        "start_clock": None
        if table.start_clock_s is None
        else clock_text(table.start_clock_s, seconds=True),
        "columns": [_column_values(log, column) for column in table.columns],
        "gaps": [vars(gap) for gap in found.gaps],
        "charge_Ah": _amount_values(found.charge),
        "energy_Wh": _amount_values(found.energy),
        "findings": [_finding_values(finding) for finding in found.findings],
        "notes": [{"kind": n.kind, "line": n.line, "text": n.text} for n in found.notes],
    }


def _column_values(log: LogTable, column: Column) -> dict[str, Any]:
    known = column.values[np.isfinite(column.values)]
    part = _part(log, column)
    if any(column is g for g in log.groups):
        part = "voltage of a group"
    elif any(column is leg for leg in log.legs):
        part = "voltage of a leg"
    return {
        "header": column.header,
        "quantity": column.quantity,
        "unit": column.unit,
        "part": part,
        "lowest": float(known.min()) if known.size else None,
        "highest": float(known.max()) if known.size else None,
        "first": float(known[0]) if known.size else None,
        "last": float(known[-1]) if known.size else None,
        "missing": int(len(column.values) - known.size),
    }


def _amount_values(amount: Amount | None) -> dict[str, float] | None:
    if amount is None:
        return None
    return {
        "out": amount.out,
        "in": amount.back,
        "net": amount.net,
        "net_by_straight_lines": amount.straight,
        "in_gaps": amount.in_gaps,
    }


def _finding_values(finding: LogFinding) -> dict[str, Any]:
    return {
        "kind": finding.kind,
        "fault": finding.fault,
        "line": finding.line,
        "text": finding.text,
        **finding.numbers,
    }
