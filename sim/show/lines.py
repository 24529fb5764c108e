"""Numbers, times and lines as people read them; no line is wider than the terminal or 100."""

from __future__ import annotations

import math
import re
import shutil
import textwrap

from sim.files.case import Case
from sim.units import clock_text

DECIMALS = {"V": 2, "K": 1, "%": 1, "A": 1, "W": 0}
WIDEST, NARROWEST = 100, 40
NO_BREAK = "\u00a0"


def _decimals(size: float, least: int) -> int:
    """Return how many decimals show a difference of `size`, and so many at the least."""
    return math.ceil(-math.log10(size)) if 0.0 < size < 10.0**-least else least


def number(value: float, unit: str, off: float = 0.0) -> str:
    """Return "3.31 V", "47.3 C", "34.0 %": as many digits as the answer can bear.

    With more of them, up to four, where it is `off` its limit by less than those would show, or
    is below nought by less. A nought that is left has no sign: "-0.0 %" is none.
    """
    least = DECIMALS[unit]
    most = max(4, least)
    near, below = min(_decimals(abs(off), least), most), _decimals(-value, least)
    decimals = max(near, below) if below <= most else near
    return f"{value:z.{decimals}f} {'C' if unit == 'K' else unit}"


def room(margin: float, unit: str, least: int | None = None) -> str:
    """Return the size of a margin, so that a small miss never rounds to nothing.

    With `least` decimals; those of the unit if None.
    """
    size = abs(margin)
    decimals = _decimals(size, DECIMALS[unit] if least is None else least)
    return f"{size:.0e} {unit}" if decimals > 9 else f"{size:.{decimals}f} {unit}"


def signed(margin: float, unit: str, least: int | None = None) -> str:
    """Return a margin with its sign, "+9.4 K", "-0.04 K": a small miss never looks like a pass."""
    return f"{'+' if margin >= 0.0 else '-'}{room(margin, unit, least)}"


def small(value: float, unit: str) -> str:
    """Return a difference that only matters where it is large: "under 0.001 K", "0.2 mV"."""
    return f"under 0.001 {unit}" if value < 1e-3 else f"{value:.2g} {unit}"


def span(seconds: float) -> str:
    """Return "45 s", "12 min", "3 h 20 min"."""
    if 0.0 < seconds < 0.01:
        return "under 0.01 s"
    if seconds < 119.5:
        return f"{seconds:.3g} s"
    minutes = round(seconds / 60.0)
    return f"{minutes} min" if minutes < 120 else f"{minutes // 60} h {minutes % 60:02d} min"


def moment(case: Case, time_s: float) -> str:
    """Return "15:13", or where nobody told the clock "40 min" from the start."""
    if case.has_clock:
        return clock_text(case.start_clock_s + time_s)
    return span(time_s) if time_s > 0.0 else "start"


def at(case: Case, time_s: float) -> str:
    """Return "at 15:13", "after 40 min" or "at the start"."""
    if case.has_clock:
        return f"at {moment(case, time_s)}"
    return f"after {span(time_s)}" if time_s > 0.0 else "at the start"


def hung(label: str, text: str, indent: int) -> list[str]:
    """Return `text` behind `label`, wrapped, its further lines indented alike."""
    width = min(max(shutil.get_terminal_size((WIDEST, 24)).columns, NARROWEST), WIDEST)
    kept_together = re.sub(r"(?<=\d) (?=%|[A-Za-z]{1,2}\b)", NO_BREAK, text)  # 3.31 V
    lines = textwrap.wrap(
        kept_together,
        width,
        initial_indent=label.ljust(indent),
        subsequent_indent=" " * indent,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace(NO_BREAK, " ") for line in lines]
