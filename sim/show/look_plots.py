"""The one quiet look of all pictures: colours, frames, and words beside the lines they name."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Sequence
from functools import wraps
from typing import TYPE_CHECKING, Any, ParamSpec

import numpy as np

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Hues after Okabe and Ito's for the colour-blind, each dark enough for words on white (WCAG AA);
# in grey print a dash and a name at each line's end tell them apart. FAINT is for frames only.
INK, SOFT, FAINT, GRID = "#1f2430", "#5a616d", "#9aa0aa", "#e4e6ea"
WARM, COOL, LEAF, PLUM = "#b3400e", "#2a78b5", "#4d7c2b", "#7b3f74"
P = ParamSpec("P")
LONGEST_NAME = 26  # letters of a name at a line's end
DARK = 0.217  # relative luminance below which white words read better than ink


def as_written(draw: Callable[P, None]) -> Callable[P, None]:
    """Let `draw` draw a dollar sign as one, wherever it stands: in a title or in a file's names."""

    @wraps(draw)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> None:
        from matplotlib import rc_context

        with rc_context({"text.parse_math": False}):
            draw(*args, **kwargs)

    return drawn


def plain(ax: Axes, of: str = "y") -> None:
    """Leave of a panel's frame what is read: left and bottom, faint lines from one axis's ticks."""
    for side in ("top", "right"):
        ax.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        ax.spines[side].set_color(FAINT)
    ax.tick_params(colors=INK, labelsize=8.5)
    ax.grid(visible=False)
    (ax.xaxis if of == "x" else ax.yaxis).grid(color=GRID, linewidth=0.6)
    ax.set_axisbelow(True)


def level(ax: Axes, value: float, words: str, colour: str, *, above: bool = True) -> None:
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


def from_here(axes: Sequence[Axes], hour: float | None, words: str) -> None:
    """Mark an hour through all panels, with words in the lowest; nothing where there is none."""
    if hour is None:
        return
    for ax in axes:
        ax.axvline(hour, color=SOFT, linewidth=0.9, linestyle=(0, (1, 1)))
    left, right = axes[-1].get_xlim()
    early = hour < left + 0.7 * (right - left)  # room for the words behind it
    axes[-1].annotate(
        words,
        (hour, 0.05),
        xycoords=("data", "axes fraction"),
        xytext=(4 if early else -4, 0),
        textcoords="offset points",
        ha="left" if early else "right",
        fontsize=8,
        color=SOFT,
    )


def last(values: Any) -> float:
    """Return the last known value of a line, which is where its name stands."""
    known = np.asarray(values, dtype=float)
    known = known[np.isfinite(known)]
    return float(known[-1]) if len(known) else float("nan")


def ends(ax: Axes, named: Sequence[tuple[float, str, str]], apart: float = 0.08) -> None:
    """Name each line at its right end: (its last value, its name, its colour).

    Names are pushed `apart` (a share of the axis) where ends lie close; a line that ends out of
    sight has its name at the edge. Call it when the axis stands.
    """
    low, high = ax.get_ylim()
    named = sorted((line for line in named if np.isfinite(line[0])), key=lambda line: line[0])
    places = np.array([min(max(value, low), high) for value, *_ in named])
    for _ in range(80):  # push neighbours apart evenly, so that each stays by its line
        gaps = np.maximum(apart * (high - low) - np.diff(places), 0.0)
        if not np.any(gaps > 1e-9 * (high - low)):
            break
        places[1:] += 0.5 * gaps
        places[:-1] -= 0.5 * gaps
    for (_, words, colour), y in zip(named, places, strict=True):
        ax.annotate(
            textwrap.shorten(words, LONGEST_NAME, placeholder=" ..."),
            (1.0, y),
            xycoords=("axes fraction", "data"),
            xytext=(5, 0),
            textcoords="offset points",
            va="center",
            fontsize=8.5,
            color=colour,
            annotation_clip=False,
        )


def pointed(
    ax: Axes, place: tuple[float, float], words: str, colour: str, off: tuple[float, float]
) -> None:
    """Name a line by a thin lead from its `place`, the words `off` from it [points]."""
    ax.annotate(
        words, place, xytext=off, textcoords="offset points", fontsize=8.5, color=colour,
        ha="left" if off[0] >= 0.0 else "right", va="bottom" if off[1] >= 0.0 else "top",
        arrowprops={"arrowstyle": "-", "color": colour, "linewidth": 0.6, "shrinkA": 0.0,
                    "shrinkB": 1.5},
    )  # fmt: skip


def luminance(colour: Any) -> float:
    """Return the relative luminance of a colour (WCAG 2.2, definitions)."""
    from matplotlib.colors import to_rgb

    part = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return 0.2126 * part[0] + 0.7152 * part[1] + 0.0722 * part[2]


def words_on(colour: Any) -> str:
    """Return the colour of words that stand on `colour`."""
    return "white" if luminance(colour) < DARK else INK
