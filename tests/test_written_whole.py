"""A result folder is written whole or not at all, and nobody else's files are lost."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from small_day import RESULT_FILES, answer, read_strictly, simulated, write_day

from sim.errors import OutputError
from sim.show.folder import check_replaceable, written_whole


def contents(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


def listing(folder: Path) -> list[str]:
    return sorted(str(file.relative_to(folder)) for file in folder.rglob("*"))


def test_a_new_result_replaces_an_older_one_whole(tmp_path):
    simulated(tmp_path)
    result = simulated(tmp_path, {"title": "Another day"}, "--no-plots")

    assert read_strictly(result / "summary.json")["title"] == "Another day"
    assert set(contents(result)) == RESULT_FILES - {"overview.png"}
    assert {file.name for file in tmp_path.iterdir()} == {
        "cell.toml",
        "day.toml",
        "load.csv",
        "result",
    }


@pytest.mark.parametrize("writer", ["write_timeseries", "write_events"])
@pytest.mark.parametrize(
    "failure, code, said",
    [
        (OSError(errno.ENOSPC, "No space left on device"), 2, "No space left on device"),
        (KeyboardInterrupt(), 130, "Interrupted; nothing was written."),
    ],
)
def test_a_failure_midway_leaves_the_old_result_and_nothing_beside(
    tmp_path, monkeypatch, writer, failure, code, said
):
    result = simulated(tmp_path)
    before, places = contents(result), listing(tmp_path)

    def fails(*_args: Any) -> None:
        raise failure

    monkeypatch.setattr(f"sim.show.files.{writer}", fails)
    got = answer("simulate", tmp_path / "day.toml", "--out", result)

    assert got[0] == code
    assert got[1] == ""
    assert said in got[2]
    assert got[2].count("\n") == 1
    assert contents(result) == before
    assert listing(tmp_path) == places


def test_a_failure_midway_leaves_no_folder_on_the_way_either(tmp_path, monkeypatch):
    path = write_day(tmp_path)
    places = listing(tmp_path)

    def fails(*_args: Any) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("sim.show.files.write_events", fails)
    code, _, err = answer("simulate", path, "--out", tmp_path / "deep/down/result")

    assert (code, err) == (
        2,
        f"{tmp_path}/deep/down/result can't be written: No space left on device\n",
    )
    assert listing(tmp_path) == places


@pytest.mark.parametrize("failure", [OSError(errno.EIO, "I/O error"), KeyboardInterrupt()])
def test_a_failure_between_the_two_renames_puts_the_old_result_back(tmp_path, failure, monkeypatch):
    folder = tmp_path / "result"
    folder.mkdir()
    (folder / "summary.json").write_text('{"stillair": "0.0"}')
    rename, calls = Path.rename, []

    def fails_once(self: Path, target: Path) -> Path:
        calls.append(self)
        if len(calls) == 2:  # the old one is out of the way, the new one not yet in place
            raise failure
        return rename(self, target)

    monkeypatch.setattr(Path, "rename", fails_once)
    with pytest.raises((OutputError, KeyboardInterrupt)), written_whole(folder) as fresh:
        (fresh / "summary.json").write_text('{"stillair": "new"}')

    assert len(calls) == 3
    assert contents(folder) == {"summary.json": b'{"stillair": "0.0"}'}
    assert listing(tmp_path) == ["result", "result/summary.json"]


@pytest.mark.parametrize(
    "stranger, named",
    [
        ({"notes.txt": "mine", "summary.json": '{"stillair": "0.1.0"}'}, "notes.txt"),
        ({"summary.json": '{"another": "tool"}'}, "summary.json"),
        ({"timeseries.csv": "a,b\n"}, "timeseries.csv"),
        ({".hidden": ""}, ".hidden"),
    ],
)
def test_a_folder_with_a_strangers_file_is_refused_and_untouched(
    tmp_path, monkeypatch, stranger, named
):
    path = write_day(tmp_path)
    folder = tmp_path / "mine"
    folder.mkdir()
    for name, text in stranger.items():
        (folder / name).write_text(text)
    before = contents(folder)
    monkeypatch.setattr("sim.ask.simulate.simulate", None)  # refused before any work is done

    got = answer("simulate", path, "--out", folder)

    assert got == (
        2,
        "",
        f"{folder} holds '{named}', which no run wrote, and would be replaced; "
        "give another --out\n",
    )
    assert contents(folder) == before


def test_an_empty_folder_may_be_filled(tmp_path):
    (tmp_path / "result").mkdir()

    assert set(contents(simulated(tmp_path))) == RESULT_FILES


@pytest.mark.parametrize(
    "out, said",
    [
        ("load.csv", "is not a folder; give another --out"),
        ("load.csv/result", "can't be written: {folder}/load.csv is a file"),
        ("load.csv/deep/down", "can't be written: {folder}/load.csv is a file"),
        ("linked", "is not a folder; give another --out"),
        ("dangling", "is not a folder; give another --out"),
        ("x" * 300, "can't be written: File name too long"),
        (".", "is the folder you are in; give another --out"),
    ],
)
def test_a_place_that_cant_be_written_is_told_before_the_run(tmp_path, monkeypatch, out, said):
    path = write_day(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    (tmp_path / "linked").symlink_to("elsewhere")
    (tmp_path / "dangling").symlink_to("nowhere")
    places = listing(tmp_path)
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sim.ask.simulate.simulate", None)

    code, _, err = answer("simulate", path, "--out", out)

    assert (code, err) == (2, f"{out} {said.format(folder=tmp_path)}\n")
    assert listing(tmp_path) == places


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_parent_without_permission_is_told_before_the_run(tmp_path):
    (tmp_path / "shut").mkdir(mode=0o500)

    with pytest.raises(OutputError, match="no permission in"):
        check_replaceable(tmp_path / "shut/result")


def test_a_disk_that_is_really_full_leaves_the_old_result(tmp_path):
    """The kernel's own limit on a file's size stands for a full disk."""
    pytest.importorskip("resource")  # not on every system
    path = write_day(tmp_path)
    result = simulated(tmp_path, None, "--no-plots")
    before, places = contents(result), listing(tmp_path)
    code = (
        "import resource, signal; from sim import cli; from sim.show import files;"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "write = files.write_timeseries;"
        "full = lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000));"
        "files.write_timeseries = lambda *given: (full(), write(*given));"
        "cli.main()"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, "simulate", path, "--no-plots", "--out", result],
        capture_output=True,
        text=True,
        timeout=120,
    )

    assert (run.returncode, run.stdout) == (2, "")
    assert run.stderr == f"{result} can't be written: File too large\n"
    assert contents(result) == before
    assert listing(tmp_path) == places
