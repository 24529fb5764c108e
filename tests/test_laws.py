"""Laws of every cell, pack and load: charge, likeness, heat, order; and what the audit sees.

Common physics: none of these needs a number from elsewhere.
"""

from __future__ import annotations

import numpy as np
import plants
import pytest
from hypothesis import given
from hypothesis import settings as trying
from hypothesis import strategies as st
from plants import NOT_LIMITED, each_marcher, settings

from sim.judge.audit import BALANCE, balances, complaints
from sim.judge.series import series, totals
from sim.physics.box import AIR_AND_WALL, AIR_NODE, Box
from sim.physics.pack import CURRENT, POWER, Pack
from sim.physics.plant import BOX, CORE, FIRST_OVERVOLTAGE, SOC, SURFACE, TOTALS, at_rest
from sim.units import ZERO_C_K

AIR_K = 25.0 + ZERO_C_K
FEW = trying(max_examples=8, deadline=None)  # a march by scipy takes 10 ms a leg

# A cell with everything: entropy, two nodes, resistance over charge and temperature, two pairs.
FULL = plants.cell(
    open_circuit={
        "soc": [0.0, 0.1, 0.4, 1.0],
        "voltage_V": [3.0, 3.45, 3.7, 4.2],
        "entropic_mV_K": [-0.3, -0.1, 0.1, 0.0],
    },
    resistance={
        "soc": [0.0, 0.2, 1.0],
        "temperature_C": [-20.0, 25.0, 60.0],
        "discharge_mohm": [[200.0, 50.0, 30.0], [130.0, 32.0, 20.0], [110.0, 28.0, 18.0]],
    },
    polarisation=[
        {"resistance_mohm": 8.0, "time_constant_s": 4.0},
        {"resistance_mohm": 12.0, "capacitance_F": 9000.0},
    ],
    heat={"core_J_K": 40.0, "surface_J_K": 5.0, "core_to_surface_K_W": 2.0},
)
FILM = plants.plant().film._replace(fixed_W_K=-1.0)  # by correlation

lengths_s = st.lists(st.floats(1.0, 900.0), min_size=1, max_size=4)


@st.composite
def loads(draw, most):
    """Edges and values of a load that may charge, rest and discharge."""
    steps_s = draw(lengths_s)
    # Not smaller than 10 mA or 10 mW: the audit's residuals are shares of what flowed.
    some = st.one_of(st.just(0.0), st.floats(0.01, most), st.floats(-most, -0.01))
    values = [draw(some) for _ in steps_s]
    return np.concatenate([[0.0], np.cumsum(steps_s)]), np.array(values)


def go(march, plant, load, *, kind=CURRENT, soc=0.6, core_K=AIR_K, how="shipped", **held):
    """March a load to its end, limits aside; returns its legs and the trace."""
    legs = plants.held(*load, kind=kind, **held)
    start = at_rest(plant, soc, core_K, AIR_K)
    return legs, march(plant, NOT_LIMITED, legs, start, settings(march, how, stop_at_limits=False))


# ---- charge


@each_marcher
@FEW
@given(load=loads(3.0))
def test_charge_counted_is_state_of_charge_moved(march, load):
    edges_s, current_A = load
    _, trace = go(march, plants.plant(FULL), load)

    asked_As = float(np.dot(current_A, np.diff(edges_s)))
    assert totals(trace)["charge_As"] == pytest.approx(asked_As, abs=1e-4)
    assert FULL.capacity_As * (0.6 - trace.state[-1, SOC]) == pytest.approx(asked_As, abs=1e-4)


@each_marcher
@FEW
@given(current_A=st.floats(0.01, 6.0), length_s=st.floats(1.0, 1500.0), rest_s=st.floats(1.0, 9e4))
def test_charge_taken_and_given_back_leaves_the_state_of_charge(march, current_A, length_s, rest_s):
    edges_s = np.cumsum([0.0, length_s, rest_s, 2.0 * length_s])
    load = edges_s, [current_A, 0.0, -0.5 * current_A]

    _, trace = go(march, plants.plant(FULL), load)

    assert trace.state[-1, SOC] == pytest.approx(0.6, abs=1e-9)


@each_marcher
@FEW
@given(soc=st.floats(0.0, 1.0), rest_s=st.floats(1.0, 1e6))
def test_a_rest_changes_no_state_of_charge(march, soc, rest_s):
    _, trace = go(march, plants.plant(FULL), ([0.0, rest_s], [0.0]), soc=soc, core_K=320.0)

    assert np.all(trace.state[:, SOC] == soc)


# ---- likeness

# Powers of two, so that one cell's share of a load is exact.
counts = st.sampled_from([1, 2, 4, 8, 16, 32])


def alike(one, other, slower=1.0):
    """Both traces end with the same cell, and with the same sums over it (A s, J).

    What is left is the solver's: the sums of the whole pack sit in its error control, so that it
    steps otherwise. At kinks of the tables 1e-8 a step adds up to a few times that.
    """
    sums = FIRST_OVERVOLTAGE + len(FULL.pairs)
    ours, theirs = one.state[-1], other.state[-1]
    assert ours[SOC] == pytest.approx(theirs[SOC], abs=2e-7)
    assert ours[FIRST_OVERVOLTAGE:sums] == pytest.approx(theirs[FIRST_OVERVOLTAGE:sums], abs=1e-6)
    assert ours[[CORE, SURFACE]] == pytest.approx(theirs[[CORE, SURFACE]], abs=1e-4)
    assert ours[sums:-3] / slower == pytest.approx(theirs[sums:-3], rel=1e-6, abs=0.02)


@each_marcher
@FEW
@given(load=loads(3.0), parallel=counts)
def test_cells_in_parallel_share_the_current_as_one_takes_its_part(march, load, parallel):
    edges_s, current_A = load
    _, one = go(march, plants.plant(FULL), load)

    pack = Pack(1, parallel, 1, 0.0, 0.0)
    _, all_of_them = go(march, plants.plant(FULL, pack=pack), (edges_s, parallel * current_A))

    alike(one, all_of_them)


@each_marcher
def test_two_cells_at_twice_the_current_are_one(march):
    load = [0.0, 600.0, 900.0, 1500.0], np.array([2.0, 0.0, -1.0])
    _, one = go(march, plants.plant(FULL), load, how="careful")

    two = plants.plant(FULL, pack=Pack(1, 2, 1, 0.0, 0.0))
    _, both = go(march, two, (load[0], 2.0 * load[1]), how="careful")

    sums = FIRST_OVERVOLTAGE + len(FULL.pairs)
    np.testing.assert_allclose(both.state[:, :sums], one.state[:, :sums], rtol=0.0, atol=1e-9)


@each_marcher
@FEW
@given(load=loads(10.0), series_=st.integers(1, 20), parallel=st.integers(1, 20))
def test_the_same_cells_wired_the_other_way_round_have_the_same_day(march, load, series_, parallel):
    edges_s, power_W = load
    packs = Pack(series_, parallel, 1, 0.001, 0.0), Pack(parallel, series_, 1, 0.001, 0.0)

    one, other = (
        go(
            march,
            plants.plant(FULL, pack=pack),
            (edges_s, series_ * parallel * power_W),
            kind=POWER,
        )
        for pack in packs
    )

    np.testing.assert_array_equal(one[1].state, other[1].state)  # not one bit apart


@each_marcher
@FEW
@given(load=loads(10.0), series_=counts, parallel=counts)
def test_cells_in_series_or_parallel_give_the_same_power_alike(march, load, series_, parallel):
    edges_s, power_W = load
    _, one = go(march, plants.plant(FULL), load, kind=POWER)
    count = series_ * parallel

    for pack in (Pack(series_, parallel, 1, 0.0, 0.0), Pack(parallel, series_, 1, 0.0, 0.0)):
        plant = plants.plant(FULL, pack=pack)
        _, trace = go(march, plant, (edges_s, count * power_W), kind=POWER)
        alike(one, trace)


@each_marcher
@FEW
@given(load=loads(10.0), packs=counts, kind=st.sampled_from([CURRENT, POWER]))
def test_packs_in_parallel_share_a_load_alike_leads_and_joints_and_all(march, load, packs, kind):
    edges_s, value = load
    lone = Pack(4, 2, 1, 0.001, 0.02)
    _, one = go(march, plants.plant(FULL, pack=lone), (edges_s, 2.0 * value), kind=kind)

    many = lone._replace(packs=packs)
    _, trace = go(march, plants.plant(FULL, pack=many), (edges_s, packs * 2.0 * value), kind=kind)

    alike(one, trace)


@each_marcher
@FEW
@given(load=loads(3.0), slower=st.floats(0.2, 30.0))
def test_a_cell_slower_in_everything_runs_the_same_day_slower(march, load, slower):
    # Capacity, time constants and heat capacities alike: time is the only unit that changes.
    edges_s, current_A = load
    layers = FULL.layers.copy()
    layers[..., 3::2] *= slower
    sluggish = FULL._replace(
        capacity_As=FULL.capacity_As * slower,
        layers=layers,
        core_J_K=FULL.core_J_K * slower,
        surface_J_K=FULL.surface_J_K * slower,
    )
    _, quick = go(march, plants.plant(FULL), load)

    _, slow = go(march, plants.plant(sluggish), (slower * edges_s, current_A))

    alike(slow, quick, slower)


# ---- heat and energy


boxes = st.sampled_from(
    [
        plants.OPEN_AIR,
        Box(AIR_NODE, 900.0, 1.0, 0.0, 0.8, 3.0),
        Box(AIR_AND_WALL, 40.0, 2000.0, 2.0, 1.5, 3.0),
    ]
)


@each_marcher
@FEW
@given(load=loads(8.0), kind=st.sampled_from([CURRENT, POWER]), box=boxes, film=st.booleans())
def test_every_balance_closes(march, load, kind, box, film):
    # Heat made = stored + lost; chemical = electrical + heat + stored in pairs; charge; the box.
    edges_s, value = load
    plant = plants.plant(
        FULL, pack=Pack(2, 3, 1, 0.002, 0.03), box=box, film=FILM if film else None
    )
    scale = 3.0 if kind == CURRENT else 6.0
    legs, trace = go(
        march, plant, (edges_s, scale * value), kind=kind, core_K=290.0, sun_W=5.0, soc=0.5
    )

    for name, residual in balances(plant, legs, trace).items():
        assert (residual is None) == (name.startswith("box") and box is plants.OPEN_AIR)
        assert residual is None or residual <= BALANCE, name


def audited(march):
    """An hour of a pack in a sunlit box, with a minute beyond what it can give, for the audit."""
    box = Box(AIR_NODE, 900.0, 1.0, 0.0, 0.8, 3.0)
    plant = plants.plant(FULL, pack=Pack(2, 3, 1, 0.002, 0.03), box=box)
    load = [0.0, 1200.0, 1260.0, 1800.0, 3600.0], [40.0, 600.0, 0.0, 60.0]
    return plant, *go(march, plant, load, kind=POWER, soc=0.9, sun_W=5.0)


# Where capacitances are constant the audit takes 1/2 C v^2 for what pairs hold. Leads are in no
# balance: what they lose is neither heat of a cell nor asked for.
UNREAD = ("pair_stored_J", "lead_J")


def said(plant, legs, trace):
    """The audit's complaints about balances."""
    return " ".join(complaints(balances(plant, legs, trace), (), None))


def nudged(trace, column, by, point=-1):
    """The same trace with one number of it moved."""
    state = trace.state.copy()
    state[point, column] += by
    return trace._replace(state=state)


@each_marcher
def test_the_audit_has_nothing_to_say_about_a_right_run(march):
    assert said(*audited(march)) == ""


@each_marcher
@pytest.mark.parametrize(
    ("column", "by", "complaint"),
    [
        (SOC, 1e-4, "charge counted"),
        (CORE, 0.01, "heat made"),
        (SURFACE, 0.1, "heat made"),
        (FIRST_OVERVOLTAGE + 1, 0.002, "chemical against"),
        (BOX, 0.1, "box heat"),
    ],
    ids=["charge", "core", "surface", "pair", "box"],
)
def test_the_audit_sees_a_state_that_was_nudged(march, column, by, complaint):
    plant, legs, trace = audited(march)

    assert complaint in said(plant, legs, nudged(trace, column, by))


@each_marcher
@pytest.mark.parametrize("name", [name for name in TOTALS if name not in UNREAD])
def test_the_audit_sees_a_sum_that_is_off_by_a_thousandth(march, name):
    plant, legs, trace = audited(march)
    column = TOTALS.index(name) - len(TOTALS)
    assert trace.state[-1, column] != 0.0  # or a thousandth more of it would be right

    wrong = nudged(trace, column, 1e-3 * trace.state[-1, column])

    assert "is off by" in said(plant, legs, wrong)


@each_marcher
def test_the_audit_sees_sums_that_are_all_off_alike(march):
    plant, legs, trace = audited(march)
    state = trace.state.copy()
    state[:, -len(TOTALS) :] *= 1.001

    found = said(plant, legs, trace._replace(state=state))

    for what in ("charge counted", "load asked", "heat made", "box heat"):
        assert what in found


@each_marcher
def test_the_audit_sees_a_load_that_was_not_the_one_asked(march):
    plant, legs, trace = audited(march)

    other = legs._replace(value=legs.value * 1.0005)

    assert "load asked against delivered" in said(plant, other, trace)


# ---- order


@each_marcher
@FEW
@given(cold_C=st.floats(-15.0, 40.0), by_K=st.floats(0.5, 20.0), current_A=st.floats(0.5, 6.0))
def test_a_warmer_cell_stays_warmer_and_holds_a_higher_voltage(march, cold_C, by_K, current_A):
    plant = plants.plant(FULL._replace(ocv=FULL.ocv * [1.0, 0.0]))  # no entropy
    load = [0.0, 900.0], [current_A]

    cold, warm = (
        go(march, plant, load, core_K=celsius + ZERO_C_K) for celsius in (cold_C, cold_C + by_K)
    )

    assert np.all(warm[1].state[:, CORE] > cold[1].state[:, CORE])
    volts = [series(plant, *run).cell_voltage_V for run in (cold, warm)]
    assert np.all(volts[1] > volts[0])


@each_marcher
@FEW
@given(parallel=st.integers(2, 20), more=st.integers(1, 20), each_W=st.floats(0.5, 9.0))
def test_more_cells_in_parallel_never_lower_the_lowest_voltage(march, parallel, more, each_W):
    load = [0.0, 60.0, 600.0, 1200.0], each_W * parallel * np.array([1.0, -0.2, 0.8])

    lowest_V = []
    for count in (parallel, parallel + more):
        plant = plants.plant(FULL, pack=Pack(1, count, 1, 0.002, 0.0))
        legs, trace = go(march, plant, load, kind=POWER)
        lowest_V.append(np.min(series(plant, legs, trace).cell_voltage_V))

    assert lowest_V[1] >= lowest_V[0]
