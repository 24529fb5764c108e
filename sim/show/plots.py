"""Pictures. The only place that imports matplotlib; nothing is computed here."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.ask.simulate import Result
from sim.physics.limits import CUTOFF, HOT, OVERCHARGE
from sim.physics.pack import POWER
from sim.show.sentences import answer
from sim.units import SECONDS_PER_HOUR, clock_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# One quiet look: ink, and four hues of clearly different lightness, so that grey print keeps them
# apart; chosen after Okabe and Ito's colours for the colour-blind.
INK, FAINT = "#1f2430", "#9aa0aa"
WARM, COOL, LEAF, PLUM = "#b3400e", "#2a78b5", "#4d7c2b", "#7b3f74"
LONGEST_TITLE = 118


def overview(result: Result, path: Path) -> None:
    """Draw the day at a glance on one time axis into `path`; its suffix says the format."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(9.6, 9.0), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.subplots(4, 1, sharex=True, height_ratios=[1.0, 1.1, 1.6, 0.9])
    hour = (result.case.start_clock_s + result.series.time_s) / SECONDS_PER_HOUR
    _load(result, hour, axes[0])
    _voltage(result, hour, axes[1])
    _temperatures(result, hour, axes[2])
    _charge(result, hour, axes[3])
    for ax in axes:
        _plain(ax)
        _events(result, ax)
    axes[-1].set_xlim(hour[0], max(hour[-1], hour[0] + 1e-3))
    axes[-1].set_xlabel("clock time" if result.case.has_clock else "hours from the start")
    if result.case.has_clock:
        axes[-1].xaxis.set_major_formatter(lambda h, _: clock_text(h * SECONDS_PER_HOUR))
    figure.suptitle(_title(result), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _title(result: Result) -> str:
    import textwrap

    lines = textwrap.wrap(answer(result), LONGEST_TITLE)
    return "\n".join([result.case.scenario.title, *lines])


def _plain(ax: Axes) -> None:
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(FAINT)
    ax.tick_params(colors=INK, labelsize=8.5)
    ax.grid(axis="y", color="#e4e6ea", linewidth=0.6)
    ax.set_axisbelow(True)


def _level(ax: Axes, value: float, words: str, colour: str, *, above: bool = True) -> None:
    """Draw a limit as a dashed line with its name on it."""
    ax.axhline(value, color=colour, linewidth=0.9, linestyle=(0, (5, 3)))
    ax.annotate(
        words,
        (0.004, value),
        xycoords=("axes fraction", "data"),
        xytext=(0, 3 if above else -3),
        textcoords="offset points",
        va="bottom" if above else "top",
        fontsize=8,
        color=colour,
    )


def _ends(ax: Axes, hour: Any, lines: list[tuple[Any, str, str]]) -> None:
    """Name each line at its right end, pushed apart where the ends lie close."""
    low, high = ax.get_ylim()
    least = 0.075 * (high - low)
    lines = sorted(lines, key=lambda line: float(line[0][-1]))
    wanted = np.array([float(values[-1]) for values, *_ in lines])
    places = wanted.copy()
    for _ in range(50):  # push neighbours apart evenly, so that each stays by its line
        gaps = np.maximum(least - np.diff(places), 0.0)
        if not np.any(gaps > 1e-9):
            break
        places[1:] += 0.5 * gaps
        places[:-1] -= 0.5 * gaps
    for (_, words, colour), y in zip(lines, places, strict=True):
        ax.annotate(
            words,
            (1.0, y),
            xycoords=("axes fraction", "data"),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=8.5,
            color=colour,
            annotation_clip=False,
        )


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
        _level(ax, limit_A, "pack current limit", WARM)


def _voltage(result: Result, hour: Any, ax: Axes) -> None:
    voltage_V = result.series.cell_voltage_V
    ax.plot(hour, voltage_V, color=COOL, linewidth=0.9)
    limits = result.verdict
    cutoff_V, full_V = limits.limit(CUTOFF).level, limits.limit(OVERCHARGE).level
    assert cutoff_V is not None and full_V is not None
    low, high = min(cutoff_V, voltage_V.min()), max(voltage_V.max(), full_V)
    ax.set_ylim(low - 0.09 * (high - low), high + 0.14 * (high - low))
    _level(ax, cutoff_V, f"cut-off {cutoff_V:.2f} V", WARM)
    _level(ax, full_V, f"full {full_V:.2f} V", FAINT)
    ax.set_ylabel("cell voltage, V", fontsize=9, color=INK)


def _temperatures(result: Result, hour: Any, ax: Axes) -> None:
    seen, box = result.series, result.case.scenario.enclosure is not None
    lines = [
        (seen.ambient_C, "outside air", FAINT, "-", 1.2),
        (seen.surface_C, "surface", PLUM, (0, (3, 1.5)), 0.9),
        (seen.core_C, "core", WARM, "-", 1.4),
    ]
    if box:
        lines.insert(1, (seen.box_C, "box air", COOL, (0, (1, 1)), 1.3))
    for values, _, colour, style, width in lines:
        ax.plot(hour, values, color=colour, linestyle=style, linewidth=width)
    level_C = result.verdict.limit(HOT).level
    assert level_C is not None
    low = min(float(np.min(values)) for values, *_ in lines)
    high = max(level_C, *(float(np.max(values)) for values, *_ in lines))
    ax.set_ylim(low - 0.06 * (high - low), high + 0.1 * (high - low))
    _level(ax, level_C, f"core limit {level_C:.0f} C", WARM)
    ax.set_ylabel("temperature, C", fontsize=9, color=INK)
    _ends(ax, hour, [(values, words, colour) for values, words, colour, *_ in lines])


def _charge(result: Result, hour: Any, ax: Axes) -> None:
    ax.plot(hour, 100.0 * result.series.soc, color=LEAF, linewidth=1.2)
    ax.set_ylim(min(-2.0, 100.0 * float(result.series.soc.min())), 104.0)
    reserve = result.case.scenario.limits.reserve_percent
    if reserve > 0.0:
        _level(ax, reserve, f"reserve {reserve:.0f} %", WARM)
    ax.set_ylabel("charge, %", fontsize=9, color=INK)


def _events(result: Result, ax: Axes) -> None:
    """Mark the first instant of each limit's first spell, and shade all time beyond any limit."""
    clock_s = result.case.start_clock_s
    first: dict[str, float] = {}
    for e in result.verdict.events:
        begin = (clock_s + e.time_s) / SECONDS_PER_HOUR
        end_s = result.trace.end_s if e.until_s is None else e.until_s
        ax.axvspan(begin, (clock_s + end_s) / SECONDS_PER_HOUR, color=WARM, alpha=0.07, linewidth=0)
        first.setdefault(e.event, begin)
    place = ax.get_subplotspec()
    top = place is not None and place.is_first_row()
    for i, (words, begin) in enumerate(first.items()):
        ax.axvline(begin, color=WARM, linewidth=0.8)
        if top:
            ax.annotate(
                words,
                (begin, 0.97 - 0.16 * (i % 4)),
                xycoords=("data", "axes fraction"),
                xytext=(-3, 0),
                textcoords="offset points",
                ha="right",
                va="top",
                fontsize=8,
                color=WARM,
            )
