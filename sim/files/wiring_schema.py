"""The wiring as a scenario says it: [[conductor]], [fuse], [wiring]."""

from __future__ import annotations

import itertools
from typing import Annotated, Literal

from pydantic import Field, PlainValidator, model_validator

from sim.files.cell_schema import Ampere, Celsius, Strict, Words
from sim.files.toml import shown

# Areas of what a hand can fit to a pack; an area in m2 or a lost decimal lands outside.
LEAST_MM2, MOST_MM2 = 0.01, 1000.0
MOST_LINK_MM2 = 300.0  # of a link to one cell; from WARN_LINK_MM2 on it is doubted
WARN_LINK_MM2 = 100.0
THINNEST_AWG, THICKEST_AWG = 36, -3  # -3 is 4/0

Share = Annotated[float, Field(gt=0, le=1)]
Ratio = Annotated[float, Field(gt=0, le=1000)]
Second = Annotated[float, Field(gt=0, le=1e7)]
Volt = Annotated[float, Field(gt=0, le=10_000)]
Metal = Literal["copper", "tinned copper", "nickel", "nickel-plated steel", "brass", "aluminium"]


def _gauge(found: object) -> int:
    """Return a wire gauge as a number: 24 for 24, -3 for "4/0"."""
    text = {"1/0": 0, "2/0": -1, "3/0": -2, "4/0": -3}
    if isinstance(found, str) and found in text:
        return text[found]
    if isinstance(found, int) and not isinstance(found, bool) and 0 <= found <= THINNEST_AWG:
        return found
    raise ValueError(
        f'is {shown(found)}; accepted: a whole number, 0 to {THINNEST_AWG}, or "1/0" to "4/0"'
    )


Gauge = Annotated[int, PlainValidator(_gauge)]


def _rising(name: str, values: list[float]) -> None:
    for before, after in itertools.pairwise(values):
        if not after > before:
            raise ValueError(
                f"{name} must rise from entry to entry; found {after:g} after {before:g}"
            )


class Derated(Strict):
    """A rating at one temperature and the factors by which it holds at others."""

    factor_C: list[Celsius] = Field(default=[], max_length=100)
    factor: list[Annotated[float, Field(gt=0, le=2)]] = Field(default=[], max_length=100)

    def _check_factors(self, rated_at_C: float) -> None:
        if len(self.factor_C) != len(self.factor):
            raise ValueError(
                f"factor_C has {len(self.factor_C)} entries and factor {len(self.factor)}; "
                "accepted: as many of each"
            )
        _rising("factor_C", self.factor_C)
        if self.factor_C and self.factor_C[0] <= rated_at_C:
            raise ValueError(
                f"factor_C begins at {self.factor_C[0]:g}, not above the {rated_at_C:g} C of the "
                "rating itself, where the factor is 1"
            )


class ConductorTable(Derated):
    """[[conductor]]: one kind of lead, strip, link or joint, `count` of them alike."""

    name: Words = Field(min_length=1, max_length=40)
    carries: Literal["cell", "cells", "pack", "all_packs"] = "pack"
    cells: int | None = Field(default=None, ge=1, le=10_000)
    count: int = Field(default=1, ge=1, le=10_000_000)
    where: Literal["box", "outside"] = "box"
    material: Metal | None = None
    gauge_AWG: Gauge | None = None
    area_mm2: float | None = Field(default=None, ge=LEAST_MM2, le=MOST_MM2)
    thickness_mm: float | None = Field(default=None, ge=0.01, le=50)
    width_mm: float | None = Field(default=None, ge=0.1, le=500)
    layers: int = Field(default=1, ge=1, le=50)
    stranded: bool = False
    length_mm: float | None = Field(default=None, ge=0.5, le=100_000)
    resistance_mohm: float | None = Field(default=None, gt=0, le=10_000)
    conductance_W_K: float | None = Field(default=None, gt=0, le=1000)
    heat_capacity_J_K: float | None = Field(default=None, gt=0, le=1e6)
    insulation_mm: float = Field(default=0.0, ge=0, le=20)
    insulation_max_C: float | None = Field(default=None, ge=40, le=250)
    fault_max_C: float | None = Field(default=None, ge=60, le=400)
    emissivity: float | None = Field(default=None, ge=0, le=1)
    exposed_fraction: Share = 1.0
    fusible: bool = False
    ampacity_A: Ampere | None = None
    ampacity_at_C: Celsius = 30.0

    @model_validator(mode="after")
    def _whole(self) -> ConductorTable:
        self._check_size()
        self._check_temperatures()
        if (self.cells is not None) != (self.carries == "cells"):
            raise ValueError('cells belongs to carries = "cells": of how many cells the current is')
        if self.fusible and (self.carries != "cell" or self.material is None):
            raise ValueError('fusible belongs to a link of known metal with carries = "cell"')
        if self.ampacity_A is None and (self.factor or "ampacity_at_C" in self.model_fields_set):
            raise ValueError("ampacity_at_C, factor_C and factor belong to ampacity_A")
        self._check_factors(self.ampacity_at_C)
        return self

    def _check_size(self) -> None:
        strip = self.thickness_mm is not None or self.width_mm is not None
        ways = [
            self.gauge_AWG is not None,
            self.area_mm2 is not None,
            strip,
            self.resistance_mohm is not None,
        ]
        if sum(ways) != 1:
            raise ValueError(
                "give gauge_AWG, or area_mm2, or thickness_mm with width_mm, or for a joint "
                "resistance_mohm; one of the four"
            )
        if self.resistance_mohm is not None:
            idle = {"material", "length_mm", "layers", "stranded", "insulation_mm", "emissivity"}
            idle |= {"exposed_fraction", "fault_max_C"}
            if said := sorted(idle & self.model_fields_set):
                raise ValueError(f"{said[0]} does not belong to a conductor by resistance_mohm")
            if self.heat_capacity_J_K is not None and self.conductance_W_K is None:
                raise ValueError("heat_capacity_J_K belongs to conductance_W_K")
            return
        if strip and (self.thickness_mm is None or self.width_mm is None):
            raise ValueError("thickness_mm and width_mm come together")
        if self.layers > 1 and not strip:
            raise ValueError("layers belongs to thickness_mm and width_mm")
        if self.stranded and strip:
            raise ValueError("stranded belongs to gauge_AWG or area_mm2")
        if self.material is None or self.length_mm is None:
            raise ValueError("material and length_mm are missing; give both")
        if self.conductance_W_K is not None or self.heat_capacity_J_K is not None:
            raise ValueError(
                "conductance_W_K and heat_capacity_J_K belong to a joint by resistance_mohm"
            )
        self._check_strip()

    def _check_strip(self) -> None:
        if self.thickness_mm is None or self.width_mm is None:
            most = self.area_mm2
        else:
            if self.thickness_mm > self.width_mm:
                raise ValueError(
                    f"thickness_mm {self.thickness_mm:g} is more than width_mm {self.width_mm:g}"
                )
            most = self.thickness_mm * self.width_mm * self.layers
        if most is None:
            return
        greatest = MOST_LINK_MM2 if self.carries == "cell" else MOST_MM2
        if most > greatest:
            link = " for a link that carries one cell's current" if self.carries == "cell" else ""
            raise ValueError(
                f"an area of {most:g} mm2 can't be meant{link}; accepted: {LEAST_MM2:g} to "
                f"{greatest:g} mm2"
            )

    def _check_temperatures(self) -> None:
        if self.fault_max_C is None or self.insulation_max_C is None:
            return
        if self.fault_max_C < self.insulation_max_C:
            raise ValueError(
                f"fault_max_C {self.fault_max_C:g} lies below insulation_max_C "
                f"{self.insulation_max_C:g}"
            )


class FuseTable(Derated):
    """[fuse]: of each pack, in series with all its current."""

    rating_A: Ampere
    dc_V: Volt
    breaking_A: float | None = Field(default=None, gt=0, le=1e7)
    continuous_share: Share = 0.75
    where: Literal["box", "outside"] = "box"
    rated_at_C: Celsius = 25.0
    ratio: list[Ratio] = Field(default=[], max_length=200)
    hold_s: list[Second] = Field(default=[], max_length=200)
    clear_s: list[Second] = Field(default=[], max_length=200)

    @model_validator(mode="after")
    def _times(self) -> FuseTable:
        self._check_factors(self.rated_at_C)
        lengths = {len(self.ratio), len(self.hold_s), len(self.clear_s)}
        if len(lengths) > 1:
            raise ValueError("ratio, hold_s and clear_s come together, as many entries of each")
        _rising("ratio", self.ratio)
        for name, times in (("hold_s", self.hold_s), ("clear_s", self.clear_s)):
            for before, after in itertools.pairwise(times):
                if after > before:
                    raise ValueError(
                        f"{name} must not rise with ratio; found {after:g} after {before:g}"
                    )
        for hold_s, clear_s in zip(self.hold_s, self.clear_s, strict=True):
            if hold_s > clear_s:
                raise ValueError(f"hold_s {hold_s:g} is longer than its clear_s {clear_s:g}")
        return self


class WiringTable(Strict):
    """[wiring]: what belongs to no single conductor."""

    # Assumed where not said, of a crushed or pierced cell; the ratio between links is free of it.
    internal_short_mohm: float = Field(default=5.0, ge=0, le=10_000)
    legs_V: list[Annotated[float, Field(ge=0, le=10_000)]] = Field(default=[], max_length=100)
