"""Days run until they repeat, against closed forms of one node and of a charge."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import steady
from hypothesis import given
from hypothesis import strategies as st
from small_day import answer, read_strictly

from sim.ask.candidates import Base
from sim.ask.headroom_built import days
from sim.ask.whole import Whole, whole_run
from sim.drive.days import Ending
from sim.files.case import assemble, read_scenario
from sim.integrate import built_records as column
from sim.judge.mornings import ALIKE_K, Morning, alike_from, still_off
from sim.physics.plant import CORE
from sim.show.headroom_words import how_far, stopped_by
from sim.units import ZERO_C_K

DAY_S, UNTIL = 86_400.0, "until it repeats"
BUILT = {"board": {"resistance_mohm": 0.0}}  # enough to be a pack as built, and changes nothing
each_way = pytest.mark.parametrize("way", [{}, BUILT], ids=["identical cells", "as built"])

# One node of 45 J/K that loses 45/86400 W/K: its time constant is a day. An hour of 1 A a cell out
# and an hour of it in leave the charge where it was.
CELL_A, ACTIVE_S, OHM, AIR_C = 1.0, 7200.0, 0.025, 30.0
CONDUCTANCE_W_K = steady.HEAT_J_K / DAY_S
HEAT_W = CELL_A**2 * OHM
DECAY = math.exp(-1.0)  # over a day


def warmed_K(morning_K: float) -> float:
    """Return how far the node is above the air as its current ends, from that in the morning."""
    decay = math.exp(-ACTIVE_S / DAY_S)
    return morning_K * decay + HEAT_W / CONDUCTANCE_W_K * (1.0 - decay)


# The map from morning to morning is a straight line, so that mornings approach its fixed point
# geometrically: (1 - a^n) of it after n days.
GAIN_K = warmed_K(0.0) * math.exp(-(DAY_S - ACTIVE_S) / DAY_S)
IN_THE_END_K = GAIN_K / (1.0 - DECAY)


def morning_K(day: int) -> float:
    return IN_THE_END_K * (1.0 - DECAY ** (day - 1))


def node(folder: Path, changes: dict[str, Any]) -> Path:
    """Write the node's day; 20 in parallel carry 20 A out and 20 A in."""
    path = steady.write(
        folder,
        {
            "ambient.constant_C": AIR_C,
            "cooling.conductance_W_K": CONDUCTANCE_W_K,
            "pack.joint_mohm": 0.0,
            "start": {"charge_percent": 60.0},
            "load.days": UNTIL,
            "cell.capacity_Ah": 3.0,
            "cell.resistance.discharge_mohm": 1e3 * OHM,
            **changes,
        },
    )
    rows = f"time_s,current_A\n0,{20 * CELL_A}\n3600,{-20 * CELL_A}\n{ACTIVE_S:.0f},0\n"
    (folder / "load.csv").write_text(rows, encoding="utf-8")
    return path


def run(path: Path) -> Whole:
    return whole_run(assemble(read_scenario(path), path))


def cores_K(result: Any, time_s: float) -> float:
    """Return how far a core is above the air at a time."""
    if hasattr(result, "kept"):
        at = int(np.searchsorted(result.kept[:, column.TIME], time_s + 1e-6)) - 1
        return float(result.kept[at, column.CORE_HOT_K]) - AIR_C - ZERO_C_K
    at = int(np.searchsorted(result.trace.time_s, time_s + 1e-6)) - 1
    return float(result.trace.state[at, CORE]) - AIR_C - ZERO_C_K


@each_way
def test_mornings_approach_the_periodic_steady_state_geometrically(tmp_path, way):
    result = run(node(tmp_path, way))

    lasted = result.case.lasted
    assert lasted.ending == Ending.REPEATS
    for day in range(1, lasted.days + 2):  # 2 mK: the march's own error on a day's exponential
        assert cores_K(result, (day - 1) * DAY_S) == pytest.approx(morning_K(day), abs=2e-3)
    # What is left to the fixed point is the fixed point times a^(n - 1).
    wanted = next(n for n in range(1, 99) if IN_THE_END_K * DECAY ** (n - 1) <= ALIKE_K)
    assert (lasted.from_day, result.repeats_from) == (wanted, wanted)
    assert result.passed
    # Every day to come stays within what is called alike of the hottest that was run.
    hottest_K = result.verdict.limit(3).worst - AIR_C
    assert warmed_K(IN_THE_END_K) - ALIKE_K <= hottest_K <= warmed_K(IN_THE_END_K) + 2e-3


@each_way
def test_the_first_day_that_passes_a_limit_is_named(tmp_path, way):
    peaks_C = [AIR_C + warmed_K(morning_K(day)) for day in range(1, 5)]
    limit_C = 0.5 * (peaks_C[1] + peaks_C[2])

    path = node(tmp_path, {**way, "limits.core_max_C": limit_C})
    result = run(path)

    lasted = result.case.lasted
    assert (lasted.ending, lasted.days, lasted.from_day) == (Ending.FAILS, 3, None)
    assert result.verdict.first.name == "hot"
    assert 2 * DAY_S < result.verdict.first.time_s < 2 * DAY_S + ACTIVE_S
    code, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--no-plots", "--quiet")
    assert code == 1
    assert out.startswith("Gets too hot")
    assert "day 3 is the first that fails" in out


@each_way
def test_at_the_bound_it_is_said_how_much_each_day_still_gains(tmp_path, way):
    path = node(tmp_path, {**way, "load.most_days": 2})

    code, out, _ = answer("simulate", path, "--out", tmp_path / "out", "--no-plots", "--quiet")

    told = read_strictly(tmp_path / "out" / "summary.json")
    until = told["until_it_repeats"]
    gain_K = morning_K(3) - morning_K(2)
    assert code == 1  # nothing is known of the days to come, and that is no yes
    assert out.startswith("Cannot tell: after 2 days they still change: ")
    assert f"up to {gain_K:.1f} K warmer" in out
    assert (until["ending"], until["days_run"], until["alike_from_day"]) == (
        "still changes",
        2,
        None,
    )
    assert until["last_change_K"] == pytest.approx(gain_K, abs=2e-3)
    assert (told["verdict"]["passed"], told["verdict"]["can_answer"]) == (False, False)


@each_way
def test_they_are_the_days_that_a_number_of_days_runs(tmp_path, way):
    open_run = run(node(tmp_path / "until", way))
    count = open_run.case.lasted.days
    counted = run(node(tmp_path / "counted", {**way, "load.days": count}))

    assert [vars(day) for day in open_run.days] == [vars(day) for day in counted.days]
    for one, other in zip(open_run.verdict.limits, counted.verdict.limits, strict=True):
        assert (one.worst, one.margin, one.time_s) == (other.worst, other.margin, other.time_s)
    assert counted.repeats_from == open_run.repeats_from


# Charge: 400 Ah give 100 Ah a day; what the charger brings is a plain product.


def charged(folder: Path, current_A: float, **changes: Any) -> Path:
    charger = {"windows": [["12:00", "20:00"]], "current_A": current_A, "cold_off_C": 0.0}
    path = steady.write(
        folder,
        {
            "limits.core_max_C": 150.0, "limits.reserve_percent": 9.0, "cell.capacity_Ah": 20.0,
            "cell.resistance.discharge_mohm": 1.0, "pack.joint_mohm": 0.0, "load.days": UNTIL,
            "charger": charger, **changes,
        },
    )  # fmt: skip
    (folder / "load.csv").write_text("time_s,current_A\n0,100\n3600,0\n", encoding="utf-8")
    return path


def test_a_charge_that_is_not_made_good_fails_on_the_day_that_a_division_gives(tmp_path):
    """After n days 400 - 100 n + 80 (n - 1) Ah are left, at least 36: n <= 14."""
    path = charged(tmp_path, 10.0)

    result = run(path)

    assert (result.case.lasted.ending, result.case.lasted.days) == (Ending.FAILS, 15)
    assert result.verdict.first.name == "reserve"
    for n, day in enumerate(result.days[:14], 1):  # of 400 Ah, to the mAh
        assert day.charge_least == pytest.approx((320.0 - 20.0 * n) / 400.0, abs=5e-6)


def test_each_day_still_loses_what_the_charger_does_not_bring(tmp_path):
    result = run(charged(tmp_path, 10.0, **{"load.most_days": 4}))

    assert result.case.lasted.ending == Ending.OPEN
    assert result.case.lasted.last_change_share == pytest.approx(-20.0 / 400.0, abs=5e-6)
    assert not result.passed


def test_a_charge_that_is_made_good_holds_for_ever_and_so_says_every_command(tmp_path):
    path = charged(tmp_path, 20.0)

    code, out, _ = answer("check", path)
    swept, told, _ = answer(
        "sweep", path, "--vary", "charger.current_A=10:20:10", "--out", tmp_path / "s", "--no-plots"
    )
    page, _, _ = answer("report", path, "--out", tmp_path / "r.html")

    assert code == 0 and "each day until it repeats, up to 30 days" in " ".join(out.split())
    assert swept == 0 and "run until they repeat or one fails, 30 at the most" in told
    rows = (tmp_path / "s" / "sweep.csv").read_text(encoding="utf-8").splitlines()
    header = rows[0].split(",")
    found = [dict(zip(header, row.split(","), strict=True)) for row in rows[1:]]
    assert (found[0]["passes"], found[0]["days_run"]) == ("false", "15")
    assert found[1]["passes"] == "true" and int(found[1]["repeats_from"]) <= 2
    assert page == 0
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "all later ones are alike, to 0.1 K and 0.1 % of charge" in text


def test_headroom_says_that_any_number_of_days_holds_or_how_many(tmp_path):
    told = {}
    for current_A in (10.0, 20.0):
        path = charged(tmp_path / f"{current_A:g}", current_A)
        knob = days(Base(read_scenario(path), path, assemble(read_scenario(path), path)))
        told[current_A] = how_far(knob), stopped_by(knob)

    assert told[10.0] == ("14 days in a row (charge below reserve)", "charge below reserve")
    assert told[20.0][0].startswith("any number of days in a row (alike from day ")
    assert told[20.0][1].startswith("nothing: alike from day ")


# When mornings are called alike.


def mornings(temperatures_K: list[float]) -> list[Morning]:
    none = np.zeros(0)
    return [Morning(np.array([t]), np.ones(1), none, none.astype(bool)) for t in temperatures_K]


@given(
    st.floats(0.0, 30.0), st.floats(0.0, 0.9), st.floats(-30.0, 30.0), st.floats(0.0, 0.9)
)  # fmt: skip
def test_no_morning_is_called_alike_that_is_far_from_what_comes(quick_K, quick, slow_K, slow):
    """Two parts that die away by r^n; the truth is their sum. Twice what is alike is allowed.

    Of two parts of like ratio the observed one is a mean of both, and no better can be known.
    """
    off_K = [quick_K * quick**n + slow_K * slow**n for n in range(120)]
    for count in range(2, len(off_K)):
        first = alike_from(mornings(off_K[:count]))
        if first is not None:
            assert max(map(abs, off_K[first - 1 :])) <= 2.0 * ALIKE_K
            return
    raise AssertionError("what dies away was never called alike")


def test_a_slow_part_behind_a_quick_one_is_waited_for():
    """5 K that are gone in a day hide 0.5 K that lose a tenth a day: 17 days to a tenth of 0.5."""
    off_K = [5.0 * 0.001**n + 0.5 * 0.9**n for n in range(60)]

    first = next(a for n in range(2, 60) if (a := alike_from(mornings(off_K[:n]))) is not None)

    assert 0.5 * 0.9 ** (first - 1) <= ALIKE_K
    assert first >= 16


def test_what_goes_on_the_same_way_is_never_alike_unless_a_year_of_it_is():
    assert still_off([0.1] * 9) == math.inf
    assert still_off([1.0 / 400.0] * 9) < 1.0


def test_a_board_that_trips_in_one_of_two_days_keeps_them_apart():
    one, other = mornings([300.0, 300.0])
    apart = [one._replace(shut=np.array([n % 2 == 0])) for n in range(6)]

    assert alike_from(apart) is None
    assert alike_from([other] * 3) == 1


# What makes no sense.


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"load.days": "until it stops"}, 'days is "until it stops"; accepted: a whole number, 1 '),
        ({"load.days": 0}, 'accepted: a whole number, 1 to 366, or "until it repeats"'),
        ({"load.days": UNTIL, "load.most_days": 1}, "most_days is 1; accepted: a whole number, 2 "),
        ({"load.days": UNTIL, "load.repeat": 9}, "more than a day; accepted with days: up to 24 h"),
        (
            {"load.days": UNTIL, "ambient": {"profile": "air.csv"}},
            "needs weather that repeats, and ",
        ),
    ],
    ids=["another word", "none", "one at the most", "a day of 27 h", "dated weather"],
)
def test_days_that_can_not_be_meant_are_refused_in_a_sentence(tmp_path, changes, said):
    path = steady.write(tmp_path, changes)
    rows = "time,temperature_C\n" + "".join(f"2026-07-{d:02d} 08:00,30\n" for d in range(1, 20))
    (tmp_path / "air.csv").write_text(rows, encoding="utf-8")

    code, out, err = answer("check", path)

    assert (code, out) == (2, "")
    assert said in " ".join(err.split())
    assert "Traceback" not in err


def test_odds_refuses_days_of_no_one_length(tmp_path):
    code, out, err = answer("odds", steady.write(tmp_path, {"load.days": UNTIL}))

    assert (code, out) == (2, "")
    assert 'odds draws days of one length, and [load] days is "until it repeats"' in err


def test_a_bound_without_what_it_bounds_is_said_to_be_in_vain(tmp_path):
    code, out, _ = answer("check", steady.write(tmp_path, {"load.most_days": 9}))

    assert code == 0
    assert "most_days is not used" in " ".join(out.split())
