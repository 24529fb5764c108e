"""From a load profile, a route or legs to a load that holds each value until the next."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Load
from sim.errors import InputError
from sim.files.gpx import read_points
from sim.files.leg_load import leg_load, steps_of
from sim.files.route_file import route_of, utc_note
from sim.files.scenario_schema import ScenarioTable, TableColumns, VehicleTable, seconds_of_clock
from sim.files.tables import Column, Table, TableOptions, load_column, read_table
from sim.physics.pack import CURRENT, POWER
from sim.physics.road import RoadEnergy, Vehicle, road_legs
from sim.units import clock_text

ALL_OF_ITS_ROW_M_S2 = 1e-6  # no change of speed is over before the end of any row
WANTED = ("power", "current", "speed", "grade", "elevation")


@dataclass(frozen=True)
class LoadFile:
    """A load read once through, from a profile, a route or [[leg]] tables: not repeated or scaled.

    `lines` are the physical lines of a profile's rows, the points of a route from 1, or the
    numbers of [[leg]] tables as they are driven.
    """

    load: Load
    quantity: str  # of the file: power, current or speed
    column: str
    source: str  # name of the file
    rule: str  # how the file was understood
    rows: int
    lines: NDArray[np.intp]
    start_clock_s: float | None
    road: RoadEnergy | None
    notes: tuple[str, ...]


def options_of(table: TableColumns, discharge: str = "positive") -> TableOptions:
    """Return what a scenario's table says of reading a file."""
    return TableOptions(
        time_column=table.time_column,
        time_unit=table.time_unit,
        column=table.column,
        unit=table.unit,
        discharge=discharge,
        thousands=table.thousands,
        day_first=table.day_first,
        encoding=table.encoding,
        zone=table.zone,
        samples_per_second=table.samples_per_second,
        record=table.record,
    )


def read_load(scenario: ScenarioTable, scenario_path: Path) -> LoadFile:
    """Return the load that `scenario` names or holds, paths relative to the scenario's own.

    Raises InputError for whatever can't be used in it.
    """
    if scenario.load.profile is not None:
        return _of_profile(scenario, scenario_path, scenario_path.parent / scenario.load.profile)
    if scenario.load.route is not None:
        return _of_route(scenario, scenario_path, scenario_path.parent / scenario.load.route)
    return _of_legs(scenario, scenario_path)


def _of_profile(scenario: ScenarioTable, scenario_path: Path, path: Path) -> LoadFile:
    """Return the load of a table of power, current or speed."""
    wanted = scenario.load
    options = options_of(wanted, wanted.discharge)
    table = read_table(path, WANTED, options)
    column = load_column(table, options)
    notes = [note.text for note in table.notes]
    end_s, end_note = _end_s(table, column)
    notes += [end_note] if end_note else []
    if column.quantity == "speed":
        load, road, road_notes = _driven(scenario, scenario_path, table, column, end_s)
        notes += road_notes
    else:
        if scenario.vehicle is not None:
            notes.append(f"{scenario_path}: [vehicle] is not used: {path} gives {column.quantity}")
        load, road = _held(table, column, end_s), None
    return LoadFile(
        load=load,
        quantity=column.quantity,
        column=column.header,
        source=path.name,
        rule=table.rule,
        rows=len(table.time_s),
        lines=table.lines,
        start_clock_s=_start_clock_s(scenario, scenario_path, path, table.start_clock_s),
        road=road,
        notes=tuple(notes),
    )


def _end_s(table: Table, column: Column) -> tuple[float, str | None]:
    """Return when the last row's value stops, and a note where that had to be decided.

    A last row of zero marks the end. One that is not zero is held as long as the middle row of
    the file, since dropping it would leave out a load.
    """
    last_s = float(table.time_s[-1])
    if len(table.time_s) == 1:
        raise InputError(
            f"{table.path} line {table.lines[0]}: a single row lasts no time; "
            "accepted: two rows or more, the last one marking the end"
        )
    if column.values[-1] == 0.0:
        return last_s, None
    steps_s = np.diff(table.time_s)
    held_s = float(np.median(steps_s))
    if np.ptp(steps_s) < 0.02 * held_s:
        return last_s + held_s, None
    return last_s + held_s, (
        f"{table.path} line {table.lines[-1]}: the last row's {column.quantity} "
        f"is held for {held_s:g} s, the middle row's length; end the file with a row of 0"
    )


def _held(table: Table, column: Column, end_s: float) -> Load:
    """Return a power or current column as it stands, each value until the next row."""
    kind = POWER if column.quantity == "power" else CURRENT
    edges_s, values, rows = table.time_s, column.values, np.arange(len(table.time_s))
    if table.time_s[-1] >= end_s:  # the last row only marks the end
        values, rows = values[:-1], rows[:-1]
        return Load(kind, edges_s.copy(), values.copy(), rows)
    return Load(kind, np.append(edges_s, end_s), values.copy(), rows)


def vehicle_record(table: VehicleTable) -> Vehicle:
    """Return the road load's record of [vehicle]."""
    return Vehicle(
        mass_kg=table.mass_kg,
        rolling_coefficient=table.rolling_coefficient,
        drag_area_m2=table.drag_area_m2,
        drivetrain_efficiency=table.drivetrain_efficiency,
        regeneration=table.regeneration,
        auxiliary_W=table.auxiliary_W,
        acceleration_m_s2=table.acceleration_m_s2,
        air_density_kg_m3=table.air_density_kg_m3,
    )


def _driven(
    scenario: ScenarioTable, scenario_path: Path, table: Table, column: Column, end_s: float
) -> tuple[Load, RoadEnergy, list[str]]:
    """Return the power that the road asks for the speeds of `column`."""
    if scenario.vehicle is None:
        raise InputError(
            f"{scenario_path}: [vehicle] is missing, but {table.path} gives speed "
            f"('{column.header}'); give mass_kg, rolling_coefficient, drag_area_m2 and "
            "drivetrain_efficiency"
        )
    grades, heights = table.find("grade"), table.find("elevation")
    if grades and heights:
        raise InputError(
            f"{table.path} has both '{grades[0].header}' and '{heights[0].header}'; "
            "accepted: one of grade and elevation"
        )
    if end_s <= table.time_s[-1]:  # the vehicle comes to rest behind a last row that parks it
        end_s += max(1.0, float(column.values[-2]) / scenario.vehicle.acceleration_m_s2)
    try:
        driven, energy = road_legs(
            vehicle_record(scenario.vehicle),
            table.time_s,
            column.values,
            end_s,
            grade_percent=grades[0].values if grades else None,
            elevation_m=heights[0].values if heights else None,
        )
    except InputError as problem:
        raise InputError(
            [f"{table.path}: {complaint}" for complaint in problem.complaints]
        ) from None
    edge_s = np.append(driven.t0_s, driven.t0_s[-1] + driven.duration_s[-1])
    row = np.searchsorted(table.time_s, driven.t0_s, side="right") - 1
    notes = []
    if energy.hurried_rows:
        notes.append(
            f"{table.path}: {energy.hurried_rows} rows are too short for their change of speed "
            f"at {scenario.vehicle.acceleration_m_s2:g} m/s2 ([vehicle] acceleration_m_s2), "
            "so it takes the whole row, at more"
        )
    if energy.ignored_height_m > 0.0:
        notes.append(
            f"{table.path}: {energy.ignored_height_m:.1f} m of elevation change while standing "
            "is left out"
        )
    return Load(POWER, edge_s, driven.power_W, row), energy, notes


def _start_clock_s(
    scenario: ScenarioTable, scenario_path: Path, path: Path, of_file_s: float | None
) -> float | None:
    """Return the clock time of the first row, from the file or from [load] start."""
    said_s = _said_clock_s(scenario)
    if said_s is not None and of_file_s is not None and abs(of_file_s - said_s) >= 1.0:
        raise InputError(
            f"{scenario_path}: [load] start is {scenario.load.start}, but {path} begins at "
            f"{clock_text(of_file_s, seconds=True)}; leave start out"
        )
    return of_file_s if said_s is None else said_s


def _said_clock_s(scenario: ScenarioTable) -> float | None:
    return None if scenario.load.start is None else seconds_of_clock(scenario.load.start)


def _of_route(scenario: ScenarioTable, scenario_path: Path, path: Path) -> LoadFile:
    """Return the load of a track of positions."""
    wanted = scenario.load
    if scenario.vehicle is None:
        raise InputError(
            f"{scenario_path}: [vehicle] is missing, but {path} is a route; give mass_kg, "
            "rolling_coefficient, drag_area_m2 and drivetrain_efficiency"
        )
    points = read_points(path)
    route = route_of(
        points,
        speed_km_h=wanted.speed_km_h,
        smooth_height_m=wanted.smooth_height_m,
        smooth_speed_s=wanted.smooth_speed_s,
        acceleration_m_s2=scenario.vehicle.acceleration_m_s2,
    )
    # The route says itself how long each change of speed takes: all of its row.
    vehicle = vehicle_record(scenario.vehicle)._replace(acceleration_m_s2=ALL_OF_ITS_ROW_M_S2)
    driven, energy = road_legs(
        vehicle,
        route.time_s,
        route.speed_m_s,
        route.end_s,
        grade_percent=route.grade_percent,
    )
    edge_s = np.append(driven.t0_s, driven.t0_s[-1] + driven.duration_s[-1])
    row = np.searchsorted(route.time_s, driven.t0_s, side="right") - 1
    clock_s = _said_clock_s(scenario)
    notes = list(route.notes)
    if abs(energy.distance_m - route.distance_m) > 0.01 * route.distance_m:
        notes.append(
            f"{path}: speeds that change within limits drive {energy.distance_m / 1000.0:.2f} of "
            f"its {route.distance_m / 1000.0:.2f} km"
        )
    if clock_s is None and route.start_clock_s is not None:
        notes.append(utc_note(route, points))
    how = "its times" if wanted.speed_km_h is None else f"{wanted.speed_km_h:g} km/h"
    return LoadFile(
        load=Load(POWER, edge_s, driven.power_W, row),
        quantity="speed",
        column="positions",
        source=path.name,
        rule=f"{len(points.time_s)} points of a track, great circles between them at {how}",
        rows=len(route.time_s),
        lines=route.point + 1,
        start_clock_s=route.start_clock_s if clock_s is None else clock_s,
        road=energy._replace(hurried_rows=0),
        notes=tuple(notes),
    )


def _of_legs(scenario: ScenarioTable, scenario_path: Path) -> LoadFile:
    """Return the load of [[leg]] tables."""
    legs, table = scenario.leg or [], scenario.vehicle
    load, energy = leg_load(legs, None if table is None else vehicle_record(table), scenario_path)
    notes = []
    if energy is None and table is not None:
        notes.append(f"{scenario_path}: [vehicle] is not used: no [[leg]] gives speed_km_h")
    numbers = [step.number for step in steps_of(legs, scenario_path)]
    return LoadFile(
        load=load,
        quantity=("current" if load.kind == CURRENT else "power") if energy is None else "speed",
        column="[[leg]]",
        source=scenario_path.name,
        rule=f"{len(legs)} [[leg]] tables, driven as {len(numbers)} legs one after another",
        rows=len(numbers),
        lines=np.array(numbers, dtype=np.intp),
        start_clock_s=_said_clock_s(scenario),
        road=energy,
        notes=tuple(notes),
    )
