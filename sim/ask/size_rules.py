"""A first sizing by arithmetic that fits on an envelope, every figure with its unit.

Currents are taken at the lowest voltage of the pack, energy at its nominal voltage: the other way
round, both flatter.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

SLACK = 1e-9  # of rounding, before a count goes up by one
CHARGER_SHARE = 0.005  # assumed: how exactly a charger's end voltage meets a full pack's

# What a cell holds per litre of its own cylinder [Wh]: assumed from 18650 cells of 5 to 14 Wh, and
# wider; beyond the outer pair there is no such cell.
USUAL_WH_L = (200.0, 850.0)
POSSIBLE_WH_L = (20.0, 1500.0)
QUICK_C, SLOW_C = 2.0, 1.0 / 50.0  # assumed: mean rates beyond which a pack is an odd one
USUAL_WH_KM = (3.0, 400.0)  # assumed: from a light bicycle to a laden cart on soft ground
LIGHT_WH, LIGHT_WH_KM = 1000.0, 60.0  # assumed: nothing that runs on less than 1 kWh pulls so hard


def at_least(ratio: float) -> int:
    """Return the smallest whole number that is not below `ratio`, and 1 at least."""
    return max(1, math.ceil(ratio * (1.0 - SLACK)))


def figure(value: float) -> str:
    """Return three digits of a number, and all of a large one before its point."""
    return f"{value:.0f}" if abs(value) >= 100.0 else f"{value:.3g}"


@dataclass(frozen=True)
class Nominal:
    """What a layout is, at nominal voltage (never at the voltage of a full charge)."""

    cells: int
    voltage_V: float
    capacity_Ah: float
    energy_Wh: float


def nominal(
    series: int, parallel: int, packs: int, capacity_Ah: float, nominal_V: float
) -> Nominal:
    """Return count, voltage, capacity and energy of all packs."""
    pack_Ah = parallel * packs * capacity_Ah
    pack_V = series * nominal_V
    return Nominal(series * parallel * packs, pack_V, pack_Ah, pack_V * pack_Ah)


@dataclass(frozen=True)
class Weakest:
    """How much current one pack may give, and which of its elements says so."""

    current_A: float
    element: str
    all_A: dict[str, float]


def weakest(elements_A: Mapping[str, float | None]) -> Weakest:
    """Return the lowest of the limits that are given."""
    known = {name: value for name, value in elements_A.items() if value is not None}
    name = min(known, key=lambda key: known[key])
    return Weakest(known[name], name, known)


def parallel_for_energy(
    energy_Wh: float, reserve: float, series: int, packs: int, cell_Wh: float
) -> int:
    """Return the parallel count whose nominal energy above the reserve covers `energy_Wh`."""
    return at_least(energy_Wh / (series * packs * cell_Wh * (1.0 - reserve)))


def parallel_for_power(
    power_W: float, headroom: float, series: int, packs: int, lowest_cell_V: float, cell_A: float
) -> int:
    """Return the parallel count at which no cell passes `cell_A` at the lowest pack voltage."""
    pack_A = power_W / (series * packs * lowest_cell_V)
    return at_least(pack_A * headroom / cell_A)


def parallel_for_sag(
    power_W: float, series: int, packs: int, source_V: float, cell_ohm: float, lowest_cell_V: float
) -> int | None:
    """Return the count at which the cell's voltage stays at `lowest_cell_V` or above at a power.

    A cell behind R gives at most (E - V) / R at V, so V (E - V) / R of power; None where its rest
    voltage is below V already.
    """
    if source_V <= lowest_cell_V:
        return None
    if cell_ohm <= 0.0:
        return 1
    cell_W = lowest_cell_V * (source_V - lowest_cell_V) / cell_ohm
    return at_least(power_W / (series * packs * cell_W))


@dataclass(frozen=True)
class Home:
    """Whether what is left brings the vehicle home, energy and current each apart."""

    energy_margin_Wh: float
    current_margin_A: float
    limiting: str  # the weakest element of what carries the current
    ok_up_to_A: float

    @property
    def energy_ok(self) -> bool:
        """Whether the energy lasts."""
        return self.energy_margin_Wh >= 0.0

    @property
    def current_ok(self) -> bool:
        """Whether no element is asked for more than it may give."""
        return self.current_margin_A >= 0.0


def way_home(
    left_Wh: float, soc: float, reserve: float, home_Wh: float, current_A: float, limits: Weakest
) -> Home:
    """Return how the packs that are left fare: `left_Wh` is theirs when full, `limits` of them all.

    Energy margin = left (soc - reserve) - home; current margin = lowest limit - current.
    """
    return Home(
        energy_margin_Wh=left_Wh * (soc - reserve) - home_Wh,
        current_margin_A=limits.current_A - current_A,
        limiting=limits.element,
        ok_up_to_A=limits.current_A,
    )


def parallel_to_get_home(
    energy_Wh: float, home_share: float, reserve: float, series: int, packs: int, cell_Wh: float
) -> int:
    """Return the count at which a pack that drops out leaves enough to get home.

    It drops where `home_share` of the day's energy is still to come, after all packs gave the
    rest alike: (n - 1) E (1 - r - (1 - h) W / (n E)) = h W, solved for E, one pack's energy.
    """
    n, h = packs, home_share
    pack_Wh = energy_Wh * (h / (n - 1) + (1.0 - h) / n) / (1.0 - reserve)
    return at_least(pack_Wh / (series * cell_Wh))


@dataclass(frozen=True)
class Implied:
    """What a pack that was emptied in some time or over some way must have given."""

    energy_Wh: float
    mean_W: float | None
    mean_A: float | None
    cell_A: float | None
    c_rate: float | None
    wh_per_km: float | None


def implied(
    pack_V: float,
    pack_Ah: float,
    parallel: int,
    hours: float | None = None,
    distance_km: float | None = None,
) -> Implied:
    """Return the figures that stand behind "empty after so long, or so far"."""
    energy_Wh = pack_V * pack_Ah
    mean_W = None if hours is None else energy_Wh / hours
    mean_A = None if mean_W is None else mean_W / pack_V
    return Implied(
        energy_Wh=energy_Wh,
        mean_W=mean_W,
        mean_A=mean_A,
        cell_A=None if mean_A is None else mean_A / parallel,
        c_rate=None if mean_A is None else mean_A / pack_Ah,
        wh_per_km=None if distance_km is None else energy_Wh / distance_km,
    )


def doubts(found: Implied) -> list[str]:
    """Return a question for each figure that few vehicles would have, with the figure in it."""
    said = []
    if found.wh_per_km is not None:
        low, high = USUAL_WH_KM
        high = LIGHT_WH_KM if found.energy_Wh < LIGHT_WH else high
        pull_N = found.wh_per_km * 3.6
        if not low <= found.wh_per_km <= high:
            said.append(
                f"consumption: {figure(found.wh_per_km)} Wh/km, a steady pull of {figure(pull_N)} "
                f"N at the battery, where {low:g} to {high:g} Wh/km would be usual; are power (or "
                "the pack's capacity) and distance what was said?"
            )
    if found.c_rate is not None and found.mean_A is not None:
        lasts_min = 60.0 / found.c_rate
        if found.c_rate > QUICK_C:
            said.append(
                f"rate: {found.mean_A:.3g} A on the mean is {found.c_rate:.3g}C, empty in "
                f"{lasts_min:.0f} min; few packs without cooling are driven beyond {QUICK_C:g}C"
            )
        elif found.c_rate < SLOW_C:
            said.append(
                f"rate: {found.mean_A:.3g} A on the mean is {found.c_rate:.2g}C, full for "
                f"{lasts_min / 60.0:.0f} h; is the power in watts and the time in hours?"
            )
    return said


def energy_density_Wh_L(cell_Wh: float, diameter_mm: float, height_mm: float) -> float:
    """Return what a cell holds per litre of its cylinder."""
    return cell_Wh / (math.pi / 4.0 * diameter_mm**2 * height_mm * 1e-6)


def holds_too_much(cell_Wh: float, diameter_mm: float, height_mm: float) -> tuple[str, bool] | None:
    """Return what is odd about a cell's energy for its size, and whether no cell is like that."""
    found_Wh_L = energy_density_Wh_L(cell_Wh, diameter_mm, height_mm)
    low, high = USUAL_WH_L
    if low <= found_Wh_L <= high:
        return None
    usual = [bound * cell_Wh / found_Wh_L for bound in USUAL_WH_L]
    impossible = not POSSIBLE_WH_L[0] <= found_Wh_L <= POSSIBLE_WH_L[1]
    return (
        f"{cell_Wh:.4g} Wh in one cell of {diameter_mm:g} x {height_mm:g} mm, where "
        f"{usual[0]:.2g} to {usual[1]:.2g} Wh would be usual; Wh or kWh, Ah or mAh?",
        impossible,
    )


def layouts(cells: int, pack_V: float, low_V: float, high_V: float) -> list[tuple[int, int, float]]:
    """Return each (series, parallel, cell voltage) of a count whose cells lie within two voltages.

    Sorted by voltage, highest first: a full pack is more often measured than an empty one.
    """
    found = [
        (series, cells // series, pack_V / series)
        for series in range(1, cells + 1)
        if cells % series == 0 and low_V <= pack_V / series <= high_V
    ]
    return sorted(found, key=lambda layout: -layout[2])


@dataclass(frozen=True)
class Fit:
    """One series count against the window; `why_not` is None where it fits.

    `cutoff_V` is the cell voltage at which the run ends: the cell's own cut-off, or where the
    controller switches off, whichever is higher.
    """

    series: int
    full_V: float  # of the pack
    cutoff_V: float  # of a cell
    why_not: str | None


def series_fit(
    series: int,
    cell_full_V: float,
    cell_cutoff_V: float,
    cell_low_V: float,
    controller_V: tuple[float | None, float | None],
    charger_V: float | None,
) -> Fit:
    """Return whether a series count stays in the window full, and empty down to the reserve.

    `cell_low_V` is what a cell still has at the reserve at rest: no parallel count gives more.
    """
    full_V, (low_V, high_V) = series * cell_full_V, controller_V
    cutoff_V = cell_cutoff_V if low_V is None else max(cell_cutoff_V, low_V / series)
    why = None
    if high_V is not None and full_V > high_V * (1.0 + SLACK):
        why = f"full at {full_V:.1f} V, above the controller's {high_V:g} V"
    elif low_V is not None and series * cell_low_V <= low_V:
        why = (
            f"{series * cell_low_V:.1f} V at the reserve, at rest, not above the controller's "
            f"{low_V:g} V"
        )
    elif charger_V is not None and full_V < charger_V * (1.0 - CHARGER_SHARE):
        why = f"full at {full_V:.1f} V; a charger of {charger_V:g} V would overcharge it"
    elif charger_V is not None and full_V > charger_V * (1.0 + CHARGER_SHARE):
        why = f"full at {full_V:.1f} V; a charger of {charger_V:g} V never fills it"
    return Fit(series, full_V, cutoff_V, why)


def windows_that_fit(cells: Sequence[int], cell_full_V: float, cell_low_V: float) -> str:
    """Return the controller's window that each series count would need, in words."""
    return "; ".join(
        f"{n} in series needs a controller that works from {n * cell_low_V:.1f} V or less up to "
        f"{n * cell_full_V:.1f} V"
        for n in cells
    )


@dataclass(frozen=True)
class Speed:
    """One row of a table of range against speed."""

    speed_km_h: float
    power_W: float
    hours: float
    range_km: float


def range_against_speed(
    usable_Wh: float, speeds_km_h: Sequence[float], powers_W: Sequence[float]
) -> list[Speed]:
    """Return how long and how far the usable energy goes at each speed."""
    return [
        Speed(speed, power, usable_Wh / power, speed * usable_Wh / power)
        for speed, power in zip(speeds_km_h, powers_W, strict=True)
    ]
