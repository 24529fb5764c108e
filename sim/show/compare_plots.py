"""The picture of a comparison: measured, predicted, and the difference against what is allowed."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from sim.ask.compare import ABOVE_SOC, Comparison
from sim.show.compare_words import answer
from sim.show.look_plots import COOL, FAINT, INK, SOFT, WARM, as_written, ends, last, plain
from sim.units import SECONDS_PER_HOUR

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Floats = NDArray[np.float64]
LONGEST_TITLE = 118
LOUD = 6.0  # times the rms; an error beyond it may leave its panel, and the panel says so


@as_written
def picture(found: Comparison, path: Path) -> None:
    """Draw both curves and their difference on one time axis into `path`."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    volts, kelvins = found.judged.voltage_rms_mV is not None, found.seen.surface_C is not None
    heights = [1.5, 0.9] * (volts + kelvins) + [0.8]
    figure = Figure(
        figsize=(9.6, 1.2 + 1.75 * sum(heights)), layout="constrained", facecolor="white"
    )
    FigureCanvasAgg(figure)
    axes = list(figure.subplots(len(heights), 1, sharex=True, height_ratios=heights))
    hour = found.seen.time_s / SECONDS_PER_HOUR
    axes[0].set_xlim(hour[0], max(float(hour[-1]), hour[0] + 1e-3))
    for ax in axes:
        plain(ax)
        _deep(found, hour, ax)
    panels = iter(axes)
    if volts:
        each = "" if found.plant.pack.series == 1 else " of a cell"
        _curves(next(panels), hour, found.seen.cell_V, found.predicted.cell_V, f"voltage{each}, V")
        _difference(
            next(panels), hour, 1e3 * found.off_V, 1e3 * found.uncertain.voltage_V, "difference, mV"
        )
    if kelvins:
        ax, air_C = next(panels), found.predicted.air_C
        ax.plot(hour, air_C, color=SOFT, linewidth=1.0, linestyle=(0, (1, 1)))
        more = [(last(air_C), "air", SOFT)]
        _curves(ax, hour, found.seen.surface_C, found.predicted.surface_C, "surface, C", more)
        _difference(next(panels), hour, found.off_K, found.uncertain.temperature_K, "difference, K")
    current = next(panels)
    drawn_A = found.predicted.current_A if found.seen.current_A is None else found.seen.current_A
    current.plot(hour, drawn_A, color=INK, linewidth=0.6)
    current.set_ylabel("current, A", fontsize=9, color=INK)
    current.set_xlabel("hours from the start of the log", fontsize=9, color=INK)
    title = [found.case.scenario.title, *textwrap.wrap(answer(found), LONGEST_TITLE)]
    figure.suptitle("\n".join(title), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _deep(found: Comparison, hour: Floats, ax: Axes) -> None:
    """Shade where the charge is below 10 %, and nothing is promised."""
    low = np.nan_to_num(found.predicted.soc, nan=1.0) <= ABOVE_SOC
    if low.any():
        bottom, top = ax.get_ylim()
        edges = np.flatnonzero(np.diff(np.concatenate(([0], low.astype(int), [0]))))
        for first, last in zip(edges[::2], edges[1::2] - 1, strict=True):
            ax.axvspan(hour[first], hour[last], color="#f1f2f4", zorder=0)
        ax.set_ylim(bottom, top, auto=True)


def _curves(
    ax: Axes,
    hour: Floats,
    seen: Floats | None,
    said: Floats,
    words: str,
    more: Sequence[tuple[float, str, str]] = (),
) -> None:
    assert seen is not None  # a panel is drawn for what was measured
    ax.plot(hour, seen, color=INK, linewidth=1.1)
    ax.plot(hour, said, color=WARM, linewidth=1.0, linestyle=(0, (4, 1.5)))
    ax.set_ylabel(words, fontsize=9, color=INK)
    ends(ax, [(last(seen), "measured", INK), (last(said), "predicted", WARM), *more])


def _difference(ax: Axes, hour: Floats, off: Floats, width: Floats, words: str) -> None:
    """Draw predicted less measured over the band that the stated uncertainties allow."""
    ax.fill_between(hour, -width, width, color=COOL, alpha=0.22, linewidth=0)
    ax.axhline(0.0, color=FAINT, linewidth=0.8)
    ax.plot(hour, off, color=WARM, linewidth=0.8)
    known = off[np.isfinite(off)]
    usual = float(np.sqrt(np.median(known**2))) if len(known) else 1.0
    most = float(np.abs(known).max()) if len(known) else 1.0
    shown = max(LOUD * usual, 1.15 * float(np.nanmedian(np.append(width, 0.0))), 1e-6)
    if most > shown:
        far = float(known[np.argmax(np.abs(known))])
        ax.set_ylim(-shown, shown)
        ax.annotate(
            f"goes to {far:+z.{0 if most >= 100.0 else 2}f}", (1.0, 1.03),
            xycoords="axes fraction", ha="right", va="bottom", fontsize=8, color=WARM,
        )  # fmt: skip
    ax.set_ylabel(words, fontsize=9, color=INK)
    ends(
        ax,
        [(last(off), "predicted - measured", WARM), (last(width), "band: as stated", COOL)],
        0.13,
    )
