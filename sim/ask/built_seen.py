"""The day of a pack as built as the searches see it: margins, and what else went wrong."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim.ask.built_boards import breaks
from sim.ask.built_run import settings_of, through
from sim.files.built_case import built_case
from sim.files.case import Case
from sim.integrate.built_records import DONE_S, FLOWS_S, OPENS_S, Run
from sim.integrate.trace import Trace
from sim.judge.built import balances, group_charge, spells_of
from sim.judge.series import count
from sim.physics.board import CHARGE_PATH, CHARGER
from sim.physics.built import ASKED, DELIVERED, SHORT
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE, SOC, TOTALS
from sim.physics.plant import DELIVERED as DELIVERED_AT

UNDELIVERED = 1e-3  # of the load, past which the day's work was not done
# What may fail beside the limits; they stand where a limit's name would.
BOARD, NEVER_CHARGED, NOT_DELIVERED = "board", "never_charged", "not_delivered"


@dataclass(frozen=True)
class BuiltTrace(Trace):
    """A trace of the packs as built: its states are the emptiest group and the hottest cell."""

    residuals: dict[str, float] = field(default_factory=dict)
    fails: tuple[tuple[str, float], ...] = ()  # beside the limits: name, first time


def never_charged(run: Run) -> NDArray[np.bool_]:
    """Return in which stays at the charger no current ever flowed though the pack was not full."""
    rows = run.past.windows
    return np.isfinite(rows[:, OPENS_S]) & np.isnan(rows[:, FLOWS_S]) & np.isnan(rows[:, DONE_S])


def failures(run: Run) -> tuple[tuple[str, float], ...]:
    """Return what went wrong beside the limits, by name and first time, in order of time."""
    found = []
    broken, first_s = breaks(run)
    drive = (run.thresholds.opens & (CHARGE_PATH | CHARGER)) == 0
    if np.any(broken[drive] > 0):
        found.append((BOARD, float(np.nanmin(first_s[drive & (broken > 0)]))))
    never = never_charged(run)
    if np.any(never):
        found.append((NEVER_CHARGED, float(run.past.windows[never, OPENS_S].min())))
    asked_J = float(run.state.box_sums[ASKED])
    if asked_J > 0.0 and run.state.box_sums[SHORT] / asked_J > UNDELIVERED:
        found.append((NOT_DELIVERED, run.end_s))
    return tuple(sorted(found, key=lambda one: one[1]))


def observe_built(case: Case, *, stop: bool) -> BuiltTrace:
    """March the days of `case` as built; levels of boards at the early end of their tolerance.

    That end is the careful one: a pack passes where its board will not trip.
    """
    built = built_case(case)
    run, _ = through(built, settings_of(built, stop_at_limits=stop, keep=False), "early")
    spells, _ = spells_of(run.book)
    plant = case.plant
    state = np.zeros((2, FIRST_OVERVOLTAGE + len(plant.cell.pairs) + len(TOTALS)))
    for row, which in ((0, run.begin), (1, run.state)):
        state[row, CORE] = which.cells[1].max()
    state[0, SOC], state[1, SOC] = float(case.start[SOC]), float(np.min(group_charge(run)))
    at = FIRST_OVERVOLTAGE + len(plant.cell.pairs) + DELIVERED_AT
    state[1, at] = run.state.box_sums[DELIVERED] / count(plant)
    if not (run.settled and np.all(np.isfinite(run.state.cells))):
        state[1] = np.nan
    return BuiltTrace(
        np.array([0.0, run.end_s]),
        state,
        np.array([0, 0], dtype=np.intp),
        run.book.worst,
        run.book.worst_s,
        tuple(spells),
        run.end_s,
        run.stopped_by,
        run.steps,
        balances(run),
        failures(run),
    )
