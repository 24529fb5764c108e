"""[[leg]]: a day written down leg by leg, for people without a log."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator

from sim.files.cell_schema import Strict, Words

Way = Annotated[float, Field(gt=0, le=1e7)]
Span = Annotated[float, Field(gt=0, le=1e7)]

DISTANCES = {"distance_m": 1.0, "distance_km": 1000.0}
DURATIONS = {"duration_s": 1.0, "duration_min": 60.0, "duration_h": 3600.0}
PAUSES = {"pause_s": 1.0, "pause_min": 60.0, "pause_h": 3600.0}


class LegTable(Strict):
    """One [[leg]]: a way at a speed, a power or current for a time, or a pause alone.

    Each may end with a pause. `grade_percent` is rise over run, `payload_kg` comes on top of
    [vehicle] mass_kg; both belong to a leg with a speed. `power_W` and `current_A` are of all packs
    together, discharge positive. `repeat` drives the leg, its pause included, that many times.
    """

    name: Words | None = None
    distance_m: Way | None = None
    distance_km: Way | None = None
    duration_s: Span | None = None
    duration_min: Span | None = None
    duration_h: Span | None = None
    speed_km_h: float | None = Field(default=None, gt=0, le=150)
    power_W: float | None = Field(default=None, ge=-1e6, le=1e6)
    current_A: float | None = Field(default=None, ge=-1e5, le=1e5)
    grade_percent: float = Field(default=0.0, ge=-35, le=35)
    payload_kg: float = Field(default=0.0, ge=0, le=100_000)
    pause_s: Span | None = None
    pause_min: Span | None = None
    pause_h: Span | None = None
    repeat: int = Field(default=1, ge=1, le=10_000)

    @model_validator(mode="after")
    def _one_of_each(self) -> LegTable:
        for names in (DISTANCES, DURATIONS, PAUSES):
            given = self._given(names)
            if len(given) > 1:
                raise ValueError(f"{given[0]} and {given[1]} say the same; give one of them")
        way, time = self._given(DISTANCES), self._given(DURATIONS)
        ways = ("speed_km_h", "power_W", "current_A")
        told = [name for name in ways if getattr(self, name) is not None]
        if len(told) > 1:
            raise ValueError(f"give {told[0]} or {told[1]}, one of the two")
        if self.speed_km_h is not None and len(way) + len(time) != 1:
            raise ValueError("speed_km_h needs a distance or a duration, one of the two")
        if self.held is not None:
            self._held_alone(told[0], way, time)
        if not told:
            self._pause_alone(way, time)
        return self

    def _held_alone(self, name: str, way: list[str], time: list[str]) -> None:
        what = "power" if name == "power_W" else "current"
        if way or not time:
            raise ValueError(
                f"{name} needs a duration, such as duration_min; how long a distance takes at a "
                f"{what} nobody knows without a speed"
            )
        self._refuse_vain({"grade_percent", "payload_kg"}, f"{name} already says what is drawn")

    def _pause_alone(self, way: list[str], time: list[str]) -> None:
        if way or time or not self._given(PAUSES):
            raise ValueError(
                "give speed_km_h, power_W, current_A, or a pause alone, such as pause_min"
            )
        self._refuse_vain({"grade_percent", "payload_kg"}, "a pause moves nothing")

    def _refuse_vain(self, names: set[str], why: str) -> None:
        for name in sorted(names & self.model_fields_set):
            raise ValueError(f"{name} is not used: {why}")

    def _given(self, names: dict[str, float]) -> list[str]:
        return [name for name in names if getattr(self, name) is not None]

    def _sum(self, names: dict[str, float]) -> float | None:
        """Return the one value of `names` that is given, in the unit of the first."""
        for name in self._given(names):
            return float(getattr(self, name)) * names[name]
        return None

    @property
    def held(self) -> float | None:
        """The power [W] or current [A] that is held, where one is given."""
        return self.current_A if self.power_W is None else self.power_W

    @property
    def distance(self) -> float | None:
        """The way [m], where it is given."""
        return self._sum(DISTANCES)

    @property
    def duration(self) -> float | None:
        """The time without the pause [s], where it is given."""
        return self._sum(DURATIONS)

    @property
    def pause(self) -> float:
        """The pause at the end [s]."""
        return self._sum(PAUSES) or 0.0
