"""Does the pack as it is built stay cool over its days? What gives first, and where?"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.ask.bad_end import BadEnd
from sim.ask.built_audit import Audit, audited
from sim.ask.built_bad_end import bad_end_built
from sim.ask.built_boards import BoardAnswer, Switching, boards, switchings
from sim.ask.built_places import Bracket, bracket
from sim.ask.built_run import (
    UNDELIVERED,
    Hour,
    never_charged,
    settings_of,
    through,
    undelivered,
)
from sim.ask.day_peaks import DayPeak, day_peaks
from sim.ask.lasting import keeps_changing, morning_of, settled_built
from sim.ask.one_out import OneOut, one_out_built
from sim.files.built_case import BuiltCase
from sim.files.case import Case
from sim.integrate import built_records as column
from sim.integrate.built_records import BEFORE_J, DONE_S, FLOWS_S, OPENS_S, Run
from sim.judge.built import Placed, judged
from sim.judge.mornings import alike_from
from sim.judge.verdict import Verdict
from sim.physics.built import CHARGED
from sim.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, ZERO_C_K


@dataclass(frozen=True)
class Window:
    """One stay at the charger, seconds of the run; None for never."""

    begin_s: float
    flows_s: float | None
    done_s: float | None
    energy_Wh: float
    never: bool  # no current ever flowed, though the pack was not full


@dataclass(frozen=True)
class BuiltResult:
    """A finished run of a pack as built, complete at birth."""

    built_case: BuiltCase
    run: Run
    placed: Placed
    where: tuple[int, ...]  # of each event
    audit: Audit
    boards: tuple[BoardAnswer, ...]
    switchings: tuple[Switching, ...]
    windows: tuple[Window, ...]
    days: tuple[DayPeak, ...]
    repeats_from: int | None  # day from 1 that all later ones are like
    one_out: OneOut | None
    bracket: Bracket | None  # three places beside every cell
    bad_end: BadEnd
    undelivered: float  # share of the energy asked

    @property
    def case(self) -> Case:
        """The case as the scenario has it."""
        return self.built_case.case

    @property
    def verdict(self) -> Verdict:
        """The verdict on the limits."""
        return self.placed.verdict

    @property
    def kept(self) -> NDArray[np.float64]:
        """What was kept along the run, (rows, columns of `sim.integrate.built_records`)."""
        return self.run.past.kept[: int(self.run.past.rows[0])]

    @property
    def drive_trips(self) -> tuple[BoardAnswer, ...]:
        """The thresholds that stop the drive, or may."""
        return tuple(b for b in self.boards if b.drive and b.answer != "will not")

    @property
    def never_charged(self) -> tuple[Window, ...]:
        """The stays at the charger in which no current ever flowed though it was wanted."""
        return tuple(w for w in self.windows if w.never)

    @property
    def passed(self) -> bool:
        """Whether the answer is yes, and the run can be believed; one pack out is told apart."""
        return (
            self.verdict.passed
            and self.audit.passed
            and not self.drive_trips
            and not self.never_charged
            and self.undelivered <= UNDELIVERED
            and not keeps_changing(self.case)
        )


def simulate_built(case: BuiltCase) -> BuiltResult:
    """Run the days of `case`.

    Raises ArithmeticError where no integration is possible.
    """
    case = settled_built(case)
    run, hours = through(case, settings_of(case), hourly=True)
    placed, where = judged(case.case.limits, run)
    days = _days(run)
    return BuiltResult(
        built_case=case,
        run=run,
        placed=placed,
        where=tuple(where),
        audit=audited(case, run, hours),
        boards=boards(case, run),
        switchings=tuple(switchings(case, run)),
        windows=_windows(run),
        days=days,
        repeats_from=_repeats_from(run, hours),
        one_out=one_out_built(case, hours),
        bracket=bracket(case, run),
        bad_end=bad_end_built(case, placed.verdict),
        undelivered=undelivered(run),
    )


def _windows(run: Run) -> tuple[Window, ...]:
    rows, never = run.past.windows, never_charged(run)
    found = []
    for w in np.flatnonzero(np.isfinite(rows[:, OPENS_S])).tolist():
        later = rows[w + 1 :, BEFORE_J]
        after_J = later[0] if np.isfinite(later).any() else run.state.box_sums[CHARGED]
        found.append(
            Window(
                float(rows[w, OPENS_S]),
                _or_none(rows[w, FLOWS_S]),
                _or_none(rows[w, DONE_S]),
                float(after_J - rows[w, BEFORE_J]) / SECONDS_PER_HOUR,
                bool(never[w]),
            )
        )
    return tuple(found)


def _or_none(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def _days(run: Run) -> tuple[DayPeak, ...]:
    """Return the worst of each 24 h of the run."""
    kept: NDArray[np.float64] = run.past.kept[: int(run.past.rows[0])]
    return day_peaks(
        kept[:, column.TIME],
        kept[:, column.CORE_HOT_K] - ZERO_C_K,
        kept[:, column.CELL_LOW_V],
        kept[:, column.SOC_LOW],
        run.end_s,
    )


def _repeats_from(run: Run, hours: list[Hour]) -> int | None:
    """Return the first day, from 1, that all later ones are like; None where they still change."""
    if run.stopped_by is not None:
        return None
    begins = [h for h in hours if h.time_s % SECONDS_PER_DAY == 0.0]
    mornings = [morning_of(h.state, h.switches.tripped_s) for h in begins]
    if run.end_s % SECONDS_PER_DAY == 0.0:
        mornings.append(morning_of(run.state, run.switches.tripped_s))
    return alike_from(mornings)
