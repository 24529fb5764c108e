"""In words: where a log leaves what the profile was fitted on, and the figures on both sides."""

from __future__ import annotations

from typing import Any

from sim.ask.compare import Comparison, Figures
from sim.ask.compare_range import Leaving, ranged
from sim.show.compare_table import beside
from sim.show.lines import hung, span

INDENT = 11


def answer(found: Comparison) -> str:
    """Return a sentence for the first line where rows lie outside, and nothing where none do."""
    parted = ranged(found)
    if parted is None or not parted.leaving:
        return ""
    return (
        f" {parted.outside.sum()} of {parted.rows} rows lie outside what the profile was fitted "
        f"on: {_rms(parted.outside_figures)} there, {_rms(parted.within_figures)} within."
    )


def _rms(of: Figures) -> str:
    told = []
    if of.voltage_rms_mV is not None:
        told.append(f"{of.voltage_rms_mV:.1f} mV")
    if of.temperature_rms_K is not None:
        told.append(f"{of.temperature_rms_K:.2f} K")
    return f"{' and '.join(told)} rms" if told else "too few rows to tell"


def table(found: Comparison) -> list[str]:
    """Return the figures within and outside beside each other, or nothing where no row leaves."""
    parted = ranged(found)
    if parted is None or not parted.leaving:
        return []
    parts = {"within": parted.within_figures, "outside": parted.outside_figures}
    return [*beside("what it was fitted on", parts), ""]


def report(found: Comparison) -> list[str]:
    """Return the range, and where the log leaves it; nothing where the profile states none."""
    parted = ranged(found)
    if parted is None:
        return []
    leaves = "; ".join(_leaving(side) for side in parted.leaving) or "no row leaves it"
    return hung("fitted on", f"{parted.fitted.words()}; {leaves}", INDENT)


def _leaving(side: Leaving) -> str:
    return (
        f"{side.side} in {side.rows} rows from {span(side.first_s)} on, to {side.farthest:.3g} "
        f"{side.unit}"
    )


def content(found: Comparison) -> dict[str, Any] | None:
    """Return what summary.json holds of it; None where the profile states no range."""
    parted = ranged(found)
    if parted is None:
        return None
    return {
        "range": parted.fitted.model_dump(),
        "rows": parted.rows,
        "rows_outside": int(parted.outside.sum()),
        "leaves": [vars(side) for side in parted.leaving],
        "within": vars(parted.within_figures),
        "outside": vars(parted.outside_figures),
    }
