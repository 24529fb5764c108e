"""In words: where a simulated day leaves what the cell's profile was fitted on."""

from __future__ import annotations

from sim.ask.fitted_range import Beyond, beyond
from sim.ask.whole import Whole
from sim.show.lines import number, room

# Of each side: how far it goes, and how its distance is told.
SIDES = {
    "colder": ("cells as cold as {}", "below"),
    "warmer": ("cells as warm as {}", "above"),
    "emptier": ("charge down to {}", "below"),
    "fuller": ("charge up to {}", "above"),
    "discharge": ("{} out of a cell", "above"),
    "charge": ("{} into a cell", "above"),
}


def notes(run: Whole) -> list[str]:
    """Return one sentence where the day leaves the fitted range, and nothing where it stays."""
    found = beyond(run)
    if not found:
        return []
    told = ", ".join(_side(one) for one in found)
    return [
        f"the day leaves what the cell was fitted on: {told}; figures there are extrapolated, and "
        "nothing measured stands behind them"
    ]


def _side(one: Beyond) -> str:
    words, away = SIDES[one.side]
    off = room(one.farthest - one.bound, one.unit)
    return f"{words.format(number(one.farthest, one.unit))} ({off} {away} its range)"
