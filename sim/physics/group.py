"""Cells side by side: who carries what share of a group's current.

A cell is a source behind a resistance, its joints included: e - I r. On ideal busbars all cells
of a group share one voltage in closed form; with links between neighbours they stand on a ladder,
whose answer hangs on where the leads attach. Either way the group is a source behind a resistance
to all that is outside, V = E - R I.
"""

from __future__ import annotations

import math

from sim.physics.compiled import bare


@bare
def shared_source(source_V, conductance_S, count, first, last):
    """Return E [V] and R [ohm] of cells `first` to `last` - 1 on ideal busbars.

    Kirchhoff: sum (e_i - V) g_i = I, so V = (sum e_i g_i - I) / sum g_i. `count` = how many like
    cells each one stands for. A group with no cell left has an infinite resistance.
    """
    total_S, short_A = 0.0, 0.0
    for c in range(first, last):
        total_S += count[c] * conductance_S[c]
        short_A += count[c] * conductance_S[c] * source_V[c]
    if total_S == 0.0:
        return 0.0, math.inf
    return short_A / total_S, 1.0 / total_S


@bare
def ladder_source(
    source_V, conductance_S, first, last, link_ohm, plus_at, minus_at, still_V, per_A_ohm, pivot_ohm
):
    """Return E [V] and R [ohm] of cells `first` to `last` - 1 on two rails of links.

    Between neighbours each rail has `link_ohm` (the plus rail and the minus rail alike); the leads
    attach to the plus rail at cell `plus_at` and to the minus rail at cell `minus_at`. With d_i
    the voltage between the rails at cell i, and l = 1/link, Kirchhoff on both rails together is

        (2 g_i + sum l) d_i - l d_(i-1) - l d_(i+1) = 2 g_i e_i - I ([i = plus] + [i = minus])

    and the voltage between the leads (d_plus + d_minus)/2 - I link |plus - minus| / 2. Solved by
    Thomas's elimination for the part at rest, `still_V`, and the part a unit of current adds,
    `per_A_ohm` (negative), both (n,) and filled here: d_i = still_V + per_A_ohm I. `pivot_ohm`
    (n,) is scratch. With no cell linked at all the resistance is infinite.
    """
    l_S, linked_S = 1.0 / link_ohm, 0.0
    for c in range(first, last):
        linked_S += conductance_S[c]
        still_V[c], per_A_ohm[c] = 0.0, 0.0
    if linked_S == 0.0:
        return 0.0, math.inf
    for c in range(first, last):
        sides = (1.0 if c > first else 0.0) + (1.0 if c + 1 < last else 0.0)
        diagonal = 2.0 * conductance_S[c] + sides * l_S
        still = 2.0 * conductance_S[c] * source_V[c]
        moved = -(1.0 if c == plus_at else 0.0) - (1.0 if c == minus_at else 0.0)
        if c > first:
            handed_on = l_S * pivot_ohm[c - 1]
            diagonal -= handed_on * l_S
            still += handed_on * still_V[c - 1]
            moved += handed_on * per_A_ohm[c - 1]
        pivot_ohm[c] = 1.0 / diagonal
        still_V[c] = still
        per_A_ohm[c] = moved
    for c in range(last - 1, first - 1, -1):
        if c + 1 < last:
            still_V[c] += l_S * still_V[c + 1]
            per_A_ohm[c] += l_S * per_A_ohm[c + 1]
        still_V[c] *= pivot_ohm[c]
        per_A_ohm[c] *= pivot_ohm[c]
    across_ohm = 0.5 * link_ohm * abs(plus_at - minus_at)
    open_V = 0.5 * (still_V[plus_at] + still_V[minus_at])
    return open_V, across_ohm - 0.5 * (per_A_ohm[plus_at] + per_A_ohm[minus_at])
