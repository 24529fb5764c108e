"""Many lanes side by side, held to one lane alone: to the bit, whatever stands beside it.

One lane alone is held to scipy, SUNDIALS and closed forms elsewhere. No tolerance is asked for
here: every operation is the same IEEE operation, in the same order, on one number or on eight.
"""

from __future__ import annotations

import platform
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plants import cell, held, plant
from test_marchers_agree import FILM, REAL, RESISTIVE, boxes

from sim.integrate import march
from sim.integrate.lanes import march_many
from sim.integrate.trace import Trace
from sim.physics.compiled import has_machine_code
from sim.physics.limits import COUNT, CUTOFF, HOT, Limits
from sim.physics.pack import CURRENT, POWER, Pack
from sim.physics.plant import SOC, at_rest
from sim.physics.side_by_side import WIDTH

# Narrow enough that days of a few rows pass them, in the middle of rows and at their edges.
LIMITS = Limits(3.1, 4.1, 0.15, 312.0, 263.15, 310.0, 275.15, 3.5, 0.9, 60.0, 258.15)
STIFF = {**RESISTIVE, "discharge_mohm": [[30.0] * 4, [20.0] * 4, [15.0] * 4]}
CELLS = [  # the first two with tables of one shape, so that they stand side by side
    cell(**REAL),
    cell(**{**REAL, "resistance": STIFF}),
    cell(**{**REAL, "resistance": {**RESISTIVE, "soc": [0.0, 0.3, 1.0]}}),
]
compiled_only = pytest.mark.skipif(
    not has_machine_code(), reason="numba's compiler is switched off for this run"
)


def same(one: Trace, other: Trace) -> None:
    """Hold two traces to each other, to the bit; of states, the last."""
    assert (one.end_s, one.stopped_by, one.steps) == (other.end_s, other.stopped_by, other.steps)
    assert repr(one.spells) == repr(other.spells)  # where NaN is NaN
    for name in ("worst", "worst_s"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name), err_msg=name)
    np.testing.assert_array_equal(one.state[-1], other.state[-1])


def run_of(draw, box, kind, edges_s):
    """Return one run that shares its box's and load's kind with others, and all else with none."""
    pack = Pack(14, draw(st.integers(1, 12)), draw(st.integers(1, 2)), 0.4e-3, 6e-3)
    film = FILM._replace(
        standing=draw(st.booleans()), fixed_W_K=draw(st.sampled_from([-1.0, 0.02]))
    )
    one = plant(draw(st.sampled_from(CELLS)), pack=pack, film=film, box=box)
    scale = 6.0 if kind == CURRENT else 6.0 * 3.5 * pack.series
    amounts = draw(
        st.lists(st.floats(-1.0, 4.0), min_size=len(edges_s) - 1, max_size=len(edges_s) - 1)
    )
    air_C = draw(st.floats(-5.0, 38.0))
    legs = held(edges_s, np.array(amounts) * scale, kind=kind, ambient_C=air_C)
    return one, LIMITS, legs, at_rest(one, draw(st.floats(0.05, 0.98)), air_C + 273.15, 300.0)


@st.composite
def days(draw):
    """Yield up to 19 runs: some share their edges, and so stand side by side, and some do not."""
    box, kind = draw(boxes), draw(st.sampled_from([CURRENT, POWER]))
    lengths = st.lists(st.sampled_from([1.0, 7.0, 45.0, 300.0]), min_size=1, max_size=4)
    edges = [
        np.concatenate([[0.0], np.cumsum(found)])
        for found in draw(st.lists(lengths, min_size=1, max_size=2))
    ]
    return [
        run_of(draw, box, kind, draw(st.sampled_from(edges)))
        for _ in range(draw(st.integers(2, 2 * WIDTH + 3)))
    ]


@settings(max_examples=100, deadline=None)
@given(days(), st.booleans(), st.booleans())
def test_a_lane_gives_the_same_bits_alone_and_beside_any_others(runs, stops, halved):
    how = march.Settings(stop_at_limits=stops, halved=halved, keep_trace=False)
    for one, beside in zip(runs, march_many(runs, how, 2), strict=True):
        same(march.march(*one, how), beside)


def some(count: int = 2 * WIDTH + 3) -> list:
    """Return runs of one pack that grows: the first stop early, the last see the end."""
    edges_s = [0.0, 60.0, 700.0, 1000.0]
    made = []
    for n in range(count):
        one = plant(CELLS[0], pack=Pack(14, 3 + n, 1, 0.4e-3, 6e-3), film=FILM)
        legs = held(edges_s, [1500.0, 2400.0, -300.0], kind=POWER, ambient_C=35.0)
        made.append((one, LIMITS, legs, at_rest(one, 0.6, 308.15, 308.15)))
    return made


def test_these_runs_end_and_cross_in_all_ways():
    """So that what is said below of them is said of something."""
    found = march_many(some())
    ends = {trace.stopped_by for trace in found}

    assert len({trace.end_s for trace in found}) > 3
    assert {None, CUTOFF} <= ends
    assert any(s.limit == HOT and s.margin == 0.0 for trace in found for s in trace.spells)


def test_neither_order_nor_threads_nor_neighbours_matter():
    runs = some()
    found = march_many(runs, threads=1)
    turned = march_many(runs[::-1], threads=2)[::-1]
    for one, other, alone in zip(found, turned, runs, strict=True):
        same(one, other)
        same(one, march.march(*alone))


def test_a_lane_that_leaves_the_numbers_leaves_its_neighbours_alone():
    runs = some(WIDTH)
    lost = runs[3]
    runs[3] = (*lost[:3], lost[3] * np.nan)
    found = march_many(runs)

    assert np.isnan(found[3].state[-1]).all()
    assert np.isnan(found[3].worst).sum() > COUNT // 3
    for n in (0, 1, 2, 4, 5, 6, 7):
        same(found[n], march.march(*runs[n]))


def test_kinds_that_cannot_stand_side_by_side_are_told_apart():
    """Other pairs, boxes, kinds of load and edges in one list; each run gets its own answer."""
    plain = plant(cell(), pack=Pack(1, 1, 1, 0.0, 0.0))
    start = at_rest(plain, 0.9, 298.15, 298.15)
    runs = [
        (plain, LIMITS, held([0.0, 100.0], [1.0]), start),
        some(1)[0],
        (plain, LIMITS, held([0.0, 100.0], [3.0], kind=POWER), start),
        (plain, LIMITS, held([0.0, 60.0, 100.0], [1.0, 2.0]), start),
        (plain, LIMITS, held([0.0, 100.0], [2.0]), start),
    ]
    found = march_many(runs)

    for one, alone in zip(found, runs, strict=True):
        same(one, march.march(*alone))
    moved_As = (start[SOC] - found[4].state[-1, SOC]) * plain.cell.capacity_As
    assert moved_As == pytest.approx(200.0, rel=1e-12)


def test_what_is_kept_of_a_lane_does_not_grow_with_its_steps():
    """A start and an end, whatever the day; its spells are all that can grow."""
    for trace in march_many(some(), march.Settings(keep_trace=True))[-3:]:
        assert trace.state.shape == (2, len(some(1)[0][3]))
        assert trace.steps > 100


@pytest.mark.slow
@compiled_only
def test_eight_lanes_are_marched_by_vector_instructions():
    """In the machine code itself: sums, products and quotients of whole vectors, by the hundred.

    Their names are from the makers' instruction manuals: x86 mulpd on registers of 128 to 512
    bits, ARM fmul on v registers. Compiled anew, since numba shows nothing of what it has kept.
    """
    from numba import njit

    march_many(some(WIDTH))
    kinds = next(found for found in march.run.signatures if found[-1].count == WIDTH)
    fresh = njit(error_model="numpy", _nrt=False)(march.run.py_func)
    fresh.compile(kinds)
    text = fresh.inspect_asm(fresh.signatures[0])
    if platform.machine() in ("x86_64", "AMD64"):
        found = re.findall(r"\bv?(?:mul|div|add|sub)pd\s.*%[xyz]mm", text)
    elif platform.machine() in ("arm64", "aarch64"):
        found = re.findall(r"\bf(?:mul|div|add|sub)(?:\.2d)?\s+v\d+", text)
    else:
        pytest.skip(f"no list of vector instructions of {platform.machine()}")

    assert len(found) > 300
