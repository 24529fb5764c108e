"""From a checked case to the records of the pack as it is built."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs
from sim.errors import InputError
from sim.files.built_cells import Places, Resolved, resolved
from sim.files.built_day import day_of
from sim.files.built_levels import SIDES, thresholds_of
from sim.files.built_schema import NARROW_MM
from sim.files.case import Case
from sim.files.layout import across_gap_W_K
from sim.files.scenario_schema import ScenarioTable
from sim.files.sensors import sensors_of
from sim.integrate.built_march import Day
from sim.physics.board import Thresholds
from sim.physics.built import (
    BOARD_DROP_V,
    BOARD_OHM,
    FELT,
    FIXED,
    LEAD_OHM,
    MODULE_J_K,
    MODULE_W_K,
    PACK_COUNT,
    Built,
    State,
    at_rest,
)
from sim.units import MILLI, ZERO_C_K

TABLES = ("spread", "fault", "busbar", "layout", "controller", "board", "sensor", "unit", "charger")
MOST_CELLS = 20_000
MOST_NAMED = 6  # sensors in one sentence
SIDES_OF_WARMTH, WAYS = ("hot", "cold"), ("discharge", "charge")


@dataclass(frozen=True)
class BuiltCase:
    """A case with its packs as built."""

    case: Case
    built: Built
    places: Places
    thresholds: dict[str, Thresholds]  # by side of the tolerance, see SIDES
    owners: tuple[str, ...]  # of the thresholds, in words
    legs: Legs
    day: Day
    start: State
    assumptions: tuple[str, ...]
    notes: tuple[str, ...]


def is_built(scenario: ScenarioTable) -> bool:
    """Return whether a scenario says anything of the pack as it is built."""
    return any(getattr(scenario, name) is not None for name in TABLES)


def built_case(case: Case) -> BuiltCase:
    """Return the records of the packs of `case` as built; raise InputError where they can't be."""
    cells = resolved(case)
    if cells.fixed.shape[1] > MOST_CELLS:
        raise InputError(
            f"{case.path}: {cells.fixed.shape[1]} cells one by one; accepted: up to {MOST_CELLS}"
        )
    cells.fixed[FELT, sensors_of(case, cells.places)] = 1.0
    built = Built(
        cell=case.plant.cell,
        film=case.plant.film,
        box=case.plant.box,
        fixed=cells.fixed,
        neighbour=cells.neighbour,
        neighbour_W_K=cells.neighbour_W_K,
        group=cells.group,
        group_at=cells.group_at,
        pack=_packs(case),
        pack_at=cells.pack_at,
    )
    levels = {side: thresholds_of(case, side) for side in SIDES}
    legs, day, notes = day_of(case)
    return BuiltCase(
        case,
        built,
        cells.places,
        {side: found[0] for side, found in levels.items()},
        levels["stated"][1],
        legs,
        day,
        _start(case, built, cells),
        tuple(_assumptions(case, cells)),
        tuple(notes),
    )


def _packs(case: Case) -> NDArray[np.float64]:
    scenario = case.scenario
    out = np.zeros((6, scenario.pack.packs))
    out[PACK_COUNT], out[LEAD_OHM] = 1.0, case.plant.pack.lead_ohm
    if scenario.board is not None:
        out[BOARD_OHM] = scenario.board.resistance_mohm * MILLI
        out[BOARD_DROP_V] = scenario.board.drop_V
    layout = scenario.layout
    if layout is not None and layout.module_heat_capacity_J_K is not None:
        assert layout.module_conductance_W_K is not None  # the schema asks for both
        out[MODULE_J_K] = layout.module_heat_capacity_J_K
        out[MODULE_W_K] = layout.module_conductance_W_K
    for unit in scenario.unit or []:
        if unit.lead_mohm is not None:
            out[LEAD_OHM, unit.pack - 1] = unit.lead_mohm * MILLI
        if unit.out:
            out[PACK_COUNT, unit.pack - 1] = 0.0
    if not out[PACK_COUNT].any():
        raise InputError(f"{case.path}: every [[unit]] is out, so there is no pack")
    return out


def _start(case: Case, built: Built, cells: Resolved) -> State:
    """Return the state at the start, each pack's own where [[unit]] says so."""
    soc = np.full(built.fixed.shape[1], case.start[0]) + cells.off_charge
    core_K = np.full(built.fixed.shape[1], case.start[1])
    pack_of = cells.places.pack
    for unit in case.scenario.unit or []:
        mine = pack_of == unit.pack - 1
        if unit.charge_percent is not None:
            soc[mine] = unit.charge_percent / 100.0 + cells.off_charge[mine]
        if unit.cell_C is not None:
            core_K[mine] = unit.cell_C + ZERO_C_K
    listed = np.isfinite(cells.listed_charge)
    soc[listed] = cells.listed_charge[listed]
    # Full is the most that there is: scatter about a full start makes cells less full.
    return at_rest(built, np.clip(soc, 0.0, 1.0), core_K, float(case.start[3]))


def _assumptions(case: Case, cells: Resolved) -> list[str]:
    scenario, said = case.scenario, list(cells.assumptions)
    spread, layout = scenario.spread, scenario.layout
    if cells.fixed.shape == (FIXED, scenario.pack.packs) and spread is None:
        said.append("all cells of a pack are identical and equally cooled")
    if spread is not None and spread.charge_percent and case.start[0] >= 1.0:
        said.append("scatter of charge about a full start makes groups less full, never fuller")
    if layout is None:
        said.append("every cell is cooled alike, wherever it stands ([layout] is left out)")
    elif layout.between_share:
        said.append(
            f"between cells air carries {100.0 * layout.between_share:.0f} % of what it carries "
            "from a free side ([layout] between_share; assumed unless measured)"
        )
    said += _of_gaps(case)
    if layout is not None and layout.model == "places":
        said.append(
            "three places, centre, edge and corner, stand for all cells and hand each other no "
            "heat: the hottest comes out too hot rather than too cool, to 0.1 % of its rise"
        )
    said += _felt(case, cells)
    if scenario.busbar is None:
        said.append("busbars within a group have no resistance ([busbar] is left out)")
    return said


def _of_gaps(case: Case) -> list[str]:
    """Return what is taken for granted of the gaps between cells, where the layout names them."""
    layout = case.scenario.layout
    if layout is None or layout.gap_mm is None:
        return []
    said = []
    if layout.model == "resolved":
        across_W_K = across_gap_W_K(layout, case.profile, case.scenario.cooling)
        said.append(
            f"across a gap of {layout.gap_mm:g} mm still air and radiation hand a neighbour "
            f"{1e3 * across_W_K:.2g} mW/K beside the holder's {1e3 * layout.neighbour_W_K:.3g}: a "
            "lower estimate, of air at 0 C and of the sides that face each other"
        )
    if layout.between_share:
        said.append(
            f"in gaps up to {NARROW_MM:g} mm air may hardly move, and no tested formula tells how "
            "much heat it still carries off: between_share stays the same whatever gap_mm is"
        )
    return said


def _felt(case: Case, cells: Resolved) -> list[str]:
    """Return what board, controller and charger feel of the warmth of cells, in words."""
    felt = np.flatnonzero(cells.fixed[FELT] > 0.0)
    if not _looks_at_warmth(case):
        vain = "no board, controller or charger acts on warmth, so no [[sensor]] is felt by any"
        return [vain] if len(felt) else []
    if not len(felt):
        return [
            "board, controller and charger see the hottest and the coldest cell as they are; a "
            "sensor elsewhere, or on a cell's skin, sees less"
        ]
    packs, count = case.scenario.pack.packs, len(felt)
    named = [cells.places.name(int(cell), packs) for cell in felt[:MOST_NAMED]]
    more = f" and {count - MOST_NAMED} more" if count > MOST_NAMED else ""
    sides = "the side of 1 cell" if count == 1 else f"the sides of {count} cells"
    return [
        f"board, controller and charger feel {sides} ({', '.join(named)}{more}), with no lag, and "
        "no core: limits are judged by every core, felt or not"
    ]


def _looks_at_warmth(case: Case) -> bool:
    """Return whether anything switches or limits by a cell's temperature."""
    board, controller = case.scenario.board, case.scenario.controller
    by_board = [getattr(board, f"{side}_{way}", None) for side in SIDES_OF_WARMTH for way in WAYS]
    by_controller = controller is not None and (
        controller.over_core_C
        or controller.hot_off_C is not None
        or controller.cold_off_C is not None
    )
    return bool(any(by_board) or by_controller or case.scenario.charger is not None)
