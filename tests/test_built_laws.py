"""Laws of packs that differ from cell to cell: charge, energy, order, and who is the weaker.

Common physics: Kirchhoff, and the comparison of heat equations; none of these needs a number from
elsewhere. Where a law holds only in part, its name says in which.
"""

from __future__ import annotations

import built as b
import numpy as np
import plants
import pytest
from hypothesis import given
from hypothesis import settings as trying
from hypothesis import strategies as st

from sim.integrate.built_look import PEAK_A, PEAK_CORE_K
from sim.physics.box import AIR_AND_WALL, Box
from sim.physics.built import (
    ASKED,
    AT_BUS,
    BOARD,
    CAPACITY_AS,
    CHEMICAL,
    CORE,
    COUNT,
    DELIVERED,
    DRAWN,
    FIRST_CELL,
    JOINT,
    LEAD,
    LINK,
    OHMIC,
    PAIRS,
    REVERSIBLE,
    SHORT,
    SOC,
    STORED,
    SURFACE,
)
from sim.physics.limits import EMPTY, RESERVE
from sim.physics.pack import CURRENT, POWER

FEW = trying(max_examples=15, deadline=None)
BY_FORMULA = b.FREE._replace(fixed_W_K=-1.0)
BOXED = Box(AIR_AND_WALL, 500.0, 800.0, 2.0, 3.0, 4.0)
LASTING_AH = 1e15

lengths_s = st.lists(st.floats(1.0, 300.0), min_size=1, max_size=4)


@st.composite
def loads(draw, most):
    """Edges and values of a load that may charge, rest and discharge."""
    steps_s = draw(lengths_s)
    some = st.one_of(st.just(0.0), st.floats(0.05, most), st.floats(-most, -0.05))
    return np.concatenate([[0.0], np.cumsum(steps_s)]), [draw(some) for _ in steps_s]


@st.composite
def scattered(draw):
    """Two packs of two groups of three cells: capacity, resistance, joints, charge, ladders."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    packs = []
    for _ in range(2):
        groups = [
            b.group(
                3,
                capacity_Ah=rng.uniform(2.5, 3.3, 3),
                scale=rng.uniform(0.8, 1.5, 3),
                joint_ohm=rng.uniform(0.0, 2e-3, 3),
                linked=[1.0, draw(st.sampled_from([0.0, 1.0])), 1.0],
                link_ohm=draw(st.sampled_from([0.0, 5e-4, 5e-3])),
                plus_at=draw(st.integers(0, 2)),
                minus_at=draw(st.integers(0, 2)),
                alike=draw(st.sampled_from([1.0, 4.0])),
            )
            for _ in range(2)
        ]
        packs.append(b.pack(*groups, lead_ohm=3e-3, board_ohm=2e-3, count=rng.integers(1, 3)))
    touching = ((0, 1, 0.1), (1, 2, 0.2), (3, 4, 0.1), (6, 7, 0.3))
    one = b.built(*packs, cell=b.FULL, film=BY_FORMULA, box=BOXED, touching=touching)
    return one, b.resting(one, rng.uniform(0.55, 0.65, 12), rng.uniform(15.0, 35.0, 12))


# ---- audits


@FEW
@given(case=scattered(), load=loads(30.0))
def test_charge_of_every_group_is_what_its_pack_gave(case, load):
    one, start = case
    run = b.go(one, plants.held(*load), start)

    moved_As = one.fixed[COUNT] * one.fixed[CAPACITY_AS] * (start.cells[SOC] - run.state.cells[SOC])
    for g in range(4):
        first, last = one.group_at[FIRST_CELL, g : g + 2]
        given_As = run.state.sums[g // 2, DRAWN]
        # 1e-16 of 10,800 As a step, some hundred times.
        assert np.sum(moved_As[first:last]) == pytest.approx(given_As, abs=1e-8)


@FEW
@given(
    case=scattered(), load=loads(30.0), kind=st.sampled_from([CURRENT, POWER]),
    step_s=st.sampled_from([10.0, 1.0, 0.1]),
)  # fmt: skip
def test_energy_of_every_pack_is_accounted_for(case, load, kind, step_s):
    one, start = case
    edges_s, value = load
    value = np.array(value) * (8.0 if kind == POWER else 1.0)
    run = b.go(one, plants.held(edges_s, value, kind=kind), start, step_s=step_s)

    sums = run.state.sums
    parts = [AT_BUS, OHMIC, PAIRS, STORED, REVERSIBLE, JOINT, LINK, LEAD, BOARD]
    left_J = sums[:, CHEMICAL] - np.sum(sums[:, parts], axis=1)
    through_J = np.sum(np.abs(sums[:, [AT_BUS, OHMIC, PAIRS, STORED]]), axis=1)
    # Whatever the step: currents are solved with what they do to pairs and charge. Rounding.
    assert np.all(np.abs(left_J) <= 1e-11 * through_J + 1e-9), left_J / through_J
    at_bus_J = np.sum(one.pack[0] * sums[:, AT_BUS])
    box_sums = run.state.box_sums
    assert box_sums[DELIVERED] == pytest.approx(at_bus_J, rel=1e-9, abs=1e-7)
    assert box_sums[ASKED] == pytest.approx(box_sums[DELIVERED] + box_sums[SHORT], abs=1e-6)
    if kind == POWER:
        # Up to the end, which is where a cell leaves what the model knows.
        asked_J = np.dot(value, np.diff(np.minimum(edges_s, run.end_s)))
        assert box_sums[ASKED] == pytest.approx(asked_J, rel=1e-9, abs=1e-6)


def test_current_through_pairs_faster_than_the_step_is_accounted_for_too():
    # 8 A on and off every second, a pair of 0.05 s: its mean over a step is not its middle.
    pairs = [
        {"resistance_mohm": 8.0, "time_constant_s": 0.05},
        {"resistance_mohm": 12.0, "time_constant_s": 240.0},
    ]
    cell = plants.cell(polarisation=pairs)
    one = b.built(b.pack(b.group(3, scale=[1.0, 1.3, 0.9])), cell=cell)
    edges_s = np.arange(0.0, 601.0)

    run = b.go(one, plants.held(edges_s, 24.0 * (np.arange(600) % 2)), b.resting(one, 0.9))

    sums = run.state.sums[0]
    left_J = sums[CHEMICAL] - np.sum(sums[[AT_BUS, OHMIC, PAIRS, STORED, REVERSIBLE, JOINT]])
    assert abs(left_J) < 1e-12 * sums[CHEMICAL]


# ---- the weaker


@FEW
@given(load=loads(6.0), weaker=st.floats(1.01, 3.0))
def test_weaker_cell_in_series_is_never_cooler(load, weaker):
    # One current, the same tables: more heat at every temperature, so never less warmth. Without
    # entropy's part, which is the same for both only while they are as warm.
    cell = b.FULL._replace(ocv=b.FULL.ocv * [1.0, 0.0])
    one = b.built(b.pack(b.group(), b.group(scale=weaker), b.group()), cell=cell, film=BY_FORMULA)

    run = b.go(one, plants.held(*load))

    for row in (CORE, SURFACE):
        kelvin = run.state.cells[row]
        assert kelvin[1] >= kelvin[0] - 1e-9
        assert kelvin[0] == pytest.approx(kelvin[2], abs=1e-12)
    assert run.book.extremes[PEAK_CORE_K, 1] >= run.book.extremes[PEAK_CORE_K, 0] - 1e-9


@FEW
@given(scale=st.lists(st.floats(0.5, 3.0), min_size=2, max_size=6), current_A=st.floats(0.1, 40.0))
def test_weaker_cell_in_a_group_of_like_charge_works_less_and_makes_less_heat(scale, current_A):
    # Shares go as 1/r, so heat as 1/r as well: beside each other it is the strong that get hot,
    # as long as no charge has moved.
    one = b.built(b.pack(b.group(len(scale), capacity_Ah=LASTING_AH, scale=scale)))

    run = b.go(one, plants.held([0.0, 60.0], [current_A]))

    for quantity in (run.book.extremes[PEAK_A], run.state.cells[CORE] - 298.15):
        assert quantity * scale == pytest.approx(quantity[0] * scale[0], rel=1e-8)


@FEW
@given(
    scale=st.lists(st.floats(0.5, 3.0), min_size=2, max_size=6),
    gone=st.integers(0, 5),
    current_A=st.floats(0.1, 40.0),
)
def test_one_cell_fewer_never_lowers_the_heat_of_cells_of_like_charge(scale, gone, current_A):
    # I^2 over the sum of conductances, which a cell less can only make smaller. Of cells that
    # differ in charge it need not hold: one that only sends current round heats by being there.
    linked = np.ones(len(scale))
    whole = b.built(b.pack(b.group(len(scale), capacity_Ah=LASTING_AH, scale=scale)))
    linked[gone % len(scale)] = 0.0
    fewer = b.built(b.pack(b.group(len(scale), capacity_Ah=LASTING_AH, scale=scale, linked=linked)))
    legs = plants.held([0.0, 60.0], [current_A])

    before_J, after_J = (b.go(one, legs).state.sums[0, OHMIC] for one in (whole, fewer))

    assert after_J > before_J


@FEW
@given(load=loads(12.0), cells=st.integers(2, 6))
def test_one_cell_fewer_of_like_ones_never_cools_the_others(load, cells):
    # Whatever the load: the others carry more. Resistance falls with warmth, and that only bounds
    # the heat; it is the same over charge, so that nothing but current and warmth tells.
    flat = {"temperature_C": [-20.0, 60.0], "soc": [0.0, 1.0], "discharge_mohm": [[90.0, 20.0]] * 2}
    pairs = [{"resistance_mohm": 8.0, "time_constant_s": tau_s} for tau_s in (4.0, 90.0)]
    cell = plants.cell(resistance=flat, polarisation=pairs)
    whole, fewer = (
        b.built(b.pack(b.group(cells, linked=linked)), cell=cell, film=BY_FORMULA)
        for linked in (1.0, [0.0, *[1.0] * (cells - 1)])
    )
    legs = plants.held(*load)

    before, after = (b.go(one, legs) for one in (whole, fewer))

    for row in (CORE, SURFACE):
        assert np.all(after.state.cells[row, 1:] >= before.state.cells[row, 1:] - 1e-9)


@FEW
@given(load=loads(6.0), warmer_K=st.floats(0.1, 20.0))
def test_hotter_air_never_gives_a_cooler_cell(load, warmer_K):
    cell = b.FULL._replace(ocv=b.FULL.ocv * [1.0, 0.0])
    one = b.built(
        b.pack(b.group(scale=1.3), b.group()), cell=cell, film=BY_FORMULA, touching=((0, 1, 0.2),)
    )
    start = b.resting(one)

    cool, hot = (
        b.go(one, plants.held(*load, ambient_C=air_C), start) for air_C in (25.0, 25.0 + warmer_K)
    )

    for row in (CORE, SURFACE):
        assert np.all(hot.state.cells[row] >= cool.state.cells[row] - 1e-9)


# ---- who empties first


@FEW
@given(
    sizes=st.permutations([2.0, 2.4, 2.9, 3.0]),
    current_A=st.floats(1.0, 6.0),
    step_s=st.sampled_from([1.0, 10.0]),
)
def test_smallest_group_empties_first_and_strands_the_others_charge(sizes, current_A, step_s):
    # Series: all give the same charge. The smallest gives all of its own.
    one = b.built(b.pack(*[b.group(2, capacity_Ah=size / 2) for size in sizes]))
    limits = plants.NOT_LIMITED._replace(reserve_soc=0.0)
    legs = plants.held([0.0, 3 * 3600.0], [current_A])

    run = b.go(one, legs, b.resting(one, 1.0), limits=limits, stop=True, step_s=step_s)

    assert run.stopped_by == EMPTY
    assert run.end_s == pytest.approx(2.0 * 3600.0 / current_A, abs=1e-6)
    assert sizes[run.book.worst_at[RESERVE]] == 2.0
    assert sizes[run.book.worst_at[EMPTY] // 2] == 2.0
    left_Ah = run.state.cells[SOC].reshape(4, 2).mean(axis=1) * sizes
    assert left_Ah == pytest.approx(np.array(sizes) - 2.0, abs=1e-8)


def test_group_of_three_among_groups_of_four_names_the_charge_it_strands():
    # C06: 3 Ah cells, 6 A: 9 Ah in 1.5 h, and a quarter left in the whole groups.
    groups = [b.group(4)] * 7 + [b.group(4, linked=[1, 1, 0, 1])] + [b.group(4)] * 2
    one = b.built(b.pack(*groups))
    legs = plants.held([0.0, 2 * 3600.0], [6.0])

    run = b.go(one, legs, b.resting(one, 1.0), stop=True)

    assert run.stopped_by == EMPTY
    assert run.end_s == pytest.approx(1.5 * 3600.0, abs=1e-6)
    assert run.state.sums[0, DRAWN] / 3600.0 == pytest.approx(9.0, abs=1e-9)
    assert run.book.worst_at[EMPTY] // 4 == 7  # the eighth, counted from 0
    whole = np.delete(run.state.cells[SOC].reshape(10, 4), 7, axis=0)
    assert whole == pytest.approx(0.25, abs=1e-9)


def test_half_the_capacity_takes_half_the_time_to_empty_and_to_fill():
    # C06 (b), by constant current.
    one, half = (b.built(b.pack(b.group(2), b.group(2, capacity_Ah=size))) for size in (3.0, 1.5))
    legs = plants.held([0.0, 7200.0], [4.0])

    whole, halved = (b.go(each, legs, b.resting(each, 1.0), stop=True) for each in (one, half))

    assert halved.end_s == pytest.approx(0.5 * whole.end_s, abs=1e-6)


# ---- order

ORDERED = {
    "neighbours, by formula": ("free", plants.OPEN_AIR, 0.0),
    "own air in a box": ("box", BOXED, 40.0),
}


@pytest.mark.parametrize("where", ORDERED)
@pytest.mark.parametrize("kind", [CURRENT, POWER], ids=["current", "power"])
def test_error_falls_by_four_when_the_step_halves(where, kind):
    # Tables over charge and temperature, entropy, two pairs, film by correlation, two layers of
    # resistance, a ladder, weather in straight lines; loads end within no step.
    _, box, module_J_K = ORDERED[where]
    inward = [0.5, 1.0, 0.5] if module_J_K else 0.0
    groups = [
        b.group(
            3, scale=scale, capacity_Ah=[3.0, 2.7, 3.1], link_ohm=link_ohm, inward=inward,
            outward=1.0 - np.array(inward), joint_ohm=1e-3,
        )
        for scale, link_ohm in (([1.0, 1.4, 0.8], 0.0), ([1.2, 1.1, 0.9], 2e-3))
    ]  # fmt: skip
    packs = b.pack(*groups, lead_ohm=2e-3, board_ohm=5e-3, module_J_K=module_J_K, module_W_K=0.5)
    one = b.built(packs, cell=b.FULL, film=BY_FORMULA, box=box, touching=b.grid(2, 3, 0.2))
    value = {CURRENT: [12.0, 0.0, -6.0, 9.0], POWER: [90.0, 0.0, -45.0, 70.0]}[kind]
    legs = plants.held([0.0, 600.0, 896.0, 1496.0, 2400.0], value, kind=kind, sun_W=20.0)
    legs = legs._replace(ambient_K_s=np.full(len(value), 2e-3))
    start = b.resting(one, 0.8, 20.0, 30.0)

    ends = []
    for step_s in (4.0, 2.0, 1.0, 0.5):
        run = b.go(one, legs, start, step_s=step_s)
        ends.append(run.state.cells.ravel())

    change = np.abs(np.diff(ends, axis=0))
    for ratio in (change[0] / change[1], change[1] / change[2]):
        # Where two errors cancel a ratio means little; no middle one may.
        assert 3.3 < np.median(ratio) < 4.5, ratio
    # Charge, cores, surfaces, air: at 1 s a hundredth of a millikelvin.
    assert np.max(change[2][6:18]) < 2e-5
