"""How sure fitted parameters are, and what the logs can't tell.

Residuals of a log hang together over minutes, so the usual standard errors are far too small
(6 to 28 times in open data). Here blocks of rows are drawn anew with replacement, and the fit is
moved by one step of its own least squares.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.fit import model
from sim.fit.driven import KNOTS_SOC, Driven, span_K
from sim.fit.log import Floats, Log
from sim.fit.model import KNOTS, Curve, Layout
from sim.fit.response import add_squares
from sim.units import SECONDS_PER_HOUR, ZERO_C_K

Flags = NDArray[np.bool_]
BLOCKS = 20  # a log
DRAWS = 400
SEED = 20260  # of the draws: the same logs give the same answer
SUSTAINED_S, SUSTAINED_C = 600.0, 0.2  # a stretch this long at this mean rate shows what is slow
CORRELATED = 0.9
UNTOLD = 0.8  # of the prior's spread is left: the logs say next to nothing
AT_BOUND = 0.02  # of the width between the bounds
HALF = int(np.searchsorted(KNOTS_SOC, 0.5))


@dataclass(frozen=True)
class Range:
    """What the fitted logs span; a prediction outside it is a guess."""

    coldest_C: float
    warmest_C: float
    charge_A: float
    discharge_A: float
    lowest_soc: float
    highest_soc: float
    longest_sustained_s: float


@dataclass(frozen=True)
class Sum:
    """A resistance at half charge and 25 C [mohm] with its standard error, and the usual one."""

    mohm: float
    sd_mohm: float
    naive_sd_mohm: float


@dataclass(frozen=True)
class Trust:
    """Standard errors and doubts.

    `sd` (size,) is the larger of the block bootstrap and of what the priors leave; `naive_sd` is
    as usual, each row for itself. `total` is the sum of all resistances, `after_10_s` what of it
    shows within 10 s, `total_relative_sd` (KNOTS,) that of the sum over charge.
    """

    sd: Floats
    naive_sd: Floats
    total: Sum
    after_10_s: Sum
    total_relative_sd: Floats
    correlations: tuple[tuple[str, str, float], ...]
    at_bound: tuple[str, ...]
    untold: tuple[str, ...]
    sustained: bool
    range: Range


def trust_of(
    curve: Curve,
    layout: Layout,
    x: Floats,
    logs: Sequence[Driven],
    scales: Sequence[float],
    capacity_Ah: float,
) -> Trust:
    """Return how sure the unknowns `x` are at their least squares."""
    off, slopes = model.residuals(curve, layout, x, logs, scales)
    prior, _ = model.priors(layout, capacity_Ah)
    free = layout.free
    squares = sum((_gram(s[:, free]) for s in slopes), np.zeros((free.sum(),) * 2))
    held = _gram(prior[:, free])
    left = np.asarray(np.linalg.inv(squares + held), dtype=float)
    # The usual formula: every row counts for itself.
    rows = sum(len(o) for o in off) / (len(off) * model.WEIGHT)
    naive = np.linalg.inv(rows * squares + held)
    drawn = _bootstrap(off, slopes, held, free)

    def spread(of: Callable[[Floats], float]) -> tuple[float, float]:
        """Return the standard error of a number, the larger of both kinds, and the usual one."""
        slope = _slope(of, x)[free]
        by_draws = float(np.std([of(x + step) for step in drawn]))
        return max(by_draws, float(np.sqrt(slope @ left @ slope))), float(
            np.sqrt(slope @ naive @ slope)
        )

    def total(at: Floats) -> float:
        return float(1e3 * np.sum(model.ohm_of(layout, at)[:, HALF]))

    def early(at: Floats) -> float:
        half = 1e3 * model.ohm_of(layout, at)[:, HALF]
        shown = 1.0 - np.exp(-10.0 / model.taus_of(layout, at))
        return float(half[0] + np.sum(half[1:] * shown))

    sd, naive_sd = np.zeros(layout.size), np.zeros(layout.size)
    sd[free] = np.maximum(np.std(drawn, axis=0)[free], np.sqrt(np.diag(left)))
    naive_sd[free] = np.sqrt(np.diag(naive))
    sums = [spread(_ln_sum(layout, i))[0] for i in range(KNOTS)]
    reach = reach_of(logs, capacity_Ah)
    return Trust(
        sd=sd,
        naive_sd=naive_sd,
        total=Sum(total(x), *spread(total)),
        after_10_s=Sum(early(x), *spread(early)),
        total_relative_sd=np.array(sums),
        correlations=_correlations(layout, left, free),
        at_bound=_at_bound(layout, x, capacity_Ah),
        untold=_untold(layout, left, free),
        sustained=reach.longest_sustained_s >= SUSTAINED_S,
        range=reach,
    )


def _ln_sum(layout: Layout, i: int) -> Callable[[Floats], float]:
    return lambda at: float(np.log(np.sum(model.ohm_of(layout, at)[:, i])))


def _slope(of: Callable[[Floats], float], x: Floats) -> Floats:
    step = 1e-5
    return np.array([(of(x + step * e) - of(x - step * e)) / (2.0 * step) for e in np.eye(len(x))])


def _gram(slopes: Floats) -> Floats:
    squares, pull = np.zeros((slopes.shape[1],) * 2), np.zeros(slopes.shape[1])
    add_squares(slopes, np.zeros(len(slopes)), squares, pull)
    return squares


def _bootstrap(off: list[Floats], slopes: list[Floats], held: Floats, free: Flags) -> Floats:
    """Return how the unknowns move (DRAWS, size) as blocks of rows are drawn anew."""
    size, squares, pulls, ends = int(free.sum()), [], [], []
    for o, s in zip(off, slopes, strict=True):
        parts = np.array_split(np.arange(len(o)), min(BLOCKS, len(o)))
        ends.append(len(parts))
        for part in parts:
            squares.append(np.zeros((size, size)))
            pulls.append(np.zeros(size))
            add_squares(s[part][:, free], o[part], squares[-1], pulls[-1])
    square, pull = np.array(squares), np.array(pulls)
    # At the least squares all pulls, the prior's too, sum to nothing.
    rest = -pull.sum(axis=0)
    random = np.random.default_rng(SEED)
    moved = np.zeros((DRAWS, len(free)))
    for draw in range(DRAWS):
        times = np.concatenate([random.multinomial(n, np.full(n, 1.0 / n)) for n in ends])
        step = np.linalg.solve(
            np.tensordot(times, square, 1) + held, np.tensordot(times, pull, 1) + rest
        )
        moved[draw, free] = -step
    return moved


def _correlations(
    layout: Layout, inverse: Floats, free: Flags
) -> tuple[tuple[str, str, float], ...]:
    """Return the pairs of unknowns that the logs hardly part, strongest first, at most eight.

    Neighbouring knots of one table are tied by their prior and not told.
    """
    sd = np.sqrt(np.diag(inverse))
    related = inverse / np.outer(sd, sd)
    at = np.flatnonzero(free)
    found = []
    for i, j in zip(*np.triu_indices(len(at), 1), strict=True):
        same = at[i] // KNOTS == at[j] // KNOTS and at[j] < layout.tau(0)
        if abs(related[i, j]) > CORRELATED and not same:
            found.append((layout.name(at[i]), layout.name(at[j]), float(related[i, j])))
    return tuple(sorted(found, key=lambda each: -abs(each[2]))[:8])


def _at_bound(layout: Layout, x: Floats, capacity_Ah: float) -> tuple[str, ...]:
    low, high = model.bounds(layout, capacity_Ah)
    room = AT_BOUND * (high - low)
    return tuple(
        layout.name(int(i))
        for i in np.flatnonzero(layout.free & ((x < low + room) | (x > high - room)))
    )


def _untold(layout: Layout, inverse: Floats, free: Flags) -> tuple[str, ...]:
    """Return which time constants, slopes and levels the logs leave as wide as their priors."""
    said = []
    sd = np.zeros(layout.size)
    sd[free] = np.sqrt(np.diag(inverse))
    for k in range(len(layout.taus_s)):
        if sd[layout.tau(k)] > UNTOLD * model.TAU_SD:
            said.append(f"time constant of pair {k + 1}")
    if not layout.free_energy:
        said.append(
            f"temperature slope of resistance (logs span less than {model.SPAN_K:g} K; held at "
            f"{model.ENERGY_J_MOL / 1e3:g} kJ/mol)"
        )
    for k in range(layout.elements if layout.free_energy else 0):
        if sd[layout.energy(k)] * model.ENERGY_UNIT > UNTOLD * model.ENERGY_SD:
            said.append(layout.name(layout.energy(k)))
    for k in range(layout.elements):
        half = layout.table(k).start + HALF
        if sd[half] > UNTOLD * model.LEVEL_SD:
            said.append(layout.name(half))
    return tuple(said)


def reach_of(logs: Sequence[Driven], capacity_Ah: float) -> Range:
    """Return what the logs span."""
    low_K, high_K = span_K(logs)
    return Range(
        coldest_C=low_K - ZERO_C_K,
        warmest_C=high_K - ZERO_C_K,
        charge_A=max(0.0, -min(float(np.min(d.log.current_A)) for d in logs)),
        discharge_A=max(float(np.max(d.log.current_A)) for d in logs),
        lowest_soc=max(0.0, min(float(np.min(d.soc)) for d in logs)),
        highest_soc=min(1.0, max(float(np.max(d.soc)) for d in logs)),
        longest_sustained_s=max(_sustained_s(d.log, capacity_Ah) for d in logs),
    )


def _sustained_s(log: Log, capacity_Ah: float) -> float:
    """Return the longest stretch [s] whose mean current is SUSTAINED_C or more, all logged."""
    span_s = np.where(log.unlogged, 0.0, log.interval_s)
    above_As = (log.current_A - SUSTAINED_C * capacity_Ah) * span_s
    above_As[log.unlogged] = -SECONDS_PER_HOUR * capacity_Ah
    sums, times_s = np.insert(np.cumsum(above_As), 0, 0.0), np.insert(np.cumsum(span_s), 0, 0.0)
    # The last row from which the sum ends no lower than it stood at each row.
    highest_later = np.maximum.accumulate(sums[::-1])[::-1]
    longest_s, end = 0.0, 0
    for begin in range(len(sums)):
        end = max(end, begin)
        while end + 1 < len(sums) and highest_later[end + 1] >= sums[begin]:
            end += 1
        longest_s = max(longest_s, float(times_s[end] - times_s[begin]))
    return longest_s
