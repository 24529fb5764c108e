"""Sweeps and headroom of packs as built: what closed forms give, and what `simulate` says."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
import steady
from small_day import answer, changed, read_strictly, rows_of
from steady import AIR_C, CURRENT_A, HOURS, LIMIT_C, AtOnce, greatest_cell_A, warmer_K

from sim.ask.axes import axes_of, replaced
from sim.ask.built import simulate_built
from sim.ask.candidates import Base, run_batch
from sim.ask.headroom import headroom
from sim.ask.headroom_built import charge_A, charge_least_A, controller_least_A, days
from sim.ask.sweep import Sweep, plan_of, sweep
from sim.errors import InputError
from sim.files.built_case import built_case
from sim.files.case import assemble, read_case, read_scenario
from sim.show.sweep_files import read_kept
from sim.show.sweep_words import answer as said_by

BOARD = {"resistance_mohm": 0.0}  # enough to be a pack as built, and changes nothing
AMPLE = {"limits.core_max_C": 150.0, "limits.reserve_percent": 10.0}  # heat is no limit


def swept(path: Path, parallel: str | None = None, *vary: str, executor: Any = None) -> Sweep:
    """Return a sweep of a scenario, run in this thread unless an executor is given."""
    plan = plan_of(read_scenario(path), path, axes_of(parallel, vary))
    return sweep(plan, executor or AtOnce())


def base_of(path: Path) -> Base:
    """Return a scenario as searches take it."""
    return Base(read_scenario(path), path, read_case(path))


def firsts(found: Sweep) -> list[str | None]:
    """Return what gives first of each candidate."""
    return [row.first_limit for row in found.rows]


# What a formula gives.


def test_the_smallest_pack_by_heat_is_that_of_the_steady_core(tmp_path):
    found = swept(steady.write(tmp_path, {"board": BOARD}), "10:24")

    least = math.ceil(CURRENT_A / greatest_cell_A(LIMIT_C - AIR_C))
    assert 10 < least < 24  # or the range would decide
    assert (found.smallest.parallel, found.columns[0].next_smaller.first_limit) == (least, "hot")
    for row in found.rows:
        if row.finished:  # 2e-3 K: eleven time constants leave 2e-5 of the rise
            wanted_C = AIR_C + warmer_K(CURRENT_A / row.parallel)
            assert row.hottest_core_C == pytest.approx(wanted_C, abs=2e-3)


def test_a_group_that_lacks_a_cell_decides_the_smallest_pack_by_charge(tmp_path):
    """I t <= (n - 1) Q (1 - reserve): the weakest group, not the mean (cases.md C05, a)."""
    fault = [{"kind": "cell_missing", "group": 3, "cell": 1}]
    path = steady.write(tmp_path, {**AMPLE, "cell.capacity_Ah": 19.0, "fault": fault})

    found = swept(path, "15:22")

    least = math.ceil(CURRENT_A * HOURS / (19.0 * 0.9)) + 1
    below = found.columns[0].next_smaller
    assert 15 < least < 22
    assert (found.smallest.parallel, below.first_limit) == (least, "reserve")
    left = 1.0 - CURRENT_A * HOURS / (19.0 * (least - 2))
    assert below.end_soc == pytest.approx(left, abs=1e-6)  # of the group of one less, 0.3 mAh
    assert below.first_where == "group 3"
    assert "charge below reserve (group 3) at " in said_by(found)


def test_a_board_trips_at_the_early_end_of_its_tolerance(tmp_path):
    """50 +- 10 A may trip at 40 (cases.md C17): 100 A need more than 110 +- 10."""
    board = {"over_current": {"trip": 90.0, "release": 1.0, "tolerance": 10.0}}
    path = steady.write(tmp_path, {"board": board})

    found = swept(path, None, "board.over_current.trip=85:115:10")

    told = [(row.passes, row.may, row.first_limit) for row in found.rows]
    trips = "board_over_current"
    perhaps = (False, True, trips)
    assert told == [(False, False, trips), perhaps, perhaps, (True, False, None)]
    assert "board over current may trip (inside its tolerance)" in said_by(found)


def test_a_controller_below_the_load_leaves_it_undelivered(tmp_path):
    path = steady.write(tmp_path, {"controller": {"current_max_A": 120.0}})

    found = swept(path, None, "controller.current_max_A=95:105:5")

    assert firsts(found) == ["undelivered", None, None]
    # 5 of 100 A are not delivered, and their energy goes with the voltage.
    assert found.rows[0].undelivered == pytest.approx(0.05, abs=3e-3)
    told = f"{100.0 * found.rows[0].undelivered:.1f} % of the energy asked is not delivered"
    assert told in said_by(found)
    low = controller_least_A(base_of(path))
    # 1e-3 of energy may lack, the search leaves 5e-4 of the value.
    assert low.greatest == pytest.approx(CURRENT_A, rel=2e-3)
    assert low.limit == "undelivered"


def test_the_stiffer_pack_takes_more_than_its_limit(tmp_path):
    """Unlike leads share a current by their resistance: I1 / I2 = R2 / R1 at the first instant."""
    unit = [{"pack": 1, "lead_mohm": 10.0}, {"pack": 2, "lead_mohm": 10.0}]
    changes = {"pack.packs": 2, "unit": unit, "limits.pack_current_max_A": 60.0}
    path = steady.write(tmp_path, changes)

    found = swept(path, None, "unit.2.lead_mohm=10:20:10")

    assert firsts(found) == [None, "pack_current"]
    own_ohm = 4 * (steady.RESISTANCE_OHM + steady.JOINT_OHM) / 20
    share = (own_ohm + 0.020) / (2 * own_ohm + 0.030)
    over_A = 60.0 - found.rows[1].margins["pack_current"]
    assert share * CURRENT_A > 60.0
    # The open circuit of the pack that gave more falls back behind, so the first instant is worst.
    assert over_A == pytest.approx(share * CURRENT_A, rel=1e-4)


def test_hours_of_a_written_leg_end_where_the_charge_meets_its_reserve(tmp_path):
    """P t = E: with a flat 3.6 V and no resistance to speak of, the reserve is a plain division."""
    leg = [{"name": "to the yard", "power_W": 500.0, "duration_h": 1.0}, {"pause_h": 1.0}]
    flat = {"soc": [0.0, 1.0], "voltage_V": [3.599, 3.601]}
    cell = {"open_circuit": flat, "resistance": {"discharge_mohm": 1e-3}, "capacity_Ah": 5.0}
    path = steady.write(tmp_path, {"load": {"start": "08:00"}, "leg": leg}, cell)

    hours = 4 * 20 * 5.0 * 3.6 * 0.9 / 500.0
    for named in ("to the yard", "1"):
        key = f"leg.{named}.duration_h"
        found = swept(path, None, f"{key}={hours - 0.01:.3f}:{hours + 0.01:.3f}:0.02")
        assert firsts(found) == [None, "reserve"]


@pytest.mark.parametrize(
    ("key", "said"),
    [
        ("leg.3.power_W", "there is no [[leg]] 3, they count from 1; accepted: 1 (out), 2"),
        ("leg.0.power_W", "there is no [[leg]] 0, they count from 1"),
        ("unit.1.cell_C", "there is no [[unit]] 1, they count from 1; accepted: a scenario that"),
        ("leg.out.speed", "KEY one of distance_m"),
        ("fuse.rating_A", "changes nothing: no candidate is judged by [fuse]"),
    ],
)
def test_an_entry_that_is_not_there_is_refused_in_a_sentence(tmp_path, key, said):
    leg = [{"name": "out", "power_W": 500.0, "duration_h": 1.0}, {"pause_h": 1.0}]
    path = steady.write(tmp_path, {"load": {"start": "08:00"}, "leg": leg})

    code, out, err = answer("sweep", path, "--vary", f"{key}=1:2:1", "--out", tmp_path / "s")

    assert (code, out) == (2, "")
    assert said in err


# Charging: 100 Ah cells emptied by 300 Ah of 2000, or by 90 % of less.


def charged(tmp_path: Path, **charger: Any) -> Path:
    """Write three days of 100 A for 3 h, charged from noon to eight in the evening."""
    table = {"windows": [["12:00", "20:00"]], "current_A": 60.0, "cold_off_C": 0.0, **charger}
    changes = {
        **AMPLE,
        "cell.capacity_Ah": 20.0,
        "cell.resistance.discharge_mohm": 1.0,
        "pack.joint_mohm": 0.0,
        "load.days": 3,
        "charger": table,
        "limits.charge_core_max_C": 150.0,
        "limits.cell_charge_max_A": 5.0,
    }
    return steady.write(tmp_path, changes)


def test_a_charger_may_give_what_cells_may_take(tmp_path):
    found = charge_A(base_of(charged(tmp_path)))

    assert (found.limit, found.today) == ("cell_charge", 60.0)
    assert found.greatest == pytest.approx(20 * 5.0, rel=1e-3)  # the search leaves 5e-4
    assert found.greatest <= 20 * 5.0


def test_the_slowest_charge_gives_back_by_night_what_a_day_needs(tmp_path):
    """400 Ah less 300 a day, of which 40 are kept: three days need 2 x 8 h x I >= 3 x 300 - 360."""
    path = charged(tmp_path)
    found = charge_least_A(base_of(path))

    assert found.limit == "reserve"
    # Constant current but for its very end; the start of flow after a rest takes no time.
    assert found.greatest == pytest.approx((3 * 300 - 360) / 16.0, rel=2e-3)
    content = replaced(read_scenario(path), (("charger.current_A", 30.0),))
    slow = days(Base(content, path, assemble(content, path)))
    # After n days 400 - 300 n + 240 (n - 1) Ah are left, at least 40.
    assert (slow.greatest, slow.limit, slow.passes_today) == (2, "reserve", False)


def test_charging_that_never_begins_fails_and_is_named(tmp_path):
    path = charged(tmp_path, cold_off_C=41.0, cold_on_C=42.0)

    found = swept(path, None, "charger.cold_off_C=30:41:11")

    assert firsts(found) == [None, "never_charged"]
    assert "charging never begins at 12:00" in said_by(found)


# What `simulate` says of the scenario written at that value.

LAYOUT = {"rows": 4, "columns": 20, "neighbour_W_K": 0.02}
SPREAD = {"resistance_percent": 5.0, "capacity_percent": 2.0, "charge_percent": 1.0}
TRIPS = {
    "under_voltage": {"trip": 3.2, "release": 3.4, "delay_s": 5.0, "tolerance": 0.1},
    "over_current": {"trip": 120.0, "release": 1.0, "tolerance": 15.0},
}
PACKS = {
    "spread": ({"spread": SPREAD, "layout": LAYOUT}, "pack.parallel", (14, 17, 20)),
    "places": ({"layout": {**LAYOUT, "model": "places", "neighbour_W_K": 0.0}},
               "pack.parallel", (14, 18)),
    "board": ({"board": TRIPS, "cell.capacity_Ah": 18.0, "limits.core_max_C": 120.0},
              "load.scale", (0.5, 1.0, 1.04, 1.2)),
    "units": ({"pack.packs": 2, "unit": [{"pack": 2, "charge_percent": 60.0}]},
              "unit.1.charge_percent", (20.0, 60.0, 100.0)),
    "recorded": ({"board": BOARD, "limits.on_cutoff": "record", "cell.capacity_Ah": 12.0},
                 "cooling.conductance_W_K", (0.02, 0.05)),
}  # fmt: skip


@pytest.mark.parametrize("name", PACKS)
def test_a_row_is_what_simulate_says_of_the_scenario_written_at_that_value(tmp_path, name):
    changes, key, values = PACKS[name]
    path = steady.write(tmp_path, changes)
    base = base_of(path)

    for value in values:
        row = run_batch(base, [((key, value),)])[0]
        content = replaced(read_scenario(path), ((key, value),))
        if name in ("spread", "places"):
            content = changed(content, {"layout.columns": value})
        result = simulate_built(built_case(assemble(content, path)))
        verdict = result.verdict
        assert (row.passes, row.finished) == (result.passed, verdict.finished)
        assert row.hottest_core_C == pytest.approx(verdict.limit(3).worst, abs=1e-9)
        assert row.lowest_cell_V == pytest.approx(verdict.limit(0).worst, abs=1e-9)
        told = {j.name: j.margin for j in verdict.limits if j.margin is not None}
        assert row.margins == pytest.approx(told, abs=1e-9)
        if not result.passed:
            events = [(e.time_s, e.name) for e in verdict.events]
            trips = [(b.first_s, b.owner.replace(" ", "_")) for b in result.drive_trips]
            assert row.first_time_s == pytest.approx(min(t for t, _ in events + trips))
            assert row.first_limit in {n.partition("_of_pack")[0] for _, n in events + trips}


def test_rows_are_the_same_in_threads_and_taken_over_from_an_earlier_sweep(tmp_path):
    (tmp_path / "cells.csv").write_text("group,place,capacity_Ah\n1,1,80\n", encoding="utf-8")
    path = steady.write(tmp_path, {"spread": {"resistance_percent": 3.0, "cells": "cells.csv"}})
    words = ("sweep", path, "--vary", "load.scale=0.8:1.2:0.2", "--out", tmp_path / "s")
    code, _, err = answer(*words, "--no-plots", "--jobs", "2")
    assert (code, err) == (0, "")
    first = rows_of(tmp_path / "s" / "sweep.csv")
    alone = swept(path, None, "load.scale=0.8:1.2:0.2")
    assert [float(row["hottest_core_C"]) for row in first] == pytest.approx(
        [row.hottest_core_C for row in alone.rows], abs=1e-3
    )
    kept = read_kept(tmp_path / "s")
    again = sweep(alone.plan, AtOnce(lambda _: pytest.fail("run again")), kept)
    assert again.rows == alone.rows
    # Another list is another pack, whatever the scenario says.
    (tmp_path / "cells.csv").write_text("group,place,capacity_Ah\n1,1,10\n", encoding="utf-8")
    plan = plan_of(read_scenario(path), path, axes_of(None, ["load.scale=0.8:1.2:0.2"]))
    assert not {assemble(plan.base.content, path).digest} & set(kept)
    assert sweep(plan, AtOnce(), kept).rows != alone.rows


def test_a_count_can_not_change_where_cells_are_listed_or_a_fault_names_one(tmp_path):
    (tmp_path / "cells.csv").write_text("group,place,capacity_Ah\n1,1,80\n", encoding="utf-8")
    path = steady.write(tmp_path, {"spread": {"cells": "cells.csv"}})
    with pytest.raises(InputError, match=r"lists the cells place by place, so pack.parallel can't"):
        swept(path, "10:20")
    fault = [{"kind": "weak_cell", "group": 1, "cell": 15, "capacity_factor": 0.5}]
    path = steady.write(tmp_path / "fault", {"fault": fault})
    with pytest.raises(InputError, match=r"\[\[fault\]\] 1 names cell 15 of 10"):
        swept(path, "10:20")
    path = steady.write(tmp_path / "grid", {"layout": {"rows": 8, "columns": 10}})
    with pytest.raises(InputError, match="neither the 8 rows nor the 10 columns"):
        swept(path, "18:21")
    assert [row.cells for row in swept(path, "18:20:2").rows] == [72, 80]


def test_a_sweep_over_two_axes_is_drawn_and_names_boards(tmp_path):
    board = {"over_current": {"trip": 115.0, "release": 1.0, "tolerance": 10.0}}
    path = steady.write(tmp_path, {"board": board})
    words = ("--parallel", "14:22:2", "--vary", "load.scale=0.9:1.1:0.05")

    code, out, err = answer("sweep", path, *words, "--out", tmp_path / "s")

    summary = read_strictly(tmp_path / "s" / "summary.json")
    assert (code, err) == (0, "")
    assert {row["first_limit"] for row in rows_of(tmp_path / "s" / "sweep.csv")} >= {
        "board_over_current", "hot", "",
    }  # fmt: skip
    assert (tmp_path / "s" / "sweep.png").stat().st_size > 10_000
    assert "one cell stands for all of its pack" in out
    assert not any(words.startswith("all cells are") for words in summary["assumptions"])


# Headroom as the command has it.


@pytest.mark.parametrize("beyond_K", [0.02, 1e-3, 5e-4])
def test_a_core_that_creeps_over_its_limit_does_not_hold_the_run_up(tmp_path, beyond_K):
    """Its last steps come nearer by less than a number can tell; the run goes on all the same."""
    limit_C = AIR_C + warmer_K(CURRENT_A / 20) - beyond_K
    path = steady.write(tmp_path, {"board": BOARD, "limits.core_max_C": limit_C})

    result = simulate_built(built_case(read_case(path)))

    assert (result.verdict.finished, result.verdict.first.name) == (True, "hot")
    warming = math.log(warmer_K(CURRENT_A / 20) / beyond_K)
    # 2 s: the rise of the second-order march is late by less than a step or two.
    wanted_s = steady.HEAT_J_K / steady.CONDUCTANCE_W_K * warming
    assert result.verdict.first.time_s == pytest.approx(wanted_s, abs=0.1 + 2e-4 / beyond_K)


def test_headroom_turns_every_knob_of_a_pack_as_built(tmp_path):
    changes = {
        "controller": {"current_max_A": 150.0},
        "board": {"over_current": TRIPS["over_current"]},
        "limits.core_max_C": 65.0,
        "cell.capacity_Ah": 40.0,
    }
    path = steady.write(tmp_path, changes)

    code, out, err = answer("headroom", path, "--out", tmp_path / "h")

    summary = read_strictly(tmp_path / "h" / "summary.json")
    assert (code, err) == (0, "")
    scale = summary["load_scale"]
    # The board's over-current, 120 - 15 A, comes before the heat and the charge.
    assert (scale["limit"], scale["greatest"]) == ("board_over_current", pytest.approx(1.05, 1e-3))
    assert summary["pack_current_A"]["controller"]["limit"] is None
    assert summary["pack_current_A"]["controller"]["lower"]["limit"] == "undelivered"
    assert summary["pack_current_A"]["whole_day"]["greatest"] == pytest.approx(105.0, rel=1e-3)
    assert summary["pack_current_A"]["peak_today"] == pytest.approx(CURRENT_A, abs=1e-6)
    assert (summary["charge_current_A"], summary["repeats"]["greatest"]) == (None, 2)
    assert (tmp_path / "h" / "headroom.png").stat().st_size > 10_000
    assert "no limit found so far" in out


def test_where_headroom_says_a_knob_turns_the_verdict_of_simulate_turns(tmp_path):
    path = steady.write(tmp_path, {"board": TRIPS, "cell.capacity_Ah": 40.0})
    found = headroom(read_scenario(path), path, AtOnce())

    turns = {
        "load.scale": (found.load_scale, "board_over_current", 1e-3),
        "ambient.shift_K": (found.ambient_shift_K, "hot", 0.03),
    }
    for key, (knob, limit, step) in turns.items():
        assert (knob.greatest is not None, knob.limit) == (True, limit)
        for value, holds in ((knob.greatest, True), (knob.greatest + step, False)):
            content = replaced(read_scenario(path), ((key, value),))
            assert simulate_built(built_case(assemble(content, path))).passed == holds
