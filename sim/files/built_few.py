"""Few cells that stand for many: one a pack, or the places of a module so that they bracket it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.files.built_record import Places, Resolved, nominal, shares_of
from sim.files.case import Case
from sim.files.layout import Grid, class_shares
from sim.physics.built import CAPACITY_AS, COUNT, GROUP_COUNT, INWARD, OUTWARD, SCALE

Floats = NDArray[np.float64]


class _Group(NamedTuple):
    """A group of the record: where it stands, how many like it there are, its cells by kind."""

    pack: int
    group: int
    members: float  # 0 for one that only shows how far a cell's share of current can go
    kinds: tuple[int, ...]
    counts: tuple[float, ...]


def _pure(pack: int, group: int, members: float, shares: Floats, parallel: int) -> list[_Group]:
    """Return groups of one kind each, as many as there are such cells.

    The heat of cells side by side is convex in how many of each kind there are, so that no other
    way to spread the kinds over the groups makes more.
    """
    return [
        _Group(pack, group, members * float(share), (kind,), (float(parallel),))
        for kind, share in enumerate(shares)
    ]


def _pairs(pack: int, group: int, kinds: int, parallel: int) -> list[_Group]:
    """Return groups in which one cell of the most or the least open kind has the other about it.

    A warm cell has less resistance, so that it carries the most where all its neighbours are cool,
    and a cool one the least where they are warm. They weigh nothing.
    """
    if kinds == 1 or parallel == 1:
        return []
    ends, others = (0, kinds - 1), float(parallel - 1)
    return [
        _Group(pack, group, 0.0, ends, (1.0, others)),
        _Group(pack, group, 0.0, ends, (others, 1.0)),
    ]


def _weak(pack: int, group: int, shares: Floats, parallel: int) -> list[_Group]:
    """Return a weak group: it stands anywhere, as an even mix that weighs, and at its ends."""
    kinds = len(shares)
    mix = _Group(pack, group, 1.0, tuple(range(kinds)), tuple((shares * parallel).tolist()))
    if kinds > 1 and parallel == 1:
        return [mix, *(_Group(pack, group, 0.0, (kind,), (1.0,)) for kind in range(kinds))]
    return [mix, *_pairs(pack, group, kinds, parallel)]


def few(case: Case, grid: Grid | None) -> Resolved:
    """Return one entry a pack, or three places, and further groups where one is weak."""
    table, layout = case.scenario.pack, case.scenario.layout
    kinds: tuple[str, ...] = ("",)
    shares, opens = np.ones(1), np.ones(1)
    if grid is not None:
        kinds, shares, opens = class_shares(grid)
    weak = {(f.pack - 1, f.group - 1): f for f in case.scenario.fault or []}
    found: list[_Group] = []
    for p in range(table.packs):
        mine = sorted(g for q, g in weak if q == p)
        sound = next((g for g in range(table.series) if g not in mine), None)
        if sound is not None:
            found += _pure(p, sound, table.series - len(mine), shares, table.parallel)
            found += _pairs(p, sound, len(kinds), table.parallel)
        for g in mine:
            found += _weak(p, g, shares, table.parallel)
    width = [len(one.kinds) for one in found]
    pack_of, group_of = (np.repeat([one[k] for one in found], width) for k in range(2))
    kind_of = np.concatenate([one.kinds for one in found])
    fixed = nominal(case, len(kind_of), pack_of)
    fixed[COUNT] = np.concatenate([one.counts for one in found])
    if layout is not None:
        fixed[INWARD], fixed[OUTWARD] = shares_of(layout, opens[kind_of])
    for key, fault in weak.items():
        at = (pack_of == key[0]) & (group_of == key[1])
        fixed[CAPACITY_AS, at] *= fault.capacity_factor
        fixed[SCALE, at] *= fault.resistance_factor
    groups = np.zeros((2, len(found)))
    groups[GROUP_COUNT] = [one.members for one in found]
    first, n = np.concatenate([[0], np.cumsum(width)]), len(kind_of)
    return Resolved(
        fixed, np.zeros((n, 0), dtype=np.intp), np.zeros((n, 0)), groups,
        np.stack([first, first, first]),
        np.searchsorted([one.pack for one in found], np.arange(table.packs + 1)),
        Places(
            pack_of, group_of, kind_of, np.full(n, -1), np.full(n, -1),
            tuple(kinds[k] for k in kind_of),
        ),
        np.zeros(n), np.full(n, np.nan), (),
    )  # fmt: skip
