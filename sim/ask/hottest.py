"""When of the day a constant current makes the cells hottest, and the day with it drawn then.

That is not when the outside air is warmest: the sun stands highest at noon, a box lags behind its
air, and a discharge of hours is hottest at its end. So begins are tried, side by side.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sim.ask.headroom_built import uncharged
from sim.drive.legs import Load, legs
from sim.files.case import Case
from sim.integrate import march
from sim.integrate.lanes import march_many
from sim.physics.limits import HOT
from sim.physics.pack import CURRENT
from sim.physics.plant import SOC

Floats = NDArray[np.float64]
APART_S, MOST_BEGINS = 1800.0, 129  # how far apart begins are tried at first, and how many
FINER, FINER_BEGINS = 2, 8  # then about the best so many more, twice: to a minute and a half
ROUGH_STEP_S = 10.0  # which begin is hottest hardly hangs on it; that one is marched with 1 s


def drawing(case: Case, edge_s: Floats, pack_A: Floats) -> Case:
    """Return `case` with the current `pack_A` (n,) of each pack between `edge_s` (n + 1,)."""
    load = Load(CURRENT, edge_s, pack_A * case.plant.pack.packs, np.arange(len(pack_A)))
    return replace(uncharged(case), load=load, legs=legs(load, case.weather))


def hottest_begin_s(case: Case, pack_A: float, lasts_s: float) -> float:
    """Return when the current of each pack, drawn for `lasts_s`, makes the core hottest.

    At rest before and after, within the day; the cells are taken as alike. 0 where the day is
    shorter.
    """
    latest_s = float(case.legs.end_s[-1]) - lasts_s
    if latest_s <= 0.0:
        return 0.0
    count = min(math.ceil(latest_s / APART_S) + 1, MOST_BEGINS)
    begins_s = np.linspace(0.0, latest_s, max(count, 2))
    apart_s = float(begins_s[1])
    for _ in range(1 + FINER):
        core_K = _hottest_K(case, pack_A, begins_s, lasts_s)
        best_s = float(begins_s[int(np.argmax(core_K))])
        around_s = np.linspace(best_s - apart_s, best_s + apart_s, FINER_BEGINS + 1)
        begins_s = np.clip(around_s, 0.0, latest_s)
        apart_s *= 2.0 / FINER_BEGINS
    return best_s


def _hottest_K(case: Case, pack_A: float, begins_s: Floats, lasts_s: float) -> Floats:
    """Return the hottest core [K] for each begin; all have one set of edges, to march abreast."""
    ends_s = begins_s + lasts_s
    # A hundredth of a second: edges a rounding apart are one.
    edges_s = np.unique(np.round([0.0, *begins_s, *ends_s, float(case.legs.end_s[-1])], 2))
    cut = drawing(case, edges_s, np.arange(1.0, len(edges_s)))  # alike neighbours would be merged
    middle_s = 0.5 * (cut.legs.start_s + cut.legs.end_s)
    load_A = pack_A * case.plant.pack.packs
    days = []
    for begin_s, end_s in zip(begins_s, ends_s, strict=True):
        drawn = (middle_s > begin_s) & (middle_s < end_s)
        day = cut.legs._replace(value=np.where(drawn, load_A, 0.0))
        days.append((cut.plant, cut.limits, day, cut.start))
    stop = case.limits.reserve_soc <= 0.0  # the current then ends at cut-off, as its search has it
    settings = march.Settings(longest_step_s=ROUGH_STEP_S, stop_at_limits=stop, keep_trace=False)
    traces = march_many(days, settings, threads=1)
    return np.array([case.limits.core_max_K - float(trace.worst[HOT]) for trace in traces])


def lasts_until_reserve_s(case: Case, pack_A: float) -> float:
    """Return for how long a constant current of each pack can be drawn down to the reserve."""
    usable = float(case.start[SOC]) - max(case.limits.reserve_soc, 0.0)
    return usable * case.plant.cell.capacity_As * case.plant.pack.parallel / pack_A


def drawn_when_hottest(case: Case, pack_A: float) -> Case:
    """Return `case` at rest, then with a constant current of each pack down to the reserve.

    Begun when that makes the core hottest, or with the day, which it never outlasts.
    """
    end_s, lasts_s = float(case.legs.end_s[-1]), lasts_until_reserve_s(case, pack_A)
    begin_s = hottest_begin_s(case, pack_A, lasts_s)
    if begin_s == 0.0:
        return drawing(case, np.array([0.0, min(lasts_s, end_s)]), np.array([pack_A]))
    edges_s = np.array([0.0, begin_s, begin_s + lasts_s])
    return drawing(case, edges_s, np.array([0.0, pack_A]))
