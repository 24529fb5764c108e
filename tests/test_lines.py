"""Numbers, times and lines in words: nothing rounds away, nothing runs over the edge."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from small_day import write_day

from sim.files.case import read_case
from sim.show.lines import at, hung, moment, number, room, signed, small, span


@pytest.mark.parametrize(
    "value, unit, words",
    [
        (3.307, "V", "3.31 V"),
        (47.26, "K", "47.3 C"),
        (33.96, "%", "34.0 %"),
        (1610.4, "W", "1610 W"),
    ],
)
def test_a_number_has_as_many_digits_as_it_can_bear(value, unit, words):
    assert number(value, unit) == words


def test_a_value_a_little_off_its_limit_does_not_look_like_the_limit():
    assert number(4.2041, "V", -0.0041) == "4.204 V"
    assert number(4.2 + 1e-9, "V", 1e-9) == "4.2000 V"  # no table has room for more


@pytest.mark.parametrize(
    "value, unit, words",
    [(-0.0, "%", "0.0 %"), (-1e-14, "%", "0.0 %"), (-0.04, "%", "-0.04 %"), (-0.2, "W", "-0.2 W")],
)
def test_a_nought_has_no_sign_and_what_is_below_nought_keeps_it(value, unit, words):
    assert number(value, unit) == words


@given(st.floats(-1e6, 1e6), st.sampled_from(["V", "K", "%", "A", "W"]))
def test_a_margin_has_the_sign_of_whether_it_holds(margin, unit):
    told = signed(margin, unit)

    assert (float(told.split()[0]) < 0.0) == (margin < 0.0)
    assert told[0] in "+-"


@given(st.floats(-1e6, 1e6), st.sampled_from(["V", "K", "%", "A", "W"]))
def test_no_number_is_a_negative_nought(value, unit):
    told = number(value, unit).split()[0]

    assert not (told.startswith("-") and float(told) == 0.0)
    assert float(told) == pytest.approx(value, abs=0.5 if unit == "W" else 0.05)


@pytest.mark.parametrize(
    "margin, unit, words",
    [
        (9.44, "K", "9.4 K"),
        (-0.6, "K", "0.6 K"),
        (-0.004, "V", "0.004 V"),
        (-0.0000312, "V", "0.00003 V"),
        (-1e-12, "%", "1e-12 %"),
        (0.0, "K", "0.0 K"),
    ],
)
def test_a_small_margin_keeps_a_digit(margin, unit, words):
    assert room(margin, unit) == words


@given(st.floats(1e-15, 1e6), st.sampled_from(["V", "K", "%", "A", "W"]))
def test_no_margin_but_zero_is_told_as_zero(margin, unit):
    told = float(room(margin, unit).split()[0])

    assert told > 0.0
    assert told == pytest.approx(margin, rel=0.5)  # one digit, at the least


@pytest.mark.parametrize(
    "seconds, words",
    [
        (0.0, "0 s"),
        (1e-5, "under 0.01 s"),
        (1.414, "1.41 s"),
        (97.4, "97.4 s"),
        (119.6, "2 min"),
        (2400.0, "40 min"),
        (7199.0, "2 h 00 min"),
        (39512.0, "10 h 59 min"),
    ],
)
def test_a_span_is_told_in_the_unit_that_fits(seconds, words):
    assert span(seconds) == words


def test_a_difference_that_does_not_matter_is_told_as_such():
    assert small(3e-9, "mV") == "under 0.001 mV"
    assert small(0.0213, "K") == "0.021 K"


def test_moments_are_clock_times_only_where_somebody_told_the_clock(tmp_path):
    told = read_case(write_day(tmp_path / "a"))
    untold = read_case(write_day(tmp_path / "b", {"load": {"profile": "load.csv"}}))

    assert (moment(told, 2400.0), at(told, 2400.0)) == ("10:40", "at 10:40")
    assert (moment(told, 86400.0), at(told, 0.0)) == ("10:00 +1d", "at 10:00")
    assert (moment(untold, 2400.0), at(untold, 2400.0)) == ("40 min", "after 40 min")
    assert (moment(untold, 0.0), at(untold, 0.0)) == ("start", "at the start")


@given(st.text("ab %C3.", min_size=1), st.integers(0, 11))
def test_wrapping_loses_no_word(text, indent):
    lines = hung("a", text, indent)

    told = " ".join(lines).split()
    assert told == f"a{' ' if indent > 1 else ''}{text}".split() or text.strip() == ""


def test_a_number_stays_by_its_unit(monkeypatch):
    monkeypatch.setenv("COLUMNS", "60")
    for shift in range(20):
        lines = hung("note", "x" * shift + " margin 0.25 V and 10 % of it at 21.8 C in 3.5 Wh", 9)
        assert all(len(line) <= 60 for line in lines)
        assert not [line for line in lines if re.search(r"\d$", line) or re.match(r"\s*%", line)]
