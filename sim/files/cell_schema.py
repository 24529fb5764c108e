"""The cell profile as a file says it: names, units, what is accepted."""

from __future__ import annotations

import re
from typing import Annotated, Literal, TypeGuard

import numpy as np
from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    PlainValidator,
    field_validator,
    model_validator,
)

from sim.files.toml import shown
from sim.units import MILLI

Positive = Annotated[float, Field(gt=0)]

HeatCapacity = Annotated[float, Field(ge=1e-3, le=1e5)]
CellVolt = Annotated[float, Field(gt=0, le=10)]
Ampere = Annotated[float, Field(gt=0, le=1e5)]
MOST_MOHM = 1e5
GREATEST = 1e308  # a number; no whole number beyond it becomes a float
LEAST_ACROSS_K_W = 1e-3  # a thousandth of any cell's; less only makes the equations stiff
SHORTEST_S, LONGEST_S = 1e-3, 1e7  # time constants; shorter ones belong into [resistance]
Celsius = Annotated[float, Field(ge=-60, le=200)]


def one_line(text: str) -> str:
    """Refuse line breaks and control characters: the text is printed as it stands."""
    if re.search(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]", text):
        raise ValueError(f"is {shown(text)}; accepted: one line, without control characters")
    return text


def _is_number(found: object) -> TypeGuard[float]:
    return isinstance(found, int | float) and not isinstance(found, bool) and abs(found) < GREATEST


def _number_or_table(found: object) -> object:
    """Refuse what is neither a number nor a table of rows, by one complaint."""
    if _is_number(found):
        return float(found)
    if not isinstance(found, list) or not found:
        raise ValueError(f"is {shown(found)}; accepted: a number, or a list of rows of numbers")
    for at, row in enumerate(found, 1):
        if not isinstance(row, list):
            raise ValueError(f"holds {shown(row)} as row {at}; accepted: a list of numbers")
        for value in row:
            if not _is_number(value):
                raise ValueError(f"holds {shown(value)} in row {at}; accepted: finite numbers")
    return [[float(value) for value in row] for row in found]


Words = Annotated[str, AfterValidator(one_line)]
FileName = Annotated[str, Field(min_length=1), AfterValidator(one_line)]
Grid = Annotated[float | list[list[float]], PlainValidator(_number_or_table)]

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
# A part of a group that may say its own uncertainty; left out, it is told by its group.
CORE_TO_SURFACE = "core_to_surface"


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
        at = int(np.flatnonzero(~(steps > 0))[0]) + 1
        raise ValueError(
            f"soc must rise from row to row; row {at + 1} has {shown(soc[at])} after "
            f"{shown(soc[at - 1])}"
        )
    if soc[0] != 0.0 or soc[-1] != 1.0:
        raise ValueError(f"soc must go from 0.0 to 1.0; found {shown(soc[0])} to {shown(soc[-1])}")
    return soc, others


class OpenCircuit(Strict):
    """Rest voltage and its slope over temperature, over state of charge."""

    soc: list[float] = Field(min_length=2)
    voltage_V: list[CellVolt]
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
                    f"voltage_V must not fall as soc rises; it goes from {low} at soc "
                    f"{self.soc[i]} to {high} at {self.soc[i + 1]}"
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
            if not self.temperature_C or np.any(np.diff(self.temperature_C) <= 0):
                raise ValueError(f"temperature_C must rise; found {self.temperature_C}")
        for name in ("discharge_mohm", "charge_mohm"):
            check_grid(name, getattr(self, name), self.soc, self.temperature_C, 0.0, MOST_MOHM)
        return self


def check_grid(
    name: str,
    grid: Grid | None,
    soc: list[float] | None,
    temperature_C: list[float] | None,
    least: float,
    most: float,
) -> None:
    """Raise ValueError where a number or table passes its bounds or is not of the grid's shape."""
    if grid is None:
        return
    rows = grid if isinstance(grid, list) else [[grid]]
    if isinstance(grid, list):
        if soc is None or temperature_C is None:
            raise ValueError(f"{name} is a table, so [resistance] needs soc and temperature_C")
        if len(rows) != len(soc):
            raise ValueError(
                f"{name} has {len(rows)} rows; accepted: {len(soc)}, as soc has values"
            )
        for at, row in enumerate(rows, 1):
            if len(row) != len(temperature_C):
                raise ValueError(
                    f"{name} has {len(row)} values in row {at}; accepted: {len(temperature_C)}, "
                    "as temperature_C has"
                )
    for value in (value for row in rows for value in row):
        if not least <= value <= most:
            raise ValueError(f"{name} holds {value:g}; accepted: {least:g} to {most:g}")


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

    core_J_K: HeatCapacity
    surface_J_K: HeatCapacity
    core_to_surface_K_W: float = Field(ge=0, le=1000)
    core_is: Literal["mean", "axis"] = "mean"

    @field_validator("core_to_surface_K_W")
    @classmethod
    def _none_or_some(cls, across_K_W: float) -> float:
        if 0.0 < across_K_W < LEAST_ACROSS_K_W:
            raise ValueError(
                f"is {across_K_W:g}; accepted: 0, for one lumped node, or "
                f"{LEAST_ACROSS_K_W:g} to 1000"
            )
        return across_K_W


class CellLimits(Strict):
    """What the cell's maker allows."""

    full_V: CellVolt
    cutoff_V: float = Field(ge=0, le=10)
    discharge_A: Ampere
    charge_A: Ampere
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

    origin: Words = Field(alias="from", min_length=1)
    uncertainty: float = Field(ge=0, le=10)
    guess: bool = False


class FittedRange(Strict):
    """[fitted]: what the logs span that a profile was fitted on; a prediction outside is a guess.

    Temperatures are those of the logged surface; currents one cell's, each its own way, from 0.
    """

    coldest_C: Celsius
    warmest_C: Celsius
    lowest_soc: float = Field(ge=0, le=1)
    highest_soc: float = Field(ge=0, le=1)
    charge_A: float = Field(ge=0, le=1e5)
    discharge_A: float = Field(ge=0, le=1e5)

    @model_validator(mode="after")
    def _in_order(self) -> FittedRange:
        for low, high in (("coldest_C", "warmest_C"), ("lowest_soc", "highest_soc")):
            if getattr(self, low) > getattr(self, high):
                raise ValueError(
                    f"{low} {getattr(self, low):g} lies above {high} {getattr(self, high):g}"
                )
        return self

    def words(self) -> str:
        """Return "5 to 35 C, 10 to 100 % charge, up to 5 A out and 2.5 A in a cell"."""
        return (
            f"{self.coldest_C:g} to {self.warmest_C:g} C, {100.0 * self.lowest_soc:g} to "
            f"{100.0 * self.highest_soc:g} % charge, up to {self.discharge_A:g} A out and "
            f"{self.charge_A:g} A in a cell"
        )


class CellProfile(Strict):
    """A whole cell profile."""

    name: Words = Field(min_length=1)
    chemistry: Words
    capacity_Ah: float = Field(ge=0.001, le=500, json_schema_extra={"milli": "Ah"})
    nominal_V: Positive | None = None
    price: float | None = Field(default=None, ge=0)
    size: Size
    open_circuit: OpenCircuit
    resistance: Resistance
    polarisation: list[Polarisation] = Field(default_factory=list, max_length=6)
    heat: Heat
    limits: CellLimits
    fitted: FittedRange | None = None
    sources: dict[str, Source] = Field(default_factory=dict)

    @field_validator("sources")
    @classmethod
    def _known_groups(cls, sources: dict[str, Source]) -> dict[str, Source]:
        for group in sources:
            if group not in (known := (*GROUPS, CORE_TO_SURFACE)):
                raise ValueError(f"'{group}' is no group of parameters; known: {', '.join(known)}")
        return sources

    @model_validator(mode="before")
    @classmethod
    def _turn_round(cls, given: object) -> object:
        """Turn a falling [resistance] soc round, and with it the rows of every table over it."""
        if not isinstance(given, dict) or not isinstance(given.get("resistance"), dict):
            return given
        soc = given["resistance"].get("soc")
        if not isinstance(soc, list) or len(soc) < 2:
            return given
        if not all(map(_is_number, soc)) or not np.all(np.diff(soc) < 0):
            return given
        turned = {**given, "resistance": _rows_turned(given["resistance"])}
        if isinstance(given.get("polarisation"), list):
            turned["polarisation"] = [_rows_turned(pair) for pair in given["polarisation"]]
        return turned

    @model_validator(mode="after")
    def _pairs_fit_grid(self) -> CellProfile:
        bounds = {
            "resistance_mohm": (1e-6, MOST_MOHM),
            "time_constant_s": (SHORTEST_S, LONGEST_S),
            "capacitance_F": (1e-3, 1e9),
        }
        grid = self.resistance.soc, self.resistance.temperature_C
        for i, pair in enumerate(self.polarisation, 1):
            for name, (least, most) in bounds.items():
                check_grid(f"[[polarisation]] {i} {name}", getattr(pair, name), *grid, least, most)
            if pair.capacitance_F is not None:
                fastest_s = np.min(pair.resistance_mohm) * MILLI * np.min(pair.capacitance_F)
                if fastest_s < SHORTEST_S:
                    raise ValueError(
                        f"[[polarisation]] {i} has a time constant of {fastest_s:g} s; accepted: "
                        f"{SHORTEST_S:g} s or more; what is faster belongs into [resistance]"
                    )
        return self


def _rows_turned(table: object) -> object:
    """Return a table of the file with the rows of its lists in the opposite order."""
    if not isinstance(table, dict):
        return table
    return {
        key: value[::-1] if key != "temperature_C" and isinstance(value, list) else value
        for key, value in table.items()
    }
