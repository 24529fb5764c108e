"""From numbers to lines on paper: ticks, thinned paths, and labels that keep out of each other.

Everything here is in user units of an SVG picture, y downwards; words are left to the template,
which escapes them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
LETTER = 6.3  # user units of a letter at the labels' size, on the generous side
LABEL_APART = 13.0


@dataclass(frozen=True)
class Line:
    """A named curve; `style` is a class of the page's style sheet. `words` "" leaves it unnamed."""

    value: Floats
    words: str
    style: str
    filled: bool = False  # down to zero


@dataclass(frozen=True)
class Band:
    """What lies between two curves."""

    low: Floats
    high: Floats
    style: str


@dataclass(frozen=True)
class Level:
    """A limit, with its name."""

    value: float
    words: str


@dataclass(frozen=True)
class Panel:
    """One quantity over the day."""

    title: str  # with its unit
    tall: float
    lines: Sequence[Line]
    bands: Sequence[Band] = ()
    levels: Sequence[Level] = ()
    least: float | None = None  # that the axis reaches to at least
    most: float | None = None


@dataclass
class Drawn:
    """One panel in user units, ready for the template."""

    title: str
    top: float
    bottom: float
    ticks: list[tuple[float, str]] = field(default_factory=list)
    areas: list[tuple[str, str]] = field(default_factory=list)  # path, style
    paths: list[tuple[str, str]] = field(default_factory=list)
    labels: list[tuple[float, str, str]] = field(default_factory=list)  # y, words, style
    levels: list[tuple[float, str]] = field(default_factory=list)


@dataclass(frozen=True)
class Chart:
    """All panels on one time axis."""

    width: float
    height: float
    left: float
    right: float
    panels: list[Drawn]
    hours: list[tuple[float, str]]  # x, words
    axis: str
    marks: list[tuple[float, str]]  # x, style: instants drawn through all panels


def nice_ticks(low: float, high: float, most: int = 5) -> list[float]:
    """Return one to `most` round values (4 at the least may be asked for) from `low` to `high`."""
    span = max(high - low, 1e-9)
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(
        (m * power for m in (1, 2, 5, 10, 20) if span / (m * power) <= most - 1), 50 * power
    )
    first = math.ceil(low / step - 1e-9)
    return [n * step for n in range(first, math.floor(high / step + 1e-9) + 1)]


def tick_text(value: float, step: float) -> str:
    """Return a tick with as many digits as its step needs."""
    digits = 0 if step >= 1.0 else math.ceil(-math.log10(step) - 1e-9)
    return f"{value + 0.0:.{digits}f}"


def thinned(x: Floats, value: Floats, buckets: int) -> tuple[Floats, Floats]:
    """Return the points that a picture `buckets` wide can show: no peak and no dip is lost.

    Of each bucket stay the first and last point, the least and the greatest.
    """
    if len(x) <= 4 * buckets:
        return x, value
    span = max(float(x[-1] - x[0]), 1e-12)
    at = np.minimum(((x - x[0]) / span * buckets).astype(int), buckets - 1)
    starts = np.flatnonzero(np.append(True, np.diff(at) > 0))
    keep: set[int] = set()
    for begin, end in zip(starts, np.append(starts[1:], len(x)), strict=True):
        part = value[begin:end]
        places = (0, len(part) - 1, int(part.argmin()), int(part.argmax()))
        keep |= {int(begin) + p for p in places}
    order = np.array(sorted(keep))
    return x[order], value[order]


def path_of(x: Floats, y: Floats) -> str:
    """Return the points as an SVG path."""
    points = [f"{a:.1f} {b:.1f}" for a, b in zip(x.tolist(), y.tolist(), strict=True)]
    return "M" + "L".join(points)


def apart(wanted: Sequence[float], least: float, low: float, high: float) -> list[float]:
    """Return places near those wanted, at least `least` apart and inside, order kept."""
    order = np.argsort(np.asarray(wanted), kind="stable")
    places = np.clip(np.asarray(wanted, float)[order], low, high)
    for _ in range(200):
        gaps = np.maximum(least - np.diff(places), 0.0)
        if not np.any(gaps > 1e-6):
            break
        places[1:] += 0.5 * gaps
        places[:-1] -= 0.5 * gaps
        places = np.clip(places, low, high)
    out = np.empty(len(places))
    out[order] = places
    return [float(place) for place in out]


def chart(
    hour: Floats,
    panels: Sequence[Panel],
    *,
    width: float,
    hours: Sequence[tuple[float, str]],
    axis: str,
    marks: Sequence[tuple[float, str]] = (),
) -> Chart:
    """Lay `panels` one below the other over `hour` (n,); `hours` are the ticks in its unit."""
    names = [line.words for panel in panels for line in panel.lines if line.words]
    right = width - LETTER * max((len(name) for name in names), default=0) - 10.0
    left, gap = 46.0, 42.0
    first, last = float(hour[0]), max(float(hour[-1]), float(hour[0]) + 1e-6)

    def across(value: Floats | float) -> Floats:
        return left + (np.asarray(value) - first) / (last - first) * (right - left)

    top, drawn = 30.0, []
    for panel in panels:
        drawn.append(_panel(panel, hour, top, across, int(right - left)))
        top += panel.tall + gap
    return Chart(
        width, top + 18.0, left, right, drawn,
        [(float(across(at)), words) for at, words in hours], axis,
        [(float(across(at)), style) for at, style in marks],
    )  # fmt: skip


def _panel(panel: Panel, hour: Floats, top: float, across: object, buckets: int) -> Drawn:
    assert callable(across)
    values = [line.value for line in panel.lines] + [
        v for b in panel.bands for v in (b.low, b.high)
    ]
    known = [float(f(v)) for v in values for f in (np.min, np.max)]
    known += [level.value for level in panel.levels]
    known += [edge for edge in (panel.least, panel.most) if edge is not None]
    known += [0.0] if any(line.filled for line in panel.lines) else []
    low, high = min(known), max(known)
    space = 0.06 * max(high - low, 1e-3)
    low, high = low - (space if low != 0.0 else 0.0), high + space
    bottom = top + panel.tall

    def down(value: Floats | float) -> Floats:
        return bottom - (np.asarray(value) - low) / (high - low) * panel.tall

    out = Drawn(panel.title, top, bottom)
    ticks = nice_ticks(low, high, 5 if panel.tall >= 80 else 4)
    step = ticks[1] - ticks[0] if len(ticks) > 1 else 1.0
    out.ticks = [(float(down(t)), tick_text(t, step)) for t in ticks]
    for band in panel.bands:
        x, upper = thinned(hour, band.high, buckets // 2)
        x_low, lower = thinned(hour, band.low, buckets // 2)
        both_x = np.append(across(x), across(x_low)[::-1])
        out.areas.append((path_of(both_x, np.append(down(upper), down(lower)[::-1])), band.style))
    for line in panel.lines:
        x, value = thinned(hour, line.value, buckets // 2)
        if line.filled:
            ends = np.array([x[-1], x[0]])
            edge = np.append(down(value), down(np.zeros(2)))
            out.areas.append((path_of(np.append(across(x), across(ends)), edge), line.style))
        out.paths.append((path_of(across(x), down(value)), line.style))
    named = [line for line in panel.lines if line.words]
    places = apart([float(down(line.value[-1])) for line in named], LABEL_APART, top, bottom)
    out.labels = [(y, line.words, line.style) for y, line in zip(places, named, strict=True)]
    out.levels = [(float(down(level.value)), level.words) for level in panel.levels]
    return out
