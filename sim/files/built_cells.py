"""Which cells there are, what differs between them, and who is whose neighbour."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.files.built_few import few
from sim.files.built_record import Places, Resolved, nominal, shares_of
from sim.files.built_schema import FaultTable, SpreadTable
from sim.files.case import Case
from sim.files.cell_list import read_cell_list
from sim.files.cells_listed import put_in
from sim.files.layout import CLASSES, Grid, across_gap_W_K, grid_of
from sim.files.scenario_schema import ScenarioTable
from sim.physics.built import (
    CAPACITY_AS,
    FIRST_CELL,
    GROUP_COUNT,
    INWARD,
    JOINT_OHM,
    LINK_OHM,
    LINKED,
    MINUS_AT,
    OUTWARD,
    PLUS_AT,
    SCALE,
)
from sim.units import MILLI

Floats = NDArray[np.float64]
Whole = NDArray[np.intp]
FARTHEST_SD = 3.0  # cells beyond it don't pass a maker's own sorting: common practice, no source
LEAST_SHARE = 0.05  # of its nominal value that scatter leaves


def _one_by_one(scenario: ScenarioTable) -> bool:
    """Return whether every cell needs an entry of its own."""
    layout = scenario.layout
    return (
        scenario.spread is not None
        or scenario.busbar is not None
        or (layout is not None and layout.model == "resolved")
        or any(fault.cell is not None for fault in scenario.fault or [])
        or scenario.sensor is not None
    )


def resolved(case: Case) -> Resolved:
    """Return the cells of all packs; raise InputError where faults or lists name no such place."""
    scenario = case.scenario
    _check_faults(case)
    if scenario.layout is not None:
        grid = grid_of(scenario.layout, scenario.pack.series * scenario.pack.parallel, case.path)
    else:
        grid = None
    if _one_by_one(scenario):
        return _each(case, grid)
    return few(case, grid)


def _check_faults(case: Case) -> None:
    pack = case.scenario.pack
    complaints = []
    for number, fault in enumerate(case.scenario.fault or [], 1):
        beyond = [
            f"{name} {value} of {most}"
            for name, value, most in (
                ("pack", fault.pack, pack.packs),
                ("group", fault.group, pack.series),
                ("cell", fault.cell or 1, pack.parallel),
            )
            if value > most
        ]
        if beyond:
            complaints.append(f"{case.path}: [[fault]] {number} names {', '.join(beyond)}")
    complaints += _told_twice(case) + _told_of_nothing(case)
    for number, unit in enumerate(case.scenario.unit or [], 1):
        if unit.pack > pack.packs:
            complaints.append(
                f"{case.path}: [[unit]] {number} names pack {unit.pack} of {pack.packs}"
            )
    if complaints:
        raise InputError(complaints)


def _told_twice(case: Case) -> list[str]:
    """Return a complaint for each [[unit]] or [[fault]] that says again what one before it said."""
    scenario, complaints = case.scenario, []
    seen: dict[str, int] = {}
    said = [("unit", f"pack {unit.pack}") for unit in scenario.unit or []]
    said += [
        ("fault", f"{f.kind} of pack {f.pack} group {f.group} cell {f.cell}")
        for f in scenario.fault or []
    ]
    for k, (table, what) in enumerate(said):
        number = 1 + k - (0 if table == "unit" else len(scenario.unit or []))
        first = seen.setdefault(what, number)
        if first != number:
            complaints.append(
                f"{case.path}: [[{table}]] {number} names {what.removesuffix(' cell None')}, as "
                f"[[{table}]] {first} does; accepted: once"
            )
    return complaints


def _told_of_nothing(case: Case) -> list[str]:
    """Return a complaint for each [[fault]] of a cell that another one says is missing."""
    faults = case.scenario.fault or []
    gaps = {
        (f.pack, f.group, f.cell): number
        for number, f in enumerate(faults, 1)
        if f.kind == "cell_missing"
    }
    return [
        f"{case.path}: [[fault]] {number} is a {f.kind} of pack {f.pack} group {f.group} cell "
        f"{f.cell}, which [[fault]] {gaps[f.pack, f.group, f.cell]} says is missing"
        for number, f in enumerate(faults, 1)
        if f.kind != "cell_missing" and (f.pack, f.group, f.cell) in gaps
    ]


def _each(case: Case, grid: Grid | None) -> Resolved:
    """Return every cell of every pack."""
    table = case.scenario.pack
    series, parallel, packs = table.series, table.parallel, table.packs
    n = series * parallel * packs
    index = np.arange(n)
    pack_of, in_pack = np.divmod(index, series * parallel)
    group_of, place_of = np.divmod(in_pack, parallel)
    fixed = nominal(case, n, pack_of)
    said: list[str] = []
    off_charge, listed = np.zeros(n), np.full(n, np.nan)
    if case.scenario.spread is not None:
        off_charge = _scatter(case.scenario.spread, fixed, series * packs, parallel)
        if case.scenario.spread.cells is not None:
            path = case.path.parent / case.scenario.spread.cells
            said += put_in(case, read_cell_list(path), fixed, listed)
    neighbour, neighbour_W_K = np.zeros((n, 0), dtype=np.intp), np.zeros((n, 0))
    row, column = np.full(n, -1), np.full(n, -1)
    if grid is not None:
        layout = case.scenario.layout
        assert layout is not None
        row, column = np.tile(grid.row, packs), np.tile(grid.column, packs)
        between_W_K = layout.neighbour_W_K
        between_W_K += across_gap_W_K(layout, case.profile, case.scenario.cooling)
        neighbour, neighbour_W_K = _touching(grid, between_W_K, packs)
        fixed[INWARD], fixed[OUTWARD] = shares_of(layout, np.tile(grid.open_share, packs))
    at = np.arange(series * packs + 1) * parallel
    group = np.zeros((2, series * packs))
    group[GROUP_COUNT] = 1.0
    plus_at, minus_at = at.copy(), at.copy()
    if case.scenario.busbar is not None:
        group[LINK_OHM] = case.scenario.busbar.link_mohm * MILLI
        plus_at[:-1], minus_at[:-1] = _take_offs(case.scenario.busbar.take_off, at[:-1], parallel)
    missing = _faults(case, fixed)
    keep = np.setdiff1d(index, missing)
    places = Places(pack_of, group_of, place_of, row, column, ("",) * n)
    whole = Resolved(
        fixed, neighbour, neighbour_W_K, group, np.stack([at, plus_at, minus_at]),
        np.arange(packs + 1) * series, places, off_charge, listed, tuple(said),
    )  # fmt: skip
    return whole if len(keep) == n else _without(whole, keep, case)


def _scatter(spread: SpreadTable, fixed: Floats, groups: int, parallel: int) -> Floats:
    """Scatter capacity, resistance and joints of `fixed`; return what groups' charge is off by."""
    from scipy.stats import truncnorm

    draws = np.random.default_rng(spread.seed)

    def factors(percent: float, count: int) -> Floats:
        normal = truncnorm(-FARTHEST_SD, FARTHEST_SD).rvs(count, random_state=draws)
        return np.maximum(1.0 + percent / 100.0 * normal, LEAST_SHARE)

    n = fixed.shape[1]
    fixed[CAPACITY_AS] *= factors(spread.capacity_percent, n)
    fixed[SCALE] *= factors(spread.resistance_percent, n)
    fixed[JOINT_OHM] *= factors(spread.joint_percent, n)
    return np.repeat(factors(spread.charge_percent, groups) - 1.0, parallel)


def _touching(grid: Grid, between_W_K: float, packs: int) -> tuple[Whole, Floats]:
    """Return the neighbours of every cell of every pack, if anything conducts at all."""
    n = len(grid.row)
    if between_W_K == 0.0:
        return np.zeros((n * packs, 0), dtype=np.intp), np.zeros((n * packs, 0))
    tiles = [np.where(grid.neighbour >= 0, grid.neighbour + n * pack, -1) for pack in range(packs)]
    neighbour = np.concatenate(tiles)
    return neighbour, np.where(neighbour >= 0, between_W_K, 0.0)


def _take_offs(take_off: str, first: Whole, parallel: int) -> tuple[Whole, Whole]:
    if take_off == "one_end":
        return first, first
    if take_off == "opposite_ends":
        return first, first + parallel - 1
    return first + (parallel - 1) // 2, first + (parallel - 1) // 2


def _at(case: Case, fault: FaultTable) -> slice | int:
    """Return which cells of the resolved record a fault is about."""
    table = case.scenario.pack
    group = (fault.pack - 1) * table.series + fault.group - 1
    if fault.cell is None:
        return slice(group * table.parallel, (group + 1) * table.parallel)
    return group * table.parallel + fault.cell - 1


def _faults(case: Case, fixed: Floats) -> Whole:
    """Put the faults into `fixed` and return which cells are missing."""
    missing = []
    for fault in case.scenario.fault or []:
        at = _at(case, fault)
        if fault.kind == "cell_missing":
            missing.append(at)
        elif fault.kind == "link_open":
            fixed[LINKED, at] = 0.0
        elif fault.kind == "bad_joint":
            assert fault.joint_mohm is not None  # the schema asks for it
            fixed[JOINT_OHM, at] = fault.joint_mohm * MILLI
        else:
            fixed[CAPACITY_AS, at] *= fault.capacity_factor
            fixed[SCALE, at] *= fault.resistance_factor
    return np.array(missing, dtype=np.intp)


def _without(whole: Resolved, keep: Whole, case: Case) -> Resolved:
    """Return the record without the cells that are missing."""
    n = whole.fixed.shape[1]
    new = np.full(n + 1, -1)  # the last stands for no neighbour
    new[keep] = np.arange(len(keep))
    starts = np.searchsorted(keep, whole.group_at[FIRST_CELL])
    if np.any(np.diff(starts) == 0):
        group = int(np.flatnonzero(np.diff(starts) == 0)[0])
        raise InputError(
            f"{case.path}: every cell of group {group % case.scenario.pack.series + 1} is missing"
        )
    ends = np.stack(
        [
            starts,
            np.minimum(
                np.searchsorted(keep, whole.group_at[PLUS_AT]), np.append(starts[1:], n) - 1
            ),
            np.minimum(
                np.searchsorted(keep, whole.group_at[MINUS_AT]), np.append(starts[1:], n) - 1
            ),
        ]
    )
    neighbour = new[whole.neighbour[keep]]
    places = whole.places
    return Resolved(
        whole.fixed[:, keep],
        neighbour,
        np.where(neighbour >= 0, whole.neighbour_W_K[keep], 0.0),
        whole.group,
        ends,
        whole.pack_at,
        Places(
            places.pack[keep],
            places.group[keep],
            places.place[keep],
            places.row[keep],
            places.column[keep],
            ("",) * len(keep),
        ),
        whole.off_charge[keep],
        whole.listed_charge[keep],
        whole.assumptions,
    )


__all__ = ["CLASSES", "Places", "Resolved", "resolved"]
