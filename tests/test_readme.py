"""The README keeps its word: its output is the real one, its keys are those of the summary."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
README = ROOT / "README.md"


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Run the README's example with the terminal's width of its block; return words and summary."""
    out = tmp_path_factory.mktemp("readme") / "orchard-cart"
    words = subprocess.run(
        [sys.executable, "-m", "sim.cli", "simulate", "scenarios/orchard-cart.toml", "--out", out],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "COLUMNS": "100"},
    ).stdout
    return words, json.loads((out / "summary.json").read_text())


def without_rounding(words: str) -> str:
    """Return the words without the size of what balances leave: other machines round otherwise."""
    return re.sub(r"close to \S+ of", "close to nothing of", words)


def test_the_printed_example_is_what_the_command_prints(run):
    block = re.search(r"```\n\$ stillair simulate [^\n]+\n(.*?)```", README.read_text(), re.S)
    words = re.sub(r"written to .*", "written to out/orchard-cart", run[0])

    assert without_rounding(block[1]) == without_rounding(words)


BLOCK = re.compile(
    r"```\n\$ stillair ((?:size|sweep|headroom|wiring|odds|report) [^\n]+)\n(.*?)```", re.S
)


@cache
def printed_by(words: str) -> str:
    """Return what a command prints, run where nothing of the checkout can be written."""
    with tempfile.TemporaryDirectory() as found:
        for folder in ("profiles", "scenarios"):
            (Path(found) / folder).symlink_to(ROOT / folder, target_is_directory=True)
        ran = subprocess.run(
            [sys.executable, "-m", "sim.cli", *words.split()],
            cwd=found,
            capture_output=True,
            text=True,
            check=False,
            env={**os.environ, "COLUMNS": "100"},
        )
    assert (ran.returncode, ran.stderr) == (0, "")
    return ran.stdout


def shown_in(shown: str, printed: str) -> bool:
    """Whether lines stand in what was printed, whole and in order; `...` stands for any lines."""
    pieces = without_rounding(shown).split("...\n")
    pattern = "(?:.*\n)*?".join(re.escape(piece) for piece in pieces)
    return re.fullmatch(pattern, without_rounding(printed)) is not None


LONG = ("odds", "report", "sweep scenarios/orchard-cart-as-built")
SHOWN = [
    pytest.param(*found, marks=[pytest.mark.slow] if found[0].startswith(LONG) else [])
    for found in BLOCK.findall(README.read_text())
]


@pytest.mark.parametrize("words, shown", SHOWN)
def test_further_printed_examples_are_what_the_commands_print(words, shown):
    printed = printed_by(words)

    assert shown_in(shown, printed), printed


@pytest.mark.slow
def test_what_a_run_says_of_the_parts_is_what_it_says(tmp_path):
    """The example as README tells to make it: two replacements, and lines at the end."""
    told = README.read_text().split("What a run says of the parts:")[1]
    added, shown = re.search(r"```toml\n(.*?)```\n\n```\n(.*?)```", told, re.S).groups()
    scenario = (ROOT / "scenarios" / "orchard-cart-as-built.toml").read_text()
    for old, new in (("days = 3", "days = 2"), ('model = "places"', 'model = "resolved"')):
        assert scenario.count(old) == 1
        scenario = scenario.replace(old, new)
    (tmp_path / "scenarios").mkdir()
    (tmp_path / "profiles").symlink_to(ROOT / "profiles", target_is_directory=True)
    path = tmp_path / "scenarios" / "parts.toml"
    path.write_text(f"{scenario}\n{added}")
    printed = subprocess.run(
        [sys.executable, "-m", "sim.cli", "simulate", path, "--no-plots", "--out", tmp_path / "o"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "COLUMNS": "100"},
    ).stdout

    assert shown_in(shown, printed), printed


def test_the_first_half_hour_asks_five_questions_by_five_commands():
    half = README.read_text().split("## The first half hour")[1].split("\n## ")[0]
    asked = re.findall(r"^\*\*(\d)\. [^*]+\?\*\*", half, re.M)
    commands = {words.split()[0] for words, _ in BLOCK.findall(half)}

    assert asked == list("12345")
    assert commands | {"simulate"} == {"size", "simulate", "sweep", "headroom", "wiring"}
    assert "stillair simulate" in half


def test_the_example_begins_by_line_fifteen():
    lines = README.read_text().splitlines()

    assert any(line.startswith("Stays cool: ") for line in lines[:15])


def test_every_top_level_key_of_the_summary_is_documented(run):
    table = README.read_text().split("its keys are stable:")[1].split("## ")[0]
    documented = {
        key
        for row in re.findall(r"^\| (`[^|]+) \|", table, re.M)
        for key in re.findall(r"`(\w+)`", row)
    }

    assert set(run[1]) == documented


def test_the_two_commands_stand_in_the_readme_as_ci_runs_them():
    text = README.read_text()

    assert re.search(
        r"^python3 -m venv .*stillair simulate scenarios/orchard-cart\.toml$", text, re.M
    )
    assert re.search(r"^python3 -m venv .*-m pytest$", text, re.M)


def test_every_key_of_the_scenario_is_documented():
    from sim.files.scenario_schema import ScenarioTable

    text = README.read_text().split("## The scenario file")[1].split("## What a run leaves")[0]
    missing = [
        f"[{name}] {key}"
        for name, field in ScenarioTable.model_fields.items()
        for kind in [field.annotation, *getattr(field.annotation, "__args__", ())]
        for key in getattr(kind, "model_fields", {})
        if f"`{key}`" not in text
    ]

    assert missing == []
