"""What is told of the cells, groups and packs of a pack as built, beside its limits."""

from __future__ import annotations

import numpy as np

from sim.ask.built import BuiltResult
from sim.ask.built_boards import BoardAnswer
from sim.files.built_case import BuiltCase
from sim.integrate.built_look import LOWEST_CORE_K, LOWEST_V, PEAK_A, PEAK_CORE_K
from sim.integrate.built_records import (
    AMBIENT_K,
    COLUMNS,
    CORE_HOT_K,
    GROUP_HIGH_V,
    GROUP_LOW_V,
    SOC_HIGH,
    SOC_LOW,
    TIME,
)
from sim.judge.built import Stranded, groups_of, stranded
from sim.physics.built import AT_BUS, FIRST_CELL, PACK_COUNT, sensors_in
from sim.show.lines import at, number
from sim.units import SECONDS_PER_HOUR, ZERO_C_K

LEAST_TOLD_K = 0.05
PLACES_SHARE = 1e-3  # of the rise, to which three places bracket a module (test_built_places.py)


def group_name(case: BuiltCase, group: int) -> str:
    """Return "group 3", with the pack where there are several; `group` counts over the record."""
    first = int(case.built.group_at[FIRST_CELL, group])
    own = f"group {case.places.group[first] + 1}"
    packs = case.built.pack.shape[1]
    return f"{own} of pack {case.places.pack[first] + 1}" if packs > 1 else own


def group_of(case: BuiltCase, cell: int) -> int:
    """Return the group of the record that a cell of the record is in."""
    return int(np.searchsorted(case.built.group_at[FIRST_CELL], cell, side="right")) - 1


def told_pack(result: BuiltResult) -> list[str]:
    """Return the spread over cells and groups: hottest, hardest worked, weakest, first to empty."""
    peaks, case = result.run.book.extremes, result.built_case
    peak_C = peaks[PEAK_CORE_K] - ZERO_C_K
    hottest, coolest = int(peak_C.argmax()), int(peak_C.argmin())
    packs = case.built.pack.shape[1]
    if case.built.fixed.shape[1] == packs:
        return ["every cell of a pack alike"]
    hardest, weakest = int(peaks[PEAK_A].argmax()), int(peaks[LOWEST_V].argmin())
    return [
        f"peaks from {peak_C[coolest]:z.1f} C ({case.places.name(coolest, packs)}) to "
        f"{peak_C[hottest]:z.1f} C ({case.places.name(hottest, packs)}); hardest worked "
        f"{case.places.name(hardest, packs)} with {peaks[PEAK_A, hardest]:.1f} A; weakest "
        f"{group_name(case, group_of(case, weakest))} ({case.places.name(weakest, packs)} with "
        f"{peaks[LOWEST_V, weakest]:.2f} V)"
    ]


def told_groups(result: BuiltResult) -> list[str]:
    """Return how far groups lie apart and when, and which empties first and strands what."""
    case, kept = result.built_case, result.kept
    if case.built.group.shape[1] == case.built.pack.shape[1] == 1:
        return []
    apart, apart_V = kept[:, SOC_HIGH] - kept[:, SOC_LOW], kept[:, GROUP_HIGH_V]
    apart_V = apart_V - kept[:, GROUP_LOW_V]
    most, most_V = int(apart.argmax()), int(apart_V.argmax())
    lines = []
    if apart[most] >= 5e-4:
        lines.append(
            f"charge lies {100.0 * apart[0]:.1f} % apart at the start, "
            f"{100.0 * apart[most]:.1f} % at most ({at(result.case, kept[most, TIME])}), "
            f"{100.0 * apart[-1]:.1f} % at the end; voltage at most {apart_V[most_V]:.3f} V "
            f"({at(result.case, kept[most_V, TIME])})"
        )
    lines += [_first_empty(result, one) for one in stranded(result.run)]
    return lines


def _first_empty(result: BuiltResult, one: Stranded) -> str:
    whole_As = groups_of(result.run.built, result.run.state).whole_As.max()
    return (
        f"{group_name(result.built_case, one.group)} empties first: the others hold up to "
        f"{one.most_As / SECONDS_PER_HOUR:.2f} Ah then ({100.0 * one.most_As / whole_As:.1f} %; "
        f"{one.mean_As / SECONDS_PER_HOUR:.2f} Ah on the mean), which it strands"
    )


def told_places(result: BuiltResult) -> list[str]:
    """Return by how much three places bracket the module, or are taken to."""
    layout, found = result.case.scenario.layout, result.bracket
    if layout is None or (found is None and layout.model == "resolved"):
        return []
    if found is None:
        rise_K = float(result.kept[:, CORE_HOT_K].max() - result.kept[:, AMBIENT_K].min())
        return [
            "the hottest place is hotter and the coolest cooler than any cell one by one, to "
            f"within {PLACES_SHARE * rise_K:.2f} K (0.1 % of the rise above the coldest air); "
            'model = "resolved" marches every cell'
        ]
    ends = f"{number(found.coolest_C, 'K')} to {number(found.hottest_C, 'K')}"
    over = f"{abs(found.above_K):.2f} K {'over' if found.above_K >= 0.0 else 'UNDER'} the hottest"
    under = f"{abs(found.below_K):.2f} K {'under' if found.below_K >= 0.0 else 'OVER'} the coolest"
    why = "" if found.only_places else ", and know nothing of what else differs from cell to cell"
    said = f"three places would give peaks of {ends}: {over} cell, {under}{why}"
    if not found.brackets:
        said += "; they are no bracket here"
    return [said]


def told_shares(result: BuiltResult) -> list[str]:
    """Return what each of several packs gave, and what flowed as they were joined."""
    built, run = result.built_case.built, result.run
    packs = built.pack.shape[1]
    if packs < 2:
        return []
    kept = result.kept
    said = []
    for p in range(packs):
        if built.pack[PACK_COUNT, p] == 0.0:
            said.append(f"pack {p + 1} is out")
            continue
        current_A = kept[:, COLUMNS + 3 * p]
        given_Wh = run.state.sums[p, AT_BUS] / SECONDS_PER_HOUR
        net = "net of charging and what packs pass each other" if np.any(current_A < 0.0) else "out"
        said.append(
            f"pack {p + 1}: {given_Wh:.0f} Wh {net}, {current_A.min():.1f} to "
            f"{current_A.max():.1f} A, {current_A[0]:.1f} A at the first instant"
        )
    return said


def told_sensors(result: BuiltResult) -> list[str]:
    """Return where the hottest and coldest cell are none that is felt, and by how much so."""
    case, peaks = result.built_case, result.run.book.extremes
    packs, felt, said = case.built.pack.shape[1], sensors_in(case.built), []
    there = np.flatnonzero(case.built.pack[PACK_COUNT, case.places.pack] > 0.0)
    on_sensor = felt[np.isin(felt, there)]
    if not len(on_sensor):
        return []
    for word, row, sign in (("hottest", PEAK_CORE_K, 1.0), ("coldest", LOWEST_CORE_K, -1.0)):
        core_K = sign * peaks[row]
        true, own = (int(cells[core_K[cells].argmax()]) for cells in (there, on_sensor))
        off_K = float(core_K[true] - core_K[own])
        if off_K >= LEAST_TOLD_K:
            said.append(
                f"the {word} cell has none: {case.places.name(true, packs)}, "
                f"{peaks[row, true] - ZERO_C_K:z.1f} C; the {word} that has one is "
                f"{case.places.name(own, packs)}, {peaks[row, own] - ZERO_C_K:z.1f} C, "
                f"{off_K:.1f} K {'below' if sign > 0.0 else 'above'} (cores, each at its worst)"
            )
    return said


def told_boards(result: BuiltResult) -> list[str]:
    """Return a line a threshold that may do something, and one for all that won't."""
    quiet = [b.owner for b in result.boards if b.answer == "will not" and not b.trips]
    lines = [_board(result, b) for b in result.boards if b.owner not in quiet]
    if len(quiet) == 1:
        lines.append(f"{quiet[0]}: will not trip")
    elif quiet:
        lines.append(f"will not trip: {', '.join(quiet)}")
    return lines


def _board(result: BuiltResult, board: BoardAnswer) -> str:
    said = f"{board.owner}: {board.answer} trip"
    if board.first_s is not None:
        said += f", first {at(result.case, board.first_s)}"
    if board.breaks:
        said += f"; breaks the current {board.breaks} time{'s' if board.breaks > 1 else ''}"
    if board.trips > board.breaks:
        times = "once" if board.trips == 1 else f"{board.trips} times"
        said += f"; shut {times} in all" if board.breaks else f"; shut {times} while nothing flowed"
    return f"{said}; it chatters" if board.chatters else said
