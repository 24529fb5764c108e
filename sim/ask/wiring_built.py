"""What the wiring of a pack as built sees of its run: each pack's current, the box, the cells.

Packs and cells share a current unevenly. A lead, a bar and a fuse are judged by the pack that
carries most at each instant, a branch to cells by the cell that carries most.
"""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.ask.built import BuiltResult, simulate_built
from sim.ask.built_run import settings_of, through
from sim.ask.wires import Day, day_of, lasting_A
from sim.files.built_case import BuiltCase, built_case
from sim.files.case import Case
from sim.integrate import built_records as column
from sim.judge.series import Series
from sim.physics.built import PACK_COUNT
from sim.physics.sliding import lines_of
from sim.units import ZERO_C_K

Floats = NDArray[np.float64]


class Observed(NamedTuple):
    """A run, what wiring sees of it, and of the same day with the worst one of the packs out."""

    run: BuiltResult
    seen: Series  # core_C holds the hottest and behind them the coldest cores
    day: Day
    one_out: Day | None


def observed(case: Case) -> Observed:
    """Run the days of `case` as built.

    Raises InputError where packs can't be built, ArithmeticError where nothing can be said.
    """
    built = built_case(case)
    run = simulate_built(built)
    seen = series_of(run.kept)
    hot_and_cold = np.append(seen.core_C, run.kept[:, column.CORE_COLD_K] - ZERO_C_K)
    whole = seen._replace(core_C=hot_and_cold)
    return Observed(run, whole, _day(case, run.kept), _one_out(case, built))


def pack_currents(run: BuiltResult) -> list[tuple[float, float]]:
    """Return of each pack its greatest current and its worst ten minutes' rms [A]."""
    kept = run.kept
    found = []
    for current_A in _of_packs(kept).T:
        lines = lines_of(kept[:, column.TIME], current_A)
        found.append((float(np.abs(current_A).max()), lasting_A(lines)))
    return found


def _of_packs(kept: Floats) -> Floats:
    """Return the currents of all packs (rows, packs)."""
    return kept[:, column.COLUMNS :: 3]


def _most(values: Floats) -> Floats:
    """Return along the second axis what is greatest either way (rows,)."""
    return values[np.arange(len(values)), np.abs(values).argmax(axis=1)]


def series_of(kept: Floats) -> Series:
    """Return a run of packs as built as one of its worst parts: hottest, weakest, most worked."""
    cells_A = kept[:, [column.CELL_HIGH_A, column.CELL_LOW_A]]
    bus_V, bus_A = kept[:, column.BUS_V], kept[:, column.BUS_A]
    return Series(
        time_s=kept[:, column.TIME],
        leg=kept[:, column.LEG].astype(np.intp),
        ambient_C=kept[:, column.AMBIENT_K] - ZERO_C_K,
        box_C=kept[:, column.BOX_K] - ZERO_C_K,
        core_C=kept[:, column.CORE_HOT_K] - ZERO_C_K,
        surface_C=kept[:, column.SURFACE_HOT_K] - ZERO_C_K,
        soc=kept[:, column.SOC_LOW],
        cell_voltage_V=kept[:, column.CELL_LOW_V],
        cell_current_A=_most(cells_A),
        pack_voltage_V=bus_V,
        pack_current_A=_most(_of_packs(kept)),
        power_W=bus_V * bus_A,
        heat_W=kept[:, column.HEAT_W],
    )


def _day(case: Case, kept: Floats) -> Day:
    pack = case.plant.pack
    seen = series_of(kept)
    time_s = kept[:, column.TIME]
    return replace(
        day_of(seen, pack.parallel, pack.packs),
        cell_A=lines_of(time_s, seen.cell_current_A),
        bus_A=lines_of(time_s, kept[:, column.BUS_A]),
    )


def _one_out(case: Case, built: BuiltCase) -> Day | None:
    """Return the days without one pack, whichever leaves most to another; no board cuts in."""
    in_use = np.flatnonzero(built.built.pack[PACK_COUNT] > 0.0)
    if len(in_use) < 2:
        return None
    unbound = {
        side: t._replace(trip=t.sign * np.inf, release=t.sign * np.inf)
        for side, t in built.thresholds.items()
    }
    found = []
    for number in in_use.tolist():
        left = built.built.pack.copy()
        left[PACK_COUNT, number] = 0.0
        without = replace(built, built=built.built._replace(pack=left), thresholds=unbound)
        run, _ = through(without, settings_of(without))
        found.append(_day(case, run.past.kept[: int(run.past.rows[0])]))
    worst = max(found, key=lambda day: lasting_A(day.pack_A))
    return replace(worst, packs=worst.packs - 1)
