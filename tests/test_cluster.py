"""A sweep on a dask cluster: the same bits, nothing lost with a worker, clear words otherwise.

The judge is the same sweep in this process; workers are processes of their own.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import asdict
from pathlib import Path

import pytest
from small_day import answer, load_csv, read_strictly, write_day

from sim.ask import cluster as clusters
from sim.ask.axes import axes_of
from sim.ask.cluster import cluster
from sim.ask.sweep import Plan, Sweep, plan_of, sweep
from sim.errors import InputError, StillairError
from sim.files.case import read_scenario

distributed = pytest.importorskip("distributed", reason="the 'cluster' extra is not installed")


def start(workers: int) -> distributed.LocalCluster:
    return distributed.LocalCluster(
        n_workers=workers, threads_per_worker=1, processes=True, dashboard_address=":0"
    )


@pytest.fixture(scope="module")
def local() -> Iterator[distributed.LocalCluster]:
    with start(2) as running:
        yield running


def plan(folder: Path, parallel: str = "4:9") -> Plan:
    path = write_day(folder, {"load.start": "10:00"})
    (folder / "load.csv").write_text(load_csv([200 + s % 7 for s in range(3600)], step_s=1))
    axes = axes_of(parallel, ["ambient.constant_C=20:44:3"])
    return plan_of(read_scenario(path), path, axes)


def bits(found: Sweep) -> list[str]:
    """Return the rows with every number as its shortest text that reads back to the same bits."""
    return [repr(asdict(row)) for row in found.rows]


def here(wanted: Plan) -> Sweep:
    with ThreadPoolExecutor(2) as threads:
        return sweep(wanted, threads)


@pytest.mark.slow
def test_two_workers_give_the_same_numbers_to_the_bit_as_threads(tmp_path, local):
    wanted = plan(tmp_path)
    pids: set[int] = set()

    with cluster(local.scheduler_address) as executor:
        pids |= {executor.submit(os.getpid).result() for _ in range(20)}
        found = sweep(wanted, executor)

    assert os.getpid() not in pids
    assert len(pids) == 2  # both took part
    assert len(found.rows) == 54
    assert bits(found) == bits(here(wanted))


@pytest.mark.slow
def test_a_worker_killed_in_the_middle_loses_nothing(tmp_path, local):
    wanted = plan(tmp_path, "4:15")
    victim = next(iter(local.workers.values())).process.pid
    killed_at: list[int] = []

    def kill_once(finished: int) -> None:
        if finished >= 5 and not killed_at:
            killed_at.append(finished)
            os.kill(victim, signal.SIGKILL)

    with cluster(local.scheduler_address) as executor:
        found = sweep(wanted, executor, progress=kill_once)

    assert killed_at
    assert killed_at[0] < len(wanted.candidates)
    with pytest.raises(ProcessLookupError):
        os.kill(victim, 0)
    assert not found.interrupted
    assert bits(found) == bits(here(wanted))


@pytest.mark.slow
def test_the_base_goes_to_the_scheduler_once_not_with_every_candidate(tmp_path, local):
    wanted = plan(tmp_path, "4:5")
    sent: list[str] = []

    with cluster(local.scheduler_address) as executor:
        submit = executor._client.submit

        def counted(fn, *args, **kwargs):
            sent.extend(fn.__name__ for a in args if a is wanted.base)
            return submit(fn, *args, **kwargs)

        executor._client.submit = counted
        sweep(wanted, executor)

    assert sent == ["_itself"]


@pytest.mark.slow
def test_the_command_gives_the_same_answer_on_a_cluster(tmp_path, local):
    path = write_day(tmp_path)
    words = ["sweep", path, "--parallel", "3:8", "--no-plots", "--json", "--out"]

    on_threads = answer(*words, tmp_path / "threads")
    on_cluster = answer(*words, tmp_path / "cluster", "--cluster", local.scheduler_address)

    assert on_cluster == on_threads
    for name in ("summary.json", "sweep.csv", "candidates.jsonl"):
        texts = [(tmp_path / where / name).read_bytes() for where in ("threads", "cluster")]
        assert texts[0] == texts[1], name
    assert read_strictly(tmp_path / "cluster" / "summary.json")["finished"] == 6


@pytest.mark.slow
def test_a_complaint_about_a_candidate_comes_back_as_a_complaint(local):
    with cluster(local.scheduler_address) as executor, pytest.raises(InputError, match="not there"):
        executor.submit(read_scenario, Path("nowhere.toml")).result()


@pytest.mark.slow
def test_a_cluster_that_goes_away_is_said_in_one_sentence(tmp_path):
    wanted = plan(tmp_path, "4:30")
    mine = start(1)

    def close(finished: int) -> None:
        if finished >= 3:
            mine.close()

    with (
        mine,
        pytest.raises(StillairError, match=r"was lost on the way .*nothing was written"),
        cluster(mine.scheduler_address) as executor,
    ):
        sweep(wanted, executor, progress=close)


@pytest.mark.slow
def test_workers_of_another_version_are_refused(local, monkeypatch):
    monkeypatch.setattr(clusters, "__version__", "9.9.9")

    with pytest.raises(InputError, match=r"worker tcp://.* \(version .*\); accepted: .*9\.9\.9"):
        cluster(local.scheduler_address).__enter__()


@pytest.mark.slow
def test_a_worker_in_the_place_of_the_scheduler_is_refused(local):
    worker = next(iter(local.workers.values())).worker_address

    with pytest.raises(InputError, match="is no scheduler but 'Worker'; accepted: the address of"):
        cluster(worker).__enter__()


@pytest.mark.slow
def test_a_scheduler_without_workers_is_refused(monkeypatch):
    monkeypatch.setattr(clusters, "PATIENCE_S", 1.0)
    with start(0) as empty, pytest.raises(InputError, match="has no workers after 1 s"):
        cluster(empty.scheduler_address).__enter__()


@pytest.mark.parametrize(
    "address", ["tcp://127.0.0.1:1", "nonsense", "smoke://127.0.0.1:8786", "127.0.0.1:99999", ""]
)
def test_an_address_that_cannot_be_reached_ends_in_one_sentence(tmp_path, monkeypatch, address):
    monkeypatch.setattr(clusters, "PATIENCE_S", 0.3)
    path = write_day(tmp_path)

    code, out, err = answer(
        "sweep", path, "--parallel", "3:8", "--out", tmp_path / "o", "--cluster", address
    )

    assert (code, out) == (2, "")
    assert err.startswith(f"--cluster {address} can't be reached (")
    assert err.count("\n") == 1
    assert not (tmp_path / "o").exists()


def test_something_else_that_answers_is_told_from_a_scheduler(monkeypatch):
    monkeypatch.setattr(clusters, "PATIENCE_S", 1.0)

    def like_a_web_server(listener: socket.socket) -> None:
        caller, _ = listener.accept()
        with caller:
            caller.recv(16)
            caller.sendall(b"HTTP/1.1 400 Bad Request\r\n\r\n")

    with socket.create_server(("127.0.0.1", 0)) as listener:
        server = threading.Thread(target=like_a_web_server, args=(listener,))
        server.start()
        with pytest.raises(InputError, match="can't be reached"):
            cluster(f"127.0.0.1:{listener.getsockname()[1]}").__enter__()
        server.join()


def test_without_the_package_one_sentence_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    path = write_day(tmp_path)

    code, out, err = answer("sweep", path, "--parallel", "3:8", "--cluster", "tcp://127.0.0.1:1")

    assert (code, out) == (2, "")
    assert err == (
        "--cluster needs the package 'distributed'; install it by: "
        "pip install 'stillair[cluster]'\n"
    )


def test_threads_and_a_cluster_are_not_asked_for_together(tmp_path):
    path = write_day(tmp_path)

    code, _, err = answer(
        "sweep", path, "--parallel", "3:8", "--jobs", "2", "--cluster", "tcp://127.0.0.1:1"
    )

    assert code == 2
    assert "leave one out" in err
