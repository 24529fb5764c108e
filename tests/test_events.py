"""When limits are passed: no event lost, none misplaced, time beyond exact.

The judge is closed forms throughout. Most cells here have V = 3.0 + 1.2 z - I R exactly (3 Ah,
25 mohm, no pair), so that a voltage is a straight line in time under constant current.
"""

from __future__ import annotations

import math

import numpy as np
import plants
import pytest
from hypothesis import given
from hypothesis import settings as trying
from hypothesis import strategies as st
from plants import NOT_LIMITED, each_marcher, settings
from scipy.integrate import quad
from scipy.linalg import expm
from scipy.optimize import brentq, minimize_scalar

from sim.integrate import march as compiled_march
from sim.integrate import reference
from sim.judge.verdict import judge
from sim.physics.limits import (
    BEYOND_REACH,
    CELL_CHARGE,
    CELL_DISCHARGE,
    CHARGE_COLD,
    CHARGE_HOT,
    COLD,
    CUTOFF,
    EMPTY,
    HOT,
    NAMES,
    OVERCHARGE,
    PACK_CURRENT,
    RESERVE,
)
from sim.physics.pack import POWER, Pack
from sim.physics.plant import CORE, FIRST_OVERVOLTAGE, SOC, SURFACE, at_rest
from sim.units import ZERO_C_K

AIR_K = 25.0 + ZERO_C_K
LINE = plants.plant(plants.cell(polarisation=[]))
FALL_V_S = 1.2 * 3.0 / 10800.0  # of the voltage under 3 A
INSTANT_S = 1e-6  # crossings are sought to 1e-9 s of a solution that is good to about this


HOW = {compiled_march.march: "careful", reference.march: "shipped"}


def go(march, plant, limits, legs, *, start=None, soc=1.0, core_K=AIR_K, stop=False):
    """March as shipped by scipy; compiled in steps of 20 ms, for instants to a microsecond.

    How far the march's shipped step of 1 s is off is the business of test_marchers_agree.
    """
    if start is None:
        start = at_rest(plant, soc, core_K, AIR_K)
    return march(plant, limits, legs, start, settings(march, HOW[march], stop_at_limits=stop))


def beyond(trace, limit):
    """(start, end) of every spell beyond one limit."""
    return [(s.start_s, s.end_s) for s in trace.spells if s.limit == limit]


def limits(**levels):
    """No limits but these."""
    return NOT_LIMITED._replace(**levels)


# ---- three traps


@each_marcher
def test_four_short_pulses_in_an_hour_of_rest_are_all_seen(march):
    # Solvers that step over the hour as one piece return success and miss all four (measured:
    # scipy's RK45, LSODA, BDF and Radau at 1e-6); also scipy issues 9228 and 18039.
    cell = plants.cell(capacity_Ah=10.0, polarisation=[], resistance={"discharge_mohm": 5.0})
    begins_s = [500.0, 1400.0, 2300.0, 3200.0]
    edges_s = sorted([0.0, *begins_s, *(t + 8.0 for t in begins_s), 3600.0])
    legs = plants.held(edges_s, [0.0, 150.0] * 4 + [0.0])

    trace = go(march, plants.plant(cell), limits(cutoff_V=3.0), legs, soc=0.5)

    assert 0.5 - trace.state[-1, SOC] == pytest.approx(4 * 8.0 * 150.0 / 36000.0, abs=1e-12)
    assert beyond(trace, CUTOFF) == [(t, t + 8.0) for t in begins_s]
    # 3.6 V - 150 A x 5 mohm, and 1.2 V x 1200 As / 36000 As less from pulse to pulse.
    values = [3.0 + spell.margin for spell in trace.spells]
    assert values == pytest.approx([2.85, 2.81, 2.77, 2.73], abs=1e-9)


@each_marcher
@pytest.mark.parametrize("nudge", [-1e-13, -4e-16, 0.0, 4e-16, 1e-13])
def test_a_run_begun_on_the_limit_itself_knows_on_which_side_it_is(march, nudge):
    # A solver restarted with its event armed at a margin of 4e-16 fires at once again, and at
    # -4e-16 runs on below the limit and never fires.
    cutoff_V = 3.5
    soc = (cutoff_V + 0.075 - 3.0) / 1.2
    falling, resting = plants.held([0.0, 600.0], [3.0]), plants.held([0.0, 100.0, 900.0], [3.0, 0])

    trace = go(march, LINE, limits(cutoff_V=cutoff_V), falling, soc=soc + nudge)
    ((begin_s, end_s),) = beyond(trace, CUTOFF)
    assert end_s is None and 0.0 <= begin_s < INSTANT_S

    stopped = go(march, LINE, limits(cutoff_V=cutoff_V), falling, soc=soc + nudge, stop=True)
    assert stopped.stopped_by == CUTOFF and stopped.end_s < INSTANT_S

    # 33 mV lower the current goes, and 75 mV come back: met again at once, not at a crossing.
    trace = go(march, LINE, limits(cutoff_V=cutoff_V), resting, soc=soc + nudge)
    assert [end_s for _, end_s in beyond(trace, CUTOFF)] == [100.0]


@each_marcher
def test_a_run_taken_up_where_it_stopped_is_still_stopped(march):
    legs = plants.held([0.0, 3600.0], [3.0])
    first = go(march, plants.plant(), limits(cutoff_V=3.5), legs, stop=True)

    again = go(march, plants.plant(), limits(cutoff_V=3.5), legs, start=first.state[-1], stop=True)

    assert (first.stopped_by, again.stopped_by) == (CUTOFF, CUTOFF)
    assert again.end_s < INSTANT_S


@each_marcher
def test_a_run_is_cut_at_the_crossing(march):
    # With a pair: 4.2 - I (R0 + R1 (1 - exp(-t/30))) - FALL t = 3.5 V.
    def margin_V(time_s):
        return 4.2 - 0.075 - 0.045 * (1.0 - math.exp(-time_s / 30.0)) - FALL_V_S * time_s - 3.5

    crossing_s = brentq(margin_V, 0.0, 3600.0, xtol=1e-12)
    legs = plants.held([0.0, 3600.0], [3.0])

    stopped = go(march, plants.plant(), limits(cutoff_V=3.5), legs, stop=True)

    assert stopped.stopped_by == CUTOFF
    assert stopped.end_s == stopped.time_s[-1] == pytest.approx(crossing_s, abs=1e-4)  # 30 nV
    assert beyond(stopped, CUTOFF) == [(stopped.end_s, None)]
    assert 1.0 - stopped.state[-1, SOC] == pytest.approx(3.0 * crossing_s / 10800.0, abs=1e-7)
    assert stopped.worst[CUTOFF] == pytest.approx(0.0, abs=1e-9)

    goes_on = go(march, plants.plant(), limits(cutoff_V=3.5), legs)
    assert (goes_on.stopped_by, goes_on.end_s) == (None, 3600.0)
    assert goes_on.worst[CUTOFF] == pytest.approx(margin_V(3600.0), abs=1e-7)
    ((begin_s, end_s),) = beyond(goes_on, CUTOFF)
    assert end_s is None and begin_s == pytest.approx(stopped.end_s, abs=1e-6)


# ---- at the start, at an edge, inside a leg


@each_marcher
def test_a_limit_passed_from_the_start_is_found_at_the_start(march):
    # 70 C in air of 25 C, 45 J/K and 0.045 W/K: 1000 s to a factor e.
    legs = plants.held([0.0, 3600.0], [0.0])

    trace = go(march, LINE, limits(core_max_K=60.0 + ZERO_C_K), legs, core_K=70.0 + ZERO_C_K)

    (spell,) = trace.spells
    assert (spell.limit, spell.start_s) == (HOT, 0.0)
    assert spell.margin == pytest.approx(-10.0, abs=1e-9)
    # 1 ms: 35 uK of the solution, which cools by 35 mK/s.
    assert spell.end_s == pytest.approx(1000.0 * math.log(45.0 / 35.0), abs=1e-3)
    assert (trace.worst[HOT], trace.worst_s[HOT]) == (spell.margin, 0.0)


@each_marcher
def test_a_jump_at_a_load_edge_is_an_event_at_the_edge_already_beyond(march):
    plant = plants.plant(plants.cell(polarisation=[]), pack=Pack(1, 2, 1, 0.0, 0.0))
    legs = plants.held([0.0, 60.0, 120.0, 180.0, 240.0], [4.0, 24.0, -10.0, 0.0])
    these = limits(
        cutoff_V=3.4, full_V=3.7, cell_discharge_A=10.0, cell_charge_A=3.0, pack_current_A=20.0
    )

    trace = go(march, plant, these, legs, soc=0.5)

    events = [
        (e.name, e.time_s, e.until_s, e.value, e.limit) for e in judge(these, legs, trace).events
    ]
    # 2 cells; 4 x 60 and 24 x 60 As, halved, of 10800 As at 1.2 V.
    soc = [0.5 - 120.0 / 10800.0, 0.5 - 840.0 / 10800.0]
    assert events == [
        ("cutoff", 60.0, 120.0, pytest.approx(3.0 + 1.2 * soc[0] - 0.3), 3.4),
        ("cell_discharge", 60.0, 120.0, 12.0, 10.0),
        ("pack_current", 60.0, 120.0, 24.0, 20.0),
        ("cell_charge", 120.0, 180.0, 5.0, 3.0),
    ]
    assert trace.worst[OVERCHARGE] == pytest.approx(
        3.7 - (3.0 + 1.2 * (soc[1] + 300.0 / 10800.0) + 0.125), abs=1e-9
    )


@each_marcher
@pytest.mark.parametrize(
    ("levels", "limit", "closed_s"),
    [
        ({"cutoff_V": 3.5}, CUTOFF, (4.2 - 0.075 - 3.5) / FALL_V_S),
        ({"reserve_soc": 0.15}, RESERVE, 0.85 * 3600.0),
        ({}, EMPTY, 3600.0),
        # 225 mW: 5 K in the end, by 1000 s to a factor e.
        ({"core_max_K": AIR_K + 4.0}, HOT, 1000.0 * math.log(5.0)),
    ],
    ids=["cut-off", "reserve", "empty", "hot"],
)
def test_a_crossing_inside_a_leg_is_where_the_closed_form_has_it(march, levels, limit, closed_s):
    legs = plants.held([0.0, 3700.0], [3.0])

    trace = go(march, LINE, limits(**levels), legs)

    ((begin_s, end_s),) = beyond(trace, limit)
    # Temperature rises by 1 mK/s there, and scipy is asked for 1 uK a step.
    assert begin_s == pytest.approx(closed_s, abs=1e-2 if limit == HOT else INSTANT_S)
    assert end_s is None


@each_marcher
def test_events_stand_in_order_of_time_and_the_first_is_named(march):
    these = limits(cutoff_V=3.5, reserve_soc=0.9, core_max_K=AIR_K + 4.0)
    legs = plants.held([0.0, 3000.0], [3.0])

    verdict = judge(these, legs, go(march, LINE, these, legs))

    assert [e.name for e in verdict.events] == ["reserve", "hot", "cutoff"]
    assert (verdict.first, verdict.passed) == (verdict.events[0], False)
    assert (verdict.first.time_s, verdict.first.value) == pytest.approx((360.0, 90.0), abs=1e-4)


@each_marcher
def test_time_beyond_adds_up_over_several_spells(march):
    # Bouts of 3 A with rests, in which 75 mV come back. 3.6 V is passed within the second bout.
    legs = plants.held([0.0, 400.0, 500.0, 700.0, 800.0, 900.0], [3.0, 0.0, 3.0, 0.0, 3.0])
    these = limits(cutoff_V=3.6)

    trace = go(march, LINE, these, legs, soc=0.7)

    begin_s = 500.0 + (3.84 - 0.075 - 3.6) / FALL_V_S - 400.0
    assert beyond(trace, CUTOFF) == [
        (pytest.approx(begin_s, abs=INSTANT_S), 700.0),
        (800.0, None),
    ]
    judged = judge(these, legs, trace).limit(CUTOFF)
    assert judged.spells == 2
    assert judged.seconds_beyond == pytest.approx(700.0 - begin_s + 100.0, abs=INSTANT_S)


# ---- two crossings between two steps

# T01 to T04 of the list of check values (26650 in moving air), as a plant and as a matrix.
CORE_J_K, SURFACE_J_K, ACROSS_K_W, TO_AIR_K_W = 62.7, 4.5, 1.94, 3.08
MATRIX = np.array(
    [
        [-1.0 / ACROSS_K_W / CORE_J_K, 1.0 / ACROSS_K_W / CORE_J_K],
        [1.0 / ACROSS_K_W / SURFACE_J_K, -(1.0 / ACROSS_K_W + 1.0 / TO_AIR_K_W) / SURFACE_J_K],
    ]
)


def hump():
    """A cell at rest whose surface is 60 K warm and whose core is cold yet: it warms, then cools.

    Returns the plant, its start, and the core's rise [K] by the matrix exponential.
    """
    heat = {"core_J_K": CORE_J_K, "surface_J_K": SURFACE_J_K, "core_to_surface_K_W": ACROSS_K_W}
    plant = plants.plant(plants.cell(heat=heat), conductance_W_K=1.0 / TO_AIR_K_W)
    start = at_rest(plant, 0.5, AIR_K, AIR_K)
    start[SURFACE] += 60.0

    def core_rise_K(time_s):
        return float((expm(MATRIX * time_s) @ [0.0, 60.0])[0])

    return plant, start, core_rise_K


@each_marcher
@pytest.mark.parametrize("below_K", [1.0, 1e-2, 1e-4])
def test_a_hump_over_the_limit_is_seen_with_both_its_crossings(march, below_K):
    plant, start, core_rise_K = hump()
    top_s = minimize_scalar(lambda t: -core_rise_K(t), bounds=(1.0, 100.0), method="bounded").x
    level_K = core_rise_K(top_s) - below_K
    these = limits(core_max_K=AIR_K + level_K)

    trace = go(march, plant, these, plants.held([0.0, 3000.0], [0.0]), start=start)

    ((begin_s, end_s),) = beyond(trace, HOT)

    def over_K(time_s):
        return core_rise_K(time_s) - level_K

    into_s, out_s = brentq(over_K, 1e-3, top_s), brentq(over_K, top_s, 1000.0)
    for found_s, exact_s in ((begin_s, into_s), (end_s, out_s)):
        slope_K_s = abs(core_rise_K(exact_s + 1e-3) - core_rise_K(exact_s - 1e-3)) / 2e-3
        assert found_s == pytest.approx(exact_s, abs=1e-5 / slope_K_s)  # 10 uK of the solution
    assert trace.worst[HOT] == pytest.approx(-below_K, abs=2e-6)


@each_marcher
def test_worst_value_and_time_of_a_hump_are_found_inside_its_leg(march):
    plant, start, core_rise_K = hump()
    top = minimize_scalar(lambda t: -core_rise_K(t), bounds=(1.0, 100.0), method="bounded")
    these = limits(core_max_K=AIR_K - top.fun + 1e-3)  # 1 mK above the top

    trace = go(march, plant, these, plants.held([0.0, 3000.0], [0.0]), start=start)

    assert trace.spells == ()
    assert trace.worst[HOT] == pytest.approx(1e-3, abs=2e-6)
    # The top is flat: 1 uK of it are 0.1 s.
    assert trace.worst_s[HOT] == pytest.approx(top.x, abs=0.2)
    assert len(np.flatnonzero(trace.time_s == trace.worst_s[HOT])) == 0  # not a kept point


@each_marcher
@pytest.mark.parametrize("above_V", [1e-2, 1e-4, 1e-6])
def test_a_voltage_that_dips_and_comes_back_within_a_leg_is_seen(march, above_V):
    # Slow charge while a pair still relaxes from a fast one: the open circuit rises, what the
    # pair adds falls. V = 3.6 + FALL t/10 + 0.3 A x 25 mohm + 4.5 mV + 40.5 mV exp(-t/30).
    def cell_V(time_s):
        return 3.6 + 0.1 * FALL_V_S * time_s + 0.0075 + 0.0045 + 0.0405 * math.exp(-time_s / 30.0)

    bottom_s = 30.0 * math.log(0.0405 / 30.0 / (0.1 * FALL_V_S))
    start = at_rest(plants.plant(), 0.5, AIR_K, AIR_K)
    start[FIRST_OVERVOLTAGE] = -0.045
    these = limits(cutoff_V=cell_V(bottom_s) + above_V)

    trace = go(march, plants.plant(), these, plants.held([0.0, 1800.0], [-0.3]), start=start)

    ((begin_s, end_s),) = beyond(trace, CUTOFF)

    def margin_V(time_s):
        return cell_V(time_s) - these.cutoff_V

    into_s, out_s = brentq(margin_V, 0.0, bottom_s), brentq(margin_V, bottom_s, 3000.0)
    slope_V_s = abs(margin_V(into_s + 1e-3) - margin_V(into_s - 1e-3)) / 2e-3
    tolerance_s = 2e-8 / slope_V_s + INSTANT_S  # 20 nV of the solution
    assert begin_s == pytest.approx(into_s, abs=tolerance_s)
    assert end_s == pytest.approx(out_s, abs=2.0 * tolerance_s)
    assert trace.worst[CUTOFF] == pytest.approx(-above_V, abs=2e-8)
    assert trace.worst_s[CUTOFF] == pytest.approx(bottom_s, abs=1.0)


@st.composite
def jagged(draw):
    """Resistances [mohm] over evenly spaced charge, and a cut-off that they play around."""
    mohm = np.array(draw(st.lists(st.floats(20.0, 60.0), min_size=5, max_size=40)))
    soc = np.linspace(0.0, 1.0, len(mohm))
    volts = (3.0 + 1.2 * soc - 5.0 * 1e-3 * mohm)[::-1]
    cutoff_V = draw(st.floats(float(volts[1:-1].min()), float(volts[0])))
    return soc, mohm, volts, cutoff_V


def straight_crossings(time_s, margin):
    """(start, end) of every time below zero of straight lines between points."""
    ups, downs = [], [0.0] if margin[0] < 0.0 else []
    for t0, t1, m0, m1 in zip(time_s, time_s[1:], margin, margin[1:], strict=False):
        if (m0 < 0.0) != (m1 < 0.0):
            (downs if m1 < 0.0 else ups).append(t0 + (t1 - t0) * m0 / (m0 - m1))
    return list(zip(downs, [*ups, None][: len(downs)], strict=True))


@each_marcher
@trying(max_examples=25, deadline=None)
@given(case=jagged())
def test_no_dip_below_cut_off_is_lost_however_jagged_the_resistance(march, case):
    # Under 5 A the voltage is a straight line between the table's rows, 54 s to 9 min apart.
    soc, mohm, volts, cutoff_V = case
    table = {
        "soc": soc.tolist(),
        "temperature_C": [25.0],
        "discharge_mohm": [[m] for m in mohm.tolist()],
    }
    plant = plants.plant(plants.cell(polarisation=[], resistance=table))
    legs = plants.held([0.0, 2160.0], [5.0])

    trace = go(march, plant, limits(cutoff_V=cutoff_V), legs)

    found = beyond(trace, CUTOFF)
    edges_s = [edge_s for spell in found for edge_s in spell]
    true = straight_crossings(np.linspace(0.0, 2160.0, len(soc)), volts - cutoff_V)
    for begin_s, end_s in true:
        if end_s is not None and end_s - begin_s < 1e-3:
            continue  # of volts: nanovolts, which is rounding
        assert any(
            a <= begin_s + INSTANT_S
            and (b is None or (end_s is not None and end_s <= b + INSTANT_S))
            for a, b in found
        ), (true, found)
    # A return above the limit of a few seconds may be passed over, which is the safe side; but no
    # spell begins or ends where there is no crossing.
    crossings_s = [edge_s for spell in true for edge_s in spell if edge_s is not None]
    for edge_s in edges_s:
        assert edge_s is None or np.min(np.abs(np.array(crossings_s) - edge_s)) < INSTANT_S


# ---- power beyond reach


@each_marcher
def test_power_beyond_reach_ends_the_drive_or_is_recorded_as_the_file_says(march):
    # E^2 / 4R at half charge: 3.6^2 / 0.1 = 129.6 W.
    legs = plants.held([0.0, 60.0, 70.0, 130.0], [20.0, 140.0, 20.0], kind=POWER)

    stopped = go(march, LINE, NOT_LIMITED, legs, soc=0.5, stop=True)
    goes_on = go(march, LINE, NOT_LIMITED, legs, soc=0.5)

    assert (stopped.stopped_by, stopped.end_s) == (BEYOND_REACH, 60.0)
    assert beyond(stopped, BEYOND_REACH) == [(60.0, None)]
    assert (goes_on.stopped_by, goes_on.end_s) == (None, 130.0)
    assert beyond(goes_on, BEYOND_REACH) == [(60.0, 70.0)]


@each_marcher
def test_power_goes_beyond_reach_inside_a_leg_when_the_closed_form_has_it(march):
    # 100 W until sqrt(4 R P) = 3.1623 V: dE/dt = -(1.2 / Q) I(E), so t is the integral of
    # Q / (1.2 I(E)) over E.
    power_W, ohm = 100.0, 0.025
    least_V = math.sqrt(4.0 * ohm * power_W)

    def current_A(open_V):
        return (open_V - math.sqrt(max(open_V**2 - 4.0 * ohm * power_W, 0.0))) / (2.0 * ohm)

    closed_s, _ = quad(lambda open_V: 10800.0 / 1.2 / current_A(open_V), least_V, 3.6)
    legs = plants.held([0.0, 600.0], [power_W], kind=POWER)

    trace = go(march, LINE, NOT_LIMITED, legs, soc=0.5, stop=True)

    assert trace.stopped_by == BEYOND_REACH
    # The current's slope is infinite there; the solver comes to it at 1e-8 of charge.
    assert trace.end_s == pytest.approx(closed_s, abs=1e-3)
    assert 3.0 + 1.2 * trace.state[-1, SOC] == pytest.approx(least_V, abs=1e-6)


# ---- what does not apply, and what is just met


@each_marcher
@pytest.mark.parametrize(
    ("current_A", "idle"),
    [
        (3.0, {CHARGE_HOT, CHARGE_COLD, OVERCHARGE, CELL_CHARGE}),
        (-3.0, {COLD, CELL_DISCHARGE}),
        (0.0, {COLD, CELL_DISCHARGE, CHARGE_HOT, CHARGE_COLD, OVERCHARGE, CELL_CHARGE}),
    ],
    ids=["discharge", "charge", "rest"],
)
def test_a_limit_that_does_not_apply_has_an_infinite_margin(march, current_A, idle):
    # All of these would be far beyond, did they apply: 50 C core, limits of 0 and 20 C.
    these = limits(
        full_V=3.0,
        discharge_core_min_K=60.0 + ZERO_C_K,
        charge_core_max_K=ZERO_C_K,
        charge_core_min_K=60.0 + ZERO_C_K,
        cell_discharge_A=1.0,
        cell_charge_A=1.0,
    )
    legs = plants.held([0.0, 60.0], [current_A])

    trace = go(march, LINE, these, legs, soc=0.5, core_K=50.0 + ZERO_C_K)

    applying = {COLD, CELL_DISCHARGE, CHARGE_HOT, CHARGE_COLD, OVERCHARGE, CELL_CHARGE} - idle
    assert np.all(trace.worst[list(idle)] == np.inf)
    assert np.all(trace.worst[list(applying)] < 0.0)
    verdict = judge(these, legs, trace)
    assert all(verdict.limit(k).worst is None and verdict.limit(k).passed for k in idle)
    assert {NAMES.index(e.name) for e in verdict.events} == applying


@each_marcher
def test_a_limit_exactly_met_is_no_failure(march):
    these = limits(
        core_max_K=AIR_K, discharge_core_min_K=AIR_K, cell_discharge_A=3.0, pack_current_A=3.0
    )
    cold = plants.plant(plants.cell(polarisation=[], resistance={"discharge_mohm": 0.0}))
    legs = plants.held([0.0, 600.0], [3.0])

    trace = go(march, cold, these, legs, stop=True)

    verdict = judge(these, legs, trace)
    assert verdict.passed
    assert [verdict.limit(k).margin for k in (HOT, COLD, CELL_DISCHARGE, PACK_CURRENT)] == [0.0] * 4
    assert trace.state[-1, CORE] == AIR_K


@each_marcher
def test_a_limit_missed_by_the_last_bit_is_a_failure(march):
    these = limits(cell_discharge_A=np.nextafter(3.0, 0.0))
    legs = plants.held([0.0, 600.0], [3.0])

    trace = go(march, LINE, these, legs)

    assert beyond(trace, CELL_DISCHARGE) == [(0.0, None)]
    assert not judge(these, legs, trace).passed
