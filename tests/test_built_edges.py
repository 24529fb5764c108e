"""Packs at the edge of what is sensible: next to no resistance, switches that chatter, open links.

A cell of 3.0 + 1.2 s volt and no resistance is a capacitor on the bus: under constant current it
stands at the charger's voltage when s says so, and its charge ends there. Common physics.
"""

from __future__ import annotations

from pathlib import Path

import built as b
import numpy as np
import plants
import pytest

from sim.ask.built_seen import gone_on
from sim.files.built_case import built_case
from sim.files.case import assemble, read_scenario
from sim.integrate.built_records import (
    BUS_A,
    BUS_V,
    CELL_HIGH_A,
    CELL_LOW_A,
    DONE_S,
    SOC_HIGH,
    SOC_LOW,
    SOC_MEAN,
    STEPS,
)
from sim.physics.board import DISCHARGE_A, HOTTEST_K, LOWEST_GROUP_V
from sim.physics.built import CAPACITY_AS, CHEMICAL, SOC
from sim.physics.bus import CHARGE, Charger
from sim.physics.limits import CHARGE_COLD, RESERVE

# Of the cell's 25 mohm.
SCALES = [0.0, 1e-9, 1e-7, 1e-5, 1e-4, 1e-3]


def charged(one, step_s):
    legs = plants.held([0.0, 7200.0], [0.0])
    what = Charger(3.0, 8.3, np.inf, 0.15, b.NO_RAMP)
    return b.go(
        one, legs, b.resting(one, 0.8), what=b.day(legs, mode=CHARGE, charger=what), step_s=step_s
    )


@pytest.mark.parametrize("step_s", [0.1, 1.0, 10.0])
@pytest.mark.parametrize("scale", SCALES)
def test_charge_of_cells_of_next_to_no_resistance_ends_where_they_are_full(scale, step_s):
    one = b.built(b.pack(*[b.group(scale=scale)] * 2))

    run = charged(one, step_s)

    full_soc = (8.3 / 2 - 3.0) / 1.2
    done_s = (full_soc - 0.8) * 10800.0 / 3.0
    # What is still to flow at constant voltage is less than R C; then the end of a step.
    slack_s = step_s + 6.0 * scale * 0.025 * 10800.0 / 1.2 + 1e-3
    assert done_s - 1e-3 < run.past.windows[0, DONE_S] < done_s + slack_s
    assert run.state.cells[SOC] == pytest.approx(full_soc, abs=3.0 * step_s / 10800.0)
    # LEAST_OHM, a nano-ohm, makes current of the voltages' last digits.
    assert np.min(b.kept(run, BUS_A)) == pytest.approx(-3.0, rel=1e-6)
    assert np.max(b.kept(run, BUS_V)) <= 8.3 * (1.0 + 1e-9)


@pytest.mark.parametrize("scale", SCALES)
def test_cells_of_next_to_no_resistance_side_by_side_fill_alike_and_end(scale):
    # As large as their capacities are the shares; both have one voltage, so one charge.
    capacity_Ah = np.array([3.0, 2.9])
    one = b.built(b.pack(b.group(2, capacity_Ah=capacity_Ah, scale=scale), b.group(2, scale=scale)))

    run = charged(one, 1.0)

    done_s = run.past.windows[0, DONE_S]
    soc = run.state.cells[SOC].reshape(2, 2)
    assert 0.15 * 3600.0 * 5.9 / 3.0 < done_s < 0.17 * 3600.0 * 6.0 / 3.0
    assert np.ptp(soc, axis=1) == pytest.approx(0.0, abs=1e-4)
    assert np.mean(soc) * 1.2 * 2 + 6.0 == pytest.approx(8.3, abs=2e-3)


CHATTER = {
    "current": b.Threshold(DISCHARGE_A, 20.0, 20.0),
    "voltage": b.Threshold(LOWEST_GROUP_V, 3.3, 3.3),
    "voltage, by a nanosecond's delay": b.Threshold(LOWEST_GROUP_V, 3.3, 3.3, delay_s=1e-9),
    "voltage, by a nanosecond's rest": b.Threshold(LOWEST_GROUP_V, 3.3, 3.3, hold_off_s=1e-9),
    "warmth": b.Threshold(HOTTEST_K, 298.16, 298.16),
}


@pytest.mark.parametrize("which", CHATTER)
def test_switch_whose_own_cut_takes_its_cause_away_comes_to_an_end(which):
    # No file can say so (the schema asks for a rest), but the march must not hang on it: a tenth
    # of a second between trips is ten trips a second at the most.
    one = b.built(b.pack(b.group(alike=12)))

    run = b.go(
        one, plants.held([0.0, 20.0], [50.0]), b.resting(one, 0.3),
        boards=b.thresholds(CHATTER[which]),
    )  # fmt: skip

    assert run.end_s == 20.0
    assert 1 < run.switches.trips[0] <= 201
    assert run.steps < 1000


def test_cell_whose_link_is_open_has_no_part_in_its_groups_charge_shares_or_reserve():
    # Two of three cells carry 6 A: 3 A each, 2 x 3 Ah; the third stays at 0.9 and may be warm.
    one = b.built(b.pack(b.group(3, linked=[1, 0, 1])))
    limits = plants.NOT_LIMITED._replace(reserve_soc=0.1)
    start = b.resting(one, [0.5, 0.9, 0.5])

    run = b.go(one, plants.held([0.0, 600.0], [6.0]), start, limits=limits)

    soc = 0.5 - 6.0 * 600.0 / np.sum(one.fixed[CAPACITY_AS, [0, 2]])
    for column in (SOC_LOW, SOC_MEAN, SOC_HIGH):
        assert b.kept(run, column)[-1] == pytest.approx(soc, abs=1e-12)
    for column in (CELL_HIGH_A, CELL_LOW_A):
        assert b.kept(run, column) == pytest.approx(3.0, abs=1e-12)
    assert run.book.worst[RESERVE] == pytest.approx(100.0 * (soc - 0.1), abs=1e-9)
    assert run.state.cells[SOC, 1] == 0.9
    assert run.state.sums[0, CHEMICAL] > 0.0


@pytest.mark.parametrize(("charge_A", "judged"), [(3.1e-3, True), (2.9e-3, False)])
def test_trickle_is_told_by_the_cells_that_hang_on_the_bus(charge_A, judged):
    # C/1000 of the one cell of 3 Ah that is linked, not of the four that are there.
    one = b.built(b.pack(b.group(4, linked=[0, 1, 0, 0])))
    limits = plants.NOT_LIMITED._replace(charge_core_min_K=300.0)

    run = b.go(one, plants.held([0.0, 10.0], [-charge_A]), limits=limits)

    assert (run.book.worst[CHARGE_COLD] < np.inf) == judged


def test_a_lock_out_that_lets_go_at_the_level_itself_comes_to_the_end_of_its_day():
    """Cells that stand at the level to the last digit, and cool before they warm: no creeping.

    With 8 of 16 side by side the cart's cells are charged at the hot lock-out's level. It lets go
    a second later at the soonest, so it trips less often than there are seconds.
    """
    path = Path(__file__).resolve().parents[1] / "scenarios/orchard-cart-as-built.toml"
    content = read_scenario(path)
    content["pack"]["parallel"] = content["layout"]["columns"] = 8
    content["load"]["days"] = 1
    case = built_case(assemble(content, path))

    run = gone_on(case)

    assert run.end_s == case.legs.end_s[-1]
    assert 2 < run.switches.trips.sum() < run.end_s
    assert run.past.last[STEPS] < 4.0 * run.end_s  # one a second, and those that end at switchings
