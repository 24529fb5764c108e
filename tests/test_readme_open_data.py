"""README's outputs of `fit` and `compare` are the real ones: run on the open data that they name.

The data lie beside the checkout and nothing of them is copied; where they are from is said in
tests/test_fit_voltage_open_data.py.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT.parent / "shared" / "data"
P29, P26, ROOM = "chamber_18650_2p9Ah", "chamber_18650_2p6Ah", "room_18650_3Ah"
LIKE = ("--like", "profiles/cells/nmc-18650-energy.toml")
PULSES = ("hppc_25C.csv", "hppc_0C.csv", "hppc_m10C.csv")
BENCH = """title = "One cell in a chamber"
[cell]
profile = "profiles/cells/nmc-18650-2600-fitted.toml"
[pack]
series = 1
parallel = 1
[[leg]]
current_A = 1.0
duration_min = 1
[ambient]
constant_C = 25
[cooling]
conductance_W_K = 0.18
"""


def run(folder: Path, names: dict[str, tuple[str, ...]], *words: str) -> str:
    """Return what a command prints, as one line of words; `names` = files by their data set."""
    (folder / "profiles").symlink_to(ROOT / "profiles", target_is_directory=True)
    for data, files in names.items():
        for name in files:
            if not (DATA / data / name).is_file():
                pytest.skip(f"open data shared/data/{data}/{name} is not beside this checkout")
            shutil.copy(DATA / data / name, folder / name)
    ran = subprocess.run(
        [sys.executable, "-m", "sim.cli", *words],
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "COLUMNS": "100", "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    assert ran.stderr == ""
    return flat(ran.stdout)


def flat(words: str) -> str:
    return re.sub(r"\s+", " ", words).strip()


def shown(begin: str) -> list[str]:
    """Return the lines of the printed block of README that begins so, without its command."""
    text = (ROOT / "README.md").read_text()
    block = next(b for b in re.findall(r"```\n(\$ .*?)```", text, re.S) if b.startswith(begin))
    # A line that goes on with an indent belongs to the one before.
    parts = re.split(r"\n(?=\S)", block[block.index("\n") + 1 :])
    return [flat(part) for part in parts if flat(part) != "..."]


def test_fit_of_pulses_says_what_readme_shows(tmp_path):
    slow = "c20_discharge_charge_25C.csv"
    printed = run(
        tmp_path, {P29: (*PULSES, slow)},
        "fit", *PULSES, "--ocv", slow, "--air", "stirred", "--contact", "none", *LIKE,
        "--out", "mine.toml",
    )  # fmt: skip

    lines = shown("$ stillair fit hppc_25C.csv")
    assert lines and [line for line in lines if line not in printed] == []


def test_fit_of_two_rates_says_of_heat_what_readme_shows(tmp_path):
    logs = ("S001_dis_1C.csv", "S001_dis_2C.csv", "S001_dis_C10.csv")
    printed = run(
        tmp_path, {ROOM: logs}, "fit", *logs[:2], "--ocv", logs[2], *LIKE, "--out", "mine.toml"
    )

    lines = shown("$ stillair fit S001_dis_1C.csv")
    assert lines and [line for line in lines if line not in printed] == []


def test_compare_with_a_log_that_was_not_fitted_says_what_readme_shows(tmp_path):
    (tmp_path / "bench.toml").write_text(BENCH)
    printed = run(
        tmp_path, {P26: ("R1_dis_2C.csv",)},
        "compare", "bench.toml", "R1_dis_2C.csv", "--ambient-column", "ambient_from_rest_C",
    )  # fmt: skip

    lines = shown("$ stillair compare bench.toml")
    assert lines and [line for line in lines if line not in printed] == []
