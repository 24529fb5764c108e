"""Time `stillair odds` on a day at 1 Hz beside a day alone times so many; nothing is asserted.

    python tests/benchmarks/bench_odds.py [DRAWS]

The orchard cart's pack under 86,400 loads, one a second; every draw has a day of its own. Beside
the draws stand one march alone and one whole `simulate` (audit, bad end and all) in this process,
each timed thrice, the best taken, times DRAWS. Seconds by the clock, and in brackets those of the
processor, which other work on the machine hardly moves.
"""

from __future__ import annotations

import os
import resource
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np

from sim.ask.odds import DRAWS, odds, runs_of, valued
from sim.ask.odds_factors import factors_of
from sim.ask.odds_lanes import BESIDE, SETTINGS, run_all
from sim.ask.odds_share import hypercube
from sim.ask.simulate import simulate
from sim.files.case import Case, assemble, read_scenario
from sim.integrate import march

SCENARIO = Path(__file__).resolve().parents[2] / "scenarios" / "orchard-cart.toml"
TIMES = 3


def day(folder: Path) -> Case:
    """Return the orchard cart under another load each second, 75 % of its charge in a day."""
    load = folder / "load.csv"
    power_W = 320.0 * np.random.default_rng(1).uniform(0.0, 1.0, 86_400) ** 3
    rows = [f"{n},{value:.3f}" for n, value in enumerate(power_W)]
    load.write_text("\n".join(["time_s,power_W", *rows, "86400,0"]), encoding="utf-8")
    content = read_scenario(SCENARIO)
    del content["vehicle"]
    content["load"] = {"profile": str(load), "start": "00:00"}
    content["limits"]["on_cutoff"] = "record"
    return assemble(content, SCENARIO)


def took_s(work: Callable[[], Any], times: int = TIMES) -> tuple[float, float]:
    """Return the best of some times, by the clock and of the processor [s]."""
    found = []
    for _ in range(times):
        begin_s, begin_cpu_s = time.perf_counter(), time.process_time()
        work()
        found.append((time.perf_counter() - begin_s, time.process_time() - begin_cpu_s))
    clock_s, cpu_s = zip(*found, strict=True)
    return min(clock_s), min(cpu_s)


def main() -> None:
    """Print what so many draws take, by threads, beside as many days alone."""
    draws = int(sys.argv[1]) if len(sys.argv) > 1 else DRAWS
    with tempfile.TemporaryDirectory() as folder:
        case = day(Path(folder))
    factors = factors_of(case)
    values = valued(factors, hypercube(draws, len(factors), 1))
    with ThreadPoolExecutor(2) as threads:  # compiles
        run_all(case, factors, values[: 2 * BESIDE], threads)
    inputs = (case.plant, case.limits, case.legs, case.start)
    alone_s = took_s(lambda: march.march(*inputs, SETTINGS))
    whole_s = took_s(lambda: simulate(case))
    print(f"{len(case.legs.start_s)} loads a day, {len(factors)} factors, {draws} draws")
    print(f"load of the machine before {os.getloadavg()[0]:.1f}, cores {os.cpu_count()}")
    for words, (clock_s, cpu_s) in (("march", alone_s), ("simulate", whole_s)):
        many = f"x {draws} = {draws * clock_s:.1f} s ({draws * cpu_s:.1f})"
        print(f"{f'one {words} alone':26}{1e3 * clock_s:9.1f} ms ({1e3 * cpu_s:.1f})  {many}")
    for count in (1, 2):
        with ThreadPoolExecutor(count) as threads:
            clock_s, cpu_s = took_s(lambda t=threads: run_all(case, factors, values, t), 1)
        print(
            f"{f'draws, {count} thread(s)':26}{clock_s:9.1f} s  ({cpu_s:.1f})  "
            f"{1e3 * clock_s / draws:.2f} ms a draw; marches alone / this: "
            f"{draws * alone_s[0] / clock_s:.1f} ({draws * alone_s[1] / cpu_s:.1f}), "
            f"simulates / this: {draws * whole_s[0] / clock_s:.0f}"
        )
    with ThreadPoolExecutor(2) as threads:
        clock_s, cpu_s = took_s(lambda: odds(case, draws, 1, threads), 1)
    print(
        f"{'with indices, 2 threads':26}{clock_s:9.1f} s  ({cpu_s:.1f})  "
        f"{runs_of(case, draws)} runs"
    )
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")


if __name__ == "__main__":
    main()
