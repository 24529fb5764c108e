"""From numbers to lines on paper: no peak is lost, no two labels touch, ticks are round."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from sim.show.hours import hours_between
from sim.show.report_chart import apart, nice_ticks, path_of, thinned


@given(st.integers(0, 2**32 - 1), st.integers(300, 2000), st.integers(10, 60))
def test_thinning_keeps_the_greatest_and_the_least_and_both_ends(seed, count, buckets):
    value = np.random.default_rng(seed).standard_cauchy(count)  # with peaks far out
    x = np.linspace(0.0, 24.0, len(value))
    kept_x, kept = thinned(x, value, buckets)

    assert kept.max() == value.max()
    assert kept.min() == value.min()
    assert (kept_x[0], kept_x[-1]) == (x[0], x[-1])
    assert np.all(np.diff(kept_x) > 0.0)
    assert len(kept) <= 4 * buckets


def test_a_day_of_few_points_is_drawn_as_it_is():
    x, value = np.arange(10.0), np.arange(10.0) ** 2

    assert np.array_equal(thinned(x, value, 10)[1], value)
    assert path_of(np.array([0.0, 1.0]), np.array([2.0, 3.5])) == "M0.0 2.0L1.0 3.5"


@given(st.lists(st.floats(0.0, 100.0), min_size=1, max_size=6))
def test_labels_keep_their_order_and_their_distance(wanted):
    places = apart(wanted, 13.0, 0.0, 100.0)
    ranked = np.array(places)[np.argsort(wanted, kind="stable")]

    assert np.all(np.diff(ranked) >= 13.0 - 0.1)  # a tenth of a user unit can't be seen
    assert min(places) >= 0.0
    assert max(places) <= 100.0


@given(st.floats(-1e3, 1e3), st.floats(0.01, 1e4), st.integers(4, 8))
def test_ticks_lie_inside_and_are_few(low, span, most):
    ticks = nice_ticks(low, low + span, most)

    assert 1 <= len(ticks) <= most
    assert all(low - 1e-6 * span <= t <= low + span + 1e-6 * span for t in ticks)


@given(st.floats(0.0, 48.0), st.floats(0.2, 2000.0), st.integers(3, 10))
def test_hours_are_multiples_of_one_step_that_people_count_in(begin, span, most):
    ticks = hours_between(begin, begin + span, most)

    assert len(ticks) <= most
    steps = np.diff(ticks)
    if len(steps):
        assert np.allclose(steps, steps[0])
        assert np.allclose(np.array(ticks) / steps[0], np.round(np.array(ticks) / steps[0]))


def test_three_days_have_ticks_at_noon_and_midnight():
    assert hours_between(6.5, 78.5, 10) == [12.0, 24.0, 36.0, 48.0, 60.0, 72.0]
