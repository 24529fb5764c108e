"""What an integrator leaves: states along the day, and what became of every limit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.limits import COUNT

KEPT_S = 60.0  # a trace keeps both ends of each leg and a state this often between


@dataclass(frozen=True)
class Spell:
    """One stretch of time beyond one limit; `end_s` is None where it lasted to the end."""

    limit: int
    start_s: float
    end_s: float | None
    margin: float  # at its first instant: 0 at a crossing, less where a load edge jumped past it


class States(NamedTuple):
    """States along the legs alone, as a `Trace` holds them."""

    time_s: NDArray[np.float64]  # (m,)
    state: NDArray[np.float64]  # (m, n) as in sim.physics.plant
    leg: NDArray[np.intp]  # (m,)


class Trace(NamedTuple):
    """States at both sides of every leg's edge and inside long legs, in order of time.

    `leg` says under which leg's load a state stands: at an edge the same state stands twice,
    first under the leg that ends there, then under the one that begins.
    """

    time_s: NDArray[np.float64]  # (m,)
    state: NDArray[np.float64]  # (m, n) as in sim.physics.plant
    leg: NDArray[np.intp]  # (m,)
    worst: NDArray[np.float64]  # (COUNT,) least margin of each limit
    worst_s: NDArray[np.float64]  # (COUNT,) when
    spells: tuple[Spell, ...]
    end_s: float
    stopped_by: int | None  # the limit that ended the run early
    steps: int


class Record:
    """Collects margins in order of time into worst values and spells.

    `look` takes the margins at one instant; between two looks of one leg `cross` tells the exact
    instant of a change of sign. Looking at levels first and waiting for crossings after is what
    finds a limit that is already passed at the start or jumped past at an edge.
    """

    def __init__(self) -> None:
        self.worst = np.full(COUNT, np.inf)
        self.worst_s = np.zeros(COUNT)
        self.spells: list[Spell] = []
        self._open: dict[int, tuple[float, float]] = {}

    def look(self, time_s: float, margin: NDArray[np.float64]) -> None:
        """Take the margins at an instant: worst values, and spells that begin or end by a jump."""
        self.lowest(time_s, margin)
        for limit in np.flatnonzero(margin < 0.0).tolist():
            if limit not in self._open:
                self._open[limit] = (time_s, float(margin[limit]))
        for limit in [k for k in self._open if not margin[k] < 0.0]:
            self._close(limit, time_s)

    def calm(self, time_s: NDArray[np.float64], margin: NDArray[np.float64]) -> bool:
        """Take all of `margin` (m, COUNT) as `look` would, if no spell lasts or begins there.

        Returns whether it did; where a spell does, nothing is taken.
        """
        if self._open or (margin < 0.0).any():
            return False
        seen = np.where(np.isnan(margin), np.inf, margin)
        first = seen.argmin(axis=0)
        least = seen[first, np.arange(COUNT)]
        lower = least < self.worst
        self.worst[lower], self.worst_s[lower] = least[lower], time_s[first[lower]]
        return True

    def lowest(self, time_s: float, margin: NDArray[np.float64]) -> None:
        """Take worst values only: at the very instant of a crossing no sign can be trusted."""
        for limit in np.flatnonzero(margin < self.worst).tolist():
            self.worst[limit], self.worst_s[limit] = margin[limit], time_s

    def cross(self, limit: int, time_s: float, *, into: bool) -> None:
        """Take the exact instant at which `limit` is crossed inside a leg."""
        if into and limit not in self._open:
            self._open[limit] = (time_s, 0.0)
        elif not into and limit in self._open:
            self._close(limit, time_s)

    def _close(self, limit: int, time_s: float) -> None:
        start_s, margin = self._open.pop(limit)
        self.spells.append(Spell(limit, start_s, time_s, margin))

    def finish(self) -> tuple[Spell, ...]:
        """Return all spells in order of time, those still open with no end."""
        lasting = [Spell(k, start_s, None, m) for k, (start_s, m) in self._open.items()]
        return tuple(sorted(self.spells + lasting, key=lambda spell: (spell.start_s, spell.limit)))
