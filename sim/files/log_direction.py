"""What a log says in words or counts: the direction of its current, and its missing samples."""

from __future__ import annotations

import numpy as np

from sim.files.headers import Findings
from sim.files.suspicions import Reading, direction

MOST_HOLES = 8  # named one by one
NOTABLE = 0.01  # of the greatest value; below it a row of rest may show a sensor's offset


def sign_by_state(
    readings: list[Reading], lines: np.ndarray, header_line: int, findings: Findings
) -> None:
    """Turn power and current positive where a column of words says discharging, else negative.

    Rows at rest keep their value; one that carries a load there is refused.
    """
    option = findings.options.option("discharge", "by state")
    state = next((r for r in readings if r.meaning.quantity == "state"), None)
    ways = None if state is None else np.array([direction(text) for text in state.texts])
    if state is None or ways is None or not ways.any():
        what = "no column says in words whether it is charging or discharging; drop "
        findings.refuse(header_line, what + option)
        return
    loads = (r for r in readings if r.required and r.meaning.quantity in ("power", "current"))
    for reading in loads:
        sizes = np.abs(reading.values)
        top = float(np.max(sizes, initial=0.0, where=np.isfinite(sizes)))
        lost = np.flatnonzero((ways == 0) & (sizes > NOTABLE * top))
        for i in lost[:1]:
            what = f"found {reading.texts[i]} while '{state.header}' says '{state.texts[i]}', "
            findings.refuse(int(lines[i]), what + "which tells no direction", reading.header)
        reading.values = np.where(ways == 0, reading.values, ways * sizes)


def holes(counts: np.ndarray, lines: np.ndarray, findings: Findings) -> None:
    """Tell of the samples that a counter shows to be missing; refuse a count that is no count."""
    odd = np.flatnonzero(counts != np.round(counts))
    if odd.size:
        what = f"found {counts[odd[0]]:g}; accepted with "
        what += f"{findings.options.option('samples_per_second')}: whole numbers"
        findings.refuse(int(lines[odd[0]]), what)
        return
    gone = np.flatnonzero(np.diff(counts) > 1)
    if not gone.size:
        return
    spans = [(int(counts[i]) + 1, int(counts[i + 1]) - 1) for i in gone[:MOST_HOLES]]
    named = ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in spans)
    more = f" and {gone.size - MOST_HOLES} more places" if gone.size > MOST_HOLES else ""
    what = f"samples {named}{more} are missing; the value before holds over each hole"
    findings.warn("gap", int(lines[gone[0] + 1]), what)
