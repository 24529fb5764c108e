"""The command as a process: what it imports, pipes, terminals, encodings and interrupts."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from small_day import command, load_csv, names_in, write_day

YES, NO, UNUSABLE, INTERRUPTED = 0, 1, 2, 130
HEAVY = ("matplotlib", "numba", "numpy", "pandas", "pydantic", "scipy")


def long_day(folder: Path) -> Path:
    """A run of half a minute: an hour of changing load, 300 times over."""
    path = write_day(folder, {"pack.parallel": 5000, "load.repeat": 300})
    power_W = [float(10 + i * 7919 % 60) for i in range(3600)]
    (folder / "load.csv").write_text(load_csv(power_W, step_s=1), encoding="utf-8")
    return path


def imported_by(*words: str | Path, cwd: Path) -> set[str]:
    """Return which of the heavy packages a run of the command has imported at its end."""
    code = (
        "import atexit, sys; from sim import cli; sys.argv[0] = 'stillair'; "
        f"atexit.register(lambda: print('\\n' + ' '.join(m for m in {HEAVY} if m in sys.modules)));"
        "cli.main()"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)],
        cwd=cwd,
        capture_output=True,
        text=True,
        timeout=120,
        check=True,
    )
    return set(run.stdout.splitlines()[-1].split())


def test_help_and_version_start_without_a_heavy_import(tmp_path):
    assert imported_by("--help", cwd=tmp_path) == set()
    assert imported_by("--version", cwd=tmp_path) == set()


def test_check_imports_neither_pictures_nor_tables(tmp_path):
    imported = imported_by("check", write_day(tmp_path), cwd=tmp_path)

    assert not imported & {"matplotlib", "pandas"}
    assert imported >= {"numba", "pydantic"}  # or the test looks at the wrong place


def test_a_run_without_plots_does_not_import_matplotlib(tmp_path):
    assert "matplotlib" not in imported_by(
        "simulate", write_day(tmp_path), "--no-plots", cwd=tmp_path
    )


@pytest.mark.parametrize("words", [["check"], ["simulate", "--no-plots", "--json"]])
def test_a_reader_who_leaves_early_is_no_error(tmp_path, words):
    """Like `| head -1`, but surely gone before the first word."""
    path = write_day(tmp_path)
    reading, writing = os.pipe()
    os.close(reading)
    with os.fdopen(writing, "w") as pipe:
        run = subprocess.run(
            [sys.executable, "-m", "sim.cli", words[0], path, *words[1:]],
            cwd=tmp_path,
            stdout=pipe,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
        )

    assert (run.returncode, run.stderr) == (YES, "")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs a device that is always full")
def test_an_answer_that_cant_be_printed_is_one_sentence(tmp_path):
    path = write_day(tmp_path)
    with Path("/dev/full").open("w", encoding="utf-8") as full:
        run = subprocess.run(
            [sys.executable, "-m", "sim.cli", "check", path],
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            timeout=120,
        )

    assert run.returncode == UNUSABLE
    assert run.stderr == "the answer can't be printed: No space left on device\n"


def test_no_room_for_the_compiled_code_is_one_sentence(tmp_path):
    """The kernel's own limit on a file's size stands for a full disk."""
    pytest.importorskip("resource")  # not on every system
    path = write_day(tmp_path)
    code = (
        "import resource, signal; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (3000, 3000));"
        "from sim import cli; cli.main()"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, "simulate", path],
        env={**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "cache")},
        capture_output=True,
        text=True,
        timeout=240,
    )

    assert (run.returncode, run.stdout) == (UNUSABLE, "")
    assert run.stderr == "No answer, the system refused: [Errno 27] File too large\n"


@pytest.mark.parametrize("encoding", ["ascii", "latin-1"])
def test_a_terminal_that_cant_show_a_title_still_gets_every_answer(tmp_path, encoding):
    path = write_day(tmp_path, {"title": "Größe ☀"}, name="Tag-ä")
    poor = {"LC_ALL": "C", "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"}

    def run(*words):
        return subprocess.run(
            [sys.executable, "-m", "sim.cli", *words],
            cwd=tmp_path,
            env={**os.environ, **poor, "PYTHONIOENCODING": encoding},
            capture_output=True,
            timeout=120,
        )

    checked, as_json = run("check", path), run("simulate", path, "--json", "--no-plots")
    wrong = run("check", "Tag-ö.toml")

    assert (checked.returncode, checked.stderr) == (YES, b"")
    assert (as_json.returncode, as_json.stderr) == (YES, b"")
    assert as_json.stdout.isascii()
    assert json.loads(as_json.stdout)["title"] == "Größe ☀"
    assert (wrong.returncode, wrong.stderr.count(b"\n")) == (UNUSABLE, 1)
    if encoding == "latin-1":
        assert "Größe \\u2600." in checked.stdout.decode("latin-1").splitlines()[0]


def test_a_file_name_that_is_no_text_is_used_all_the_same(tmp_path):
    named = os.fsencode(tmp_path) + b"/day\xff.toml"
    write_day(tmp_path).rename(os.fsdecode(named))

    run = subprocess.run(
        [sys.executable, "-m", "sim.cli", "simulate", named, "--no-plots", "--out", "out"],
        cwd=tmp_path,
        capture_output=True,
        timeout=120,
    )

    said = json.loads((tmp_path / "out/summary.json").read_text(encoding="utf-8"))
    assert (run.returncode, run.stderr) == (YES, b"")
    assert os.fsencode(said["scenario"]) == b"day\xff.toml"


@pytest.mark.parametrize("words", [["check", "day.toml"], ["simulate", "day.toml", "--no-plots"]])
def test_python_itself_has_nothing_to_warn_of(tmp_path, words):
    run = subprocess.run(
        [sys.executable, "-X", "dev", "-W", "error", "-m", "sim.cli", *words],
        cwd=write_day(tmp_path).parent,
        capture_output=True,
        text=True,
        timeout=240,
    )

    assert (run.returncode, run.stderr) == (YES, "")


def test_a_progress_bar_is_shown_on_a_terminal_only(tmp_path):
    path = write_day(tmp_path)
    master, slave = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "sim.cli", "simulate", path, "--no-plots"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=slave,
    ) as run:
        os.close(slave)
        shown = read_until(master, b"100%")
        run.communicate(timeout=120)
    os.close(master)

    assert b"simulating" in shown
    assert run.returncode == YES
    assert command("simulate", path, "--no-plots", cwd=tmp_path).stderr == ""


def read_until(master: int, wanted: bytes, seconds: float = 60.0) -> bytes:
    """Return what a terminal has shown by the time that `wanted` stands there, or it closed."""
    shown, end_s = b"", time.monotonic() + seconds
    while wanted not in shown and time.monotonic() < end_s:
        if select.select([master], [], [], 0.1)[0]:
            try:
                piece = os.read(master, 4096)
            except OSError:  # the other side has closed
                break
            shown += piece
    return shown


INTO_THE_COMPILER = '''
import ctypes, signal, time, types
from sim import cli

compiler = types.ModuleType("llvmlite.binding.of_our_own")
exec("""
import os, signal, time
def called_back():
    os.kill(os.getpid(), signal.SIGINT)
    time.sleep(0.2)
    print("compiled", flush=True)
""", compiler.__dict__)
called_back = ctypes.CFUNCTYPE(None)(compiler.called_back)

def app(**_):
    called_back()
    for _ in range(600):
        time.sleep(0.1)
    return 0

cli.app = app
signal.signal(signal.SIGINT, signal.default_int_handler)
cli.main()
'''


def test_an_interrupt_that_falls_into_the_compiler_waits_for_it():
    """What is raised where C called back is lost, so an interrupt waits until that has returned."""
    run = subprocess.run(
        [sys.executable, "-c", INTO_THE_COMPILER], capture_output=True, text=True, timeout=50
    )

    assert (run.returncode, run.stdout) == (INTERRUPTED, "compiled\n")
    assert run.stderr == "Interrupted; nothing was written.\n"


def test_an_interrupt_in_the_middle_of_a_run_exits_130_and_leaves_the_old_result(tmp_path):
    path = long_day(tmp_path)
    write_day(tmp_path / "short")
    assert command("simulate", "short/day.toml", "--out", "old", cwd=tmp_path).returncode == YES
    before = {file.name: file.read_bytes() for file in (tmp_path / "old").iterdir()}
    listing = names_in(tmp_path)
    master, slave = pty.openpty()

    with subprocess.Popen(
        [sys.executable, "-m", "sim.cli", "simulate", path, "--out", "old"],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=slave,
    ) as run:
        os.close(slave)
        read_until(master, b"simulating")
        time.sleep(0.3)  # into the march, past the bar's first drawing
        assert run.poll() is None
        run.send_signal(signal.SIGINT)
        shown = read_until(master, b"nothing was written")
        out, _ = run.communicate(timeout=60)
    os.close(master)

    assert run.returncode == INTERRUPTED
    assert out == b""
    assert b"Interrupted; nothing was written." in shown
    assert b"Traceback" not in shown
    assert names_in(tmp_path) == listing
    assert {file.name: file.read_bytes() for file in (tmp_path / "old").iterdir()} == before
