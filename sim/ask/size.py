"""What pack does this vehicle need: how many in series, how many side by side, and why?

Each requirement asks for a parallel count: by arithmetic, or by running the day with every count.
The greatest decides. What is chosen is then run once more as the scenario that is written.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from sim.ask.axes import PARALLEL, Axis
from sim.ask.simulate import Result, simulate
from sim.ask.size_day import Day, day_of, in_frost, scenario_of
from sim.ask.size_layout import FROST, Layout, described, layout_of, nominal_cell_V
from sim.ask.size_rules import Fit, Implied, doubts, holds_too_much, series_fit, windows_that_fit
from sim.ask.sweep import Sweep, plan_of, sweep
from sim.errors import InputError
from sim.files.case import Case, assemble
from sim.files.size_schema import SizeTable
from sim.physics.cell import open_circuit

MOST_SERIES = 4  # layouts that are run; the highest voltages, since they need the least current
WHOLE_DAY = "the day as a whole"
BESIDE = 3  # how many counts on either side the confirming sweep tries


@dataclass(frozen=True)
class Sizing:
    """The answer: all layouts, the one chosen, and the runs that confirm it."""

    table: SizeTable
    path: Path
    case: Case  # of the day, with some pack
    day: Day
    nominal_V: float
    fits: tuple[Fit, ...]
    layouts: tuple[Layout, ...]
    choice: Layout | None
    here: Layout | None  # of the parallel count at hand, where one is
    confirmed: Sweep | None
    run: Result | None
    frost: Result | None  # the coldest day, where one is told
    questions: tuple[str, ...]

    @property
    def enough(self) -> bool:
        """Whether no more cells side by side are asked for than are at hand, where some are."""
        at_hand = self.table.pack.parallel
        return at_hand is None or (self.choice is not None and self.choice.parallel == at_hand)

    @property
    def passed(self) -> bool:
        """Whether the chosen pack can be built as asked and its day holds, audit and all."""
        chosen = self.choice
        runs_well = all(run.passed for run in (self.run, self.frost) if run is not None)
        return chosen is not None and chosen.good and runs_well and self.enough


def size(
    table: SizeTable, path: Path, executor: Executor, progress: Callable[[int], None] | None = None
) -> Sizing:
    """Return the sizing for all requirements; `progress` is told how many layouts are done.

    Raises InputError where the requirements or the files they name can't be used, or no series
    count fits the window.
    """
    first = assemble(scenario_of(table, path, table.pack.series or 1, 1, _cutoff_V(table)), path)
    cell_V = nominal_cell_V(first)
    questions = _cell_questions(first, cell_V, path)
    fits = _fits(table, first, path)
    layouts = []
    for done, fit in enumerate([f for f in fits if f.why_not is None][-MOST_SERIES:], 1):
        layouts.append(layout_of(table, path, fit, executor))
        if progress:
            progress(done)
    if progress:
        progress(MOST_SERIES)
    able = [layout for layout in layouts if layout.parallel is not None]
    # Fewest cells of those without a problem; between equals the higher voltage.
    choice = min(
        able, key=lambda x: (bool(x.problems), x.what and x.what.cells, -x.fit.series), default=None
    )
    day = day_of(first, table, (choice or layouts[-1]).fit.series * cell_V)
    confirmed, run, frost, here = None, None, None, None
    if choice is not None:
        if table.pack.parallel is not None:
            here = counted(table, path, choice, table.pack.parallel, choice.decides)
        confirmed, choice = _confirm(table, path, choice, executor)
        run = simulate(assemble(choice.content, path))
        if table.cold_C is not None:
            frost = simulate(assemble(in_frost(choice.content, table.cold_C), path))
    questions += _questions(table, first, day, choice)
    return Sizing(
        table=table,
        path=path,
        case=first,
        day=day,
        nominal_V=cell_V,
        fits=fits,
        layouts=tuple(layouts),
        choice=choice,
        here=here,
        confirmed=confirmed,
        run=run,
        frost=frost,
        questions=tuple(questions),
    )


def _cutoff_V(table: SizeTable) -> float:
    """Return the cut-off that the requirements name, or nearly none: the profile has its own."""
    return table.limits.cutoff_V or 0.01


def _cell_questions(case: Case, cell_V: float, path: Path) -> list[str]:
    """Return what is odd about the cell's energy; refuse one that no cell can hold."""
    profile = case.profile
    found = holds_too_much(
        profile.capacity_Ah * cell_V, profile.size.diameter_mm, profile.size.height_mm
    )
    if found is None:
        return []
    odd, impossible = found
    if impossible:
        raise InputError(f"{path}: [cell] capacity_Ah {profile.capacity_Ah:g}: {odd}")
    return [f"cell: {odd}"]


def _fits(table: SizeTable, case: Case, path: Path) -> tuple[Fit, ...]:
    """Return every series count worth a look; raise InputError where none fits."""
    window, limits = table.window, case.profile.limits
    full_V = limits.full_V
    cutoff_V = table.limits.cutoff_V or limits.cutoff_V
    top_V = max((v for v in (window.controller_max_V, window.charger_V) if v), default=None)
    if table.pack.series is not None:
        counts = range(table.pack.series, table.pack.series + 1)
    elif top_V is None:
        raise InputError(
            f"{path}: [window] is missing; give controller_min_V and controller_max_V, charger_V, "
            "or [pack] series"
        )
    else:
        lowest_V = window.controller_min_V or window.charger_V or 0.75 * top_V
        counts = range(max(1, int(lowest_V / full_V)), int(top_V / full_V) + 2)
    reserve = table.need.reserve_percent / 100.0
    low_V = float(open_circuit(case.plant.cell, reserve, case.plant.cell.reference_K)[0])
    controller_V = window.controller_min_V, window.controller_max_V
    fits = tuple(
        series_fit(n, full_V, cutoff_V, low_V, controller_V, window.charger_V) for n in counts
    )
    if all(fit.why_not is not None for fit in fits):
        told = "; ".join(f"{fit.series} in series: {fit.why_not}" for fit in fits[-MOST_SERIES:])
        near = windows_that_fit([fit.series for fit in fits[-2:]], full_V, low_V)
        raise InputError(f"{path}: [window] no series count of this cell fits: {told}; {near}")
    return fits


def _confirm(
    table: SizeTable, path: Path, choice: Layout, executor: Executor
) -> tuple[Sweep, Layout]:
    """Sweep the scenario as it will be written, in frost where that decides, about the choice.

    Where the choice does not pass and a larger one does, that one is chosen.
    """
    assert choice.parallel is not None
    near = set(range(max(1, choice.parallel - BESIDE), choice.parallel + BESIDE + 1))
    near |= {count for count in (table.pack.parallel, in_stock(table, choice)) if count}
    content = choice.content
    if table.cold_C is not None and choice.decides == FROST.format(table.cold_C):
        content = in_frost(content, table.cold_C)
    found = sweep(plan_of(content, path, [Axis(PARALLEL, tuple(sorted(near)))]), executor)
    holds = [row.parallel for row in found.rows if row.passes and row.parallel >= choice.parallel]
    if holds and holds[0] != choice.parallel:
        choice = counted(table, path, choice, holds[0], WHOLE_DAY)
    return found, choice


def counted(
    table: SizeTable, path: Path, layout: Layout, parallel: int, decides: str | None
) -> Layout:
    """Return a layout with another count side by side."""
    case = assemble(layout.content, path)
    day = day_of(case, table, layout.fit.series * nominal_cell_V(case))
    return described(
        table, case, day, layout.fit, layout.content, layout.asked, parallel, decides, layout.homes
    )


def in_stock(table: SizeTable, layout: Layout) -> int | None:
    """Return how many side by side the cells in stock make, where they are too few."""
    if table.stock.cells is None or layout.what is None or layout.parallel is None:
        return None
    if layout.what.cells <= table.stock.cells:
        return None
    return table.stock.cells // (layout.what.cells // layout.parallel)


def _questions(table: SizeTable, case: Case, day: Day, choice: Layout | None) -> list[str]:
    """Return what seems odd about consumption, rate and mass, with the figure that is implied.

    Of a day that no pack will do, its consumption alone.
    """
    if choice is None:
        return doubts(Implied(day.energy_Wh, None, None, None, None, day.wh_per_km))
    what = choice.what
    assert what is not None and choice.mass_kg is not None
    mean_A = day.mean_W / what.voltage_V
    found = doubts(
        Implied(
            energy_Wh=what.energy_Wh,
            mean_W=day.mean_W,
            mean_A=mean_A,
            cell_A=mean_A * case.profile.capacity_Ah / what.capacity_Ah,
            c_rate=mean_A / what.capacity_Ah,
            wh_per_km=day.wh_per_km,
        )
    )
    vehicle = table.vehicle
    if vehicle is not None and choice.mass_kg > 0.5 * vehicle.mass_kg:
        found.append(
            f"mass: {choice.mass_kg:.0f} kg of cells in a vehicle of {vehicle.mass_kg:g} kg"
        )
    return found
