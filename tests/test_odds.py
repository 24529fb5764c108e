"""Odds judged from outside: closed forms, published indices, scipy's distributions."""

from __future__ import annotations

import csv
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import steady
from scipy.stats import kstest, norm, truncnorm
from small_day import MEASURED, answer, read_strictly
from steady import AIR_C, CONDUCTANCE_W_K, CURRENT_A, LIMIT_C, RESISTANCE_OHM, AtOnce

from sim.ask.odds import Odds, odds
from sim.ask.odds_factors import CELLS, EVEN, GUESS, LOG, WORST, Factor, factors_of
from sim.ask.odds_lanes import AUDIT, NO_ANSWER, SETTINGS, drawn, in_two, judged, lane_of, run_all
from sim.ask.odds_share import by_draws, exchanged, hypercube, indices, share_of
from sim.files.case import Case, read_case
from sim.integrate import march
from sim.physics.film import conductance_W_K
from sim.physics.limits import (
    BEYOND_REACH,
    CELL_DISCHARGE,
    CUTOFF,
    HOT,
    OUTSIDE_TABLE,
    RESERVE,
)
from sim.physics.plant import CORE, SOC

SCENARIOS = Path(__file__).resolve().parents[1] / "scenarios"
EXACT = {group: {"from": "a bench", "uncertainty": 0.0} for group in MEASURED}
HELD = {
    **{f"odds.{name}_percent": 0.0 for name in ("exposed", "joint", "wall", "load")},
    "cooling.uncertainty_percent": 0.0,
    "odds.air_K": 0.0,
}


def case_of(folder: Path, changes=None, *, sources=None, **cell) -> Case:
    """Return the steady day with nothing unsure but what is named."""
    cell = {"sources": {**EXACT, **(sources or {})}, **cell}
    return read_case(steady.write(folder, {**HELD, **(changes or {})}, cell))


def found_of(case: Case, draws: int = 512, seed: int = 1) -> Odds:
    return odds(case, draws, seed, AtOnce())


def said(uncertainty: float) -> dict:
    return {"from": "a test", "uncertainty": uncertainty}


REACH_SD = truncnorm.ppf(0.975, -3, 3)  # of a normal cut at 3


def logarithm(z, off):
    """Return the logarithm at `z` standard deviations: 95 of 100 from 1 - off to 1 + off."""
    return z / REACH_SD * np.where(z < 0.0, -np.log(1.0 - off), np.log(1.0 + off))


def deviations(log, off):
    """Return the inverse of `logarithm`."""
    return log * REACH_SD / np.where(log < 0.0, -np.log(1.0 - off), np.log(1.0 + off))


def test_share_that_stays_cool_is_that_of_the_closed_form(tmp_path):
    """The steady rise is I^2 R / G: its logarithm is the difference of two drawn ones."""
    changes = {"pack.joint_mohm": 0.0, "cooling.uncertainty_percent": 20.0}
    case = case_of(tmp_path, changes, sources={"resistance": said(0.3)})
    found = found_of(case, 1024)

    room = np.log((LIMIT_C - AIR_C) / ((CURRENT_A / 20) ** 2 * RESISTANCE_OHM / CONDUCTANCE_W_K))
    z = np.linspace(-3, 3, 20001)
    within = truncnorm.cdf(deviations(room + logarithm(z, 0.2), 0.3), -3, 3)
    p = np.trapezoid(truncnorm.pdf(z, -3, 3) * within, z)
    assert 0.7 < p < 0.999
    # 4 standard deviations of independent draws; a hypercube scatters less.
    assert found.holds(HOT).value == pytest.approx(p, abs=4 * np.sqrt(p * (1 - p) / 1024))
    assert found.share == found.holds(HOT)
    assert found.decides == HOT


def test_indices_of_the_closed_form_are_those_of_an_additive_logarithm(tmp_path):
    """With small uncertainties the rise is additive: variances add as squared deviations."""
    changes = {"pack.joint_mohm": 0.0, "cooling.uncertainty_percent": 3.0, "odds.load_percent": 2.0}
    case = case_of(tmp_path, changes, sources={"resistance": said(0.04)})
    found = found_of(case, 1024)

    parts = {"resistance": 0.04**2, "cooling": 0.03**2, "load": (2 * 0.02) ** 2}
    of = {index.name: index for index in found.indices[HOT]}
    for name, part in parts.items():
        want = part / sum(parts.values())
        # 512 rows leave some 0.05; first order scatters more.
        assert of[name].total == pytest.approx(want, abs=0.06)
        assert of[name].first == pytest.approx(want, abs=0.15)
        assert of[name].total_low < want < of[name].total_high
    assert found.measure_first.name == "resistance"  # the load is no guess


def test_a_guess_without_uncertainty_has_no_index_and_needs_no_runs(tmp_path):
    case = case_of(tmp_path, sources={"resistance": said(0.1)})
    found = found_of(case, 128)

    assert found.index_runs == found.index_rows == 64
    for index in found.indices[HOT]:
        if index.name != "resistance":
            assert (index.first, index.total) == (0.0, 0.0)
    assert CUTOFF in found.indices and RESERVE not in found.indices  # resistance moves no charge


def test_nothing_unsure_is_the_day_itself_in_every_draw(tmp_path):
    case = case_of(tmp_path)
    found = found_of(case, 128)

    alone = march.march(case.plant, case.limits, case.legs, case.start, SETTINGS)
    assert np.array_equal(found.seen.margins, np.tile(alone.worst, (128, 1)))
    assert found.share.count == 128 and found.indices == {} and found.measure_first is None


def ishigami(x):
    x = np.pi * (2.0 * x - 1.0)
    return np.sin(x[..., 0]) + 7 * np.sin(x[..., 1]) ** 2 + 0.1 * x[..., 2] ** 4 * np.sin(x[..., 0])


def test_estimator_gives_the_published_indices_of_ishigami():
    """a = 7, b = 0.1: 0.3139, 0.4424, 0 and 0.5576, 0.4424, 0.2437 (Ishigami and Homma 1990)."""
    rows = 2**13
    points = hypercube(2 * rows, 3, 5)
    found = indices(
        ["x1", "x2", "x3"],
        ishigami(points[::2]), ishigami(points[1::2]), ishigami(exchanged(points, rows)), 1,
    )  # fmt: skip

    # 0.03: some 2.5 of the standard deviations that 8192 rows leave.
    assert [i.first for i in found] == pytest.approx([0.3139, 0.4424, 0.0], abs=0.03)
    assert [i.total for i in found] == pytest.approx([0.5576, 0.4424, 0.2437], abs=0.03)


def test_exchanged_rows_differ_in_one_factor_and_halves_are_independent_hypercubes():
    points = hypercube(256, 3, 4)
    mixed = exchanged(points, 64)

    for half in (points[::2], points[1::2]):  # one in each slice: the definition
        assert np.array_equal(np.sort((half * 128).astype(int), axis=0)[:, 0], np.arange(128))
    for k in range(3):
        assert np.array_equal(mixed[k, :, k], points[1:128:2, k])
        others = [j for j in range(3) if j != k]
        assert np.array_equal(mixed[k][:, others], points[:128:2][:, others])


@pytest.mark.parametrize("share", [0.5, 0.9, 0.99])
def test_interval_holds_the_true_share_as_often_as_it_says(share):
    """200 seeds of 256 points, passing where the normal sum of three is below its quantile."""
    level = np.sqrt(3.0) * norm.ppf(share)
    inside = 0
    for seed in range(200):
        passes = norm.ppf(hypercube(256, 3, seed)).sum(axis=1) <= level
        last = by_draws(passes)[-1]
        inside += last.low <= share <= last.high

    assert inside >= 190 - 7  # 95 % of 200, less two standard deviations of that count


def test_interval_narrows_with_the_root_of_the_draws_and_never_to_nothing():
    passes = np.arange(4096) % 10 > 0
    widths = [share.high - share.low for share in by_draws(passes)]

    assert [share.draws for share in by_draws(passes)] == [64 * 2**n for n in range(7)]
    assert widths[-1] == pytest.approx(widths[-3] / 2, rel=0.05)
    # All pass: the rule of three, 3.7 / n for a two-sided 95 % (Clopper and Pearson 1934).
    assert share_of(4096, 4096).low == pytest.approx(0.025 ** (1 / 4096), abs=1e-9)


UNIT = (np.arange(4000) + 0.5) / 4000
SPANS = (0.01, 0.1, 0.3, 0.5, 0.6, 0.65, 0.8, 0.99, 1.0, 2.0, 10.0)


@pytest.mark.parametrize("shape", [LOG, EVEN])
def test_ninety_five_of_a_hundred_lie_within_what_is_stated_and_none_beyond(shape):
    factor = Factor("resistance", GUESS, shape, 0.4, "a test")
    values = factor.values(UNIT)

    assert np.mean(values < 0.6) == pytest.approx(0.025, abs=1e-3)
    assert np.mean(values > 1.4) == pytest.approx(0.025, abs=1e-3)
    assert np.median(values) == pytest.approx(1.0, abs=1e-3)
    assert np.all(np.diff(values) > 0)
    beyond = np.exp(logarithm(3.0, 0.4)) if shape == LOG else 1 + 3 * 0.4 / REACH_SD
    assert values.max() < beyond and values.min() > 0.0


def test_wider_uncertainty_reaches_lower_and_never_to_nothing():
    """A relative uncertainty may be stated as 100 % and more; no resistance is negative."""
    lows = [Factor("heat", GUESS, LOG, off, "a test").values(UNIT).min() for off in SPANS]

    assert np.all(np.diff(lows) < 0) and lows[-1] > 0.0


def test_share_of_side_is_never_more_than_all_of_it(tmp_path):
    case = read_case(SCENARIOS / "orchard-cart.toml")
    whole = replace(
        case, scenario=case.scenario.model_copy(
            update={"cooling": case.scenario.cooling.model_copy(update={"exposed_fraction": 0.95})}
        ),
    )  # fmt: skip
    exposed = next(f for f in factors_of(whole) if f.name == "exposed")

    assert 0.95 * exposed.values(UNIT).max() <= 1.0 < 0.95 * 1.2


@pytest.mark.parametrize("many", [1, 14, 4480])
def test_worst_of_many_is_spread_as_the_greatest_of_so_many(many):
    """Judge: the greatest of `many` normal numbers has the distribution F^n (order statistics)."""
    worst = Factor("weakest_capacity", CELLS, WORST, 1.0, "[spread]", many=many)

    assert kstest(worst.values(UNIT), lambda x: norm.cdf(x) ** many).statistic < 1e-3
    drawn_ = np.random.default_rng(3).standard_normal((2000, min(many, 100))).max(axis=1)
    if many <= 100:
        assert kstest(drawn_, lambda x: norm.cdf(x) ** many).pvalue > 1e-3


def test_spread_is_taken_as_the_weakest_group_and_the_hottest_cell(tmp_path):
    changes = {"spread.capacity_percent": 4.0, "spread.resistance_percent": 10.0}
    case = case_of(tmp_path, {**changes, "pack.joint_mohm": 0.0})
    factors = {factor.name: factor for factor in factors_of(case)}

    weakest, hottest = factors["weakest_capacity"], factors["hottest_cell"]
    assert (weakest.many, hottest.many) == (4, 80)  # 4 groups of 20
    assert weakest.off == pytest.approx(0.04 / np.sqrt(20))  # a mean of 20
    value = {name: float(f.values(np.array([0.5]))[0]) for name, f in factors.items()}
    value["weakest_resistance"], value["hottest_cell"] = 0.0, np.log(1.1)
    warm = drawn(case, value)
    end = march.march(warm.plant, warm.limits, warm.legs, warm.start, SETTINGS).state[-1]

    rise = (CURRENT_A / 20) ** 2 * RESISTANCE_OHM / CONDUCTANCE_W_K
    assert end[CORE] - 273.15 - AIR_C == pytest.approx(1.1 * rise, rel=1e-4)
    gone = 300.0 / 20 / (100.0 * np.exp(-value["weakest_capacity"]))
    assert 1.0 - end[SOC] == pytest.approx(gone, rel=1e-9)


def test_each_factor_moves_what_it_names_and_no_more():
    case = read_case(SCENARIOS / "orchard-cart.toml")
    factors = {f.name: f for f in factors_of(case)}
    nothing = {name: 0.0 if f.unit == "K" else 1.0 for name, f in factors.items()}
    plant, _, legs, start = lane_of(case, {**nothing, "air": 1.5, "load": 1.1, "sun": 0.5})

    assert np.array_equal(legs.ambient_K, case.legs.ambient_K + 1.5)
    assert np.array_equal(legs.value, case.legs.value * 1.1)
    assert np.array_equal(legs.sun_W_s, case.legs.sun_W_s * 0.5)
    assert np.array_equal(start[1:5], case.start[1:5] + 1.5) and start[SOC] == case.start[SOC]
    assert np.array_equal(plant.cell.layers, case.plant.cell.layers)
    plant = lane_of(case, {**nothing, "resistance": 1.2, "polarisation": 0.9})[0]
    scale = plant.cell.layers / case.plant.cell.layers
    np.testing.assert_allclose(scale[0, 0, 0], [1.2, 1.2, 0.9, 1.0, 0.9, 1.0], rtol=1e-12)
    plant = lane_of(case, {**nothing, "cooling": 0.8, "exposed": 1.1, "core_to_surface": 2.0})[0]
    want_W_K = 0.88 * conductance_W_K(case.plant.film, 320.0, 310.0)
    assert conductance_W_K(plant.film, 320.0, 310.0) == pytest.approx(want_W_K, rel=1e-12)
    assert plant.cell.core_to_surface_W_K == case.plant.cell.core_to_surface_W_K / 2.0


def test_core_to_surface_is_half_unsure_where_heat_is_a_guess_or_says_its_own(tmp_path):
    across = {"heat": {"core_J_K": 40.5, "surface_J_K": 4.5, "core_to_surface_K_W": 2.0}}

    def off(folder, sources):
        case = case_of(tmp_path / folder, sources=sources, **across)
        return next(f.off for f in factors_of(case) if f.name == "core_to_surface")

    assert off("guess", {"heat": {**said(0.1), "guess": True}}) == 0.5
    assert off("fitted", {"heat": said(0.15)}) == 0.15
    assert off("own", {"heat": said(0.1), "core_to_surface": said(0.3)}) == 0.3


def test_same_seed_gives_the_same_numbers_on_any_threads_and_another_does_not(tmp_path):
    case = case_of(tmp_path, {"odds.load_percent": 5.0})
    one = found_of(case, 128)
    with ThreadPoolExecutor(3) as threads:
        two = odds(case, 128, 1, threads)

    assert np.array_equal(one.seen.margins, two.seen.margins) and one.indices == two.indices
    assert not np.array_equal(one.values, found_of(case, 128, seed=2).values)


def test_a_run_that_is_no_number_or_does_not_balance_counts_as_failed(tmp_path):
    case = case_of(tmp_path)
    trace = march.march(case.plant, case.limits, case.legs, case.start, SETTINGS)
    lane, asked = (case.plant, case.limits, case.legs, case.start), in_two(case.legs)

    assert judged(lane, asked, trace) == (-1, "")
    bad = trace._replace(state=np.full_like(trace.state, np.nan))
    assert judged(lane, asked, bad)[0] == NO_ANSWER
    first, why = judged(lane, asked._replace(value=asked.value * 1.01), trace)
    assert first == AUDIT and "load asked against delivered" in why
    factors = factors_of(case)
    values = np.stack([f.values(np.full(8, 0.5)) for f in factors], axis=1)
    values[3, [f.name for f in factors].index("resistance")] = np.nan
    seen = run_all(case, factors, values, AtOnce())
    assert seen.unbelievable == 1 and not seen.passes[3] and seen.passes.sum() == 7
    assert [at for at, _ in seen.complaints] == [3]


def test_cells_that_take_more_current_meet_their_own_limit_first(tmp_path):
    """Cells of a group share a voltage, so current goes as 1/R, and so does a cell's heat."""
    changes = {"spread.resistance_percent": 10.0, "limits.cell_discharge_max_A": 5.4}
    case = case_of(tmp_path, {**changes, "pack.joint_mohm": 0.0})
    value = {f.name: float(f.values(np.array([0.5]))[0]) for f in factors_of(case)}
    worst = []
    for hotter in (1.05, 1.10):  # the mean takes 5 A
        lane = lane_of(case, {**value, "hottest_cell": np.log(hotter)})
        worst.append(march.march(*lane, SETTINGS).worst[CELL_DISCHARGE])

    assert worst[0] > 0.0 > worst[1]


def test_day_cut_short_by_the_model_fails_every_limit_it_did_not_see(tmp_path):
    """27 mohm at 0.045 W/K and 5 A; at a hundredth of the cooling the cell passes 150 C."""
    case = case_of(tmp_path)
    factors = factors_of(case)
    values = np.stack([f.values(np.full(128, 0.5)) for f in factors], axis=1)
    values[3, [f.name for f in factors].index("cooling")] = 0.01
    seen = run_all(case, factors, values, AtOnce())
    found = replace(found_of(case, 128), values=values, seen=seen)

    assert not seen.finished[3] and seen.finished.sum() == 127
    assert seen.margins[3, RESERVE] > 0.0
    assert found.holds(RESERVE).count == found.holds(HOT).count == found.share.count == 127


def test_a_day_whose_load_was_cut_or_whose_table_ended_does_not_count_as_cool():
    """Greatest power of a cell is U^2/4R; colder than its table R is held at the table's end."""
    case = read_case(SCENARIOS / "orchard-cart.toml")
    case = replace(case, limits=case.limits._replace(core_max_K=420.0))  # no core comes near it
    factors = factors_of(case)
    names = [f.name for f in factors]
    values = np.stack([f.values(np.full(128, 0.5)) for f in factors], axis=1)
    values[3, names.index("resistance")] = 14.0  # 25 mohm become 0.35 ohm: 10 W of the 14 asked
    values[5, names.index("air")] = -80.0
    seen = run_all(case, factors, values, AtOnce())
    found = replace(found_of(case, 128), values=values, seen=seen)

    assert seen.margins[3, BEYOND_REACH] < 0.0 and seen.margins[5, OUTSIDE_TABLE] < 0.0
    assert np.all(seen.margins[[3, 5], HOT] > 0.0)
    assert not found.known[[3, 5]].any() and found.known.sum() == 126
    assert found.cool.count == found.holds(HOT).count == 126


def test_no_group_begins_fuller_than_full(tmp_path):
    case = case_of(tmp_path, {"spread.charge_percent": 2.0, "pack.series": 1})
    value = {f.name: float(f.values(np.array([0.5]))[0]) for f in factors_of(case)}

    assert lane_of(case, {**value, "weakest_charge": -0.03})[3][SOC] == 1.0
    assert lane_of(case, {**value, "weakest_charge": 0.03})[3][SOC] == pytest.approx(0.97)


def test_two_legs_balance_as_the_day_does():
    case = read_case(SCENARIOS / "canal-launch.toml")
    two = in_two(case.legs)

    length_s = case.legs.end_s - case.legs.start_s
    for of in (np.asarray, np.abs):
        whole = np.sum(of(case.legs.value) * length_s)
        assert np.sum(of(two.value) * (two.end_s - two.start_s)) == pytest.approx(whole, rel=1e-12)
    assert two.end_s[-1] == case.legs.end_s[-1]


def test_command_writes_draws_summary_and_picture_and_answers_in_a_line(tmp_path):
    changes = {"odds.load_percent": 5.0, "odds.air_K": 2.0, "cooling.uncertainty_percent": 10.0}
    path = steady.write(tmp_path, changes)
    folder = tmp_path / "out"
    code, out, err = answer("odds", path, "--draws", "128", "--out", folder)
    summary = read_strictly(folder / "summary.json")

    assert err == "" and (folder / "odds.png").stat().st_size > 10_000
    assert out.splitlines()[0] == summary["verdict"]["sentence"]
    assert code == (0 if summary["share"]["low_percent"] >= 95.0 else 1)
    rows = list(csv.DictReader((folder / "draws.csv").read_text(encoding="utf-8").splitlines()))
    passing = [row for row in rows if row["passes"] == "true"]
    assert len(rows) == 128 and len(passing) == summary["share"]["count"]
    assert all(float(row["margin_hot_K"]) >= 0.0 for row in passing)
    assert [s["draws"] for s in summary["share_by_draws"]] == [64, 128]
    code_again, quiet, _ = answer("odds", path, "--draws", "128", "--out", folder, "--quiet")
    assert (code_again, quiet) == (code, out.splitlines()[0] + "\n")


def test_what_odds_cannot_speak_of_is_refused_in_a_sentence(tmp_path):
    built = {"layout.rows": 4, "layout.columns": 20}
    code, out, err = answer("odds", steady.write(tmp_path, built), "--out", tmp_path / "out")
    assert (code, out) == (2, "") and err.startswith("odds draws a day of identical cells, and ")
    assert "has [layout]" in err and err.count("\n") == 1
    for draws in ("127", "64", "2000000"):
        code, out, err = answer("odds", steady.write(tmp_path), "--draws", draws)
        assert (code, out) == (2, "")
        assert err == f"--draws is {draws}; accepted: an even number from 128 to 1000000\n"
