"""The cell profile as a file says it: names, units, what is accepted."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

Positive = Annotated[float, Field(gt=0)]
NotNegative = Annotated[float, Field(ge=0)]
Celsius = Annotated[float, Field(ge=-60, le=200)]
Grid = float | list[list[float]]

# A group of parameters each; a profile says for each where it comes from.
GROUPS = (
    "capacity",
    "size",
    "open_circuit",
    "entropic",
    "resistance",
    "polarisation",
    "heat",
    "limits",
)


class Strict(BaseModel):
    """Unknown keys, text for numbers, NaN and infinity are refused everywhere."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False, frozen=True)


class Size(Strict):
    """Outer measures of one cell."""

    diameter_mm: float = Field(ge=5, le=100)
    height_mm: float = Field(ge=10, le=500)
    mass_g: float = Field(ge=5, le=10_000)


def _rising(soc: list[float], others: list[list[float]]) -> tuple[list[float], list[list[float]]]:
    """Turn a falling table round; refuse a shuffled or repeated one, and one short of 0 to 1."""
    steps = np.diff(soc)
    if np.all(steps < 0):
        soc, others = soc[::-1], [other[::-1] for other in others]
    elif not np.all(steps > 0):
        at = int(np.flatnonzero(steps <= 0)[0]) + 1
        raise ValueError(f"soc must rise from row to row; row {at + 1} has {soc[at]} after {soc[at - 1]}")
    if soc[0] != 0.0 or soc[-1] != 1.0:
        raise ValueError(f"soc must go from 0.0 to 1.0; found {soc[0]} to {soc[-1]}")
    return soc, others


class OpenCircuit(Strict):
    """Rest voltage and its slope over temperature, over state of charge."""

    soc: list[float] = Field(min_length=2)
    voltage_V: list[Annotated[float, Field(gt=0, le=10)]]
    entropic_mV_K: list[Annotated[float, Field(ge=-2, le=2)]] | None = None
    reference_C: Celsius = 25.0

    @model_validator(mode="before")
    @classmethod
    def _turn_round(cls, given: object) -> object:
        if not isinstance(given, dict) or not isinstance(given.get("soc"), list):
            return given
        columns = [k for k in ("voltage_V", "entropic_mV_K") if isinstance(given.get(k), list)]
        for name in columns:
            if len(given[name]) != len(given["soc"]):
                raise ValueError(
                    f"{name} has {len(given[name])} values for {len(given['soc'])} of soc; "
                    "accepted: one each"
                )
        if len(given["soc"]) < 2 or not all(type(s) in (int, float) for s in given["soc"]):
            return given
        soc, turned = _rising(given["soc"], [given[name] for name in columns])
        return {**given, "soc": soc, **dict(zip(columns, turned, strict=True))}

    @model_validator(mode="after")
    def _voltage_rises(self) -> OpenCircuit:
        for i, (low, high) in enumerate(zip(self.voltage_V, self.voltage_V[1:], strict=False)):
            if high < low:
                raise ValueError(
                    f"voltage_V must not fall as soc rises; it goes from {low} at soc {self.soc[i]} "
                    f"to {high} at {self.soc[i + 1]}"
                )
        return self


class Resistance(Strict):
    """Immediate resistance: one number, or a table with rows of soc and columns of temperature."""

    soc: list[float] | None = None
    temperature_C: list[Celsius] | None = None
    discharge_mohm: Grid
    charge_mohm: Grid | None = None

    @model_validator(mode="after")
    def _grid(self) -> Resistance:
        if (self.soc is None) != (self.temperature_C is None):
            raise ValueError("soc and temperature_C come together, or neither with bare numbers")
        if self.soc is not None and self.temperature_C is not None:
            if len(self.soc) < 2:
                raise ValueError("soc needs two values or more")
            _rising(self.soc, [])
            if self.soc[0] > self.soc[-1]:
                raise ValueError("soc must rise; turn the rows of all tables round with it")
            if not self.temperature_C or np.any(np.diff(self.temperature_C) <= 0):
                raise ValueError(f"temperature_C must rise; found {self.temperature_C}")
        for name in ("discharge_mohm", "charge_mohm"):
            check_grid(name, getattr(self, name), self.soc, self.temperature_C, least=0.0)
        return self


def check_grid(
    name: str,
    grid: Grid | None,
    soc: list[float] | None,
    temperature_C: list[float] | None,
    *,
    least: float,
) -> None:
    """Raise ValueError where a number or table is below `least` or not of the grid's shape."""
    if grid is None:
        return
    if not isinstance(grid, list):
        if grid < least:
            raise ValueError(f"{name} is {grid}; accepted: {least} or more")
        return
    if soc is None or temperature_C is None:
        raise ValueError(f"{name} is a table, so [resistance] needs soc and temperature_C")
    shape = [len(row) for row in grid]
    if shape != [len(temperature_C)] * len(soc):
        raise ValueError(
            f"{name} has rows of {shape} values; accepted: {len(soc)} rows (soc) "
            f"of {len(temperature_C)} (temperature_C)"
        )
    lowest = min(min(row) for row in grid)
    if lowest < least:
        raise ValueError(f"{name} holds {lowest}; accepted: {least} or more")


class Polarisation(Strict):
    """One pair: resistance and time constant, or resistance and capacitance."""

    resistance_mohm: Grid
    time_constant_s: Grid | None = None
    capacitance_F: Grid | None = None

    @model_validator(mode="after")
    def _one_of_two(self) -> Polarisation:
        if (self.time_constant_s is None) == (self.capacitance_F is None):
            raise ValueError("give time_constant_s or capacitance_F, one of the two")
        return self


class Heat(Strict):
    """Heat capacity of the two nodes, and what lies between; 0 K/W makes them one lumped node."""

    core_J_K: Positive
    surface_J_K: Positive
    core_to_surface_K_W: NotNegative
    core_is: Literal["mean", "axis"] = "mean"


class CellLimits(Strict):
    """What the cell's maker allows."""

    full_V: Positive
    cutoff_V: NotNegative
    discharge_A: Positive
    charge_A: Positive
    discharge_core_min_C: Celsius
    discharge_core_max_C: Celsius
    charge_core_min_C: Celsius
    charge_core_max_C: Celsius

    @model_validator(mode="after")
    def _ordered(self) -> CellLimits:
        if self.cutoff_V >= self.full_V:
            raise ValueError(f"cutoff_V {self.cutoff_V} must lie below full_V {self.full_V}")
        if self.discharge_core_min_C >= self.discharge_core_max_C:
            raise ValueError("discharge_core_min_C must lie below discharge_core_max_C")
        if self.charge_core_min_C >= self.charge_core_max_C:
            raise ValueError("charge_core_min_C must lie below charge_core_max_C")
        return self


class Source(Strict):
    """Where a group of parameters comes from, and its relative uncertainty."""

    origin: str = Field(alias="from", min_length=1)
    uncertainty: NotNegative
    guess: bool = False


class CellProfile(Strict):
    """A whole cell profile."""

    name: str = Field(min_length=1)
    chemistry: str
    capacity_Ah: float = Field(gt=0, le=500)
    nominal_V: Positive | None = None
    price: NotNegative | None = None
    size: Size
    open_circuit: OpenCircuit
    resistance: Resistance
    polarisation: list[Polarisation] = Field(default_factory=list, max_length=6)
    heat: Heat
    limits: CellLimits
    sources: dict[str, Source] = Field(default_factory=dict)

    @field_validator("sources")
    @classmethod
    def _known_groups(cls, sources: dict[str, Source]) -> dict[str, Source]:
        for group in sources:
            if group not in GROUPS:
                raise ValueError(f"'{group}' is no group of parameters; known: {', '.join(GROUPS)}")
        return sources

    @model_validator(mode="after")
    def _pairs_fit_grid(self) -> CellProfile:
        for i, pair in enumerate(self.polarisation, 1):
            for name in ("resistance_mohm", "time_constant_s", "capacitance_F"):
                check_grid(
                    f"polarisation {i} {name}",
                    getattr(pair, name),
                    self.resistance.soc,
                    self.resistance.temperature_C,
                    least=1e-6,
                )
        return self
