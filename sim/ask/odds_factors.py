"""What is drawn: each guess, each number of the build and the day, and how far it may be off.

An uncertainty is half the width of the range that holds the true value in 95 of 100 cases: fits
write twice the standard error, and guesses say "could be off by". What can't be negative is drawn
log-normal on either side of its value, so that 95 of 100 lie from 1 - u to 1 + u: one log-normal
of that width would reach 1 / (1 + u) only, and 0.83 of a cooling that is good to 20 % is too kind.
Nothing is drawn beyond three standard deviations.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.files.built_case import TABLES
from sim.files.case import Case
from sim.files.cell_schema import CORE_TO_SURFACE, CellProfile
from sim.files.odds_schema import OddsTable
from sim.files.scenario_schema import UNTIL
from sim.files.unsure import NO_SOURCE, cooling_off, core_to_surface_off
from sim.physics.box import FREE_AIR
from sim.physics.pack import cells

Floats = NDArray[np.float64]
FARTHEST_SD = 3.0  # common practice, no source: beyond it a number would be called wrong
MEASURED_COOLING = 0.1  # assumed of a measured conductance that says nothing of itself
ACROSS_GUESSED = 0.5  # what the shipped profiles say of core_to_surface_K_W

ASSUMED = "assumed, [odds] says nothing of it"

GUESS, BUILD, DAY, CELLS = "guess", "build", "day", "cells"
# How a unit number becomes a value: a factor that can't be negative, a factor even about 1, a
# shift even about 0, the worst of many alike.
LOG, EVEN, SHIFT, WORST = "log-normal", "normal", "shift", "worst of many"

ABOUT = {
    "capacity": "capacity",
    "open_circuit": "open-circuit voltage",
    "entropic": "entropic coefficient",
    "resistance": "resistance",
    "polarisation": "polarisation",
    "heat": "heat capacity",
    CORE_TO_SURFACE: "core to surface",
    "cooling": "cooling by the air",
    "exposed": "share of side in air",
    "joints": "joints and leads",
    "walls": "enclosure's walls",
    "air": "air temperature",
    "sun": "sun",
    "load": "load",
    "weakest_capacity": "weakest group, capacity",
    "weakest_charge": "weakest group, charge",
    "weakest_resistance": "weakest group, resistance",
    "hottest_cell": "hottest cell's share",
}
MEASURE = {
    "capacity": "log one slow discharge from full to cut-off, counting the charge",
    "open_circuit": "log one slow discharge (C/20) and give it to `stillair fit --ocv`",
    "entropic": "log full discharges at two or three rates with the can's temperature",
    "resistance": "log a pulse test, or two rates of 1C or more, and `stillair fit` them",
    "polarisation": "log a pulse test with rests and `stillair fit` it",
    "heat": "weigh a cell, and log the can's warming and cooling at a rate of 1C or more",
    CORE_TO_SURFACE: "log can and axis (a cell with a probe) through one step of current",
    "cooling": "log cans cooling down in the finished pack after a load",
    "exposed": "log cans cooling down in the finished pack after a load",
    "joints": "measure the voltage across joints and leads at a known current",
    "walls": "heat the empty box with a known power and log air inside and outside",
    "weakest_capacity": "measure each cell's capacity, and build groups of equal sums",
    "weakest_charge": "measure each group's rest voltage before the day",
    "weakest_resistance": "measure each cell's resistance, and build groups of equal sums",
    "hottest_cell": "measure each cell's resistance, and keep those far off out",
    "air": "a record of the days on which it is driven",
    "sun": "log the air in the empty box on a sunny day",
    "load": "log the power of a day or two",
}


@dataclass(frozen=True)
class Factor:
    """One thing that is drawn; its values are factors on what the case has, shifts in K, or WORST.

    `off` is half the range of 95 %, relative or in K; for WORST the standard deviation of one of
    `many`. `least` and `most` bound a normal factor by what is possible at all.
    """

    name: str
    kind: str
    shape: str
    off: float
    source: str
    least: float = 0.0
    most: float = np.inf
    many: int = 1

    @property
    def about(self) -> str:
        """Return what it is called."""
        return ABOUT[self.name]

    @property
    def unit(self) -> str:
        """Return the unit of `off`: K or percent."""
        return "K" if self.shape == SHIFT else "%"

    @cached_property
    def sd(self) -> float:
        """Return the standard deviation before it is cut off at three of them."""
        return self.off if self.shape == WORST else self.off / _reach_sd()

    def values(self, unit: Floats) -> Floats:
        """Return the value at each number of `unit`, all within 0 to 1; rising with it."""
        from scipy.stats import norm, truncnorm

        if self.off == 0.0:
            return np.full(len(unit), 0.0 if self.shape in (SHIFT, WORST) else 1.0)
        if self.shape == WORST:
            # The largest of n is below x where all are: F^n = u. Written for the upper tail, where
            # u^(1/n) is one to rounding.
            return self.sd * norm.isf(-np.expm1(np.log(unit) / self.many))
        low, high = -FARTHEST_SD, FARTHEST_SD
        if self.shape == EVEN:
            low = max(low, (self.least - 1.0) / self.sd)
            high = min(high, (self.most - 1.0) / self.sd)
            if high - low < 1e-9:
                return np.full(len(unit), min(max(1.0, self.least), self.most))
        z = truncnorm.ppf(unit, low, high)
        if self.shape == LOG:
            below, above = np.log(lower_end(self.off)), np.log1p(self.off)
            return np.exp(z * np.where(z < 0.0, -below, above) / _reach_sd())
        return 1.0 + self.sd * z if self.shape == EVEN else self.sd * z


def _reach_sd() -> float:
    """Return how many standard deviations hold 95 of 100 where none lie beyond three."""
    from scipy.stats import truncnorm

    return float(truncnorm.ppf(0.975, -FARTHEST_SD, FARTHEST_SD))


def lower_end(off: float) -> float:
    """Return the lower end of a log-normal's 95 %: 1 - off, and above 0 where that nears it."""
    return max(1.0 - off, 1.0 / (1.0 + off) ** 2)


def refuse_what_is_not_drawn(case: Case) -> None:
    """Raise InputError where the pack as built has more to it than cells that scatter."""
    scenario = case.scenario
    if scenario.load.until_it_repeats:
        raise InputError(
            f'{case.path}: odds draws days of one length, and [load] days is "{UNTIL}"; accepted: '
            "a whole number, or simulate"
        )
    beyond = [name for name in TABLES if name != "spread" and getattr(scenario, name) is not None]
    if beyond:
        raise InputError(
            f"odds draws a day of identical cells, and {case.path} has [{beyond[0]}]; accepted: a "
            f"scenario without {', '.join(name for name in TABLES if name != 'spread')} ([spread] "
            "is taken as the weakest of its groups), or simulate"
        )
    if scenario.spread is not None and scenario.spread.cells is not None:
        raise InputError(
            f"odds draws scatter, and {case.path} [spread] names a list of measured cells; "
            "accepted: percents, or simulate"
        )


def factors_of(case: Case) -> tuple[Factor, ...]:
    """Return all that is drawn for `case`; raise InputError where odds can't speak of its pack."""
    refuse_what_is_not_drawn(case)
    return (*_of_cell(case.profile), *_of_build(case), *_of_day(case), *_of_spread(case))


def _of_cell(profile: CellProfile) -> Iterator[Factor]:
    def group(name: str, shape: str = LOG) -> Factor:
        source = profile.sources.get(name)
        if source is None:
            return Factor(name, GUESS, shape, NO_SOURCE, "assumed, the profile says nothing of it")
        return Factor(name, GUESS, shape, source.uncertainty, source.origin)

    yield group("capacity")
    yield group("open_circuit", EVEN)
    if profile.open_circuit.entropic_mV_K is not None:
        yield _free(group("entropic", EVEN))
    yield group("resistance")
    if profile.polarisation:
        yield group("polarisation")
    yield group("heat")
    if profile.heat.core_to_surface_K_W > 0.0:
        yield Factor(CORE_TO_SURFACE, GUESS, LOG, *core_to_surface_off(profile))


def _free(factor: Factor) -> Factor:
    """Return a normal factor without a floor: an entropic coefficient may change its sign."""
    return Factor(factor.name, factor.kind, factor.shape, factor.off, factor.source, least=-np.inf)


def _share(table: OddsTable, key: str) -> tuple[float, str]:
    """Return how far something may be off as [odds] has it, and who says so."""
    off = float(getattr(table, f"{key}_percent")) / 100.0
    return off, "[odds]" if f"{key}_percent" in table.model_fields_set else ASSUMED


def _of_build(case: Case) -> Iterator[Factor]:
    table, scenario = case.scenario.odds, case.scenario
    cooling = scenario.cooling
    measured = cooling.conductance_W_K is not None
    yield Factor("cooling", BUILD if measured else GUESS, LOG, *cooling_off(cooling))
    if not measured and cooling.exposed_fraction > 0.0:
        most = 1.0 / cooling.exposed_fraction
        yield Factor("exposed", BUILD, EVEN, *_share(table, "exposed"), 0.0, most)
    if scenario.pack.joint_mohm > 0.0 or scenario.pack.lead_mohm > 0.0:
        yield Factor("joints", BUILD, LOG, *_share(table, "joint"))
    if case.plant.box.kind != FREE_AIR:
        yield Factor("walls", BUILD, LOG, *_share(table, "wall"))


def _of_day(case: Case) -> Iterator[Factor]:
    table = case.scenario.odds
    said = "[odds]" if "air_K" in table.model_fields_set else ASSUMED
    yield Factor("air", DAY, SHIFT, table.air_K, said)
    if case.plant.box.kind != FREE_AIR and np.any(case.legs.sun_W + case.legs.sun_W_s > 0.0):
        yield Factor("sun", DAY, LOG, *_share(table, "sun"))
    yield Factor("load", DAY, LOG, *_share(table, "load"))


def _of_spread(case: Case) -> Iterator[Factor]:
    """Yield the worst of groups and cells: a group's mean scatters less by the root of its count.

    A cell of little resistance takes more of its group's current, so its heat scatters as
    resistance does; alone in its group it has its group's current, and is the group.
    """
    spread, pack = case.scenario.spread, case.plant.pack
    if spread is None:
        return
    groups, root = pack.series * pack.packs, np.sqrt(pack.parallel)
    found = {
        "weakest_capacity": (spread.capacity_percent / root, groups),
        "weakest_charge": (spread.charge_percent, groups),
        "weakest_resistance": (spread.resistance_percent / root, groups),
        "hottest_cell": (spread.resistance_percent if root > 1.0 else 0.0, cells(pack)),
    }
    for name, (percent, many) in found.items():
        if percent > 0.0:
            yield Factor(name, CELLS, WORST, float(percent) / 100.0, "[spread]", many=int(many))
