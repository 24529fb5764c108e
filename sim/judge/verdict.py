"""What became of each limit, which gave first, and the answer."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sim.drive.legs import Legs
from sim.integrate.trace import Spell, Trace
from sim.physics.limits import (
    BEYOND_MODEL,
    BEYOND_REACH,
    CELL_CHARGE,
    CELL_DISCHARGE,
    CHARGE_COLD,
    CHARGE_HOT,
    COLD,
    CUTOFF,
    EMPTY,
    HOT,
    MODEL_ENDS_K,
    NAMES,
    OUTSIDE_TABLE,
    OVERCHARGE,
    PACK_CURRENT,
    RESERVE,
    UNITS,
    Limits,
)
from sim.units import ZERO_C_K

# Of each limit: what it is about, and whether the value must stay above (+1) or below (-1) it.
ABOUT = {
    CUTOFF: ("lowest cell voltage", 1),
    EMPTY: ("charge left", 1),
    RESERVE: ("charge above reserve", 1),
    HOT: ("hottest core", -1),
    COLD: ("coldest core on discharge", 1),
    CHARGE_HOT: ("hottest core on charge", -1),
    CHARGE_COLD: ("coldest core on charge", 1),
    OVERCHARGE: ("cell voltage on charge", -1),
    CELL_DISCHARGE: ("cell current, discharge", -1),
    CELL_CHARGE: ("cell current, charge", -1),
    PACK_CURRENT: ("current of one pack", -1),
    BEYOND_REACH: ("power asked", -1),
    OUTSIDE_TABLE: ("coldest loaded core in table", 1),
    BEYOND_MODEL: ("core within the model", -1),
}
EVENTS = {
    CUTOFF: "cell below cut-off",
    EMPTY: "cell empty",
    RESERVE: "charge below reserve",
    HOT: "core above limit",
    COLD: "core too cold to discharge",
    CHARGE_HOT: "core too hot to charge",
    CHARGE_COLD: "core too cold to charge",
    OVERCHARGE: "cell above full voltage",
    CELL_DISCHARGE: "cell current above limit",
    CELL_CHARGE: "charge current above limit",
    PACK_CURRENT: "pack current above limit",
    BEYOND_REACH: "power beyond reach",
    OUTSIDE_TABLE: "colder than resistance table",
    BEYOND_MODEL: "hotter than the model knows",
}
WHERE = {PACK_CURRENT: "each pack", BEYOND_REACH: "all packs"}
# Limits whose crossing says nothing about the pack, only that the model can't answer.
UNANSWERED = (OUTSIDE_TABLE, BEYOND_MODEL)


@dataclass(frozen=True)
class Judged:
    """One limit over the run. `level` and `worst` in `unit`, degrees Celsius for temperatures.

    `worst`, `margin` and `time_s` are None where the limit never applied.
    """

    name: str
    about: str
    unit: str
    level: float | None
    worst: float | None
    margin: float | None
    time_s: float | None
    seconds_beyond: float
    spells: int
    passed: bool


@dataclass(frozen=True)
class Event:
    """One stretch beyond one limit, by its first instant."""

    name: str  # of the limit
    time_s: float
    event: str  # in words
    where: str
    value: float
    limit: float
    unit: str
    until_s: float | None


@dataclass(frozen=True)
class Verdict:
    """The answer. `first` is the first event; `unanswered` says that no answer was possible."""

    passed: bool
    unanswered: bool
    finished: bool
    first: Event | None
    limits: tuple[Judged, ...]
    events: tuple[Event, ...]

    def limit(self, number: int) -> Judged:
        """Return what became of one limit of `sim.physics.limits`."""
        return self.limits[number]


def levels(limits: Limits) -> dict[int, float]:
    """Return the level of each limit in its unit, Celsius for temperatures; infinite for none."""
    return {
        CUTOFF: limits.cutoff_V,
        EMPTY: 0.0,
        RESERVE: 100.0 * limits.reserve_soc,
        HOT: limits.core_max_K - ZERO_C_K,
        COLD: limits.discharge_core_min_K - ZERO_C_K,
        CHARGE_HOT: limits.charge_core_max_K - ZERO_C_K,
        CHARGE_COLD: limits.charge_core_min_K - ZERO_C_K,
        OVERCHARGE: limits.full_V,
        CELL_DISCHARGE: limits.cell_discharge_A,
        CELL_CHARGE: limits.cell_charge_A,
        PACK_CURRENT: limits.pack_current_A,
        OUTSIDE_TABLE: limits.coldest_table_K - ZERO_C_K,
        BEYOND_MODEL: MODEL_ENDS_K - ZERO_C_K,
    }


def asked_W(legs: Legs, time_s: float) -> float:
    """Return the load of the leg that holds `time_s`; at an edge, of the leg that begins there."""
    i = int(legs.start_s.searchsorted(time_s, side="right")) - 1
    return float(legs.value[max(i, 0)])


def _value(
    limits: Limits, legs: Legs, number: int, margin: float, time_s: float
) -> tuple[float, float]:
    """Return (value, level) of a limit where its margin was `margin`."""
    if number == BEYOND_REACH:
        power_W = asked_W(legs, time_s)
        return power_W, power_W + margin
    level = levels(limits)[number]
    return level + ABOUT[number][1] * margin, level


def _judge(limits: Limits, legs: Legs, trace: Trace, number: int) -> Judged:
    about, _ = ABOUT[number]
    mine = [spell for spell in trace.spells if spell.limit == number]
    beyond_s = math.fsum((trace.end_s if s.end_s is None else s.end_s) - s.start_s for s in mine)
    margin, time_s = float(trace.worst[number]), float(trace.worst_s[number])
    level = levels(limits).get(number, math.inf)
    judged = Judged(
        name=NAMES[number],
        about=about,
        unit=UNITS[number],
        level=level if math.isfinite(level) else None,
        worst=None,
        margin=None,
        time_s=None,
        seconds_beyond=beyond_s,
        spells=len(mine),
        passed=not mine,
    )
    if not math.isfinite(margin):
        return judged
    worst, level = _value(limits, legs, number, margin, time_s)
    return replace(judged, level=level, worst=worst, margin=margin, time_s=time_s)


def _event(limits: Limits, legs: Legs, spell: Spell) -> Event:
    value, level = _value(limits, legs, spell.limit, spell.margin, spell.start_s)
    return Event(
        NAMES[spell.limit],
        spell.start_s,
        EVENTS[spell.limit],
        WHERE.get(spell.limit, "every cell"),
        value,
        level,
        UNITS[spell.limit],
        spell.end_s,
    )


def judge(limits: Limits, legs: Legs, trace: Trace) -> Verdict:
    """Return the verdict: it passes only where every limit was looked at and none was passed.

    Raises ArithmeticError where the trace holds a state that is no number: nothing can be said.
    """
    if not np.all(np.isfinite(trace.state)) or np.any(np.isnan(trace.worst)):
        raise ArithmeticError("the run left the numbers (NaN or infinity): no answer")
    judged = tuple(_judge(limits, legs, trace, number) for number in range(len(NAMES)))
    events = tuple(_event(limits, legs, spell) for spell in trace.spells)
    finished = trace.stopped_by is None
    passed = finished and all(j.passed for j in judged)
    failed = {NAMES.index(j.name) for j in judged if not j.passed}
    return Verdict(
        passed=passed,
        unanswered=bool(failed) and failed <= set(UNANSWERED),
        finished=finished,
        first=events[0] if events else None,
        limits=judged,
        events=events,
    )
