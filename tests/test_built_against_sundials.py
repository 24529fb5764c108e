"""Six unequal cells, three side by side and two such groups in series, against IDA of SUNDIALS.

IDA, through scikit-sundae at 1e-10, solves the differential-algebraic system as it is written down
here once more: cells are differential, what they share (the voltage of each group, the current of
all) is algebraic and nobody resolves it beforehand. The cells' tables are straight lines, so that
both sides hold the same curves.
"""

from __future__ import annotations

import built as b
import numpy as np
import plants
import pytest

from sim.integrate.built_records import BUS_A, BUS_V
from sim.physics.built import CORE, FIRST_OVER, SOC, SURFACE
from sim.physics.pack import CURRENT, POWER

ida = pytest.importorskip("sksundae.ida", reason="scikit-sundae (IDA) can't be imported")

AIR_K, AT_K, SLOPE_V_K = 298.15, 298.15, -2e-4
TAU_S = np.array([8.0, 200.0])
PAIR_OHM = np.array([0.006, 0.010])
CORE_J_K, SURFACE_J_K, ACROSS_W_K, FILM_W_K = 40.0, 5.0, 0.5, 0.045
BETWEEN_W_K, LEAD_OHM = 0.12, 0.004
# Cells one by one: first three the first group, then the second.
CAPACITY_AH = np.array([3.0, 2.6, 3.1, 2.9, 3.0, 2.8])
SCALE = np.array([1.0, 1.5, 0.9, 1.1, 1.0, 1.3])
JOINT_OHM = np.array([1.0, 1.0, 4.0, 1.0, 0.5, 1.0]) * 1e-3
START = np.array([0.85, 0.80, 0.86, 0.84, 0.85, 0.83])
TOUCHING = [(0, 1), (1, 2), (3, 4), (4, 5), (0, 3), (1, 4), (2, 5)]
GROUP = np.repeat([0, 1], 3)
N = 6
LOOKS_S = (60.0, 600.0, 1500.0)
VALUES = {CURRENT: 15.0, POWER: 105.0}

CELL = plants.cell(
    open_circuit={
        "soc": [0.0, 1.0],
        "voltage_V": [3.0, 4.2],
        "entropic_mV_K": [1e3 * SLOPE_V_K] * 2,
    },
    resistance={
        "soc": [0.0, 1.0],
        "temperature_C": [-20.0, 60.0],
        "discharge_mohm": [[40.0, 40.0], [25.0, 25.0]],
    },
    polarisation=[
        {"resistance_mohm": 1e3 * ohm, "time_constant_s": tau_s}
        for ohm, tau_s in zip(PAIR_OHM, TAU_S, strict=True)
    ],
    heat={"core_J_K": CORE_J_K, "surface_J_K": SURFACE_J_K, "core_to_surface_K_W": 1 / ACROSS_W_K},
)


def conduction():
    """The surfaces' matrix: film on the diagonal, neighbours beside it [W/K]."""
    matrix = np.diag(np.full(N, FILM_W_K))
    for i, j in TOUCHING:
        matrix[[i, j], [i, j]] += BETWEEN_W_K
        matrix[[i, j], [j, i]] -= BETWEEN_W_K
    return matrix


MATRIX = conduction()


def split(y):
    """Charge, pairs (2, N), core, surface, current of each cell, group voltages, pack current."""
    rows = y[: 6 * N].reshape(6, N)
    return rows[0], rows[1:3], rows[3], rows[4], rows[5], y[6 * N : 6 * N + 2], y[6 * N + 2]


def residual_for(kind, value):
    """Return IDA's residual of a load held at `value`."""

    def residual(_time_s, y, yp, res):
        soc, over_V, core_K, surface_K, each_A, group_V, pack_A = split(y)
        soc_s, over_V_s, core_K_s, surface_K_s, *_ = split(yp)
        ohmic_ohm = (0.040 - 0.015 * soc) * SCALE
        pair_ohm = PAIR_OHM[:, None] * SCALE
        open_V = 3.0 + 1.2 * soc + (core_K - AT_K) * SLOPE_V_K
        across_W = ACROSS_W_K * (core_K - surface_K)
        heat_W = each_A**2 * ohmic_ohm + np.sum(over_V**2 / pair_ohm, axis=0)
        heat_W -= each_A * core_K * SLOPE_V_K
        out = res[: 6 * N].reshape(6, N)
        out[0] = soc_s + each_A / (3600.0 * CAPACITY_AH)
        out[1:3] = over_V_s - (each_A * pair_ohm - over_V) / TAU_S[:, None]
        out[3] = core_K_s - (heat_W - across_W) / CORE_J_K
        lost_W = MATRIX @ (surface_K - AIR_K)
        out[4] = surface_K_s - (across_W + each_A**2 * JOINT_OHM - lost_W) / SURFACE_J_K
        behind_V = open_V - np.sum(over_V, axis=0) - each_A * (ohmic_ohm + JOINT_OHM)
        out[5] = behind_V - group_V[GROUP]
        res[6 * N] = np.sum(each_A[:3]) - pack_A
        res[6 * N + 1] = np.sum(each_A[3:]) - pack_A
        bus_V = np.sum(group_V) - LEAD_OHM * pack_A
        res[6 * N + 2] = pack_A - value if kind == CURRENT else bus_V * pack_A - value

    return residual


def begin(pack_A):
    """A state with empty pairs; its algebraic part as guessed, and as IDA corrects it."""
    y = np.zeros(6 * N + 3)
    rows = y[: 6 * N].reshape(6, N)
    rows[0], rows[3], rows[4], rows[5] = START, AIR_K, AIR_K, pack_A / 3.0
    y[6 * N : 6 * N + 2], y[6 * N + 2] = 3.8, pack_A
    return y


@pytest.fixture(scope="module", params=[CURRENT, POWER], ids=["current", "power"])
def judged(request):
    """IDA's states at the looks."""
    kind = request.param
    solver = ida.IDA(
        residual_for(kind, VALUES[kind]),
        algebraic_idx=list(range(5 * N, 6 * N + 3)),
        calc_initcond="yp0",  # and the algebraic part of y0 with it
        calc_init_dt=1e-3,
        rtol=1e-10,
        atol=1e-11,
        max_num_steps=100_000,
    )
    start = begin(14.0)
    found = solver.solve(np.array([0.0, *LOOKS_S]), start, np.zeros_like(start))
    return kind, dict(zip(LOOKS_S, found.y[1:], strict=True))


def marched(kind, end_s, step_s):
    groups = [
        b.group(3, capacity_Ah=CAPACITY_AH[g], scale=SCALE[g], joint_ohm=JOINT_OHM[g])
        for g in (slice(0, 3), slice(3, 6))
    ]
    touching = tuple((i, j, BETWEEN_W_K) for i, j in TOUCHING)
    one = b.built(b.pack(*groups, lead_ohm=LEAD_OHM), cell=CELL, touching=touching)
    legs = plants.held([0.0, end_s], [VALUES[kind]], kind=kind)
    return b.go(one, legs, b.resting(one, START), step_s=step_s)


# Largest differences in charge, V, K, A and pack volt. At 1 s the step's own; ten times less at
# a quarter of it, as it should be for the second order.
@pytest.mark.parametrize(
    ("step_s", "tolerance"),
    [(1.0, (1e-7, 1e-6, 1e-5, 1e-5, 2e-6)), (0.25, (1e-8, 1e-7, 1e-6, 1e-6, 2e-7))],
    ids=["1 s", "0.25 s"],
)
def test_unequal_cells_follow_ida(judged, step_s, tolerance):
    kind, states = judged
    worst = np.zeros(5)
    for time_s, y in states.items():
        run = marched(kind, time_s, step_s)
        soc, over_V, core_K, surface_K, _, group_V, pack_A = split(y)
        cells = run.state.cells
        off = (
            np.max(np.abs(cells[SOC] - soc)),
            np.max(np.abs(cells[FIRST_OVER : FIRST_OVER + 2] - over_V)),
            np.max(np.abs(cells[[CORE, SURFACE]] - [core_K, surface_K])),
            abs(b.kept(run, BUS_A)[-1] - pack_A),
            abs(b.kept(run, BUS_V)[-1] - (np.sum(group_V) - LEAD_OHM * pack_A)),
        )
        worst = np.maximum(worst, off)

    assert np.all(worst <= tolerance), worst


def test_the_judge_sees_cells_that_differ(judged):
    _, states = judged
    soc, _, core_K, _, each_A, *_ = split(states[600.0])

    assert np.ptp(each_A[:3]) > 1.0  # A
    assert np.ptp(core_K) > 0.5  # K
    assert np.ptp(soc[:3]) > 0.01
