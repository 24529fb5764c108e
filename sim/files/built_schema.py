"""Tables of a scenario about the pack as it is built: what differs, how it hangs together."""

from __future__ import annotations

import itertools
from typing import Annotated, Literal

from pydantic import Field, model_validator

from sim.files.cell_schema import Ampere, CellVolt, Celsius, FileName, Strict
from sim.files.clock_keys import Clock

Percent = Annotated[float, Field(ge=0, le=50)]
Factor = Annotated[float, Field(gt=0, le=10)]
Place = Annotated[int, Field(ge=1, le=10_000)]
Seconds = Annotated[float, Field(ge=0, le=86_400)]
LimitAmpere = Annotated[float, Field(ge=0, le=1e5)]  # a ramp may end at nothing
# Cells that touch conduct without bound through a line (no cell is round to 0.1 mm). In gaps wider
# than the other, air moves: for plates 65 mm high and 20 K warmer, all of their heat needs some
# 7 mm, and half of that chokes it (Bar-Cohen and Rohsenow, J. Heat Transfer 106 (1984) 116, from
# memory); what then leaves one side goes off with the draught.
LEAST_GAP_MM, NARROW_MM = 0.1, 5.0


class SpreadTable(Strict):
    """[spread]: scatter from cell to cell (standard deviations), or a measured list."""

    capacity_percent: Percent = 0.0
    resistance_percent: Percent = 0.0
    joint_percent: Percent = 0.0
    charge_percent: Percent = 0.0  # points of charge, from group to group
    seed: int = Field(default=1, ge=0)
    cells: FileName | None = None


class FaultTable(Strict):
    """[[fault]]: one thing that is wrong, by name and place; all count from 1."""

    kind: Literal["link_open", "cell_missing", "weak_cell", "weak_group", "bad_joint"]
    pack: Place = 1
    group: Place
    cell: Place | None = None
    capacity_factor: Factor = 1.0
    resistance_factor: Factor = 1.0
    joint_mohm: float | None = Field(default=None, ge=0, le=1000)

    @model_validator(mode="after")
    def _whole(self) -> FaultTable:
        if (self.cell is None) != (self.kind == "weak_group"):
            raise ValueError(
                "cell is not used by a weak_group" if self.cell else f"{self.kind} needs a cell"
            )
        if self.kind.startswith("weak") and self.capacity_factor == self.resistance_factor == 1.0:
            raise ValueError(f"{self.kind} needs a capacity_factor or a resistance_factor")
        vain = sorted({"capacity_factor", "resistance_factor"} & self.model_fields_set)
        if vain and not self.kind.startswith("weak"):
            raise ValueError(f"{vain[0]} is not used by {self.kind}")
        if (self.joint_mohm is None) == (self.kind == "bad_joint"):
            raise ValueError("joint_mohm belongs to a bad_joint, and a bad_joint needs it")
        return self


class SensorTable(Strict):
    """[[sensor]]: a thermistor on a cell's side, in every pack where `pack` is left out."""

    pack: Place | None = None
    group: Place
    cell: Place


class BusbarTable(Strict):
    """[busbar]: resistance between neighbours of a group, on each rail."""

    link_mohm: float = Field(gt=0, le=100)
    take_off: Literal["one_end", "opposite_ends", "middle"] = "opposite_ends"


class LayoutTable(Strict):
    """[layout]: how the cells of a pack stand, and what heat they hand on."""

    rows: int = Field(ge=1, le=1000)
    columns: int = Field(ge=1, le=1000)
    pattern: Literal["square", "staggered"] = "square"
    model: Literal["resolved", "places"] = "resolved"
    neighbour_W_K: float = Field(default=0.0, ge=0, le=10)
    gap_mm: float | None = None
    between_share: float = Field(default=0.5, ge=0, le=1)
    module_heat_capacity_J_K: float | None = Field(default=None, gt=0, le=1e6)
    module_conductance_W_K: float | None = Field(default=None, gt=0, le=1e4)

    @model_validator(mode="after")
    def _whole(self) -> LayoutTable:
        if (self.module_heat_capacity_J_K is None) != (self.module_conductance_W_K is None):
            raise ValueError(
                "module_heat_capacity_J_K and module_conductance_W_K come together: they make "
                "the air between the cells a node of its own"
            )
        if self.gap_mm is not None and not LEAST_GAP_MM <= self.gap_mm <= NARROW_MM:
            why = (
                "nearer, cells as good as touch, and neighbour_W_K is all that can be said"
                if self.gap_mm < LEAST_GAP_MM
                else "wider, air carries heat off before it is across: leave gap_mm out"
            )
            raise ValueError(
                f"gap_mm is {self.gap_mm:g}; accepted: {LEAST_GAP_MM:g} to {NARROW_MM:g} ({why})"
            )
        return self


class ControllerTable(Strict):
    """[controller]: what the motor controller lets through, of all packs together."""

    current_max_A: Ampere | None = None
    regeneration_max_A: Ampere | None = None
    over_cell_V: list[CellVolt] = Field(default_factory=list)
    over_cell_V_A: list[LimitAmpere] = Field(default_factory=list)
    over_core_C: list[Celsius] = Field(default_factory=list)
    over_core_C_A: list[LimitAmpere] = Field(default_factory=list)
    hot_off_C: Celsius | None = None
    hot_on_C: Celsius | None = None
    cold_off_C: Celsius | None = None
    cold_on_C: Celsius | None = None

    @model_validator(mode="after")
    def _tables(self) -> ControllerTable:
        check_table("over_cell_V", self.over_cell_V, "over_cell_V_A", self.over_cell_V_A)
        check_table("over_core_C", self.over_core_C, "over_core_C_A", self.over_core_C_A)
        falls = any(b < a for a, b in zip(self.over_cell_V_A, self.over_cell_V_A[1:], strict=False))
        if falls:
            raise ValueError(
                "over_cell_V_A falls where the voltage rises, so no current would be settled on"
            )
        check_gap("hot_off_C", self.hot_off_C, "hot_on_C", self.hot_on_C, above=True)
        check_gap("cold_off_C", self.cold_off_C, "cold_on_C", self.cold_on_C, above=False)
        return self


class Threshold(Strict):
    """One threshold of a board: level, way back, delay and tolerance in its own unit."""

    trip: float
    release: float | None = None
    delay_s: Seconds = 0.0
    hold_off_s: float = Field(default=1.0, ge=0.1, le=86_400)
    tolerance: float = Field(default=0.0, ge=0)
    latch: bool | None = None

    @model_validator(mode="after")
    def _whole(self) -> Threshold:
        if self.latch and self.release is not None:
            raise ValueError("release is not used by a threshold that latches")
        return self

    @property
    def latches(self) -> bool:
        """Whether it never lets go by itself: said so, or no way back given."""
        return self.latch if self.latch is not None else self.release is None


class BoardTable(Strict):
    """[board]: the protection board of each pack."""

    resistance_mohm: float = Field(default=0.0, ge=0, le=1000)
    drop_V: float = Field(default=0.0, ge=0, le=5)
    under_voltage: Threshold | None = None
    over_voltage: Threshold | None = None
    over_current: Threshold | None = None
    charge_over_current: Threshold | None = None
    hot_discharge: Threshold | None = None
    cold_discharge: Threshold | None = None
    hot_charge: Threshold | None = None
    cold_charge: Threshold | None = None

    @model_validator(mode="after")
    def _ways_back(self) -> BoardTable:
        for name, above in BOARD_SENSES.items():
            one = getattr(self, name)
            if one is not None:
                check_level(name, one)
                check_gap(f"{name} trip", one.trip, f"{name} release", one.release, above=above)
        return self


BOARD_SENSES = {  # whether it trips above its level
    "under_voltage": False,
    "over_voltage": True,
    "over_current": True,
    "charge_over_current": True,
    "hot_discharge": True,
    "cold_discharge": False,
    "hot_charge": True,
    "cold_charge": False,
}


LEVELS = {  # of one group, of one pack, of a cell
    "voltage": (0.1, 10.0, "V"),
    "current": (0.01, 1e5, "A"),
    "hot": (-60.0, 200.0, "C"),
    "cold": (-60.0, 200.0, "C"),
}


class UnitTable(Strict):
    """[[unit]]: what is different about one of several packs."""

    pack: Place
    charge_percent: float | None = Field(default=None, gt=0, le=100)
    cell_C: Celsius | None = None
    capacity_factor: Factor = 1.0
    resistance_factor: Factor = 1.0
    lead_mohm: float | None = Field(default=None, ge=0, le=1000)
    out: bool = False


class ChargerTable(Strict):
    """[charger]: one charger on all packs, in windows by the clock."""

    windows: list[Annotated[list[Clock], Field(min_length=2, max_length=2)]] = Field(min_length=1)
    current_A: Ampere
    voltage_V: float | None = Field(default=None, gt=0, le=2000)
    taper_A: Ampere | None = None
    outlet_W: float | None = Field(default=None, gt=0, le=1e5)
    efficiency: float = Field(default=0.9, gt=0, le=1)
    over_core_C: list[Celsius] = Field(default_factory=list)
    over_core_C_A: list[float] = Field(default_factory=list)
    table: Literal["line", "step"] = "line"
    cold_off_C: Celsius | None = 0.0
    cold_on_C: Celsius | None = None
    hot_off_C: Celsius | None = None
    hot_on_C: Celsius | None = None

    @model_validator(mode="after")
    def _whole(self) -> ChargerTable:
        if self.taper_A is not None and self.taper_A > self.current_A:
            raise ValueError(
                f"taper_A {self.taper_A:g} is above current_A {self.current_A:g}, so it would "
                "charge at no constant voltage; accepted: up to current_A"
            )
        check_table("over_core_C", self.over_core_C, "over_core_C_A", self.over_core_C_A)
        if any(value < 0.0 for value in self.over_core_C_A):
            raise ValueError("over_core_C_A holds a negative current; accepted: 0 or more")
        check_gap("hot_off_C", self.hot_off_C, "hot_on_C", self.hot_on_C, above=True)
        check_gap("cold_off_C", self.cold_off_C, "cold_on_C", self.cold_on_C, above=False)
        return self


def check_table(name: str, at: list[float], other: str, values: list[float]) -> None:
    """Raise ValueError unless the two lists make a table with a rising first column."""
    if len(at) != len(values):
        raise ValueError(f"{name} has {len(at)} entries and {other} {len(values)}; as many of both")
    if any(b <= a for a, b in itertools.pairwise(at)):
        raise ValueError(f"{name} must rise from entry to entry")


def check_level(name: str, one: Threshold) -> None:
    """Raise ValueError unless a board's threshold lies where its quantity may be."""
    low, high, unit = next(ends for part, ends in LEVELS.items() if part in name)
    if not low <= one.trip <= high:
        raise ValueError(
            f"{name} trip is {one.trip:g} {unit}; accepted: {low:g} to {high:g} {unit}"
        )
    if unit != "C" and one.tolerance >= one.trip:
        raise ValueError(
            f"{name} tolerance {one.tolerance:g} {unit} is not below its trip {one.trip:g} {unit}"
        )


def check_gap(
    off_name: str, off: float | None, on_name: str, on: float | None, *, above: bool
) -> None:
    """Raise ValueError unless what goes off at one level comes back at another, on the safe side.

    A threshold with one level only switches on and off for ever.
    """
    if on is None:
        return
    if off is None:
        raise ValueError(f"{on_name} is not used without {off_name}")
    if (on >= off) if above else (on <= off):
        side = "below" if above else "above"
        raise ValueError(
            f"{on_name} {on:g} must lie {side} {off_name} {off:g}: "
            "every threshold needs two levels, or it chatters"
        )
