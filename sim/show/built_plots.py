"""Pictures of a pack as built: the day with its bands, and the module seen from above."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.ask.built import BuiltResult
from sim.files.built_case import BuiltCase
from sim.integrate import built_records as column
from sim.judge.verdict import levels
from sim.physics.built import PACK_COUNT
from sim.physics.limits import CUTOFF, HOT, RESERVE
from sim.show.built_words import answer
from sim.show.days_words import alike_hour
from sim.show.from_above import FromAbove, from_above
from sim.show.hours import hours_between
from sim.show.look_plots import (
    COOL,
    FAINT,
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
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes


MOST_TICKS = 10
# A hue and a dash a pack, so that grey print keeps them apart.
PACKS: tuple[tuple[str, Any], ...] = (
    (COOL, "-"),
    (WARM, (0, (4, 1.5))),
    (LEAF, (0, (1, 1))),
    (PLUM, (0, (5, 1, 1, 1))),
)
TOGETHER_V = 0.01  # groups nearer than this all day are one line
LEAST_SPAN_K = 2.0  # of the scale of a pack map, so that a tenth of a kelvin looks like one


def _title(result: BuiltResult, width: int) -> str:
    import textwrap

    return "\n".join([result.case.scenario.title, *textwrap.wrap(answer(result), width)])


@as_written
def built_overview(result: BuiltResult, path: Path) -> None:
    """Draw the day at a glance on one time axis; between coldest and hottest cell a band."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.6, 9.2), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    axes = list(figure.subplots(4, 1, sharex=True, height_ratios=[1.0, 1.1, 1.7, 0.9]))
    kept = result.kept
    hour = (result.case.start_clock_s + kept[:, column.TIME]) / SECONDS_PER_HOUR
    axes[-1].set_xlim(hour[0], max(hour[-1], hour[0] + 1e-3))
    for draw, ax in zip((_bus, _voltage, _temperatures, _charge), axes, strict=True):
        plain(ax)
        draw(result, kept, hour, ax)
        for one in result.switchings:
            if one.in_use:
                at = (result.case.start_clock_s + one.time_s) / SECONDS_PER_HOUR
                ax.axvline(at, color=PLUM, linewidth=0.8, linestyle=(0, (1, 2)))
    from_here(axes, alike_hour(result.case), "from here on every day is alike")
    axes[-1].set_xticks(hours_between(float(hour[0]), float(hour[-1]), MOST_TICKS))
    words = "clock time" if result.case.has_clock else "hours from the start"
    axes[-1].set_xlabel(words, fontsize=9, color=INK)
    if result.case.has_clock:
        axes[-1].xaxis.set_major_formatter(lambda h, _: clock_text(h * SECONDS_PER_HOUR))
    figure.suptitle(_title(result, 118), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _bus(result: BuiltResult, kept: Any, hour: Any, ax: Axes) -> None:
    current_A = kept[:, column.BUS_A]
    ax.fill_between(hour, current_A, color=FAINT, alpha=0.45, linewidth=0)
    ax.plot(hour, current_A, color=INK, linewidth=0.6)
    ax.set_ylabel("bus current, A", fontsize=9, color=INK)
    packs = result.built_case.built.pack.shape[1]
    if packs > 1:
        lines = []
        for p, (colour, dash) in enumerate(PACKS[:packs]):
            own_A = kept[:, column.COLUMNS + 3 * p]
            ax.plot(hour, own_A, color=colour, linestyle=dash, linewidth=0.8)
            lines.append((last(own_A), f"pack {p + 1}", colour))
        ends(ax, lines)


def _voltage(result: BuiltResult, kept: Any, hour: Any, ax: Axes) -> None:
    low_V, high_V = kept[:, column.GROUP_LOW_V], kept[:, column.GROUP_HIGH_V]
    ax.fill_between(hour, low_V, high_V, color=COOL, alpha=0.35, linewidth=0)
    ax.plot(hour, low_V, color=COOL, linewidth=0.8)
    ax.set_ylabel("group voltage, V", fontsize=9, color=INK)
    cutoff_V = levels(result.case.limits)[CUTOFF]
    if math.isfinite(cutoff_V):
        level(ax, cutoff_V, f"cut-off {cutoff_V:.2f} V", WARM)
    if float(np.max(high_V - low_V)) > TOGETHER_V:
        ends(ax, [(last(low_V), "lowest", COOL), (last(high_V), "highest", COOL)])


def _temperatures(result: BuiltResult, kept: Any, hour: Any, ax: Axes) -> None:
    hot, cold = (kept[:, c] - ZERO_C_K for c in (column.CORE_HOT_K, column.CORE_COLD_K))
    ambient, box = (kept[:, c] - ZERO_C_K for c in (column.AMBIENT_K, column.BOX_K))
    ax.fill_between(hour, cold, hot, color=WARM, alpha=0.3, linewidth=0)
    ax.plot(hour, hot, color=WARM, linewidth=1.1)
    ax.plot(hour, cold, color=WARM, linewidth=0.6)
    ax.plot(hour, ambient, color=SOFT, linestyle=(0, (5, 2)), linewidth=1.1)
    lines = [(last(hot), "hottest core", WARM), (last(cold), "coldest core", WARM)]
    lines.append((last(ambient), "outside air", SOFT))
    if result.case.scenario.enclosure is not None:
        ax.plot(hour, box, color=COOL, linestyle=(0, (1, 1)), linewidth=1.3)
        lines.append((last(box), "box air", COOL))
    limit_C = levels(result.case.limits)[HOT]
    if math.isfinite(limit_C):
        level(ax, limit_C, f"core limit {limit_C:.0f} C", WARM)
    ax.set_ylabel("temperature, C", fontsize=9, color=INK)
    ends(ax, lines)


def _charge(result: BuiltResult, kept: Any, hour: Any, ax: Axes) -> None:
    low, high = 100.0 * kept[:, column.SOC_LOW], 100.0 * kept[:, column.SOC_HIGH]
    ax.fill_between(hour, low, high, color=LEAF, alpha=0.4, linewidth=0)
    ax.plot(hour, low, color=LEAF, linewidth=1.0)
    ax.set_ylim(0.0, 105.0)
    ax.set_ylabel("charge, %", fontsize=9, color=INK)
    reserve = levels(result.case.limits)[RESERVE]
    if math.isfinite(reserve) and reserve > 0.0:
        level(ax, reserve, f"reserve {reserve:.0f} %", WARM)
    ends(ax, [(last(low), "emptiest group", LEAF)])


@as_written
def pack_map(result: BuiltResult, path: Path) -> None:
    """Draw each pack's module from above, every cell with its peak core temperature."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.cm import ScalarMappable
    from matplotlib.collections import EllipseCollection
    from matplotlib.colors import Normalize
    from matplotlib.figure import Figure

    case = result.built_case
    places, packs = from_above(result), case.built.pack.shape[1]
    assert places is not None  # a map is drawn of a layout only
    peak_C = places.peak_core_C
    staggered = case.case.scenario.layout is not None and (
        case.case.scenario.layout.pattern == "staggered"
    )
    columns, rows = int(places.column.max()) + 1, int(places.row.max()) + 1
    beside = 1 if columns > 1.5 * rows else min(packs, 3)  # packs in a row of the picture
    below = math.ceil(packs / beside)
    wide = 8.6 / beside
    tall = min(max(wide * rows / columns * (math.sqrt(0.75) if staggered else 1.0), 1.2), 8.0)
    figure = Figure(
        figsize=(9.6, 0.9 + (tall + 0.35) * below), layout="constrained", facecolor="white"
    )
    FigureCanvasAgg(figure)
    middle_C, half_K = 0.5 * (peak_C.min() + peak_C.max()), 0.5 * LEAST_SPAN_K
    half_K = max(half_K, 0.5 * float(np.ptp(peak_C)))
    shade = Normalize(float(middle_C - half_K), float(middle_C + half_K))
    axes = figure.subplots(below, beside, squeeze=False).ravel()
    for ax in axes:
        ax.axis("off")
    for p, ax in enumerate(axes[:packs]):
        mine = np.flatnonzero(places.pack == p)
        x = places.column[mine] + (0.5 * (places.row[mine] % 2) if staggered else 0.0)
        y = -places.row[mine] * (math.sqrt(0.75) if staggered else 1.0)
        ax.set_xlim(-0.8, columns + 0.3)
        ax.set_ylim(float(-(rows - 1) * (math.sqrt(0.75) if staggered else 1.0)) - 0.8, 0.8)
        ax.set_aspect("equal")
        edge, width = _outlines(case, places, mine)
        cells = EllipseCollection(
            np.full(len(mine), 0.9), np.full(len(mine), 0.9), np.zeros(len(mine)),
            units="x", offsets=np.column_stack([x, y]), transOffset=ax.transData,
            cmap="cividis", norm=shade, edgecolors=edge, linewidths=width,
        )  # fmt: skip
        cells.set_array(peak_C[mine])
        ax.add_collection(cells)
        _number_ends(ax, peak_C[mine], x, y, shade, 72.0 * wide / columns)
        _missing(ax, case, p, staggered)
        if packs > 1:
            out = " (out)" if case.built.pack[PACK_COUNT, p] == 0.0 else ""
            ax.set_title(f"pack {p + 1}{out}", fontsize=9, loc="left", color=INK)
    bar = figure.colorbar(ScalarMappable(shade, "cividis"), ax=list(axes), shrink=0.7, pad=0.01)
    bar.set_label("peak core temperature, C", fontsize=9)
    bar.ax.tick_params(labelsize=8)
    figure.suptitle(_map_title(result, columns), x=0.01, ha="left", fontsize=10, color=INK)
    figure.savefig(path, dpi=130)


def _map_title(result: BuiltResult, columns: int) -> str:
    scenario = result.case.scenario
    order = "cells in the order of their groups"
    if columns == scenario.pack.parallel:
        order = "a group a row, group 1 at the top"
    if scenario.fault:
        order += "; ringed: what a [[fault]] names; crossed: no cell"
    if scenario.layout is not None and scenario.layout.model == "places" and not _each(result):
        order += "; centre, edge and corner each stand for all of their kind"
    return f"{scenario.title}: each cell's peak, the module seen from above\n{order}"


def _each(result: BuiltResult) -> bool:
    return bool(result.built_case.places.row[0] >= 0)


def _outlines(case: BuiltCase, places: FromAbove, mine: Any) -> tuple[list[str], list[float]]:
    """Return the outline of each cell of a pack: those that a fault names stand out."""
    named = np.zeros(len(mine), dtype=bool)
    for fault in case.case.scenario.fault or []:
        at = places.pack[mine] == fault.pack - 1
        at &= places.group[mine] == fault.group - 1
        if fault.cell is not None:
            at &= places.place[mine] == fault.cell - 1
        named |= at
    return [WARM if one else "none" for one in named], [1.8 if one else 0.0 for one in named]


def _number_ends(ax: Axes, peak_C: Any, x: Any, y: Any, shade: Any, room_pt: float) -> None:
    """Write the hottest and the coolest peak into their cells, as large as a cell allows."""
    size = min(8.0, 0.36 * room_pt)
    for k in {int(np.argmax(peak_C)), int(np.argmin(peak_C))}:
        light = shade(peak_C[k]) > 0.5
        ax.annotate(
            f"{peak_C[k]:.1f}", (x[k], y[k]), ha="center", va="center", fontsize=max(size, 4.0),
            color=INK if light else "white",
        )  # fmt: skip


def _missing(ax: Axes, case: BuiltCase, p: int, staggered: bool) -> None:
    """Cross the places where a fault says that a cell is missing."""
    scenario = case.case.scenario
    assert scenario.layout is not None  # a map is drawn of a layout only
    for fault in scenario.fault or []:
        if fault.kind != "cell_missing" or fault.pack != p + 1 or fault.cell is None:
            continue
        at = (fault.group - 1) * scenario.pack.parallel + fault.cell - 1
        row, place = divmod(at, scenario.layout.columns)
        x = place + (0.5 * (row % 2) if staggered else 0.0)
        ax.plot([x], [-row * (math.sqrt(0.75) if staggered else 1.0)], "x", color=WARM,
                markersize=7)  # fmt: skip
