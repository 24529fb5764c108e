"""The starter scenario: it runs as it is, every variant that its comments offer runs too."""

from __future__ import annotations

import re
import subprocess
import sys
from importlib.resources import files
from pathlib import Path

import pytest
from small_day import answer, names_in, read_strictly

from sim.show.starter import STARTER

ROOT = Path(__file__).resolve().parents[1]
LEGS = re.compile(r"^\[\[leg\]\]\n(?:(?!\[).*\n?)*", re.M)


def laid(folder: Path) -> Path:
    code, _, err = answer("new", folder / "mine")
    assert (code, err) == (0, "")
    return folder / "mine" / "vehicle.toml"


def test_the_starter_simulates_as_it_is_and_passes(tmp_path):
    scenario = laid(tmp_path)

    code, out, err = answer("simulate", scenario, "--no-plots", "--out", tmp_path / "o")

    assert (code, err) == (0, "")
    assert out.startswith("Stays cool: ")
    assert names_in(tmp_path / "mine") == sorted(STARTER)
    summary = read_strictly(tmp_path / "o" / "summary.json")
    assert summary["verdict"]["passed"]
    assert summary["bad_end"]["passed"]  # with room, so that a first change does not break it
    assert summary["vehicle"]["climb_m"] > 0


def test_new_says_what_it_laid_and_what_to_run(tmp_path):
    code, out, _ = answer("new", tmp_path / "mine")

    assert code == 0
    assert f"stillair simulate {tmp_path / 'mine' / 'vehicle.toml'}" in out
    assert answer("new", tmp_path / "other", "--quiet")[1] == f"{tmp_path / 'other'}/vehicle.toml\n"


def test_the_table_of_a_day_that_the_comments_offer_runs_too(tmp_path):
    scenario = laid(tmp_path)
    text = scenario.read_text()
    changed = LEGS.sub("", text).replace('# profile = "day.csv"', 'profile = "day.csv"')
    assert "[[leg]]" not in re.sub(r"#.*", "", changed)
    scenario.write_text(changed)

    code, _, err = answer("simulate", scenario, "--no-plots", "--out", tmp_path / "o")

    assert (code, err) == (0, "")


def test_every_key_offered_behind_a_comment_mark_is_accepted(tmp_path):
    scenario = laid(tmp_path)
    text = scenario.read_text()
    offered = re.findall(r"^# (\w+ = [\w.]+) ", text, re.M)
    assert offered == ["capacity_Ah = 3.0"]  # the two files are tried elsewhere

    scenario.write_text(text.replace("# capacity_Ah", "capacity_Ah"))

    assert answer("check", scenario)[0] == 0


@pytest.mark.parametrize("name", STARTER)
def test_nothing_is_ever_overwritten(tmp_path, name):
    (tmp_path / name).write_text("mine")

    code, out, err = answer("new", tmp_path)

    assert (code, out) == (2, "")
    assert err == f"{tmp_path / name} is there already and is not overwritten; give another DIR\n"
    assert names_in(tmp_path) == [name]
    assert (tmp_path / name).read_text() == "mine"


def test_a_folder_that_is_there_keeps_what_it_holds(tmp_path):
    (tmp_path / "notes.txt").write_text("mine")

    assert answer("new", tmp_path)[0] == 0

    assert names_in(tmp_path) == sorted([*STARTER, "notes.txt"])


def test_a_place_that_cannot_be_written_is_said_and_nothing_is_left(tmp_path):
    (tmp_path / "file").write_text("")

    code, _, err = answer("new", tmp_path / "file" / "deeper")

    assert code == 2
    assert err.startswith(f"{tmp_path / 'file' / 'deeper'} can't be written: ")
    assert names_in(tmp_path) == ["file"]


def test_a_write_that_breaks_off_takes_back_what_it_wrote(tmp_path, monkeypatch):
    real = Path.open

    def full(self, *args, **kwargs):
        if self.name == STARTER[-1] and tmp_path in self.parents:
            raise OSError(28, "No space left on device")
        return real(self, *args, **kwargs)

    monkeypatch.setattr(Path, "open", full)
    code, _, err = answer("new", tmp_path / "a" / "b")

    assert (code, err) == (2, f"{tmp_path / 'a' / 'b'} can't be written: No space left on device\n")
    assert names_in(tmp_path) == []


def test_the_starters_cell_is_the_repositorys_generic_one():
    profile = ROOT / "profiles" / "cells" / "nmc-18650-energy.toml"
    if not profile.is_file():
        pytest.skip("profiles/ is not beside the tests")

    laid_cell = (files("sim") / "starter" / "cell.toml").read_text(encoding="utf-8")

    assert laid_cell == profile.read_text(encoding="utf-8")


def test_an_installed_package_brings_the_starter_along(tmp_path):
    """From another folder and without this checkout on the path, where it is installed."""
    found = subprocess.run(
        [sys.executable, "-c", "import sim, pathlib; print(pathlib.Path(sim.__file__).parent)"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    if found.returncode != 0:
        pytest.skip("stillair is not installed for this Python")

    assert set(STARTER) <= set(names_in(Path(found.stdout.strip()) / "starter"))
