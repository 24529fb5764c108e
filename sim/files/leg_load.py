"""From [[leg]] tables to a load: speeds through the road load, powers or currents as they are.

A vehicle comes to rest where a leg ends with a pause, where the payload changes, before a leg of
power, and at the end; a leg's distance and duration include speeding up and braking.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from sim.drive.legs import Load
from sim.errors import InputError
from sim.files.leg_schema import LegTable
from sim.physics.pack import CURRENT, POWER
from sim.physics.road import RoadEnergy, Vehicle, road_legs

LEAST_CRUISE_S = 1e-3  # numerical: no row of a profile may last no time
MOST_LEGS = 100_000
BEHIND = 1e-9  # of rounding


@dataclass(frozen=True)
class Step:
    """One leg as driven once: `number` of its [[leg]] from 1, `stops` whether it ends at rest."""

    number: int
    leg: LegTable
    stops: bool


@dataclass
class _Profile:
    """Rows of speed between two stands with one payload, and which step each belongs to."""

    payload_kg: float
    duration_s: list[float] = field(default_factory=list)
    speed_m_s: list[float] = field(default_factory=list)
    grade_percent: list[float] = field(default_factory=list)
    step: list[int] = field(default_factory=list)

    def add(self, duration_s: float, speed_m_s: float, grade_percent: float, step: int) -> None:
        """Add one row, if it lasts."""
        if duration_s > 0.0:
            self.duration_s.append(duration_s)
            self.speed_m_s.append(speed_m_s)
            self.grade_percent.append(grade_percent)
            self.step.append(step)


@dataclass
class _Held:
    """A power [W] or current [A] held for a time."""

    duration_s: float
    value: float
    step: int


def steps_of(legs: list[LegTable], path: Path) -> list[Step]:
    """Return the legs one by one as they are driven; raise InputError for far too many."""
    count = sum(leg.repeat for leg in legs)
    if count > MOST_LEGS:
        raise InputError(f"{path}: [[leg]] repeat makes {count} legs; accepted: up to {MOST_LEGS}")
    driven = [(n, leg) for n, leg in enumerate(legs, 1) for _ in range(leg.repeat)]
    after = [leg for _, leg in driven[1:]] + [None]
    return [Step(n, leg, _stops(leg, then)) for (n, leg), then in zip(driven, after, strict=True)]


def _stops(leg: LegTable, then: LegTable | None) -> bool:
    """Return whether the vehicle stands still after `leg`."""
    if leg.pause > 0.0 or then is None or then.speed_km_h is None:
        return True
    return leg.payload_kg != then.payload_kg


def leg_load(
    legs: list[LegTable], vehicle: Vehicle | None, path: Path
) -> tuple[Load, RoadEnergy | None]:
    """Return the load of [[leg]] tables, and where the energy of the driven ones went.

    `row` of the load counts legs as driven. Raises InputError where a leg can't be driven, or
    needs a vehicle.
    """
    steps = steps_of(legs, path)
    driven = any(step.leg.speed_km_h is not None for step in steps)
    if driven and vehicle is None:
        first = next(step.number for step in steps if step.leg.speed_km_h is not None)
        raise InputError(
            f"{path}: [vehicle] is missing, but [[leg]] {first} gives speed_km_h; give mass_kg, "
            "rolling_coefficient, drag_area_m2 and drivetrain_efficiency"
        )
    kind = _kind(steps, path)
    starts_s: list[np.ndarray] = []
    values: list[np.ndarray] = []
    rows: list[np.ndarray] = []
    energies: list[RoadEnergy] = []
    now_s = 0.0
    for part in _parts(steps, vehicle if driven else None, path):
        if isinstance(part, _Held):
            starts_s.append(np.array([now_s]))
            values.append(np.array([part.value]))
            rows.append(np.array([part.step]))
            now_s += part.duration_s
            continue
        assert vehicle is not None  # only a driven leg makes a profile
        edges_s = np.concatenate(([0.0], np.cumsum(part.duration_s)))
        road, energy = road_legs(
            vehicle._replace(mass_kg=vehicle.mass_kg + part.payload_kg),
            edges_s[:-1],
            part.speed_m_s,
            float(edges_s[-1]),
            grade_percent=part.grade_percent,
        )
        starts_s.append(now_s + road.t0_s)
        values.append(road.power_W)
        at = np.searchsorted(edges_s, road.t0_s, side="right") - 1
        rows.append(np.array(part.step)[np.minimum(at, len(part.step) - 1)])
        energies.append(energy)
        now_s += float(edges_s[-1])
    load = Load(
        kind,
        np.append(np.concatenate(starts_s), now_s),
        np.concatenate(values),
        np.concatenate(rows),
    )
    return load, _together(energies)


def _kind(steps: list[Step], path: Path) -> int:
    """Return whether the day is one of powers or of currents; refuse one of both."""
    currents = [step.number for step in steps if step.leg.current_A is not None]
    others = [
        step.number
        for step in steps
        if step.leg.power_W is not None or step.leg.speed_km_h is not None
    ]
    if currents and others:
        raise InputError(
            f"{path}: [[leg]] {currents[0]} gives current_A and [[leg]] {others[0]} does not; "
            "accepted: a day of currents and pauses only, or one without currents"
        )
    return CURRENT if currents else POWER


def _parts(steps: list[Step], vehicle: Vehicle | None, path: Path) -> list[_Profile | _Held]:
    """Return the day as stretches of speed, power, current; standing draws the auxiliaries."""
    parts: list[_Profile | _Held] = []
    profile: _Profile | None = None
    before_m_s = 0.0
    for at, step in enumerate(steps):
        leg = step.leg
        if leg.held is not None:
            assert leg.duration is not None  # the schema asks for one
            parts.append(_Held(leg.duration, leg.held, at))
            profile = None
        elif leg.speed_km_h is not None:
            assert vehicle is not None
            if profile is None or profile.payload_kg != leg.payload_kg:
                profile = _Profile(leg.payload_kg)
                parts.append(profile)
            before_m_s = _drive(profile, step, at, before_m_s, vehicle, path)
        if leg.pause > 0.0 and vehicle is None:
            parts.append(_Held(leg.pause, 0.0, at))
        elif leg.pause > 0.0:
            if profile is None:
                profile = _Profile(0.0)
                parts.append(profile)
            profile.add(leg.pause, 0.0, 0.0, at)
    return parts


def _drive(
    profile: _Profile, step: Step, at: int, before_m_s: float, vehicle: Vehicle, path: Path
) -> float:
    """Add the rows of one leg at a speed; return the speed with which it ends.

    Over a leg of distance d at speed v after u, with a the acceleration either way: changing speed
    takes |v - u| / a and covers (u + v) / 2 of it, braking to rest v / a and half of that; what
    is left of d is driven at v.
    """
    leg = step.leg
    assert leg.speed_km_h is not None
    a_m_s2, speed_m_s = vehicle.acceleration_m_s2, leg.speed_km_h / 3.6
    change_s = abs(speed_m_s - before_m_s) / a_m_s2
    brake_s = speed_m_s / a_m_s2 if step.stops else 0.0
    if leg.distance is not None:
        needed_m = 0.5 * (speed_m_s + before_m_s) * change_s + 0.5 * speed_m_s * brake_s
        cruise_s = (leg.distance - needed_m) / speed_m_s
        if cruise_s < -BEHIND * (change_s + brake_s):
            raise _too_short(step, f"{leg.distance:g} m", f"{needed_m:.4g} m", vehicle, path)
    else:
        assert leg.duration is not None
        cruise_s = leg.duration - change_s - brake_s
        if cruise_s < -BEHIND * (change_s + brake_s):
            needed = f"{change_s + brake_s:.4g} s"
            raise _too_short(step, f"{leg.duration:g} s", needed, vehicle, path)
    profile.add(
        max(change_s + max(cruise_s, 0.0), LEAST_CRUISE_S), speed_m_s, leg.grade_percent, at
    )
    profile.add(brake_s, 0.0, leg.grade_percent, at)
    return 0.0 if step.stops else speed_m_s


def _too_short(step: Step, has: str, needed: str, vehicle: Vehicle, path: Path) -> InputError:
    stop = " and stop again" if step.stops else ""
    return InputError(
        f"{path}: [[leg]] {step.number} is too short: in {has} no vehicle can reach "
        f"{step.leg.speed_km_h:g} km/h{stop} at {vehicle.acceleration_m_s2:g} m/s2 ([vehicle] "
        f"acceleration_m_s2); accepted: {needed} or more, or a lower speed_km_h"
    )


def _together(energies: list[RoadEnergy]) -> RoadEnergy | None:
    """Return the sums of several drives, and the greatest of what is no sum."""
    if not energies:
        return None
    greatest = ("top_speed_m_s", "peak_power_W")
    return RoadEnergy(
        **{
            name: (max if name in greatest else sum)(getattr(e, name) for e in energies)
            for name in RoadEnergy._fields
        }
    )
