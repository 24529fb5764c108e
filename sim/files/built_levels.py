"""Thresholds of board, charger and controller as compiled code reads them."""

from __future__ import annotations

import numpy as np

from sim.files.built_schema import BoardTable, Threshold
from sim.files.case import Case
from sim.physics.board import (
    CHARGE_A,
    CHARGE_PATH,
    CHARGER,
    COLDEST_K,
    DISCHARGE_A,
    DISCHARGE_PATH,
    DRIVE,
    HIGHEST_GROUP_V,
    HOTTEST_K,
    LOWEST_GROUP_V,
    Thresholds,
)
from sim.units import ZERO_C_K

SIDES = ("early", "stated", "late")  # of a level's tolerance
ALL_PACKS = -1
HAIR = 1e-9  # of a level: what stands on an end of its tolerance may trip
# Of each threshold of a board: what it looks at, whether it trips above, what it opens.
BOARD = {
    "under_voltage": (LOWEST_GROUP_V, False, DISCHARGE_PATH),
    "over_voltage": (HIGHEST_GROUP_V, True, CHARGE_PATH),
    "over_current": (DISCHARGE_A, True, DISCHARGE_PATH),
    "charge_over_current": (CHARGE_A, True, CHARGE_PATH),
    "hot_discharge": (HOTTEST_K, True, DISCHARGE_PATH),
    "cold_discharge": (COLDEST_K, False, DISCHARGE_PATH),
    "hot_charge": (HOTTEST_K, True, CHARGE_PATH),
    "cold_charge": (COLDEST_K, False, CHARGE_PATH),
}
IN_KELVIN = (HOTTEST_K, COLDEST_K)


class _List:
    """Collects thresholds."""

    def __init__(self) -> None:
        self.rows: list[tuple[float, ...]] = []
        self.owners: list[str] = []

    def add(
        self, owner: str, pack: int, what: tuple[int, bool, int], one: Threshold, side: str
    ) -> None:
        """Add one threshold, its level at a side of its tolerance."""
        quantity, above, opens = what
        tolerance = one.tolerance + (HAIR * abs(one.trip) if one.tolerance > 0.0 else 0.0)
        off = {"early": -1.0, "stated": 0.0, "late": 1.0}[side] * tolerance
        zero = ZERO_C_K if quantity in IN_KELVIN else 0.0
        trip = one.trip + zero + (off if above else -off)
        release = trip if one.release is None else one.release + zero
        self.owners.append(owner)
        self.rows.append(
            (
                pack, quantity, 1.0 if above else -1.0, trip, release, one.delay_s,
                one.hold_off_s, one.latches, opens,
            )
        )  # fmt: skip

    def gap(
        self,
        owner: str,
        pack: int,
        above: bool,
        off_C: float | None,
        on_C: float | None,
        opens: int,
    ) -> None:
        """Add a temperature lock-out, where there is one."""
        if off_C is None:
            return
        one = Threshold(trip=off_C, release=on_C, latch=False)
        self.add(owner, pack, (HOTTEST_K if above else COLDEST_K, above, opens), one, "stated")


def _of_board(table: BoardTable | None, found: _List, pack: int, of: str, side: str) -> None:
    for name, what in BOARD.items():
        one = getattr(table, name, None)
        if one is not None:
            found.add(f"board {name.replace('_', ' ')}{of}", pack, what, one, side)


def _of_charger(case: Case, found: _List, pack: int, of: str) -> None:
    """Add the lock-outs of the charger; hot above the cell's own limit where none is given."""
    charger = case.scenario.charger
    if charger is None:
        return
    hot_C = charger.hot_off_C
    if hot_C is None:
        hot_C = case.limits.charge_core_max_K - ZERO_C_K
    cold_C = (charger.cold_off_C, charger.cold_on_C)
    found.gap(f"charger cold lock-out{of}", pack, False, *cold_C, CHARGER)
    found.gap(f"charger hot lock-out{of}", pack, True, hot_C, charger.hot_on_C, CHARGER)


def thresholds_of(case: Case, side: str) -> tuple[Thresholds, tuple[str, ...]]:
    """Return all thresholds, at one of `SIDES` of their tolerances, and whose they are."""
    scenario, found = case.scenario, _List()
    for p in range(scenario.pack.packs):
        of = f" of pack {p + 1}" if scenario.pack.packs > 1 else ""
        _of_board(scenario.board, found, p, of, side)
        _of_charger(case, found, p, of)
    if scenario.controller is not None:
        own = scenario.controller
        found.gap("controller hot cut-out", ALL_PACKS, True, own.hot_off_C, own.hot_on_C, DRIVE)
        found.gap("controller cold cut-out", ALL_PACKS, False, own.cold_off_C, own.cold_on_C, DRIVE)
    columns = [np.array(c, dtype=float) for c in zip(*found.rows, strict=True)] or [
        np.zeros(0) for _ in range(9)
    ]
    pack, quantity, sign, trip, release, delay_s, hold_off_s, latches, opens = columns
    return (
        Thresholds(
            pack.astype(np.intp),
            quantity.astype(np.intp),
            sign,
            trip,
            release,
            delay_s,
            hold_off_s,
            latches.astype(bool),
            opens.astype(np.intp),
        ),
        tuple(found.owners),
    )
