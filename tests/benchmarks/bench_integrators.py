"""Time the integrators beside each other, error beside time; run by hand, nothing is asserted.

    python tests/benchmarks/bench_integrators.py

The judge of the error is scipy's Radau at 1e-11 on the same right-hand side, over the first legs
of each day; a leg is integrated on its own, so that no method steps across a load edge.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np

from sim.drive.legs import Legs
from sim.files.case import Case, read_case
from sim.integrate import march, reference
from sim.integrate.trace import Trace

SCENARIOS = Path(__file__).resolve().parents[2] / "scenarios"
LEGS = {"canal-launch": 60, "orchard-cart": 300, "cold-store-tug": 600}
METHODS = ("RK23", "RK45", "DOP853", "LSODA", "Radau", "BDF")


def first_legs(case: Case, count: int) -> Legs:
    """Return the first `count` legs of a case."""
    legs = case.legs
    return legs._replace(**{name: getattr(legs, name)[:count] for name in legs._fields[1:]})


def apart(trace: Trace, judge: Trace) -> tuple[float, float]:
    """Return the largest differences of state of charge and of core temperature [K]."""
    off = np.abs(trace.state - judge.state)
    return float(off[:, 0].max()), float(off[:, 1].max())


def timed(run: Callable[[], Trace]) -> tuple[float, Trace]:
    """Return the best of three times [s], after one to warm up, and the result."""
    run()
    took = []
    for _ in range(3):
        begin = time.perf_counter()
        trace = run()
        took.append(time.perf_counter() - begin)
    return min(took), trace


def main() -> None:
    """Print one table a scenario."""
    for name, count in LEGS.items():
        case = read_case(SCENARIOS / f"{name}.toml")
        legs = first_legs(case, count)
        inputs = (case.plant, case.limits, legs, case.start)
        judge = reference.march(*inputs, reference.Settings("Radau", 1e-11))
        print(f"\n{name}: {len(legs.start_s)} legs, {legs.end_s[-1] / 3600:.2f} h")
        print(f"{'':24}{'ms':>10}{'us a leg':>10}{'charge':>10}{'core K':>10}")
        rows = [
            (
                f"scipy {method} {relative:.0e}",
                reference.march,
                reference.Settings(method, relative),
            )
            for method in METHODS
            for relative in (1e-6, 1e-8)
        ]
        rows += [
            (f"march {step:g} s", march.march, march.Settings(longest_step_s=step))
            for step in (8.0, 4.0, 2.0, 1.0)
        ]
        for words, marcher, settings in rows:
            took_s, trace = timed(partial(marcher, *inputs, settings))
            soc, core_K = apart(trace, judge)
            each_us = took_s * 1e6 / len(legs.start_s)
            print(f"{words:24}{took_s * 1e3:10.2f}{each_us:10.0f}{soc:10.1e}{core_K:10.1e}")


if __name__ == "__main__":
    main()
