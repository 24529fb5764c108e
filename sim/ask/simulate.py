"""Does the pack stay cool and above cut-off over this day? What gives first?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.files.case import Case
from sim.integrate import reference
from sim.integrate.trace import Trace
from sim.judge.audit import Audit, balances, complaints, spot
from sim.judge.series import Series, series
from sim.judge.verdict import Verdict, judge

# The second integrator: another method at a tighter tolerance.
SECOND = reference.Settings(method="DOP853", relative=1e-10, stop_at_limits=False)


@dataclass(frozen=True)
class Result:
    """A finished run, complete at birth."""

    case: Case
    trace: Trace
    series: Series
    verdict: Verdict
    audit: Audit

    @property
    def passed(self) -> bool:
        """Whether the answer is yes, and the run can be believed."""
        return self.verdict.passed and self.audit.passed


def simulate(case: Case, progress: Callable[[float], None] | None = None) -> Result:
    """Run the day of `case`; `progress` is told the time reached [s].

    Raises ArithmeticError where no integration is possible.
    """
    settings = reference.Settings(stop_at_limits=case.scenario.limits.on_cutoff == "stop")
    trace = reference.march(case.plant, case.limits, case.legs, case.start, settings, progress)
    verdict = judge(case.limits, case.legs, trace)
    seen = series(case.plant, case.legs, trace)
    return Result(case, trace, seen, verdict, _audit(case, trace, seen, settings))


def _audit(case: Case, trace: Trace, seen: Series, settings: reference.Settings) -> Audit:
    def again(part: Legs, state: NDArray[np.float64]) -> Trace:
        return reference.march(case.plant, case.limits, part, state, SECOND)

    found = balances(case.plant, case.legs, trace)
    places = {
        "hottest core": trace.time_s[int(np.argmax(seen.core_C))],
        "lowest cell voltage": trace.time_s[int(np.argmin(seen.cell_voltage_V))],
    }
    checks = [
        spot(case.plant, case.legs, trace, why, float(time_s), again)
        for why, time_s in places.items()
    ]
    spots = tuple(check for check in checks if check is not None)
    return Audit(
        balances=found,
        spots=spots,
        integrator=f"scipy solve_ivp {settings.method}, relative tolerance {settings.relative:g}",
        steps=trace.steps,
        step_note=f"spot checks by {SECOND.method} at {SECOND.relative:g}",
        complaints=complaints(found, spots),
    )


