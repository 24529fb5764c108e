"""The smallest pack: found where a formula has it, alike on every executor, resumable."""

from __future__ import annotations

import math
import os
import pty
import signal
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import pytest
import steady
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from small_day import GONE, answer, read_strictly, rows_of, write_day
from steady import AIR_C, CURRENT_A, HOURS, LIMIT_C, AtOnce, greatest_cell_A, warmer_K

from sim.ask import sweep as sweeping
from sim.ask.axes import axes_of, numeric_keys, parallel_axis, replaced, vary_axis
from sim.ask.candidates import Row
from sim.ask.sweep import Sweep, plan_of, sweep
from sim.errors import InputError
from sim.files.case import read_scenario
from sim.show.sweep_files import cell_text, read_kept, write_sweep
from sim.show.sweep_words import answer as said_by

PNG = b"\x89PNG\r\n\x1a\n"


def swept(path: Path, parallel: str | None = None, *vary: str, executor=None, kept=None) -> Sweep:
    """Return a sweep of a scenario, run in this thread unless an executor is given."""
    plan = plan_of(read_scenario(path), path, axes_of(parallel, vary))
    return sweep(plan, executor or AtOnce(), kept)


def result(path: Path, *words: str) -> tuple[int, list[str], Path]:
    """Run `stillair sweep`; return exit code, lines printed and the result folder."""
    folder = path.parent / "swept"
    code, out, err = answer("sweep", path, "--out", folder, "--no-plots", *words)
    assert err == ""
    return code, out.splitlines(), folder


# What a formula gives.


def test_smallest_pack_by_heat_is_where_the_steady_core_meets_its_limit(tmp_path):
    code, lines, folder = result(steady.write(tmp_path), "--parallel", "6:30")

    least = math.ceil(CURRENT_A / greatest_cell_A(LIMIT_C - AIR_C))
    assert 6 < least < 30  # or the range would decide
    summary = read_strictly(folder / "summary.json")
    assert (code, summary["smallest_parallel"]) == (0, least)
    stopped = summary["stopped_by"]
    assert (stopped["parallel"], stopped["limit"]) == (least - 1, "hot")
    over_K = AIR_C + warmer_K(CURRENT_A / (least - 1)) - LIMIT_C
    # 1e-3 K: eleven time constants leave 2e-5 of the rise.
    assert stopped["lacks"][0]["lacks"] == pytest.approx(over_K, abs=1e-3)
    for row in rows_of(folder / "sweep.csv"):
        core_C = AIR_C + warmer_K(CURRENT_A / int(row["parallel"]))
        if core_C < 150.0:  # beyond, the model stops
            assert float(row["hottest_core_C"]) == pytest.approx(core_C, abs=5e-3)
    assert lines[0].startswith(f"Smallest pack that passes: {least} in parallel ({4 * least} cells")
    assert f"; {least - 1} does not: core above limit at " in lines[0]
    assert lines[0].endswith(f"{over_K:.1f} K over.")


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(
    scale=st.floats(0.3, 1.5),
    resistance_mohm=st.floats(10, 60),
    conductance_W_K=st.floats(0.02, 0.1),
    air_C=st.floats(0, 50),
)
def test_smallest_pack_by_heat_for_any_current_resistance_cooling_and_air(
    tmp_path, scale, resistance_mohm, conductance_W_K, air_C
):
    path = steady.write(tmp_path)
    changes = (
        ("load.scale", scale),
        ("cell.resistance.discharge_mohm", resistance_mohm),
        ("cooling.conductance_W_K", conductance_W_K),
        ("ambient.constant_C", air_C),
    )
    path_ohm = resistance_mohm / 1e3 + steady.JOINT_OHM
    per_K = scale * CURRENT_A * math.sqrt(path_ohm / conductance_W_K / (LIMIT_C - air_C))
    steady_by_now = math.exp(-3600 * HOURS * conductance_W_K / steady.HEAT_J_K)
    # Where the formula lies on a whole number, or the end is not yet steady, it says nothing.
    assume(abs(per_K - round(per_K)) > 1e-3 * per_K + steady_by_now * per_K)
    least = math.ceil(per_K)
    content = replaced(read_scenario(path), changes)
    axis = parallel_axis(f"{max(least - 2, 1)}:{least + 2}")

    found = sweep(plan_of(content, path, [axis]), AtOnce())

    assert found.smallest is not None
    assert found.smallest.parallel == least


def test_smallest_pack_by_charge_at_a_constant_current(tmp_path):
    """I t <= n Q (1 - reserve), whatever the voltage does."""
    path = steady.write(tmp_path, {"cell.capacity_Ah": 19.0, "limits.core_max_C": 150.0})

    found = swept(path, "10:25")

    charge_Ah = CURRENT_A * HOURS
    least = math.ceil(charge_Ah / (19.0 * 0.9))
    assert found.smallest.parallel == least
    below = found.columns[0].next_smaller
    assert below.first_limit == "reserve"
    left = 1.0 - charge_Ah / (19.0 * (least - 1))
    assert below.end_soc == pytest.approx(left, abs=1e-9)  # sums of 5400 steps
    assert below.margins["reserve"] == pytest.approx(100.0 * left - 10.0, abs=1e-7)
    assert f"{10.0 - 100.0 * left:.1f} % short" in said_by(found)


def test_smallest_pack_by_energy_at_a_constant_power(tmp_path):
    """Without resistance a cell of U = 3.0 + 1.2 s gives Q (3.0 (1 - s) + 0.6 (1 - s^2))."""
    changes = {
        "cell.resistance": {"discharge_mohm": 0.0},
        "cell.capacity_Ah": 3.0,
        "pack.joint_mohm": 0.0,
    }
    path = steady.write(tmp_path, changes)
    power_W, hours = 900.0, 2.0
    load = f"time_s,power_W\n0,{power_W}\n{3600 * hours},0\n"
    (tmp_path / "load.csv").write_text(load, encoding="utf-8")

    found = swept(path, "20:60")

    down_to_reserve_Wh = 3.0 * (3.0 * 0.9 + 0.6 * (1.0 - 0.1**2))
    least = math.ceil(power_W * hours / (4 * down_to_reserve_Wh))
    assert found.smallest.parallel == least
    assert found.columns[0].next_smaller.first_limit == "reserve"
    # 1e-4: the march's steps of 2 s; the audit's own bound is 1e-5 of the flows.
    assert found.smallest.energy_out_Wh == pytest.approx(power_W * hours, rel=1e-4)


def test_a_second_axis_has_the_formulas_count_at_each_value(tmp_path):
    path = steady.write(tmp_path)
    code, lines, folder = result(
        path, "--parallel", "10:40", "--vary", "ambient.constant_C=20:50:10"
    )

    def least(air_C: float) -> int:
        return math.ceil(CURRENT_A / greatest_cell_A(LIMIT_C - air_C))

    summary = read_strictly(folder / "summary.json")
    by_value = {one["value"]: one["smallest_parallel"] for one in summary["by_value"]}
    assert code == 0
    assert by_value == {air_C: least(air_C) for air_C in (20.0, 30.0, 40.0, 50.0)}
    assert summary["smallest_parallel"] == least(20.0)
    assert summary["smallest_parallel_everywhere"] == least(50.0)
    assert lines[0].startswith(
        f"Smallest pack that passes at every ambient.constant_C of 20 to 50: {least(50.0)} in "
    )
    assert f"{least(50.0) - 1} does not at ambient.constant_C = 50: core above limit" in lines[0]
    assert f"{least(20.0)} in parallel will do at ambient.constant_C = 20." in lines[0]
    assert list(rows_of(folder / "sweep.csv")[0])[:3] == [
        "parallel",
        "ambient.constant_C",
        "passes",
    ]


def test_a_single_key_tells_where_it_passes(tmp_path):
    """20 in parallel draw 5 A a cell, which warms it by 16.67 K."""
    found = swept(steady.write(tmp_path), None, "ambient.constant_C=40:46:1")

    assert warmer_K(5.0) == pytest.approx(16.67, abs=0.01)
    assert [row.passes for row in found.rows] == [True] * 4 + [False] * 3
    assert said_by(found).startswith(
        "Passes at ambient.constant_C = 40 to 43; the closest call is "
    )
    assert "ambient.constant_C = 44 does not: core above limit" in said_by(found)


def test_what_stops_a_single_key_is_the_value_next_to_one_that_passes():
    """The more braking comes back, the less the cells are warmed: 0.6 misses by less than 0.3."""
    path = Path(__file__).resolve().parents[1] / "scenarios" / "orchard-cart.toml"
    found = swept(path, None, "vehicle.regeneration=0:0.6:0.3")

    none, some, more = found.rows
    assert (none.passes, some.passes, more.passes) == (True, False, False)
    assert some.margin_worst < more.margin_worst
    assert found.next_failing is some
    assert "; vehicle.regeneration = 0.3 does not: core too hot to charge at " in said_by(found)


def test_an_answer_that_is_not_monotone_is_said_to_be_so(tmp_path):
    """In the cold a larger pack warms itself less; too cold from where I^2 R / G < 10 K."""
    changes = {
        "ambient.constant_C": -10.0,
        "start": {"cell_C": 15.0},
        "limits.discharge_core_min_C": 0.0,
        "cell.capacity_Ah": 20.0,
    }
    code, lines, folder = result(steady.write(tmp_path, changes), "--parallel", "15:30")

    least = math.ceil(CURRENT_A * HOURS / (20.0 * 0.9))
    last = math.floor(CURRENT_A / greatest_cell_A(10.0))
    assert least < last < 30
    summary = read_strictly(folder / "summary.json")
    assert (code, summary["smallest_parallel"], summary["monotone"]) == (0, least, False)
    assert summary["by_value"][0]["fails_above"] == list(range(last + 1, 31))
    assert (
        f"But not every larger pack passes: {last + 1} to 30 in parallel fail "
        "(core too cold to discharge)." in lines[0]
    )


def test_of_packs_that_all_run_empty_the_largest_is_the_nearest(tmp_path):
    """Charge is what lacks, and each cell more brings more of it (conservation of charge)."""
    path = Path(__file__).resolve().parents[1] / "scenarios" / "canal-launch.toml"
    code, _, _ = answer("sweep", path, "--parallel", "8:20:4", "--out", tmp_path / "out")
    summary = read_strictly(tmp_path / "out" / "summary.json")

    assert code == 1
    assert summary["nearest"]["parallel"] == 20


def test_a_day_that_stops_just_short_of_its_end_is_not_said_to_last_it(tmp_path):
    """100 A for 3 h empty 20 cells of 14.99 Ah 7 s before the end: at 99.93 % of the day."""
    path = steady.write(tmp_path, {"cell.capacity_Ah": 14.99, "limits.core_max_C": 150.0})

    assert said_by(swept(path, "20")).endswith("; lasts 99 % of the day.")


def test_where_nothing_passes_the_nearest_says_what_it_lacks(tmp_path):
    code, lines, folder = result(steady.write(tmp_path), "--parallel", "11:15")

    over_K = AIR_C + warmer_K(CURRENT_A / 15) - LIMIT_C
    summary = read_strictly(folder / "summary.json")
    assert (code, summary["smallest_parallel"], summary["smallest"]) == (1, None, None)
    assert summary["nearest"]["parallel"] == 15
    assert summary["nearest"]["lacks"][0]["lacks"] == pytest.approx(over_K, abs=1e-3)
    assert lines[0].startswith(
        "None of 5 candidates (pack.parallel 11 to 15) passes; nearest is 15 "
    )
    assert f"{over_K:.1f} K over" in lines[0]


def test_a_price_of_the_cell_makes_a_cost(tmp_path):
    _, lines, folder = result(steady.write(tmp_path, cell={"price": 2.5}), "--parallel", "18:20")

    assert read_strictly(folder / "summary.json")["smallest"]["cost"] == 2.5 * 4 * 19
    assert "19 in parallel (76 cells, 3.6 kg, cost 190), " in lines[0]


# What stands in a row.


def test_a_row_is_what_simulate_says_of_that_candidate(tmp_path):
    """One whose day ends at a limit, one that passes a limit and goes on, one that passes."""
    changes = {"load.scale": 3.0, "limits.reserve_percent": 15.0}
    path = write_day(tmp_path, changes)
    _, _, folder = result(path, "--parallel", "2:20:6")

    rows = rows_of(folder / "sweep.csv")
    assert [row["passes"] for row in rows] == ["false", "false", "false", "true"]
    assert [row.finished for row in swept(path, "2:20:6").rows] == [False, False, True, True]
    for row in rows:
        write_day(tmp_path, {**changes, "pack.parallel": int(row["parallel"])}, "one")
        answer("simulate", tmp_path / "one.toml", "--out", tmp_path / "one", "--no-plots")
        one = read_strictly(tmp_path / "one/summary.json")
        limits = {limit["limit"]: limit for limit in one["limits"]}
        first = next((limit for limit in limits.values() if not limit["passed"]), None)
        assert (row["passes"] == "true") == one["verdict"]["passed"]
        assert bool(row["first_limit"]) == (first is not None)
        assert float(row["hottest_core_C"]) == pytest.approx(limits["hot"]["worst"], abs=5e-4)
        assert float(row["lowest_cell_V"]) == pytest.approx(limits["cutoff"]["worst"], abs=5e-6)
        end = one["end"]["state_of_charge_percent"] / 100.0
        assert float(row["end_soc"]) == pytest.approx(end, abs=5e-7)
        delivered_Wh = one["energy"]["delivered_Wh"]
        assert float(row["energy_out_Wh"]) == pytest.approx(delivered_Wh, abs=5e-4)
        assert int(row["cells"]) == one["inputs"]["pack"]["cells"]
        assert float(row["mass_kg"]) == pytest.approx(one["inputs"]["pack"]["mass_kg"], abs=5e-5)


def test_the_header_is_the_one_that_was_agreed(tmp_path):
    _, _, folder = result(steady.write(tmp_path), "--parallel", "19:20")

    assert (folder / "sweep.csv").read_text(encoding="utf-8").splitlines()[0] == (
        "parallel,passes,first_limit,margin_worst,hottest_core_C,lowest_cell_V,end_soc,"
        "energy_out_Wh,cells,mass_kg"
    )


def test_the_worst_margin_has_the_sign_of_the_verdict_and_rises_with_the_pack(tmp_path):
    found = swept(write_day(tmp_path, {"load.scale": 3.0}), "1:20")

    margins = [row.margin_worst for row in found.rows]
    assert [margin >= 0.0 for margin in margins] == [row.passes for row in found.rows]
    passing = [row.margin_worst for row in found.rows if row.passes]
    assert passing == sorted(passing)


def test_the_worst_margin_of_a_day_that_ends_early_is_that_of_the_whole_day(tmp_path):
    """As where the scenario itself says to go on: on_cutoff = "record"."""
    changes = {"load.scale": 3.0, "ambient": {"low_C": 10, "high_C": 30}}
    ended = swept(write_day(tmp_path, changes), "2:13").rows
    whole = swept(write_day(tmp_path, {**changes, "limits.on_cutoff": "record"}), "2:13").rows

    assert not any(row.finished for row in ended)
    assert [row.nearest_limit for row in ended] == [row.nearest_limit for row in whole]
    # 1e-3: a run that is begun in the middle takes its steps elsewhere.
    assert [row.margin_worst for row in ended] == pytest.approx(
        [row.margin_worst for row in whole], rel=1e-3
    )


def test_the_named_pack_has_been_run_whole_with_its_audit(tmp_path):
    _, lines, folder = result(steady.write(tmp_path), "--parallel", "18:20")

    [run] = read_strictly(folder / "summary.json")["whole_runs"]
    assert run["values"] == {"pack.parallel": 19}
    assert run["passed"] and run["audit"]["passed"]
    assert len(run["audit"]["spot_checks"]) == 2  # by a second integrator
    assert any("whole run of 19 in parallel" in line for line in lines)


def test_the_answer_tells_of_one_pack_out(tmp_path):
    """Of two packs the other alone carries 10 A a cell, too much heat; of thirty, 29 bear it."""
    two = {"pack.packs": 2, "load.scale": 2.0}
    _, lines, folder = result(steady.write(tmp_path, two), "--parallel", "18:20")

    assert " With one pack out the rest does not bring it home by heat, though by " in lines[0]
    assert any(line.startswith("pack out   19 in parallel") for line in lines)
    [run] = read_strictly(folder / "summary.json")["whole_runs"]
    assert run["one_pack_out"]["heat"]["passed"] is False

    thirty = {"pack.packs": 30, "load.scale": 30.0}
    _, lines, _ = result(steady.write(tmp_path, thirty), "--parallel", "18:22:2")

    assert lines[0].endswith("With one pack out the rest brings it home.")


def test_a_charge_just_below_its_reserve_does_not_look_like_the_reserve(tmp_path):
    """Of 16.66 Ah 15.0 Ah are drawn: 9.964 % are left, where 10 are asked."""
    path = steady.write(tmp_path, {"cell.capacity_Ah": 16.66, "limits.core_max_C": 150.0})
    _, lines, _ = result(path, "--parallel", "20:21")

    assert any(line.split()[:2] == ["20", "no"] and "9.96 %" in line for line in lines)


def test_a_candidate_whose_balances_do_not_close_does_not_pass(tmp_path, monkeypatch):
    path = steady.write(tmp_path)
    monkeypatch.setattr("sim.ask.candidates.balances", lambda *_: {"charge": 0.5})

    found = swept(path, "25")

    assert not found.passed
    assert found.rows[0].first_limit == "audit"
    assert "can't be believed (the balance 'charge' is off by 0.5" in said_by(found)


# Executors, interrupts, resuming.


def test_rows_are_alike_to_the_last_bit_on_every_executor(tmp_path):
    path = write_day(tmp_path, {"load.scale": 3.0})
    serial = swept(path, "2:9", "ambient.constant_C=10:40:15")
    with ThreadPoolExecutor(3) as threads:
        threaded = swept(path, "2:9", "ambient.constant_C=10:40:15", executor=threads)
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as processes:
        elsewhere = swept(path, "2:9", "ambient.constant_C=10:40:15", executor=processes)

    assert len(serial.rows) == 24
    assert threaded.rows == serial.rows
    assert elsewhere.rows == serial.rows


def interrupted_at(count: int):
    """Return what raises an interrupt as candidate `count` is handed in."""

    def before(done: int) -> None:
        if done == count:
            raise KeyboardInterrupt

    return before


def files(folder: Path) -> dict[str, bytes]:
    return {file.name: file.read_bytes() for file in folder.iterdir()}


@pytest.mark.parametrize("finished", [0, 8, 16, 24])  # eight are marched side by side
def test_an_interrupted_sweep_that_goes_on_ends_in_the_same_files(tmp_path, finished):
    path = write_day(tmp_path, {"load.scale": 3.0})
    whole = swept(path, "2:13", "load.rest_after_h=0:1:1")
    write_sweep(whole, tmp_path / "whole", plots=False)

    part = swept(path, "2:13", "load.rest_after_h=0:1:1", executor=AtOnce(interrupted_at(finished)))
    write_sweep(part, tmp_path / "part", plots=False)
    second = AtOnce()
    kept = read_kept(tmp_path / "part")
    rest = swept(path, "2:13", "load.rest_after_h=0:1:1", executor=second, kept=kept)
    write_sweep(rest, tmp_path / "part", plots=False)

    assert part.interrupted == (finished < 24)
    assert part.rows == whole.rows[:finished]
    assert second.count == 24 - finished
    assert files(tmp_path / "part") == files(tmp_path / "whole")


def test_the_command_keeps_what_is_finished_and_resumes(tmp_path, monkeypatch):
    path = steady.write(tmp_path)
    _, _, folder = result(path, "--parallel", "15:38")
    whole = files(folder)
    run_batch = sweeping.run_batch

    def stops(base, batch):
        if any(dict(changes)["pack.parallel"] == 32 for changes in batch):
            raise KeyboardInterrupt
        return run_batch(base, batch)

    monkeypatch.setattr(sweeping, "run_batch", stops)
    code, lines, _ = result(path, "--parallel", "15:38", "--jobs", "1")
    kept = rows_of(folder / "sweep.csv")
    assert code == 130
    assert 8 <= len(kept) < 24
    assert lines == [
        f"Interrupted: {len(kept)} of 24 candidates are finished; no answer yet. They are kept in "
        f"{folder}; go on with --resume."
    ]
    assert read_strictly(folder / "summary.json")["smallest_parallel"] is None
    monkeypatch.setattr(sweeping, "run_batch", run_batch)

    code, _, _ = result(path, "--parallel", "15:38", "--resume")

    assert code == 0
    assert files(folder) == whole


def test_rows_of_a_changed_scenario_are_not_mixed_in(tmp_path):
    path = steady.write(tmp_path)
    result(path, "--parallel", "15:22")
    steady.write(tmp_path, {"ambient.constant_C": 45.0})
    executor = AtOnce()
    found = swept(path, "15:22", executor=executor, kept=read_kept(tmp_path / "swept"))

    assert executor.count == 8
    assert found.rows == swept(path, "15:22").rows


@pytest.mark.parametrize("change", [("current_A", "power_W"), ("time_s", "time")])
def test_rows_of_a_load_that_differs_by_its_header_only_are_not_mixed_in(tmp_path, change):
    """100 A or 100 W, at 08:00 or at 00:00: the scenario's text and all numbers are the same."""
    path = steady.write(tmp_path, {"load.start": GONE})
    result(path, "--parallel", "15:22")
    load = tmp_path / "load.csv"
    text = load.read_text(encoding="utf-8").replace(*change)
    text = text if change[1] == "power_W" else "time,current_A\n00:00,100.0\n03:00,0\n"
    load.write_text(text, encoding="utf-8")
    executor = AtOnce()
    found = swept(path, "15:22", executor=executor, kept=read_kept(tmp_path / "swept"))

    assert executor.count == 8
    assert found.rows == swept(path, "15:22").rows


@pytest.mark.parametrize("name", ["__version__", "digest_of"])
def test_rows_of_another_stillair_are_not_mixed_in(tmp_path, monkeypatch, name):
    result(steady.write(tmp_path), "--parallel", "15:22")
    assert len(read_kept(tmp_path / "swept")) == 8
    other = "9.9.9" if name == "__version__" else lambda _: "other sources"
    monkeypatch.setattr(f"sim.show.sweep_files.{name}", other)

    assert read_kept(tmp_path / "swept") == {}


def test_a_wider_sweep_takes_over_what_is_known(tmp_path):
    path = steady.write(tmp_path)
    result(path, "--parallel", "15:22")
    executor = AtOnce()
    found = swept(path, "13:24", executor=executor, kept=read_kept(tmp_path / "swept"))

    assert executor.count == 4
    assert found.rows == swept(path, "13:24").rows


@pytest.mark.parametrize(
    "was, now",
    [
        ('"hottest_core_C": ', '"hottest_core_C": "hot", "was": '),
        ('"passes": true', '"passes": "yes"'),
        ('"passes": true', '"passes": true, "more": 1'),
        ('"digest": "', '"digest": [], "was": "'),
        ('"parallel": ', '"was": '),
        ('"changes": [[', '"changes": [1, ['),
        ('"margins": {', '"margins": null, "was": {'),
        ('{"changes"', '{"a"'),
        ('{"changes": ', "[1]"),
        ('{"stillair": ', "[]"),
    ],
)
def test_resuming_from_what_no_sweep_wrote_is_refused(tmp_path, was, now):
    path = steady.write(tmp_path)
    result(path, "--parallel", "18:20")
    kept = tmp_path / "swept/candidates.jsonl"
    text = kept.read_text(encoding="utf-8")
    assert was in text
    kept.write_text(text.replace(was, now), encoding="utf-8")

    code, out, err = answer(
        "sweep", path, "--parallel", "18:20", "--out", tmp_path / "swept", "--resume"
    )

    assert (code, out) == (2, "")
    assert "candidates.jsonl was not written by a sweep" in err


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminal here")
def test_ctrl_c_on_a_terminal_keeps_what_the_progress_bar_has_counted(tmp_path):
    path = write_day(tmp_path)
    ours, theirs = pty.openpty()
    words = [
        "sweep",
        path,
        "--parallel",
        "1:10000",
        "--vary",
        "load.scale=1:2:0.2",
        "--out",
        "kept",
    ]
    process = subprocess.Popen(
        [sys.executable, "-m", "sim.cli", *map(str, words)],
        cwd=tmp_path, stdout=subprocess.PIPE, stderr=theirs, text=True,
    )  # fmt: skip
    os.close(theirs)
    seen = b""
    while b"sweeping" not in seen or b"  1%" not in seen:
        seen += os.read(ours, 1024)
    process.send_signal(signal.SIGINT)
    out, _ = process.communicate(timeout=60)
    os.close(ours)

    assert process.returncode == 130
    count = len(rows_of(tmp_path / "kept/sweep.csv"))
    assert out.startswith(f"Interrupted: {count} of 60000 candidates are finished")
    assert 600 <= count < 60000


# Options.


def test_steps_are_exact_decimals_with_both_ends():
    assert vary_axis("ambient.high_C=30:45:5").values == (30.0, 35.0, 40.0, 45.0)
    assert vary_axis("pack.joint_mohm=0.1:0.7:0.1").values == (0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7)
    assert vary_axis("ambient.shift_K=-1:1:0.5").values == (-1.0, -0.5, 0.0, 0.5, 1.0)
    assert vary_axis("load.repeat=1:3:1").values == (1, 2, 3)
    assert parallel_axis("6:11:2").values == (6, 8, 10)
    assert parallel_axis("7").values == (7,)


def test_a_stop_that_no_step_comes_to_is_said_not_to_be_tried(tmp_path):
    path = steady.write(tmp_path)
    _, lines, folder = result(path, "--parallel", "18:21:2", "--vary", "load.scale=0.8:1:0.1")

    [said] = [line for line in lines if line.startswith("note ") and "is not tried" in line]
    assert "pack.parallel = 21 is not tried: the steps from 18 end at 20" in said
    assert said.removeprefix("note       ") in read_strictly(folder / "summary.json")["notes"]
    _, lines, _ = result(path, "--parallel", "18:22:2")
    assert not any("is not tried" in line for line in lines)


def test_what_makes_no_difference_is_said_to_make_none(tmp_path):
    """The nominal voltage is a name; the cell's price is no part of the day, but of the row."""
    path = steady.write(tmp_path, cell={"nominal_V": 3.6})
    words = "cell.nominal_V makes no difference to the day of any candidate"
    for axes in (["--parallel", "18:20"], []):
        _, lines, _ = result(path, *axes, "--vary", "cell.nominal_V=3.5:3.7:0.1")
        assert any(words in line for line in lines)
    for key in ("cell.price=1:2:1", "cell.nominal_V=3.6", "load.scale=0.9:1:0.1"):
        _, lines, _ = result(path, "--parallel", "18:20", "--vary", key)
        assert not any("makes no difference" in line for line in lines)


REFUSED = [
    ([], "nothing is varied; accepted: --parallel A:B, --vary KEY=START:STOP:STEP, or both"),
    (["--parallel", "a:b"], "--parallel a:b can't be understood; accepted: A:B or A:B:STEP"),
    (["--parallel", "6:8:0.5"], "--parallel 6:8:0.5 is not in whole numbers"),
    (["--parallel", "8:6"], "--parallel 8:6 has no values; accepted: a START up to STOP"),
    (["--parallel", "1:9:0"], "has no values; accepted: a START up to STOP, STEP above 0"),
    (["--parallel", "1:200000"], "has too many values; accepted: up to 100000"),
    (["--parallel", "nan:3"], "--parallel nan:3 can't be understood"),
    (["--parallel", "0:3"], "[pack] parallel is 0; accepted: a whole number, 1 to 10000"),
    (
        ["--parallel", "1:9999", "--vary", "load.scale=1:2:0.01"],
        "1009899 candidates are too many; accepted: up to 100000",
    ),
    (["--vary", "ambient.constant_C"], "accepted: KEY=START:STOP:STEP, such as"),
    (["--vary", "ambient.constant_C=1:2"], "accepted: START:STOP:STEP, such as 30:45:5"),
    (["--vary", "ambient.constant_C=1:1e40:1e-9"], "has too many values"),
    (["--vary", "ambient.constnat_C=1:2:1"], "did you mean 'ambient.constant_C'?"),
    (["--vary", "joint_mohm=1:2:1"], "did you mean 'pack.joint_mohm'?"),
    (["--vary", "load.profile=1:2:1"], "'load.profile' is no key that holds a number"),
    (["--vary", "load.day_first=0:1:1"], "'load.day_first' is no key that holds a number"),
    (["--vary", "what=1:2:1"], "accepted: TABLE.KEY with a table of ambient, board, busbar"),
    (["--vary", "load.repeat=1:2:0.5"], "[load] repeat is 1.5; accepted: a whole number"),
    (["--vary", "start.charge_percent=5:50:5"], "charge_percent 5 lies below [limits] reserve"),
    (["--vary", "enclosure.sun_W=5:50:5"], "[enclosure] wall_area_m2 is missing"),
    (["--vary", "cell.resistance.charge_mohm=5:9:1"], "is a table in cell.toml; accepted: a key"),
    (["--parallel", "2:4", "--vary", "pack.parallel=2:4:1"], "pack.parallel is varied twice"),
    (
        ["--parallel", "2:4", "--vary", "load.scale=1:2:1", "--vary", "load.repeat=1:2:1"],
        "3 axes are too many",
    ),
]


@pytest.mark.parametrize("words, said", REFUSED)
def test_what_cannot_be_varied_is_refused_in_a_sentence(tmp_path, words, said):
    table = {"discharge_mohm": 27.0, "soc": [0.0, 1.0], "temperature_C": [0.0, 25.0]}
    table["charge_mohm"] = [[27.0, 27.0], [27.0, 27.0]]
    path = steady.write(tmp_path, cell={"resistance": table})

    code, out, err = answer("sweep", path, *words, "--out", tmp_path / "swept")

    assert (code, out) == (2, "")
    assert said in err
    assert "Traceback" not in err
    assert not (tmp_path / "swept").exists()


def test_every_numeric_key_of_the_schema_can_be_varied_and_nothing_else():
    keys = numeric_keys()

    named = {"ambient.high_C", "pack.joint_mohm", "load.scale", "cell.capacity_Ah"}
    assert named | {"cell.heat.core_J_K", "limits.reserve_percent", "vehicle.mass_kg"} <= set(keys)
    assert keys["pack.parallel"] is int
    assert keys["load.scale"] is float
    assert not {"title", "cell.name", "load.start", "cell.open_circuit.soc"} & set(keys)


def test_a_key_that_the_file_does_not_have_can_be_varied(tmp_path):
    found = swept(steady.write(tmp_path), None, "limits.pack_current_max_A=90:110:10")

    assert [row.first_limit for row in found.rows] == ["pack_current", None, None]


def test_a_pack_without_a_count_of_its_own_can_be_swept(tmp_path):
    path = steady.write(tmp_path)
    content = read_scenario(path)
    del content["pack"]["parallel"]

    found = sweep(plan_of(content, path, [parallel_axis("18:20")]), AtOnce())

    assert found.smallest.parallel == 19


def test_files_are_read_once_for_all_candidates(tmp_path, monkeypatch):
    path = write_day(tmp_path)
    plan = plan_of(read_scenario(path), path, [parallel_axis("2:9")])

    def read_again(*_):
        raise AssertionError("a file is read again")

    for name in ("read_load", "read_weather", "read_profile", "cell_record", "legs"):
        monkeypatch.setattr(f"sim.files.case.{name}", read_again)

    assert len(sweep(plan, AtOnce()).rows) == 8


def test_a_sweep_over_what_files_are_read_with_reads_them_anew(tmp_path):
    path = write_day(tmp_path, {"ambient": {"profile": "air.csv"}})
    air = "time,temperature_C\n" + "".join(f"{hour:02d}:00,20\n" for hour in range(24))
    (tmp_path / "air.csv").write_text(air, encoding="utf-8")

    found = swept(path, None, "ambient.shift_K=0:20:10")

    # The core starts as warm as the air, so it is warmer by about as much as the air is.
    hottest_C = [row.hottest_core_C for row in found.rows]
    assert hottest_C[1] - hottest_C[0] == pytest.approx(10.0, abs=1.0)
    assert hottest_C[2] - hottest_C[1] == pytest.approx(10.0, abs=1.0)


# What is left.


@pytest.mark.parametrize(
    "words",
    [
        ["--parallel", "15:22"],
        ["--parallel", "19"],
        ["--parallel", "11:14"],
        ["--vary", "ambient.constant_C=20:50:5"],
        ["--parallel", "15:25", "--vary", "ambient.constant_C=20:50:5"],
        ["--vary", "pack.series=3:6:1", "--vary", "load.scale=0.5:2:0.5"],
        ["--parallel", "19", "--vary", "load.scale=1"],
    ],
)
def test_every_sweep_leaves_the_same_files_and_a_picture(tmp_path, words):
    path = steady.write(tmp_path)

    code, out, err = answer("sweep", path, *words, "--out", tmp_path / "swept", "--json")

    found = files(tmp_path / "swept")
    assert (err, code) == ("", 0 if "11:14" not in words else 1)
    assert set(found) == {"sweep.csv", "summary.json", "candidates.jsonl", "sweep.png"}
    assert found["sweep.png"].startswith(PNG)
    summary = read_strictly(tmp_path / "swept/summary.json")
    assert (
        summary["finished"] == summary["candidates"] == len(rows_of(tmp_path / "swept/sweep.csv"))
    )
    assert out.startswith("{") and f'"scenario": "{path.name}"' in out


def test_a_folder_of_others_is_left_alone(tmp_path):
    path = steady.write(tmp_path)
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine/notes.txt").write_text("keep", encoding="utf-8")

    code, _, err = answer("sweep", path, "--parallel", "18:20", "--out", tmp_path / "mine")

    assert code == 2
    assert "notes.txt" in err
    assert files(tmp_path / "mine") == {"notes.txt": b"keep"}


def test_candidates_that_cannot_be_used_end_the_sweep_with_their_complaint(tmp_path):
    """Both ends are tried before the first run, what lies between is not."""
    path = steady.write(tmp_path)
    with pytest.raises(InputError, match=r"parallel is 10001; accepted"):
        swept(path, "10000:10001")


@pytest.mark.parametrize("value, told", [(-1e-9, "-1e-09"), (-0.0, "0.0"), (2.5, "2.5")])
def test_a_small_miss_stays_a_miss_in_the_table_and_a_nought_has_no_sign(value, told):
    row = Row((), "", 6, 84, 4.0, None, {}, margin_worst=value, end_soc=value)

    assert cell_text(row, "margin_worst") == told
    assert cell_text(row, "end_soc") == ("2.5" if value > 0.0 else "0.0")
