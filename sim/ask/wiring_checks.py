"""What is judged of the wiring, one check each: a value, its limit, and the share used up."""

from __future__ import annotations

import math
from dataclasses import dataclass

from sim.ask import fault
from sim.ask.wires import (
    FAILS,
    HOLDS,
    MAY,
    UNKNOWN,
    Conductor,
    Day,
    derated,
    hottest_air_C,
    lasting_A,
    lasting_limit_A,
)
from sim.errors import InputError
from sim.files.case import Case
from sim.files.wiring_schema import FuseTable
from sim.physics.fuse import NEAR, used_up

HOUR_S = 3600.0  # within which a fuse is as hot as it gets: common practice, no source
# What a check is of. Those of the second row tell more than they decide.
TEMPERATURE, AMPACITY, VOLTAGE, BREAKING = "temperature", "ampacity", "voltage", "breaking"
CONTINUOUS, OPENING, SHORT, LINK = "continuous", "opening", "short circuit", "link opens"
OVERLOAD, CELL_LOST = "slow overload", "cell lost"
FUSE = "fuse"
OVERLOADED = 1.45  # by which IEC 60364-4-43 lets a cable be overloaded until the fuse opens
ORDER = (FAILS, MAY, UNKNOWN, HOLDS)


@dataclass(frozen=True)
class Check:
    """One thing judged. `used` is the share of the limit that is used up: 1 at the limit.

    `value`, `limit` and `margin` (positive is safe) are in `unit`; None where not known, and then
    `why` says why. `one_out` is of the day with one pack out.
    """

    kind: str
    element: str
    answer: str
    used: float | None = None
    value: float | None = None
    limit: float | None = None
    margin: float | None = None
    unit: str = ""
    why: str = ""
    one_out: bool = False


def temperatures(conductors: tuple[Conductor, ...], *, one_out: bool = False) -> list[Check]:
    """Judge the hottest of each conductor against its insulation."""
    found = []
    for c in conductors:
        if c.hottest_C is None or c.limit_C is None or c.margin_K is None:
            missing = "conductance_W_K" if c.hottest_C is None else "insulation_max_C"
            if not one_out:  # it was said of the whole day
                why = f"no {missing} is given"
                found.append(Check(TEMPERATURE, c.table.name, UNKNOWN, why=why))
            continue
        room_K = c.limit_C - c.air_C
        used = (c.hottest_C - c.air_C) / room_K if room_K > 0.0 else math.inf
        found.append(
            Check(
                TEMPERATURE, c.table.name, c.answer, used, c.hottest_C, c.limit_C, c.margin_K, "K",
                one_out=one_out,
            )
        )  # fmt: skip
    return found


def ampacities(conductors: tuple[Conductor, ...], day: Day) -> list[Check]:
    """Judge the worst ten minutes' rms against tables of currents, where conductors have them."""
    found = []
    for c in conductors:
        table = c.table
        if table.ampacity_A is None:
            continue
        try:
            limit_A = derated(table, table.ampacity_A, table.ampacity_at_C, c.air_C)
        except InputError as problem:
            found.append(Check(AMPACITY, table.name, UNKNOWN, why=str(problem)))
            continue
        lasting = lasting_A(day.current_A(table))
        answer = HOLDS if lasting <= limit_A else FAILS
        found.append(
            Check(
                AMPACITY, table.name, answer, lasting / limit_A, lasting, limit_A,
                limit_A - lasting, "A",
            )
        )  # fmt: skip
    return found


def of_fuse(fuse: FuseTable, day: Day, could: fault.Prospective) -> list[Check]:
    """Judge the fuse by its voltage, what it can break, its rating, and its times."""
    found = [
        _at_most(VOLTAGE, could.full_V, fuse.dc_V, "V"),
        Check(BREAKING, FUSE, UNKNOWN, why="no breaking_A is given")
        if fuse.breaking_A is None
        else _at_most(BREAKING, could.greatest_A, fuse.breaking_A, "A"),
        _continuous(fuse, day),
    ]
    return found + opening(fuse, day)


def _at_most(kind: str, value: float, limit: float, unit: str) -> Check:
    answer = HOLDS if value <= limit else FAILS
    return Check(kind, FUSE, answer, value / limit, value, limit, limit - value, unit)


def warm_rating_A(fuse: FuseTable, day: Day) -> float:
    """Return the fuse's rating where it lies, at the hottest; as written where no factors are.

    Raises InputError beyond the table of factors.
    """
    if not fuse.factor:
        return fuse.rating_A
    return derated(fuse, fuse.rating_A, fuse.rated_at_C, hottest_air_C(day, fuse.where))


def _continuous(fuse: FuseTable, day: Day) -> Check:
    """Judge the worst hour's rms: fine within the continuous share, doubtful up to the rating."""
    try:
        rating_A = warm_rating_A(fuse, day)
    except InputError as problem:
        return Check(CONTINUOUS, FUSE, UNKNOWN, why=str(problem))
    value_A, limit_A = lasting_A(day.pack_A, HOUR_S), rating_A * fuse.continuous_share
    answer = HOLDS if value_A <= limit_A else MAY if value_A <= rating_A else FAILS
    return Check(
        CONTINUOUS, FUSE, answer, value_A / limit_A, value_A, limit_A, limit_A - value_A, "A"
    )


def opening(fuse: FuseTable, day: Day, *, one_out: bool = False) -> list[Check]:
    """Judge whether the day itself opens the fuse: never, may or will."""
    if not fuse.ratio:
        why = "no ratio, hold_s and clear_s are given"
        return [Check(OPENING, FUSE, UNKNOWN, why=why, one_out=one_out)]
    try:
        warm_A = warm_rating_A(fuse, day)
    except InputError as problem:
        return [Check(OPENING, FUSE, UNKNOWN, why=str(problem), one_out=one_out)]
    hold, clear = fault.curves(fuse)
    held, _ = used_up(hold, warm_A, day.pack_A)
    cleared, _ = used_up(clear, fuse.rating_A, day.pack_A)
    # The very boundaries belong to "may".
    answer = FAILS if cleared > 1.0 + NEAR else MAY if held >= 1.0 - NEAR else HOLDS
    return [
        Check(OPENING, FUSE, answer, held, held, 1.0, 1.0 - held, "", one_out=one_out),
    ]


def lasting_limits_A(case: Case, conductors: tuple[Conductor, ...], day: Day) -> dict[str, float]:
    """Return what each element lets one pack give for good [A]; only those that have a limit."""
    limits, pack = case.limits, case.plant.pack
    found = {
        "cells": limits.cell_discharge_A * pack.parallel,
        "board": limits.pack_current_A,
    }
    fuse = case.scenario.fuse
    if fuse is not None:
        try:
            found[FUSE] = warm_rating_A(fuse, day) * fuse.continuous_share
        except InputError:  # too hot for its table of factors, which its own check tells
            found[FUSE] = math.inf
    for c in conductors:
        bears_A = lasting_limit_A(c)
        if bears_A is not None:
            found[c.table.name] = bears_A / c.share
    return {name: limit_A for name, limit_A in found.items() if math.isfinite(limit_A)}


def least(limits_A: dict[str, float]) -> tuple[str, float] | None:
    """Return which element has the least limit, and its limit; None where none has one."""
    return min(limits_A.items(), key=lambda item: item[1], default=None)


def of_short(w: fault.Withstand) -> Check:
    """Judge what a short circuit makes of a conductor."""
    return Check(
        SHORT, w.conductor.table.name, w.answer, w.used, w.end_C, w.limit_C, w.limit_C - w.end_C,
        "K",
    )  # fmt: skip


def overloads(fuse: FuseTable, conductors: tuple[Conductor, ...]) -> list[Check]:
    """Judge whether the fuse guards each conductor against a slow overload.

    In <= Iz and I2 <= 1.45 Iz, IEC 60364-4-43 433.1 (from memory): Iz is what the conductor bears
    for good, I2 the least current that the fuse is known to open.
    """
    found = []
    for c in conductors:
        bears_A = lasting_limit_A(c)
        if bears_A is None:
            continue
        asked_A = fuse.rating_A * c.share
        if fuse.ratio:
            asked_A = max(asked_A, fuse.rating_A * fuse.ratio[0] * c.share / OVERLOADED)
        answer = HOLDS if asked_A <= bears_A else MAY
        used = asked_A / bears_A if bears_A > 0.0 else math.inf
        found.append(
            Check(OVERLOAD, c.table.name, answer, used, asked_A, bears_A, bears_A - asked_A, "A")
        )
    return found


def of_link(link: fault.LinkFault) -> Check:
    """Judge the neighbours' links when one link melts, or that none does."""
    room_K = link.limit_C - link.conductor.air_C
    used = (link.healthy_C - link.conductor.air_C) / room_K
    if not math.isfinite(link.melts_s):
        return Check(LINK, link.conductor.table.name, link.answer, why="it never melts")
    return Check(
        LINK, link.conductor.table.name, link.answer, used, link.healthy_C, link.limit_C,
        link.limit_C - link.healthy_C, "K",
    )  # fmt: skip


def of_lost(lost: fault.CellLost | None) -> list[Check]:
    """Judge the cells of a group that has lost one, where they have a limit."""
    if lost is None or not math.isfinite(lost.limit_A):
        return []
    return [
        Check(
            CELL_LOST, "cells", lost.answer, lost.peak_A / lost.limit_A, lost.peak_A, lost.limit_A,
            lost.limit_A - lost.peak_A, "A",
        )
    ]  # fmt: skip
