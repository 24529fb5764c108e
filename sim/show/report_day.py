"""The day of a report: its panels, its hottest instant, and its three sparklines."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.ask.built import BuiltResult
from sim.ask.simulate import Result
from sim.integrate import built_records as column
from sim.judge.verdict import levels
from sim.physics.limits import CUTOFF, HOT, OVERCHARGE, RESERVE
from sim.physics.pack import POWER
from sim.show import sparkline
from sim.show.hours import hours_between
from sim.show.lines import at, number
from sim.show.report_chart import Band, Chart, Level, Line, Panel, chart
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text

Floats = NDArray[np.float64]
WIDE, NARROW = 760.0, 360.0  # user units: a desk or paper, and a phone
TICK_ROOM, TICK_ROOM_DAYS = 38.0, 66.0  # user units of "12:00", and of "00:00 +1d"
TOGETHER_K, TOGETHER_V = 0.7, 0.01  # curves nearer than this all day are one line


@dataclass(frozen=True)
class Day:
    """What is drawn of a day, whichever way the pack was run; every array (n,)."""

    time_s: Floats
    load: Floats
    load_unit: str
    load_words: str
    hot_C: Floats
    cold_C: Floats
    surface_C: Floats
    box_C: Floats | None
    ambient_C: Floats
    low_V: Floats
    high_V: Floats
    low_charge: Floats  # percent
    high_charge: Floats
    cells_differ: bool


def day_of(result: Result | BuiltResult) -> Day:
    """Return what is drawn of a run."""
    return _built(result) if isinstance(result, BuiltResult) else _plain(result)


def _plain(result: Result) -> Day:
    seen, case = result.series, result.case
    power = case.load.kind == POWER
    return Day(
        time_s=seen.time_s,
        load=seen.power_W if power else seen.pack_current_A * case.plant.pack.packs,
        load_unit="W" if power else "A",
        load_words="Load" if power else "Load, all packs",
        hot_C=seen.core_C,
        cold_C=seen.core_C,
        surface_C=seen.surface_C,
        box_C=None if case.scenario.enclosure is None else seen.box_C,
        ambient_C=seen.ambient_C,
        low_V=seen.cell_voltage_V,
        high_V=seen.cell_voltage_V,
        low_charge=100.0 * seen.soc,
        high_charge=100.0 * seen.soc,
        cells_differ=False,
    )


def _built(result: BuiltResult) -> Day:
    kept: Any = result.kept
    boxed = result.case.scenario.enclosure is not None
    return Day(
        time_s=kept[:, column.TIME],
        load=kept[:, column.BUS_A],
        load_unit="A",
        load_words="Current of the bus",
        hot_C=kept[:, column.CORE_HOT_K] - ZERO_C_K,
        cold_C=kept[:, column.CORE_COLD_K] - ZERO_C_K,
        surface_C=kept[:, column.SURFACE_HOT_K] - ZERO_C_K,
        box_C=kept[:, column.BOX_K] - ZERO_C_K if boxed else None,
        ambient_C=kept[:, column.AMBIENT_K] - ZERO_C_K,
        low_V=kept[:, column.GROUP_LOW_V],
        high_V=kept[:, column.GROUP_HIGH_V],
        low_charge=100.0 * kept[:, column.SOC_LOW],
        high_charge=100.0 * kept[:, column.SOC_HIGH],
        cells_differ=True,
    )


def day_chart(result: Result | BuiltResult, width: float) -> Chart:
    """Return load, voltage, temperatures and charge on one time axis, `width` user units wide."""
    day, case = day_of(result), result.case
    clock_s = case.start_clock_s
    hour = (clock_s + day.time_s) / SECONDS_PER_HOUR
    short = float(hour[-1]) < 24.0 or width == NARROW
    most = max(3, min(int((width - 140.0) / (TICK_ROOM if short else TICK_ROOM_DAYS)), 10))
    ticks = hours_between(float(hour[0]), float(hour[-1]), most)
    words = [clock_text(h * SECONDS_PER_HOUR) if case.has_clock else f"{h:g}" for h in ticks]
    if short and case.has_clock:  # "00:00 +1d" has no room
        words = [text.removeprefix("00:00 ") for text in words]
    marks = {e.name: (clock_s + e.time_s) / SECONDS_PER_HOUR for e in result.verdict.events[::-1]}
    drawn = [(at_h, "warm") for at_h in marks.values()]
    if isinstance(result, BuiltResult):
        own = [one.time_s for one in result.switchings if one.in_use]
        drawn += [((clock_s + time_s) / SECONDS_PER_HOUR, "plum") for time_s in own[:40]]
    return chart(
        hour,
        [_load(day), _voltage(result, day), _temperatures(result, day), _charge(result, day)],
        width=width,
        hours=list(zip(ticks, words, strict=True)),
        axis="clock time" if case.has_clock else "hours from the start",
        marks=drawn,
    )


def _load(day: Day) -> Panel:
    kilo = day.load_unit == "W" and float(np.max(np.abs(day.load))) >= 2000.0
    value, unit = (day.load / 1000.0, "kW") if kilo else (day.load, day.load_unit)
    return Panel(f"{day.load_words}, {unit}", 84.0, [Line(value, "", "ink", filled=True)])


def _voltage(result: Result | BuiltResult, day: Day) -> Panel:
    known = levels(result.case.limits)
    marks = [
        Level(known[limit], f"{words} {known[limit]:.2f} V")
        for limit, words in ((CUTOFF, "cut-off"), (OVERCHARGE, "full"))
        if math.isfinite(known[limit])
    ]
    if float(np.max(day.high_V - day.low_V)) < TOGETHER_V:
        words = "Voltage of a group, V" if day.cells_differ else "Cell voltage, V"
        return Panel(words, 92.0, [Line(day.low_V, "", "cool")], (), marks)
    lines = [Line(day.low_V, "lowest", "cool"), Line(day.high_V, "highest", "cool")]
    return Panel("Voltage of a group, V", 92.0, lines, [Band(day.low_V, day.high_V, "cool")], marks)


def _temperatures(result: Result | BuiltResult, day: Day) -> Panel:
    lines = [Line(day.ambient_C, "outside air", "faint")]
    if day.box_C is not None:
        lines.append(Line(day.box_C, "box air", "box"))
    bands: list[Band] = []
    if day.cells_differ:
        lines += [Line(day.hot_C, "hottest core", "warm"), Line(day.cold_C, "coldest core", "warm")]
        bands.append(Band(day.cold_C, day.hot_C, "warm"))
    elif float(np.max(np.abs(day.hot_C - day.surface_C))) < TOGETHER_K:
        lines.append(Line(day.hot_C, "core, surface", "warm"))
    else:
        lines += [Line(day.surface_C, "surface", "plum"), Line(day.hot_C, "core", "warm")]
    level_C = levels(result.case.limits)[HOT]
    marks = [Level(level_C, f"core limit {level_C:.0f} C")] if math.isfinite(level_C) else []
    return Panel("Temperature, C", 160.0, lines, bands, marks)


def _charge(result: Result | BuiltResult, day: Day) -> Panel:
    reserve = levels(result.case.limits)[RESERVE]
    given = math.isfinite(reserve) and reserve > 0.0
    marks = [Level(reserve, f"reserve {reserve:.0f} %")] if given else []
    lines = [Line(day.low_charge, "emptiest" if day.cells_differ else "", "leaf")]
    bands = [Band(day.low_charge, day.high_charge, "leaf")] if day.cells_differ else []
    return Panel("Charge, %", 84.0, lines, bands, marks, least=0.0, most=100.0)


def told(result: Result | BuiltResult) -> str:
    """Return the day in words, for those who can't see its picture."""
    day, case = day_of(result), result.case
    hot, low = int(np.argmax(day.hot_C)), int(np.argmin(day.low_V))
    level_C = levels(case.limits)[HOT]
    limit = f", its limit is {level_C:.0f} C" if math.isfinite(level_C) else ""
    return (
        f"Four curves over the day. {day.load_words} from {float(np.min(day.load)):.0f} to "
        f"{float(np.max(day.load)):.0f} {day.load_unit}. Lowest cell voltage "
        f"{number(float(day.low_V[low]), 'V')} {at(case, float(day.time_s[low]))}. Hottest core "
        f"from {number(float(day.hot_C[0]), 'K')} at first to {number(float(day.hot_C[hot]), 'K')} "
        f"{at(case, float(day.time_s[hot]))}{limit}. Outside air from "
        f"{number(float(np.min(day.ambient_C)), 'K')} to "
        f"{number(float(np.max(day.ambient_C)), 'K')}. Charge from {float(day.low_charge[0]):z.0f} "
        f"% to {float(day.low_charge[-1]):z.0f} % at the end."
    )


def expected(result: Result | BuiltResult) -> list[tuple[str, str, str]]:
    """Return what loggers should read when the core is hottest and the voltage lowest.

    Each row: the reading, at the hottest instant, at the lowest voltage.
    """
    day, case = day_of(result), result.case
    when = [int(np.argmax(day.hot_C)), int(np.argmin(day.low_V))]

    def row(words: str, values: Floats, unit: str) -> tuple[str, str, str]:
        hot, low = (number(float(values[k]), unit) for k in when)
        return words, hot, low

    clock = [at(case, float(day.time_s[k])) for k in when]
    own = "hottest cell" if day.cells_differ else "cell in the middle"
    rows = [("when", clock[0], clock[1]), row(f"surface of the {own}", day.surface_C, "K")]
    if day.box_C is not None:
        rows.append(row("air in the box, between the cells and the wall", day.box_C, "K"))
    rows.append(row("outside air, in the shade", day.ambient_C, "K"))
    rows.append(row("voltage of the lowest group", day.low_V, "V"))
    words = "current of all packs" if day.load_unit == "A" else "power of all packs"
    rows.append(row(words, day.load, day.load_unit))
    return [*rows, row("core (can't be measured from outside)", day.hot_C, "K")]


def above_surface_K(result: Result | BuiltResult) -> float:
    """Return how far the hottest core rises above the hottest surface on this day [K]."""
    day = day_of(result)
    return max(float(np.max(day.hot_C - day.surface_C)), 0.0)


def with_day(lines: list[str], result: Result | BuiltResult) -> list[str]:
    """Return a printed report with the day in characters behind its answer, on a terminal only."""
    if not sparkline.wanted():
        return lines
    day, case = day_of(result), result.case
    ends = [clock_text(case.start_clock_s + float(day.time_s[k])) for k in (0, -1)]
    drawn = sparkline.day(
        day.time_s,
        (day.load, day.load_unit),
        day.hot_C,
        levels(case.limits)[HOT],
        day.low_charge,
        (ends[0], ends[1]) if case.has_clock else ("start", "end"),
    )
    return [lines[0], "", *drawn, *lines[1:]] if drawn else lines
