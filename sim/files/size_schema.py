"""What a first sizing is told: what is wanted, what is at hand, and what must fit."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, model_validator

from sim.files.cell_schema import Ampere, Celsius, Strict, Words
from sim.files.leg_schema import LegTable
from sim.files.scenario_schema import (
    AirC,
    AmbientTable,
    Clock,
    CoolingTable,
    EnclosureTable,
    LoadTable,
)

# Rolling coefficients of tyres, the upper end of each span: engineeringtoolbox.com d_1303.
SURFACES: dict[str, tuple[float, float]] = {
    "concrete": (0.010, 0.015),
    "asphalt": (0.02, 0.02),
    "gravel": (0.02, 0.02),  # rolled
    "cobbles": (0.03, 0.03),  # large and worn
    "soil": (0.04, 0.08),  # medium hard, or loose gravel
    "sand": (0.2, 0.4),  # loose
}
Surface = Literal["concrete", "asphalt", "gravel", "cobbles", "soil", "sand"]
Volt = Annotated[float, Field(gt=0, le=2000)]
Power = Annotated[float, Field(gt=0, le=1e6)]


class NeedTable(Strict):
    """[need]: how far, how fast, at what power; or hours at a power."""

    distance_km: float | None = Field(default=None, gt=0, le=10_000)
    speed_km_h: float | None = Field(default=None, gt=0, le=150)
    hours: float | None = Field(default=None, gt=0, le=240)
    power_W: Power | None = None
    peak_W: Power | None = None
    current_A: Ampere | None = None  # of all packs together, as a controller is set
    peak_A: Ampere | None = None
    peak_s: float = Field(default=10.0, gt=0, le=600)
    peaks_per_hour: float = Field(default=6.0, gt=0, le=360)
    climb_m: float = Field(default=0.0, ge=0, le=20_000)
    grade_percent: float = Field(default=5.0, gt=0, le=35)
    stops: int = Field(default=0, ge=0, le=5000)
    reserve_percent: float = Field(default=15.0, ge=0, lt=100)
    current_headroom: float = Field(default=1.25, ge=1, le=10)
    home_share: float = Field(default=0.5, ge=0, le=1)

    @property
    def held(self) -> tuple[str, float | None, float | None]:
        """Return the key of a leg that holds the mean, the mean and the peak in its unit."""
        if self.current_A is not None:
            return "current_A", self.current_A, self.peak_A
        return "power_W", self.power_W, self.peak_W

    @model_validator(mode="after")
    def _one_unit(self) -> NeedTable:
        if self.current_A is not None and self.peak_W is not None:
            raise ValueError("peak_W belongs to power_W; beside current_A give peak_A")
        if self.current_A is None and self.peak_A is not None:
            raise ValueError("peak_A belongs to current_A; beside power_W give peak_W")
        return self

    @model_validator(mode="after")
    def _peak_above_mean(self) -> NeedTable:
        if self.peak_A is not None and self.current_A is not None and self.peak_A < self.current_A:
            raise ValueError(
                f"peak_A {self.peak_A:g} lies below current_A {self.current_A:g}, the mean; are "
                "they the wrong way round?"
            )
        if self.peak_W is not None and self.power_W is not None and self.peak_W < self.power_W:
            raise ValueError(
                f"peak_W {self.peak_W:g} lies below power_W {self.power_W:g}, the mean; are they "
                "the wrong way round?"
            )
        if self.peak_s * self.peaks_per_hour > 1800.0:
            raise ValueError(
                f"peaks of {self.peak_s:g} s, {self.peaks_per_hour:g} an hour, are more than half "
                "of the time; give their power as power_W"
            )
        return self


class SizeVehicle(Strict):
    """[vehicle]: as in a scenario, but a surface may stand for the rolling coefficient."""

    mass_kg: float = Field(gt=0, le=100_000)
    surface: Surface | None = None
    rolling_coefficient: float | None = Field(default=None, ge=0, le=1)
    drag_area_m2: float = Field(default=1.2, ge=0, le=50)
    drivetrain_efficiency: float = Field(default=0.75, gt=0, le=1)
    regeneration: float = Field(default=0.0, ge=0, le=1)
    auxiliary_W: float = Field(default=0.0, ge=0, le=1e5)
    acceleration_m_s2: float = Field(default=0.5, gt=0, le=10)

    @model_validator(mode="after")
    def _one_ground(self) -> SizeVehicle:
        if (self.surface is None) == (self.rolling_coefficient is None):
            raise ValueError(f"give surface ({', '.join(SURFACES)}) or rolling_coefficient")
        return self

    @property
    def rolling(self) -> float:
        """The rolling coefficient, of a surface the upper end of its span."""
        if self.surface is not None:
            return SURFACES[self.surface][1]
        assert self.rolling_coefficient is not None
        return self.rolling_coefficient


class CurveTable(Strict):
    """[curve]: measured power over speed, as of a boat; at least two points, speed rising."""

    speed_km_h: list[Annotated[float, Field(gt=0, le=150)]] = Field(min_length=2)
    power_W: list[Power] = Field(min_length=2)

    @model_validator(mode="after")
    def _rises(self) -> CurveTable:
        if len(self.speed_km_h) != len(self.power_W):
            raise ValueError(
                f"speed_km_h has {len(self.speed_km_h)} values and power_W {len(self.power_W)}; "
                "accepted: one each"
            )
        steps = zip(self.speed_km_h, self.speed_km_h[1:], strict=False)
        if any(after <= before for before, after in steps):
            raise ValueError(f"speed_km_h must rise; found {self.speed_km_h}")
        return self


class WindowTable(Strict):
    """[window]: volts that motor controller and charger work with."""

    controller_min_V: Volt | None = None
    controller_max_V: Volt | None = None
    charger_V: Volt | None = None

    @model_validator(mode="after")
    def _something(self) -> WindowTable:
        low, high = self.controller_min_V, self.controller_max_V
        if low is not None and high is not None and low >= high:
            raise ValueError(f"controller_min_V {low:g} must lie below controller_max_V {high:g}")
        return self


class SizePack(Strict):
    """[pack]: what is settled already; `parallel` is a count at hand that is to be judged."""

    series: int | None = Field(default=None, ge=1, le=1000)
    parallel: int | None = Field(default=None, ge=1, le=10_000)
    packs: int = Field(default=1, ge=1, le=100)
    joint_mohm: float = Field(default=0.4, ge=0, le=100)
    lead_mohm: float = Field(default=5.0, ge=0, le=1000)
    board_max_A: Ampere | None = None
    lead_max_A: Ampere | None = None
    fuse_A: Ampere | None = None


class StockTable(Strict):
    """[stock]: cells at hand, what one costs, what all may weigh."""

    cells: int | None = Field(default=None, ge=1, le=10_000_000)
    price: float | None = Field(default=None, ge=0)
    mass_max_kg: float | None = Field(default=None, gt=0)


class LevelsTable(Strict):
    """[limits]: what of a scenario's limits a first sizing may want stricter."""

    core_max_C: Celsius | None = None
    cutoff_V: float | None = Field(default=None, gt=0, le=10)
    cell_discharge_max_A: Ampere | None = None


class SizeTable(Strict):
    """All requirements. The day is [need], or a scenario's own [load] or [[leg]] tables."""

    title: Words = Field(default="A first sizing", min_length=1)
    cell: dict[str, Any]
    need: NeedTable = NeedTable()
    vehicle: SizeVehicle | None = None
    curve: CurveTable | None = None
    window: WindowTable = WindowTable()
    pack: SizePack = SizePack()
    stock: StockTable = StockTable()
    limits: LevelsTable = LevelsTable()
    load: LoadTable | None = None
    leg: list[LegTable] | None = Field(default=None, min_length=1)
    ambient: AmbientTable | None = None
    cold_C: AirC | None = None
    start: Clock = "12:00"
    cooling: CoolingTable = CoolingTable(exposed_fraction=0.6)
    enclosure: EnclosureTable | None = None

    @model_validator(mode="after")
    def _one_day(self) -> SizeTable:
        if self.ambient is None:
            raise ValueError(
                "[ambient] is missing; give the air of the hottest day (--ambient 35, or "
                "constant_C, or low_C with high_C)"
            )
        if self.load is not None or self.leg is not None:
            self._day_of_its_own()
        else:
            self._day_of_need()
        return self

    def _day_of_its_own(self) -> None:
        used = {"distance_km", "speed_km_h", "hours", "power_W", "peak_W", "climb_m"}
        used |= {"current_A", "peak_A", "stops"}
        for key in sorted(used & self.need.model_fields_set):
            raise ValueError(f"[need] {key} is not used: [load] or [[leg]] already say the day")

    def _day_of_need(self) -> None:
        need = self.need
        if need.hours is not None and need.distance_km is not None:
            if need.speed_km_h is not None:
                raise ValueError("[need] distance_km, speed_km_h and hours: give two of the three")
        elif need.hours is None and (need.distance_km is None or need.speed_km_h is None):
            raise ValueError("[need] must say how long: hours, or distance_km with speed_km_h")
        held = [need.power_W is not None, need.current_A is not None]
        ways = [*held, self.vehicle is not None, self.curve is not None]
        if sum(ways) != 1:
            raise ValueError(
                "give [need] power_W or current_A, or [vehicle] with a surface, or [curve]; one"
            )
        if not any(held) and self.speed_km_h is None:
            raise ValueError("[need] speed_km_h is missing: [vehicle] and [curve] go by it")
        if self.vehicle is None and need.climb_m > 0.0:
            raise ValueError("[need] climb_m is not used without [vehicle]")
        if self.vehicle is None and need.stops > 0:
            raise ValueError("[need] stops is not used without [vehicle]")
        if self.vehicle is not None and need.peak_W is not None:
            raise ValueError("[need] peak_W is not used: [vehicle] makes its own peaks")

    @property
    def speed_km_h(self) -> float | None:
        """The mean speed, where it is said or follows."""
        need = self.need
        if need.speed_km_h is None and need.distance_km is not None and need.hours is not None:
            return need.distance_km / need.hours
        return need.speed_km_h

    @property
    def hours(self) -> float | None:
        """How long the day's driving takes, where it is said or follows."""
        need = self.need
        if need.hours is None and need.distance_km is not None and need.speed_km_h is not None:
            return need.distance_km / need.speed_km_h
        return need.hours
