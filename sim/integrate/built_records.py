"""Records of a run of a pack as built: what it is told, what it leaves."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.integrate.built_look import Book
from sim.integrate.built_work import Work
from sim.physics.board import Switches, Thresholds
from sim.physics.built import Built, State
from sim.physics.bus import Charger, Controller

Floats = NDArray[np.float64]
Places = NDArray[np.intp]

# Columns of what is kept along the way; behind them three a pack: current, charge, hottest core.
(
    TIME, LEG, AMBIENT_K, BUS_V, BUS_A, ASKED_W, SOC_LOW, SOC_MEAN, SOC_HIGH, GROUP_LOW_V,
    GROUP_HIGH_V, CELL_LOW_V, CORE_HOT_K, CORE_COLD_K, CORE_MEAN_K, SURFACE_HOT_K, MODULE_HOT_K,
    BOX_K, CELL_HIGH_A, CELL_LOW_A, HEAT_W, CHARGING,
) = range(22)  # fmt: skip
COLUMNS = 22
# Of a charging window: when it begins, when current first flows, when it is done, charge before.
OPENS_S, FLOWS_S, DONE_S, BEFORE_J = range(4)
WHEN_S, WHICH_LIMIT, STEPS = range(3)  # of how a run ended
# Entries of `Desk.pace` and `Desk.turn`; a look is for an edge, a step's end, or a step to be cut.
TIME_S, STEP_S, KEPT_LAST_S, MOST_S = range(4)
LEG_AT, PURPOSE, IS_CUT, FRESH_LEG, IS_CHARGING, WINDOW, AT_ONCE = range(7)
EDGE, STEP, AGAIN = range(3)


class Day(NamedTuple):
    """What hangs on the bus and when, over the legs; `mode` and `window` (m,)."""

    mode: Places  # bus.DRIVE or bus.CHARGE
    window: Places  # which charging window, -1 for none
    controller: Controller
    charger: Charger


class Past(NamedTuple):
    """What a run leaves beside the book; filled in place."""

    kept: Floats  # (rows, COLUMNS + 3 P)
    rows: Places  # (1,)
    windows: Floats  # (w, 4)
    charged: NDArray[np.bool_]  # (w,) done
    last: Floats  # (3,) time, limit that ended it or -1, steps


class Desk(NamedTuple):
    """How the run goes on: what was seen before, and where it stands; filled in place."""

    margin: Floats  # (MARGINS, len(ROW)) of `sim.integrate.built_look`
    place: Places
    seen: Floats
    # (4,) time, length of the step under way, when a row was kept last, most that a step may last
    pace: Floats
    turn: Places  # (7,)


@dataclass(frozen=True)
class Settings:
    """How far one step may go, and whether a limit that ends the drive ends the run."""

    longest_step_s: float = 1.0
    stop_at_limits: bool = True
    keep: bool = True


@dataclass(frozen=True)
class Run:
    """A finished run of a pack as built."""

    built: Built
    legs: Legs
    day: Day
    state: State  # at the end
    book: Book
    switches: Switches
    thresholds: Thresholds
    past: Past
    begin: State = field(repr=False)
    end_s: float = 0.0
    stopped_by: int | None = None
    steps: int = 0
    settled: bool = True


class Bench(NamedTuple):
    """All arrays of a run, so that it can be gone on with leg by leg."""

    work: Work
    book: Book
    past: Past
    switches: Switches
    desk: Desk
    saved: State
