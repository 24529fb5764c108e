"""The picture of a heat fit: each log against the fit, and whether the rates make one curve."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from sim.fit.heat import HeatFit
from sim.fit.heat_model import warm_rates_A
from sim.fit.heat_result import Residual
from sim.show.fit_heat_words import answer
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
    last,
    plain,
    pointed,
)
from sim.units import MILLI, SECONDS_PER_HOUR

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLOURS = (COOL, WARM, LEAF, PLUM)
STYLES = ("o-", "s--", "^:", "D-.")
LONGEST_TITLE = 118
MOST_LOGS = 4  # in the picture; more are told in words


@as_written
def picture(fit: HeatFit, path: Path) -> None:
    """Draw measured and fitted surface, their difference, and the collapse, into `path`."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    shown = fit.residuals[:MOST_LOGS]
    figure = Figure(figsize=(10.4, 7.6), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    parts: Any = figure.subfigures(2, 1, height_ratios=[1.25, 1.0])
    above, below = parts
    axes = above.subplots(2, len(shown), sharex="col", sharey="row", height_ratios=[1.6, 1.0])
    axes = np.atleast_2d(axes).reshape(2, len(shown))
    for column, each in enumerate(shown):
        _surface(axes[0][column], each, named=column == 0)
        _difference(axes[1][column], each)
    axes[0][0].set_ylabel("surface, C", fontsize=9, color=INK)
    axes[1][0].set_ylabel("fit - measured, K", fontsize=9, color=INK)
    _collapse(below.subplots(1, 1), fit)
    title = textwrap.wrap(answer(fit), LONGEST_TITLE)
    figure.suptitle("\n".join(title), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _surface(ax: Axes, each: Residual, *, named: bool) -> None:
    plain(ax)
    hour = each.time_s / SECONDS_PER_HOUR
    ax.plot(hour, each.measured_C, color=INK, linewidth=2.2, alpha=0.45)
    ax.plot(hour, each.fitted_C, color=WARM, linewidth=1.1)
    ax.set_title(f"{each.name}, {each.rate_A:.1f} A", fontsize=9, color=INK, loc="left")
    if named:
        for share, words, values, colour, off in (
            (0.45, "measured", each.measured_C, INK, (-14.0, 14.0)),
            (0.55, "fitted", each.fitted_C, WARM, (14.0, -14.0)),
        ):
            k = int(share * (len(hour) - 1))
            pointed(ax, (float(hour[k]), float(values[k])), words, colour, off)


def _difference(ax: Axes, each: Residual) -> None:
    plain(ax)
    ax.axhline(0.0, color=FAINT, linewidth=0.9)
    off_K = each.fitted_C - each.measured_C
    ax.plot(each.time_s / SECONDS_PER_HOUR, off_K, color=WARM, linewidth=0.9)
    ax.set_xlabel("hours", fontsize=9, color=INK)
    ax.set_title(f"{each.rms_K:.2f} K rms", fontsize=8.5, color=INK, loc="right", pad=2.0)


def _collapse(ax: Axes, fit: HeatFit) -> None:
    """Draw what each rate, by its own heat balance, leaves for reversible heat."""
    plain(ax)
    curve = fit.collapse
    percent = 100.0 * curve.soc
    warm = warm_rates_A(fit.unknowns.runs)
    lines = []
    for i, (rate_A, row_V) in enumerate(zip(curve.rate_A, curve.reversible_V, strict=True)):
        if rate_A not in warm or i >= MOST_LOGS:
            continue
        words = f"{fit.residuals[i].name}, {rate_A:.1f} A"
        ax.plot(percent, row_V / MILLI, STYLES[i], color=COLOURS[i], ms=4, lw=1.1)
        lines.append((row_V, words, COLOURS[i]))
    ax.plot(percent, curve.fitted_V / MILLI, color=FAINT, lw=3, alpha=0.5)
    lines.append((curve.fitted_V, "the fit", SOFT))
    ax.axhline(0.0, color=FAINT, linewidth=0.9)
    ax.invert_xaxis()
    ax.set_xlabel("state of charge, %", fontsize=9, color=INK)
    ax.set_ylabel("reversible heat, mV (above 0 warms)", fontsize=9, color=INK)
    if curve.holds is None:
        said = "no two rates to compare: one curve alone proves nothing"
    else:
        word = "one curve" if curve.holds else "NOT one curve"
        said = (
            f"{word}: rates {1e3 * curve.spread_V:.1f} mV rms apart, accepted "
            f"{1e3 * curve.allowed_V:.0f}; {curve.fan_mohm:+z.1f} mohm as the rate rises"
        )
    ax.set_title("each rate by its own heat balance: " + said, fontsize=9, color=INK, loc="left")
    towards_empty = np.argsort(-percent)  # as the axis runs
    ends(ax, [(last(v[towards_empty]) / MILLI, words, hue) for v, words, hue in lines], 0.1)
