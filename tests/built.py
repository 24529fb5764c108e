"""Packs as built, for tests: cells in groups, groups in packs, boards, and what hangs on the bus.

Nothing is computed here that a test compares with: these only fill records, and read them.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import plants
from plants import NOT_LIMITED, OPEN_AIR

from sim.drive.legs import Legs
from sim.integrate import built_march
from sim.integrate.built_records import COLUMNS, Day, Run, Settings
from sim.physics.board import (
    CHARGE_A,
    DISCHARGE_A,
    DISCHARGE_PATH,
    HIGHEST_GROUP_V,
    HOTTEST_K,
    Thresholds,
)
from sim.physics.box import Box
from sim.physics.built import (
    CAPACITY_AS,
    COUNT,
    FELT,
    FIXED,
    INWARD,
    JOINT_OHM,
    LINKED,
    OUTWARD,
    SCALE,
    Built,
    State,
    at_rest,
)
from sim.physics.bus import Charger, Controller, Ramp
from sim.physics.cell import Cell
from sim.physics.film import Film
from sim.units import ZERO_C_K

NO_RAMP = Ramp(np.zeros(0), np.zeros(0))
UNBOUND = Controller(np.inf, np.inf, NO_RAMP, NO_RAMP)
NO_CHARGER = Charger(0.0, 1.0, np.inf, 0.0, NO_RAMP)
FREE = Film(3.757e-3, 0.0184, 0.065, False, 0.8, 0.045)  # of one cell, 0.045 W/K whatever it is
RISING = (HIGHEST_GROUP_V, DISCHARGE_A, CHARGE_A, HOTTEST_K)  # quantities that trip above a level

# 3.0 + 1.2 s volt behind 25 mohm, 3 Ah, 45 J/K in one node, and no pairs: closed forms are short.
PLAIN = plants.cell(polarisation=[])
# As the full cell of the laws of one cell: entropy, two nodes, tables over charge and temperature.
FULL = plants.cell(
    open_circuit={
        "soc": [0.0, 0.1, 0.4, 1.0],
        "voltage_V": [3.0, 3.45, 3.7, 4.2],
        "entropic_mV_K": [-0.3, -0.1, 0.1, 0.0],
    },
    resistance={
        "soc": [0.0, 0.2, 1.0],
        "temperature_C": [-20.0, 25.0, 60.0],
        "discharge_mohm": [[200.0, 50.0, 30.0], [130.0, 32.0, 20.0], [110.0, 28.0, 18.0]],
        "charge_mohm": [[220.0, 55.0, 33.0], [140.0, 35.0, 22.0], [120.0, 31.0, 20.0]],
    },
    polarisation=[
        {"resistance_mohm": 8.0, "time_constant_s": 4.0},
        {"resistance_mohm": 12.0, "capacitance_F": 9000.0},
    ],
    heat={"core_J_K": 40.0, "surface_J_K": 5.0, "core_to_surface_K_W": 2.0},
)


class Group(NamedTuple):
    """Cells side by side; every quantity (k,)."""

    capacity_Ah: np.ndarray
    scale: np.ndarray
    joint_ohm: np.ndarray
    linked: np.ndarray
    like: np.ndarray
    inward: np.ndarray
    outward: np.ndarray
    alike: float
    link_ohm: float
    plus_at: int  # counted within the group
    minus_at: int


class Pack(NamedTuple):
    """Groups in series, and what is between them and the bus."""

    groups: tuple[Group, ...]
    count: float
    lead_ohm: float
    board_ohm: float
    board_drop_V: float
    module_J_K: float
    module_W_K: float


def group(
    cells: int = 1,
    *,
    capacity_Ah: Any = 3.0,
    scale: Any = 1.0,
    joint_ohm: Any = 0.0,
    linked: Any = 1.0,
    like: Any = 1.0,
    inward: Any = 0.0,
    outward: Any = 1.0,
    alike: float = 1.0,
    link_ohm: float = 0.0,
    plus_at: int = 0,
    minus_at: int = 0,
) -> Group:
    """Return a group of `cells`; a quantity is one number for all or one a cell."""
    each = (capacity_Ah, scale, joint_ohm, linked, like, inward, outward)
    spread = [np.broadcast_to(np.asarray(q, dtype=float), (cells,)) for q in each]
    return Group(*spread, float(alike), float(link_ohm), plus_at, minus_at)


def pack(
    *groups: Group,
    count: float = 1.0,
    lead_ohm: float = 0.0,
    board_ohm: float = 0.0,
    board_drop_V: float = 0.0,
    module_J_K: float = 0.0,
    module_W_K: float = 0.0,
) -> Pack:
    """Return a pack of `groups` in series."""
    rest = (count, lead_ohm, board_ohm, board_drop_V, module_J_K, module_W_K)
    return Pack(groups, *(float(x) for x in rest))


def built(
    *packs: Pack,
    cell: Cell = PLAIN,
    film: Film = FREE,
    box: Box = OPEN_AIR,
    touching: tuple[tuple[int, int, float], ...] = (),
) -> Built:
    """Return the record; `touching` = pairs of cells, counted over all packs, and W/K between."""
    groups = [one for each in packs for one in each.groups]
    sizes = [len(one.capacity_Ah) for one in groups]
    first = np.concatenate([[0], np.cumsum(sizes)])
    fixed = np.empty((FIXED, first[-1]))
    rows = (CAPACITY_AS, SCALE, JOINT_OHM, LINKED, COUNT, INWARD, OUTWARD)
    for row, each in zip(rows, range(7), strict=True):
        fixed[row] = np.concatenate([one[each] for one in groups])
    fixed[CAPACITY_AS] *= 3600.0
    fixed[FELT] = 0.0
    plus = [f + one.plus_at for f, one in zip(first[:-1], groups, strict=True)]
    minus = [f + one.minus_at for f, one in zip(first[:-1], groups, strict=True)]
    neighbour, neighbour_W_K = neighbours(int(first[-1]), touching)
    return Built(
        cell,
        film,
        box,
        fixed,
        neighbour,
        neighbour_W_K,
        np.array([[one.alike for one in groups], [one.link_ohm for one in groups]]),
        np.array([first, [*plus, 0], [*minus, 0]], dtype=np.intp),
        np.array([each[1:] for each in packs]).T.copy(),
        np.concatenate([[0], np.cumsum([len(each.groups) for each in packs])]).astype(np.intp),
    )


def neighbours(
    cells: int, touching: tuple[tuple[int, int, float], ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Return who touches whom, -1 for none, and by how much, (cells, most)."""
    who: list[list[tuple[int, float]]] = [[] for _ in range(cells)]
    for i, j, between_W_K in touching:
        who[i].append((j, between_W_K))
        who[j].append((i, between_W_K))
    most = max(len(row) for row in who)
    neighbour = np.full((cells, most), -1, dtype=np.intp)
    neighbour_W_K = np.zeros((cells, most))
    for i, row in enumerate(who):
        for k, (j, between_W_K) in enumerate(row):
            neighbour[i, k], neighbour_W_K[i, k] = j, between_W_K
    return neighbour, neighbour_W_K


def grid(rows: int, columns: int, between_W_K: float) -> tuple[tuple[int, int, float], ...]:
    """Return who touches whom in rows x columns, square, counted row by row."""
    found = []
    for i in range(rows):
        for j in range(columns):
            here = i * columns + j
            if j + 1 < columns:
                found.append((here, here + 1, between_W_K))
            if i + 1 < rows:
                found.append((here, here + columns, between_W_K))
    return tuple(found)


class Threshold(NamedTuple):
    """One threshold, as in `sim.physics.board`."""

    quantity: int
    trip: float
    release: float
    pack: int = -1
    delay_s: float = 0.0
    hold_off_s: float = 0.0
    latches: bool = False
    opens: int = DISCHARGE_PATH


def thresholds(*each: Threshold) -> Thresholds:
    """Return the record; what trips above its level and what below follows from the quantity."""
    return Thresholds(
        np.array([one.pack for one in each], dtype=np.intp),
        np.array([one.quantity for one in each], dtype=np.intp),
        np.array([1.0 if one.quantity in RISING else -1.0 for one in each]),
        np.array([one.trip for one in each], dtype=float),
        np.array([one.release for one in each], dtype=float),
        np.array([one.delay_s for one in each], dtype=float),
        np.array([one.hold_off_s for one in each], dtype=float),
        np.array([one.latches for one in each], dtype=np.bool_),
        np.array([one.opens for one in each], dtype=np.intp),
    )


def day(
    legs: Legs, *, mode: Any = 0, controller: Controller = UNBOUND, charger: Charger = NO_CHARGER
) -> Day:
    """Return what hangs on the bus; `mode` is one for all legs or one a leg, windows in a row."""
    modes = np.broadcast_to(np.asarray(mode, dtype=np.intp), legs.start_s.shape).copy()
    return Day(modes, np.where(modes == 1, 0, -1).astype(np.intp), controller, charger)


def resting(one: Built, soc: Any = 0.6, core_C: Any = 25.0, air_C: float = 25.0) -> State:
    """Return a state at rest; one charge and one temperature for all or one a cell."""
    n = one.fixed.shape[1]
    spread = [np.broadcast_to(np.asarray(q, dtype=float), (n,)).copy() for q in (soc, core_C)]
    return at_rest(one, spread[0], spread[1] + ZERO_C_K, air_C + ZERO_C_K)


def go(
    one: Built,
    legs: Legs,
    start: State | None = None,
    *,
    what: Day | None = None,
    boards: Thresholds | None = None,
    limits: Any = NOT_LIMITED,
    stop: bool = False,
    step_s: float = 1.0,
) -> Run:
    """March to the end, limits aside unless `stop`."""
    return built_march.march(
        one,
        thresholds() if boards is None else boards,
        limits,
        legs,
        day(legs) if what is None else what,
        resting(one) if start is None else start,
        Settings(longest_step_s=step_s, stop_at_limits=stop),
    )


def kept(run: Run, column: int) -> np.ndarray:
    """Return one column of what was kept along the run."""
    return run.past.kept[: run.past.rows[0], column]


def pack_A(run: Run, p: int) -> np.ndarray:
    """Return a pack's current at each instant kept."""
    return kept(run, COLUMNS + 3 * p)


def switchings(run: Run, k: int | None = None) -> list[tuple[float, bool]]:
    """Return when a threshold switched, and whether it closed again then."""
    log = run.switches.log[: run.switches.logged[0]]
    return [(row[0], bool(row[2])) for row in log if k is None or row[1] == k]
