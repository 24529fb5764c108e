"""The command as a user meets it: first line, exit code, what goes where, and how it ends."""

from __future__ import annotations

import importlib.metadata
import json
import re
from pathlib import Path

import pytest
from small_day import CELL, SCENARIO, answer, changed, command, dump, names_in, rows_of, write_day

from sim import __version__, cli

YES, NO, UNUSABLE, INTERRUPTED = 0, 1, 2, 130


@pytest.fixture
def day(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The small day, in the folder that the test stands in."""
    monkeypatch.chdir(tmp_path)
    return write_day(tmp_path)


def test_a_day_that_passes_exits_0_and_first_says_by_how_much(tmp_path):
    path = write_day(tmp_path)

    run = command("simulate", path, cwd=tmp_path)

    said = json.loads((tmp_path / "out/day/summary.json").read_text(encoding="utf-8"))
    margin = {row["limit"]: row["margin"] for row in said["limits"]}
    assert (run.returncode, run.stderr) == (YES, "")
    first = run.stdout.splitlines()[0]
    assert first.startswith("Stays cool: hottest core ")
    assert f"{margin['hot']:.1f} K below its limit" in first
    assert f"{margin['cutoff']:.2f} V above cut-off" in first
    assert first == said["verdict"]["sentence"]
    assert run.stdout.splitlines()[-1] == "written to out/day"


@pytest.mark.parametrize(
    "changes, opening",
    [
        ({"limits.core_max_C": 30}, "Gets too hot: core above limit (30.0 C) at 10:"),
        ({"limits.cutoff_V": 3.4}, "Does not last the day: cell below cut-off (3.40 V) at 10:"),
        ({"load.scale": 1.3}, "Does not last the day: cell empty (0.0 %) at 10:"),
        (
            {"limits.reserve_percent": 50},
            "Stays cool, but crosses another limit: charge below reserve (50.0 %) at 10:",
        ),
    ],
)
def test_a_crossed_limit_exits_1_and_is_named_with_its_time(day, changes, opening):
    write_day(day.parent, changes)

    code, out, err = answer("simulate", day, "--no-plots")

    assert (code, err) == (NO, "")
    assert out.startswith(opening)


def test_a_verdict_that_hangs_on_guesses_says_so(day):
    guessed = dump({key: value for key, value in CELL.items() if key != "sources"})
    (day.parent / "cell.toml").write_text(guessed, encoding="utf-8")

    code, out, _ = answer("simulate", day, "--quiet", "--no-plots")

    assert code == YES
    assert out.startswith("Stays cool if the guesses hold: hottest core ")


def test_without_a_clock_times_are_told_from_the_start(day):
    day.write_text(dump({**SCENARIO, "load": {"profile": "load.csv"}}), encoding="utf-8")

    _, out, _ = answer("simulate", day, "--no-plots")

    assert "hottest core 40.7 C after 40 min, " in out.splitlines()[0]
    assert "00:40" not in out


def test_what_cant_be_used_exits_2_with_nothing_on_stdout(tmp_path):
    path = write_day(tmp_path, {"pack.seires": 4})

    run = command("simulate", path, cwd=tmp_path)

    assert (run.returncode, run.stdout) == (UNUSABLE, "")
    assert run.stderr == f"{path}: [pack] seires is not known here; did you mean 'series'?\n"
    assert not (tmp_path / "out").exists()


def test_no_answer_from_the_integrator_is_one_sentence(day, monkeypatch):
    def gives_up(*_args):
        raise ArithmeticError("the step grew too small at 12.0 s")

    monkeypatch.setattr("sim.ask.simulate.simulate", gives_up)

    assert answer("simulate", day) == (NO, "", "No answer: the step grew too small at 12.0 s\n")


def test_json_on_stdout_is_the_summary_of_the_folder(day):
    code, out, err = answer("simulate", day, "--json", "--no-plots")

    written = (day.parent / "out/day/summary.json").read_text(encoding="utf-8")
    assert (code, err) == (YES, "")
    assert json.loads(out) == json.loads(written)


def test_quiet_prints_the_verdict_and_nothing_else(day):
    code, out, _ = answer("simulate", day, "--quiet", "--no-plots")

    assert code == YES
    assert out.count("\n") == 1
    assert out.startswith("Stays cool: ")


def test_a_failed_audit_is_told_before_the_verdict_on_its_line(day, monkeypatch):
    monkeypatch.setattr("sim.judge.audit.BALANCE", -1.0)

    code, out, _ = answer("simulate", day, "--quiet", "--no-plots")

    assert code == NO
    assert out.count("\n") == 1
    assert out.startswith("Do not trust this run: ")
    assert "Stays cool: hottest core" in out


def test_without_plots_no_picture_is_left(day):
    answer("simulate", day, "--no-plots", "--out", "bare")
    answer("simulate", day, "--out", "drawn")

    tables = ["events.csv", "summary.json", "timeseries.csv"]
    assert names_in("bare") == tables
    assert names_in("drawn") == sorted([*tables, "overview.png"])


@pytest.mark.parametrize(
    "every, times_s",
    [
        ("0", [*range(0, 2400, 60), 2400]),
        ("60", [*range(0, 2400, 60), 2400]),
        ("150", [*range(0, 2400, 180), 2400]),
        ("1e9", [0, 2400]),
    ],
)
def test_every_keeps_rows_that_far_apart_and_the_end(day, every, times_s):
    answer("simulate", day, "--no-plots", "--every", every)

    rows = rows_of(Path("out/day/timeseries.csv"))
    assert [float(row["time_s"]) for row in rows] == times_s


def test_both_integrators_answer(day):
    _, march, _ = answer("simulate", day, "--quiet", "--no-plots")
    code, scipy, _ = answer("simulate", day, "--quiet", "--no-plots", "--integrator", "scipy")

    assert code == YES
    assert scipy == march  # to the digits of a sentence


@pytest.mark.parametrize(
    "words, said",
    [
        ([], "Usage: "),
        (["simulate"], "Missing argument"),
        (["simulate", "day.toml", "--nope"], "No such option: --nope"),
        (["simulate", "day.toml", "more.toml"], "unexpected extra argument"),
        (["simulate", "day.toml", "--every", "often"], "Invalid value for '--every'"),
        (["simulate", "day.toml", "--every", "-1"], "Invalid value for '--every'"),
        (["simulate", "day.toml", "--every", "nan"], "Invalid value for '--every'"),
        (["simulate", "day.toml", "--integrator", "abacus"], "Invalid value for '--integrator'"),
        (["frobnicate"], "No such command 'frobnicate'"),
        (["check", "day.toml", "--out", "x"], "No such option: --out"),
    ],
)
def test_wrong_usage_exits_2_and_says_what_was_wrong(day, words, said):
    code, out, err = answer(*words)

    assert (code, out) == (UNUSABLE, "")
    assert said in err
    assert "Traceback" not in err


def test_wrong_usage_ends_without_a_traceback_in_the_real_command(tmp_path):
    run = command("simulate", "--nope", cwd=tmp_path)

    assert run.returncode == UNUSABLE
    assert run.stderr.startswith("Usage: ")
    assert "Traceback" not in run.stderr


@pytest.mark.parametrize("words", [["--help"], ["-h"], ["simulate", "--help"], ["check", "-h"]])
def test_help_exits_0(words):
    code, out, err = answer(*words)

    assert (code, err) == (YES, "")
    assert out.startswith("Usage: ")


def test_the_installed_script_is_this_command():
    scripts = importlib.metadata.entry_points(group="console_scripts", name="stillair")
    if not scripts:
        pytest.skip("not installed, run from the sources")

    assert {script.load() for script in scripts} == {cli.main}


def test_version_exits_0():
    assert answer("--version") == (YES, f"stillair {__version__}\n", "")


@pytest.mark.parametrize("columns, widest", [("60", 60), ("100", 100), ("200", 100)])
def test_lines_are_as_wide_as_the_terminal_and_at_most_100(day, monkeypatch, columns, widest):
    write_day(day.parent, {"cooling.conductance_W_K": 0.05, "cooling.emissivity": 0.9})
    monkeypatch.setenv("COLUMNS", columns)

    checked = answer("check", "day.toml")[1].splitlines()
    lines = answer("simulate", "day.toml", "--no-plots")[1].splitlines()

    assert max(map(len, lines[lines.index("", 2) :])) <= widest  # the table keeps its columns
    assert max(map(len, checked[1:])) <= widest
    hanging = [line for line in checked if line.startswith(" ")]
    assert all(re.match(r" {9}\S", line) for line in hanging)
    assert len(hanging) > 3


def test_check_tells_how_everything_was_understood(day):
    code, out, err = answer("check", day)

    lines = out.splitlines()
    text = " ".join(out.split())
    assert (code, err) == (YES, "")
    assert lines[0] == f"{day} can be used: A small day."
    for piece in (
        "4 in series x 5 in parallel: 20 cells",
        "10.0 to 16.8 V",
        "'power_W' of load.csv as power: 10:00 to 10:40 (40 min), 200.0 to 350.0 W, 183.3 Wh net",
        "read as commas, decimal point, header on line 1; time from 'time_s' (s); 40 rows",
        "25.0 C outside, no box",
        "still air on 100 % of the side of lying cells, emissivity 0.8",
        "100 % charge, cells at 25.0 C",
        "cell 2.50 to 4.20 V; core -20 to 60 C, on charge 0 to 45 C; cell 10 A, on charge 3 A",
        "limits: no source given",
        "all cells are identical",
    ):
        assert piece in text


def test_check_quiet_prints_one_line_and_json_all_inputs(day):
    assert answer("check", day, "--quiet") == (YES, f"{day} can be used: A small day.\n", "")

    code, out, _ = answer("check", day, "--json")

    told = json.loads(out)
    assert code == YES
    assert told["scenario"]["pack"]["series"] == 4
    assert told["cell"]["capacity_Ah"] == 3.0
    assert told["load"]["rows"] == 40


def test_check_refuses_with_2(day):
    day.write_text(dump(changed(SCENARIO, {"ambient.low_C": 3.0})), encoding="utf-8")

    code, out, err = answer("check", day)

    assert (code, out) == (UNUSABLE, "")
    wanted = "give constant_C, or low_C with high_C, or profile; one of the three"
    assert err == f"{day}: [ambient]: {wanted}\n"


def test_check_writes_nothing(day):
    before = names_in(".")

    answer("check", day)

    assert names_in(".") == before


def test_an_interrupt_while_writing_exits_130_too(day, monkeypatch):
    def interrupted(*_args):
        raise KeyboardInterrupt

    monkeypatch.setattr("sim.show.files.write_events", interrupted)

    assert answer("simulate", day) == (INTERRUPTED, "", "Interrupted; nothing was written.\n")
    assert not Path("out").exists()
