"""Time the march of packs as built beside the lumped march; run by hand, nothing is asserted.

    python tests/benchmarks/bench_built.py

A day of 24 h in which every second is another load, a box, a module node; 14 groups in series.
What counts is the ratio to the lumped march in the same process, and that a cell costs no more
among ten thousand than among a few hundred: seconds are of the machine and of what else it does.
Times are of the processor, so that other work on it tells less.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from sim.ask.built_run import settings_of, through
from sim.drive.legs import Load, legs
from sim.files.built_case import built_case
from sim.files.case import Case, assemble, read_scenario
from sim.integrate import march
from sim.physics.pack import POWER

SCENARIO = Path(__file__).resolve().parents[2] / "scenarios" / "orchard-cart.toml"
SECONDS = 86_400
LAYOUT = {"module_heat_capacity_J_K": 400.0, "module_conductance_W_K": 6.0}


def timed(run: Callable[[], Any]) -> tuple[float, Any]:
    """Return the best of three times [s], after one to warm up, and the result."""
    run()
    took, found = [], None
    for _ in range(3):
        begin = time.process_time()
        found = run()
        took.append(time.process_time() - begin)
    return min(took), found


def day(parallel: int, seconds: int = SECONDS, **tables: Any) -> Case:
    """Return a day whose load is another every second, on a pack 14s of so many in parallel."""
    content = read_scenario(SCENARIO)
    content["pack"]["parallel"] = parallel
    content.update(tables)
    case = assemble(content, SCENARIO)
    second = np.arange(seconds, dtype=float)
    power_W = parallel * (6.0 + 5.0 * np.sin(second / 37.0) + 0.01 * (second % 7.0))
    load = Load(POWER, np.append(second, float(seconds)), power_W, np.arange(seconds))
    cut = case.weather._replace(
        time_s=np.array([0.0, float(seconds)]),
        ambient_K=case.weather.ambient_K[:1].repeat(2),
        sun_W=np.zeros(2),
    )
    return replace(case, load=load, weather=cut, legs=legs(load, cut))


def built_time(case: Case) -> tuple[float, int, int]:
    """Return time [s], cells in the record, steps."""
    built = built_case(case)
    took_s, found = timed(lambda: through(built, settings_of(built, keep=False)))
    return took_s, built.built.fixed.shape[1], found[0].steps


def growth(lumped_s: float) -> None:
    """Print what a cell costs the more of them there are, in steps of the lumped march."""
    print("\ngrowth over cells, a thousand steps of 1 s; the last column over the smallest")
    print(f"{'cells':>8}{'s':>9}{'ns a cell and step':>20}{'of a lumped step':>18}{'growth':>9}")
    first_ns = 0.0
    for parallel in (20, 80, 320, 720):
        case = day(parallel, 1000, layout={"rows": 14, "columns": parallel, **LAYOUT})
        took_s, cells, steps = built_time(case)
        each_ns = took_s / steps / cells * 1e9
        first_ns = first_ns or each_ns
        share = each_ns / (lumped_s / SECONDS * 1e9)
        print(f"{cells:8}{took_s:9.3f}{each_ns:20.1f}{share:18.2f}{each_ns / first_ns:9.2f}")


def main() -> None:
    """Print the lumped lane, three places, resolved packs, and growth over cells."""
    plain = day(20)
    settings = march.Settings(keep_trace=False)
    lumped_s, _ = timed(
        lambda: march.march(plain.plant, plain.limits, plain.legs, plain.start, settings)
    )
    print(f"{'':34}{'cells':>7}{'s':>9}{'ns a cell and step':>20}{'over lumped':>13}")
    print(f"{'lumped lane':34}{1:7}{lumped_s:9.3f}{lumped_s / SECONDS * 1e9:20.1f}{1.0:13.1f}")
    grid = {"rows": 14, "columns": 20, **LAYOUT}
    touching = {**grid, "neighbour_W_K": 0.05}
    spread = {"capacity_percent": 1.0, "resistance_percent": 4.0}
    rows: list[tuple[str, Case]] = [
        ("one cell for all", day(20, board={"resistance_mohm": 1.0})),
        ("three places", day(20, layout={**grid, "model": "places"})),
        ("every cell", day(20, layout={"rows": 14, "columns": 20, **LAYOUT})),
        (
            "every cell, unlike",
            day(20, layout={"rows": 14, "columns": 20, **LAYOUT}, spread=spread),
        ),
        ("every cell, touching", day(20, layout=touching, spread=spread)),
        (
            "every cell, touching, busbars",
            day(20, layout=touching, busbar={"link_mohm": 0.05}, spread=spread),
        ),
    ]
    for words, case in rows:
        took_s, cells, steps = built_time(case)
        each_ns = took_s / steps / cells * 1e9
        print(f"{words:34}{cells:7}{took_s:9.3f}{each_ns:20.1f}{took_s / lumped_s:13.1f}")
    growth(lumped_s)


if __name__ == "__main__":
    main()
