"""From a track of positions to a profile of speed and slope.

Speed is distance over time along great circles (haversine), zero where the receiver only wanders
about a stand. Heights of receivers jitter by metres, and every jitter would count as climb, so
they are smoothed over distance and speeds over time, and what that does to the climb and to the
speeding up is said.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.files.gpx import Points
from sim.files.track import EARTH_M, box_smoothed, climb_m, haversine_m
from sim.units import KM_H_TO_M_S, STANDARD_GRAVITY_M_S2, clock_text

Floats = NDArray[np.float64]
FASTEST_M_S = 40.0  # assumed: no low-speed vehicle; beyond it a receiver has jumped
QUICKEST_M_S2 = 3.0  # assumed: nothing slow gathers speed like that over a whole step
NOISE_M = 15.0  # assumed: how far one fix may lie beside the next without being called a jump
STAND_WINDOW_S = 10.0  # assumed, with the next: standing is to move by under 3 m in 10 s
STAND_M_S = 0.3
ROUNDING_M = 1e-6  # of smoothing: less than this is no step
STEEPEST = 0.35  # rise over run; the road load refuses a little more


@dataclass(frozen=True)
class Route:
    """A profile of rows, each `speed_m_s` and `grade_percent` from its `time_s` until the next.

    Where a row begins with a change of speed, that takes all of the row. `point` is the point of
    the file at which each row begins, `distance_m` the way of the track.
    """

    time_s: Floats
    speed_m_s: Floats
    grade_percent: Floats
    end_s: float
    point: NDArray[np.intp]
    distance_m: float
    start_clock_s: float | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class _Way:
    """Steps between points: how long, how far, and which of them stand. Arrays of n - 1."""

    points: Points
    time_s: Floats  # (n,)
    number: NDArray[np.intp]  # (n,), of each point left in the file
    step_m: Floats
    standing: NDArray[np.bool_]

    @property
    def step_s(self) -> Floats:
        """How long each step lasts."""
        return np.diff(self.time_s)


def route_of(
    points: Points,
    *,
    speed_km_h: float | None,
    smooth_height_m: float,
    smooth_speed_s: float,
    acceleration_m_s2: float,
) -> Route:
    """Return the profile along `points`, at their own times or at `speed_km_h`.

    A change of speed takes `smooth_speed_s`, or as long as `acceleration_m_s2` makes it where
    that is longer, within its row. Raises InputError with file and point: points without a time,
    times that run backwards, a jump, a slope beyond 35 %, or no way at all.
    """
    notes: list[str] = []
    if speed_km_h is None:
        way = _timed(points, notes)
        _, raw_m_s = _along(way, 0.0)
        at_m, speed_m_s = _along(way, smooth_speed_s)
        notes += _speeding_up(points, raw_m_s, speed_m_s, smooth_speed_s)
        speed_m_s = _gathering(way, speed_m_s, smooth_speed_s, acceleration_m_s2)
    else:
        way = _at_speed(points, speed_km_h * KM_H_TO_M_S, acceleration_m_s2, notes)
        at_m, speed_m_s = _along(way, 0.0)
    if at_m[-1] <= 0.0:
        raise InputError(f"{points.path}: the track goes nowhere; accepted: one that moves")
    height_m = _heights(way, at_m, smooth_height_m, notes)
    grade = np.zeros_like(speed_m_s)
    np.divide(np.diff(height_m), np.diff(at_m), out=grade, where=np.diff(at_m) > 0.0)
    for i in np.flatnonzero(np.abs(grade) > STEEPEST)[:1]:
        raise InputError(
            f"{points.at(int(way.number[i]))}: the slope is {100.0 * grade[i]:.0f} %; accepted: "
            f"up to {100.0 * STEEPEST:.0f} %; a larger [load] smooth_height_m evens out a receiver"
        )
    notes.insert(0, _overview(way, at_m, height_m, smooth_height_m))
    if speed_km_h is None:
        profile = _rows(way, speed_m_s, 100.0 * grade, smooth_speed_s, acceleration_m_s2)
    else:
        profile = _even_rows(way, speed_km_h * KM_H_TO_M_S, 100.0 * grade, acceleration_m_s2)
    return replace(profile, start_clock_s=_clock_s(points, speed_km_h), notes=tuple(notes))


def _clock_s(points: Points, speed_km_h: float | None) -> float | None:
    """Return the second of the day, UTC, at which the ride begins; None at a made-up speed."""
    if points.start is None or speed_km_h is not None:
        return None
    clock = points.start.time()
    return 3600.0 * clock.hour + 60.0 * clock.minute + clock.second + 1e-6 * clock.microsecond


def utc_note(route: Route, points: Points) -> str:
    """Return what is to be said where nobody tells the local clock."""
    clock = clock_text(route.start_clock_s or 0.0)
    return (
        f"{points.path}: its clock is UTC and the ride begins at {clock}; give [load] start, the "
        "local clock of the first point, if the weather goes by that"
    )


def _steps_m(points: Points, which: NDArray[np.intp]) -> Floats:
    lat, lon = points.latitude_deg[which], points.longitude_deg[which]
    return haversine_m(lat[:-1], lon[:-1], lat[1:], lon[1:])


def _timed(points: Points, notes: list[str]) -> _Way:
    """Return the way at the points' own times."""
    missing = np.flatnonzero(np.isnan(points.time_s))
    if missing.size:
        what = "none has" if missing.size == len(points.time_s) else f"{missing.size} have no"
        raise InputError(
            f"{points.at(int(missing[0]))} has no time that can be read ({what} one of "
            f"{len(points.time_s)}); accepted: a track with times, or [load] speed_km_h"
        )
    back = np.flatnonzero(np.diff(points.time_s) < 0.0)
    if back.size:
        i = int(back[0]) + 1
        fall_s = points.time_s[i - 1] - points.time_s[i]
        more = f" (and {back.size - 1} more times)" if back.size > 1 else ""
        raise InputError(
            f"{points.at(i)}: time runs backwards by {fall_s:g} s{more}; accepted: points in the "
            "order of their times"
        )
    keep = np.append(True, np.diff(points.time_s) > 0.0)
    number = np.flatnonzero(keep)
    if len(number) < 2:
        raise InputError(f"{points.path}: all points have one time; accepted: two times or more")
    all_m = _steps_m(points, np.arange(len(keep)))
    for i in np.flatnonzero(~keep[1:] & (all_m > NOISE_M))[:1]:
        raise InputError(
            f"{points.at(int(i) + 1)} lies {all_m[i]:.0f} m from the point before at the very same "
            f"time; accepted: up to {NOISE_M:g} m"
        )
    if not keep.all():
        notes.append(f"{points.path}: {np.count_nonzero(~keep)} points repeat a time; left out")
    time_s = points.time_s[number]
    step_m, step_s = _steps_m(points, number), np.diff(time_s)
    _refuse_jumps(points, number, step_m, step_s)
    notes += _gaps(points, step_m, step_s, number)
    standing = _standing(points, number, time_s, step_m)
    return _Way(points, time_s, number, step_m, standing)


def _at_speed(points: Points, speed_m_s: float, acceleration_m_s2: float, notes: list[str]) -> _Way:
    """Return the way at one speed, whatever times the points have, from rest and to rest again.

    Points on the way on which the speed changes are left out, so that each change is one row.
    """
    if not np.isnan(points.time_s).all():
        notes.append(f"{points.path}: its times are not used: [load] speed_km_h replaces them")
    all_m = np.concatenate(([0.0], np.cumsum(_steps_m(points, np.arange(len(points.time_s))))))
    change_m = 0.5 * speed_m_s**2 / acceleration_m_s2
    if all_m[-1] < 2.0 * change_m:
        raise InputError(
            f"{points.path}: the track is {all_m[-1]:.3g} m long; to reach "
            f"{speed_m_s / KM_H_TO_M_S:g} km/h and stop again at {acceleration_m_s2:g} m/s2 "
            f"([vehicle] acceleration_m_s2) takes {2.0 * change_m:.3g} m"
        )
    inner = np.flatnonzero((all_m > change_m) & (all_m < all_m[-1] - change_m))
    inner = inner[np.diff(all_m[inner], prepend=0.0) > 0.0]
    number = np.concatenate(([0], inner, [len(all_m) - 1]))
    at_m = all_m[number]
    time_s = at_m / speed_m_s + 0.5 * speed_m_s / acceleration_m_s2
    time_s[0] = 0.0
    time_s[-1] += 0.5 * speed_m_s / acceleration_m_s2
    return _Way(points, time_s, number, np.diff(at_m), np.zeros(len(inner) + 1, dtype=bool))


def _refuse_jumps(points: Points, number: NDArray[np.intp], step_m: Floats, step_s: Floats) -> None:
    """Refuse a step that no vehicle makes: too fast, or far quicker than the steps beside it."""
    speed_m_s = step_m / step_s
    beside_m_s = np.append(speed_m_s[1:2], speed_m_s[:-1]) if len(speed_m_s) > 1 else speed_m_s
    gained_m_s = speed_m_s - beside_m_s
    leap = (gained_m_s > QUICKEST_M_S2 * step_s) & (gained_m_s * step_s > NOISE_M)
    for i in np.flatnonzero(leap | (speed_m_s > FASTEST_M_S))[:1]:
        raise InputError(
            f"{points.at(int(number[i + 1]))} lies {step_m[i]:.0f} m from the point before after "
            f"{step_s[i]:g} s, which is {3.6 * speed_m_s[i]:.0f} km/h where the step beside it is "
            f"at {3.6 * beside_m_s[i]:.0f}; a jump of the receiver? accepted: a track without it"
        )


def _standing(
    points: Points, number: NDArray[np.intp], time_s: Floats, step_m: Floats
) -> NDArray[np.bool_]:
    """Return which steps only wander: the position moves by under 3 m in 10 s about them."""
    lat = points.latitude_deg[number]
    lon = np.unwrap(points.longitude_deg[number], period=360.0)
    north_m = np.radians(lat) * EARTH_M
    east_m = np.radians(lon) * EARTH_M * np.cos(np.radians(lat.mean()))
    middle_s = 0.5 * (time_s[1:] + time_s[:-1])
    reach_s = np.maximum(0.5 * STAND_WINDOW_S, 0.5 * np.diff(time_s))
    from_s = np.maximum(middle_s - reach_s, time_s[0])
    until_s = np.minimum(middle_s + reach_s, time_s[-1])

    def moved_m(along_m: Floats) -> Floats:
        return np.interp(until_s, time_s, along_m) - np.interp(from_s, time_s, along_m)

    net_m = np.hypot(moved_m(north_m), moved_m(east_m))
    return np.asarray((net_m < STAND_M_S * (until_s - from_s)) | (step_m == 0.0))


def _along(way: _Way, smooth_s: float) -> tuple[Floats, Floats]:
    """Return the distance [m] at each point (n,) and the speed of each step (n - 1,).

    Smoothed are the stretches whose steps are no longer than `smooth_s`; over a longer step
    nothing is known but its mean.
    """
    step_m = np.where(way.standing, 0.0, way.step_m)
    if smooth_s > 0.0:
        raw_m = np.concatenate(([0.0], np.cumsum(step_m)))
        sparse = np.concatenate(([True], way.step_s > smooth_s, [True]))
        edges = np.flatnonzero(np.diff(sparse))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            part = slice(first, last + 1)
            smooth_m = box_smoothed(way.time_s[part], raw_m[part], smooth_s)
            step_m[first:last] = np.maximum(np.diff(smooth_m), 0.0)
        step_m[way.standing & (step_m < ROUNDING_M)] = 0.0
    return np.concatenate(([0.0], np.cumsum(step_m))), step_m / way.step_s


def _gathering(way: _Way, speed_m_s: Floats, smooth_s: float, acceleration_m_s2: float) -> Floats:
    """Return the speeds, held back where a track begins under way or goes on after a long step.

    There the speed would be gathered within one short step; at `acceleration_m_s2` it takes a few.
    """
    held = speed_m_s.copy()
    step_s = way.step_s
    for edge in np.flatnonzero(np.concatenate(([True], step_s[:-1] > max(smooth_s, 1.0)))):
        before_m_s = held[edge - 1] if edge else 0.0
        for i in range(edge, len(held)):
            most_m_s = before_m_s + acceleration_m_s2 * (way.time_s[i + 1] - way.time_s[edge])
            if held[i] <= most_m_s:
                break
            held[i] = most_m_s
    return held


def _heights(way: _Way, at_m: Floats, smooth_m: float, notes: list[str]) -> Floats:
    """Return the smoothed height at each point; flat, with a note, where the file has none."""
    place_m, height_m, missing = _height_over_way(way, at_m)
    if not height_m.size:
        notes.append(f"{way.points.path} has no heights (ele); taken as flat")
        return np.zeros_like(at_m)
    if missing:
        notes.append(
            f"{way.points.path}: {missing} points have no height; a straight line bridges them"
        )
    return np.asarray(np.interp(at_m, place_m, box_smoothed(place_m, height_m, smooth_m)))


def _height_over_way(way: _Way, at_m: Floats) -> tuple[Floats, Floats, int]:
    """Return distances, the mean height at each, and how many points have none."""
    height_m = way.points.height_m[way.number]
    known = np.isfinite(height_m)
    place_m, which = np.unique(at_m[known], return_inverse=True)
    count = np.bincount(which, minlength=len(place_m))
    mean_m = np.bincount(which, weights=height_m[known], minlength=len(place_m)) / count
    return place_m, mean_m, int(np.count_nonzero(~known))


def _overview(way: _Way, at_m: Floats, height_m: Floats, smooth_m: float) -> str:
    """Return distance, climb before and after smoothing, and time with its stands."""
    place_m, raw_m, _ = _height_over_way(way, at_m)
    end_s, stood_s = float(way.time_s[-1]), float(way.step_s[way.standing].sum())
    said = f"{way.points.path}: {at_m[-1] / 1000.0:.2f} km"
    if raw_m.size:
        logged_m = way.points.height_m[way.number]
        said += f", climb {climb_m(logged_m[np.isfinite(logged_m)]):.0f} m as logged"
    if raw_m.size and smooth_m > 0.0:
        other = [climb_m(box_smoothed(place_m, raw_m, f * smooth_m)) for f in (0.5, 2.0)]
        said += (
            f", {climb_m(height_m):.0f} m with heights averaged twice over {smooth_m:g} m "
            f"({0.5 * smooth_m:g} m: {other[0]:.0f}, {2.0 * smooth_m:g} m: {other[1]:.0f})"
        )
    said += f", {end_s / 60.0:.0f} min"
    stands = int(np.count_nonzero(np.diff(way.standing.astype(int), prepend=0) > 0))
    if stands:
        wander_m = float(way.step_m[way.standing].sum())
        said += f", {stood_s / 60.0:.0f} of them in {stands} stands"
        said += f" ({wander_m:.0f} m of wander there left out)" if wander_m >= 1.0 else ""
    return said


def _speeding_up(points: Points, raw_m_s: Floats, speed_m_s: Floats, smooth_s: float) -> list[str]:
    """Return what smoothing does to the energy of speeding up, as metres of climb."""
    if smooth_s <= 0.0:
        return []
    before, after = (climb_m(v**2) / (2.0 * STANDARD_GRAVITY_M_S2) for v in (raw_m_s, speed_m_s))
    return [
        f"{points.path}: all speeding up weighs as much as {before:.0f} m of climb as logged, "
        f"{after:.0f} m with speeds averaged twice over {smooth_s:g} s; top speed "
        f"{3.6 * raw_m_s.max():.1f} and {3.6 * speed_m_s.max():.1f} km/h"
    ]


def _gaps(points: Points, step_m: Floats, step_s: Floats, number: NDArray[np.intp]) -> list[str]:
    """Return a note about the longest stretch without points in which the vehicle moved."""
    long = (step_s > max(60.0, 5.0 * float(np.median(step_s)))) & (step_m > STAND_M_S * step_s)
    if not long.any():
        return []
    i = int(np.argmax(np.where(long, step_s, 0.0)))
    more = f", the longest of {np.count_nonzero(long)}" if np.count_nonzero(long) > 1 else ""
    return [
        f"{points.at(int(number[i]))}: {step_s[i]:.0f} s without a point{more}; "
        f"{step_m[i]:.0f} m straight on at an even speed"
    ]


def _rows(
    way: _Way, speed_m_s: Floats, grade_percent: Floats, smooth_s: float, acceleration_m_s2: float
) -> Route:
    """Return the profile's rows: each step, neighbouring stands as one, changes of speed apart."""
    stands = speed_m_s == 0.0
    begins = np.append(True, ~(stands[1:] & stands[:-1]))
    first = np.flatnonzero(begins)
    start_s, speed, grade = way.time_s[:-1][first], speed_m_s[first], grade_percent[first]
    end_s = float(way.time_s[-1])
    row_s = np.diff(start_s, append=end_s)
    change = np.abs(np.diff(speed, prepend=0.0))
    change_s = np.maximum(change / acceleration_m_s2, np.minimum(row_s, smooth_s))
    cruise = (change > 0.0) & (change_s < row_s - 1e-3)
    time_s = np.concatenate((start_s, (start_s + change_s)[cruise]))
    order = np.argsort(time_s, kind="stable")
    index = np.concatenate((np.arange(len(first)), np.flatnonzero(cruise)))[order]
    return Route(
        time_s=time_s[order],
        speed_m_s=speed[index],
        grade_percent=grade[index],
        end_s=end_s,
        point=way.number[first][index],
        distance_m=float(way.step_m[~way.standing].sum()),
        start_clock_s=None,
        notes=(),
    )


def _even_rows(
    way: _Way, speed_m_s: float, grade_percent: Floats, acceleration_m_s2: float
) -> Route:
    """Return the rows of a way at one speed: speeding up, each step, braking to rest."""
    change_s = speed_m_s / acceleration_m_s2
    time_s, point = way.time_s[:-1], way.number[:-1]
    cruise_s = np.concatenate((time_s[:1] + change_s, time_s[1:]))
    end_s = float(way.time_s[-1])
    return Route(
        time_s=np.concatenate(([0.0], cruise_s, [end_s - change_s])),
        speed_m_s=np.append(np.full(len(time_s) + 1, speed_m_s), 0.0),
        grade_percent=np.concatenate((grade_percent[:1], grade_percent, grade_percent[-1:])),
        end_s=end_s,
        point=np.concatenate((point[:1], point, point[-1:])),
        distance_m=float(way.step_m[~way.standing].sum()),
        start_clock_s=None,
        notes=(),
    )
