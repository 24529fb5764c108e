"""A current in straight lines over time, and the worst stretch of a given length in it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


class Lines(NamedTuple):
    """Stretches that follow each other without a gap; in each the value is a straight line.

    Values may jump between stretches. All arrays have one entry a stretch, but `edge_s` one more.
    """

    edge_s: Floats
    begin: Floats
    end: Floats

    @property
    def length_s(self) -> Floats:
        """Return how long each stretch is."""
        return np.diff(self.edge_s)


def lines_of(time_s: Floats, value: Floats) -> Lines:
    """Return the straight lines between points in order of time; equal times are a jump.

    Raises ArithmeticError where there is no time between any two points.
    """
    kept = np.flatnonzero(np.diff(time_s) > 0.0)
    if len(kept) == 0:
        raise ArithmeticError("the run has no length: no current can be judged")
    edge_s = np.append(time_s[kept], time_s[kept[-1] + 1])
    return Lines(edge_s, value[kept], value[kept + 1])


def mean_square(before: Floats, after: Floats) -> Floats:
    """Return the mean of the square along straight lines: (a^2 + a b + b^2) / 3."""
    return (before * before + before * after + after * after) / 3.0


def squares(lines: Lines) -> Floats:
    """Return the integral of the square from the start to each edge (n + 1,)."""
    parts = mean_square(lines.begin, lines.end) * lines.length_s
    return np.append(0.0, np.cumsum(parts))


def rms(lines: Lines) -> float:
    """Return the root of the mean square over the whole time."""
    return float(np.sqrt(squares(lines)[-1] / (lines.edge_s[-1] - lines.edge_s[0])))


def worst_rms(lines: Lines, window_s: float) -> tuple[float, float]:
    """Return the greatest rms over any window of `window_s`, and where it begins [s].

    Exact for straight lines. The mean square of a window is stationary where the squares at its
    two ends are alike, else greatest with an end on an edge; all such windows are looked at. A
    window longer than the whole time is the whole time.
    """
    first_s, last_s = float(lines.edge_s[0]), float(lines.edge_s[-1])
    if window_s >= last_s - first_s:
        return rms(lines), first_s
    starts_s = np.concatenate([lines.edge_s, lines.edge_s - window_s])
    starts_s = np.unique(starts_s[(starts_s >= first_s) & (starts_s <= last_s - window_s)])
    starts_s = np.concatenate([starts_s, _alike(lines, starts_s, window_s)])
    total = squares(lines)
    within = _integral(lines, total, starts_s + window_s) - _integral(lines, total, starts_s)
    at = int(np.argmax(within))
    return float(np.sqrt(max(within[at], 0.0) / window_s)), float(starts_s[at])


def _stretch(lines: Lines, time_s: Floats) -> NDArray[np.intp]:
    """Return which stretch holds each time; an edge belongs to the one that begins there."""
    at = np.searchsorted(lines.edge_s, time_s, side="right") - 1
    return np.clip(at, 0, len(lines.begin) - 1)


def _value(lines: Lines, time_s: Floats, at: NDArray[np.intp]) -> Floats:
    share = (time_s - lines.edge_s[at]) / lines.length_s[at]
    return lines.begin[at] + share * (lines.end[at] - lines.begin[at])


def _integral(lines: Lines, total: Floats, time_s: Floats) -> Floats:
    """Return the integral of the square from the start to each time."""
    at = _stretch(lines, time_s)
    value = _value(lines, time_s, at)
    past_s = time_s - lines.edge_s[at]
    return total[at] + mean_square(lines.begin[at], value) * past_s


def _alike(lines: Lines, starts_s: Floats, window_s: float) -> Floats:
    """Return the starts between neighbours of `starts_s` at which both ends' squares are alike.

    Between neighbours no edge lies under either end, so both values are straight lines there, and
    so are their difference and their sum, one of which has to be zero.
    """
    left_s, right_s = starts_s[:-1], starts_s[1:]
    middle_s = 0.5 * (left_s + right_s)
    early, late = _stretch(lines, middle_s), _stretch(lines, middle_s + window_s)
    found = []
    for sign in (1.0, -1.0):
        at_left, at_right = (
            _value(lines, edge_s + window_s, late) - sign * _value(lines, edge_s, early)
            for edge_s in (left_s, right_s)
        )
        crosses = (at_left < 0.0) != (at_right < 0.0)
        share = at_left[crosses] / (at_left[crosses] - at_right[crosses])
        found.append(left_s[crosses] + share * (right_s - left_s)[crosses])
    return np.concatenate(found)


def worst_sum(edge_s: Floats, rate: Floats, window_s: float) -> tuple[float, float]:
    """Return the greatest integral of a rate over any window, and when it ends [s].

    `rate` (n,) is constant between the edges (n + 1,), and not negative.
    """
    total = np.append(0.0, np.cumsum(rate * np.diff(edge_s)))
    ends_s = np.unique(np.concatenate([edge_s, edge_s + window_s]).clip(edge_s[0], edge_s[-1]))
    begins_s = np.maximum(ends_s - window_s, edge_s[0])
    within = np.interp(ends_s, edge_s, total) - np.interp(begins_s, edge_s, total)
    at = int(np.argmax(within))
    return float(within[at]), float(ends_s[at])


def first_sum(edge_s: Floats, rate: Floats, window_s: float, value: float) -> float | None:
    """Return when the integral of a rate over the window past first reaches `value`; else None.

    Windows as in `worst_sum`. Between its breaks the integral is a straight line.
    """
    total = np.append(0.0, np.cumsum(rate * np.diff(edge_s)))
    ends_s = np.unique(np.concatenate([edge_s, edge_s + window_s]).clip(edge_s[0], edge_s[-1]))
    begins_s = np.maximum(ends_s - window_s, edge_s[0])
    within = np.interp(ends_s, edge_s, total) - np.interp(begins_s, edge_s, total)
    reached = np.flatnonzero(within >= value)
    if len(reached) == 0:
        return None
    at = int(reached[0])
    if at == 0:
        return float(ends_s[0])
    share = (value - within[at - 1]) / (within[at] - within[at - 1])
    return float(ends_s[at - 1] + share * (ends_s[at] - ends_s[at - 1]))
