"""How long it takes to read a day of seconds, beside pandas' plain reader on the same file.

python tests/benchmarks/bench_reading.py

Each reading has a process of its own, as a command has: one that reads again has its memory at
hand, so that a small file, which fits into it, looks faster than a large one in the same code.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pandas as pd

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from sim.files.tables import read_table

TIMES = 5
READERS = {
    "pandas": pd.read_csv,
    "ours": lambda path: read_table(path, ("current",)),
}


def write(path: Path, rows: int) -> None:
    """Write a day of so many seconds."""
    lines = (f"{i},{10 + i % 7}.{i % 10},4{i % 2}.25\n" for i in range(rows))
    path.write_text("time_s,current_A,voltage_V\n" + "".join(lines))


def once(reader: str, folder: Path, name: str) -> None:
    """Print how long one reading takes [s], behind one of a small file."""
    READERS[reader](folder / "small.csv")
    began = time.perf_counter()
    READERS[reader](folder / name)
    print(time.perf_counter() - began)


def best_s(reader: str, folder: Path, name: str) -> float:
    """Return the shortest of some readings [s], each in a process of its own."""
    command = [sys.executable, __file__, reader, str(folder), name]
    found = [subprocess.run(command, capture_output=True, check=True) for _ in range(TIMES)]
    return min(float(run.stdout) for run in found)


def main() -> None:
    """Print seconds and their ratio for 86,400 and 864,000 rows."""
    print(
        f"{'rows':>8}{'pandas, s':>12}{'ours, s':>10}{'ours over pandas':>18}{'ours, us a row':>16}"
    )
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write(folder / "small.csv", 100)
        for rows in (86_400, 864_000):
            write(folder / "day.csv", rows)
            plain_s, ours_s = (best_s(reader, folder, "day.csv") for reader in READERS)
            print(
                f"{rows:>8}{plain_s:>12.3f}{ours_s:>10.3f}{ours_s / plain_s:>18.1f}"
                f"{ours_s / rows * 1e6:>16.2f}"
            )


if __name__ == "__main__":
    if len(sys.argv) > 1:
        once(sys.argv[1], Path(sys.argv[2]), sys.argv[3])
    else:
        main()
