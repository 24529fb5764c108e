"""Heat across the gaps between cells, beside handbooks, definitions and hand-solved balances.

Conduction: ht's shape factor of two cylinders in an infinite medium (Incropera and DeWitt, table
4.1; Kreith). Radiation: the view factor of two whole cylinders (Hottel's crossed strings, from
memory) and the definition of view factors, integrated. Air about all cells of a module: Laplace's
equation by finite differences (lattice.py). Whole runs: heat balances of two cells, by numpy.
"""

from __future__ import annotations

import json
import math

import ht
import lattice
import numpy as np
import pytest
from case_days import as_built, cell, told, write
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from small_day import MEASURED, answer, complaints, write_day

from sim.ask.bad_end import cold_sides, shares
from sim.ask.built_bad_end import worse_end
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.physics.gap import conducting_widths, gap_W_K, seen_width_m
from sim.physics.limits import HOT
from sim.units import ZERO_C_K

SQUARE_RAD, STAGGERED_RAD, WHOLE_RAD = math.pi / 4.0, math.pi / 6.0, math.pi / 2.0
SECTORS = st.sampled_from([SQUARE_RAD, STAGGERED_RAD, WHOLE_RAD])
GAPS_M, DIAMETERS_M = st.floats(1e-4, 5e-3), st.floats(0.01, 0.06)
AIR_W_MK = 0.02436  # at 0 C: CoolProp 8.0.0, 0.023346 at 260 K and 0.024883 at 280 K
STEFAN_BOLTZMANN = 5.670374e-8  # CODATA


def slices(gap_m: float, diameter_m: float, sector_rad: float) -> float:
    """Return breadth over depth of straight slices between two cylinders, added up."""
    radius_m = 0.5 * diameter_m

    def one(a: float) -> float:
        return radius_m * math.cos(a) / (gap_m + diameter_m * (1.0 - math.cos(a)))

    return 2.0 * quad(one, 0.0, sector_rad, points=[math.sqrt(gap_m / radius_m)])[0]


def seen_m(gap_m: float, diameter_m: float, sector_rad: float) -> float:
    """Return the integral that defines it: cosines over twice the distance, over both sectors."""
    nodes, weights = np.polynomial.legendre.leggauss(400)
    a, da = sector_rad * nodes[:, None], sector_rad * weights[:, None]
    b, db = a.T, da.T
    radius_m = 0.5 * diameter_m
    x = gap_m + radius_m * (2.0 - np.cos(a) - np.cos(b))
    y = radius_m * (np.sin(b) - np.sin(a))
    far_m = np.hypot(x, y)
    leaves = (np.cos(a) * x + np.sin(a) * y) / far_m
    enters = (np.cos(b) * x - np.sin(b) * y) / far_m
    faces = (leaves > 0.0) & (enters > 0.0)
    return float(np.sum(faces * leaves * enters / (2.0 * far_m) * da * db) * radius_m**2)


@given(GAPS_M, DIAMETERS_M, SECTORS)
def test_closed_form_is_the_sum_of_its_slices(gap_m, diameter_m, sector_rad):
    found = conducting_widths(gap_m, diameter_m, sector_rad)
    assert found == pytest.approx(slices(gap_m, diameter_m, sector_rad), rel=1e-8)


@given(GAPS_M, DIAMETERS_M, SECTORS)
def test_air_between_sectors_conducts_less_than_two_cylinders_in_air_without_end(
    gap_m, diameter_m, sector_rad
):
    handbook = ht.conduction.S_isothermal_pipe_to_isothermal_pipe(
        diameter_m, diameter_m, gap_m + diameter_m
    )
    found = conducting_widths(gap_m, diameter_m, sector_rad)
    assert 0.25 * handbook < found < handbook


@pytest.mark.parametrize("gap_mm", [1.0, 2.0, 5.0])
@pytest.mark.parametrize(("sides", "sector_rad"), [(4, SQUARE_RAD), (6, STAGGERED_RAD)])
def test_sectors_conduct_less_than_the_air_of_a_module_but_most_of_it(gap_mm, sides, sector_rad):
    # Halving the grid's step moves these by 0.001.
    whole = lattice.widths(1e-3 * gap_mm, 0.0184, sides, 2.5e-4)
    assert 0.77 * whole < conducting_widths(1e-3 * gap_mm, 0.0184, sector_rad) < 0.93 * whole


@given(DIAMETERS_M, SECTORS)
def test_gap_that_closes_conducts_as_the_root_of_radius_over_gap(diameter_m, sector_rad):
    # pi sqrt(R / gap), from memory; what lies beside it is of the order of 1, of 3 x 10^5.
    gap_m = 1e-10 * diameter_m
    root = math.pi * math.sqrt(0.5 * diameter_m / gap_m)
    handbook = ht.conduction.S_isothermal_pipe_to_isothermal_pipe(
        diameter_m, diameter_m, gap_m + diameter_m
    )
    assert conducting_widths(gap_m, diameter_m, sector_rad) == pytest.approx(root, rel=5e-5)
    assert conducting_widths(gap_m, diameter_m, sector_rad) == pytest.approx(handbook, rel=5e-5)


@given(GAPS_M, DIAMETERS_M)
def test_whole_cylinders_see_each_other_as_the_handbook_says(gap_m, diameter_m):
    # F = (sqrt(X^2 - 1) + asin(1/X) - X) / pi with X = 1 + gap / diameter (from memory).
    x = 1.0 + gap_m / diameter_m
    view = (math.sqrt(x * x - 1.0) + math.asin(1.0 / x) - x) / math.pi
    found = seen_width_m(gap_m, diameter_m, WHOLE_RAD) / (math.pi * diameter_m)
    assert found == pytest.approx(view, rel=1e-9)


@pytest.mark.parametrize("sector_rad", [SQUARE_RAD, STAGGERED_RAD])
@pytest.mark.parametrize("gap_mm", [2.0, 5.0, 30.0])  # at 30 mm strings run from edge to edge
def test_sectors_see_each_other_as_the_definition_says(gap_mm, sector_rad):
    found = seen_width_m(1e-3 * gap_mm, 0.0184, sector_rad)
    assert found == pytest.approx(seen_m(1e-3 * gap_mm, 0.0184, sector_rad), rel=2e-3)


@given(GAPS_M, DIAMETERS_M)
def test_all_neighbours_together_see_no_more_than_the_whole_side(gap_m, diameter_m):
    for sides, sector_rad in ((4, SQUARE_RAD), (6, STAGGERED_RAD)):
        seen = sides * seen_width_m(gap_m, diameter_m, sector_rad)
        assert 0.0 < seen < math.pi * diameter_m


def by_hand_W_K(gap_mm: float, height_mm: float = 65.0, emissivity: float = 0.8) -> float:
    """Return what a gap of a square module of 18.4 mm cells hands on, air at 0 C."""
    sizes = 1e-3 * gap_mm, 18.4e-3, SQUARE_RAD
    radiated = emissivity**2 * 4.0 * STEFAN_BOLTZMANN * 273.15**3 * seen_m(*sizes)
    return 1e-3 * height_mm * (AIR_W_MK * slices(*sizes) + radiated)


def test_conductance_is_air_at_its_temperature_and_radiation_between_two_grey_sides():
    found = gap_W_K(2e-3, 18.4e-3, 65e-3, SQUARE_RAD, 0.8, 273.15)
    assert found == pytest.approx(by_hand_W_K(2.0), rel=2e-3)  # of the table's straight line
    assert gap_W_K(2e-3, 18.4e-3, 65e-3, SQUARE_RAD, 0.8, 300.0) > found


# 1 A through 50 and 100 mohm, 0.04 W/K to the air by three sides of four, nothing by the fourth.
WATTS, TO_AIR_W_K = np.array([0.05, 0.1]), 0.03
TWO = {
    "cooling": {"conductance_W_K": 0.04, "uncertainty_percent": 0.0},
    "fault": [{"kind": "weak_cell", "group": 2, "cell": 1, "resistance_factor": 2.0}],
}


def known(**keys):
    """Return a cell of which nothing is a guess."""
    one = cell(3.6, 50.0, J_K=5.0, **keys)
    one["sources"] = {name: {"from": "a bench", "uncertainty": 0.0} for name in MEASURED}
    return one


def layout(gap_mm: float, **keys):
    return {"rows": 1, "columns": 2, "gap_mm": gap_mm, "between_share": 0.0, **keys}


def rise_K(between_W_K: float) -> np.ndarray:
    """Return by how much two cells end above the air: their two balances, solved by numpy."""
    own = TO_AIR_W_K + between_W_K
    return np.linalg.solve([[own, -between_W_K], [-between_W_K, own]], WATTS)


@pytest.mark.parametrize(
    ("gap_mm", "holder_W_K", "exposed", "emissivity"),
    [(1.0, 0.0, 1.0, 0.8), (1.0, 0.02, 1.0, 0.8), (4.0, 0.0, 0.5, 0.1)],
)
def test_two_cells_end_as_their_heat_balance_says(
    tmp_path, gap_mm, holder_W_K, exposed, emissivity
):
    cooling = {**TWO["cooling"], "exposed_fraction": exposed, "emissivity": emissivity}
    result = as_built(
        tmp_path, known(), [(1.0, 7200.0)], pack=(2, 1), fault=TWO["fault"], cooling=cooling,
        layout=layout(gap_mm, neighbour_W_K=holder_W_K),
    )  # fmt: skip
    found_K = result.run.state.cells[1] - 25.0 - ZERO_C_K
    gap = by_hand_W_K(gap_mm, 65.0 * exposed, emissivity)
    assert found_K == pytest.approx(rise_K(holder_W_K + gap), abs=2e-3)  # 0.2 % of what crosses
    assert np.ptp(found_K) < np.ptp(rise_K(holder_W_K)) - 0.05  # and the gap's part is seen
    # At its bad end half of the gap's part is gone, and nothing of the holder's.
    hot = result.bad_end.verdict.limit(HOT).worst - 25.0
    assert hot == pytest.approx(rise_K(holder_W_K + 0.5 * gap).max(), abs=3e-3)
    assert not any("is not used" in said for said in result.built_case.case.notes)


def test_gap_hands_on_less_at_the_hotter_and_at_every_colder_end(tmp_path):
    path = write(
        tmp_path, known(), [(1.0, 60.0)], pack=(2, 1), layout=layout(1.0, neighbour_W_K=0.02), **TWO
    )  # fmt: skip
    case = built_case(read_case(path))
    moved = shares(case.case)
    plain_W_K = case.built.neighbour_W_K.max()
    assert moved["gap_air"] == 0.5
    for ends in (moved, *cold_sides(moved)):
        worse_W_K = worse_end(case, ends).built.neighbour_W_K.max()
        assert worse_W_K == pytest.approx(0.5 * (plain_W_K + 0.02), rel=1e-9)


def test_answer_tells_what_the_gap_hands_on_and_that_air_in_it_may_stand(tmp_path):
    path = write(
        tmp_path, known(), [(1.0, 60.0)], pack=(2, 1), **TWO,
        layout={"rows": 1, "columns": 2, "gap_mm": 2.0, "neighbour_W_K": 0.02},
    )  # fmt: skip
    said = told(path)
    summary = json.loads((tmp_path / "out" / "summary.json").read_text(encoding="utf-8"))

    hands = f"{1e3 * by_hand_W_K(2.0):.2g} mW/K beside the holder's 20: a lower estimate"
    assert f"across a gap of 2 mm still air and radiation hand a neighbour {hands}" in said
    assert "between_share stays the same whatever gap_mm is" in said
    assert "between cells 100 % weaker still, gaps handing on 50 % less" in said
    assert summary["inputs"]["scenario"]["layout"]["gap_mm"] == 2.0
    assert summary["bad_end"]["moved"]["between_share"] == 1.0
    assert any("gap of 2 mm" in words for words in summary["assumptions"])


def test_share_that_was_given_is_not_taken_for_none_at_the_bad_end(tmp_path):
    given_share = layout(2.0) | {"between_share": 0.5}
    path = write(tmp_path, known(), [(1.0, 60.0)], pack=(2, 1), layout=given_share, **TWO)
    assert shares(read_case(path))["between_share"] == 0.2


def test_three_places_hand_each_other_nothing_across_gaps_either(tmp_path):
    places = {"rows": 3, "columns": 4, "gap_mm": 1.0, "model": "places"}
    path = write(tmp_path, known(), [(3.0, 60.0)], pack=(4, 3), layout=places)
    case = built_case(read_case(path))
    assert case.built.neighbour_W_K.size == 0
    assert "gap_air" not in shares(case.case)
    assert not any("hand a neighbour" in words for words in case.assumptions)
    assert any("hand each other no heat" in words for words in case.assumptions)


@pytest.mark.parametrize(("pattern", "inner"), [("square", 4), ("staggered", 6)])
def test_every_neighbour_gets_the_gap_of_its_pattern(tmp_path, pattern, inner):
    module = {"rows": 3, "columns": 4, "gap_mm": 1.0, "pattern": pattern}
    path = write(tmp_path, known(), [(3.0, 60.0)], pack=(4, 3), layout=module)
    between_W_K = built_case(read_case(path)).built.neighbour_W_K
    one_W_K = gap_W_K(1e-3, 18.4e-3, 65e-3, math.pi / inner, 0.8, ZERO_C_K)
    assert np.max(np.count_nonzero(between_W_K, axis=1)) == inner
    assert between_W_K[between_W_K > 0.0] == pytest.approx(one_W_K, rel=1e-12)


@pytest.mark.parametrize(
    ("gap_mm", "why"),
    [
        (0.0, "nearer, cells as good as touch, and neighbour_W_K is all that can be said"),
        (0.09, "nearer, cells as good as touch, and neighbour_W_K is all that can be said"),
        (-1.0, "nearer, cells as good as touch, and neighbour_W_K is all that can be said"),
        (5.1, "wider, air carries heat off before it is across: leave gap_mm out"),
    ],
)
def test_gap_of_touching_or_distant_cells_is_refused_in_a_sentence(tmp_path, gap_mm, why):
    path = write_day(tmp_path, {"layout": {"rows": 4, "columns": 5, "gap_mm": gap_mm}})
    (said,) = complaints(path)
    assert said.endswith(f"[layout]: gap_mm is {gap_mm:g}; accepted: 0.1 to 5 ({why})")


def test_sweep_of_the_gap_finds_the_hottest_cell_cooler_the_nearer_its_neighbours(tmp_path):
    path = write(
        tmp_path, known(), [(1.0, 7200.0)], pack=(2, 1), layout=layout(1.0), **TWO
    )  # fmt: skip
    words = ("--vary", "layout.gap_mm=0.5:4.5:2", "--out", tmp_path / "out", "--no-plots")
    code, _, err = answer("sweep", path, *words)
    assert code == 0, err
    rows = (tmp_path / "out" / "sweep.csv").read_text(encoding="utf-8").splitlines()
    at = rows[0].split(",").index("hottest_core_C")
    hottest_C = [float(row.split(",")[at]) for row in rows[1:]]
    by_hand_C = [25.0 + rise_K(by_hand_W_K(gap)).max() for gap in (0.5, 2.5, 4.5)]
    assert hottest_C == pytest.approx(by_hand_C, abs=3e-3)
