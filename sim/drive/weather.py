"""Ambient temperature and sun over a run, as straight lines between knots."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.units import SECONDS_PER_DAY, ZERO_C_K

# Knots of a smooth daily curve: a straight line over 10 minutes misses a 20 K swing by 2 mK.
KNOT_S = 600.0


class Weather(NamedTuple):
    """Knots in seconds from the start of the run, rising; ambient [K] and absorbed sun [W]."""

    time_s: NDArray[np.float64]
    ambient_K: NDArray[np.float64]
    sun_W: NDArray[np.float64]


def even_knots_s(end_s: float) -> NDArray[np.float64]:
    """Return knots from 0 to `end_s`, `KNOT_S` apart, the last exactly at the end."""
    return np.append(np.arange(0.0, end_s - 1e-6, KNOT_S), end_s)


def daily_C(
    second_of_day: NDArray[np.float64], low_C: float, high_C: float, warmest_s: float
) -> NDArray[np.float64]:
    """Return a cosine through the day's low and high; coldest twelve hours from the warmest.

    Common practice, no source: real mornings are colder for longer, which heats cells less.
    """
    swing = np.cos(2.0 * np.pi * (second_of_day - warmest_s) / SECONDS_PER_DAY)
    return 0.5 * (high_C + low_C) + 0.5 * (high_C - low_C) * swing


def daily_sun_W(
    second_of_day: NDArray[np.float64], noon_W: float, rise_s: float, set_s: float
) -> NDArray[np.float64]:
    """Return half a sine from sunrise to sunset, its top halfway; common practice, no source."""
    past = (np.mod(second_of_day, SECONDS_PER_DAY) - rise_s) / (set_s - rise_s)
    return np.where((past > 0.0) & (past < 1.0), noon_W * np.sin(np.pi * past), 0.0)


def over_days(
    knots_s: NDArray[np.float64], start_s: float, end_s: float
) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Repeat the knots of one day (seconds of the day) over a run that begins at `start_s` o'clock.

    Returns times from the start of the run and, for each, which knot it is. The run is covered
    at both ends by whole days, so that interpolation never leaves the knots.
    """
    days = np.arange(-1, int((start_s + end_s) // SECONDS_PER_DAY) + 2)
    times_s = (days[:, None] * SECONDS_PER_DAY + knots_s[None, :]).ravel() - start_s
    return times_s, np.tile(np.arange(len(knots_s)), len(days))


def within(
    times_s: NDArray[np.float64],
    ambient_C: NDArray[np.float64],
    sun_W: NDArray[np.float64],
    end_s: float,
) -> Weather:
    """Return the weather cut to 0 .. `end_s`, its ends interpolated; `times_s` must cover both."""
    inner = (times_s > 0.0) & (times_s < end_s)
    knots_s = np.concatenate([[0.0], times_s[inner], [end_s]])
    return Weather(
        knots_s,
        np.interp(knots_s, times_s, ambient_C) + ZERO_C_K,
        np.interp(knots_s, times_s, sun_W),
    )


def with_knots(weather: Weather, times_s: NDArray[np.float64]) -> Weather:
    """Return the same weather with knots at `times_s` too."""
    knots_s = np.union1d(weather.time_s, times_s)
    return Weather(
        knots_s,
        np.interp(knots_s, weather.time_s, weather.ambient_K),
        np.interp(knots_s, weather.time_s, weather.sun_W),
    )


def within_K(weather: Weather, end_s: float) -> Weather:
    """Return the weather from 0 to `end_s`, where it has a knot."""
    count = int(np.searchsorted(weather.time_s, end_s - 1e-6)) + 1
    return Weather(*(values[:count] for values in weather))
