"""The road load: what a vehicle that follows a speed profile asks of its pack.

Forces after Gillespie, Fundamentals of Vehicle Dynamics (1992), ch. 4, in the textbook form
F = mu m g cos(th) + 0.5 rho Cd A v^2 + m g sin(th) + m a. Rolling coefficients of real ground
are open to a factor of two, and with them the energy of a slow vehicle.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sim.errors import InputError
from sim.units import SECONDS_PER_HOUR, STANDARD_GRAVITY_M_S2

Floats = NDArray[np.float64]

STEEPEST_SINE = 0.35  # 37 %: beyond any road or farm track, so a slip in the file
STILL_NOISE_M = 2.0  # assumed: wander of a satellite or pressure height while standing
RAMP_PIECE_S = 1.0  # a change of speed is cut into legs of this length or a tenth of it, since its
RAMP_PIECES = 10  # power rises all along and one mean would hide a peak of twice the size
SHORTEST_LEG_S = 1e-3  # numerical: a change of speed of rounding size must not make a 1e-12 s leg


class Vehicle(NamedTuple):
    """What moves; `drag_area_m2` is Cd x A.

    `drivetrain_efficiency` lies between pack and wheel, in either direction. `regeneration` is the
    share of the braking power at the wheel that goes back through the drive train; the rest heats
    the friction brakes. `auxiliary_W` is drawn all the time, standing too.
    """

    mass_kg: float
    rolling_coefficient: float
    drag_area_m2: float
    drivetrain_efficiency: float = 0.8  # assumed, 0.7-0.9: controller, motor and gear together
    regeneration: float = 0.0
    auxiliary_W: float = 0.0
    acceleration_m_s2: float = 0.5  # assumed, 0.3-1.0 for a laden utility vehicle
    air_density_kg_m3: float = 1.2  # dry air near 20 C at sea level
    gravity_m_s2: float = STANDARD_GRAVITY_M_S2


class RoadLegs(NamedTuple):
    """Legs of constant power, in order and without gaps; three arrays of one length.

    `power_W` is the net power at the pack's terminals, discharge positive.
    """

    t0_s: Floats
    duration_s: Floats
    power_W: Floats


class RoadEnergy(NamedTuple):
    """Where the energy of one pass through the profile went [Wh], and what the way was like.

    battery = rolling + drag + climb - descent + accelerating - braking + friction_brakes
    + drivetrain_loss + auxiliary, up to `residual_Wh`, which is rounding. `climb`, `descent`,
    `accelerating` and `braking` are positive amounts of potential and kinetic energy put in and
    taken out. `regenerated` is what the drive train hands back; the auxiliaries may use it on the
    spot, so it isn't all charge. `peak_power_W` is the greatest power at any instant: inside a
    change of speed it is higher than the leg's constant power. `hurried_rows` counts the rows too
    short for their change of speed, which then takes the whole row, at more than
    `acceleration_m_s2`. `ignored_height_m` adds up changes of elevation while standing.
    """

    rolling_Wh: float
    drag_Wh: float
    climb_Wh: float
    descent_Wh: float
    accelerating_Wh: float
    braking_Wh: float
    drivetrain_loss_Wh: float
    friction_brakes_Wh: float
    regenerated_Wh: float
    auxiliary_Wh: float
    battery_Wh: float
    residual_Wh: float
    distance_m: float
    climb_m: float
    top_speed_m_s: float
    peak_power_W: float
    hurried_rows: int
    ignored_height_m: float


class _Motion(NamedTuple):
    """Per row (first axis) the pieces of its change of speed, then its cruise (second axis).

    A part that doesn't happen has no duration.
    """

    t0_s: Floats
    duration_s: Floats
    from_m_s: Floats
    to_m_s: Floats

    @property
    def distance_m(self) -> Floats:
        """Way of each part, speed being linear in time."""
        return 0.5 * (self.from_m_s + self.to_m_s) * self.duration_s


class _Wheel(NamedTuple):
    """Work at the wheel by term [J], shaped as the motion, negative where the vehicle gives."""

    rolling_J: Floats
    drag_J: Floats
    grade_J: Floats
    kinetic_J: Floats

    @property
    def net_J(self) -> Floats:
        """The sum of the four."""
        return self.rolling_J + self.drag_J + self.grade_J + self.kinetic_J


def drag_N(vehicle: Vehicle, speed_m_s: float | Floats) -> Floats:
    """Air drag in still air; same shape as the speed."""
    pressure_Pa = 0.5 * vehicle.air_density_kg_m3 * np.square(speed_m_s)
    return pressure_Pa * vehicle.drag_area_m2


def rolling_N(vehicle: Vehicle, slope_rad: float | Floats) -> Floats:
    """Rolling resistance of the moving vehicle; same shape as the slope."""
    return vehicle.rolling_coefficient * vehicle.mass_kg * vehicle.gravity_m_s2 * np.cos(slope_rad)


def grade_N(vehicle: Vehicle, slope_rad: float | Floats) -> Floats:
    """Pull of the hill, positive uphill; same shape as the slope."""
    return vehicle.mass_kg * vehicle.gravity_m_s2 * np.sin(slope_rad)


def road_legs(
    vehicle: Vehicle,
    time_s: ArrayLike,
    speed_m_s: ArrayLike,
    end_s: float,
    *,
    grade_percent: ArrayLike | None = None,
    elevation_m: ArrayLike | None = None,
) -> tuple[RoadLegs, RoadEnergy]:
    """Return the legs of constant pack power that a speed profile asks for, and their energies.

    A speed holds from its row until the next, the last until `end_s`. A vehicle can't jump, so
    the change from the row before starts at the row's own time, with speed linear in time, at
    `acceleration_m_s2`; it is over after |dv|/a or at the row's end, whichever is first, and
    always at the row's speed. The rest of the row is cruise. The vehicle stands still before row
    one; if the last speed isn't 0 it ends moving, and its kinetic energy is not paid back. No
    change of speed and no cruise shorter than 1 ms is made.

    Each row gives a leg for its cruise, and for its change of speed one a second or ten in all,
    whichever are fewer. A leg's power is constant: its energy over its duration. The
    work at the wheel is exact for that motion, but its sign is taken over the leg as a whole, as
    is the efficiency: pull and brake within one leg offset each other. On a standing vehicle the
    brake holds the hill for nothing.

    `grade_percent` (rise over run) holds like the speed. A change of `elevation_m` until the next
    row is climbed evenly over the row's distance; the last row is flat. With neither, all is flat.
    One value a row in each array.

    Raises InputError, with "row 3" for the third row: arrays of different length, values that are
    not finite, times that don't rise, a negative speed, a sine of the slope beyond 0.35, an
    elevation that moves by more than 2 m while standing, both kinds of slope at once, or a vehicle
    that can't be.
    """
    _check_vehicle(vehicle)
    given = {"grade_percent": grade_percent, "elevation_m": elevation_m}
    slopes = {name: column for name, column in given.items() if column is not None}
    table = _checked_table({"time_s": time_s, "speed_m_s": speed_m_s, **slopes}, end_s)
    motion, hurried_rows = _motion(vehicle, table["time_s"], table["speed_m_s"], end_s)
    slope_rad, ignored_height_m = _slope(table, motion.distance_m.sum(axis=1))
    wheel = _wheel_work(vehicle, motion, slope_rad)
    battery_J = _at_pack(vehicle, wheel.net_J) + vehicle.auxiliary_W * motion.duration_s

    happens = motion.duration_s > 0.0
    duration_s = motion.duration_s[happens]
    legs = RoadLegs(motion.t0_s[happens], duration_s, battery_J[happens] / duration_s)
    sums_Wh = _sums_Wh(vehicle, motion, wheel)
    # From the legs handed out, not from the terms, so that the residual proves something.
    battery_Wh = float(np.dot(legs.power_W, legs.duration_s)) / SECONDS_PER_HOUR
    climb_m = np.maximum(np.sin(slope_rad)[:, None] * motion.distance_m, 0.0).sum()
    return legs, RoadEnergy(
        **sums_Wh,
        battery_Wh=battery_Wh,
        residual_Wh=_residual_Wh(battery_Wh, sums_Wh),
        distance_m=float(motion.distance_m.sum()),
        climb_m=float(climb_m),
        top_speed_m_s=float(motion.to_m_s.max()),
        peak_power_W=_peak_power_W(vehicle, motion, slope_rad),
        hurried_rows=hurried_rows,
        ignored_height_m=ignored_height_m,
    )


def _motion(
    vehicle: Vehicle, time_s: Floats, speed_m_s: Floats, end_s: float
) -> tuple[_Motion, int]:
    """Split every row into its change of speed and its cruise; and count the hurried rows."""
    row_s = np.diff(time_s, append=end_s)
    before_m_s = np.concatenate(([0.0], speed_m_s[:-1]))
    change_s = np.abs(speed_m_s - before_m_s) / vehicle.acceleration_m_s2
    hurried = int(np.count_nonzero(change_s > row_s + SHORTEST_LEG_S))

    ramp_s = np.maximum(change_s, SHORTEST_LEG_S)
    ramp_s = np.where(row_s - ramp_s < SHORTEST_LEG_S, row_s, ramp_s)
    ramp_s = np.where(speed_m_s != before_m_s, ramp_s, 0.0)

    pieces = np.clip(np.ceil(ramp_s / RAMP_PIECE_S - 1e-9), 1, RAMP_PIECES)
    done = np.minimum(np.arange(int(pieces.max()) + 1) / pieces[:, None], 1.0)
    edge_s = time_s[:, None] + ramp_s[:, None] * done
    edge_m_s = before_m_s[:, None] + (speed_m_s - before_m_s)[:, None] * done
    edge_m_s[done == 1.0] = np.broadcast_to(speed_m_s[:, None], done.shape)[done == 1.0]
    motion = _Motion(
        t0_s=edge_s,
        duration_s=np.column_stack((ramp_s[:, None] * np.diff(done), row_s - ramp_s)),
        from_m_s=edge_m_s,
        to_m_s=np.column_stack((edge_m_s[:, 1:], speed_m_s)),
    )
    return motion, hurried


def _slope(table: dict[str, Floats], distance_m: Floats) -> tuple[Floats, float]:
    """Slope of every row [rad], and the height set aside as noise [m]."""
    if "grade_percent" in table:
        slope_rad = np.arctan(table["grade_percent"] / 100.0)
        _refuse_steep(np.sin(slope_rad))
        return slope_rad, 0.0
    if "elevation_m" not in table:
        return np.zeros_like(distance_m), 0.0

    rise_m = np.diff(table["elevation_m"], append=table["elevation_m"][-1])
    still = distance_m == 0.0
    _refuse(
        still & (np.abs(rise_m) > STILL_NOISE_M),
        lambda i: (
            f"elevation_m changes by {rise_m[i]:.4g} m until the next row while the vehicle stands "
            f"still; up to {STILL_NOISE_M:g} m is passed over as noise"
        ),
    )
    sine = np.divide(rise_m, distance_m, out=np.zeros_like(rise_m), where=~still)
    _refuse_steep(sine)
    return np.arcsin(sine), float(np.abs(rise_m[still]).sum())


def _wheel_work(vehicle: Vehicle, motion: _Motion, slope_rad: Floats) -> _Wheel:
    """Work of each force over each part of each row."""
    distance_m = motion.distance_m
    # Integral of v^3 for v linear in time: t (u + v)(u^2 + v^2) / 4, which is the mean of the
    # drag at both ends times the distance.
    mean_drag_N = 0.5 * (drag_N(vehicle, motion.from_m_s) + drag_N(vehicle, motion.to_m_s))
    square_change_m2_s2 = (motion.to_m_s - motion.from_m_s) * (motion.to_m_s + motion.from_m_s)
    return _Wheel(
        rolling_J=rolling_N(vehicle, slope_rad)[:, None] * distance_m,
        drag_J=mean_drag_N * distance_m,
        grade_J=grade_N(vehicle, slope_rad)[:, None] * distance_m,
        kinetic_J=0.5 * vehicle.mass_kg * square_change_m2_s2,
    )


def _at_pack(vehicle: Vehicle, wheel: Floats) -> Floats:
    """Electrical power (or energy) of the drive for a power (or energy) at the wheel."""
    back = vehicle.regeneration * vehicle.drivetrain_efficiency
    return np.where(wheel > 0.0, wheel / vehicle.drivetrain_efficiency, wheel * back)


def _peak_power_W(vehicle: Vehicle, motion: _Motion, slope_rad: Floats) -> float:
    """Greatest pack power at any instant.

    Over a part of a row wheel power is (c + k v^2) v with k >= 0: rising where c >= 0, convex
    where not, so its greatest value stands at one of the ends.
    """
    change_m_s = motion.to_m_s - motion.from_m_s
    rate_m_s2 = np.divide(
        change_m_s, motion.duration_s, out=np.zeros_like(change_m_s), where=change_m_s != 0.0
    )
    steady_N = (rolling_N(vehicle, slope_rad) + grade_N(vehicle, slope_rad))[:, None]
    push_N = steady_N + vehicle.mass_kg * rate_m_s2
    happens = motion.duration_s > 0.0
    peaks_W = [
        _at_pack(vehicle, (push_N + drag_N(vehicle, speed)) * speed)[happens].max()
        for speed in (motion.from_m_s, motion.to_m_s)
    ]
    return float(max(peaks_W)) + vehicle.auxiliary_W


def _sums_Wh(vehicle: Vehicle, motion: _Motion, wheel: _Wheel) -> dict[str, float]:
    """Add every term of the balance up over the profile."""
    pull_J = np.maximum(wheel.net_J, 0.0)
    brake_J = np.maximum(-wheel.net_J, 0.0)
    into_drive_J = vehicle.regeneration * brake_J
    efficiency = vehicle.drivetrain_efficiency
    terms_J = {
        "rolling_Wh": wheel.rolling_J,
        "drag_Wh": wheel.drag_J,
        "climb_Wh": np.maximum(wheel.grade_J, 0.0),
        "descent_Wh": np.maximum(-wheel.grade_J, 0.0),
        "accelerating_Wh": np.maximum(wheel.kinetic_J, 0.0),
        "braking_Wh": np.maximum(-wheel.kinetic_J, 0.0),
        "drivetrain_loss_Wh": pull_J * (1.0 / efficiency - 1.0) + into_drive_J * (1.0 - efficiency),
        "friction_brakes_Wh": brake_J - into_drive_J,
        "regenerated_Wh": into_drive_J * efficiency,
        "auxiliary_Wh": vehicle.auxiliary_W * motion.duration_s,
    }
    return {name: float(term_J.sum()) / SECONDS_PER_HOUR for name, term_J in terms_J.items()}


def _residual_Wh(battery_Wh: float, sums_Wh: dict[str, float]) -> float:
    """What the legs take from the pack and no term accounts for: rounding."""
    given_back_Wh = sums_Wh["descent_Wh"] + sums_Wh["braking_Wh"]
    # What is regenerated is descent and braking once more, not a term of its own.
    spent_Wh = sum(sums_Wh.values()) - given_back_Wh - sums_Wh["regenerated_Wh"]
    return battery_Wh - (spent_Wh - given_back_Wh)


def _check_vehicle(vehicle: Vehicle) -> None:
    """Refuse a vehicle that can't be, with every complaint at once."""
    accepted = {
        "mass_kg": ("above 0", vehicle.mass_kg > 0.0),
        "rolling_coefficient": ("0 or more", vehicle.rolling_coefficient >= 0.0),
        "drag_area_m2": ("0 or more", vehicle.drag_area_m2 >= 0.0),
        "drivetrain_efficiency": (
            "above 0 and up to 1",
            0.0 < vehicle.drivetrain_efficiency <= 1.0,
        ),
        "regeneration": ("from 0 to 1", 0.0 <= vehicle.regeneration <= 1.0),
        "auxiliary_W": ("0 or more", vehicle.auxiliary_W >= 0.0),
        "acceleration_m_s2": ("above 0", vehicle.acceleration_m_s2 > 0.0),
        "air_density_kg_m3": ("0 or more", vehicle.air_density_kg_m3 >= 0.0),
        "gravity_m_s2": ("above 0", vehicle.gravity_m_s2 > 0.0),
    }
    values = vehicle._asdict()
    complaints = [
        f"{name} is {values[name]:g}; accepted is a number {words}"
        for name, (words, good) in accepted.items()
        if not (good and np.isfinite(values[name]))
    ]
    if complaints:
        raise InputError(complaints)


def _checked_table(columns: dict[str, ArrayLike], end_s: float) -> dict[str, Floats]:
    """Return the columns as arrays, or refuse what can't be a profile."""
    table = {name: np.asarray(column, dtype=np.float64) for name, column in columns.items()}
    if "grade_percent" in table and "elevation_m" in table:
        raise InputError("grade_percent and elevation_m are both given; only one can set the slope")
    if len({values.shape for values in table.values()}) > 1 or table["time_s"].ndim != 1:
        shapes = ", ".join(f"{name} {values.shape}" for name, values in table.items())
        raise InputError(f"the columns of a speed profile differ in length: {shapes}")
    if table["time_s"].size == 0:
        raise InputError("the speed profile has no rows; at least one is needed")
    for name, values in table.items():
        _refuse(~np.isfinite(values), _says(name, values, "a finite number"))

    row_s = np.diff(table["time_s"], append=end_s)
    _refuse(
        ~(row_s > 0.0),
        lambda i: f"it lasts {row_s[i]:g} s until the next row or the end; it must last above 0 s",
    )
    speed_m_s = table["speed_m_s"]
    _refuse(speed_m_s < 0.0, _says("speed_m_s", speed_m_s, "0 or more"))
    return table


def _says(name: str, values: Floats, accepted: str) -> Callable[[int], str]:
    """Return what words one value of a column is refused with."""
    return lambda i: f"{name} is {values[i]:g}; accepted is {accepted}"


def _refuse_steep(sine: Floats) -> None:
    """Refuse a slope that no wheel stands on."""
    _refuse(
        np.abs(sine) > STEEPEST_SINE,
        lambda i: (
            f"the slope has a sine of {sine[i]:.3g} (height over distance driven); "
            f"accepted is -{STEEPEST_SINE:g} to {STEEPEST_SINE:g}"
        ),
    )


def _refuse(bad: NDArray[np.bool_], words: Callable[[int], str]) -> None:
    """Raise InputError for the first bad row, with the number of the others."""
    rows = np.flatnonzero(bad)
    if rows.size == 0:
        return
    more = f" (and {rows.size - 1} more)" if rows.size > 1 else ""
    raise InputError(f"row {rows[0] + 1}: {words(int(rows[0]))}{more}")
