"""The scenario as a file says it: names, units, what is accepted, and the defaults."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from sim.files.built_schema import (
    BoardTable,
    BusbarTable,
    ChargerTable,
    ControllerTable,
    FaultTable,
    LayoutTable,
    SensorTable,
    SpreadTable,
    UnitTable,
)
from sim.files.cell_schema import Ampere, CellVolt, Celsius, FileName, Strict, Words
from sim.files.clock_keys import Clock, seconds_of_clock
from sim.files.leg_schema import LegTable
from sim.files.odds_schema import OddsTable
from sim.files.toml import shown
from sim.files.wiring_schema import ConductorTable, FuseTable, WiringTable

UNTIL = "until it repeats"
MOST_DAYS = 366


def _days(value: Any) -> Any:
    if value == UNTIL or (type(value) is int and 1 <= value <= MOST_DAYS):
        return value
    raise ValueError(f'is {shown(value)}; accepted: a whole number, 1 to {MOST_DAYS}, or "{UNTIL}"')


Share = Annotated[float, Field(ge=0, le=1)]
Days = Annotated[int | Literal["until it repeats"], BeforeValidator(_days)]
AirC = Annotated[float, Field(ge=-50, le=70)]
Watt = Annotated[float, Field(ge=0, le=1e5)]


class PackTable(Strict):
    """[pack]"""

    series: int = Field(ge=1, le=1000)
    parallel: int = Field(ge=1, le=10_000)
    packs: int = Field(default=1, ge=1, le=100)
    joint_mohm: float = Field(default=0.0, ge=0, le=100)
    lead_mohm: float = Field(default=0.0, ge=0, le=1000)


class TableColumns(Strict):
    """How a raw logger export is to be read; shared by [load] and [ambient]."""

    time_column: str | None = None
    time_unit: Literal["us", "ms", "s", "min", "h"] | None = None
    column: str | None = None
    unit: str | None = None
    thousands: Literal[".", ",", " ", "'"] | None = None
    day_first: bool | None = None
    encoding: str | None = None
    zone: str | None = None
    samples_per_second: float | None = Field(default=None, gt=0, lt=1e9)
    record: int | None = Field(default=None, ge=1)


class LoadTable(TableColumns):
    """[load]: a profile, or a route; or neither where [[leg]] tables say the day."""

    profile: FileName | None = None
    route: FileName | None = None
    speed_km_h: float | None = Field(default=None, gt=0, le=150)
    smooth_height_m: float = Field(default=100.0, ge=0, le=10_000)
    smooth_speed_s: float = Field(default=5.0, ge=0, le=600)
    repeat: int = Field(default=1, ge=1, le=1000)
    start: Clock | None = None
    scale: float = Field(default=1.0, ge=0, le=1000)
    discharge: Literal["positive", "negative", "by state"] = "positive"
    rest_after_h: float = Field(default=0.0, ge=0, le=240)
    days: Days = 1
    most_days: int = Field(default=30, ge=2, le=MOST_DAYS)

    @model_validator(mode="after")
    def _keys_of_its_kind(self) -> LoadTable:
        if self.profile is not None and self.route is not None:
            raise ValueError("give profile or route, one of the two")
        of_route = {"speed_km_h", "smooth_height_m", "smooth_speed_s"}
        of_profile = {*TableColumns.model_fields, "discharge"}
        belongs = [("route", of_route, self.route), ("profile", of_profile, self.profile)]
        for owner, keys, given in belongs:
            if given is None and (vain := sorted(keys & self.model_fields_set)):
                raise ValueError(f"{vain[0]} belongs to a {owner}, and there is none")
        return self

    @property
    def until_it_repeats(self) -> bool:
        """Whether as many days are run as it takes."""
        return self.days == UNTIL

    @property
    def days_at_most(self) -> int:
        """How many days are run, or at the most where they are run until they repeat."""
        return self.most_days if isinstance(self.days, str) else self.days


class VehicleTable(Strict):
    """[vehicle]"""

    mass_kg: float = Field(gt=0, le=100_000)
    rolling_coefficient: float = Field(ge=0, le=1)
    drag_area_m2: float = Field(ge=0, le=50)
    drivetrain_efficiency: float = Field(gt=0, le=1)
    regeneration: Share = 0.0
    auxiliary_W: Watt = 0.0
    acceleration_m_s2: float = Field(default=0.5, gt=0, le=10)
    air_density_kg_m3: float = Field(default=1.2, gt=0.5, le=2)


class AmbientTable(TableColumns):
    """[ambient]: one of constant_C, the daily triple, or a profile."""

    constant_C: AirC | None = None
    low_C: AirC | None = None
    high_C: AirC | None = None
    warmest: Clock = "15:00"
    profile: FileName | None = None
    shift_K: float = Field(default=0.0, ge=-60, le=60)

    @model_validator(mode="after")
    def _one_way(self) -> AmbientTable:
        daily = self.low_C is not None or self.high_C is not None
        ways = [self.constant_C is not None, daily, self.profile is not None]
        if sum(ways) != 1:
            raise ValueError("give constant_C, or low_C with high_C, or profile; one of the three")
        if daily:
            if self.low_C is None or self.high_C is None:
                raise ValueError("low_C and high_C come together")
            if self.low_C > self.high_C:
                raise ValueError(f"low_C {self.low_C} lies above high_C {self.high_C}")
        return self


class CoolingTable(Strict):
    """[cooling]"""

    exposed_fraction: Share = 1.0
    emissivity: Share = 0.8
    axis: Literal["lying", "standing"] = "lying"
    conductance_W_K: float | None = Field(default=None, gt=0, le=100)
    # Half the range that holds in 95 of 100 cases; left out: 20 by correlation, 10 where measured.
    uncertainty_percent: float | None = Field(default=None, ge=0, le=90)


class EnclosureTable(Strict):
    """[enclosure]; left out, the cells stand in free air."""

    wall_area_m2: float = Field(gt=0, le=1000)
    wall_conductance_W_m2K: float = Field(gt=0, le=1000)
    heat_capacity_J_K: float = Field(ge=50, le=1e8)
    wall_heat_capacity_J_K: float | None = Field(default=None, ge=50, le=1e8)
    inside_conductance_W_m2K: float | None = Field(default=None, gt=0, le=1000)
    sun_W: Watt | None = None
    sunrise: Clock = "06:00"
    sunset: Clock = "18:00"
    sun_area_m2: float | None = Field(default=None, ge=0, le=1000)
    sun_absorptance: Share | None = None
    other_heat_W: Watt = 0.0

    @model_validator(mode="after")
    def _whole(self) -> EnclosureTable:
        if (self.wall_heat_capacity_J_K is None) != (self.inside_conductance_W_m2K is None):
            raise ValueError(
                "wall_heat_capacity_J_K and inside_conductance_W_m2K come together: "
                "they make the wall a node of its own"
            )
        if seconds_of_clock(self.sunrise) >= seconds_of_clock(self.sunset):
            raise ValueError(f"sunrise {self.sunrise} must come before sunset {self.sunset}")
        if (self.sun_area_m2 is None) != (self.sun_absorptance is None):
            raise ValueError("sun_area_m2 and sun_absorptance come together")
        return self


class LimitsTable(Strict):
    """[limits]; what is left out comes from the cell profile, or is no limit."""

    core_max_C: Celsius | None = None
    discharge_core_min_C: Celsius | None = None
    charge_core_min_C: Celsius | None = None
    charge_core_max_C: Celsius | None = None
    cutoff_V: CellVolt | None = None
    full_V: CellVolt | None = None
    cell_discharge_max_A: Ampere | None = None
    cell_charge_max_A: Ampere | None = None
    pack_current_max_A: Ampere | None = None
    reserve_percent: float = Field(default=0.0, ge=0, lt=100)
    on_cutoff: Literal["stop", "record"] = "stop"


class StartTable(Strict):
    """[start]; left out: full, and everything as warm as the air at the start."""

    charge_percent: float = Field(default=100.0, gt=0, le=100)
    cell_C: AirC | None = None
    box_C: AirC | None = None


class ScenarioTable(Strict):
    """The whole scenario; [cell] is a profile's path and whatever of it is overridden."""

    title: Words = Field(min_length=1)
    cell: dict[str, Any]
    pack: PackTable
    load: LoadTable = LoadTable()
    leg: list[LegTable] | None = Field(default=None, min_length=1)
    vehicle: VehicleTable | None = None
    ambient: AmbientTable
    cooling: CoolingTable = CoolingTable()
    enclosure: EnclosureTable | None = None
    limits: LimitsTable = LimitsTable()
    start: StartTable = StartTable()
    spread: SpreadTable | None = None
    fault: list[FaultTable] | None = Field(default=None, min_length=1)
    busbar: BusbarTable | None = None
    layout: LayoutTable | None = None
    controller: ControllerTable | None = None
    board: BoardTable | None = None
    sensor: list[SensorTable] | None = Field(default=None, min_length=1)
    unit: list[UnitTable] | None = Field(default=None, min_length=1)
    charger: ChargerTable | None = None
    conductor: list[ConductorTable] = Field(default=[], max_length=200)
    fuse: FuseTable | None = None
    wiring: WiringTable = WiringTable()
    odds: OddsTable = OddsTable()

    @model_validator(mode="after")
    def _one_load(self) -> ScenarioTable:
        of_file = self.load.profile or self.load.route
        if of_file is None and self.leg is None:
            raise ValueError("[load] is missing; it needs profile or route, or give [[leg]] tables")
        if of_file is not None and self.leg is not None:
            raise ValueError(f"[load] names {of_file}, so there is no place for [[leg]]; give one")
        return self

    @model_validator(mode="after")
    def _cell_names_profile(self) -> ScenarioTable:
        path = self.cell.get("profile")
        if path is None:
            raise ValueError("[cell] profile is missing; give the path of a cell profile")
        if not isinstance(path, str) or not path.isprintable() or not path:
            raise ValueError(
                f"[cell] profile is {shown(path)}; accepted: the path of a cell profile"
            )
        return self
