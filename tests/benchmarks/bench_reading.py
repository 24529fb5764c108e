"""How long it takes to read a day of seconds, beside pandas' plain reader on the same file.

python tests/benchmarks/bench_reading.py
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sim.files.tables import read_table


def best_of(times: int, call) -> float:
    """Return the shortest of so many calls [s]."""
    found = []
    for _ in range(times):
        began = time.perf_counter()
        call()
        found.append(time.perf_counter() - began)
    return min(found)


def main() -> None:
    """Print seconds and their ratio for 86,400 and 864,000 rows."""
    print(f"{'rows':>8}{'pandas, s':>12}{'ours, s':>10}{'ours over pandas':>18}")
    for rows in (86_400, 864_000):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "day.csv"
            lines = (f"{i},{10 + i % 7}.{i % 10},4{i % 2}.25\n" for i in range(rows))
            path.write_text("time_s,current_A,voltage_V\n" + "".join(lines))
            plain_s = best_of(3, lambda path=path: pd.read_csv(path))
            ours_s = best_of(3, lambda path=path: read_table(path, ("current",)))
        print(f"{rows:>8}{plain_s:>12.3f}{ours_s:>10.3f}{ours_s / plain_s:>18.1f}")


if __name__ == "__main__":
    main()
