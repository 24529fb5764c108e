"""Cells side by side: who carries what share of a group's current.

A cell is a source behind a resistance, its joints included: e - I r. On ideal busbars all cells
of a group share one voltage in closed form; with links between neighbours they stand on a ladder,
whose answer hangs on where the leads attach. Either way the group is a source behind a resistance
to all that is outside, V = E - R I.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.physics.abreast import WIDE, at, gathered, put_at, put_there
from sim.physics.compiled import bare
from sim.physics.side_by_side import alike

Floats = NDArray[np.float64]
Places = NDArray[np.intp]
PIVOT_OHM, STILL_A, MOVED = range(3)  # rows of `Ladders.scratch`


class Ladders(NamedTuple):
    """Ladders side by side, `WIDE` of one length to a block, which the last of them fill up."""

    rungs: Places  # (places, lanes) the cell at each place of each ladder
    leads: Floats  # (places, lanes) how many leads attach there
    link_S: Floats  # (1, lanes)
    length: Places  # (blocks,)
    scratch: Floats  # (3, places WIDE)


def ladders_of(first: Places, end: Places, leads_at: Places, link_ohm: Floats) -> Ladders:
    """Return the record of ladders over the cells `first` to `end` - 1 each, all (ladders,).

    `leads_at` (2, ladders) are the cells at which the leads attach.
    """
    sizes = end - first
    blocks = []
    for size in np.unique(sizes):
        like = np.flatnonzero(sizes == size)
        blocks += list(np.pad(like, (0, -len(like) % WIDE), mode="edge").reshape(-1, WIDE))
    lanes = np.concatenate([np.zeros(0, dtype=np.intp), *blocks])
    places = np.arange(sizes.max(initial=0))[:, None]
    rungs = first[lanes] + places
    leads = np.sum(rungs == leads_at[:, None, lanes], axis=0, dtype=float)
    return Ladders(
        np.ascontiguousarray(rungs.astype(np.intp)),
        np.ascontiguousarray(leads),
        np.ascontiguousarray(1.0 / link_ohm[lanes])[None],
        sizes[[block[0] for block in blocks]].astype(np.intp),
        np.zeros((3, len(places) * WIDE)),
    )


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
    # Divided, not multiplied by 1 / total_S: like cells then rest at their own voltage to the bit.
    return short_A / total_S, 1.0 / total_S


@bare
def solve_ladders(ladders, cells, source_V, conductance_S, still_V, per_A_ohm):
    """Fill the voltage between the rails at every cell: `still_V` at rest, `per_A_ohm` of 1 A.

    All four are rows of `cells` (rows, n): cells as sources, and what is filled, d = still_V +
    per_A_ohm I (negative). Between neighbours each rail has a link (the plus rail and the minus
    rail alike); with l = 1/link Kirchhoff on both rails together is

        (2 g_i + sum l) d_i - l d_(i-1) - l d_(i+1) = 2 g_i e_i - I ([i = plus] + [i = minus])

    Solved by Thomas's elimination. Each ladder has at least one cell that conducts.
    """
    for block in range(ladders.length.shape[0]):
        lane, last = WIDE * block, ladders.length[block] - 1
        l_S = at(ladders.link_S, 0, lane)
        handed_on, still_A, moved = alike(0.0, l_S), alike(0.0, l_S), alike(0.0, l_S)
        for i in range(last + 1):
            twice_S = 2.0 * gathered(cells, conductance_S, ladders.rungs, i, lane)
            sides = (1.0 if i > 0 else 0.0) + (1.0 if i < last else 0.0)
            still_A = twice_S * gathered(cells, source_V, ladders.rungs, i, lane) + (
                handed_on * still_A
            )
            moved = handed_on * moved - at(ladders.leads, i, lane)
            pivot_ohm = 1.0 / (twice_S + sides * l_S - handed_on * l_S)
            put_at(ladders.scratch, PIVOT_OHM, WIDE * i, pivot_ohm)
            put_at(ladders.scratch, STILL_A, WIDE * i, still_A)
            put_at(ladders.scratch, MOVED, WIDE * i, moved)
            handed_on = l_S * pivot_ohm
        across_V, more_ohm = alike(0.0, l_S), alike(0.0, l_S)
        for i in range(last, -1, -1):
            pivot_ohm = at(ladders.scratch, PIVOT_OHM, WIDE * i)
            across_V = (at(ladders.scratch, STILL_A, WIDE * i) + l_S * across_V) * pivot_ohm
            more_ohm = (at(ladders.scratch, MOVED, WIDE * i) + l_S * more_ohm) * pivot_ohm
            put_there(cells, still_V, ladders.rungs, i, lane, across_V)
            put_there(cells, per_A_ohm, ladders.rungs, i, lane, more_ohm)


@bare
def between_leads(cells, still_V, per_A_ohm, link_ohm, plus_at, minus_at):
    """Return E [V] and R [ohm] of a ladder that is solved, whose leads attach at two cells.

    The voltage between the leads is (d_plus + d_minus)/2 - I link |plus - minus| / 2.
    """
    across_ohm = 0.5 * link_ohm * abs(plus_at - minus_at)
    open_V = 0.5 * (cells[still_V, plus_at] + cells[still_V, minus_at])
    return open_V, across_ohm - 0.5 * (cells[per_A_ohm, plus_at] + cells[per_A_ohm, minus_at])
