"""Time the march in one process with what it is measured against; nothing is asserted.

    python tests/benchmarks/bench_march.py [--quick]

The day is 24 h at 1 Hz, every second another load: core, surface and box, two pairs, resistance
over charge and temperature. Beside one lane stand the same loop by hand in C (march.c, where a
compiler is there), and a script's way, scipy's solve_ivp sample by sample, with the error of both
against a tight reference. Then lanes, steps, memory, and what the parts cost.
"""

from __future__ import annotations

import ctypes
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from plants import cell, plant
from test_marchers_agree import FILM, REAL

from sim.drive.legs import Legs, Load, legs
from sim.drive.weather import Weather
from sim.integrate import march, reference
from sim.integrate.lanes import march_many
from sim.integrate.trace import Trace
from sim.physics.beside import numbers
from sim.physics.box import AIR_NODE, Box
from sim.physics.film import tabled
from sim.physics.limits import Limits
from sim.physics.pack import CURRENT, POWER, Pack
from sim.physics.plant import Plant, at_rest

LIMITS = Limits(2.5, 4.3, -np.inf, 333.15, 253.15, 318.15, 253.15, 12.0, 3.0, 150.0, 253.15)
DAY_S = 86_400
SWEEP = march.Settings(stop_at_limits=False, keep_trace=False)
Run = tuple[Plant, Limits, Legs, Any]


def day(seconds: int = DAY_S, parallel: int = 20, one: Any = None) -> Run:
    """Return a run of so many seconds; the load empties the pack by two thirds in any length."""
    made = plant(
        cell(**REAL) if one is None else one,
        pack=Pack(14, parallel, 1, 0.4e-3, 6e-3),
        film=FILM,
        box=Box(AIR_NODE, 9000.0, 1.0, 0.0, 4.9, 12.0),
    )
    mean_W = 0.6 * 3.0 * 3.6 * 14 * 20 / max(24.0, seconds / 3600.0)  # 0.6 of the charge, in W h
    rng = np.random.default_rng(1)
    value_W = 4.0 * mean_W * rng.uniform(0.0, 1.0, seconds) ** 3
    edge_s = np.arange(seconds + 1.0)
    knots_s = np.arange(0.0, seconds + 1.0, 3600.0) if seconds > 3600 else np.array([0.0, seconds])
    knots_s = np.union1d(knots_s, [seconds])
    swing = np.sin(2.0 * np.pi * knots_s / DAY_S)
    weather = Weather(knots_s, 298.0 + 8.0 * swing, 30.0 + 30.0 * swing)
    load = Load(POWER, edge_s, value_W, np.arange(seconds))
    return made, LIMITS, legs(load, weather), at_rest(made, 0.95, 298.0, 298.0)


def best_s(run: Callable[[], Any], times: int = 5) -> float:
    """Return the best of some times [s], after one to warm up."""
    run()
    took = []
    for _ in range(times):
        begin = time.perf_counter()
        run()
        took.append(time.perf_counter() - begin)
    return min(took)


def alone(run: Run) -> Trace:
    """March one lane."""
    return march.march(*run, SWEEP)


# ---- the same loop in C


class _Tables(ctypes.Structure):
    _fields_ = (
        *((name, ctypes.c_void_p) for name in ("ocv", "layers", "grid")),
        *((name, ctypes.c_ssize_t) for name in ("points", "rows", "columns", "films", "roots")),
    )


def in_c(folder: Path) -> Callable[[Run], tuple[Any, Any]] | None:
    """Return the C march, which gives the last state and the worst margins; None without `cc`."""
    compiler = shutil.which("cc")
    if compiler is None:
        return None
    source, library = Path(__file__).with_name("march.c"), folder / "march.so"
    flags = ["-O3", "-march=native", "-shared", "-fPIC", "-o", str(library), str(source), "-lm"]
    subprocess.run([compiler, *flags], check=True)
    code = ctypes.CDLL(str(library)).march

    def run(given: Run) -> tuple[Any, Any]:
        made, limits, these, start = given
        film = tabled(made.film)
        values = np.array(numbers(made._replace(film=film), limits))
        ocv, layers, grid = made.cell.ocv[0], made.cell.layers[0], film.grid[0]
        tables = _Tables(
            ocv.ctypes.data, layers.ctypes.data, grid.ctypes.data,
            len(ocv), layers.shape[1], layers.shape[0],
            (grid.shape[1] - 1) // 3, (grid.shape[0] - 1) // 3,
        )  # fmt: skip
        state, sums = start[:7].copy(), start[7:].copy()
        worst = np.empty((2, 14))
        arrays = [getattr(these, name) for name in these._fields[1:]]
        columns = [arrays[n] for n in (0, 1, 2, 5, 6, 7, 8)]
        out = [state, sums, worst[0], worst[1]]
        pointers = [ctypes.c_void_p(a.ctypes.data) for a in (*columns, *out)]
        if code(
            ctypes.c_void_p(values.ctypes.data),
            ctypes.byref(tables),
            ctypes.c_ssize_t(len(arrays[0])),
            *pointers,
        ):
            raise ArithmeticError("the benchmark's day passes a limit: the C march knows no way on")
        return np.concatenate([state, sums]), worst

    return run


def beside_c(run: Run, folder: Path) -> None:
    """Print one lane, and the same loop in C."""
    ours_s = best_s(lambda: alone(run), 15)
    print(f"{'one lane, the 1 Hz day':44}{ours_s * 1e3:10.2f} ms{ours_s / DAY_S * 1e9:10.0f} ns")
    code = in_c(folder)
    if code is None:
        print("no C compiler here")
        return
    c_s = best_s(lambda: code(run), 15)
    trace, (state, worst) = alone(run), code(run)
    found = zip(
        ("state", "margins"), (trace.state[-1], trace.worst), (state, worst[0]), strict=True
    )
    off = {name: farthest(one, other) for name, one, other in found}
    words = "the same loop in C, -O3 -march=native"
    print(f"{words:44}{c_s * 1e3:10.2f} ms{c_s / DAY_S * 1e9:10.0f} ns")
    print(
        f"    ours / C: {ours_s / c_s:.2f}; they differ by {max(off.values()):.0e} of each number"
    )


def farthest(one: Any, other: Any) -> float:
    """Return the greatest relative difference between two arrays where they are finite."""
    far = np.isfinite(one) & np.isfinite(other)
    return float(np.max(np.abs(one[far] - other[far]) / (1e-9 + np.abs(other[far]))))


# ---- a script's way


def script(run: Run, method: str) -> Any:
    """Return the last state by solve_ivp from sample to sample at scipy's own tolerances.

    Nothing but solve_ivp: no limits, no events, no dense solution.
    """
    from scipy.integrate import solve_ivp

    from sim.drive.legs import leg_at
    from sim.physics.plant import rates

    made, _, these, y = run
    for i in range(len(these.start_s)):
        leg = leg_at(these, made.pack, i)

        def right_side(time_s: float, state: Any, leg: Any = leg) -> Any:
            rate = np.empty_like(state)
            rates(made, leg, time_s, state, rate)
            return rate

        y = solve_ivp(right_side, (leg.start_s, leg.end_s), y, method).y[:, -1]
    return y


def with_limits(run: Run) -> Any:
    """The same by the reference: with limits, events, a dense solution."""
    return reference.march(*run, reference.Settings("LSODA", 1e-3, stop_at_limits=False)).state[-1]


def beside_a_script(seconds: int) -> None:
    """Print speed and error of the march and of scripts on a slice of the day.

    Error = how far the last state is off: charge, core and box [K], the pairs' voltage [V].
    """
    run = day(seconds)
    judge = reference.march(*run, reference.Settings("Radau", 1e-11, stop_at_limits=False))
    halves = march.Settings(halved=True, stop_at_limits=False, keep_trace=False)
    rows: list[tuple[str, Callable[[], Any], int]] = [
        ("march", lambda: alone(run).state[-1], 9),
        ("march, steps halved", lambda: march.march(*run, halves).state[-1], 9),
        *(
            (f"solve_ivp sample by sample, {m}", lambda m=m: script(run, m), 1)  # type: ignore[misc]
            for m in ("LSODA", "BDF", "Radau", "RK23", "RK45")
        ),
        ("the reference with limits (LSODA, 1e-3)", lambda: with_limits(run), 1),
    ]
    columns = "".join(f"{word:>10}" for word in ("charge", "core K", "box K", "pairs V"))
    print(f"\n{seconds} s of it{'':28}{'us/sample':>12}{'ratio':>9}{columns}")
    first_s = 0.0
    for words, work, times in rows:
        took_s = best_s(work, times)
        first_s = first_s or took_s
        off = np.abs(work() - judge.state[-1])
        print(
            f"{words:44}{took_s / seconds * 1e6:12.3f}{took_s / first_s:9.0f}"
            f"{off[0]:10.1e}{off[1]:10.1e}{off[3]:10.1e}{max(off[5:7]):10.1e}"
        )


# ---- growth, memory


def growth(runs: list[tuple[int, Callable[[], Any]]], what: str, times: int = 3) -> None:
    """Print time per unit of growing amounts, each as a ratio to the first.

    Short runs are repeated for a fifth of a second: one of them ends before a disturbance does.
    """
    print(f"\n{what:>10}{'s':>12}{'ns each':>12}{'ratio':>9}")
    first = 0.0
    for amount, work in runs:
        took_s = best_s(work, max(times, int(0.2 / best_s(work, 1))))
        each = took_s / amount
        first = first or each
        print(f"{amount:10}{took_s:12.4f}{each * 1e9:12.1f}{each / first:9.2f}")


def different(run: Run, count: int) -> list[Run]:
    """Return `count` runs that differ in joints and parallel count, none past a limit."""
    made, limits, these, start = run
    return [
        (
            made._replace(
                pack=made.pack._replace(parallel=18 + n % 23, joint_ohm=0.4e-3 + 1e-6 * (n // 23))
            ),
            limits,
            these,
            start,
        )
        for n in range(count)
    ]


def memory(counts: tuple[int, ...]) -> None:
    """Print by how much the process grows over a sweep of ever longer days, their inputs aside."""
    print(f"\n{'steps':>10}{'grows by MB':>14}")
    for seconds in counts:
        runs = different(day(seconds), 16)
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        march_many(runs, SWEEP)
        after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        print(f"{seconds:10}{(after - before) / 1024:14.1f}")


# ---- where the time goes


def parts(run: Run) -> None:
    """Print what the day costs with one thing after another left out of it."""
    made, limits, these, start = run
    cheaper: list[tuple[str, Run]] = [("as it is", run)]
    steady = {**REAL, "polarisation": REAL["polarisation"][:1]}
    cheaper.append(("one pair for two", day(one=cell(**steady))))
    none = day(one=cell(**{**REAL, "polarisation": []}))
    cheaper.append(("no pair", none))
    given = made._replace(film=made.film._replace(fixed_W_K=0.03))
    cheaper.append(("a fixed conductance for the film", (given, limits, these, start)))
    free = made._replace(box=made.box._replace(kind=0))
    cheaper.append(("no box", (free, limits, these, start)))
    amps = these._replace(kind=CURRENT, value=these.value / 50.0)
    cheaper.append(("currents for powers", (made, limits, amps, start)))
    long = these._replace(**{n: getattr(these, n)[::60].copy() for n in these._fields[1:]})
    long = long._replace(end_s=np.append(long.start_s[1:], DAY_S * 1.0))
    cheaper.append(("as many steps, a leg a minute", (made, limits, long, start)))
    print(f"\n{'one lane':44}{'ms':>10}{'share':>9}")
    whole_s = 0.0
    for words, these_inputs in cheaper:
        took_s = best_s(lambda r=these_inputs: alone(r), 9)  # type: ignore[misc]
        whole_s = whole_s or took_s
        print(f"{words:44}{took_s * 1e3:10.2f}{took_s / whole_s:9.2f}")


def main() -> None:
    """Print all tables."""
    quick = "--quick" in sys.argv
    run = day()
    with tempfile.TemporaryDirectory() as folder:
        beside_c(run, Path(folder))
    one_s = best_s(lambda: alone(run), 9)
    many_s = best_s(lambda: march_many(different(run, 256), SWEEP), 3)
    print(
        f"{f'256 lanes on {os.cpu_count()} cores':44}{many_s * 1e3:10.1f} ms"
        f"{many_s / 256 / DAY_S * 1e9:10.1f} ns a lane and step, "
        f"{256 * one_s / many_s:.1f} times better than one after another"
    )
    beside_a_script(600 if quick else 3600)
    steps = (1_000, 10_000, 100_000) if quick else (1_000, 10_000, 100_000, 1_000_000)
    days = [(n, day(n)) for n in steps]
    growth([(n, lambda r=run: alone(r)) for n, run in days], "steps", 5)  # type: ignore[misc]
    eight = [(8 * n, different(run, 8)) for n, run in days]
    growth(
        [(n, lambda g=group: march_many(g, SWEEP, 1)) for n, group in eight],  # type: ignore[misc]
        "of 8 lanes",
    )
    short = day(6 * 3600)
    lanes = (8, 64, 512) if quick else (8, 64, 512, 4096)
    groups = [(n, different(short, n)) for n in lanes]
    growth(
        [(n, lambda g=group: march_many(g, SWEEP, 1)) for n, group in groups],  # type: ignore[misc]
        "lanes (6 h)",
    )
    memory(steps)
    parts(run)


if __name__ == "__main__":
    main()
