"""The picture of the odds: where margins lie, what moves them, and how the share settles."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.ask.odds import Odds
from sim.judge.verdict import ABOUT
from sim.physics.limits import CUTOFF, EMPTY, HOT, RESERVE, UNITS
from sim.show.look_plots import COOL, FAINT, INK, WARM, as_written, plain
from sim.show.odds_words import LEAST_INDEX, answer, told

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST_TITLE = 128
PANELS = 3
OFTEN = (HOT, RESERVE, EMPTY, CUTOFF)  # shown beside the one that decides
MOST_BARS = 10
BINS = 50
ALIKE = 1e-6  # in the unit of a margin: less is rounding


@as_written
def picture(found: Odds, path: Path) -> None:
    """Draw margins, indices and the share by draws; the suffix says the format."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.4, 7.4), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    halves: Any = figure.subfigures(1, 2, width_ratios=[1.0, 1.15])
    left, right = halves
    limits = panels(found)
    for ax, limit in zip(np.atleast_1d(left.subplots(len(limits), 1)), limits, strict=True):
        _margins(found, limit, ax)
    bars, settles = right.subplots(2, 1, height_ratios=[1.7, 1.0])
    _bars(found, bars)
    _settles(found, settles)
    title = [found.case.scenario.title, *textwrap.wrap(answer(found), LONGEST_TITLE)]
    figure.suptitle("\n".join(title), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def panels(found: Odds) -> list[int]:
    """Return the limits whose margins are drawn: what decides, then heat, charge and voltage."""
    rest = [n for n in OFTEN if n in found.shown and n != found.decides]
    return [found.decides, *rest][:PANELS]


def _margins(found: Odds, limit: int, ax: Axes) -> None:
    """Draw how a margin is spread, from its 0.1 % to its 99.9 % quantile, its limit at 0."""
    margins = found.seen.margins[:, limit]
    margins = margins[np.isfinite(margins)]
    low, high = np.quantile(margins, [0.001, 0.999])
    if high - low < ALIKE:
        ax.set_axis_off()
        said = f"{ABOUT[limit][0]}: {low:+.4g} {UNITS[limit]} in every draw"
        ax.annotate(said, (0.5, 0.5), xycoords="axes fraction", ha="center", fontsize=9, color=INK)
        return
    space = 0.05 * (high - low)
    width = (high - low + 2.0 * space) / BINS
    begin = np.floor((low - space) / width)  # so that 0 is an edge
    edges = width * (begin + np.arange(BINS + 2))
    counts, _ = np.histogram(margins, edges)
    middle = 0.5 * (edges[1:] + edges[:-1])
    share = 100.0 * counts / found.draws
    for part, colour in ((middle >= 0.0, COOL), (middle < 0.0, WARM)):
        ax.bar(middle[part], share[part], width=width, color=colour)
    plain(ax)
    if edges[0] <= 0.0 <= edges[-1]:
        ax.axvline(0.0, ymax=0.84, color=INK, linewidth=1.1, linestyle=(0, (5, 3)))
    for quantile in np.quantile(margins, [0.05, 0.5, 0.95]):
        ax.axvline(quantile, ymax=0.84, color=FAINT, linewidth=0.9)
    ax.set_ylabel("% of draws", fontsize=9, color=INK)
    ax.set_ylim(0.0, 1.28 * share.max())
    ax.set_xlabel(f"{ABOUT[limit][0]}: room to the limit, {UNITS[limit]}", fontsize=9, color=INK)
    ax.annotate(
        f"holds in {told(found.holds(limit))}; lines: 5, 50, 95 %", (0.01, 0.99),
        xycoords="axes fraction", va="top", fontsize=8, color=INK,
    )  # fmt: skip


def _bars(found: Odds, ax: Axes) -> None:
    """Draw total indices of what decides as bars with their interval, first-order ones inside."""
    names = {factor.name: factor.about for factor in found.factors}
    of = [i for i in found.indices.get(found.decides, ()) if i.total >= LEAST_INDEX]
    of = sorted(of, key=lambda index: -index.total)[:MOST_BARS]
    plain(ax, "x")
    if not of:
        ax.set_axis_off()
        ax.annotate(
            "nothing moves it", (0.5, 0.5), xycoords="axes fraction", ha="center", color=INK
        )
        return
    y = np.arange(len(of))[::-1]
    total = np.array([100.0 * index.total for index in of])
    ends = 100.0 * np.array([[i.total_low for i in of], [i.total_high for i in of]])
    first = np.array([100.0 * index.first for index in of])
    ax.barh(y, total, height=0.66, color=COOL, alpha=0.55)
    ax.plot(first, y, "D", color="white", markeredgecolor=INK, ms=6.0)
    for level, low, high in zip(y, *ends, strict=True):
        ax.plot([low, high], [level, level], color=INK, linewidth=1.0)
    ax.set_yticks(y, [names[index.name] for index in of])
    least, most = min(float(first.min()), 0.0), max(float(ends.max()), float(first.max()))
    ax.set_xlim(1.08 * least, max(1.08 * most, 5.0))
    ax.set_xlabel(
        f"share of what moves '{ABOUT[found.decides][0]}', %; lines: 95 % sure",
        fontsize=9, color=INK,
    )  # fmt: skip
    ax.set_title(
        "bars: with all it joins in; diamonds: alone",
        loc="left",
        fontsize=8,
        color=INK,
    )


def _settles(found: Odds, ax: Axes) -> None:
    """Draw the share of draws that hold every limit, and its interval, over their number."""
    shares = found.by_draws
    draws = [share.draws for share in shares]
    low, high = ([100.0 * getattr(s, end) for s in shares] for end in ("low", "high"))
    ax.fill_between(draws, low, high, color=COOL, alpha=0.18, linewidth=0)
    ax.plot(draws, [100.0 * share.value for share in shares], "o-", color=COOL, ms=3.5, lw=1.2)
    wanted = found.case.scenario.odds.wanted_percent
    ax.axhline(wanted, color=INK, linewidth=0.9, linestyle=(0, (5, 3)))
    ax.annotate(
        f"wanted {wanted:g} %", (0.99, wanted), xycoords=("axes fraction", "data"),
        xytext=(0, 2), textcoords="offset points", ha="right", va="bottom", fontsize=8, color=INK,
    )  # fmt: skip
    ax.set_xscale("log", base=2)
    ax.set_xticks(draws, [str(n) for n in draws])
    plain(ax)
    ax.set_xlabel("draws", fontsize=9, color=INK)
    ax.set_ylabel("hold every limit, %", fontsize=9, color=INK)
