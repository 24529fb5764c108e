"""A quarter hour of a pack as built once more by scipy, from the same state."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.integrate import built_records as column
from sim.integrate.built_records import Day
from sim.judge.audit import Spot, quarter_hour
from sim.judge.built_rates import Hangs, Rates
from sim.physics.board import CHARGER_ON, DRIVE_ON, MAY_CHARGE, MAY_DISCHARGE
from sim.physics.built import CORE, FIRST_CELL, LINKED, PACK_COUNT, SURFACE, Built, State
from sim.physics.bus import CHARGE

Floats = NDArray[np.float64]
METHOD, RELATIVE = "RK45", 1e-8
MOST_STATES = 4000
MOST_RATES = 40_000  # evaluations of the right-hand side: a stiff pack would take minutes


@dataclass(frozen=True)
class Stretch:
    """Legs of a run between two switchings, how it stood as they began, and what was kept."""

    first: int
    last: int
    begin: State
    end: State
    flags: NDArray[np.bool_]  # of the packs, as `sim.integrate.built_work` has them
    kept: Floats


class NotDone(Exception):
    """Why a quarter hour could not be integrated again."""


def legs_about(legs: Legs, end_s: float, time_s: float, changes_s: Floats) -> tuple[int, int]:
    """Return the first and last + 1 of the legs within a quarter hour about `time_s`.

    They are whole, end before the run does, and no instant of `changes_s` lies in or on them but
    at their very begin. Raises NotDone where there are none.
    """
    low_s, high_s = quarter_hour(time_s, float(legs.start_s[0]), end_s)
    free = (legs.end_s > low_s) & (legs.start_s < high_s) & (legs.end_s <= end_s + 1e-9)
    for change_s in changes_s.tolist():
        free &= ~((legs.start_s - 1e-6 <= change_s) & (change_s <= legs.end_s + 1e-6))
    if not free.any():
        raise NotDone("something switches in every leg of it, or the run ends within its first")
    of_it = np.flatnonzero(free)
    off_s = np.maximum(legs.start_s[of_it] - time_s, time_s - legs.end_s[of_it])
    at = int(of_it[np.argmin(off_s)])
    first = last = at
    while first > 0 and free[first - 1]:
        first -= 1
    while last + 1 < len(free) and free[last + 1]:
        last += 1
    return first, last + 1


def _check(built: Built) -> None:
    linked = np.add.reduceat(built.fixed[LINKED], built.group_at[FIRST_CELL, :-1])
    if np.any(linked == 0.0):
        raise NotDone("a group has no cell left")
    states = built.fixed.shape[1] * (3 + len(built.cell.pairs))
    if states > MOST_STATES:
        raise NotDone(f"{states} state variables, more than {MOST_STATES}")


def _on_bus(built: Built, flags: NDArray[np.bool_], mode: int, charging: bool) -> NDArray[np.bool_]:
    """Return which packs are on the bus; raise NotDone where a board lets one way through only."""
    there = built.pack[PACK_COUNT] > 0.0
    both = flags[MAY_DISCHARGE] & flags[MAY_CHARGE]
    either = flags[MAY_DISCHARGE] | flags[MAY_CHARGE]
    if np.any(there & either & ~both) or (mode != CHARGE and not flags[DRIVE_ON].all()):
        raise NotDone("a board or cut-out has a path open")
    on_bus = there & both & (flags[CHARGER_ON] | (not charging))
    if not on_bus.any():
        raise NotDone("no pack is on the bus")
    return on_bus


def spot(built: Built, legs: Legs, day: Day, stretch: Stretch, why: str) -> Spot:
    """Integrate a stretch again and return the largest differences.

    Compared are the hottest and coldest core and the lowest cell's voltage wherever a row was
    kept, and every temperature at the end. Raises NotDone.
    """
    from scipy.integrate import solve_ivp

    _check(built)
    rates, asked = Rates(built), [0]
    y = rates.vector(stretch.begin)
    off_K, off_V = 0.0, 0.0
    for i in range(stretch.first, stretch.last):
        rows = stretch.kept[stretch.kept[:, column.LEG] == i]
        charging = bool(rows[:, column.CHARGING].any())
        mode = int(day.mode[i])
        hangs = Hangs(
            mode, legs.kind, float(legs.value[i]), charging, day.controller, day.charger,
            _on_bus(built, stretch.flags, mode, charging),
        )  # fmt: skip
        start_s, end_s = float(legs.start_s[i]), float(legs.end_s[i])

        def right_side(time_s: float, y: Floats, hangs: Hangs = hangs, i: int = i) -> Floats:
            asked[0] += 1
            if asked[0] > MOST_RATES:
                raise NotDone(f"it is stiff: more than {MOST_RATES} evaluations")
            past_s = time_s - float(legs.start_s[i])
            ambient_K = float(legs.ambient_K[i] + legs.ambient_K_s[i] * past_s)
            return rates(y, hangs, ambient_K, float(legs.sun_W[i] + legs.sun_W_s[i] * past_s))

        at_s = np.clip(rows[:, column.TIME], start_s, end_s)
        order = np.argsort(at_s, kind="stable")
        found = solve_ivp(
            right_side, (start_s, end_s), y, method=METHOD, rtol=RELATIVE, atol=1e-7,
            t_eval=np.unique(np.append(at_s, end_s)),
        )  # fmt: skip
        if not found.success:
            raise NotDone(f"scipy gave up: {found.message}")
        for row in rows[order]:
            k = int(np.argmin(np.abs(found.t - row[column.TIME])))
            core_K = rates.cells(found.y[:, k])[CORE]
            off_K = max(off_K, abs(core_K.max() - row[column.CORE_HOT_K]))
            off_K = max(off_K, abs(core_K.min() - row[column.CORE_COLD_K]))
            cell_V = rates.see(found.y[:, k], hangs).cell_V[built.fixed[LINKED] > 0.0]
            off_V = max(off_V, abs(cell_V.min() - row[column.CELL_LOW_V]))
        y = found.y[:, -1]
    ends_K = rates.cells(y)[[CORE, SURFACE]] - stretch.end.cells[[CORE, SURFACE]]
    off_K = max(off_K, float(np.max(np.abs(ends_K))))
    return Spot(
        why, float(legs.start_s[stretch.first]), float(legs.end_s[stretch.last - 1]),
        float(off_V), float(off_K),
    )  # fmt: skip
