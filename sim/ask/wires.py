"""From a conductor's table to its resistance, and how warm the day makes it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from sim.errors import InputError
from sim.files.unsure import FILM_UNCERTAINTY
from sim.files.wiring_schema import ConductorTable, Derated
from sim.judge.series import Series
from sim.physics.conductor import (
    HOTTEST_TOLD_K,
    METALS,
    Metal,
    Warmth,
    Wire,
    circle_m2,
    ends_W_mK,
    gauge_m,
    lasting_current_A,
    ohm_m,
    steady_K,
    through_insulation_mK_W,
    warmth,
)
from sim.physics.sliding import Lines, lines_of, worst_rms
from sim.units import MILLI, SECONDS_PER_HOUR, ZERO_C_K

WINDOWS_S = (10.0, 60.0, 600.0, 3600.0)  # and the whole day
LASTING_S = 600.0  # whose worst rms stands for a lasting current
# IEC 60949 table II, the worst of the plastics: PVC 5.0, EPR 3.5 to 5.0, XLPE 3.5 K m / W.
SLEEVE_KM_W = 5.0
BARE, SLEEVED = 0.1, 0.9  # emissivity of clean metal and of plastic: from memory
# Strands run 2 to 5 % above a solid wire of their gauge. A cable sold by mm2 may have more still:
# IEC 60228 allows up to 7.5 % above rho / A for solid ones and 16 % for flexible ones.
STRANDED = 1.05
LEGAL_SOLID, LEGAL_STRANDED = 1.075, 1.16
# Of a joint by its resistance alone: its metal is not known, so it rises like copper, and where no
# heat capacity is given it follows the current at once.
JOINT_PER_K, JOINT_J_K = 0.0039, 0.1

HOLDS, MAY, FAILS, UNKNOWN = "holds", "may", "fails", "unknown"


@dataclass(frozen=True)
class Day:
    """What the wiring sees of a run: one pack's current, and what is about it [K]."""

    pack_A: Lines
    box_K: Lines
    ambient_K: Lines
    cells_K: Lines  # the surface of the cells
    parallel: int
    packs: int
    # Of packs as built, whose cells and packs share unevenly: the most worked cell's, all packs'.
    cell_A: Lines | None = None
    bus_A: Lines | None = None

    def air_K(self, where: str) -> Lines:
        """Return the temperature about what lies in the box or outside."""
        return self.box_K if where == "box" else self.ambient_K

    def about_K(self, table: ConductorTable) -> Lines:
        """Return the temperature about a conductor; on cells, theirs where they are warmer."""
        air = self.air_K(table.where)
        if not on_cells(table):
            return air
        begin = np.maximum(air.begin, self.cells_K.begin)
        return Lines(air.edge_s, begin, np.maximum(air.end, self.cells_K.end))

    def share(self, table: ConductorTable) -> float:
        """Return the share of one pack's current that a conductor carries.

        Of packs as built the share of the most worked: what it carries at most over the most that
        a pack carries.
        """
        own, most_A = self._own(table), greatest(self.pack_A)
        if own is not None and most_A > 0.0:
            return greatest(own) / most_A
        if table.carries == "all_packs":
            return float(self.packs)
        if table.carries == "pack":
            return 1.0
        return (1 if table.cells is None else table.cells) / self.parallel

    def current_A(self, table: ConductorTable) -> Lines:
        """Return a conductor's current."""
        own = self._own(table)
        if own is not None:
            return own
        share = self.share(table)
        return Lines(self.pack_A.edge_s, self.pack_A.begin * share, self.pack_A.end * share)

    def _own(self, table: ConductorTable) -> Lines | None:
        """Return the current of a conductor that packs as built have a curve of their own for."""
        if table.carries == "all_packs":
            return self.bus_A
        count = 1 if table.cells is None else table.cells
        if table.carries == "pack" or self.cell_A is None or count >= self.parallel:
            return None  # the pack's, or all of its cells'
        return Lines(self.cell_A.edge_s, self.cell_A.begin * count, self.cell_A.end * count)


def on_cells(table: ConductorTable) -> bool:
    """Return whether a conductor is fixed to cells, and so no cooler than they let it be."""
    return table.carries in ("cell", "cells")


def day_of(seen: Series, parallel: int, packs: int) -> Day:
    """Return what the wiring sees of a run; raises ArithmeticError where the run has no length."""

    def kelvin(celsius: np.ndarray) -> Lines:
        return lines_of(seen.time_s, celsius + ZERO_C_K)

    return Day(
        lines_of(seen.time_s, seen.pack_current_A),
        kelvin(seen.box_C),
        kelvin(seen.ambient_C),
        kelvin(seen.surface_C),
        parallel,
        packs,
    )


@dataclass(frozen=True)
class Conductor:
    """One [[conductor]] over the day; of one piece, but where the name says all.

    None where it can't be known: temperatures of a joint without conductance_W_K, the limit where
    no insulation_max_C is given, `cool_end_C` but for links whose ends cells may cool.
    """

    table: ConductorTable
    share: float
    area_mm2: float | None
    mohm: float  # at 20 C
    peak_A: float
    rms_A: dict[float, float]  # by the window's seconds; the whole day under 0
    volt: float  # at the peak, as hot as the day makes it
    watt: float  # likewise
    all_watt: float  # of all pieces in all packs, likewise
    all_volt: float  # missing at a pack's terminals by all pieces
    energy_Wh: float  # of all pieces over the day
    air_C: float  # hottest about it, of the air or the cells it is fixed to
    steady_C: float | None  # at the worst ten minutes' rms for ever; infinite where none is
    hottest_C: float | None  # along the actual current
    hottest_s: float | None
    hot_end_C: float | None  # with every guess at its hotter end
    cool_end_C: float | None  # with the cells taking what they can through its ends
    limit_C: float | None
    answer: str
    warmth: Warmth | None

    @property
    def margin_K(self) -> float | None:
        """Return how far the hottest stays below the limit."""
        if self.limit_C is None or self.hottest_C is None:
            return None
        return self.limit_C - self.hottest_C


def metal_of(table: ConductorTable) -> Metal | None:
    """Return a conductor's metal; None of a joint."""
    return None if table.material is None else METALS[table.material]


def size_m(table: ConductorTable) -> tuple[float, float]:
    """Return the area [m2] and the diameter of a round bar with the same outline [m]."""
    if table.gauge_AWG is not None:
        diameter_m = gauge_m(table.gauge_AWG)
        return circle_m2(diameter_m), diameter_m
    if table.area_mm2 is not None:
        area_m2 = table.area_mm2 * 1e-6
        return area_m2, math.sqrt(4.0 * area_m2 / math.pi)
    assert table.thickness_mm is not None and table.width_mm is not None
    thickness_mm = table.thickness_mm * table.layers
    outline_mm = 2.0 * (thickness_mm + table.width_mm)
    return thickness_mm * table.width_mm * 1e-6, outline_mm / math.pi * MILLI


def piece_ohm(table: ConductorTable) -> float:
    """Return the resistance of one piece at 20 C [ohm]."""
    if table.resistance_mohm is not None:
        return table.resistance_mohm * MILLI
    metal = metal_of(table)
    assert metal is not None and table.length_mm is not None
    strands = STRANDED if table.stranded else 1.0
    return metal.resistivity_ohm_m * strands * table.length_mm * MILLI / size_m(table)[0]


def wire_of(table: ConductorTable, *, bad_end: bool = False, by_ends: bool = False) -> Wire | None:
    """Return a conductor as its temperature sees it; None for a joint of unknown cooling.

    `bad_end`: resistance and still air at the hotter end of what is not known. `by_ends`: the
    cells take through both ends what the metal conducts.
    """
    draught = 1.0 - FILM_UNCERTAINTY if bad_end else 1.0
    if table.resistance_mohm is not None:
        if table.conductance_W_K is None:
            return None
        heat_J_K = JOINT_J_K if table.heat_capacity_J_K is None else table.heat_capacity_J_K
        fixed_W_K = table.conductance_W_K * draught
        ohm = table.resistance_mohm * MILLI
        return Wire(ohm, JOINT_PER_K, heat_J_K, 1.0, 1.0, 0.0, 0.0, 1.0, fixed_W_K, 0.0)
    metal = metal_of(table)
    assert metal is not None and table.length_mm is not None
    length_m = table.length_mm * MILLI
    area_m2, bare_m = size_m(table)
    ohm_per_m = piece_ohm(table) / length_m * (_worse(table, metal) if bad_end else 1.0)
    outer_m = bare_m + 2.0 * table.insulation_mm * MILLI
    usual = SLEEVED if table.insulation_mm > 0.0 else BARE
    return Wire(
        ohm_m=ohm_per_m,
        per_K=metal.per_K,
        heat_J_mK=metal.heat_J_m3K * area_m2,
        outer_m=outer_m,
        exposed=table.exposed_fraction,
        across_mK_W=through_insulation_mK_W(bare_m, outer_m, SLEEVE_KM_W),
        emissivity=usual if table.emissivity is None else table.emissivity,
        draught=draught,
        fixed_W_mK=-1.0,
        ends_W_mK=ends_W_mK(metal, area_m2, length_m) if by_ends else 0.0,
    )


def _worse(table: ConductorTable, metal: Metal) -> float:
    """Return by how much resistance may be above what is reckoned with."""
    legal = 1.0
    if table.area_mm2 is not None:
        legal = LEGAL_STRANDED / STRANDED if table.stranded else LEGAL_SOLID
    return legal * (1.0 + metal.uncertainty)


def warmth_of(table: ConductorTable, wire: Wire, day: Day) -> Warmth:
    """Return how warm a conductor gets over the day; by its ends too, where these lead anywhere."""
    current = day.current_A(table)
    air = day.air_K(table.where) if wire.ends_W_mK > 0.0 else day.about_K(table)
    return warmth(
        wire,
        current.edge_s,
        (current.begin, current.end),
        (air.begin, air.end),
        (day.cells_K.begin, day.cells_K.end),
    )


def steady_C(wire: Wire, current_A: float, air_C: float, ends_C: float) -> float:
    """Return the lasting temperature [C]; infinite where the metal would melt first."""
    return float(steady_K(wire, current_A, air_C + ZERO_C_K, ends_C + ZERO_C_K)) - ZERO_C_K


def lasting_limit_A(found: Conductor) -> float | None:
    """Return the current that a conductor bears for good in the hottest air; None where not known.

    The cells take what they can through the ends of their links.
    """
    is_link = found.table.carries == "cell" and found.table.material is not None
    wire = wire_of(found.table, by_ends=is_link)
    if wire is None or found.limit_C is None:
        return None
    air_K = found.air_C + ZERO_C_K
    return float(lasting_current_A(wire, found.limit_C + ZERO_C_K, air_K, air_K))


def greatest(lines: Lines) -> float:
    """Return the greatest magnitude along straight lines."""
    return float(max(np.max(np.abs(lines.begin)), np.max(np.abs(lines.end))))


def hottest_air_C(day: Day, where: str) -> float:
    """Return the hottest that it gets in the box or outside."""
    return greatest(day.air_K(where)) - ZERO_C_K


def windows_A(current: Lines) -> dict[float, float]:
    """Return the worst rms over each of `WINDOWS_S` that fits the day, and the whole day's as 0."""
    whole_s = float(current.edge_s[-1] - current.edge_s[0])
    found = {w: worst_rms(current, w)[0] for w in WINDOWS_S if w < whole_s}
    return {**found, 0.0: worst_rms(current, whole_s)[0]}


def lasting_A(current: Lines, window_s: float = LASTING_S) -> float:
    """Return the worst rms over `window_s`, or over the whole of a shorter day."""
    return worst_rms(current, window_s)[0]


def derated(table: Derated, rating: float, rated_at_C: float, at_C: float) -> float:
    """Return a rating at another temperature, straight lines between the table's factors.

    No credit for the cold. Raises InputError beyond the table.
    """
    knots_C, factors = [rated_at_C, *table.factor_C], [1.0, *table.factor]
    if at_C > knots_C[-1]:
        raise InputError(
            f"{at_C:.1f} C is beyond the table of factors, which ends at {knots_C[-1]:g} C"
        )
    return rating * float(np.interp(at_C, knots_C, factors))


def judged(limit_C: float | None, low_C: float | None, high_C: float | None) -> str:
    """Return whether the limit is kept: surely, perhaps, or not even at the cooler end."""
    if limit_C is None or low_C is None or high_C is None:
        return UNKNOWN
    if low_C > limit_C:
        return FAILS
    return HOLDS if high_C <= limit_C else MAY


def conductor_of(table: ConductorTable, day: Day) -> Conductor:
    """Return what the day makes of one conductor."""
    current, air_C = day.current_A(table), greatest(day.about_K(table)) - ZERO_C_K
    wire, peak_A, rms_A = wire_of(table), greatest(current), windows_A(current)
    lasting = lasting_A(current)
    area_mm2 = None if table.material is None else size_m(table)[0] * 1e6
    found: Warmth | None = None
    hottest_C = hot_end_C = cool_end_C = lasting_C = None
    if wire is not None:
        found = warmth_of(table, wire, day)
        worse = wire_of(table, bad_end=True)
        assert worse is not None
        hottest_C = found.hottest_K - ZERO_C_K
        # Where the air warms a wire, less still air is no hotter end.
        hot_end_C = max(hottest_C, warmth_of(table, worse, day).hottest_K - ZERO_C_K)
        lasting_C = steady_C(wire, lasting, air_C, air_C)
        if table.carries == "cell" and table.material is not None:
            cooled = wire_of(table, by_ends=True)
            assert cooled is not None
            cool_end_C = warmth_of(table, cooled, day).hottest_K - ZERO_C_K
    low_C = hottest_C if cool_end_C is None else min(cool_end_C, hottest_C or cool_end_C)
    ohm = _hot_ohm(table, wire, hottest_C)
    per_pack = table.count / (day.packs if table.carries == "all_packs" else 1)
    pieces = per_pack * day.packs
    watt = peak_A * peak_A * ohm
    pack_peak_A = peak_A / day.share(table)
    return Conductor(
        table=table,
        share=day.share(table),
        area_mm2=area_mm2,
        mohm=piece_ohm(table) / MILLI,
        peak_A=peak_A,
        rms_A=rms_A,
        volt=peak_A * ohm,
        watt=watt,
        all_watt=watt * pieces,
        all_volt=watt * per_pack / pack_peak_A if pack_peak_A > 0.0 else 0.0,
        energy_Wh=_energy_J(table, current, found) * pieces / SECONDS_PER_HOUR,
        air_C=air_C,
        steady_C=lasting_C,
        hottest_C=hottest_C,
        hottest_s=None if found is None else found.time_s,
        hot_end_C=hot_end_C,
        cool_end_C=cool_end_C,
        limit_C=table.insulation_max_C,
        answer=judged(table.insulation_max_C, low_C, hot_end_C),
        warmth=found,
    )


def _hot_ohm(table: ConductorTable, wire: Wire | None, hottest_C: float | None) -> float:
    """Return the resistance of one piece as hot as the day makes it; at 20 C where not known.

    At no more than 300 C: beyond it the temperature is no more than a word for too hot.
    """
    if wire is None or hottest_C is None:
        return piece_ohm(table)
    length_m = 1.0 if table.length_mm is None else table.length_mm * MILLI
    return float(ohm_m(wire, min(hottest_C + ZERO_C_K, HOTTEST_TOLD_K))) * length_m


def _energy_J(table: ConductorTable, current: Lines, found: Warmth | None) -> float:
    """Return the heat of one piece over the day."""
    if found is not None:
        return found.heat_J_m * (1.0 if table.length_mm is None else table.length_mm * MILLI)
    whole_s = float(current.edge_s[-1] - current.edge_s[0])
    return piece_ohm(table) * worst_rms(current, whole_s)[0] ** 2 * whole_s
