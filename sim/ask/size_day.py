"""From requirements to the scenario of one day, and what that day asks for in a few figures."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sim.drive.legs import Load
from sim.errors import InputError
from sim.files.case import Case
from sim.files.scenario_schema import VehicleTable
from sim.files.size_schema import CurveTable, SizeTable
from sim.physics.pack import POWER
from sim.physics.road import Vehicle, drag_N, rolling_N
from sim.units import KM_H_TO_M_S, SECONDS_PER_HOUR

MOST_PEAKS = 1000
STOP_S = 5.0  # assumed: how long a vehicle stands at a stop; it only has to start again
SUSTAINED_S = 600.0  # assumed: what is held for ten minutes counts as continuous


@dataclass(frozen=True)
class Day:
    """What a day asks of all packs together; powers discharge positive."""

    energy_Wh: float  # net
    hours: float
    continuous_W: float  # the greatest mean over ten minutes
    peak_W: float
    distance_km: float | None
    current_at_V: float | None = None  # nominal volts behind the powers of a load in ampere

    def amperes(self, watt: float, lowest_V: float) -> float:
        """Return the current of all packs that a power is at the lowest voltage.

        A load in ampere draws the same at any voltage.
        """
        return watt / (lowest_V if self.current_at_V is None else self.current_at_V)

    @property
    def mean_W(self) -> float:
        """Energy over time, pauses included."""
        return self.energy_Wh / self.hours

    @property
    def wh_per_km(self) -> float | None:
        """Consumption, where the way is known."""
        return None if not self.distance_km else self.energy_Wh / self.distance_km


def scenario_of(
    table: SizeTable, path: Path, series: int, parallel: int, cutoff_V: float
) -> dict[str, Any]:
    """Return a scenario's content for one layout. Raises InputError where [need] can't be met."""
    pack, levels = table.pack, table.limits
    cell = dict(table.cell)
    if table.stock.price is not None:
        cell["price"] = table.stock.price
    content: dict[str, Any] = {
        "title": table.title,
        "cell": cell,
        "pack": {
            "series": series,
            "parallel": parallel,
            "packs": pack.packs,
            "joint_mohm": pack.joint_mohm,
            "lead_mohm": pack.lead_mohm,
        },
        **_day(table, path),
        "ambient": _said(table.ambient),
        "cooling": {"exposed_fraction": table.cooling.exposed_fraction, **_said(table.cooling)},
        "limits": {
            "cutoff_V": round(cutoff_V, 4),
            "reserve_percent": table.need.reserve_percent,
            **{key: value for key, value in _said(levels).items() if key != "cutoff_V"},
        },
    }
    if table.enclosure is not None:
        content["enclosure"] = _said(table.enclosure)
    given_A = [a for a in (pack.board_max_A, pack.lead_max_A, pack.fuse_A) if a is not None]
    if given_A:
        content["limits"]["pack_current_max_A"] = min(given_A)
    return content


def in_frost(content: dict[str, Any], cold_C: float) -> dict[str, Any]:
    """Return the same day in air and from cells of `cold_C`, without sun."""
    changed = {**content, "ambient": {"constant_C": cold_C}}
    if "enclosure" in content:
        sun = ("sun_W", "sunrise", "sunset", "sun_area_m2", "sun_absorptance")
        changed["enclosure"] = {k: v for k, v in content["enclosure"].items() if k not in sun}
    return changed


def _said(model: Any) -> dict[str, Any]:
    """Return what a user gave of a table."""
    return dict(model.model_dump(exclude_unset=True, exclude_none=True))


def _day(table: SizeTable, path: Path) -> dict[str, Any]:
    """Return [load], [[leg]] and [vehicle] of the scenario."""
    found: dict[str, Any] = {"load": {"start": table.start}}
    if table.vehicle is not None:
        found["vehicle"] = _vehicle(table)
    if table.load is not None or table.leg is not None:
        if table.load is not None:
            found["load"] = _said(table.load)
        if table.leg is not None:
            found["leg"] = [_said(leg) for leg in table.leg]
        return found
    if table.vehicle is not None:
        found["leg"] = _driven(table, path)
        return found
    key, mean, peak = table.need.held
    if mean is None:
        assert table.curve is not None  # the schema asks for one of the four
        assert table.speed_km_h is not None
        mean = power_at(table.curve, table.speed_km_h, path)
    found["leg"], repeat = _held(table, key, mean, peak, path)
    if repeat > 1:
        found["load"]["repeat"] = repeat
    return found


def _vehicle(table: SizeTable) -> dict[str, Any]:
    assert table.vehicle is not None
    said = table.vehicle.model_dump(exclude={"surface", "rolling_coefficient"})
    return {"mass_kg": said.pop("mass_kg"), "rolling_coefficient": table.vehicle.rolling, **said}


def _held(
    table: SizeTable, key: str, mean: float, peak: float | None, path: Path
) -> tuple[list[dict[str, Any]], int]:
    """Return legs of power or current with the peak at the end of each block, and how many blocks.

    The mean stays what it is, and the last peak meets the emptiest cells.
    """
    need, hours, unit = table.need, table.hours, key[-1]
    assert hours is not None
    whole_s = hours * SECONDS_PER_HOUR
    if peak is None:
        return [{key: mean, "duration_s": whole_s}], 1
    blocks = max(1, round(hours * need.peaks_per_hour))
    if blocks > MOST_PEAKS:
        raise InputError(
            f"{path}: [need] peaks_per_hour makes {blocks} peaks; accepted: up to {MOST_PEAKS}"
        )
    block_s = whole_s / blocks
    base = (mean * block_s - peak * need.peak_s) / (block_s - need.peak_s)
    if block_s <= need.peak_s or base < 0.0:
        raise InputError(
            f"{path}: [need] {blocks} peaks of {peak:g} {unit} for {need.peak_s:g} s take more "
            f"than {key} {mean:g} gives on the mean; accepted: fewer, shorter or smaller ones"
        )
    legs: list[dict[str, Any]] = [
        {key: base, "duration_s": block_s - need.peak_s},
        {"name": "peak", key: peak, "duration_s": need.peak_s},
    ]
    return legs, blocks


def _driven(table: SizeTable, path: Path) -> list[dict[str, Any]]:
    """Return legs on the flat, up and down again at one speed; stops on the flat."""
    need, speed_km_h, hours = table.need, table.speed_km_h, table.hours
    assert speed_km_h is not None and hours is not None  # the schema asks for them
    way_m = speed_km_h * hours * 1000.0
    slope_m = need.climb_m / math.sin(math.atan(need.grade_percent / 100.0))
    flat_m = way_m - 2.0 * slope_m
    if flat_m <= 0.0:
        raise InputError(
            f"{path}: [need] climb_m {need.climb_m:g} at grade_percent {need.grade_percent:g} is "
            f"{slope_m / 1000.0:.3g} km up and as much down; accepted: less than the "
            f"{way_m / 1000.0:.3g} km of the day"
        )
    part: dict[str, Any] = {"distance_m": flat_m / (need.stops + 1), "speed_km_h": speed_km_h}
    legs = []
    if need.stops:
        legs.append({"name": "flat", **part, "pause_s": STOP_S, "repeat": need.stops})
    legs.append({"name": "flat", **part})
    if slope_m > 0.0:
        grade = need.grade_percent
        way = {"distance_m": slope_m, "speed_km_h": speed_km_h}
        legs.append({"name": "up", **way, "grade_percent": grade})
        legs.append({"name": "down", **way, "grade_percent": -grade})
    return legs


def power_at(curve: CurveTable, speed_km_h: float, path: Path) -> float:
    """Return a measured curve's power at a speed: straight in log over log, never beyond its ends.

    Raises InputError outside the curve.
    """
    low, high = curve.speed_km_h[0], curve.speed_km_h[-1]
    if not low <= speed_km_h <= high:
        raise InputError(
            f"{path}: [need] speed_km_h {speed_km_h:g} lies outside [curve], {low:g} to {high:g}; "
            "the steep end of a curve can't be drawn on"
        )
    logs = np.interp(np.log(speed_km_h), np.log(curve.speed_km_h), np.log(curve.power_W))
    return float(np.exp(logs))


def flat_power_W(table: VehicleTable, speed_km_h: float) -> float:
    """Return what a vehicle draws at an even speed on the flat."""
    vehicle = Vehicle(
        table.mass_kg,
        table.rolling_coefficient,
        table.drag_area_m2,
        table.drivetrain_efficiency,
        air_density_kg_m3=table.air_density_kg_m3,
    )
    speed_m_s = speed_km_h * KM_H_TO_M_S
    pull_N = float(rolling_N(vehicle, 0.0) + drag_N(vehicle, speed_m_s))
    return pull_N * speed_m_s / table.drivetrain_efficiency + table.auxiliary_W


def day_of(case: Case, table: SizeTable, nominal_V: float) -> Day:
    """Return the figures of a case's day; a load in ampere counts at nominal pack voltage."""
    load = case.load
    value_W = load.value if load.kind == POWER else load.value * nominal_V
    length_s = np.diff(load.edge_s)
    whole_s = float(load.edge_s[-1])
    road, km = case.load_file.road, None
    if table.speed_km_h is not None and table.hours is not None and table.load is None:
        km = table.speed_km_h * table.hours
    if road is not None:
        km = road.distance_m / 1000.0 * case.scenario.load.repeat
    peak_W = float(value_W.max())
    if road is not None:
        peak_W = max(peak_W, road.peak_power_W * case.scenario.load.scale)
    return Day(
        energy_Wh=float(np.dot(value_W, length_s)) / SECONDS_PER_HOUR,
        hours=whole_s / SECONDS_PER_HOUR,
        continuous_W=_sustained_W(load, value_W),
        peak_W=peak_W,
        distance_km=km,
        current_at_V=None if load.kind == POWER else nominal_V,
    )


def _sustained_W(load: Load, value_W: np.ndarray) -> float:
    """Return the greatest mean over ten minutes, or over the whole where that is shorter."""
    edge_s = load.edge_s
    window_s = min(SUSTAINED_S, float(edge_s[-1]))
    so_far_J = np.concatenate(([0.0], np.cumsum(value_W * np.diff(edge_s))))
    # The greatest lies where the window begins or ends at an edge.
    begins_s = np.concatenate((edge_s, edge_s - window_s))
    begins_s = begins_s[(begins_s >= 0.0) & (begins_s + window_s <= edge_s[-1])]
    over_J = np.interp(begins_s + window_s, edge_s, so_far_J) - np.interp(
        begins_s, edge_s, so_far_J
    )
    return float(over_J.max()) / window_s
