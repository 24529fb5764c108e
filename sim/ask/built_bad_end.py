"""The bad ends of the guesses about a pack as built: hotter and emptier, and colder for frost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from sim.ask.bad_end import (
    BadEnd,
    cold_sides,
    coldest,
    fuller_side,
    hotter_and_emptier,
    shares,
)
from sim.ask.built_boards import broken_drives
from sim.ask.built_run import never_charged, settings_of, through, undelivered
from sim.ask.lasting import run_until
from sim.files.built_case import BuiltCase, built_case
from sim.files.built_cells import resolved
from sim.files.layout import across_gap_W_K
from sim.files.unsure import BETWEEN, GAP
from sim.integrate.built_records import Run
from sim.judge.built import group_charge, judged
from sim.judge.verdict import Verdict
from sim.physics.board import COLDEST_K
from sim.physics.built import CAPACITY_AS, CORE, INWARD, OUTWARD, SCALE, SURFACE
from sim.physics.limits import CHARGE_COLD, COLD, OVERCHARGE

# A pack gets no colder than its air and itself, but by reversible heat: less than so much.
REVERSIBLE_K = 10.0


def bad_end_built(case: BuiltCase, plain: Verdict) -> BadEnd:
    """Run the days of `case`, whose own verdict is `plain`, at the bad end of every guess.

    Boards count at the early end of their tolerances there. Raises ArithmeticError where no
    integration is possible.
    """
    moved = shares(case.case)
    settings, worse = settings_of(case, keep=False), worse_end(case, moved)
    if case.case.whole is None:
        run, _ = through(worse, settings, "early")
    else:  # they may take more days there until they repeat, or fail sooner
        worse, run = run_until(worse_end(built_case(case.case.whole), moved), settings, "early")
    verdict = judged(case.case.limits, run)[0].verdict
    colder = _colder(case, plain, moved)
    cold = coldest([judged(case.case.limits, one)[0].verdict for one in colder])
    fuller = _fuller(case, moved)
    full = judged(case.case.limits, fuller[0])[0].verdict.limit(OVERCHARGE) if fuller else None
    ends = {"hotter": [run], "colder": colder}
    never = tuple(end for end, runs in ends.items() if any(never_charged(r).any() for r in runs))
    cut_offs = {
        owner: s for one in (*fuller, *colder, run) for owner, s in broken_drives(case, one)
    }
    short = max(undelivered(one) for one in (run, *colder, *fuller))
    end_soc = float(group_charge(run).min())
    return BadEnd(
        verdict, end_soc, moved, cold, never, full, cut_offs=tuple(cut_offs.items()),
        undelivered=short, lasted=worse.case.lasted,
    )  # fmt: skip


def worse_end(case: BuiltCase, moved: dict[str, float]) -> BuiltCase:
    """Return the case with each group of `moved` at its hotter and emptier end."""
    plant = hotter_and_emptier(case.case.plant, moved)
    fixed = case.built.fixed.copy()
    fixed[CAPACITY_AS] *= plant.cell.capacity_As / case.built.cell.capacity_As
    if moved.get(BETWEEN):
        fixed[[INWARD, OUTWARD]] = _less_between(case, moved[BETWEEN])
    worse = case.built._replace(cell=plant.cell, film=plant.film, fixed=fixed)
    if moved.get(GAP):
        kept = _kept_between(case, moved[GAP])
        worse = worse._replace(neighbour_W_K=case.built.neighbour_W_K * kept)
    assert np.all(fixed[SCALE] == case.built.fixed[SCALE])  # the tables carry that part
    return replace(case, built=worse)


def _less_between(case: BuiltCase, off: float) -> NDArray[np.float64]:
    """Return INWARD and OUTWARD of all cells, air between them carrying less by a share of it."""
    scenario = case.case.scenario
    assert scenario.layout is not None  # or nothing stands between cells
    share = min(scenario.layout.between_share * (1.0 - off), 1.0)
    layout = scenario.layout.model_copy(update={BETWEEN: share})
    other = resolved(replace(case.case, scenario=scenario.model_copy(update={"layout": layout})))
    return other.fixed[[INWARD, OUTWARD]]


def _kept_between(case: BuiltCase, off: float) -> float:
    """Return the share of what neighbours hand each other where gaps hand on less by a share."""
    scenario = case.case.scenario
    assert scenario.layout is not None  # or there are no gaps
    gap_W_K = across_gap_W_K(scenario.layout, case.case.profile, scenario.cooling)
    whole_W_K = scenario.layout.neighbour_W_K + gap_W_K
    return 1.0 - off * gap_W_K / whole_W_K if whole_W_K else 1.0


def _fuller(case: BuiltCase, moved: dict[str, float]) -> list[Run]:
    """Run the days with every guess at its fuller end; none where no braking charges cells."""
    if not np.any(case.legs.value < 0.0):
        return []
    settings = settings_of(case, keep=False, stop_at_limits=False)
    return [through(worse_end(case, fuller_side(moved)), settings, "early")[0]]


def _colder(case: BuiltCase, plain: Verdict, moved: dict[str, float]) -> list[Run]:
    """Run the days with every guess at its colder end, weight and cooling at either side.

    None where neither a limit of cold that is looked at nor a guard against frost is within reach
    of the coldest air.
    """
    limits, levels = case.case.limits, case.thresholds["stated"]
    levels_K = levels.trip[levels.quantity == COLDEST_K].tolist()
    own_K = {COLD: limits.discharge_core_min_K, CHARGE_COLD: limits.charge_core_min_K}
    levels_K += [own_K[n] for n in own_K if plain.limit(n).margin is not None]
    if max(levels_K, default=0.0) <= _coldest_K(case) - REVERSIBLE_K:
        return []
    settings = settings_of(case, keep=False, stop_at_limits=False)
    return [through(worse_end(case, ends), settings, "early")[0] for ends in cold_sides(moved)]


def _coldest_K(case: BuiltCase) -> float:
    """Return the lowest temperature of the air outside, and of cells and air at the start."""
    legs, start = case.legs, case.start
    ends_K = legs.ambient_K + legs.ambient_K_s * (legs.end_s - legs.start_s)
    cells_K = start.cells[[CORE, SURFACE]].min()
    return float(min(legs.ambient_K.min(), ends_K.min(), cells_K, start.airs_K.min()))
