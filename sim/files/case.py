"""From a scenario file, and the files that it names, to everything a run needs."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.drive.days import Lasted, daily, first_days, legs_of_first_days, mornings_s
from sim.drive.legs import Legs, Load, legs, repeated
from sim.drive.weather import Weather, with_knots, within_K
from sim.errors import InputError
from sim.files.cell_record import cell_record, coldest_column_K
from sim.files.cell_schema import CORE_TO_SURFACE, GROUPS, CellProfile
from sim.files.load_file import LoadFile, read_load
from sim.files.scenario_schema import MOST_DAYS, ScenarioTable
from sim.files.sense import contradictions, said_in_vain
from sim.files.toml import checked, read_toml
from sim.files.unsure import cooling_off
from sim.files.weather_file import read_weather
from sim.physics.box import AIR_AND_WALL, AIR_NODE, FREE_AIR, Box
from sim.physics.film import Film
from sim.physics.limits import Limits
from sim.physics.pack import Pack
from sim.physics.plant import Plant, at_rest
from sim.units import MILLI, SECONDS_PER_DAY, SECONDS_PER_HOUR, ZERO_C_K

# What memory and patience hold: a state takes 200 bytes, and each row leaves two.
MOST_ROWS = 5_000_000


@dataclass(frozen=True)
class Case:
    """One day to be simulated, checked and ready. Every path in it is as the user wrote it."""

    path: Path
    scenario: ScenarioTable
    profile: CellProfile
    plant: Plant
    limits: Limits
    load_file: LoadFile
    load: Load
    weather: Weather
    legs: Legs
    start: NDArray[np.float64]
    start_clock_s: float  # 0 where nobody said
    has_clock: bool
    weather_notes: tuple[str, ...]
    notes: tuple[str, ...]  # what was done to the files, one sentence each, the weather's too
    assumptions: tuple[str, ...]
    digest: str  # of all inputs as understood
    # Of days that are run until they repeat, once that was found out; the case holds those run.
    lasted: Lasted | None = None
    whole: Case | None = field(default=None, repr=False)  # with all the days that it might take


def read_scenario(path: Path) -> dict[str, Any]:
    """Return a scenario file's content unchecked; raise InputError where it can't be read."""
    return read_toml(path)


def merged(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return `base` with every key of `over` in its place, tables merged key by key."""
    out = dict(base)
    for key, value in over.items():
        both = isinstance(value, dict) and isinstance(out.get(key), dict)
        out[key] = merged(out[key], value) if both else value
    return out


def read_profile(scenario: ScenarioTable, path: Path) -> CellProfile:
    """Return the cell profile that `scenario` (in file `path`) names, its own keys put over it."""
    over = {key: value for key, value in scenario.cell.items() if key != "profile"}
    file = path.parent / scenario.cell["profile"]
    content = read_toml(file)
    profile = checked(CellProfile, content, str(file))
    if not over:
        return profile
    return checked(CellProfile, merged(content, over), f"{path} [cell] over {file.name}")


def assemble(content: dict[str, Any], path: Path, before: Case | None = None) -> Case:
    """Return the case that a scenario's content describes; `path` is where it was read.

    What `before`, another case of the same path, was made from in the very same way is taken over
    from it, its files not read again. Raises InputError with all complaints about the scenario,
    or else about the files it names.
    """
    scenario = checked(ScenarioTable, content, str(path))
    profile, limits, load_file = _named_files(scenario, path, before)
    if before is not None and _same_day(scenario, before.scenario):
        load, weather, day = before.load, before.weather, before.legs
        weather_notes = before.weather_notes
    else:
        load = _whole_load(scenario, load_file, path)
        weather, told = read_weather(
            scenario, path, load_file.start_clock_s, float(load.edge_s[-1])
        )
        if scenario.load.until_it_repeats:
            weather = with_knots(weather, mornings_s(float(load.edge_s[-1])))
        day, weather_notes = legs(load, weather), tuple(told)
    if before is not None and profile is before.profile:
        cell = before.plant.cell
    else:
        cell = cell_record(profile)
    plant = Plant(cell, _pack(scenario), _film(scenario, profile), _box(scenario))
    first_K = float(weather.ambient_K[0])
    begin = scenario.start
    start = at_rest(
        plant,
        begin.charge_percent / 100.0,
        first_K if begin.cell_C is None else begin.cell_C + ZERO_C_K,
        first_K if begin.box_C is None else begin.box_C + ZERO_C_K,
    )
    clock_s = load_file.start_clock_s
    return Case(
        path=path,
        scenario=scenario,
        profile=profile,
        plant=plant,
        limits=limits,
        load_file=load_file,
        load=load,
        weather=weather,
        legs=day,
        start=start,
        start_clock_s=0.0 if clock_s is None else clock_s,
        has_clock=clock_s is not None,
        weather_notes=weather_notes,
        notes=_notes(scenario, path, load_file, load, weather_notes),
        assumptions=_assumptions(scenario, profile),
        digest=_digest(scenario, profile, load, weather, clock_s, _listed(scenario, path)),
    )


def read_case(path: Path) -> Case:
    """Return the case that a scenario file describes; raises InputError."""
    return assemble(read_scenario(path), path)


def lasting(case: Case, lasted: Lasted) -> Case:
    """Return `case` with the days that were run of those that it might have taken."""
    load = first_days(case.load, lasted.days)
    weather = within_K(case.weather, float(load.edge_s[-1]))
    day = legs_of_first_days(case.legs, lasted.days)
    return replace(case, load=load, weather=weather, legs=day, lasted=lasted, whole=case)


def _same_day(one: ScenarioTable, other: ScenarioTable) -> bool:
    """Return whether all that load and weather are made from is the same."""
    tables = ("load", "leg", "vehicle", "ambient", "enclosure", "charger")
    return all(getattr(one, table) == getattr(other, table) for table in tables)


def _same_load_file(one: ScenarioTable, other: ScenarioTable) -> bool:
    """Return whether the load's file is the same and read alike, however often it is driven."""
    after = {"repeat", "scale", "rest_after_h", "days", "most_days"}
    alike = one.load.model_dump(exclude=after) == other.load.model_dump(exclude=after)
    return alike and one.leg == other.leg and one.vehicle == other.vehicle


def _named_files(
    scenario: ScenarioTable, path: Path, before: Case | None
) -> tuple[CellProfile, Limits, LoadFile]:
    """Read cell profile and load; raise InputError with the complaints about both."""
    complaints: list[str] = []
    try:
        if before is not None and scenario.cell == before.scenario.cell:
            profile = before.profile
        else:
            profile = read_profile(scenario, path)
        limits = _limits(scenario, profile)
        complaints += [f"{path}: {said}" for said in contradictions(scenario, profile, limits)]
    except InputError as problem:
        complaints += problem.complaints
    try:
        if before is not None and _same_load_file(scenario, before.scenario):
            load_file = before.load_file
        else:
            load_file = read_load(scenario, path)
    except InputError as problem:
        complaints += problem.complaints
    if complaints:
        raise InputError(complaints)
    return profile, limits, load_file


def _whole_load(scenario: ScenarioTable, load_file: LoadFile, path: Path) -> Load:
    """Return the load repeated, scaled and with its rest; refuse what no run could hold."""
    wanted, once = scenario.load, load_file.load
    rest_s = wanted.rest_after_h * SECONDS_PER_HOUR
    days = (float(once.edge_s[-1]) * wanted.repeat + rest_s) / SECONDS_PER_DAY
    days += wanted.days_at_most - 1
    rows = len(once.value) * wanted.repeat * wanted.days_at_most
    if days > MOST_DAYS or rows > MOST_ROWS:
        raise InputError(
            f"{path}: [load] lasts {days:.6g} days in {rows} rows, {wanted.repeat} times its file; "
            f"accepted: up to {MOST_DAYS} days and {MOST_ROWS} rows"
        )
    whole = repeated(once, wanted.repeat, wanted.scale, rest_s)
    if wanted.days == 1 and scenario.charger is None:
        return whole
    try:
        return daily(whole, wanted.days_at_most)
    except ValueError as problem:
        raise InputError(f"{path}: [load] {problem}; accepted with days: up to 24 h") from None


def _notes(
    scenario: ScenarioTable,
    path: Path,
    load_file: LoadFile,
    load: Load,
    weather_notes: tuple[str, ...],
) -> tuple[str, ...]:
    notes = [*load_file.notes, *weather_notes]
    notes += [f"{path}: {said}" for said in said_in_vain(scenario, load_file.quantity)]
    if not np.any(load.value):
        notes.append(f"{path}: [load] is 0 throughout, so nothing is asked of the pack")
    return tuple(notes)


def _pack(scenario: ScenarioTable) -> Pack:
    table = scenario.pack
    return Pack(
        table.series,
        table.parallel,
        table.packs,
        table.joint_mohm * MILLI,
        table.lead_mohm * MILLI,
    )


def _film(scenario: ScenarioTable, profile: CellProfile) -> Film:
    cooling, size = scenario.cooling, profile.size
    diameter_m, height_m = size.diameter_mm * MILLI, size.height_mm * MILLI
    return Film(
        area_m2=np.pi * diameter_m * height_m * cooling.exposed_fraction,
        diameter_m=diameter_m,
        height_m=height_m,
        standing=cooling.axis == "standing",
        emissivity=cooling.emissivity,
        fixed_W_K=-1.0 if cooling.conductance_W_K is None else cooling.conductance_W_K,
    )


def _box(scenario: ScenarioTable) -> Box:
    table = scenario.enclosure
    if table is None:
        return Box(FREE_AIR, 1.0, 1.0, 0.0, 0.0, 0.0)
    outside_W_K = table.wall_area_m2 * table.wall_conductance_W_m2K
    if table.wall_heat_capacity_J_K is None or table.inside_conductance_W_m2K is None:
        return Box(AIR_NODE, table.heat_capacity_J_K, 1.0, 0.0, outside_W_K, table.other_heat_W)
    return Box(
        AIR_AND_WALL,
        table.heat_capacity_J_K,
        table.wall_heat_capacity_J_K,
        table.wall_area_m2 * table.inside_conductance_W_m2K,
        outside_W_K,
        table.other_heat_W,
    )


def _limits(scenario: ScenarioTable, profile: CellProfile) -> Limits:
    own, maker = scenario.limits, profile.limits

    def first(chosen: float | None, otherwise: float) -> float:
        return otherwise if chosen is None else chosen

    return Limits(
        cutoff_V=first(own.cutoff_V, maker.cutoff_V),
        full_V=first(own.full_V, maker.full_V),
        reserve_soc=own.reserve_percent / 100.0 if own.reserve_percent > 0.0 else -np.inf,
        core_max_K=first(own.core_max_C, maker.discharge_core_max_C) + ZERO_C_K,
        discharge_core_min_K=first(own.discharge_core_min_C, maker.discharge_core_min_C) + ZERO_C_K,
        charge_core_max_K=first(own.charge_core_max_C, maker.charge_core_max_C) + ZERO_C_K,
        charge_core_min_K=first(own.charge_core_min_C, maker.charge_core_min_C) + ZERO_C_K,
        cell_discharge_A=first(own.cell_discharge_max_A, maker.discharge_A),
        cell_charge_A=first(own.cell_charge_max_A, maker.charge_A),
        pack_current_A=first(own.pack_current_max_A, np.inf),
        coldest_table_K=coldest_column_K(profile),
    )


def _assumptions(scenario: ScenarioTable, profile: CellProfile) -> tuple[str, ...]:
    """Return what the model takes for granted here, one plain sentence each."""
    said = ["all cells are identical, equally cooled and equally charged"]
    if scenario.pack.joint_mohm == 0.0:
        said.append("joints between cells have no resistance ([pack] joint_mohm is 0)")
    if scenario.pack.lead_mohm == 0.0:
        said.append("leads, fuse and contactor have no resistance ([pack] lead_mohm is 0)")
    if scenario.cooling.conductance_W_K is None:
        said.append(
            f"air reaches {100.0 * scenario.cooling.exposed_fraction:.0f} % of each cell's side, "
            "moved by warmth alone, and the walls are as warm as that air"
        )
    else:
        off, source = cooling_off(scenario.cooling)
        said.append(f"the measured cooling is good to {100.0 * off:g} % ({source})")
    if scenario.enclosure is None:
        said.append("cells stand in free air: no box keeps their heat, no sun reaches them")
    if scenario.start.cell_C is None:
        said.append("cells start as warm as the outside air")
    if coldest_column_K(profile) == -np.inf:
        said.append("resistance is the same at every temperature (the profile has no such table)")
    if profile.open_circuit.entropic_mV_K is None:
        said.append("no reversible heat (the profile has no entropic_mV_K)")
    if profile.fitted is not None:
        said.append(
            f"the cell was fitted on {profile.fitted.words()}; figures outside are extrapolated"
        )
    where = "mean" if profile.heat.core_is == "mean" else "axis"
    said.append(f"'core' is the cell's {where} temperature")
    return tuple(said)


def guesses(case: Case) -> list[dict[str, Any]]:
    """Return the groups of cell parameters that nobody measured, with source and uncertainty."""
    profile = case.profile
    renamed = {"capacity_Ah": "capacity"}
    overridden = {renamed.get(key, key) for key in case.scenario.cell if key != "profile"}
    found: list[dict[str, Any]] = []
    for group in (*GROUPS[:-1], CORE_TO_SURFACE, GROUPS[-1]):
        if group == CORE_TO_SURFACE and group not in profile.sources:
            continue  # told by its group
        if group == "entropic" and profile.open_circuit.entropic_mV_K is None:
            continue
        if group == "polarisation" and not profile.polarisation:
            continue
        source = profile.sources.get(group)
        if group in overridden:
            found.append({"what": group, "from": "set in the scenario", "uncertainty": None})
        elif source is None:
            found.append({"what": group, "from": "no source given", "uncertainty": None})
        elif source.guess:
            found.append({"what": group, "from": source.origin, "uncertainty": source.uncertainty})
    return found


def _listed(scenario: ScenarioTable, path: Path) -> bytes:
    """Return the content of a list of cells; nothing where there is none, or none that opens."""
    if scenario.spread is None or scenario.spread.cells is None:
        return b""
    file = path.parent / scenario.spread.cells
    return file.read_bytes() if file.is_file() else b""


def _digest(
    scenario: ScenarioTable,
    profile: CellProfile,
    load: Load,
    weather: Weather,
    clock_s: float | None,
    listed: bytes,
) -> str:
    """Return a short hash of all inputs as understood, so that two results can be told apart.

    Whether the load is of watts or of amperes and when it begins may stand in its file alone.
    """
    told = [scenario.model_dump(), profile.model_dump(by_alias=True), load.kind, clock_s]
    words = json.dumps(told, sort_keys=True).encode()
    numbers = [load.edge_s, load.value, weather.time_s, weather.ambient_K, weather.sun_W]
    return hashlib.sha256(b"".join([words, *(n.tobytes() for n in numbers), listed])).hexdigest()[
        :16
    ]
