"""One series count: what each requirement asks for side by side, and what that pack is."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, TypeVar

from sim.ask.axes import PARALLEL, Changes
from sim.ask.candidates import Base, Row, run_one
from sim.ask.size_day import Day, day_of, in_frost, scenario_of
from sim.ask.size_home import ON_THE_WAY_HOME, homeward
from sim.ask.size_rules import (
    SLACK,
    Fit,
    Home,
    Nominal,
    Weakest,
    figure,
    nominal,
    parallel_for_energy,
    parallel_for_power,
    parallel_for_sag,
    parallel_to_get_home,
    way_home,
    weakest,
)
from sim.files.case import Case, assemble
from sim.files.size_schema import SizeTable
from sim.judge.verdict import EVENTS
from sim.physics.cell import DISCHARGE, layer, open_circuit, pair
from sim.physics.limits import NAMES, UNITS

Found = TypeVar("Found")
MOST_PARALLEL = 500
# Requirements that the day itself answers, and the limits that speak for each.
ON_THE_DAY = {
    "peak": ("cutoff", "cell_discharge", "beyond_reach"),
    "heat": ("hot", "beyond_model"),
}
EVERY_LIMIT = tuple(NAMES)
CHARGE = ("reserve", "empty")
CONTINUOUS = "continuous current"
MOST_AH = 500.0  # of a cell, as its profile may say it
DISTRUSTED = "distrusted"  # stands beside the limits where a run can't be believed
NOT_THE_CELLS = "pack_current"
FROST = "frost ({:g} C)"


@dataclass(frozen=True)
class Asked:
    """One requirement: the parallel count it asks for, None where none will do, and why."""

    name: str
    parallel: int | None
    why: str
    by_hand: int | None = None  # the envelope's count, where the day itself decides


@dataclass(frozen=True)
class Layout:
    """One series count with all that it asks for. `parallel` is None where nothing will do."""

    fit: Fit
    content: dict[str, Any]
    asked: tuple[Asked, ...]
    parallel: int | None
    decides: str | None
    what: Nominal | None
    mass_kg: float | None
    cost: float | None
    home: Home | None
    problems: tuple[str, ...]
    homes: Mapping[int, dict[str, float]] = field(default_factory=dict)  # margins by count

    @property
    def good(self) -> bool:
        """Whether this layout can be built as asked."""
        return self.parallel is not None and not self.problems


def nominal_cell_V(case: Case) -> float:
    """Return the profile's nominal voltage, or else its rest voltage at half charge."""
    if case.profile.nominal_V is not None:
        return case.profile.nominal_V
    return float(open_circuit(case.plant.cell, 0.5, case.plant.cell.reference_K)[0])


def _elements(table: SizeTable) -> dict[str, float | None]:
    pack = table.pack
    return {"board": pack.board_max_A, "lead": pack.lead_max_A, "fuse": pack.fuse_A}


def layout_of(table: SizeTable, path: Path, fit: Fit, executor: Executor) -> Layout:
    """Return everything that one series count asks for."""
    content = scenario_of(table, path, fit.series, 1, fit.cutoff_V)
    case = assemble(content, path)
    cell_V = nominal_cell_V(case)
    day = day_of(case, table, fit.series * cell_V)
    by_hand = _by_hand(table, case, day, fit, cell_V)
    most = min(MOST_PARALLEL, 2 * max(asked.parallel or 1 for asked in by_hand.values()) + 8)
    counts = range(1, most + 1)
    base = _gone_on(content, path)
    hot = _rows(base, run_one, counts, executor)
    energy = _on_the_day("energy", CHARGE, _margins(hot), by_hand["energy"])
    # What is too small to last the day is given charge enough, so that the other requirements
    # speak for themselves and not for cells drained past empty.
    small = range(1, energy.parallel or most + 1)
    hot |= _rows(base, run_one, small, executor, charge_for=energy.parallel or most + 1)
    found = _margins(hot)
    asked = [energy]
    asked += [_on_the_day(n, limits, found, by_hand.get(n)) for n, limits in ON_THE_DAY.items()]
    asked.append(by_hand[CONTINUOUS])
    homes: dict[int, dict[str, float]] = {}
    if table.pack.packs > 1:
        for_home, homes = _way_home(base, table.need.home_share, counts, by_hand, executor)
        asked += for_home
    if table.cold_C is not None:
        frost, name = _gone_on(in_frost(content, table.cold_C), path), FROST.format(table.cold_C)
        limits = tuple(name for name in EVERY_LIMIT if name != NOT_THE_CELLS)
        cold = _margins(_rows(frost, run_one, counts, executor))
        asked.append(_on_the_day(name, limits, cold, None))
        if table.pack.packs > 1:
            out = _rows(frost, homeward(table.need.home_share), counts, executor)
            asked.append(_on_the_day(f"one out, {name}", limits, out, None))
    wanted = [one.parallel for one in asked]
    parallel = None if None in wanted else max(count for count in wanted if count is not None)
    decides = next((one.name for one in asked if one.parallel == parallel), None)
    at_hand = table.pack.parallel
    if parallel is not None and at_hand is not None and at_hand > parallel:
        parallel = at_hand  # it is there already
    return described(table, case, day, fit, content, tuple(asked), parallel, decides, homes)


def _by_hand(table: SizeTable, case: Case, day: Day, fit: Fit, cell_V: float) -> dict[str, Asked]:
    """Return what arithmetic asks for, by requirement."""
    need, packs, n = table.need, table.pack.packs, fit.series
    reserve, cell_Wh = need.reserve_percent / 100.0, case.profile.capacity_Ah * cell_V
    cell_A, lowest_V = case.limits.cell_discharge_A, n * fit.cutoff_V
    source_V, cell_ohm = _emptiest(case, reserve)
    continuous_A = day.amperes(day.continuous_W, lowest_V) / packs
    peak_A = day.amperes(day.peak_W, lowest_V) / packs
    continuous_W, peak_W = (ampere * packs * lowest_V for ampere in (continuous_A, peak_A))
    by_current = parallel_for_power(peak_W, 1.0, n, packs, fit.cutoff_V, cell_A)
    by_sag = parallel_for_sag(peak_W, n, packs, source_V, cell_ohm, fit.cutoff_V)
    # What is held as a current is told as one; a power, as what it is when the volts are lowest.
    held = [f"{day.continuous_W:.0f} W is ", f"{day.peak_W:.0f} W is "]
    held = held if day.current_at_V is None else ["", ""]
    volts = "" if day.current_at_V is not None else f" at {lowest_V:.1f} V"
    found = [
        Asked(
            "energy",
            parallel_for_energy(day.energy_Wh, reserve, n, packs, cell_Wh),
            f"{day.energy_Wh:.0f} Wh of the day, {100 * reserve:g} % reserve, "
            f"{cell_Wh:.2f} Wh nominal a cell",
        ),
        Asked(
            "peak",
            None if by_sag is None else max(by_current, by_sag),
            f"{held[1]}{peak_A:.1f} A a pack{volts}",
        ),
        Asked(
            CONTINUOUS,
            parallel_for_power(continuous_W, need.current_headroom, n, packs, fit.cutoff_V, cell_A),
            f"{held[0]}{continuous_A:.1f} A a pack{volts}, times {need.current_headroom:g}, over "
            f"{cell_A:g} A a cell",
        ),
    ]
    if packs > 1:
        home_Wh, left = need.home_share * day.energy_Wh, packs - 1
        found += [
            Asked(
                "one pack out, energy",
                parallel_to_get_home(day.energy_Wh, need.home_share, reserve, n, packs, cell_Wh),
                f"{home_Wh:.0f} Wh still to go when a pack drops out",
            ),
            Asked(
                "one pack out, current",
                parallel_for_power(continuous_W, 1.0, n, left, fit.cutoff_V, cell_A),
                f"{continuous_A * packs / left:.1f} A for each that is left",
            ),
        ]
    return {one.name: one for one in found}


def _emptiest(case: Case, reserve: float) -> tuple[float, float]:
    """Return a cell's rest voltage [V] and whole resistance [ohm] at the reserve, coldest."""
    coldest_K = float(case.weather.ambient_K.min())
    cell = case.plant.cell
    slow_ohm = sum(float(pair(cell, reserve, coldest_K, k)[0]) for k in range(len(cell.pairs)))
    ohm = float(layer(cell, reserve, coldest_K, DISCHARGE)) + slow_ohm + case.plant.pack.joint_ohm
    return float(open_circuit(cell, reserve, coldest_K)[0]), ohm


def _gone_on(content: dict[str, Any], path: Path) -> Base:
    """Return the scenario that goes on past every limit."""
    on = {**content, "limits": {**content["limits"], "on_cutoff": "record"}}
    return Base(on, path, assemble(on, path))


def _rows(
    base: Base,
    run: Callable[[Base, Changes], Found],
    counts: range,
    executor: Executor,
    charge_for: int | None = None,
) -> dict[int, Found]:
    """Return what `run` makes of the day with each of `counts` side by side.

    With `charge_for`, cells hold as much more as that count has more of them, or as much as any
    cell may.
    """
    cell_Ah = base.case.profile.capacity_Ah

    def changes(n: int) -> Changes:
        if charge_for is None:
            return ((PARALLEL, n),)
        return (PARALLEL, n), ("cell.capacity_Ah", min(cell_Ah * charge_for / n, MOST_AH))

    jobs = {n: executor.submit(run, base, changes(n)) for n in counts}
    return {n: job.result() for n, job in jobs.items()}


def _margins(rows: Mapping[int, Row]) -> dict[int, dict[str, float]]:
    """Return the margins of each row; of one that can't be believed, that it fails."""
    told = {n: dict(row.margins) for n, row in rows.items()}
    for n, row in rows.items():
        if row.complaint is not None:
            told[n][DISTRUSTED] = -1.0
    return told


def _way_home(
    base: Base, share: float, counts: range, by_hand: Mapping[str, Asked], executor: Executor
) -> tuple[list[Asked], dict[int, dict[str, float]]]:
    """Return what the way home with one pack less asks for, and its margins with each count.

    Energy by the cells as they are; current and heat with charge enough, as on the whole day.
    """
    run = homeward(share)
    (energy, by_energy), *others = ON_THE_WAY_HOME.items()
    found = _rows(base, run, counts, executor)
    asked = [_on_the_day(energy, by_energy, found, by_hand[energy])]
    enough = asked[0].parallel or counts.stop
    full = found | _rows(base, run, range(1, enough), executor, charge_for=enough)
    asked += [_on_the_day(name, limits, full, by_hand.get(name)) for name, limits in others]
    return asked, found


def _on_the_day(
    name: str,
    limits: tuple[str, ...],
    margins: Mapping[int, dict[str, float]],
    by_hand: Asked | None,
) -> Asked:
    """Return the count from which on the limits hold, and what the next smaller one lacks."""
    short = {n: _short_of(found, limits) for n, found in margins.items()}
    least: int | None = None
    for n in sorted(margins, reverse=True):
        if short[n] is not None:
            break
        least = n
    below = max(margins) if least is None else least - 1
    told = [] if by_hand is None else [by_hand.why]
    told += [f"{below} side by side: {short[below]}"] if below > 0 else ["the least there is"]
    return Asked(name, least, "; ".join(told), None if by_hand is None else by_hand.parallel)


def _short_of(margins: Mapping[str, float], limits: tuple[str, ...]) -> str | None:
    """Return which of `limits` is missed most, None where all hold."""
    missed = [(margins[name], name) for name in limits if margins.get(name, 0.0) < 0.0]
    if missed:
        margin, name = min(missed)
        at = NAMES.index(name)
        return f"{EVENTS[at]} by {figure(-margin)} {UNITS[at]}"
    return "a run that can't be believed" if DISTRUSTED in margins else None


def described(
    table: SizeTable,
    case: Case,
    day: Day,
    fit: Fit,
    content: dict[str, Any],
    asked: tuple[Asked, ...],
    parallel: int | None,
    decides: str | None,
    homes: Mapping[int, dict[str, float]],
) -> Layout:
    """Return the layout of a parallel count with what it weighs, costs and lacks."""
    if parallel is None:
        missing = [f"{one.name}: {one.why}" for one in asked if one.parallel is None]
        return Layout(fit, content, asked, None, None, None, None, None, None, tuple(missing))
    profile, pack = case.profile, table.pack
    what = nominal(fit.series, parallel, pack.packs, profile.capacity_Ah, nominal_cell_V(case))
    mass_kg = what.cells * profile.size.mass_g / 1000.0
    cost = None if profile.price is None else what.cells * profile.price
    chosen = {**content, "pack": {**content["pack"], "parallel": parallel}}
    home = None
    if pack.packs > 1:
        home = _home(table, case, day, fit, parallel, what, homes.get(parallel, {}))
    problems = tuple(_problems(table, case, day, fit, what, mass_kg, home))
    return Layout(fit, chosen, asked, parallel, decides, what, mass_kg, cost, home, problems, homes)


def limits_of_one_pack(table: SizeTable, case: Case, parallel: int) -> Weakest:
    """Return the lowest of cells, board, lead and fuse."""
    return weakest({"cells": parallel * case.limits.cell_discharge_A, **_elements(table)})


def _home(
    table: SizeTable,
    case: Case,
    day: Day,
    fit: Fit,
    parallel: int,
    what: Nominal,
    margins: Mapping[str, float],
) -> Home:
    """Return how the vehicle gets home on one pack less: charge by the day, current by hand."""
    need, packs = table.need, table.pack.packs
    left = packs - 1
    one = limits_of_one_pack(table, case, parallel)
    together = Weakest(left * one.current_A, one.element, one.all_A)
    left_Wh = what.energy_Wh * left / packs
    by_hand = way_home(
        left_Wh=left_Wh,
        soc=1.0 - (1.0 - need.home_share) * day.energy_Wh / what.energy_Wh,
        reserve=need.reserve_percent / 100.0,
        home_Wh=need.home_share * day.energy_Wh,
        current_A=day.amperes(day.continuous_W, fit.series * fit.cutoff_V),
        limits=together,
    )
    percent = min((margins[name] for name in CHARGE if name in margins), default=None)
    if percent is None:
        return by_hand
    return replace(by_hand, energy_margin_Wh=percent / 100.0 * left_Wh)


def _problems(
    table: SizeTable,
    case: Case,
    day: Day,
    fit: Fit,
    what: Nominal,
    mass_kg: float,
    home: Home | None,
) -> list[str]:
    """Return what more cells side by side would not mend, or what there are not enough of."""
    stock, packs, found = table.stock, table.pack.packs, []
    if stock.cells is not None and what.cells > stock.cells:
        found.append(f"{what.cells} cells where {stock.cells} are at hand")
    if stock.mass_max_kg is not None and mass_kg > stock.mass_max_kg:
        found.append(f"{mass_kg:.1f} kg of cells where {stock.mass_max_kg:g} kg are allowed")
    peak_A = day.amperes(day.peak_W, fit.series * fit.cutoff_V) / packs
    named = {name: value for name, value in _elements(table).items() if value is not None}
    if named:
        element = weakest(named)
        if element.current_A < peak_A * (1.0 - SLACK):
            at_V = f" at {fit.series * fit.cutoff_V:.1f} V" if day.current_at_V is None else ""
            found.append(
                f"{element.element} of {element.current_A:g} A, but the peak is {peak_A:.1f} A a "
                f"pack{at_V}"
            )
    if home is not None and not home.current_ok:
        found.append(
            f"with one pack out the {home.limiting} may carry {home.ok_up_to_A:g} A, "
            f"{-home.current_margin_A:.1f} A too little"
        )
    return found
