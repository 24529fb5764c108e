"""A pack as built once more, as plain rates of change for a general integrator.

Written apart from the march: the same functions of one cell and one film, and all between them
(shared voltages, ladders, packs on a bus, controller, charger, heat) solved here in arrays. Boards
are as they stood: it is asked only where nothing switches.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_banded
from scipy.optimize import brentq

from sim.physics.box import AIR_AND_WALL, FREE_AIR, box_rates
from sim.physics.built import (
    BOARD_OHM,
    CAPACITY_AS,
    CORE,
    COUNT,
    FIRST_CELL,
    FIRST_OVER,
    GROUP_COUNT,
    INWARD,
    JOINT_OHM,
    LEAD_OHM,
    LINK_OHM,
    LINKED,
    MINUS_AT,
    MODULE_J_K,
    MODULE_W_K,
    OUTWARD,
    PACK_COUNT,
    PLUS_AT,
    SCALE,
    SOC,
    SURFACE,
    Built,
    State,
    sensors_in,
)
from sim.physics.bus import CHARGE, Charger, Controller, Ramp
from sim.physics.cell import CHARGE as ON_CHARGE
from sim.physics.cell import DISCHARGE, Cell, layer, open_circuit, pair
from sim.physics.compiled import compiled_apart
from sim.physics.film import Film, conductance_W_K
from sim.physics.pack import POWER

Floats = NDArray[np.float64]
LEAST_OHM = 1e-9  # of a cell said to have none, as in the march
OPEN_V, SLOPE_V_K, OHMIC_OHM, FIRST_PAIR_AT = range(4)  # rows of what a cell's tables say


class Hangs(NamedTuple):
    """What hangs on the bus during a leg, and which packs' boards let current through."""

    mode: int  # bus.DRIVE or bus.CHARGE
    kind: int  # pack.CURRENT or pack.POWER
    value: float
    charging: bool
    controller: Controller
    charger: Charger
    on_bus: NDArray[np.bool_]  # (P,)


class Seen(NamedTuple):
    """What flows: of every cell, every pack, and the voltages of cells and groups."""

    cell_A: Floats
    cell_V: Floats
    group_V: Floats
    pack_A: Floats
    tables: Floats
    link_W: Floats  # (P,) what busbars lose


@compiled_apart
def _tables(
    cell: Cell, soc: Floats, core_K: Floats, discharging: NDArray[np.bool_], out: Floats
) -> None:
    for c in range(soc.shape[0]):
        out[0, c], out[1, c] = open_circuit(cell, soc[c], core_K[c])
        out[2, c] = layer(cell, soc[c], core_K[c], DISCHARGE if discharging[c] else ON_CHARGE)
        for k in range(len(cell.pairs)):
            out[3 + 2 * k, c], out[4 + 2 * k, c] = pair(cell, soc[c], core_K[c], k)


@compiled_apart
def _films(film: Film, surface_K: Floats, near_K: Floats, out: Floats) -> None:
    for c in range(surface_K.shape[0]):
        out[c] = conductance_W_K(film, surface_K[c], near_K[c])


def _limit_A(ramp: Ramp, x: float, *, inside: bool = False) -> float:
    """Return a table's current at `x`: a line or the lower neighbour; 0 outside if `inside`."""
    if len(ramp.at) == 0:
        return math.inf
    if inside and not ramp.at[0] <= x <= ramp.at[-1]:
        return 0.0
    if ramp.steps:
        low = int(np.searchsorted(ramp.at, x, side="right")) - 1
        ends = ramp.limit_A[[max(low, 0), min(low + 1, len(ramp.at) - 1)]]
        return float(ends[0] if ramp.at[max(low, 0)] == x else ends.min())
    return float(np.interp(x, ramp.at, ramp.limit_A))


class Rates:
    """Right-hand side of a pack as built over one leg, and what can be seen of a state."""

    def __init__(self, built: Built) -> None:
        self.built, fixed = built, built.fixed
        self.n, self.packs = fixed.shape[1], built.pack.shape[1]
        self.pairs = len(built.cell.pairs)
        starts = built.group_at[FIRST_CELL]
        self.first = starts[:-1]
        self.group_of = np.repeat(np.arange(len(starts) - 1), np.diff(starts))
        self.pack_of_group = np.repeat(np.arange(self.packs), np.diff(built.pack_at))
        self.pack_of = self.pack_of_group[self.group_of]
        self.weight = fixed[COUNT] * built.group[GROUP_COUNT, self.group_of]
        self.lumped = built.cell.core_to_surface_W_K == 0.0
        self.ladder = bool(np.any(built.group[LINK_OHM] > 0.0))
        self.discharging = np.ones(self.n, dtype=np.bool_)
        # What guards feel of each pack: the sides of the cells with sensors, or else every core.
        felt = sensors_in(built)
        row, which = (SURFACE, felt) if len(felt) else (CORE, np.arange(self.n))
        self.feels = [(row, which[self.pack_of[which] == p]) for p in range(self.packs)]

    def vector(self, state: State) -> Floats:
        """Return a state as one vector: cells row by row, then modules, box air and wall."""
        return np.concatenate([state.cells.ravel(), state.airs_K])

    def cells(self, y: Floats) -> Floats:
        """Return the cells' rows of a vector."""
        return y[: -(self.packs + 2)].reshape(FIRST_OVER + self.pairs, self.n)

    def _groups(self, source_V: Floats, on_S: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Return E and R of groups, and each cell's rail voltage at rest and per ampere."""
        built, first = self.built, self.first
        if not self.ladder:
            many = built.fixed[COUNT]
            total_S = np.add.reduceat(many * on_S, first)
            open_V = np.add.reduceat(many * on_S * source_V, first) / total_S
            at = self.group_of
            return open_V, 1.0 / total_S, open_V[at], -1.0 / total_S[at]
        link_ohm = built.group[LINK_OHM, self.group_of]
        inner = np.ones(self.n)
        inner[first] = 0.0  # no link to the cell before
        back_S, on_to_S = inner / link_ohm, np.append(inner[1:], 0.0) / link_ohm
        bands = np.zeros((3, self.n))
        bands[0, 1:], bands[2, :-1] = -back_S[1:], -on_to_S[:-1]
        bands[1] = 2.0 * on_S + back_S + on_to_S
        right = np.zeros((self.n, 2))
        right[:, 0] = 2.0 * on_S * source_V
        plus, minus = built.group_at[PLUS_AT, :-1], built.group_at[MINUS_AT, :-1]
        np.add.at(right[:, 1], plus, -1.0)
        np.add.at(right[:, 1], minus, -1.0)
        still, per_A = solve_banded((1, 1), bands, right).T
        across_ohm = 0.5 * built.group[LINK_OHM] * np.abs(plus - minus)
        open_V = 0.5 * (still[plus] + still[minus])
        return open_V, across_ohm - 0.5 * (per_A[plus] + per_A[minus]), still, per_A

    def _bus_A(self, hangs: Hangs, pack_V: Floats, pack_ohm: Floats, groups: Floats,
               hot_cold_K: Floats) -> tuple[float, float]:  # fmt: skip
        """Return the bus's voltage and current; NaN where no pack is on it."""
        on, count = hangs.on_bus, self.built.pack[PACK_COUNT]
        share_S = np.where(on, count / pack_ohm, 0.0)
        path_ohm = 1.0 / share_S.sum()
        source_V = float(share_S @ pack_V) * path_ohm
        if hangs.mode == CHARGE:
            if not hangs.charging:
                return source_V, 0.0
            charger = hangs.charger
            wants = [charger.current_A, (charger.voltage_V - source_V) / path_ohm]
            if charger.power_W < math.inf:  # (E + R I) I = P
                root_V = math.sqrt(source_V**2 + 4.0 * path_ohm * charger.power_W)
                wants.append((root_V - source_V) / (2.0 * path_ohm))
            for p in np.flatnonzero(on):
                own_A = min(_limit_A(charger.over_core_K, t, inside=True) for t in hot_cold_K[p])
                if own_A < math.inf:
                    wants.append((pack_V[p] + pack_ohm[p] * own_A - source_V) / path_ohm)
            into_A = max(min(wants), 0.0)
            return source_V + path_ohm * into_A, -into_A
        wanted_A = hangs.value
        if hangs.kind == POWER:
            room = source_V**2 - 4.0 * path_ohm * hangs.value
            wanted_A = source_V / (2.0 * path_ohm)
            if room >= 0.0:
                wanted_A = 2.0 * hangs.value / (source_V + math.sqrt(room))
        flows_A = self._held(hangs, wanted_A, source_V, path_ohm, pack_V, pack_ohm, groups,
                             hot_cold_K)  # fmt: skip
        return source_V - path_ohm * flows_A, flows_A

    def _held(self, hangs: Hangs, wanted_A: float, source_V: float, path_ohm: float,
              pack_V: Floats, pack_ohm: Floats, groups: Floats, hot_cold_K: Floats,
              ) -> float:  # fmt: skip
        """Return what the controller lets through of a wanted current."""
        own = hangs.controller
        if wanted_A <= 0.0:
            return max(wanted_A, -own.regeneration_A)
        limits_A = [wanted_A, own.discharge_A]
        limits_A += [_limit_A(own.over_core_K, t) for p in np.flatnonzero(hangs.on_bus)
                     for t in hot_cold_K[p]]  # fmt: skip
        most_A = min(limits_A)
        if len(own.over_cell_V.at) == 0:
            return most_A
        ours = hangs.on_bus[self.pack_of_group]

        def beyond_A(flows_A: float) -> float:
            pack_A = (pack_V - (source_V - path_ohm * flows_A)) / pack_ohm
            group_V = groups[0] - groups[1] * pack_A[self.pack_of_group]
            return flows_A - _limit_A(own.over_cell_V, float(group_V[ours].min()))

        if beyond_A(most_A) <= 0.0:
            return most_A
        return float(brentq(beyond_A, 0.0, most_A, xtol=1e-10)) if beyond_A(0.0) < 0.0 else 0.0

    def see(self, y: Floats, hangs: Hangs) -> Seen:
        """Return what flows in a state, the layer of each pack's resistance after its current."""
        built, cells = self.built, self.cells(y)
        out = np.empty((FIRST_PAIR_AT + 2 * self.pairs, self.n))
        hot_cold_K = np.array(
            [[f(cells[row, which]) for f in (np.max, np.min)] for row, which in self.feels]
        )  # fmt: skip
        for _ in range(3):
            _tables(built.cell, cells[SOC], cells[CORE], self.discharging, out)
            out[OHMIC_OHM] *= built.fixed[SCALE]
            source_V = out[OPEN_V] - cells[FIRST_OVER:].sum(axis=0)
            path = np.maximum(out[OHMIC_OHM] + built.fixed[JOINT_OHM], LEAST_OHM)
            on_S = built.fixed[LINKED] / path
            open_V, ohm, still_V, per_A = self._groups(source_V, on_S)
            in_series = built.group[GROUP_COUNT]
            pack_V = np.add.reduceat(in_series * open_V, built.pack_at[:-1])
            pack_ohm = built.pack[LEAD_OHM] + built.pack[BOARD_OHM]
            pack_ohm = pack_ohm + np.add.reduceat(in_series * ohm, built.pack_at[:-1])
            groups = np.array([open_V, ohm])
            bus_V, bus_A = self._bus_A(hangs, pack_V, pack_ohm, groups, hot_cold_K)
            pack_A = np.where(hangs.on_bus, (pack_V - bus_V) / pack_ohm, 0.0)
            if hangs.on_bus.sum() == 1:  # not by a difference of near volts
                pack_A = np.where(hangs.on_bus, bus_A / np.maximum(built.pack[PACK_COUNT], 1), 0.0)
            own_A = pack_A[self.pack_of]
            turned = np.where(own_A == 0.0, self.discharging, own_A > 0.0)
            if np.array_equal(turned, self.discharging):
                break
            self.discharging = turned
        across_V = still_V + per_A * own_A
        cell_A = (source_V - across_V) * on_S
        cell_V = source_V - cell_A * out[OHMIC_OHM]
        link_W = np.zeros(self.packs)
        if self.ladder:
            inside_W = np.add.reduceat(cell_A * across_V, self.first)
            group_W = inside_W - pack_A[self.pack_of_group] * (
                open_V - ohm * pack_A[self.pack_of_group]
            )
            link_W = np.add.reduceat(in_series * group_W, built.pack_at[:-1])
        group_V = open_V - ohm * pack_A[self.pack_of_group]
        return Seen(cell_A, cell_V, group_V, pack_A, out, link_W)

    def __call__(self, y: Floats, hangs: Hangs, ambient_K: float, sun_W: float) -> Floats:
        """Return the rate of change of every entry of `y`."""
        built, cells, airs_K = self.built, self.cells(y), y[-(self.packs + 2) :].copy()
        seen = self.see(y, hangs)
        if built.box.kind == FREE_AIR:
            airs_K[self.packs] = ambient_K
        modules = built.pack[MODULE_J_K] > 0.0
        module_K = np.where(modules, airs_K[: self.packs], airs_K[self.packs])
        rate, out_W = self._cell_rates(cells, seen, module_K, float(airs_K[self.packs]))
        air_rate = np.zeros(self.packs + 2)
        to_module_W = np.bincount(self.pack_of, self.weight * out_W[0], self.packs)
        to_box_W = np.bincount(self.pack_of, self.weight * out_W[1], self.packs)
        board_W = seen.pack_A**2 * built.pack[BOARD_OHM]
        onward_W = built.pack[MODULE_W_K] * (module_K - airs_K[self.packs])
        kept_W = to_module_W + seen.link_W - onward_W
        air_rate[: self.packs][modules] = kept_W[modules] / built.pack[MODULE_J_K][modules]
        passed_W = np.where(modules, onward_W, seen.link_W + to_module_W)
        in_W = float(built.pack[PACK_COUNT] @ (to_box_W + board_W + passed_W))
        air_K_s, wall_K_s, _ = box_rates(
            built.box, in_W, airs_K[self.packs], airs_K[self.packs + 1], ambient_K, sun_W
        )
        if built.box.kind != FREE_AIR:
            air_rate[self.packs] = air_K_s
        if built.box.kind == AIR_AND_WALL:
            air_rate[self.packs + 1] = wall_K_s
        return np.concatenate([rate.ravel(), air_rate])

    def _cell_rates(self, cells: Floats, seen: Seen, module_K: Floats, box_K: float,
                    ) -> tuple[Floats, Floats]:  # fmt: skip
        """Return the rates of every cell's entries, and its heat to module and box air [W]."""
        built, fixed = self.built, self.built.fixed
        cell_A, tables = seen.cell_A, seen.tables
        rate = np.empty_like(cells)
        rate[SOC] = -cell_A / fixed[CAPACITY_AS]
        heat_W = cell_A**2 * tables[OHMIC_OHM] - cell_A * cells[CORE] * tables[SLOPE_V_K]
        for k in range(self.pairs):
            pair_ohm = tables[FIRST_PAIR_AT + 2 * k] * fixed[SCALE]
            over_V = cells[FIRST_OVER + k]
            rate[FIRST_OVER + k] = (cell_A * pair_ohm - over_V) / tables[FIRST_PAIR_AT + 2 * k + 1]
            heat_W = heat_W + over_V**2 / pair_ohm
        own_K = module_K[self.pack_of]
        film_W_K = np.empty(self.n)
        _films(
            built.film, np.ascontiguousarray(cells[SURFACE]),
            np.where(fixed[INWARD] > 0.0, own_K, box_K), film_W_K,
        )  # fmt: skip
        in_W = film_W_K * fixed[INWARD] * (cells[SURFACE] - own_K)
        out_W = film_W_K * fixed[OUTWARD] * (cells[SURFACE] - box_K)
        gone_W = in_W + out_W
        for k in range(built.neighbour.shape[1]):
            other = built.neighbour[:, k]
            to_K = np.where(other >= 0, cells[SURFACE, other], cells[SURFACE])
            gone_W = gone_W + built.neighbour_W_K[:, k] * (cells[SURFACE] - to_K)
        joint_W = cell_A**2 * fixed[JOINT_OHM]
        if self.lumped:
            both_J_K = built.cell.core_J_K + built.cell.surface_J_K
            rate[CORE] = rate[SURFACE] = (heat_W + joint_W - gone_W) / both_J_K
        else:
            over_W = built.cell.core_to_surface_W_K * (cells[CORE] - cells[SURFACE])
            rate[CORE] = (heat_W - over_W) / built.cell.core_J_K
            rate[SURFACE] = (over_W + joint_W - gone_W) / built.cell.surface_J_K
        return rate, np.array([in_W, out_W])
