"""The day in characters: plain ones, within the terminal, and nothing of it in a pipe."""

from __future__ import annotations

import os
import pty
import sys
from pathlib import Path
from unittest import mock

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_day import answer, write_day

from sim.show import sparkline

TIME_S = np.linspace(0.0, 36_000.0, 721)


def lines(width: int, core_C: np.ndarray, limit_C: float = 60.0) -> list[str]:
    load_W = np.where((TIME_S > 9_000.0) & (TIME_S < 12_000.0), 3000.0, 200.0)
    charge = np.linspace(100.0, 20.0, len(TIME_S))
    size = os.terminal_size((width, 24))
    with mock.patch.object(sparkline.shutil, "get_terminal_size", return_value=size):
        return sparkline.day(TIME_S, (load_W, "W"), core_C, limit_C, charge, ("06:00", "16:00"))


@given(st.integers(40, 200), st.floats(20.0, 90.0))
def test_no_line_is_wider_than_the_terminal_and_all_is_ascii(width, hottest_C):
    drawn = lines(width, np.linspace(20.0, hottest_C, len(TIME_S)))

    assert all(len(line) <= min(width, 100) for line in drawn)
    assert all(line.isascii() for line in drawn)
    bars = [line.index("|", line.index("|") + 1) for line in drawn[:3]]
    assert len(set(bars)) <= 1


def test_the_bars_show_when_it_was():
    load, core, charge, clock = lines(100, np.linspace(20.0, 50.0, len(TIME_S)))
    drawn = load.split("|")[1]
    begin, end = drawn.index("#") / len(drawn), drawn.rindex("#") / len(drawn)

    assert begin == pytest.approx(0.25, abs=1.5 / len(drawn))  # 9000 of 36,000 s
    assert end == pytest.approx(1.0 / 3.0, abs=1.5 / len(drawn))
    assert sorted(core.split("|")[1], key=sparkline.RAMP.index) == list(core.split("|")[1])
    assert "up to 50.0 C, limit 60 C" in core
    assert "100 -> 20 %" in charge
    assert clock.split() == ["06:00", "16:00"]


@given(st.lists(st.floats(-50.0, 90.0), min_size=100, max_size=400), st.integers(8, 70))
def test_each_column_is_the_greatest_of_its_stretch(values, count):
    value = np.array(values)
    time_s = np.arange(len(value)) * 60.0
    found = sparkline.columns(time_s, value, count)
    edges = np.linspace(time_s[0], time_s[-1], count + 1)
    for k in range(count):
        last = k == count - 1
        inside = (time_s >= edges[k]) & ((time_s < edges[k + 1]) | last)
        assert found[k] == value[inside].max()


def test_a_stretch_between_two_points_has_what_the_line_has():
    found = sparkline.columns(np.array([0.0, 100.0]), np.array([0.0, 10.0]), 10)

    assert found[1:-1] == pytest.approx(np.arange(1.5, 9.0))


def test_above_the_limit_the_core_is_marked_and_only_there():
    hot = lines(100, np.linspace(20.0, 80.0, len(TIME_S)))[1].split("|")[1]
    cool = lines(100, np.linspace(20.0, 59.9, len(TIME_S)))[1].split("|")[1]

    assert hot.index("!") / len(hot) == pytest.approx(2.0 / 3.0, abs=1.5 / len(hot))
    assert "!" not in cool


def test_too_narrow_a_terminal_or_no_day_gives_none():
    assert lines(20, np.full(len(TIME_S), 30.0), float("inf")) == [] or all(
        len(line) <= sparkline.NARROWEST for line in lines(20, np.full(len(TIME_S), 30.0))
    )
    one = np.zeros(1)
    assert sparkline.day(one, (one, "W"), one, 60.0, one, ("", "")) == []


def on_a_terminal(*words: str) -> str:
    """Run the command on a terminal of its own and return what it printed there."""
    shown: list[bytes] = []

    def read(fd: int) -> bytes:
        data = os.read(fd, 4096)
        shown.append(data)
        return data

    with Path(os.devnull).open("wb") as nowhere, mock.patch.dict(os.environ, {"COLUMNS": "90"}):
        kept = os.dup(1)
        os.dup2(nowhere.fileno(), 1)  # pty.spawn copies to standard output
        try:
            pty.spawn([sys.executable, "-m", "sim.cli", *words], read, lambda fd: b"")
        finally:
            os.dup2(kept, 1)
            os.close(kept)
    return b"".join(shown).decode()


BUILT = {"layout": {"rows": 4, "columns": 5}}


@pytest.mark.slow
@pytest.mark.parametrize("changes", [{}, BUILT], ids=["plain", "as built"])
def test_a_terminal_shows_the_day_and_a_pipe_does_not(tmp_path, changes):
    path = write_day(tmp_path, changes)
    words = ["simulate", str(path), "--out", str(tmp_path / "run"), "--no-plots"]
    shown = on_a_terminal(*words)
    _, piped, _ = answer(*words)

    assert "hottest core |" in shown
    assert "charge       |" in shown
    assert "10:00" in shown
    assert all(len(line) <= 90 for line in shown.splitlines() if "|" in line and "%" in line[40:])
    assert " |" not in piped
    assert "hottest core |" not in on_a_terminal(*words, "--quiet")
    assert "hottest core |" not in on_a_terminal(*words, "--json")
