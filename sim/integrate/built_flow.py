"""Who carries what: from the cells' states to the current of every cell, pack and bus.

Cells become sources, groups and packs of them sources again; what hangs on the bus says how much
flows; and down the same way every cell gets its share. Limits that depend on what they limit (a
ramp over voltage) are solved, not lagged.
"""

from __future__ import annotations

import math
from typing import NamedTuple

from sim.integrate.built_share import share_out
from sim.integrate.built_source import turn_about
from sim.integrate.built_work import (
    CONDUCTANCE_S,
    DISCHARGING,
    END_CELL,
    GROUP_OHM,
    GROUP_V,
    JUMP_OHM,
    LIMIT_A,
    PACK_A,
    PACK_OHM,
    PACK_V,
    PER_A_OHM,
    SOURCE_V,
    STILL_V,
    TAKES_PART,
    WHOLE_AS,
)  # fmt: skip
from sim.physics.board import (
    CHARGER_ON,
    COLDEST_K,
    DRIVE_ON,
    HOTTEST_K,
    MAY_CHARGE,
    MAY_DISCHARGE,
)
from sim.physics.built import (
    BOARD_DROP_V,
    BOARD_OHM,
    COUNT,
    FIRST_CELL,
    GROUP_COUNT,
    LEAD_OHM,
    LINK_OHM,
    MINUS_AT,
    PACK_COUNT,
    PLUS_AT,
)  # fmt: skip
from sim.physics.bus import (
    CHARGE,
    Charger,
    Controller,
    asked_A,
    charging_V,
    parallel_source,
    ramped_A,
    ramped_inside_A,
)
from sim.physics.compiled import bare_apart, inlined
from sim.physics.group import between_leads, shared_source, solve_ladders
from sim.physics.pack import POWER

SOLVED_A = 1e-9  # to which a limit that hangs on its own effect is found
ROUNDING = 1e-14  # of voltages that are meant to be alike


class Hung(NamedTuple):
    """What hangs on the bus during a leg: a load (value in W or A), or a charger."""

    mode: int  # bus.DRIVE or bus.CHARGE
    kind: int  # pack.CURRENT or pack.POWER
    value: float
    controller: Controller
    charger: Charger


class Bus(NamedTuple):
    """What flows on the bus. `room_W` = greatest power less the power asked, infinite without."""

    voltage_V: float
    current_A: float
    room_W: float
    asked_W: float
    limited: bool  # the controller lets less through than was asked


@inlined
def _group_sources(built, work):
    """Fill what groups are as sources."""
    solve_ladders(work.ladders, work.cells, SOURCE_V, CONDUCTANCE_S, STILL_V, PER_A_OHM)
    for g in range(built.group.shape[1]):
        first, last = built.group_at[FIRST_CELL, g], built.group_at[END_CELL, g]
        if work.groups[WHOLE_AS, g] == 0.0:  # no cell is linked
            open_V, path_ohm = 0.0, math.inf
        elif built.group[LINK_OHM, g] > 0.0:
            open_V, path_ohm = between_leads(
                work.cells, STILL_V, PER_A_OHM, built.group[LINK_OHM, g],
                built.group_at[PLUS_AT, g], built.group_at[MINUS_AT, g],
            )  # fmt: skip
        else:
            open_V, path_ohm = shared_source(
                work.cells[SOURCE_V], work.cells[CONDUCTANCE_S], built.fixed[COUNT], first, last
            )
        work.groups[GROUP_V, g], work.groups[GROUP_OHM, g] = open_V, path_ohm


@inlined
def _pack_sources(built, work):
    """Fill what packs are as sources, groups known."""
    for p in range(built.pack.shape[1]):
        pack_V, pack_ohm = 0.0, built.pack[LEAD_OHM, p] + built.pack[BOARD_OHM, p]
        for g in range(built.pack_at[p], built.pack_at[p + 1]):
            pack_V += built.group[GROUP_COUNT, g] * work.groups[GROUP_V, g]
            pack_ohm += built.group[GROUP_COUNT, g] * work.groups[GROUP_OHM, g]
        if work.flags[MAY_CHARGE, p] and not work.flags[MAY_DISCHARGE, p]:
            pack_V += built.pack[BOARD_DROP_V, p]  # charge passes the open switch's diode
        work.packs[PACK_V, p], work.packs[PACK_OHM, p] = pack_V, pack_ohm


@inlined
def lowest_group_V(built, work, p, pack_A):
    """Return the lowest voltage of a pack's groups [V] while it carries `pack_A`."""
    lowest_V = math.inf
    for g in range(built.pack_at[p], built.pack_at[p + 1]):
        lowest_V = min(lowest_V, work.groups[GROUP_V, g] - work.groups[GROUP_OHM, g] * pack_A)
    return lowest_V


@bare_apart
def _lowest_at(built, work, bus_V):
    """Return the lowest group voltage of all packs that take part, at a bus voltage."""
    lowest_V = math.inf
    for p in range(built.pack.shape[1]):
        if work.flags[TAKES_PART, p] and built.pack[PACK_COUNT, p] > 0.0:
            pack_A = (work.packs[PACK_V, p] - bus_V) / work.packs[PACK_OHM, p]
            lowest_V = min(lowest_V, lowest_group_V(built, work, p, pack_A))
    return lowest_V


@bare_apart
def _under_ramp_A(built, work, ramp, source_V, path_ohm, wanted_A):
    """Return the greatest current up to `wanted_A` that the ramp over cell voltage allows.

    Current lowers voltage, and voltage the limit: I - limit(V(I)) rises with I, so bisection
    finds where it is nothing.
    """
    if wanted_A <= ramped_A(ramp, _lowest_at(built, work, source_V - path_ohm * wanted_A)):
        return wanted_A
    low_A, high_A = 0.0, wanted_A
    while high_A - low_A > SOLVED_A:
        half_A = 0.5 * (low_A + high_A)
        if half_A in (low_A, high_A):
            break
        if half_A <= ramped_A(ramp, _lowest_at(built, work, source_V - path_ohm * half_A)):
            low_A = half_A
        else:
            high_A = half_A
    return low_A


@inlined
def _let_through_A(built, work, hung, source_V, path_ohm, wanted_A):
    """Return what the controller lets through of a wanted current."""
    controller = hung.controller
    if wanted_A <= 0.0:
        return max(wanted_A, -controller.regeneration_A)
    limit_A = controller.discharge_A if work.flags[DRIVE_ON, 0] else 0.0
    if controller.over_core_K.at.shape[0] > 0:
        for p in range(built.pack.shape[1]):
            if work.flags[TAKES_PART, p]:
                limit_A = min(limit_A, ramped_A(controller.over_core_K, work.seen[p, HOTTEST_K]))
                limit_A = min(limit_A, ramped_A(controller.over_core_K, work.seen[p, COLDEST_K]))
    wanted_A = min(wanted_A, limit_A)
    if controller.over_cell_V.at.shape[0] == 0:
        return wanted_A
    return _under_ramp_A(built, work, controller.over_cell_V, source_V, path_ohm, wanted_A)


@inlined
def _charge_limits(work, hung):
    """Fill the charge current that each pack may take for its temperatures [A]."""
    for p in range(work.packs.shape[1]):
        work.packs[LIMIT_A, p] = min(
            ramped_inside_A(hung.charger.over_core_K, work.seen[p, HOTTEST_K]),
            ramped_inside_A(hung.charger.over_core_K, work.seen[p, COLDEST_K]),
        )


@inlined
def _highest_rest_V(built, work):
    """Return the highest open voltage [V] of the packs that there are."""
    rest_V = 0.0
    for p in range(built.pack.shape[1]):
        if built.pack[PACK_COUNT, p] > 0.0:
            rest_V = max(rest_V, work.packs[PACK_V, p])
    return rest_V


@inlined
def _on_bus(built, work, hung, charging, instant):
    """Return the `Bus` with the packs that take part as they are."""
    source_V, path_ohm = parallel_source(
        work.packs[PACK_V], work.packs[PACK_OHM], built.pack[PACK_COUNT], work.flags[TAKES_PART]
    )
    if path_ohm == math.inf:  # no pack is left that could
        wants = hung.mode != CHARGE and hung.value > 0.0
        asked_W = hung.value if wants else 0.0
        if hung.kind != POWER:  # a current is asked at what the packs rest at
            asked_W *= _highest_rest_V(built, work)
        return Bus(0.0, 0.0, -hung.value if wants else math.inf, asked_W, False)
    if charging:
        bus_V = charging_V(
            hung.charger,
            source_V,
            path_ohm,
            work.packs[PACK_V],
            work.packs[PACK_OHM],
            work.packs[LIMIT_A],
            work.flags[TAKES_PART],
        )
        current_A = min((source_V - bus_V) / path_ohm, 0.0)
        return Bus(source_V - path_ohm * current_A, current_A, math.inf, 0.0, False)
    if hung.mode == CHARGE:
        return Bus(source_V, 0.0, math.inf, 0.0, False)
    return _driven(built, work, hung, source_V, path_ohm, instant)


@inlined
def _driven(built, work, hung, source_V, path_ohm, instant):
    """Return the `Bus` with a load on a source."""
    wanted_A, room_W = asked_A(hung.kind, hung.value, source_V, path_ohm)
    current_A = _let_through_A(built, work, hung, source_V, path_ohm, wanted_A)
    asked_W = hung.value
    if instant:
        work.airs[JUMP_OHM] = path_ohm
    if hung.kind != POWER:  # what it would have had there and then, nothing else changed
        jump_V = work.airs[JUMP_OHM] * (wanted_A - current_A)
        asked_W = (source_V - path_ohm * current_A - jump_V) * wanted_A
    limited = abs(current_A) < abs(wanted_A)
    return Bus(source_V - path_ohm * current_A, current_A, room_W, asked_W, limited)


@inlined
def _alone(built, work, hung):
    """Return whether a load hangs on one pack that lets both ways through: all packs alike."""
    if built.pack.shape[1] != 1 or hung.mode == CHARGE:
        return False
    both = work.flags[MAY_DISCHARGE, 0] and work.flags[MAY_CHARGE, 0]
    return both and built.pack[PACK_COUNT, 0] > 0.0 and work.packs[PACK_OHM, 0] < math.inf


@inlined
def _flow_once(built, work, hung, charging, instant):
    """Return the `Bus`, with just those packs on it whose boards let their own current through.

    Which those are hangs on the voltage of the bus: a pack above it would discharge, one below be
    charged. Between one pack's open voltage and the next it is always the same packs; these
    stretches are tried from the top, and the first answer that lies in its own stretch is the
    only one, since all packs together give less the higher the bus. Fills `pack_A`.
    """
    packs, below_V, freely = built.pack.shape[1], math.inf, True
    for p in range(packs):
        both = work.flags[MAY_DISCHARGE, p] and work.flags[MAY_CHARGE, p]
        freely = freely and (both or not _on_hand(built, work, charging, p))
    bus = Bus(0.0, 0.0, math.inf, 0.0, False)
    for _ in range(packs + 1):
        floor_V, some = -math.inf, False
        for p in range(packs):
            lower = work.packs[PACK_V, p] < below_V and not freely
            if lower and _on_hand(built, work, charging, p):
                floor_V = max(floor_V, work.packs[PACK_V, p])
        for p in range(packs):
            way = MAY_DISCHARGE if work.packs[PACK_V, p] >= below_V else MAY_CHARGE
            part = _on_hand(built, work, charging, p) and (freely or work.flags[way, p])
            work.flags[TAKES_PART, p] = part
            some = some or part
        bus = _on_bus(built, work, hung, charging, instant)
        wanted = hung.mode != CHARGE and hung.value > 0.0
        holds = bus.voltage_V >= floor_V and (freely or _lets(built, work, bus))
        if holds if some else not wanted:
            break
        below_V = floor_V
    _pack_currents(built, work, bus)
    return bus


@inlined
def _lets(built, work, bus):
    """Return whether a pack that is alone on the bus lets its current through.

    One too small to move the voltage of the bus shows the way it goes by its sign only.
    """
    alone, way = 0, MAY_DISCHARGE if bus.current_A > 0.0 else MAY_CHARGE
    lets = True
    for p in range(built.pack.shape[1]):
        if work.flags[TAKES_PART, p]:
            alone += 1
            lets = lets and work.flags[way, p]
    return alone != 1 or lets or bus.current_A == 0.0


@inlined
def _on_hand(built, work, charging, p):
    """Return whether a pack could carry anything: it is there, a way is open, it is not refused."""
    either = work.flags[MAY_DISCHARGE, p] or work.flags[MAY_CHARGE, p]
    refused = charging and not work.flags[CHARGER_ON, p]
    there = built.pack[PACK_COUNT, p] > 0.0 and work.packs[PACK_OHM, p] < math.inf
    return there and either and not refused


@inlined
def _pack_currents(built, work, bus):
    """Fill `pack_A`; a difference within the rounding of its voltages drives no current."""
    on_it = 0
    for p in range(built.pack.shape[1]):
        on_it += work.flags[TAKES_PART, p]
    for p in range(built.pack.shape[1]):
        work.packs[PACK_A, p] = 0.0
        if not work.flags[TAKES_PART, p]:
            continue
        if on_it == 1:
            work.packs[PACK_A, p] = bus.current_A / built.pack[PACK_COUNT, p]
            continue
        over_V = work.packs[PACK_V, p] - bus.voltage_V
        if abs(over_V) > ROUNDING * abs(bus.voltage_V):
            work.packs[PACK_A, p] = over_V / work.packs[PACK_OHM, p]


@inlined
def flow(built, work, state, hung, charging, instant, felt):
    """Return the `Bus` for the cells as the sources that they are, and fill all currents.

    At an `instant` they are sources as `state` stands, else over a step, as in its middle. Which
    layer of the resistance table a pack's cells use follows the pack's own current, so that is
    tried again where it turned out the other way. What groups are is known where a state is
    `felt`: looked at before. Also returns whether cells are left as the sources that they are.
    """
    packs, turned = built.pack.shape[1], False
    bus = Bus(0.0, 0.0, 0.0, 0.0, False)
    if charging:
        _charge_limits(work, hung)
    for tried in range(3):
        if tried > 0 or not felt:
            _group_sources(built, work)
        _pack_sources(built, work)
        if _alone(built, work, hung):  # nothing to find out
            work.flags[TAKES_PART, 0] = True
            path_ohm = work.packs[PACK_OHM, 0] / built.pack[PACK_COUNT, 0]
            bus = _driven(built, work, hung, work.packs[PACK_V, 0], path_ohm, instant)
            work.packs[PACK_A, 0] = bus.current_A / built.pack[PACK_COUNT, 0]
        else:
            bus = _flow_once(built, work, hung, charging, instant)
        turned = False
        for p in range(packs):
            pack_A = work.packs[PACK_A, p]
            wrong = pack_A < 0.0 if work.flags[DISCHARGING, p] else pack_A > 0.0
            turned = turned or wrong
            if wrong:
                work.flags[DISCHARGING, p] = not work.flags[DISCHARGING, p]
            if wrong and tried < 2:
                turn_about(built, work, state, p, instant)
        if not turned:
            break
    share_out(built, work)
    return bus, not turned
