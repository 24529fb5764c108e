"""One pack out on the day itself: the others bring the vehicle home, or lack something on the way.

It drops out where a share of the day's energy is still to come, after all packs gave the rest
alike. What is left of the reserve then counts as it does on the whole day: it is kept.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from sim.ask.axes import Changes
from sim.ask.candidates import Base, varied
from sim.ask.one_out import part_from
from sim.drive.legs import Legs
from sim.integrate import march
from sim.physics.limits import COUNT, NAMES

# Requirements that the way home answers, and the limits that speak for each.
ON_THE_WAY_HOME = {
    "one pack out, energy": ("reserve", "empty", "cutoff", "beyond_reach"),
    "one pack out, current": ("cell_discharge",),
    "one pack out, heat": ("hot", "beyond_model"),
}


def drops_out_s(legs: Legs, share: float) -> float:
    """Return when `share` of the day's energy (or charge, of a load in ampere) is still to come."""
    edge_s = np.append(legs.start_s, legs.end_s[-1])
    given = np.append(0.0, np.cumsum(legs.value * (legs.end_s - legs.start_s)))
    return float(np.interp((1.0 - share) * given[-1], np.maximum.accumulate(given), edge_s))


def _until(legs: Legs, time_s: float) -> Legs:
    """Return the legs up to a time."""
    count = int(legs.start_s.searchsorted(time_s, side="left"))
    part = legs._replace(**{name: getattr(legs, name)[:count] for name in legs._fields[1:]})
    return part._replace(end_s=np.minimum(part.end_s, time_s))


def homeward(share: float) -> Callable[[Base, Changes], dict[str, float]]:
    """Return what runs the way home of one candidate where `share` of the day is still to go."""

    def run(base: Base, changes: Changes) -> dict[str, float]:
        return home_margins(base, changes, share)

    return run


def home_margins(base: Base, changes: Changes, share: float) -> dict[str, float]:
    """Return the least margin of every limit on the way home with one pack less.

    Empty where nothing of the day is left. Raises InputError where the changes can't be used.
    """
    case = varied(base, changes)
    legs, settings = case.legs, march.Settings(stop_at_limits=False, keep_trace=False)
    at_s, end_s = drops_out_s(legs, share), float(legs.end_s[-1])
    state = case.start
    if at_s >= end_s:
        return {}
    if at_s > 0.0:
        out = march.march(case.plant, case.limits, _until(legs, at_s), state, settings)
        state = out.state[-1]
    pack = case.plant.pack
    fewer = case.plant._replace(pack=pack._replace(packs=pack.packs - 1))
    home = march.march(fewer, case.limits, part_from(legs, at_s), state.copy(), settings)
    return {NAMES[n]: float(home.worst[n]) for n in range(COUNT) if math.isfinite(home.worst[n])}
