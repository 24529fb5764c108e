"""Worst stretches of a current and what a fuse makes of them, against brute force and tables."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.physics.fuse import clear_curve, hold_curve, opens_after_s, used_up
from sim.physics.sliding import Lines, lines_of, rms, worst_rms, worst_sum

LENGTHS_S = st.lists(st.floats(0.5, 90.0), min_size=1, max_size=8)
TRIES = settings(max_examples=60, deadline=None)


@st.composite
def currents(draw):
    """Straight lines that jump between stretches, braking and all."""
    lengths_s = draw(LENGTHS_S)
    count = len(lengths_s)
    ampere = st.lists(st.floats(-50.0, 100.0), min_size=count, max_size=count)
    return Lines(np.cumsum([0.0, *lengths_s]), np.array(draw(ampere)), np.array(draw(ampere)))


def constant(*pieces):
    """Return (ampere, seconds) pieces as lines."""
    ampere = np.array([a for a, _ in pieces], dtype=float)
    return Lines(np.cumsum([0.0, *(s for _, s in pieces)]), ampere, ampere)


def brute_rms(lines, window_s, tries=4001):
    """Return the greatest rms over many windows, each summed on a fine grid at its middles."""
    last_s = lines.edge_s[-1] - window_s
    offsets_s = (np.arange(400) + 0.5) / 400.0 * window_s
    best = 0.0
    for start_s in np.linspace(lines.edge_s[0], last_s, tries // 20):
        at = np.searchsorted(lines.edge_s, start_s + offsets_s, side="right") - 1
        at = at.clip(0, len(lines.begin) - 1)
        share = (start_s + offsets_s - lines.edge_s[at]) / lines.length_s[at]
        value = lines.begin[at] + share * (lines.end[at] - lines.begin[at])
        best = max(best, math.sqrt(np.mean(value * value)))
    return best


@given(lines=currents(), fraction=st.floats(0.02, 0.98))
@TRIES
def test_the_worst_window_is_no_less_than_any_found_by_hand_and_is_one_itself(lines, fraction):
    window_s = fraction * float(lines.edge_s[-1])
    found_A, start_s = worst_rms(lines, window_s)

    # A jump is missed by up to one of the grid's 400 parts, and there are up to eight: 200 A^2.
    assert found_A**2 >= brute_rms(lines, window_s) ** 2 - 8 * 100.0**2 / 400
    assert -1e-9 <= start_s <= lines.edge_s[-1] - window_s + 1e-9
    inside = lines_of_window(lines, start_s, window_s)
    assert rms(inside) == pytest.approx(found_A, rel=1e-9, abs=1e-6)


def lines_of_window(lines, start_s, window_s):
    """Return the piece of `lines` under a window."""
    ends_s = np.unique(np.concatenate([lines.edge_s, [start_s, start_s + window_s]]))
    ends_s = ends_s[(ends_s >= start_s) & (ends_s <= start_s + window_s)]
    middle_s = 0.5 * (ends_s[1:] + ends_s[:-1])
    at = (np.searchsorted(lines.edge_s, middle_s, side="right") - 1).clip(0, len(lines.begin) - 1)
    slope = (lines.end - lines.begin)[at] / lines.length_s[at]
    values = [lines.begin[at] + slope * (t - lines.edge_s[at]) for t in (ends_s[:-1], ends_s[1:])]
    return Lines(ends_s, *values)


@given(lines=currents())
@TRIES
def test_a_shorter_window_never_has_less_rms_and_the_whole_day_is_the_plain_rms(lines):
    whole_s = float(lines.edge_s[-1])
    halves = [worst_rms(lines, whole_s * share)[0] for share in (0.25, 0.5, 1.0)]
    # A window holds one of half its length with no less mean square: halves of halves only.
    assert halves[0] >= halves[1] - 1e-9
    assert halves[1] >= halves[2] - 1e-9
    assert halves[2] == pytest.approx(rms(lines), rel=1e-12)
    assert worst_rms(lines, 10.0 * whole_s)[0] == pytest.approx(rms(lines), rel=1e-12)


def test_a_lone_pulse_in_a_window_of_its_length_is_the_pulse():
    lines = constant((0.0, 100.0), (60.0, 10.0), (0.0, 100.0))
    assert worst_rms(lines, 10.0) == (pytest.approx(60.0), pytest.approx(100.0))
    assert worst_rms(lines, 40.0)[0] == pytest.approx(30.0)  # 60 sqrt(10/40)


def test_the_worst_window_of_a_peak_of_two_slopes_lies_where_both_ends_are_alike():
    """Up to 10 A in 30 s, down in 10 s: a window w holds 3/4 w before the peak. By calculus."""
    lines = Lines(np.array([0.0, 30.0, 40.0]), np.array([0.0, 10.0]), np.array([10.0, 0.0]))
    _, start_s = worst_rms(lines, 8.0)
    assert start_s == pytest.approx(30.0 - 6.0, abs=1e-9)


def test_points_at_one_time_are_a_jump_and_no_stretch():
    time_s = np.array([0.0, 5.0, 5.0, 9.0])
    lines = lines_of(time_s, np.array([1.0, 2.0, 7.0, 8.0]))
    assert lines.edge_s.tolist() == [0.0, 5.0, 9.0]
    assert lines.begin.tolist() == [1.0, 7.0]
    assert lines.end.tolist() == [2.0, 8.0]
    with pytest.raises(ArithmeticError, match="no length"):
        lines_of(np.zeros(2), np.ones(2))


@given(lines=currents(), fraction=st.floats(0.05, 1.5))
@TRIES
def test_the_worst_sum_is_that_of_a_fine_search(lines, fraction):
    rate, window_s = np.abs(lines.begin), fraction * float(lines.edge_s[-1])
    found, end_s = worst_sum(lines.edge_s, rate, window_s)
    total = np.append(0.0, np.cumsum(rate * lines.length_s))

    def within(end_s):
        return np.interp(end_s, lines.edge_s, total) - np.interp(
            end_s - window_s, lines.edge_s, total
        )

    tried = within(np.linspace(0.0, lines.edge_s[-1], 3001))
    assert found >= tried.max() - 1e-9 * max(1.0, tried.max())
    assert found == pytest.approx(float(within(np.array(end_s))), rel=1e-9, abs=1e-9)


# --- fuses

RATIO = np.array([1.0, 4.0 / 3.0, 2.0])
HOLD, CLEAR = (
    hold_curve(RATIO, np.array([14400.0, 3600.0, 5.0])),
    clear_curve(RATIO, np.array([14400.0, 3600.0, 60.0])),
)


def test_times_between_points_are_straight_in_their_logarithms():
    for curve, points in ((HOLD, (14400.0, 3600.0, 5.0)), (CLEAR, (14400.0, 3600.0, 60.0))):
        assert opens_after_s(curve, RATIO) == pytest.approx(points, rel=1e-12)
        middle = math.sqrt(RATIO[1] * RATIO[2])
        expected = math.sqrt(points[1] * points[2])
        assert opens_after_s(curve, np.array([middle]))[0] == pytest.approx(expected, rel=1e-12)


def test_below_its_table_a_fuse_holds_and_above_it_clears_at_constant_i2t():
    assert np.isinf(opens_after_s(HOLD, np.array([0.0, 0.99]))).all()
    twice, fourfold = opens_after_s(CLEAR, np.array([2.0, 4.0]))
    assert twice * 2.0**2 == pytest.approx(fourfold * 4.0**2, rel=1e-12)
    # A hold time may be shorter than constant I2t says, never longer.
    assert opens_after_s(HOLD, np.array([4.0]))[0] < 5.0 * (2.0 / 4.0) ** 2


@given(ratio=st.floats(1.0, 3.0), share=st.floats(0.1, 3.0))
@TRIES
def test_a_constant_current_opens_the_fuse_just_when_its_table_says(ratio, share):
    for curve in (HOLD, CLEAR):
        after_s = float(opens_after_s(curve, np.array([ratio]))[0])
        lasting = constant((30.0 * ratio, after_s * share))
        used, when_s = used_up(curve, 30.0, lasting)
        assert used == pytest.approx(min(share, 14400.0 / after_s), rel=1e-9)
        if share > 1.0 + 1e-6:
            assert when_s == pytest.approx(after_s, rel=1e-6)
        elif share < 1.0 - 1e-6:
            assert when_s is None


@given(pulses=st.lists(st.floats(0.0, 70.0), min_size=1, max_size=6), more=st.floats(1.0, 1.3))
@TRIES
def test_more_current_never_uses_up_less_of_a_fuse(pulses, more):
    lines = constant(*((a, 60.0) for a in pulses))
    greater = constant(*((a * more, 60.0) for a in pulses))
    assert used_up(HOLD, 30.0, greater)[0] >= used_up(HOLD, 30.0, lines)[0] * (1.0 - 1e-12)
    assert used_up(CLEAR, 30.0, lines)[0] <= used_up(HOLD, 30.0, lines)[0] * (1.0 + 1e-12)


def test_what_a_fuse_used_up_long_ago_is_forgotten():
    """After the longest time of the table, four hours here."""
    once = constant((40.0, 3000.0), (0.0, 10.0))
    twice = constant((40.0, 3000.0), (0.0, 14400.0), (40.0, 3000.0))
    soon = constant((40.0, 3000.0), (0.0, 600.0), (40.0, 3000.0))
    assert used_up(HOLD, 30.0, twice)[0] == pytest.approx(used_up(HOLD, 30.0, once)[0], rel=1e-9)
    assert used_up(HOLD, 30.0, soon)[0] == pytest.approx(2.0 * 3000.0 / 3600.0, rel=1e-9)
