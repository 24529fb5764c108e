"""What is told of a pack as built: who empties first, three places, one pack out."""

from __future__ import annotations

import pytest
from case_days import as_built, cell, write
from small_day import answer, read_strictly

from sim.ask import one_out
from sim.ask.built_run import settings_of, through
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.judge.built import stranded
from sim.show.built_summary import built_summary
from sim.show.built_words import answer as sentence
from sim.show.built_words import report

WARMS = cell((3.0, 4.2), 30.0, Ah=3.0, J_K=45.0)
MODULE = {"module_heat_capacity_J_K": 20.0, "module_conductance_W_K": 0.3}


def words(result) -> str:
    """Return the report in one line."""
    return " ".join(" ".join(report(result)).split())


def told(result):
    return built_summary(result)["pack_as_built"]


# ---- groups of unlike size


@pytest.mark.parametrize(
    ("fault", "lost_Ah"),
    [
        ({"kind": "link_open", "group": 2, "cell": 3}, 3.0),
        ({"kind": "cell_missing", "group": 2, "cell": 3}, 3.0),
        ({"kind": "weak_cell", "group": 2, "cell": 3, "capacity_factor": 0.5}, 1.5),
        ({"kind": "weak_group", "group": 2, "capacity_factor": 0.5}, 4.5),
    ],
    ids=["link open", "cell missing", "weak cell", "weak group"],
)
def test_the_group_that_empties_first_strands_what_the_others_hold_more(tmp_path, fault, lost_Ah):
    """By hand: groups of 3 x 3 Ah, all full; the weak one has so much less, the others that more.

    A cell whose link is open holds its charge for nobody, so it is none of its group's.
    """
    result = as_built(tmp_path, WARMS, [(1.0, 600.0)], pack=(3, 3), fault=[fault])
    pack = told(result)
    assert pack["empties_first"] == "group 2"
    assert pack["stranded_Ah"] == pytest.approx(lost_Ah, rel=1e-9)
    assert f"group 2 empties first: the others hold up to {lost_Ah:.2f} Ah" in words(result)
    (one,) = stranded(result.run)
    assert one.mean_As == pytest.approx(3600.0 * lost_Ah * 2.0 / 3.0, rel=1e-9)


def test_what_is_stranded_is_the_same_at_any_hour_and_when_charged_again(tmp_path):
    """All groups carry the same current: 0.6 Ah more stays 0.6 Ah more, whatever the percents."""
    fault = [{"kind": "weak_group", "group": 1, "capacity_factor": 0.9}]
    for k, pieces in enumerate(([(1.0, 60.0)], [(4.0, 3600.0)], [(4.0, 3600.0), (-3.0, 1800.0)])):
        result = as_built(tmp_path / str(k), WARMS, pieces, pack=(2, 2), fault=fault)
        assert told(result)["stranded_Ah"] == pytest.approx(0.6, rel=1e-6)


def test_like_groups_strand_nothing_and_nobody_is_first(tmp_path):
    result = as_built(tmp_path, WARMS, [(4.0, 1800.0)], pack=(3, 2))
    assert told(result)["empties_first"] is None
    assert told(result)["stranded_Ah"] == 0.0
    assert "empties first" not in words(result)


def test_imbalance_is_told_at_the_start_at_most_and_at_the_end(tmp_path):
    """By hand: 4 A for 1 h out of 6 and 5.4 Ah, then 3 A for half an hour back in."""
    result = as_built(
        tmp_path, WARMS, [(4.0, 3600.0), (-3.0, 1800.0)], pack=(2, 2),
        fault=[{"kind": "weak_group", "group": 2, "capacity_factor": 0.9}],
    )  # fmt: skip
    apart = told(result)["imbalance"]
    each_Ah = 1.0 / 5.4 - 1.0 / 6.0
    assert apart["charge_at_the_start"] == pytest.approx(0.0, abs=1e-9)
    assert apart["charge_at_most"] == pytest.approx(4.0 * each_Ah, rel=1e-6)
    assert apart["charge_at_most_s"] == pytest.approx(3600.0)
    assert apart["charge_at_the_end"] == pytest.approx(2.5 * each_Ah, rel=1e-6)
    assert "0.0 % apart at the start, 7.4 % at most (after 60 min), 4.6 % at the end" in words(
        result
    )


# ---- every limit that was passed


def test_the_sentence_names_every_limit_that_was_passed_by_how_much(tmp_path):
    result = as_built(
        tmp_path, cell((3.0, 4.2), 30.0, Ah=3.0, J_K=45.0, discharge_A=2.0, charge_A=0.5),
        [(5.0, 600.0), (-2.0, 600.0)], pack=(2, 2), soc=0.9, limits={"pack_current_max_A": 4.0},
    )  # fmt: skip
    said = sentence(result)
    assert said.startswith("Stays cool, but ")
    for part in ("pack current above limit", "cell current above limit", "by 1.0 A at worst"):
        assert part in said, said
    assert "charge current above limit after 10 min, by 0.5 A at worst" in said


# ---- three places


def test_three_places_beside_every_cell_are_those_of_a_run_of_three_places(tmp_path):
    layout = {"rows": 4, "columns": 5, "neighbour_W_K": 0.05, **MODULE}
    every = as_built(
        tmp_path / "all", WARMS, [(14.0, 1500.0)], pack=(4, 5),
        layout={**layout, "model": "resolved"},
    )  # fmt: skip
    three = as_built(
        tmp_path / "three", WARMS, [(14.0, 1500.0)], pack=(4, 5),
        layout={**layout, "model": "places"},
    )  # fmt: skip
    found = told(every)["three_places"]
    assert found["hottest_C"] == pytest.approx(told(three)["hottest_core_C"], abs=1e-6)
    over_K = told(three)["hottest_core_C"] - told(every)["hottest_core_C"]
    assert found["over_hottest_cell_K"] == pytest.approx(over_K, abs=1e-6)
    assert found["brackets"]
    assert found["cells_differ_by_place_only"]
    assert f"{over_K:.2f} K over the hottest cell" in words(every)
    assert "0.1 % of the rise above the coldest air" in words(three)


def test_three_places_are_no_bracket_where_one_cell_is_missing(tmp_path):
    result = as_built(
        tmp_path, WARMS, [(8.0, 1500.0)], pack=(2, 3),
        layout={"rows": 2, "columns": 3, "model": "resolved"},
        fault=[{"kind": "cell_missing", "group": 1, "cell": 2}],
    )  # fmt: skip
    found = told(result)["three_places"]
    assert not found["brackets"]
    assert found["over_hottest_cell_K"] < 0.0
    assert not found["cells_differ_by_place_only"]
    assert "UNDER the hottest cell" in words(result)
    assert "no bracket here" in words(result)


# ---- one pack out

DAY = [(2.0, 3600.0), (7.0, 3600.0), (3.0, 3600.0), (1.0, 3600.0)]


def two_packs(folder, **keywords):
    """Two packs of 2s3p with scatter, four hours of driving."""
    keywords = {"spread": {"resistance_percent": 5.0, "capacity_percent": 2.0}, **keywords}
    return write(
        folder, cell((3.0, 4.2), 30.0, Ah=3.0, J_K=45.0, discharge_A=2.5), DAY, pack=(2, 3, 2),
        **keywords,
    )  # fmt: skip


def out_of(path):
    case = built_case(read_case(path))
    _, hours = through(case, settings_of(case), hourly=True)
    return one_out.one_out_built(case, hours)


def test_hours_searched_with_few_cells_find_the_worst_that_every_cell_finds(tmp_path, monkeypatch):
    path = two_packs(tmp_path)
    whole = out_of(path)
    assert "searched" not in whole.tried
    monkeypatch.setattr(one_out, "MOST_CELL_HOURS", 0)
    searched = out_of(path)

    assert "searched with 2 cells that stand for all 12" in searched.tried
    assert searched.hours == whole.hours == 4
    for name in ("energy", "current", "heat"):
        one, other = getattr(whole, name), getattr(searched, name)
        assert (one.passed, one.limit) == (other.passed, other.limit)
        assert (one.stops_s is None) == (other.stops_s is None)
        if one.stops_s is not None:
            assert other.stops_s == pytest.approx(one.stops_s, abs=1e-6)
        if one.margin is not None:  # the same 7 A from either hour on, but for the cells' shares
            assert other.margin == pytest.approx(one.margin, abs=0.01)


def test_a_pack_out_from_the_start_is_worst_where_the_most_is_left_undone(tmp_path):
    """By hand: 13 Ah asked of 9 Ah; out from the start it stops at the 9 Ah of the second hour."""
    path = two_packs(tmp_path, spread={}, limits={"cell_discharge_max_A": 9.0})
    found = out_of(path)
    assert not found.energy.passed
    assert found.energy.hour_s == 0.0
    assert found.energy.stops_s == pytest.approx(7200.0, rel=1e-6)


def test_a_board_that_trips_with_one_pack_out_is_a_no_by_current(tmp_path):
    """5 A each while both are there, 7 A of one: its board opens at 6.5, at the earliest at 5.5."""
    trip = {"trip": 6.5, "tolerance": 1.0, "latch": True}
    path = two_packs(
        tmp_path, spread={}, limits={"cell_discharge_max_A": 9.0}, board={"over_current": trip}
    )
    found = out_of(path)
    assert not found.current.passed
    assert found.current.stops_s == pytest.approx(3600.0)
    path = two_packs(
        tmp_path, spread={}, limits={"cell_discharge_max_A": 9.0},
        board={"over_current": {**trip, "tolerance": 0.0, "trip": 7.5}},
    )  # fmt: skip
    assert out_of(path).current.passed


def test_one_pack_out_is_asked_until_it_is_home_each_day(tmp_path):
    """Three like days: 4 hours driven, home by noon, charged at 20:00; 4 hours asked a day."""
    path = two_packs(
        tmp_path, spread={}, load={"days": 3}, start="08:00",
        limits={"cell_discharge_max_A": 9.0},
        charger={"windows": [["20:00", "06:00"]], "current_A": 6.0},
    )  # fmt: skip
    found = out_of(path)
    assert found.hours == 12
    assert found.energy.stops_s is not None


def test_a_map_of_two_packs_with_faults_is_drawn(tmp_path):
    path = two_packs(
        tmp_path, layout={"rows": 3, "columns": 2, "pattern": "staggered"},
        fault=[{"kind": "cell_missing", "pack": 2, "group": 1, "cell": 2},
               {"kind": "weak_group", "group": 2, "resistance_factor": 2.0}],
    )  # fmt: skip
    code, _, err = answer("simulate", path, "--out", tmp_path / "out", "--quiet")
    assert code in (0, 1), err
    assert (tmp_path / "out" / "pack-map.png").stat().st_size > 10_000
    packs = read_strictly(tmp_path / "out" / "summary.json")["pack_as_built"]["packs"]
    assert [p["pack"] for p in packs] == [1, 2]
