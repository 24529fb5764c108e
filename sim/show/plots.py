"""The picture of a day at a glance; nothing is computed here."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.ask.simulate import Result
from sim.physics.limits import CUTOFF, HOT, OVERCHARGE
from sim.physics.pack import POWER
from sim.show.days_words import alike_hour
from sim.show.hours import hours_between
from sim.show.look_plots import (
    COOL,
    FAINT,
    GRID,
    INK,
    LEAF,
    PLUM,
    SOFT,
    WARM,
    as_written,
    ends,
    from_here,
    last,
    level,
    plain,
)  # fmt: skip
from sim.show.sentences import answer
from sim.units import SECONDS_PER_HOUR, clock_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST_TITLE, MOST_TICKS = 118, 12
TOGETHER_K = 0.7  # core and surface nearer than this all day are one line


@as_written
def overview(result: Result, path: Path) -> None:
    """Draw the day at a glance on one time axis into `path`; its suffix says the format."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    lanes = _lanes(result)
    heights = [1.0, 1.1, 1.6, 0.9]
    figure = Figure(figsize=(9.6, 9.0 + 0.28 * len(lanes)), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    if lanes:
        heights = [0.16 * len(lanes), *heights]
    axes = list(figure.subplots(len(heights), 1, sharex=True, height_ratios=heights))
    hour = (result.case.start_clock_s + result.series.time_s) / SECONDS_PER_HOUR
    axes[-1].set_xlim(hour[0], max(hour[-1], hour[0] + 1e-3))
    if lanes:
        _beyond(lanes, axes.pop(0), axes)
    for draw, ax in zip((_load, _voltage, _temperatures, _charge), axes, strict=True):
        plain(ax)
        draw(result, hour, ax)
    from_here(axes, alike_hour(result.case), "from here on every day is alike")
    axes[-1].set_xticks(hours_between(float(hour[0]), float(hour[-1]), MOST_TICKS))
    words = "clock time" if result.case.has_clock else "hours from the start"
    axes[-1].set_xlabel(words, fontsize=9, color=INK)
    if result.case.has_clock:
        axes[-1].xaxis.set_major_formatter(lambda h, _: clock_text(h * SECONDS_PER_HOUR))
    figure.suptitle(_title(result), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _title(result: Result) -> str:
    import textwrap

    lines = textwrap.wrap(answer(result), LONGEST_TITLE)
    return "\n".join([result.case.scenario.title, *lines])


def _load(result: Result, hour: Any, ax: Axes) -> None:
    power = result.case.load.kind == POWER
    seen = result.series
    drawn = seen.power_W if power else seen.pack_current_A * result.case.plant.pack.packs
    scale, unit = (1000.0, "kW") if power and np.max(np.abs(drawn)) >= 2000.0 else (1.0, "W")
    ax.fill_between(hour, drawn / scale, color=FAINT, alpha=0.45, linewidth=0)
    ax.plot(hour, drawn / scale, color=INK, linewidth=0.6)
    ax.set_ylabel(f"load, {unit if power else 'A'}", fontsize=9, color=INK)
    limit_A = result.case.scenario.limits.pack_current_max_A
    if limit_A is not None and not power and result.case.plant.pack.packs == 1:
        level(ax, limit_A, "pack current limit", WARM)


def _voltage(result: Result, hour: Any, ax: Axes) -> None:
    voltage_V = result.series.cell_voltage_V
    ax.plot(hour, voltage_V, color=COOL, linewidth=0.9)
    limits = result.verdict
    cutoff_V, full_V = limits.limit(CUTOFF).level, limits.limit(OVERCHARGE).level
    assert cutoff_V is not None and full_V is not None
    low, high = min(cutoff_V, voltage_V.min()), max(voltage_V.max(), full_V)
    ax.set_ylim(low - 0.09 * (high - low), high + 0.14 * (high - low))
    level(ax, cutoff_V, f"cut-off {cutoff_V:.2f} V", WARM)
    level(ax, full_V, f"full {full_V:.2f} V", SOFT)
    ax.set_ylabel("cell voltage, V", fontsize=9, color=INK)


def _temperatures(result: Result, hour: Any, ax: Axes) -> None:
    seen, box = result.series, result.case.scenario.enclosure is not None
    lines: list[tuple[Any, str, str, Any, float]] = [
        (seen.ambient_C, "outside air", SOFT, (0, (5, 2)), 1.1),
        (seen.core_C, "core", WARM, "-", 1.4),
    ]
    if np.max(np.abs(seen.core_C - seen.surface_C)) < TOGETHER_K:
        lines[-1] = (seen.core_C, "core, surface", WARM, "-", 1.4)
    else:
        lines.insert(1, (seen.surface_C, "surface", PLUM, (0, (3, 1.5)), 0.9))
    if box:
        lines.insert(1, (seen.box_C, "box air", COOL, (0, (1, 1)), 1.3))
    for values, _, colour, style, width in lines:
        ax.plot(hour, values, color=colour, linestyle=style, linewidth=width)
    level_C = result.verdict.limit(HOT).level
    assert level_C is not None
    low = min(float(np.min(values)) for values, *_ in lines)
    high = max(level_C, *(float(np.max(values)) for values, *_ in lines))
    ax.set_ylim(low - 0.06 * (high - low), high + 0.1 * (high - low))
    level(ax, level_C, f"core limit {level_C:.0f} C", WARM)
    ax.set_ylabel("temperature, C", fontsize=9, color=INK)
    ends(ax, [(last(values), words, colour) for values, words, colour, *_ in lines])


def _charge(result: Result, hour: Any, ax: Axes) -> None:
    ax.plot(hour, 100.0 * result.series.soc, color=LEAF, linewidth=1.2)
    ax.set_ylim(min(-2.0, 100.0 * float(result.series.soc.min())), 104.0)
    reserve = result.case.scenario.limits.reserve_percent
    if reserve > 0.0:
        level(ax, reserve, f"reserve {reserve:.0f} %", WARM)
    ax.set_ylabel("charge, %", fontsize=9, color=INK)


def _lanes(result: Result) -> dict[str, list[tuple[float, float]]]:
    """Return for each kind of event, in order of its first, when it began and ended [h]."""
    clock_s = result.case.start_clock_s
    lanes: dict[str, list[tuple[float, float]]] = {}
    for e in result.verdict.events:
        end_s = result.trace.end_s if e.until_s is None else e.until_s
        hours = (clock_s + e.time_s) / SECONDS_PER_HOUR, (clock_s + end_s) / SECONDS_PER_HOUR
        lanes.setdefault(e.event, []).append(hours)
    return lanes


def _beyond(lanes: dict[str, list[tuple[float, float]]], strip: Axes, below: list[Axes]) -> None:
    """Draw a lane for each limit that was crossed, and its first instant through all panels."""
    for side in ("top", "right", "left", "bottom"):
        strip.spines[side].set_visible(False)
    strip.tick_params(left=False, labelleft=False, bottom=False, labelbottom=False)
    strip.set_ylim(len(lanes) - 0.6, -0.9)
    left, right = strip.get_xlim()
    for row, (words, spells) in enumerate(lanes.items()):
        strip.axhline(row, color=GRID, linewidth=0.6)
        for begin, end in spells:
            strip.plot([begin, end], [row, row], color=WARM, linewidth=4, solid_capstyle="butt")
            strip.plot([begin], [row], color=WARM, marker="|", markersize=9)
        first = spells[0][0]
        early = first < left + 0.6 * (right - left)
        strip.annotate(
            words,
            (first, row),
            xytext=(4 if early else -4, 5),
            textcoords="offset points",
            ha="left" if early else "right",
            va="bottom",
            fontsize=8,
            color=WARM,
        )
        for ax in below:
            ax.axvline(first, color=WARM, linewidth=0.7, linestyle=(0, (1, 2)))
