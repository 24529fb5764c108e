"""Turns of a knob found in few looks: of made-up packs whose turn is known, against bisection."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.ask.few_looks import close_in_few
from sim.ask.knobs import Look

NEAR = 1e-3


def pack(margin: Callable[[float], float], name: str = "hot") -> Callable[[float], Look]:
    """Return a look whose one limit has this margin; what has a margin below 0 fails."""

    def look(value: float) -> Look:
        found = margin(value)
        return Look(value, found >= 0.0, found, name, 0.0, 0.0, margins={name: found})

    return look


def turned(look: Callable[[float], Look], low: float, high: float) -> tuple[Look, Look, int]:
    seen: list[float] = []

    def counted(value: float) -> Look:
        seen.append(value)
        return look(value)

    good, bad = close_in_few(counted, look(low), look(high), NEAR)
    return good, bad, len(seen)


SHAPES = {
    "a straight line": lambda x: 0.7 - x,
    "Joule's square": lambda x: 0.49 - x * x,
    "bent the other way": lambda x: math.sqrt(1.0001 - x) - math.sqrt(0.3001),
    "a lock-out that cuts at its own level": lambda x: max(0.7 - x, -1e-10),
    "no slope beyond": lambda x: 0.7 - x if x < 0.7 else -1e-12,
    "a jump, as of a board": lambda x: 5.0 if x < 0.7 else -100.0,
    "flat, then steep": lambda x: 0.7**9 - x**9,
}


@pytest.mark.parametrize("name", SHAPES)
def test_the_turn_lies_between_two_looks_that_are_near(name):
    good, bad, looks = turned(pack(SHAPES[name]), 0.0, 1.0)

    assert good.passes and not bad.passes
    assert good.value <= 0.7 <= bad.value
    assert bad.value - good.value <= NEAR
    # Halving takes 10; a guess that helps nothing costs at most two more for each halving.
    assert looks <= 3 * math.ceil(math.log2(1.0 / NEAR))


@pytest.mark.parametrize("name", ["a straight line", "Joule's square", "bent the other way"])
def test_a_smooth_margin_takes_fewer_looks_than_halving(name):
    assert turned(pack(SHAPES[name]), 0.0, 1.0)[2] < math.ceil(math.log2(1.0 / NEAR))


def test_a_knob_may_be_turned_down():
    good, bad, _ = turned(pack(lambda x: x - 0.3), 1.0, 0.0)

    assert bad.value <= 0.3 <= good.value
    assert good.value - bad.value <= NEAR


def test_a_limit_that_gives_nearer_than_the_first_one_is_found():
    """Beyond 0.4 another limit gives, whose margin the first failing look did not name."""

    def look(value: float) -> Look:
        margins = {"hot": 0.9 - value, "reserve": 0.4 - value}
        name = min(margins, key=lambda limit: margins[limit])
        first = "hot" if margins["hot"] < 0.0 else name  # which gives first in time
        return Look(value, min(margins.values()) >= 0.0, 0.0, first, 0.0, 0.0, margins=margins)

    good, bad = close_in_few(look, look(0.0), look(1.0), NEAR)

    assert good.value <= 0.4 <= bad.value
    assert (bad.limit, bad.value - good.value <= NEAR) == ("reserve", True)


@given(st.floats(0.01, 0.99), st.floats(-3.0, 3.0), st.booleans())
def test_any_monotone_margin_is_closed_in_on(turn, bend, cut):
    def margin(x: float) -> float:
        found = (turn - x) * math.exp(bend * x)
        return max(found, -1e-10) if cut else found

    good, bad, looks = turned(pack(margin), 0.0, 1.0)

    assert good.value <= turn <= bad.value
    assert bad.value - good.value <= NEAR
    assert looks <= 3 * math.ceil(math.log2(1.0 / NEAR))
