"""Open-circuit voltage and capacity from a slow discharge and from rests.

The slow branch is normalised by its own count of charge, since a tester's offset that is nothing
in a drive is much in twenty hours; capacity then comes from rests, or from both branches.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from sim.errors import InputError
from sim.fit.log import Floats, Log
from sim.units import SECONDS_PER_HOUR

# Denser where curves bend; all on an even grid of 1/400, which look-ups in `physics` like.
CURVE_SOC = (
    np.concatenate([np.arange(4), np.arange(4, 40, 2), np.arange(40, 396, 4), np.arange(396, 401)])
    / 400
)
TOP_SOC = 0.99  # above it the charger's surface charge decays; a rest tells more than the branch
WHOLE = 0.8  # of the most charge in any log: what a branch must cover to be one
CONTINUOUS = 0.95  # of its rows under load
SLOW_C = 1.0 / 8.0  # faster is no slow discharge; the resistance then makes the curve
REST_C = 1.0 / 50.0  # less current than this is rest
REST_S = 900.0  # after it a rest counts; open pulse tests leave 20 minutes to 1.5 hours
REST_SPREAD_V = 0.010  # a rest against the curve: 6 to 9 mV in open data (hysteresis, relaxation)
REST_TOP, REST_LOW = 0.95, 0.10
SAME_K = 5.0  # of the slow log: rests at other temperatures are left out
COUNT_SD, BOTH_SD = 0.02, 0.01  # of a capacity counted one way, or both ways; assumed
USUAL_OHM_AH = 0.15  # of a cell's whole resistance times its capacity, as in the open data
MOST_LEFT = 0.10  # of the capacity that a fast branch may leave in the cell


@dataclass(frozen=True)
class Branch:
    """One discharge from full to empty: `soc` (n,) rising by its own count, and `voltage_V`."""

    log: Log
    first: int  # rows of the log
    last: int
    soc: Floats
    voltage_V: Floats
    current_A: float
    counted_Ah: float
    back_Ah: float | None  # counted on the way back to full, where the log holds it
    back_V: Floats | None  # on that way, over CURVE_SOC by its own count
    offset_A: float  # of the counter, as both counts tell it; 0 where there is one
    temperature_C: float
    rest_V: float | None  # before the discharge

    @property
    def counted_both_Ah(self) -> float:
        """Return the charge out, with the counter's offset taken out where both counts tell it."""
        hours = self.counted_Ah / self.current_A
        return self.counted_Ah - self.offset_A * hours

    @property
    def rate_C(self) -> float:
        """Return the current over the charge that it drew, per hour."""
        return self.current_A / self.counted_both_Ah

    @property
    def rate_words(self) -> str:
        """Return the rate as people say it: "C/20", "1.2C"."""
        return f"{self.rate_C:.2g}C" if self.rate_C > 0.8 else f"C/{1.0 / self.rate_C:.3g}"


@dataclass(frozen=True)
class Capacity:
    """The charge from full to empty [Ah], its relative standard error, and where it is from."""

    charge_Ah: float
    relative_sd: float
    how: str
    rests: int


def temperature_of(log: Log) -> Floats:
    """Return the cell's temperature [C] (n,): surface, else air, else 25 C; blanks bridged."""
    for found in (log.surface_C, log.ambient_C):
        known = None if found is None else np.isfinite(found)
        if found is not None and known is not None and known.any():
            return np.interp(log.time_s, log.time_s[known], found[known])
    return np.full(len(log.time_s), 25.0)


def slow_branch(logs: Sequence[Log], given: Log | None) -> Branch:
    """Return the slowest whole discharge: of the log `given`, else of all.

    Raises InputError where none is one discharge from full to empty.
    """
    most_Ah = max(float(np.max(log.charge_Ah)) for log in logs)
    candidates = [given] if given is not None else list(logs)
    found = [b for b in (_branch(log, WHOLE * most_Ah) for log in candidates) if b is not None]
    if found:
        return min(found, key=lambda branch: branch.current_A)
    names = ", ".join(log.name for log in candidates)
    raise InputError(
        f"no open-circuit voltage: none of {names} is one discharge from full to empty without "
        f"pauses, of at least {WHOLE * most_Ah:.2f} Ah; give a slow one by --ocv"
    )


def _branch(log: Log, least_Ah: float) -> Branch | None:
    charge_Ah = log.charge_Ah
    last = int(np.argmax(charge_Ah))
    drawn = log.current_A[: last + 1]
    flowing = drawn[drawn > 0.0]
    if not len(flowing):
        return None
    current_A = float(np.median(flowing))
    on = drawn > 0.5 * current_A
    first = int(np.argmax(on))
    before_Ah = charge_Ah[first - 1] if first else 0.0
    counted_Ah = float(charge_Ah[last] - before_Ah)
    steady = abs(counted_Ah / current_A * SECONDS_PER_HOUR / _lasts_s(log, first, last) - 1.0)
    if counted_Ah < least_Ah or np.mean(on[first:]) < CONTINUOUS or steady > 1.0 - CONTINUOUS:
        return None
    rows = np.arange(first, last + 1)
    rows = rows[on[first:] & np.isfinite(log.voltage_V[first : last + 1])]
    at_Ah = charge_Ah[rows] - before_Ah
    if log.means:  # the mean of a row belongs to the middle of it
        at_Ah = at_Ah - 0.5 * log.current_A[rows] * log.interval_s[rows] / SECONDS_PER_HOUR
    resting = first > 0 and abs(log.current_A[first - 1]) < 0.1 * current_A
    back = _way_back(log, last, float(log.voltage_V[rows[0]]))
    offset_A = 0.0
    if back is not None:
        out_h = counted_Ah / current_A
        offset_A = (counted_Ah - back[0]) / (out_h + back[1] / SECONDS_PER_HOUR)
    return Branch(
        log=log,
        first=first,
        last=last,
        soc=(1.0 - at_Ah / counted_Ah)[::-1],
        voltage_V=log.voltage_V[rows][::-1],
        current_A=current_A,
        counted_Ah=counted_Ah,
        back_Ah=None if back is None else back[0],
        back_V=None if back is None else back[2],
        offset_A=offset_A,
        temperature_C=float(np.mean(temperature_of(log)[rows])),
        rest_V=float(log.voltage_V[first - 1]) if resting else None,
    )


def _lasts_s(log: Log, first: int, last: int) -> float:
    return float(np.sum(log.interval_s[first : last + 1]))


def _way_back(log: Log, last: int, full_V: float) -> tuple[float, float, Floats] | None:
    """Return the charge that goes in again up to full [Ah], how long it flows [s], and the curve.

    None where the log does not hold the way back.
    """
    rows = last + 1 + np.flatnonzero(log.current_A[last + 1 :] < 0.0)
    rows = rows[np.isfinite(log.voltage_V[rows])]
    if len(rows) < 3 or np.max(log.voltage_V[rows]) < full_V - 0.01:
        return None
    in_Ah = log.charge_Ah[last] - log.charge_Ah[rows]
    back_Ah = float(in_Ah[-1])
    curve_V = np.interp(CURVE_SOC, in_Ah / back_Ah, log.voltage_V[rows])
    return back_Ah, float(np.sum(log.interval_s[rows])), curve_V


def rests(log: Log, rest_A: float) -> NDArray[np.intp]:
    """Return the last row of each rest of `REST_S` or more."""
    quiet = np.abs(log.current_A) < rest_A
    ends = np.flatnonzero(quiet & ~np.append(quiet[1:], False))
    out = []
    for end in ends:
        loaded = np.flatnonzero(~quiet[:end] | log.unlogged[1 : end + 1])
        since = log.time_s[loaded[-1] + 1] if len(loaded) else np.inf
        if log.time_s[end] - since >= REST_S and np.isfinite(log.voltage_V[end]):
            out.append(end)
    return np.array(out, dtype=np.intp)


def capacity(
    branch: Branch, logs: Sequence[Log], starts_soc: Sequence[float], left: float
) -> Capacity:
    """Return the capacity that puts rested voltages on the slow curve, near what was counted.

    `left` is the share of charge that the branch left in the cell, `starts_soc` one a log. Rests
    lie between both branches; where there is one, what a usual cell drops at that rate is added
    to it. A fast branch is no curve to hold rests against: there the count decides.
    """
    both = branch.back_Ah is not None
    counted_Ah = branch.counted_both_Ah / (1.0 - left)
    sd = (BOTH_SD if both else COUNT_SD) + 0.5 * left
    ways = "both ways" if both else f"on the discharge at {branch.rate_words}"
    if branch.rate_C > SLOW_C:
        return Capacity(counted_Ah, sd, f"counted {ways}, to what it left in the cell", 0)
    curve_V = np.interp(CURVE_SOC, branch.soc, branch.voltage_V)
    curve_V = curve_V + USUAL_OHM_AH * branch.rate_C
    if branch.back_V is not None:
        curve_V = 0.5 * (np.interp(CURVE_SOC, branch.soc, branch.voltage_V) + branch.back_V)
    drawn_Ah, rest_V, start_soc = [], [], []
    for log, begins in zip(logs, starts_soc, strict=True):
        at = rests(log, REST_C * counted_Ah)
        at = at[np.abs(temperature_of(log)[at] - branch.temperature_C) < SAME_K]
        soc = begins - log.charge_Ah[at] / counted_Ah
        at = at[(soc > REST_LOW) & (soc < REST_TOP)]
        drawn_Ah += list(log.charge_Ah[at])
        rest_V += list(log.voltage_V[at])
        start_soc += [begins] * len(at)
    if len(drawn_Ah) < 3:
        return Capacity(counted_Ah, sd, f"counted {ways}, no rests to check it by", 0)

    # Many rests say the same thing of one curve: together they weigh as much as five.
    weight = np.sqrt(min(1.0, 5.0 / len(drawn_Ah)))

    def off(x: Floats) -> Floats:
        soc = np.array(start_soc) - np.array(drawn_Ah) / (counted_Ah * x[0])
        seen = np.interp(soc, CURVE_SOC, curve_V) - np.array(rest_V)
        return np.append(weight * seen / REST_SPREAD_V, (x[0] - 1.0) / sd)

    found = least_squares(off, [1.0], bounds=([0.8], [1.2]), diff_step=1e-4)
    relative_sd = float(1.0 / np.sqrt(np.sum(found.jac**2)))
    how = f"{len(drawn_Ah)} rested voltages and the charge counted {ways}"
    return Capacity(float(counted_Ah * found.x[0]), relative_sd, how, len(drawn_Ah))


def left_in(branch: Branch, drop_V: float) -> float:
    """Return the share of charge left in the cell at the branch's end.

    There its open-circuit voltage stands `drop_V` above its own; the curve is drawn on with its
    last slope. None by definition for a slow branch, some percent at 1C.
    """
    if branch.rate_C <= SLOW_C:
        return 0.0
    near = branch.soc < 0.02
    slope_V = float(np.polyfit(branch.soc[near], branch.voltage_V[near], 1)[0])
    return float(min(drop_V / max(slope_V, drop_V / MOST_LEFT), MOST_LEFT))
