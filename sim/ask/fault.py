"""What a short circuit does: how much current flows, what the fuse, the cable and the links do."""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass

import numpy as np

from sim.ask.wires import (
    FAILS,
    HOLDS,
    MAY,
    Conductor,
    metal_of,
    steady_C,
    wire_of,
)
from sim.files.case import Case
from sim.files.wiring_schema import FuseTable
from sim.judge.series import Series
from sim.physics.cell import DISCHARGE, layer, open_circuit, pair
from sim.physics.conductor import adiabatic_end_C, adiabatic_k
from sim.physics.fuse import Curve, clear_curve, hold_curve, opens_after_s
from sim.units import MILLI, ZERO_C_K

# IEC 60724: PVC of thin cables bears 160 C for a short circuit's few seconds. Taken of anything
# whose fault_max_C is not given; what may be hotter for good, may be so in a fault.
FAULT_C = 160.0
A_KELVIN_K = 1.0  # so near its melting point a link melts too
# Assumed: of neighbours with unlike cells, links and ways to the fault one may carry so much more
# than its share. Links are called selective only if it still outlives the melting.
UNEVEN = 1.2
SLOW_MELT_S = 1.0  # assumed: a link that takes longer hangs on what the shorted cell does meanwhile


@dataclass(frozen=True)
class Prospective:
    """Currents of a dead short behind one pack's leads [A], and what they come from."""

    greatest_A: float  # full, hottest, before the pairs fill
    least_A: float  # as empty and cold as the day makes it, pairs full, all listed wiring in
    full_V: float
    greatest_ohm: float
    least_ohm: float


def pack_ohm(case: Case, soc: float, core_K: float, *, pairs: bool) -> float:
    """Return one pack's resistance with joints and leads [ohm]."""
    cell, pack = case.plant.cell, case.plant.pack
    cell_ohm = float(layer(cell, soc, core_K, DISCHARGE))
    if pairs:
        cell_ohm += sum(float(pair(cell, soc, core_K, k)[0]) for k in range(len(cell.pairs)))
    return (cell_ohm + pack.joint_ohm) * pack.series / pack.parallel + pack.lead_ohm


def full_cell_V(case: Case) -> float:
    """Return the voltage of a full cell: its limit on charge, or what it rests at."""
    limit_V = case.limits.full_V
    if math.isfinite(limit_V):
        return limit_V
    return float(case.profile.open_circuit.voltage_V[-1])


def prospective(case: Case, seen: Series, listed_ohm: float) -> Prospective:
    """Return the short-circuit currents of one pack at either end of what the day can make them.

    `listed_ohm` is the wiring's own resistance in the pack's path, in the place of [pack] joints
    and leads where it is more.
    """
    pack = case.plant.pack
    full_V = full_cell_V(case) * pack.series
    hot_K, cold_K = float(seen.core_C.max()) + ZERO_C_K, float(seen.core_C.min()) + ZERO_C_K
    stiff_ohm = pack_ohm(case, 1.0, hot_K, pairs=False)
    empty = max(float(seen.soc.min()), 0.0)
    soft_V = float(open_circuit(case.plant.cell, empty, cold_K)[0]) * pack.series
    given_ohm = pack.joint_ohm * pack.series / pack.parallel + pack.lead_ohm
    soft_ohm = pack_ohm(case, empty, cold_K, pairs=True) + max(listed_ohm - given_ohm, 0.0)
    return Prospective(full_V / stiff_ohm, soft_V / soft_ohm, full_V, stiff_ohm, soft_ohm)


@dataclass(frozen=True)
class Withstand:
    """What becomes of one conductor from a short until the fuse has cleared it."""

    conductor: Conductor
    current_A: float  # of the worse end of the range
    clear_s: float  # at the latest
    end_C: float  # if no heat leaves
    limit_C: float
    used: float  # I^2 t / k^2 S^2
    answer: str


def fault_limit_C(found: Conductor) -> float:
    """Return what a conductor's insulation bears for the seconds of a short."""
    if found.table.fault_max_C is not None:
        return found.table.fault_max_C
    return max(FAULT_C, found.table.insulation_max_C or 0.0)


def withstands(found: Conductor, range_A: tuple[float, float], fuse: FuseTable) -> Withstand | None:
    """Return whether a conductor outlives a short behind it; None where it can't be reckoned.

    Adiabatic, I^2 t against k^2 S^2, from the hottest of the day, at both ends of the range of
    currents: a smaller one that the fuse clears late can do more harm.
    """
    metal, area_mm2, start_C = metal_of(found.table), found.area_mm2, found.hottest_C
    if metal is None or area_mm2 is None or start_C is None or not fuse.ratio:
        return None
    hold, clear = curves(fuse)
    limit_C = fault_limit_C(found)
    area_m2 = area_mm2 * 1e-6
    bears_A2s = (adiabatic_k(metal, start_C, limit_C) * area_m2) ** 2
    worst: Withstand | None = None
    for pack_A in _looks_A(range_A, fuse):
        current_A, ratio = pack_A * found.share, np.array([pack_A / fuse.rating_A])
        clear_s = float(opens_after_s(clear, ratio)[0])
        late_A2s = current_A**2 * clear_s
        early_A2s = current_A**2 * float(opens_after_s(hold, ratio)[0])
        answer = HOLDS if late_A2s <= bears_A2s else FAILS if early_A2s > bears_A2s else MAY
        end_C = adiabatic_end_C(metal, start_C, late_A2s / area_m2**2)
        used = late_A2s / bears_A2s if bears_A2s > 0.0 else math.inf
        one = Withstand(found, current_A, clear_s, end_C, limit_C, used, answer)
        worst = one if worst is None or used > worst.used else worst
    return worst


def _looks_A(range_A: tuple[float, float], fuse: FuseTable) -> list[float]:
    """Return both ends of a range of currents, and the points of the fuse's table between them."""
    low_A, high_A = sorted(range_A)
    points_A = [ratio * fuse.rating_A for ratio in fuse.ratio]
    return [low_A, *(point_A for point_A in points_A if low_A < point_A < high_A), high_A]


def curves(fuse: FuseTable) -> tuple[Curve, Curve]:
    """Return the curves of holding and of clearing."""
    ratio = np.array(fuse.ratio)
    return hold_curve(ratio, np.array(fuse.hold_s)), clear_curve(ratio, np.array(fuse.clear_s))


@dataclass(frozen=True)
class LinkFault:
    """One cell of a group shorted inside, its neighbours feeding it through their links."""

    conductor: Conductor
    cell_V: float
    fault_A: float
    healthy_A: float
    ratio: int  # how many healthy neighbours there are
    melts_s: float  # the shorted cell's link, at the earliest; infinite where it never does
    healthy_C: float  # the neighbours' links by then, if no heat leaves
    uneven_C: float  # the same of one that carries `UNEVEN` times its share
    limit_C: float
    answer: str


def link_currents_A(
    cell_V: float, cell_ohm: float, link_ohm: float, short_ohm: float, parallel: int
) -> tuple[float, float]:
    """Return the current through a shorted cell's link and through each healthy neighbour's.

    n = parallel - 1 branches of cell and link in parallel feed short and link: I = V / (r/n + s).
    Each healthy one carries I/n, whatever the resistances. Nothing flows where there is no
    neighbour.
    """
    n = parallel - 1
    if n == 0:
        return 0.0, 0.0
    fault_A = cell_V / ((cell_ohm + link_ohm) / n + short_ohm + link_ohm)
    return fault_A, fault_A / n


def link_fault(case: Case, found: Conductor, seen: Series, link_ohm: float) -> LinkFault | None:
    """Return what a shorted cell does to the links of its group; None of anything but a link.

    `link_ohm` is all that stands between a cell and its group.
    """
    metal, area_mm2, start_C = metal_of(found.table), found.area_mm2, found.hottest_C
    if found.table.carries != "cell" or metal is None or area_mm2 is None or start_C is None:
        return None
    hot_K = float(seen.core_C.max()) + ZERO_C_K
    cell_V, parallel = full_cell_V(case), case.plant.pack.parallel
    fault_A, healthy_A = link_currents_A(
        cell_V,
        float(layer(case.plant.cell, 1.0, hot_K, DISCHARGE)),
        link_ohm,
        case.scenario.wiring.internal_short_mohm * MILLI,
        parallel,
    )
    limit_C, area_m2 = fault_limit_C(found), area_mm2 * 1e-6
    cooled = wire_of(found.table, by_ends=True)
    assert cooled is not None
    melts_s, healthy_C, uneven_C = math.inf, start_C, start_C
    if steady_C(cooled, fault_A, found.air_C, found.air_C) > metal.melts_C:
        melts_s = (adiabatic_k(metal, start_C, metal.melts_C) * area_m2 / fault_A) ** 2
        square_A2s_m4 = healthy_A**2 * melts_s / area_m2**2
        healthy_C = adiabatic_end_C(metal, start_C, square_A2s_m4)
        uneven_C = adiabatic_end_C(metal, start_C, UNEVEN**2 * square_A2s_m4)
    if not math.isfinite(melts_s) or healthy_C > metal.melts_C - A_KELVIN_K:
        answer = FAILS
    else:
        answer = HOLDS if uneven_C <= limit_C and melts_s <= SLOW_MELT_S else MAY
    return LinkFault(
        found, cell_V, fault_A, healthy_A, parallel - 1, melts_s, healthy_C, uneven_C, limit_C,
        answer,
    )  # fmt: skip


@dataclass(frozen=True)
class CellLost:
    """One cell of a group open: the others of its group carry its share."""

    current_ratio: float
    heat_ratio: float
    peak_A: float  # of each that is left
    limit_A: float
    answer: str


def cell_lost(parallel: int, peak_A: float, limit_A: float) -> CellLost | None:
    """Return what one open cell link does to the rest of its group; None where no rest is."""
    if parallel < 2:
        return None
    ratio = parallel / (parallel - 1)
    lost_A = peak_A * ratio
    return CellLost(ratio, ratio * ratio, lost_A, limit_A, HOLDS if lost_A <= limit_A else MAY)


OK, LOW, OPEN_JOINT = "ok", "low", "open joint"
ALIKE = 0.05  # assumed: parallel legs at rest stand this near each other


def leg_answers(legs_V: list[float], least_V: float) -> list[str]:
    """Return of each of several parallel legs, all measured at once, what its voltage says.

    A leg near the middle of all is fine. One at half or less of `least_V`, what an empty pack still
    has, is no empty pack: its joint is open. Between the two it can't be told. Common practice, no
    source.
    """
    middle_V = statistics.median(legs_V) if legs_V else 0.0
    found = []
    for leg_V in legs_V:
        if leg_V >= middle_V * (1.0 - ALIKE):
            found.append(OK)
        else:
            found.append(OPEN_JOINT if leg_V <= 0.5 * least_V else LOW)
    return found
