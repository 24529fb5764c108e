"""Cases of builders about groups, places and several packs, driven through scenarios."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from case_days import IDLE, alike, as_built, cell, events, pack_A, told, write
from cases import case, of

from sim.ask.built import simulate_built
from sim.files.built_case import built_case
from sim.files.case import read_case
from sim.integrate.built_look import PEAK_A, PEAK_CORE_K
from sim.integrate.built_records import SOC_HIGH, SOC_LOW
from sim.physics.built import OUTWARD, TO_AIR
from sim.physics.limits import CELL_CHARGE, EMPTY
from sim.show.built_summary import built_summary
from sim.show.built_words import report
from sim.units import ZERO_C_K

LINEAR = (3.0, 4.2)


@of("C04")
def test_one_open_link_loads_the_others_of_its_group_only(tmp_path, number):
    """Rise over the air at a constant resistance is in proportion to the heat, at any time."""
    given, expect = case(number)
    for k, one in enumerate(given["cases"]):
        n = one["parallel"]
        result = as_built(
            tmp_path / str(n), cell(3.6, 30.0, J_K=45.0), [(one["group_a"], 600.0)], pack=(3, n),
            fault=[{"kind": "link_open", "group": 2, "cell": 1}],
        )  # fmt: skip
        peaks, group = result.run.book.extremes, result.built_case.places.group
        left = (group == 1) & (np.arange(3 * n) != n)
        assert peaks[PEAK_A][left] == pytest.approx(expect["cell_current_a"][k], rel=5e-4)
        ratio = peaks[PEAK_A][left] / peaks[PEAK_A][group == 0][0]
        assert ratio == pytest.approx(expect["current_ratio"][k], rel=5e-4)
        rise_K = peaks[PEAK_CORE_K] - 25.0 - ZERO_C_K
        ratio = rise_K[left] / rise_K[group == 2][0]
        assert ratio == pytest.approx(expect["heat_ratio_per_cell"][k], rel=5e-4)
        assert rise_K[group == 0] == pytest.approx(rise_K[group == 2], rel=1e-9)


@of("C06")
@pytest.mark.parametrize("variant", ["a cell short", "half capacity"])
def test_a_weak_group_empties_and_fills_first(tmp_path, number, variant):
    """No sag in the case: 0.1 mohm here, 0.15 mV at the case's current."""
    given, expect = case(number)
    series, weak = given["series"], expect["limiting_group"]
    most = max(given["groups_parallel"])
    if variant == "a cell short":
        fault, share = {"kind": "cell_missing", "group": weak, "cell": 2}, 1.0
    else:
        fault, share = {"kind": "weak_group", "group": weak, "capacity_factor": 0.5}, 2.0 / 3.0
    full_Ah = share * expect["delivered_ah"]
    # Charging by the clock begins when the run has emptied the weak group.
    begins = "03:30" if variant == "a cell short" else "03:00"
    result = as_built(
        tmp_path, cell(LINEAR, 0.1, Ah=given["cell_ah"], full_V=4.2),
        [(given["discharge_a"], full_Ah / given["discharge_a"] * 3600.0 - 1.0)],
        pack=(series, most), fault=[fault], start="02:00",
        charger={"windows": [[begins, "06:00"]], "current_A": given["discharge_a"]},
    )  # fmt: skip
    assert result.verdict.finished
    at = int(result.placed.worst_at[EMPTY])
    assert result.built_case.places.group[at] + 1 == weak
    lowest = result.kept[:, SOC_LOW].min()
    assert lowest == pytest.approx(0.0, abs=1e-3)  # a second before it is empty
    healthy = result.kept[np.argmin(result.kept[:, SOC_LOW]), SOC_HIGH]
    if variant == "a cell short":
        assert healthy == pytest.approx(expect["healthy_groups_soc_at_end"], abs=1e-3)
    else:
        assert full_Ah / (most * given["cell_ah"]) == expect["variant_half_capacity_ratio"]
        assert healthy == pytest.approx(expect["variant_half_capacity_ratio"], abs=1e-3)
    (window,) = result.windows
    charged_Ah = given["discharge_a"] * (window.done_s - window.flows_s) / 3600.0
    assert charged_Ah == pytest.approx(share * expect["recharge_ah"], rel=2e-3)

    longer = as_built(
        tmp_path / "on", cell(LINEAR, 0.1, Ah=given["cell_ah"]), [(given["discharge_a"], 7200.0)],
        pack=(series, most), fault=[fault],
    )  # fmt: skip
    assert longer.run.end_s / 3600.0 == pytest.approx(share * expect["time_h"], rel=2e-3)
    named = built_summary(longer)["pack_as_built"]
    assert named["emptiest_group_at_the_end"] == weak
    left_Ah = most * given["cell_ah"] - full_Ah
    assert named["stranded_Ah"] == pytest.approx(left_Ah, rel=2e-3)
    assert f"cell empty (cell 1 of group {weak})" in " ".join(report(longer)[0].split())


@of("C24")
def test_a_middle_cell_that_only_its_neighbours_cool_is_hotter(tmp_path, number):
    """A scenario's row of three has air above and below its middle: that share is taken away."""
    given, expect = case(number)
    mohm, n = 50.0, given["row"]
    heat_A = (given["heat_w_per_cell"] / (mohm * 1e-3)) ** 0.5
    path = write(
        tmp_path, cell(3.6, mohm, J_K=5.0), [(heat_A, 7200.0)], pack=(n, 1),
        cooling={"conductance_W_K": given["end_cell_to_air_w_per_k"]},
        layout={"rows": 1, "columns": n, "neighbour_W_K": given["cell_to_cell_w_per_k"]},
    )  # fmt: skip
    found = built_case(read_case(path))
    fixed = found.built.fixed.copy()
    fixed[OUTWARD] = [1.0, given["middle_cell_to_air_w_per_k"], 1.0]
    result = simulate_built(replace(found, built=found.built._replace(fixed=fixed)))
    rise_K = result.run.state.cells[1] - 25.0 - ZERO_C_K
    assert rise_K == pytest.approx(expect["steady_rise_k"], abs=1e-3)
    assert rise_K[0] - rise_K[2] == pytest.approx(expect["mirror_difference_k"], abs=1e-9)
    last = result.run.state.sums[0, TO_AIR] + rise_K.sum() * 5.0
    assert last / 7200.0 == pytest.approx(expect["heat_out_w"], rel=1e-6)


@of("C24")
def test_the_middle_of_a_module_is_hottest_and_mirror_places_are_alike(tmp_path, number):
    """Nine cells, 3 x 3, against the nine equations of their heat, solved by numpy."""
    given, _ = case(number)
    mohm, to_air_W_K, between_W_K = 50.0, 4.0 * given["end_cell_to_air_w_per_k"], 0.1
    heat_A = (given["heat_w_per_cell"] / (mohm * 1e-3)) ** 0.5
    result = as_built(
        tmp_path, cell(3.6, mohm, J_K=5.0), [(heat_A, 7200.0)], pack=(9, 1),
        cooling={"conductance_W_K": to_air_W_K},
        layout={"rows": 3, "columns": 3, "neighbour_W_K": between_W_K, "between_share": 0.0},
    )  # fmt: skip
    matrix = np.zeros((9, 9))
    for i in range(9):
        near = [j for j in range(9) if abs(i // 3 - j // 3) + abs(i % 3 - j % 3) == 1]
        matrix[i, i] = between_W_K * len(near) + to_air_W_K * (4 - len(near)) / 4.0
        matrix[i, near] = -between_W_K
    rise_K = np.linalg.solve(matrix, np.full(9, given["heat_w_per_cell"]))
    found_K = result.run.state.cells[1] - 25.0 - ZERO_C_K
    assert found_K == pytest.approx(rise_K, abs=1e-3)
    grid = found_K.reshape(3, 3)
    assert grid == pytest.approx(grid[::-1], abs=1e-9)
    assert grid == pytest.approx(grid[:, ::-1], abs=1e-9)
    assert grid == pytest.approx(grid.T, abs=1e-9)
    assert grid[1, 1] > grid[0, 1] > grid[0, 0]


def joined(folder, rest_V, mohm, *, ampere=0.0, series=1, **tables):
    """Run two packs that rest at these voltages of a cell, for a minute."""
    units = [
        {"pack": p, "charge_percent": 100.0 * (volt - 3.0) / 1.2}
        for p, volt in enumerate(rest_V, 1)
    ]
    return as_built(
        folder, cell(LINEAR, mohm, **tables), [(ampere, 60.0)] if ampere else IDLE,
        pack=(series, 1, 2), unit=units,
        limits={"on_cutoff": "record"},
    )  # fmt: skip


@of("C32")
def test_a_full_pack_joined_to_an_empty_one_charges_it_past_its_limit(tmp_path, number):
    given, expect = case(number)
    n = given["series"]
    mohm = 1e3 * (given["pack_r_ohm"][0] + 0.5 * given["lead_r_ohm"]) / n  # the lead in halves
    high_V, low_V = given["cell_ocv_v"]
    result = joined(
        tmp_path / "big", [high_V, low_V], mohm, series=n, charge_A=given["charge_limit_a"]
    )
    first_A = pack_A(result)
    assert first_A[expect["from_pack"] - 1] == pytest.approx(expect["inrush_a"], rel=1e-3)
    assert first_A[0] == pytest.approx(-first_A[1], rel=1e-9)
    assert events(result)["cell_charge"] == 0.0
    assert result.built_case.places.pack[result.placed.worst_at[CELL_CHARGE]] == 1
    said = " ".join(" ".join(report(result)).split())
    assert "charge current above limit (pack 2) at the start" in said
    assert "pack 2: " in said
    assert "-64.6 A at the first instant" in said
    for k, apart_V in enumerate(given["small_differences_v"]):
        pair_V = [3.6 + apart_V / n, 3.6]
        small = joined(tmp_path / str(k), pair_V, mohm, series=n, charge_A=given["charge_limit_a"])
        assert pack_A(small)[0] == pytest.approx(expect["inrush_small_a"][k], rel=1e-3)
        assert "cell_charge" not in events(small)


@of("C33")
def test_packs_that_may_take_unlike_currents_take_the_smallest_of_limit_over_share(
    tmp_path, number
):
    given, expect = case(number)
    hot_C, cold_C = 20.0, 5.0
    for k, (one, other) in enumerate(given["shares"]):
        result = as_built(
            tmp_path / str(k), cell(LINEAR, 10.0, full_V=4.2), IDLE, pack=(1, 1, 2), soc=0.5,
            start="20:00",
            unit=[
                {"pack": 1, "cell_C": hot_C, "resistance_factor": other / 0.5},
                {"pack": 2, "cell_C": cold_C, "resistance_factor": one / 0.5},
            ],
            charger={
                "windows": [["20:00", "20:01"]],
                "current_A": 1000.0,
                "over_core_C": [cold_C - 1.0, cold_C, hot_C, hot_C + 1.0],
                "over_core_C_A": [float(given["limits_a"][1])] * 2
                + [float(given["limits_a"][0])] * 2,
            },
        )  # fmt: skip
        shares_A = np.array(pack_A(result))
        total_A = -shares_A.sum()
        assert total_A == pytest.approx(expect["total_limit_a"][k], rel=1e-3)
        assert total_A < expect["sum_is_wrong"]
        assert -shares_A / total_A == pytest.approx([one, other], rel=1e-3)


@of("C34")
def test_packs_share_by_resistance_plus_what_their_rest_voltages_differ(tmp_path, number):
    given, expect = case(number)
    for k, load_A in enumerate(given["loads_a"]):
        rest_V = [3.6 + given["ocv_difference_v"], 3.6]
        result = joined(tmp_path / str(k), rest_V, 1e3 * given["r_ohm"][0], ampere=load_A)
        assert pack_A(result) == pytest.approx(expect["split_a"][k], abs=1e-3)


def test_a_missing_cell_is_told_of_its_own_place_by_the_command(tmp_path):
    """Group 2 of two has one cell fewer: its cells are hardest worked, and the command says so."""
    path = write(
        tmp_path, cell(LINEAR, 30.0, Ah=3.0), [(6.0, 1200.0)], pack=(2, 3),
        fault=[{"kind": "cell_missing", "group": 2, "cell": 3}],
    )  # fmt: skip
    said = told(path)
    assert "hardest worked cell 1 of group 2 with 3.0 A" in said
    plain = alike(tmp_path / "plain", cell(LINEAR, 30.0, Ah=3.0), [(6.0, 1200.0)], pack=(2, 3))
    assert plain.series.cell_current_A[0] == pytest.approx(2.0)
