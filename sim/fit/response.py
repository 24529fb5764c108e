"""The voltage of polarisation pairs under a row's held current, and its derivatives; compiled.

The same physics as `sim.physics.cell` and `sim.integrate.step`: dv/dt = (I R - v)/tau, exact under
held current, R on straight lines over state of charge and exp(E x) over temperature. As v is
linear in the resistances at the knots, one pass gives it for all of them.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from sim.physics.compiled import compiled


@compiled
def pair_response(
    span_s: Any, flow_A: Any, knot: Any, part: Any, warm: Any, tau_s: float, per_ohm: Any
) -> None:
    """Fill `per_ohm` (n, knots) with the pair's voltage [V] for one ohm at each knot.

    Of row i: `span_s` how long the current `flow_A` is held, `knot` and `part` where the middle
    of it lies on the knots, `warm` the factor of temperature on resistance. The pair is empty at
    the start; the voltage is that at the end of each row's time.
    """
    knots = per_ohm.shape[1]
    v = np.zeros(knots)
    for i in range(span_s.shape[0]):
        left = math.exp(-span_s[i] / tau_s)
        goal = (1.0 - left) * flow_A[i] * warm[i]
        for k in range(knots):
            v[k] *= left
        v[knot[i]] += goal * (1.0 - part[i])
        v[knot[i] + 1] += goal * part[i]
        per_ohm[i] = v


@compiled
def mean_response(
    span_s: Any, flow_A: Any, knot: Any, part: Any, warm: Any, tau_s: float, per_ohm: Any
) -> None:
    """Fill `per_ohm` (n, knots) as `pair_response` does, with the mean over each row's time."""
    knots = per_ohm.shape[1]
    v = np.zeros(knots)
    for i in range(span_s.shape[0]):
        left = math.exp(-span_s[i] / tau_s)
        held = (1.0 - left) * tau_s / span_s[i]  # mean of exp(-t/tau) over the row
        goal = flow_A[i] * warm[i]
        for k in range(knots):
            per_ohm[i, k] = v[k] * held
            v[k] *= left
        for k in range(2):
            share = part[i] if k == 1 else 1.0 - part[i]
            per_ohm[i, knot[i] + k] += (1.0 - held) * goal * share
            v[knot[i] + k] += (1.0 - left) * goal * share


@compiled
def pair_voltage(
    span_s: Any,
    flow_A: Any,
    resistance_ohm: Any,
    lean: Any,
    tau_s: float,
    means: bool,
    seen: Any,
    per_tau: Any,
    per_energy: Any,
) -> None:
    """Fill the pair's voltage `seen` (n,) [V] and its derivatives over ln tau and energy E.

    `resistance_ohm` is R of each row with its temperature in it, `lean` (n,) the derivative
    of its logarithm over E [mol/J]; `per_energy` is in V mol/J.
    """
    v, v_tau, v_energy = 0.0, 0.0, 0.0
    for i in range(span_s.shape[0]):
        left = math.exp(-span_s[i] / tau_s)
        slower = left * span_s[i] / tau_s  # d left / d ln tau
        goal = flow_A[i] * resistance_ohm[i]
        if means:
            held = (1.0 - left) * tau_s / span_s[i]
            seen[i] = goal + (v - goal) * held
            per_tau[i] = v_tau * held + (v - goal) * (held - left)
            per_energy[i] = v_energy * held + (1.0 - held) * goal * lean[i]
        v_tau = v_tau * left + (v - goal) * slower
        v_energy = v_energy * left + (1.0 - left) * goal * lean[i]
        v = v * left + (1.0 - left) * goal
        if not means:
            seen[i], per_tau[i], per_energy[i] = v, v_tau, v_energy


@compiled
def add_squares(slopes: Any, off: Any, squares: Any, pull: Any) -> None:
    """Add J'J of `slopes` (rows, size) to `squares` and J'r of `off` (rows,) to `pull`.

    Not by the linear algebra library: it shares such small products among threads, which wait for
    each other for seconds on a busy machine.
    """
    size = slopes.shape[1]
    for row in range(slopes.shape[0]):
        for i in range(size):
            one = slopes[row, i]
            pull[i] += one * off[row]
            for j in range(size):
                squares[i, j] += one * slopes[row, j]
