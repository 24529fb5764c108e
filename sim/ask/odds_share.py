"""Shares with their interval, and which factor moves a margin by how much.

The draws are two Latin hypercubes: in each, a factor is drawn once from each of as many slices as
it has points. Whatever is asked, the mean over one of n points never scatters more than that over
n - 1 independent draws (Owen, SIAM J. Numer. Anal. 34 (1997) 1884, as scipy's LatinHypercube cites
it), so the exact binomial interval (Clopper and Pearson 1934) is wide enough; a test counts how
often it holds. Intervals from a few repeated scrambles collapse to nothing where all of them pass.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
CONFIDENCE = 0.95
RESAMPLED = 200
FEWEST_SHOWN = 64


@dataclass(frozen=True)
class Share:
    """`count` of `draws`, and the interval [0 to 1] that holds the true share, 95 % sure."""

    count: int
    draws: int
    low: float
    high: float

    @property
    def value(self) -> float:
        """Return the share, 0 to 1."""
        return self.count / self.draws


@dataclass(frozen=True)
class Index:
    """How much of a margin's variance one factor stands for: alone, and with all it joins in.

    `first` is what would vanish were it known; `total` what would be left were all others known.
    Low and high bound each, 95 % sure.
    """

    name: str
    first: float
    first_low: float
    first_high: float
    total: float
    total_low: float
    total_high: float


def share_of(count: int, draws: int) -> Share:
    """Return a share with its exact binomial interval."""
    from scipy.stats import binomtest

    found = binomtest(count, draws).proportion_ci(CONFIDENCE, method="exact")
    return Share(count, draws, float(found.low), float(found.high))


def by_draws(passes: NDArray[np.bool_]) -> tuple[Share, ...]:
    """Return the share after 64 draws, twice as many, and so on to all of them."""
    counts, n = [], FEWEST_SHOWN
    while n < len(passes):
        counts.append(n)
        n *= 2
    return tuple(share_of(int(np.sum(passes[:n])), n) for n in (*counts, len(passes)))


def hypercube(count: int, factors: int, seed: int) -> Floats:
    """Return `count` (even) points of a Latin hypercube (count, factors), in an order by chance.

    Even and odd rows are two halves that know nothing of each other: they come from one hypercube
    of twice as many columns, as the indices want them.
    """
    from scipy.stats import qmc

    sampler = qmc.LatinHypercube(2 * factors, seed=np.random.default_rng(seed))
    both = sampler.random(count // 2)
    return np.asarray(both.reshape(count // 2, 2, factors).reshape(count, factors))


def exchanged(points: Floats, rows: int) -> Floats:
    """Return (factors, rows, factors): even rows, with one factor at a time taken from odd ones."""
    even, odd = points[: 2 * rows : 2], points[1 : 2 * rows : 2]
    out = np.repeat(even[None], points.shape[1], axis=0)
    for k in range(points.shape[1]):
        out[k, :, k] = odd[:, k]
    return out


def most_rows(count: int, wanted: int) -> int:
    """Return the greatest power of two that neither half the draws nor `wanted` fall short of."""
    return 1 << (min(count // 2, wanted).bit_length() - 1)


def indices(
    names: Sequence[str], even: Floats, odd: Floats, mixed: Floats, seed: int
) -> list[Index]:
    """Return the indices of one margin, by scipy's estimator (Saltelli and others 2010).

    `even` and `odd` (rows,) are margins of the two halves, `mixed` (factors, rows) those with one
    factor exchanged; rows is a power of two. Intervals by resampling rows.
    """
    draws = np.random.default_rng(seed)
    rows = len(even)
    first, total = _estimated(even, odd, mixed)
    again = [
        _estimated(even[pick], odd[pick], mixed[:, pick])
        for pick in draws.integers(0, rows, (RESAMPLED, rows))
    ]
    tails = [50.0 * (1.0 - CONFIDENCE), 50.0 * (1.0 + CONFIDENCE)]
    first_ends = np.percentile([a[0] for a in again], tails, axis=0)
    total_ends = np.percentile([a[1] for a in again], tails, axis=0)
    return [
        Index(name, *map(float, (first[k], *first_ends[:, k], total[k], *total_ends[:, k])))
        for k, name in enumerate(names)
    ]


def _estimated(even: Floats, odd: Floats, mixed: Floats) -> tuple[Floats, Floats]:
    from scipy.stats import sobol_indices

    margins = {"f_A": even[None], "f_B": odd[None], "f_AB": mixed[:, None]}
    found = sobol_indices(func=margins, n=len(even))
    return np.atleast_1d(found.first_order), np.atleast_1d(found.total_order)
