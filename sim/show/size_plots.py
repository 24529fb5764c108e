"""The picture of a sizing: how many side by side each requirement asks for, and which decides."""

from __future__ import annotations

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

from sim.ask.size import Sizing
from sim.ask.size_layout import Layout
from sim.show.look_plots import COOL, INK, WARM, as_written, plain
from sim.show.size_words import answer

if TYPE_CHECKING:
    from matplotlib.axes import Axes

LONGEST_TITLE = 118


@as_written
def picture(sizing: Sizing, path: Path) -> None:
    """Draw a bar a requirement for each layout into `path`; its suffix says the format."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    layouts = sizing.layouts
    rows = sum(len(layout.asked) + 1 for layout in layouts)
    figure = Figure(figsize=(9.6, 1.5 + 0.34 * rows), layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    heights = [len(layout.asked) + 1 for layout in layouts]
    axes = figure.subplots(len(layouts), 1, sharex=True, squeeze=False, height_ratios=heights)
    for layout, (ax,) in zip(layouts, axes, strict=True):
        _bars(ax, layout, chosen=sizing.choice is not None and layout.fit == sizing.choice.fit)
    axes[-1][0].set_xlabel("cells side by side", fontsize=9, color=INK)
    counts = [one.parallel or 0 for layout in layouts for one in layout.asked]
    axes[-1][0].set_xlim(0, 1.12 * max([*counts, 1]))
    title = [sizing.table.title, *textwrap.wrap(answer(sizing), LONGEST_TITLE)]
    figure.suptitle("\n".join(title), x=0.01, ha="left", fontsize=10.5, color=INK)
    figure.savefig(path, dpi=130)


def _bars(ax: Axes, layout: Layout, *, chosen: bool) -> None:
    """Draw one layout's requirements, the deciding one in another hue and hatched."""
    plain(ax, "x")
    for at, one in enumerate(layout.asked):
        decides = one.name == layout.decides
        color = WARM if decides else COOL
        ax.barh(at, one.parallel or 0, color=color, hatch="//" if decides else None, height=0.62,
                edgecolor="white")  # fmt: skip
        words = "none will do" if one.parallel is None else str(one.parallel)
        words += " decides" if decides else ""
        ax.annotate(
            words, (one.parallel or 0, at), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=9, color=INK,
        )  # fmt: skip
    ax.set_yticks(range(len(layout.asked)), [one.name for one in layout.asked], fontsize=9)
    ax.invert_yaxis()
    cells = "" if layout.what is None else f", {layout.what.cells} cells"
    ax.set_title(
        f"{layout.fit.series} in series{cells}{', chosen' if chosen else ''}",
        loc="left", fontsize=9.5, color=INK,
    )  # fmt: skip
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
