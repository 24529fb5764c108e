"""Does the pack stay cool and above cut-off over this day? What gives first?"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sim.ask.bad_end import BadEnd, bad_end
from sim.ask.day_peaks import DayPeak, day_peaks
from sim.ask.lasting import keeps_changing, mornings_of, settled
from sim.ask.one_out import OneOut, one_out_alike
from sim.drive.legs import Legs
from sim.files.case import Case
from sim.integrate import march, reference
from sim.integrate.trace import States, Trace
from sim.judge.audit import Audit, Halving, balances, complaints, halved, spot
from sim.judge.mornings import alike_from
from sim.judge.series import Series, series
from sim.judge.verdict import Verdict, judge

INTEGRATORS = ("march", "scipy")  # the compiled march, and the reference it is held to


@dataclass(frozen=True)
class Result:
    """A finished run, complete at birth."""

    case: Case
    trace: Trace
    series: Series
    verdict: Verdict
    audit: Audit
    bad_end: BadEnd
    days: tuple[DayPeak, ...]
    repeats_from: int | None  # day from 1 that all later ones are like
    one_out: OneOut | None = None  # None where there is one pack

    @property
    def passed(self) -> bool:
        """Whether the answer is yes, and the run can be believed."""
        return self.verdict.passed and self.audit.passed and not keeps_changing(self.case)


def simulate(
    case: Case,
    integrator: str = "march",
    progress: Callable[[float], None] | None = None,
) -> Result:
    """Run the day of `case` by one of `INTEGRATORS`; `progress` is told the time reached [s].

    Raises ArithmeticError where no integration is possible.
    """
    case = settled(case)
    stop = case.scenario.limits.on_cutoff == "stop"
    inputs = (case.plant, case.limits, case.legs, case.start)
    if integrator == "march":
        settings = march.Settings(stop_at_limits=stop)
        trace = march.march(*inputs, settings, progress)
        finer = replace(settings, halved=True)
        halving = halved(case.plant, case.legs, trace, march.march(*inputs, finer))
        method = f"march, steps of {settings.longest_step_s:g} s at the most"
        second = reference.Settings(stop_at_limits=False)
    else:
        by_scipy = reference.Settings(stop_at_limits=stop)
        trace = reference.march(*inputs, by_scipy, progress)
        halving = None
        method = f"scipy solve_ivp {by_scipy.method}, relative tolerance {by_scipy.relative:g}"
        second = reference.Settings(method="DOP853", relative=1e-10, stop_at_limits=False)
    verdict = judge(case.limits, case.legs, trace)
    seen = series(case.plant, case.legs, trace)
    audit = _audit(case, trace, seen, method, halving, second)
    out = one_out_alike(case, trace)
    days = day_peaks(seen.time_s, seen.core_C, seen.cell_voltage_V, seen.soc, trace.end_s)
    again = alike_from(mornings_of(case, trace)) if trace.stopped_by is None else None
    return Result(case, trace, seen, verdict, audit, bad_end(case), days, again, out)


def _audit(
    case: Case,
    trace: Trace,
    seen: Series,
    method: str,
    halving: Halving | None,
    second: reference.Settings,
) -> Audit:
    """Return every balance, and spot checks of the two quarter hours that decide."""

    def again(part: Legs, state: NDArray[np.float64]) -> States:
        return reference.states_along(case.plant, part, state, second)

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
        second_integrator=f"scipy solve_ivp {second.method}, relative tolerance "
        f"{second.relative:g}",
        integrator=method,
        steps=trace.steps,
        halving=halving,
        complaints=complaints(found, spots, halving),
    )
