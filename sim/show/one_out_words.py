"""One pack out, in words and as plain values."""

from __future__ import annotations

import math
from typing import Any

from sim.ask.one_out import Aspect, OneOut
from sim.files.case import Case
from sim.physics.limits import NAMES, UNITS
from sim.show.lines import at, room
from sim.units import clock_text


def clause(out: OneOut | None) -> str:
    """Return what the verdict says of it: "; with one pack out the rest ..."; "" for one pack."""
    if out is None:
        return ""
    asked = {"energy": out.energy, "current": out.current, "heat": out.heat}
    lacks = [name for name, aspect in asked.items() if not aspect.passed]
    if not lacks:
        return "; with one pack out the rest brings it home"
    keeps = [name for name, aspect in asked.items() if aspect.passed and aspect.whole]
    still = f", though by {' and by '.join(keeps)}" if keeps else ""
    return f"; with one pack out the rest does not bring it home by {' and by '.join(lacks)}{still}"


def _aspect(case: Case, name: str, one: Aspect) -> str:
    if one.hour_s is None:
        return f"by {name} {'yes' if one.whole else 'as far as it came'}"
    which = f"pack {one.pack + 1} out " if one.pack is not None and one.pack >= 0 else "out "
    when = at(case, one.hour_s).removeprefix("at ")
    if one.short is not None:
        return (
            f"by {name} NO (at worst {which}from {when} on: {100.0 * one.short:.1f} % of what is "
            "asked is not delivered)"
        )
    assert one.limit is not None
    if one.stops_s is not None or one.margin is None:
        assert one.stops_s is not None
        return f"by {name} NO (at worst {which}from {when} on: it stops {at(case, one.stops_s)})"
    sign = "+" if one.margin >= 0.0 else "-"
    answer = "NO" if not one.passed else "yes" if one.whole else "as far as it came"
    return (
        f"by {name} {answer} (at worst {which}from {when} on: "
        f"{NAMES[one.limit].replace('_', ' ')} {sign}{room(one.margin, UNITS[one.limit])})"
    )


def told(case: Case, out: OneOut) -> str:
    """Return the three answers, each with its worst hour, limit and margin."""
    parts = (("energy", out.energy), ("current", out.current), ("heat", out.heat))
    return "; ".join([*(_aspect(case, name, one) for name, one in parts), out.tried])


def as_values(case: Case, out: OneOut | None) -> dict[str, Any] | None:
    """Return the three answers for a summary; None where there is one pack."""
    if out is None:
        return None
    return {
        "passed": out.passed,
        "energy": _values(case, out.energy),
        "current": _values(case, out.current),
        "heat": _values(case, out.heat),
        "hours": out.hours,
        "tried": out.tried,
    }


def _values(case: Case, one: Aspect) -> dict[str, Any]:
    clock_s = case.start_clock_s
    return {
        "passed": one.passed if one.whole else None,
        "worst_from": None if one.hour_s is None else clock_text(clock_s + one.hour_s),
        "pack": None if one.pack is None or one.pack < 0 else one.pack + 1,
        "limit": None if one.limit is None else NAMES[one.limit],
        "margin": one.margin if one.margin is None or math.isfinite(one.margin) else None,
        "unit": None if one.limit is None else UNITS[one.limit],
        "undelivered_share": one.short,
        "stops": None if one.stops_s is None else clock_text(clock_s + one.stops_s),
    }
