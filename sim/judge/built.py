"""What is judged of a pack as built: limits by their weakest part, boards, balances."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from sim.integrate.built_look import BEGIN, END, LIMIT, MARGIN, PLACE, Book
from sim.integrate.built_records import Run
from sim.integrate.trace import Spell, Trace
from sim.judge.audit import BALANCE, LEAST_K
from sim.judge.verdict import Verdict, judge
from sim.physics.box import AIR_AND_WALL, FREE_AIR
from sim.physics.built import (
    AT_BUS,
    BOARD,
    CAPACITY_AS,
    CHARGED,
    CHEMICAL,
    CORE,
    COUNT,
    DELIVERED,
    DRAWN,
    FIRST_CELL,
    GROUP_COUNT,
    IN_BOX,
    IN_MODULE,
    JOINT,
    LEAD,
    LINK,
    LINKED,
    MODULE_J_K,
    OHMIC,
    OTHER_HEAT,
    PACK_COUNT,
    PAIRS,
    REVERSIBLE,
    SOC,
    STORED,
    SUN,
    SURFACE,
    TO_AIR,
    TO_OUTSIDE,
    Built,
    State,
)
from sim.physics.limits import Limits

ALIKE = 1e-6  # of what a group holds, up to which groups are alike


@dataclass(frozen=True)
class Placed:
    """A verdict, and where each limit was at its worst: a cell, group or pack, -1 for none."""

    verdict: Verdict
    worst_at: tuple[int, ...]


def spells_of(book: Book) -> tuple[list[Spell], list[int]]:
    """Return the spells in order of time, and the place of each."""
    rows = book.spells[: int(book.counts[0])]
    rows = rows[np.lexsort((rows[:, LIMIT], rows[:, BEGIN]))]
    spells = [
        Spell(int(row[LIMIT]), row[BEGIN], None if math.isnan(row[END]) else row[END], row[MARGIN])
        for row in rows.tolist()
    ]
    return spells, rows[:, PLACE].astype(int).tolist()


def judged(limits: Limits, run: Run) -> tuple[Placed, list[int]]:
    """Return the verdict on a run, and the place of each of its events.

    Raises ArithmeticError where the run left the numbers, heat between neighbours did not settle,
    or limits were crossed more often than there is room to enter.
    """
    if not run.settled:
        raise ArithmeticError("heat between neighbouring cells did not settle: no answer")
    if run.book.counts[0] > len(run.book.spells):
        raise ArithmeticError(
            f"limits are crossed {int(run.book.counts[0])} times, more than the "
            f"{len(run.book.spells)} that a run can tell: no answer"
        )
    spells, where = spells_of(run.book)
    ends = np.array([run.begin.cells.ravel(), run.state.cells.ravel()])
    trace = Trace(
        np.array([0.0, run.end_s]),
        ends,
        np.array([0, 0], dtype=np.intp),
        run.book.worst,
        run.book.worst_s,
        tuple(spells),
        run.end_s,
        run.stopped_by,
        run.steps,
    )
    verdict = judge(limits, run.legs, trace)
    if run.stopped_by is not None:  # the crossing that ends a run may be on the safe side by a hair
        verdict = replace(verdict, passed=False, finished=False)
    return Placed(verdict, tuple(run.book.worst_at.tolist())), where


@dataclass(frozen=True)
class Groups:
    """The charge of every group at one state, (G,); cells that hang on nothing are left out."""

    held_As: np.ndarray
    whole_As: np.ndarray

    @property
    def soc(self) -> np.ndarray:
        """State of charge by capacity."""
        return self.held_As / self.whole_As


def groups_of(built: Built, state: State) -> Groups:
    """Return the charge of every group in `state`; of a group with no cell left, of all its."""
    starts = built.group_at[FIRST_CELL, :-1]
    linked = np.add.reduceat(built.fixed[LINKED], starts) > 0.0
    on = np.where(np.repeat(linked, np.diff(built.group_at[FIRST_CELL])), built.fixed[LINKED], 1.0)
    capacity_As = built.fixed[CAPACITY_AS] * built.fixed[COUNT] * on
    held_As = np.add.reduceat(capacity_As * state.cells[SOC], starts)
    return Groups(held_As, np.add.reduceat(capacity_As, starts))


def group_charge(run: Run) -> np.ndarray:
    """Return the state of charge of every group at the end, by capacity, (G,)."""
    return groups_of(run.built, run.state).soc


@dataclass(frozen=True)
class Stranded:
    """What a pack's groups differ by: which empties first, and what the others hold then."""

    pack: int
    group: int  # of the record, over all packs
    most_As: float  # that any other group still holds as this one is empty
    mean_As: float  # over all groups of the pack


def stranded(run: Run) -> tuple[Stranded, ...]:
    """Return of each pack in use the group that empties first; none where its groups are alike.

    All groups of a pack carry the same current, so what one holds more than another it holds
    more all day: the first to empty is the one that holds the least.
    """
    built, found = run.built, []
    held_As = groups_of(built, run.state).held_As
    for p in np.flatnonzero(built.pack[PACK_COUNT] > 0.0).tolist():
        mine = slice(int(built.pack_at[p]), int(built.pack_at[p + 1]))
        over_As = held_As[mine] - held_As[mine].min()
        if over_As.max() > ALIKE * held_As[mine].max():
            count = built.group[GROUP_COUNT, mine]
            mean_As = float(over_As @ count / count.sum())
            first = mine.start + int(over_As.argmin())
            found.append(Stranded(p, first, float(over_As.max()), mean_As))
    return tuple(found)


def _share(residual: float, *flows: float) -> float:
    greatest = max(abs(flow) for flow in flows)
    return abs(residual) / greatest if greatest > 0.0 else abs(residual)


def balances(run: Run) -> dict[str, float]:
    """Return the residual of every balance as a share of what flowed, the worst pack's."""
    built = run.built
    before, after, sums = run.begin.cells, run.state.cells, run.state.sums
    weight = built.fixed[COUNT] * np.repeat(
        built.group[GROUP_COUNT], np.diff(built.group_at[FIRST_CELL])
    )
    cell_J_K = built.cell.core_J_K, built.cell.surface_J_K
    warmed_J = weight * (
        cell_J_K[0] * (after[CORE] - before[CORE])
        + cell_J_K[1] * (after[SURFACE] - before[SURFACE])
    )
    moved_As = built.fixed[COUNT] * built.fixed[CAPACITY_AS] * (before[SOC] - after[SOC])
    group_As = np.add.reduceat(moved_As, built.group_at[FIRST_CELL, :-1])
    least_J = LEAST_K * sum(cell_J_K) * float(weight.sum())
    found: dict[str, float] = {}
    packs = len(built.pack_at) - 1
    # Over a day that is charged again the net is next to nothing; what went to and fro is not.
    through_J = (abs(run.state.box_sums[DELIVERED]) + run.state.box_sums[CHARGED]) / packs
    for p in range(packs):
        mine = slice(built.pack_at[p], built.pack_at[p + 1])
        cells = slice(built.group_at[FIRST_CELL, mine.start], built.group_at[FIRST_CELL, mine.stop])
        row = sums[p]
        whole_As = float((built.fixed[COUNT] * built.fixed[CAPACITY_AS])[cells].sum())
        lost_J = row[[OHMIC, PAIRS, REVERSIBLE, JOINT, LINK, LEAD, BOARD]].sum() + row[STORED]
        made_J = row[[OHMIC, PAIRS, REVERSIBLE, JOINT]].sum()
        kept_J = float(warmed_J[cells].sum())
        scale_As = 0.01 * whole_As / max(mine.stop - mine.start, 1)
        for name, value in {
            "charge_of_every_group_against_its_packs": max(
                _share(g - row[DRAWN], scale_As, row[DRAWN]) for g in group_As[mine]
            ),
            "chemical_against_bus_and_losses": _share(
                row[CHEMICAL] - row[AT_BUS] - lost_J,
                row[CHEMICAL],
                row[AT_BUS],
                least_J,
                through_J,
            ),
            "heat_made_against_stored_and_lost": _share(
                made_J - kept_J - row[TO_AIR], made_J, kept_J, row[TO_AIR], least_J
            ),
        }.items():
            found[name] = max(found.get(name, 0.0), float(value))
    found["box_heat_in_against_stored_and_lost"] = _box_balance(run, least_J)
    bus_J = float(built.pack[PACK_COUNT] @ sums[:, AT_BUS])
    box_sums = run.state.box_sums
    found["packs_against_bus"] = _share(
        bus_J - box_sums[DELIVERED] + box_sums[CHARGED], bus_J, box_sums[DELIVERED], least_J
    )
    return found


def _box_balance(run: Run, least_J: float) -> float:
    built, sums, box_sums = run.built, run.state.sums, run.state.box_sums
    count, packs = built.pack[PACK_COUNT], len(built.pack_at) - 1
    in_J = float(count @ (sums[:, TO_AIR] + sums[:, IN_MODULE]))
    in_J += box_sums[IN_BOX] + box_sums[SUN] + box_sums[OTHER_HEAT]
    changed_K = run.state.airs_K - run.begin.airs_K
    kept_J = float((count * built.pack[MODULE_J_K]) @ changed_K[:packs])
    if built.box.kind != FREE_AIR:
        kept_J += built.box.air_J_K * changed_K[packs]
    if built.box.kind == AIR_AND_WALL:
        kept_J += built.box.wall_J_K * changed_K[packs + 1]
    return _share(in_J - kept_J - box_sums[TO_OUTSIDE], in_J, kept_J, box_sums[TO_OUTSIDE], least_J)


def complaints(found: dict[str, float]) -> list[str]:
    """Return one sentence for each balance that does not close."""
    return [
        f"the balance '{name.replace('_', ' ')}' is off by {residual:.2g} of what flowed"
        for name, residual in found.items()
        if not residual <= BALANCE
    ]
