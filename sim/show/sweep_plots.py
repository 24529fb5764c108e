"""Pictures of a sweep: where it passes, by how much, and which limit gives first."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from sim.ask.axes import PARALLEL
from sim.ask.candidates import Row, value_of
from sim.ask.sweep import Sweep
from sim.physics.limits import CUTOFF, HOT, NAMES, RESERVE
from sim.show.look_plots import COOL, INK, LEAF, WARM, as_written, plain, words_on
from sim.show.sweep_words import answer, charge_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]
# What gives first, in two words and a colour; heat warm, charge and voltage blue, current plum,
# cold violet, the model's own bounds grey. Every area is labelled, so that nothing hangs on hue.
KINDS = {
    "cutoff": ("cut-off voltage", "#2a78b5"),
    "empty": ("empty", "#173f66"),
    "reserve": ("charge reserve", "#5c9bd1"),
    "hot": ("too hot", "#b3400e"),
    "cold": ("too cold", "#6a5aa8"),
    "charge_hot": ("too hot to charge", "#d27a42"),
    "charge_cold": ("too cold to charge", "#9589ca"),
    "overcharge": ("over full voltage", "#86690d"),
    "cell_discharge": ("cell current", "#7b3f74"),
    "cell_charge": ("cell charge current", "#965a8e"),
    "pack_current": ("pack current", "#56284f"),
    "beyond_reach": ("power beyond reach", "#3a3f4b"),
    "outside_table": ("colder than table", "#6b717c"),
    "beyond_model": ("hotter than model", "#5d636f"),
    "audit": ("run not believable", "#8a8f99"),
    "no_answer": ("no answer", "#8a8f99"),
}
# Of packs as built; a board's thresholds are told by their own names.
BOARD = "#2f6f62"
KINDS |= {
    "never_charged": ("never charges", "#8a6d1f"),
    "undelivered": ("energy not delivered", "#4d5a2f"),
}
PASSES = "passes"
LEVELS = {HOT: ("core limit", "C"), CUTOFF: ("cut-off", "V"), RESERVE: ("reserve", "%")}
LONGEST_TITLE = 122
WIDEST_STRIP, WIDEST_MAP = 120, 88  # letters
SMALLEST_AREA = 0.015  # share of the map that is labelled
ROOM_SHOWN = 10.0  # scaled margin at which the shade of a passing candidate is full
LACK_SHOWN = 30.0


def kind_of(name: str) -> tuple[str, str]:
    """Return what gives in few words, and its colour."""
    return KINDS.get(name) or (name.replace("_", " "), BOARD)


@as_written
def picture(sweep: Sweep, path: Path) -> None:
    """Draw a sweep over one axis as curves, over two as a map; the suffix says the format."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    two = len(sweep.plan.axes) == 2
    figure = Figure(figsize=(9.6, 6.6 if two else 8.4), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    if two:
        _map(sweep, figure)
    else:
        _curves(sweep, figure)
    title = [sweep.plan.base.case.scenario.title, *textwrap.wrap(answer(sweep), LONGEST_TITLE)]
    figure.suptitle("\n".join(title), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def label_of(key: str) -> str:
    """Return an axis's label: the dotted name, the parallel count in words."""
    return "cells in parallel" if key == PARALLEL else key


def _curves(sweep: Sweep, figure: Figure) -> None:
    axis, rows = sweep.plan.axes[0], sweep.rows
    x = np.array([value_of(row, axis.key) for row in rows])
    axes = figure.subplots(4, 1, sharex=True, height_ratios=[1.3, 1.0, 1.0, 0.36])
    charge = [charge_of(row) for row in rows]
    _panel(axes[0], x, rows, [row.hottest_core_C for row in rows], HOT, WARM)
    _panel(axes[1], x, rows, [row.lowest_cell_V for row in rows], CUTOFF, COOL)
    _panel(axes[2], x, rows, charge, RESERVE, LEAF)
    for ax, words in zip(
        axes, ("hottest core, C", "lowest cell, V", "charge left, %"), strict=False
    ):
        ax.set_ylabel(words, fontsize=9, color=INK)
    if any(not row.finished for row in rows):
        axes[0].annotate(
            "hollow: the run ends early, at a limit; what it came to until then",
            (1.0, 1.01), xycoords="axes fraction", ha="right", va="bottom", fontsize=8, color=INK,
        )  # fmt: skip
    turns = [i for i in range(1, len(rows)) if rows[i].passes != rows[i - 1].passes]
    for ax in axes[:-1]:
        for edge in _edges(x)[turns]:
            ax.axvline(edge, color=INK, linewidth=0.7)
    _strip(axes[-1], x, rows)
    axes[-1].set_xlabel(label_of(axis.key), fontsize=9.5, color=INK)
    half = 0.5 * _spacing(x)
    axes[-1].set_xlim(x[0] - half, x[-1] + half)
    if all(float(value).is_integer() for value in x):
        from matplotlib.ticker import MaxNLocator

        axes[-1].xaxis.set_major_locator(MaxNLocator(integer=True, nbins=16))


def _spacing(x: Floats) -> float:
    return float(np.min(np.diff(x))) if len(x) > 1 else 1.0


def _panel(
    ax: Axes,
    x: Floats,
    rows: tuple[Row, ...],
    values: Sequence[float | None],
    limit: int,
    colour: str,
) -> None:
    """Draw worst values over the axis, hollow where the run ended early, and their limit."""
    y = np.array([np.nan if value is None else value for value in values])
    level = np.array([row.levels.get(NAMES[limit], np.nan) for row in rows])
    ended = np.array([not row.finished for row in rows])
    half, size = 0.5 * _spacing(x), 2.5 if len(x) > 60 else 5.0
    ax.plot(x, np.where(ended, np.nan, y), "o-", color=colour, linewidth=1.1, markersize=size)
    ax.plot(x[ended], y[ended], "o", markersize=size, mfc="white", mec=colour)
    across = np.concatenate([[x[0] - half], x, [x[-1] + half]])
    ax.plot(across, np.pad(level, 1, "edge"), color=INK, linewidth=0.9, linestyle=(0, (5, 3)))
    both = np.concatenate([y, level])
    both = both[np.isfinite(both)]
    if len(both):
        space = 0.12 * max(float(np.ptp(both)), 0.1)
        ax.set_ylim(both.min() - space, both.max() + space)
    plain(ax)
    if not np.isfinite(level[-1]):
        return
    words, unit = LEVELS[limit]
    ax.annotate(
        f"{words} {level[-1]:g} {unit}", (0.996, level[-1]), xycoords=("axes fraction", "data"),
        xytext=(0, 2), textcoords="offset points", ha="right", va="bottom", fontsize=8, color=INK,
    )  # fmt: skip


def _kind(row: Row) -> str:
    return PASSES if row.passes else (row.first_limit or "no_answer")


def _strip(ax: Axes, x: Floats, rows: tuple[Row, ...]) -> None:
    """Draw which limit gives first, as a strip of labelled stretches; passing is left plain."""
    edges = _edges(x)
    at = 0
    for kind, same in groupby(rows, _kind):
        begin, at = at, at + len(list(same))
        words, colour = (PASSES, "white") if kind == PASSES else kind_of(kind)
        left, right = edges[begin], edges[at]
        ax.add_patch(_rectangle(left, right - left, colour))
        share = (right - left) / (edges[-1] - edges[0])
        flat = share * WIDEST_STRIP >= len(words)
        ax.annotate(
            words if flat else words.replace(" ", "\n", 1), (0.5 * (left + right), 0.5),
            ha="center", va="center", fontsize=8.5 if flat else 6.5, rotation=0 if flat else 90,
            color=words_on(colour),
        )  # fmt: skip
    ax.set_ylim(0.0, 1.0)
    ax.set_yticks([])
    ax.set_ylabel("gives\nfirst", fontsize=9, color=INK)
    for side in ("top", "right", "left"):
        ax.spines[side].set_visible(False)
    ax.tick_params(colors=INK, labelsize=8.5)


def _rectangle(left: float, width: float, colour: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((left, 0.04), width, 0.92, facecolor=colour, edgecolor=INK, linewidth=0.7)


def _edges(x: Floats) -> Floats:
    """Return the borders halfway between values."""
    half = 0.5 * _spacing(x)
    return np.concatenate([[x[0] - half], 0.5 * (x[1:] + x[:-1]), [x[-1] + half]])


def _map(sweep: Sweep, figure: Figure) -> None:
    """Draw passing candidates light, failing ones in the colour of what gives first."""
    one, two = sweep.plan.axes
    x, y = np.array(one.values, dtype=float), np.array(two.values, dtype=float)
    rows = np.array(sweep.rows, dtype=object).reshape(len(x), len(y)).T
    shades = np.array([[_shade(row) for row in line] for line in rows])
    ax = figure.subplots()
    ax.pcolormesh(_edges(x), _edges(y), shades, edgecolor="white", linewidth=_seam(rows.size))
    passing = np.array([[row.passes for row in line] for line in rows])
    _border(ax, _edges(x), _edges(y), passing)
    _names(ax, x, y, rows)
    if one.key == PARALLEL:
        _smallest(ax, sweep, x, y)
    ax.set_xlabel(label_of(one.key), fontsize=9.5, color=INK)
    ax.set_ylabel(label_of(two.key), fontsize=9.5, color=INK)
    ax.tick_params(colors=INK, labelsize=8.5)
    for side in ax.spines.values():
        side.set_visible(False)
    dots = " Dots: the smallest that passes." if one.key == PARALLEL and passing.any() else ""
    ax.annotate(
        "passing: the deeper, the more room to the nearest limit; failing: the darker, the further "
        f"beyond.{dots}",
        (1.0, 1.005), xycoords="axes fraction", ha="right", va="bottom", fontsize=8, color=INK,
    )  # fmt: skip


def _seam(count: int) -> float:
    return 0.5 if count <= 400 else 0.0


def _mixed(one: str, other: str, share: float) -> tuple[float, float, float]:
    from matplotlib.colors import to_rgb

    red, green, blue = (
        (1.0 - share) * a + share * b for a, b in zip(to_rgb(one), to_rgb(other), strict=True)
    )
    return red, green, blue


def _shade(row: Row) -> tuple[float, float, float]:
    margin = row.margin_worst
    if row.passes:
        return _mixed("#f7faf3", "#bcd6a0", min((margin or 0.0) / ROOM_SHOWN, 1.0))
    colour = kind_of(row.first_limit or "no_answer")[1]
    beyond = LACK_SHOWN if margin is None else min(-min(margin, 0.0), LACK_SHOWN)
    darker = 0.4 * math.log1p(beyond) / math.log1p(LACK_SHOWN)
    return _mixed(_hex(_mixed(colour, "#ffffff", 0.28)), INK, darker)


def _hex(colour: tuple[float, float, float]) -> str:
    from matplotlib.colors import to_hex

    return to_hex(colour)


def _border(ax: Axes, x_edge: Floats, y_edge: Floats, passing: NDArray[np.bool_]) -> None:
    """Draw a line between passing and failing candidates."""
    lines: list[list[tuple[float, float]]] = []
    for j, i in zip(*np.nonzero(passing[:, 1:] != passing[:, :-1]), strict=True):
        lines.append([(x_edge[i + 1], y_edge[j]), (x_edge[i + 1], y_edge[j + 1])])
    for j, i in zip(*np.nonzero(passing[1:] != passing[:-1]), strict=True):
        lines.append([(x_edge[i], y_edge[j + 1]), (x_edge[i + 1], y_edge[j + 1])])
    from matplotlib.collections import LineCollection

    ax.add_collection(LineCollection(lines, colors=INK, linewidths=1.6, capstyle="round"))


def _names(ax: Axes, x: Floats, y: Floats, rows: Any) -> None:
    """Write into each area what gives first there, where it is widest."""
    from matplotlib.patheffects import withStroke
    from scipy.ndimage import distance_transform_edt, label

    kinds = np.array([[_kind(row) for row in line] for line in rows])
    for kind in sorted(set(kinds.ravel())):
        words, colour = (PASSES, "white") if kind == PASSES else kind_of(kind)
        around = colour if kind == PASSES else INK
        areas, count = label(kinds == kind)
        for inside in (areas == area for area in range(1, count + 1)):
            if inside.sum() < SMALLEST_AREA * kinds.size:
                continue
            depth = distance_transform_edt(np.pad(inside, 1))[1:-1, 1:-1]
            j, i = (int(n) for n in np.unravel_index(int(np.argmax(depth)), depth.shape))
            left, right = _run(inside[j], i)
            low, high = _run(inside[:, i], j)
            upright = (right - left) / len(x) * WIDEST_MAP < len(words)
            place = (x[i], 0.5 * (y[low] + y[high - 1])) if upright else (
                0.5 * (x[left] + x[right - 1]), y[j],
            )  # fmt: skip
            ax.annotate(
                words, place, ha="center", va="center", fontsize=10, fontweight="bold",
                rotation=90 if upright else 0, color=INK if kind == PASSES else "white",
                path_effects=[withStroke(linewidth=2.5, foreground=around)],
            )  # fmt: skip


def _run(inside: NDArray[np.bool_], at: int) -> tuple[int, int]:
    """Return begin and end of the stretch of True about `at`."""
    outside = np.flatnonzero(~inside)
    begin = int(outside[outside < at].max(initial=-1)) + 1
    return begin, int(outside[outside > at].min(initial=len(inside)))


def _smallest(ax: Axes, sweep: Sweep, x: Floats, y: Floats) -> None:
    """Mark the smallest passing count at each value of the second axis."""
    dots = [
        (column.smallest.parallel, value)
        for column, value in zip(sweep.columns, y, strict=True)
        if column.smallest is not None
    ]
    if dots:
        ax.plot(*zip(*dots, strict=True), "o", color=INK, markersize=3.5)
