"""The picture of the wiring: how warm it gets along the day, and how much of each limit is used."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from sim.ask.wires import FAILS, HOLDS, MAY, Conductor
from sim.ask.wiring import Wiring
from sim.ask.wiring_checks import (
    AMPACITY,
    BREAKING,
    CELL_LOST,
    CONTINUOUS,
    LINK,
    OPENING,
    OVERLOAD,
    SHORT,
    TEMPERATURE,
    VOLTAGE,
    Check,
)
from sim.show.hours import hours_between
from sim.show.look_plots import COOL, FAINT, INK, LEAF, PLUM, WARM, as_written, ends, plain
from sim.show.wiring_more import share
from sim.show.wiring_words import answer
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST_TITLE = 118
MOST_LINES = 4  # conductors drawn along the day, the nearest to their limits
LONGEST_NAME = 22  # letters
MOST_BARS = 16
FURTHEST = 1.6  # share of the limit at which a bar is cut
COLOURS = {HOLDS: LEAF, MAY: "#94760f", FAILS: WARM}
STYLES = ((WARM, "-"), (PLUM, (0, (4, 1.5))), (INK, (0, (1, 1))), (LEAF, (0, (5, 1, 1, 1))))
KINDS = {
    TEMPERATURE: "warmth",
    AMPACITY: "table of currents",
    VOLTAGE: "voltage",
    BREAKING: "current to break",
    CONTINUOUS: "lasting current",
    OPENING: "opened by the day",
    SHORT: "short circuit",
    OVERLOAD: "slow overload",
    LINK: "neighbours' links",
    CELL_LOST: "one lost",
}


@as_written
def picture(found: Wiring, path: Path) -> None:
    """Draw current, temperatures and the used shares into `path`; its suffix says the format."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    drawn, bars = _drawn(found), _bars(found)
    tall = 0.27 * max(len(bars), 3)
    heights = [1.1, 2.4, tall] if drawn else [1.1, tall]
    figure = Figure(figsize=(9.6, 1.6 + sum(heights)), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    axes = list(figure.subplots(len(heights), 1, height_ratios=heights))
    hour = (found.run.case.start_clock_s + found.day.pack_A.edge_s) / SECONDS_PER_HOUR
    _current(found, hour, axes[0])
    if drawn:
        axes[1].sharex(axes[0])
        axes[0].tick_params(labelbottom=False)
        _temperatures(found, hour, drawn, axes[1])
    last = axes[-2]
    words = "clock time" if found.run.case.has_clock else "hours from the start"
    last.set_xticks(hours_between(float(hour[0]), float(hour[-1]), 10))
    last.set_xlabel(words, fontsize=9, color=INK)
    if found.run.case.has_clock:
        last.xaxis.set_major_formatter(lambda h, _: clock_text(h * SECONDS_PER_HOUR))
    _used(bars, axes[-1])
    lines = [found.run.case.scenario.title, *textwrap.wrap(answer(found), LONGEST_TITLE)]
    figure.suptitle("\n".join(lines), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _drawn(found: Wiring) -> list[Conductor]:
    """Return the conductors that are drawn along the day, the nearest to its limit first."""
    known = [c for c in found.conductors if c.warmth is not None]
    known.sort(key=lambda c: math.inf if c.margin_K is None else c.margin_K)
    return known[:MOST_LINES]


def _bars(found: Wiring) -> list[Check]:
    """Return the checks that are drawn as bars, the fullest first."""
    known = [c for c in found.checks if c.used is not None]
    known.sort(key=lambda c: -(c.used or 0.0))
    return known[:MOST_BARS]


def _current(found: Wiring, hour: np.ndarray, ax: Axes) -> None:
    plain(ax)
    current = found.day.pack_A
    twice = np.repeat(hour, 2)[1:-1]
    values = np.column_stack([current.begin, current.end]).ravel()
    ax.plot(twice, values, color=INK, linewidth=0.6)
    ax.set_xlim(hour[0], hour[-1])
    whose = "one pack, A" if found.day.packs > 1 else "pack current, A"
    ax.set_ylabel(whose, fontsize=9, color=INK)


def _temperatures(found: Wiring, hour: np.ndarray, drawn: list[Conductor], ax: Axes) -> None:
    """Draw the conductors with the air about them, and their limits where they are in sight."""
    plain(ax)
    named: list[tuple[float, str, str]] = []
    air_C = np.append(found.day.box_K.begin, found.day.box_K.end[-1]) - ZERO_C_K
    about = "outside air" if found.run.case.scenario.enclosure is None else "box air"
    ax.plot(hour, air_C, color=COOL, linewidth=1.2, linestyle=(0, (1, 1)))
    named.append((float(air_C[-1]), about, COOL))
    highest = float(air_C.max())
    for c, (colour, style) in zip(drawn, STYLES, strict=False):
        assert c.warmth is not None and c.hottest_C is not None
        ax.plot(hour, c.warmth.conductor_K - ZERO_C_K, color=colour, linestyle=style, linewidth=1.0)
        highest = max(highest, min(c.hottest_C, 400.0))
        named.append((float(c.warmth.conductor_K[-1]) - ZERO_C_K, c.table.name, colour))
    limits_C = sorted({c.limit_C for c in drawn if c.limit_C is not None})
    top = max([highest, *[limit_C for limit_C in limits_C if limit_C < highest + 60.0]])
    low = min(float(air_C.min()), top - 1.0)
    ax.set_ylim(low - 0.05 * (top - low), top + 0.1 * (top - low))
    for limit_C in limits_C:
        if limit_C <= top:
            whose = ", ".join(c.table.name for c in drawn if c.limit_C == limit_C)
            ax.axhline(limit_C, color=WARM, linewidth=0.9, linestyle=(0, (5, 3)))
            ax.annotate(
                f"{limit_C:.0f} C, {whose}", (0.004, limit_C),
                xycoords=("axes fraction", "data"), xytext=(0, 3), textcoords="offset points",
                va="bottom", fontsize=8, color=WARM,
            )  # fmt: skip
    ax.set_ylabel("temperature, C", fontsize=9, color=INK)
    ends(ax, named, 0.085)


def _used(bars: list[Check], ax: Axes) -> None:
    """Draw of each check how much of its limit is used up; cut bars carry their number."""
    plain(ax, "x")
    if not bars:
        ax.set_axis_off()
        ax.text(0.0, 0.5, "nothing has a known limit", fontsize=9, color=INK)
        return
    used = [check.used or 0.0 for check in bars]
    right = max(1.15, min(max(used) * 1.12, FURTHEST))
    for row, (check, full) in enumerate(zip(bars, used, strict=True)):
        ax.barh(row, min(full, right), height=0.62, color=COLOURS.get(check.answer, FAINT))
        inside = full > 0.85 * right
        ax.annotate(
            _share(check), (min(full, right), row),
            xytext=(-4 if inside else 4, 0), textcoords="offset points",
            ha="right" if inside else "left", va="center", fontsize=8,
            color="white" if inside else INK, zorder=4,
            bbox=None if inside else {"facecolor": "white", "edgecolor": "none", "pad": 0.6},
        )  # fmt: skip
    ax.set_xlim(0.0, right)
    ax.set_ylim(len(bars) - 0.4, -0.6)
    ax.set_yticks(range(len(bars)), [_label(check) for check in bars], fontsize=8.5)
    ax.xaxis.set_major_formatter(lambda share, _: f"{100.0 * share:.0f} %")
    ax.axvline(1.0, color=INK, linewidth=1.1)
    ax.set_xlabel("share of the limit that is used up (100 % is the limit)", fontsize=9, color=INK)


def _share(check: Check) -> str:
    """Return "96 %", with the answer behind it where that is not yes, for grey print."""
    said = share(check.used or 0.0)
    return said if check.answer == HOLDS else f"{said}, {check.answer}"


def _label(check: Check) -> str:
    name = textwrap.shorten(check.element, LONGEST_NAME, placeholder=" ...")
    return f"{name}: {KINDS[check.kind]}" + (", one pack out" if check.one_out else "")
