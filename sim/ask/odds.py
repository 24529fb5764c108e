"""How likely is it that the day holds, when guesses, build and weather are all unsure at once?"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.ask.odds_factors import DAY, Factor, factors_of
from sim.ask.odds_lanes import NOTHING, Seen, drawn, run_all
from sim.ask.odds_share import (
    Index,
    Share,
    by_draws,
    exchanged,
    hypercube,
    indices,
    most_rows,
    share_of,
)
from sim.ask.simulate import Result, simulate
from sim.errors import InputError
from sim.files.case import Case
from sim.physics.limits import (
    BEYOND_MODEL,
    BEYOND_REACH,
    CHARGE_HOT,
    COUNT,
    EMPTY,
    HOT,
    OUTSIDE_TABLE,
    RESERVE,
)

Floats = NDArray[np.float64]
DRAWS, FEWEST, MOST = 4096, 128, 1_000_000
INDEX_ROWS = 512
SEED = 1


@dataclass(frozen=True)
class Odds:
    """All draws of one case: `values` (n, factors), and what became of each.

    `indices` holds, by limit, what moves its margin; none where it never moves. `nominal` is the
    whole run of the day as it is, `close_call` that of the draw nearest to the limit that decides.
    """

    case: Case
    seed: int
    factors: tuple[Factor, ...]
    values: Floats
    seen: Seen
    indices: dict[int, tuple[Index, ...]]
    index_runs: int  # beyond the draws
    index_rows: int
    index_unbelievable: int
    nominal: Result
    close_call: tuple[int, Result] | None

    @property
    def draws(self) -> int:
        """Return how many there are."""
        return len(self.values)

    @property
    def share(self) -> Share:
        """Return the share of draws that cross no limit and can be believed."""
        return share_of(int(np.sum(self.seen.passes)), self.draws)

    @property
    def passed(self) -> bool:
        """Whether the lower end of the interval reaches the share that is wanted."""
        wanted = self.case.scenario.odds.wanted_percent / 100.0
        audits = [self.nominal.audit]
        if self.close_call is not None:
            audits.append(self.close_call[1].audit)
        return self.share.low >= wanted and all(audit.passed for audit in audits)

    @property
    def by_draws(self) -> tuple[Share, ...]:
        """Return the share of ever more draws, to see it settle."""
        return by_draws(self.seen.passes)

    @property
    def known(self) -> NDArray[np.bool_]:
        """Return of which draws anything is known: believable ones that saw their whole day.

        A load that the cells could not give heats less than was asked for, and in a cell colder
        than its table resistance is held at the table's end: neither tells that a limit holds.
        """
        seen = self.seen
        whole = np.all(seen.margins[:, [BEYOND_REACH, OUTSIDE_TABLE]] >= 0.0, axis=1)
        return np.asarray(whole & (seen.first >= NOTHING) & seen.finished)

    def holds(self, *limits: int) -> Share:
        """Return the share of draws in which all of `limits` hold; what is not known fails."""
        good = self.known & np.all(self.seen.margins[:, limits] >= 0.0, axis=1)
        return share_of(int(np.sum(good)), self.draws)

    @property
    def cool(self) -> Share:
        """Return the share of draws in which no core gets too hot, on load or on charge."""
        return self.holds(HOT, CHARGE_HOT)

    def applies(self, limit: int) -> bool:
        """Return whether a limit was looked at in any draw."""
        return bool(np.any(np.isfinite(self.seen.margins[:, limit])))

    @property
    def shown(self) -> list[int]:
        """Return the limits worth telling: no charge limit twice, no model's bound that is kept."""
        doubled = EMPTY if self.applies(RESERVE) else RESERVE
        own = {n for n in (OUTSIDE_TABLE, BEYOND_MODEL) if self.holds(n).count == self.draws}
        return [n for n in range(COUNT) if self.applies(n) and n != doubled and n not in own]

    @property
    def decides(self) -> int:
        """Return the limit that most draws fail at; where none fails, the nearest of all.

        Nearest by its mean margin in standard deviations, which has no unit.
        """
        return decisive(self.seen, self.shown)

    @property
    def measure_first(self) -> Index | None:
        """Return what stands for most of the spread of the limit that decides, weather apart."""
        knowable = {factor.name for factor in self.factors if factor.kind != DAY}
        found = [i for i in self.indices.get(self.decides, ()) if i.name in knowable]
        return max(found, key=lambda index: index.total, default=None)


def decisive(seen: Seen, limits: list[int]) -> int:
    """Return which of `limits` decides; see `Odds.decides`."""
    failed = {n: int(np.sum(seen.margins[:, n] < 0.0)) for n in limits}
    most = max(failed.values())

    def far(limit: int) -> float:
        margins = seen.margins[:, limit]
        margins = margins[np.isfinite(margins)]
        spread = float(np.std(margins))
        return float(np.mean(margins)) / spread if spread > 0.0 else np.inf

    return min((n for n in limits if failed[n] == most), key=far)


def check_draws(draws: int) -> None:
    """Raise InputError where `draws` is no count that can be drawn."""
    if draws % 2 or not FEWEST <= draws <= MOST:
        raise InputError(f"--draws is {draws}; accepted: an even number from {FEWEST} to {MOST}")


def runs_of(case: Case, draws: int) -> int:
    """Return how many runs `odds` takes, draws and indices together."""
    moved = sum(factor.off > 0.0 for factor in factors_of(case))
    return draws + moved * most_rows(draws, INDEX_ROWS)


def odds(
    case: Case,
    draws: int,
    seed: int,
    executor: Executor,
    progress: Callable[[int], None] | None = None,
) -> Odds:
    """Draw `draws` days (an even number) from all factors of `case` together, by `seed`.

    `progress` is told how many runs are finished, of `runs_of`. Raises InputError where odds can't
    speak of the pack, ArithmeticError where the day as it is can't be run.
    """
    check_draws(draws)
    factors = factors_of(case)
    nominal = simulate(case)
    points = hypercube(draws, len(factors), seed)
    values = valued(factors, points)
    seen = run_all(case, factors, values, executor, progress)
    rows = most_rows(draws, INDEX_ROWS)
    moved = [k for k, factor in enumerate(factors) if factor.off > 0.0]
    mixed_points = exchanged(points, rows)[moved].reshape(-1, len(factors))

    def further(done: int) -> None:
        if progress:
            progress(draws + done)

    mixed = (
        run_all(case, factors, valued(factors, mixed_points), executor, further) if moved else None
    )
    found = {} if mixed is None else _indices(factors, moved, seen, mixed, rows, seed)
    unfinished = Odds(
        case, seed, factors, values, seen, found, len(mixed_points), rows,
        0 if mixed is None else mixed.unbelievable, nominal, None,
    )  # fmt: skip
    return _with_close_call(unfinished)


def valued(factors: tuple[Factor, ...], points: Floats) -> Floats:
    """Return the values (n, factors) at points of the unit cube."""
    return np.stack([f.values(points[:, k]) for k, f in enumerate(factors)], axis=1)


def _indices(
    factors: tuple[Factor, ...], moved: list[int], seen: Seen, mixed: Seen, rows: int, seed: int
) -> dict[int, tuple[Index, ...]]:
    """Return the indices of every limit whose margin is a number in all runs, and moves."""
    found = {}
    for limit in range(COUNT):
        even = seen.margins[: 2 * rows : 2, limit]
        odd = seen.margins[1 : 2 * rows : 2, limit]
        # A factor that is held leaves a run as it was.
        whole = np.repeat(even[None], len(factors), axis=0)
        whole[moved] = mixed.margins[:, limit].reshape(len(moved), rows)
        numbers = np.all(np.isfinite(whole), axis=0) & np.isfinite(odd)
        if numbers.sum() < 2:
            continue
        kept = np.flatnonzero(numbers)[: most_rows(2 * int(numbers.sum()), rows)]
        if np.ptp(even[kept]) == 0.0:
            continue
        names = [factor.name for factor in factors]
        found[limit] = tuple(indices(names, even[kept], odd[kept], whole[:, kept], seed))
    return found


def _with_close_call(found: Odds) -> Odds:
    """Return `found` with a whole run, audit and all, of the draw nearest to what decides."""
    from dataclasses import replace

    margins = np.abs(found.seen.margins[:, found.decides])
    margins[~np.isfinite(margins) | (found.seen.first <= -2)] = np.inf
    at = int(np.argmin(margins))
    if not np.isfinite(margins[at]):
        return found
    names = [factor.name for factor in found.factors]
    value = dict(zip(names, map(float, found.values[at]), strict=True))
    return replace(found, close_call=(at, simulate(drawn(found.case, value))))
