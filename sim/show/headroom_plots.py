"""The picture of the headroom: what becomes of the pack as each knob is turned."""

from __future__ import annotations

import math
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from sim.ask.headroom import Headroom, Knob
from sim.show.headroom_words import KNOBS, answer, shown
from sim.show.look_plots import FAINT, INK, LEAF, WARM, as_written, plain
from sim.show.sweep_plots import kind_of
from sim.units import ZERO_C_K

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST_TITLE = 128
AHEAD = 0.3  # of the way from the least value shown to the turn, shown beyond it


@as_written
def picture(found: Headroom, path: Path) -> None:
    """Draw hottest core and charge over each knob, with today and the turn marked."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(10.4, 6.4), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    knobs = (found.load_scale, found.ambient_shift_K, found.until_reserve_A)
    axes = figure.subplots(2, len(knobs), sharex="col", sharey="row")
    limits = found.base.case.limits
    for column, knob in enumerate(knobs):
        low, high = _span(knob)
        looks = [look for look in knob.looks if low <= look.value <= high]
        x = [look.value for look in looks]
        above, below = axes[0][column], axes[1][column]
        above.plot(x, [look.hottest_core_C for look in looks], "o-", color=WARM, ms=3, lw=1.2)
        below.plot(x, [100.0 * look.end_soc for look in looks], "o-", color=LEAF, ms=3, lw=1.2)
        _level(above, limits.core_max_K - ZERO_C_K, "core limit", "C", named=column == 0)
        _level(below, 100.0 * limits.reserve_soc, "reserve", "%", named=column == 0)
        for ax in (above, below):
            plain(ax)
            _marks(ax, knob, named=ax is above)
        below.set_xlabel(KNOBS[knob.name][0], fontsize=9.5, color=INK)
        below.set_xlim(low, high)
    axes[0][0].set_ylabel("hottest core, C", fontsize=9, color=INK)
    axes[1][0].set_ylabel("charge at the end, %", fontsize=9, color=INK)
    looks = [look for knob in knobs for look in knob.looks if _in(knob, look.value)]
    _fit(axes[0][0], [look.hottest_core_C for look in looks], limits.core_max_K - ZERO_C_K)
    _fit(axes[1][0], [100.0 * look.end_soc for look in looks], 100.0 * limits.reserve_soc)
    title = [found.base.case.scenario.title, *textwrap.wrap(answer(found), LONGEST_TITLE)]
    figure.suptitle("\n".join(title), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _span(knob: Knob) -> tuple[float, float]:
    """Return what is shown of a knob: from where the search began to a little past the turn."""
    values = [look.value for look in knob.looks]
    begin, end = min(values), max(values)
    if knob.greatest is not None and knob.upwards:
        turn = max(knob.greatest, begin if knob.today is None else knob.today)
        end = min(end, turn + AHEAD * max(turn - begin, 1e-9))
    if end <= begin:  # a single look
        begin, end = begin - 0.5 * abs(begin), end + 0.5 * abs(end) + 1e-6
    return begin, end


def _in(knob: Knob, value: float) -> bool:
    low, high = _span(knob)
    return low <= value <= high


def _fit(ax: Axes, values: list[float], level: float) -> None:
    """Show all values and the level, with room above for the marks' names."""
    known = [value for value in (*values, level) if math.isfinite(value)]
    low, high = min(known), max(known)
    space = max(high - low, 1.0)
    ax.set_ylim(low - 0.08 * space, high + 0.16 * space)


def _level(ax: Axes, value: float, words: str, unit: str, *, named: bool) -> None:
    if not math.isfinite(value):  # none is set
        return
    ax.axhline(value, color=INK, linewidth=0.9, linestyle=(0, (5, 3)))
    if named:
        ax.annotate(
            f"{words} {value:g} {unit}", (0.01, value), xycoords=("axes fraction", "data"),
            xytext=(0, 2), textcoords="offset points", va="bottom", fontsize=8, color=INK,
        )  # fmt: skip


def _marks(ax: Axes, knob: Knob, *, named: bool) -> None:
    """Mark today and the turn, with what gives there."""
    middle = 0.5 * sum(_span(knob))
    if knob.today is not None:
        ax.axvline(knob.today, color=FAINT, linewidth=1.0)
        if named:
            _note(ax, (knob.today, 0.985), "today", left=knob.today > middle)
    if knob.greatest is not None and knob.limit is not None:
        ax.axvline(knob.greatest, color=INK, linewidth=1.4)
        if named:
            words = f"{shown(knob, knob.greatest)}: {kind_of(knob.limit)[0]}"
            _note(ax, (knob.greatest, 0.915), words, left=knob.greatest > middle)


def _note(ax: Axes, place: tuple[float, float], words: str, *, left: bool) -> None:
    """Write words beside a line, on its left or right."""
    ax.annotate(
        words, place, xycoords=("data", "axes fraction"),
        xytext=(-3 if left else 3, 0), textcoords="offset points",
        ha="right" if left else "left", va="top", fontsize=8.5, color=INK,
    )  # fmt: skip
