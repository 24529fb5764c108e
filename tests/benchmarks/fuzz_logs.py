"""Read N mutated logs (default 20,000) and print what came of each kind; exit 1 for any defect.

python tests/benchmarks/fuzz_logs.py [N [SEED]]
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from mutated_judge import complaint
from mutated_logs import mutant

MOST_SHOWN = 10


def main(count: int, seed: int) -> int:
    """Return how many defects were found."""
    warnings.simplefilter("error")
    rng, began = random.Random(seed), time.perf_counter()
    kinds: Counter[str] = Counter()
    defects: list[str] = []
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.csv"
        for number in range(count):
            made = mutant(rng)
            kinds[made.kind] += 1
            if found := complaint(made, path):
                defects.append(f"{number} {made.kind}: {found}\n{made.raw!r}")
    for kind, many in sorted(kinds.items()):
        print(f"{many:6d}  {kind}")
    print(f"{count} files in {time.perf_counter() - began:.1f} s, {len(defects)} defects")
    print("\n".join(defects[:MOST_SHOWN]))
    return len(defects)


if __name__ == "__main__":
    numbers = [int(word) for word in sys.argv[1:3]] + [20_000, 1][len(sys.argv) - 1 :]
    sys.exit(main(*numbers) > 0)
