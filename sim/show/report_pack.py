"""Margins as shares of what is allowed, and the module seen from above, ready for a template."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.ask.built import BuiltResult
from sim.judge.verdict import ABOUT, Judged, levels
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
    NAMES,
    OUTSIDE_TABLE,
    OVERCHARGE,
    PACK_CURRENT,
    RESERVE,
    Limits,
)
from sim.show.from_above import from_above
from sim.show.lines import moment, number, room, span
from sim.show.sentences import Judgeable, worth_telling

Floats = NDArray[np.float64]
# What lies at the other end of a limit's range; its value is where nothing is used up.
FROM = {
    CUTOFF: OVERCHARGE,
    OVERCHARGE: CUTOFF,
    HOT: COLD,
    COLD: HOT,
    CHARGE_HOT: CHARGE_COLD,
    CHARGE_COLD: CHARGE_HOT,
    OUTSIDE_TABLE: HOT,
}
FROM_FULL = (EMPTY, RESERVE)
FROM_ZERO = (CELL_DISCHARGE, CELL_CHARGE, PACK_CURRENT, BEYOND_REACH, BEYOND_MODEL)
AT_FULL = ABOUT[OVERCHARGE][0]
FURTHEST = 1.25  # share of the limit at which a bar is cut
# Ten steps of a ramp from dark blue to yellow that rises evenly in lightness, so that grey print
# and the colour-blind see it alike (cividis; from memory).
RAMP = (
    "#00224e", "#123570", "#3b496c", "#575d6d", "#707173", "#8a8678", "#a59c74", "#c3b369",
    "#e1cc55", "#fee838",
)  # fmt: skip
LEAST_SPAN_K = 2.0  # of the scale, so that a tenth of a kelvin looks like what it is
DARK_STEPS = 5  # of the ramp, on which letters are white


@dataclass(frozen=True)
class Margin:
    """One limit as a line of the table and a bar of the picture."""

    about: str
    level: str
    worst: str
    margin: str
    when: str
    beyond: str
    where: str
    passed: bool
    used: float | None  # share of the allowed range, 1 at the limit; None where there is no range


def used_up(limits: Limits, judged: Judged) -> float | None:
    """Return which share of its allowed range a limit's worst value used up; 1 is the limit.

    Voltage counts from full down to cut-off and the other way; a temperature from the other end
    of what is allowed; charge from full; current and power from 0.
    """
    n = NAMES.index(judged.name)
    if judged.worst is None or judged.level is None or not math.isfinite(judged.level):
        return None
    zero = 0.0 if n in FROM_ZERO else 100.0 if n in FROM_FULL else levels(limits)[FROM[n]]
    reach = judged.level - zero
    return (judged.worst - zero) / reach if math.isfinite(reach) and reach != 0.0 else None


def margins(result: Judgeable, where: dict[str, str]) -> list[Margin]:
    """Return every limit that tells something, the one used up most first."""
    found = []
    for j in worth_telling(result):
        assert j.margin is not None and j.worst is not None
        assert j.level is not None and j.time_s is not None
        sign = "-" if j.margin < 0 or not j.passed else "+"
        found.append(
            Margin(
                "charge left, with reserve" if j.name == NAMES[RESERVE] else j.about,
                number(j.level, j.unit),
                number(j.worst, j.unit, j.margin),
                sign + room(j.margin, j.unit),
                moment(result.case, j.time_s),
                "" if j.passed else span(j.seconds_beyond),
                where.get(j.name, ""),
                j.passed,
                used_up(result.case.limits, j),
            )
        )
    found.sort(key=_nearness)
    return found


def _nearness(m: Margin) -> tuple[bool, bool, float]:
    # A charger holds its cells just under full: that is its work, no narrow margin.
    return m.passed, m.about == AT_FULL, 1.0 if m.used is None else -m.used


@dataclass(frozen=True)
class Spot:
    """One cell of the map, in user units."""

    x: float
    y: float
    colour: str
    words: str  # "" for most
    light: bool  # letters on it are dark


@dataclass(frozen=True)
class Module:
    """One pack's module from above."""

    title: str
    width: float
    height: float
    radius: float
    spots: list[Spot]


@dataclass(frozen=True)
class PackMap:
    """All modules with one scale of temperatures."""

    modules: list[Module]
    scale: list[tuple[str, str]]  # colour, temperature
    told: str


def _per_cell(result: BuiltResult) -> list[tuple[Floats, Floats, Floats]] | None:
    """Return (row, column, peak core [C]) of every cell, a pack at a time; None without layout."""
    seen = from_above(result)
    if seen is None:
        return None
    mine = [seen.pack == p for p in range(result.built_case.built.pack.shape[1])]
    row, across = seen.row.astype(float), seen.column.astype(float)
    return [(row[m], across[m], seen.peak_core_C[m]) for m in mine]


def pack_map(result: BuiltResult, width: float) -> PackMap | None:
    """Return every module with each cell's peak, `width` user units wide; None without layout."""
    found = _per_cell(result)
    layout = result.case.scenario.layout
    if found is None or layout is None:
        return None
    staggered = layout.pattern == "staggered"
    low = min(float(peak.min()) for *_, peak in found)
    high = max(float(peak.max()) for *_, peak in found)
    shade = (min(low, high - LEAST_SPAN_K), high)
    modules = [
        _module(one, width, staggered, shade, f"pack {p + 1}" if len(found) > 1 else "")
        for p, one in enumerate(found)
    ]
    scale = [(_colour(t, *shade)[0], f"{t:z.1f} C") for t in np.linspace(*shade, 5).tolist()]
    places = layout.rows * layout.columns
    told = (
        f"{places} places in {layout.rows} rows and {layout.columns} columns, seen from above. "
        f"Peak core temperatures from {low:z.1f} C to {high:z.1f} C"
    )
    if layout.model == "places":
        told += "; centre, edge and corner cells each stand for all of their kind"
    return PackMap(modules, scale, told + ".")


def _colour(value_C: float, low_C: float, high_C: float) -> tuple[str, bool]:
    """Return the colour of a temperature, and whether it is a light one."""
    share = (value_C - low_C) / (high_C - low_C) if high_C > low_C else 1.0
    step = min(int(share * len(RAMP)), len(RAMP) - 1)
    return RAMP[step], step >= DARK_STEPS


def _module(
    cells: tuple[Floats, Floats, Floats],
    width: float,
    staggered: bool,
    ends_C: tuple[float, float],
    title: str,
) -> Module:
    row, across, peak_C = cells
    columns = float(across.max()) + 1.0 + (0.5 if staggered else 0.0)
    pitch = min(width / columns, 34.0)
    rise = math.sqrt(0.75) if staggered else 1.0
    x = (across + 0.5 + (0.5 * (row % 2) if staggered else 0.0)) * pitch
    y = (row * rise + 0.5) * pitch
    named = {int(peak_C.argmax()), int(peak_C.argmin())} if pitch >= 24.0 else set()
    spots = []
    for k, (a, b, value) in enumerate(zip(x.tolist(), y.tolist(), peak_C.tolist(), strict=True)):
        colour, light = _colour(value, *ends_C)
        spots.append(Spot(a, b, colour, f"{value:.1f}" if k in named else "", light))
    return Module(title, columns * pitch, float(y.max()) + 0.5 * pitch, 0.46 * pitch, spots)
