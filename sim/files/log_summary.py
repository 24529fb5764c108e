"""What a log amounts to: its time, its gaps, charge, energy, extremes, and what it shows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.files.headers import Note
from sim.files.log_columns import LogTable, counter_Ah
from sim.files.log_findings import (
    Flags,
    LogFinding,
    idle,
    idle_offset,
    open_joints,
    sense_connection,
)
from sim.files.log_heating import SPECIFIC_HEAT_J_kgK, column_lag, unexplained_heating
from sim.files.suspicions import direction, gap_rows
from sim.units import SECONDS_PER_HOUR

Floats = NDArray[np.float64]
COUNTER_SHARE = 0.02  # of the charge; a tester's two channels agree better


@dataclass(frozen=True)
class Gap:
    """A pause in a regular record: from the row on `line`, whose values hold over it."""

    line: int
    start_s: float
    length_s: float
    charge_Ah: float | None


@dataclass(frozen=True)
class Amount:
    """What flowed out of and into a pack; `straight` is the net by straight lines between rows."""

    out: float
    back: float
    straight: float
    in_gaps: float

    @property
    def net(self) -> float:
        """Out less in."""
        return self.out - self.back


@dataclass(frozen=True)
class LogSummary:
    """A log as understood. Charge in Ah and energy in Wh, None where the log has neither.

    `energy_by` says what the energy was made from.
    """

    log: LogTable
    gaps: tuple[Gap, ...]
    charge: Amount | None
    energy: Amount | None
    energy_by: str
    findings: tuple[LogFinding, ...]
    notes: tuple[Note, ...]

    @property
    def faults(self) -> tuple[LogFinding, ...]:
        """What is wrong with the pack or its wiring, not with the record."""
        return tuple(finding for finding in self.findings if finding.fault)


def summarise(
    log: LogTable,
    mass_kg: float | None = None,
    heat_J_kgK: float = SPECIFIC_HEAT_J_kgK,
    air_C: float | None = None,
) -> LogSummary:
    """Return what a log amounts to and shows; `air_C` stands in for a column of the air."""
    time_s, lines, current_A = log.table.time_s, log.table.lines, log.current_A
    pauses = gap_rows(time_s)
    charge = None if current_A is None else _amount(time_s, current_A, pauses)
    energy, by = _energy(log, current_A, pauses)
    steps_s = np.diff(time_s)
    gaps = tuple(
        Gap(
            int(lines[i]),
            float(time_s[i]),
            float(steps_s[i]),
            None if current_A is None else float(current_A[i] * steps_s[i]) / SECONDS_PER_HOUR,
        )
        for i in pauses.tolist()
    )
    found = _findings(log, current_A, mass_kg, heat_J_kgK, air_C)
    counter = None if charge is None else _counter(log, charge)
    found += [] if counter is None else [counter]
    return LogSummary(log, gaps, charge, energy, by, tuple(found), log.table.notes)


def _amount(time_s: Floats, values: Floats, pauses: NDArray[np.intp]) -> Amount:
    """Return the sums over the hours of values that hold until the next row."""
    steps_h = np.diff(time_s) / SECONDS_PER_HOUR
    held = values[:-1] * steps_h
    return Amount(
        out=float(np.sum(held[held > 0.0])),
        back=-float(np.sum(held[held < 0.0])) + 0.0,
        straight=float(np.sum(0.5 * (values[1:] + values[:-1]) * steps_h)),
        in_gaps=float(np.sum(held[pauses])),
    )


def _energy(
    log: LogTable, current_A: Floats | None, pauses: NDArray[np.intp]
) -> tuple[Amount | None, str]:
    time_s, voltage_V = log.table.time_s, log.pack_V
    if log.load is not None and log.load.quantity == "power":
        return _amount(time_s, log.load.values, pauses), f"'{log.load.header}'"
    if current_A is None or voltage_V is None or not np.isfinite(voltage_V).any():
        return None, ""
    known = np.isfinite(voltage_V)
    filled_V = np.interp(time_s, time_s[known], voltage_V[known])
    by = f"'{log.voltage.header}'" if log.voltage is not None else "the sum of the groups"
    if not known.all():
        by += f", {np.count_nonzero(~known)} missing voltages read off a straight line"
    return _amount(time_s, current_A * filled_V, pauses), f"current times {by}"


def _counter(log: LogTable, charge: Amount) -> LogFinding | None:
    """Return a finding where the log's own counter and its current don't agree."""
    current_A = log.current_A
    counted_Ah = None if current_A is None else counter_Ah(log.table, current_A)
    if counted_Ah is None:
        return None
    moved_Ah = float(counted_Ah[-1])
    off_Ah = min(charge.net - moved_Ah, charge.straight - moved_Ah, key=abs)
    if abs(off_Ah) <= COUNTER_SHARE * max(charge.out + charge.back, abs(moved_Ah)):
        return None
    text = (
        f"the log's own counter moves by {moved_Ah:.4g} Ah, its current adds up to "
        f"{charge.net:.4g} Ah: current flowed that has no row, or one of the two is off"
    )
    numbers = {"counter_Ah": moved_Ah, "current_Ah": charge.net}
    return LogFinding("counter", int(log.table.lines[0]), text, numbers)


def _told_idle(log: LogTable) -> Flags | None:
    """Return the rows that a column of words calls neither charging nor discharging."""
    states = [c for c in log.table.columns if c.quantity == "state" and c.texts]
    if len(states) != 1:
        return None
    ways = np.array([direction(text) if text else 1 for text in states[0].texts])
    return ways == 0 if ways.any() else None


def _findings(
    log: LogTable,
    current_A: Floats | None,
    mass_kg: float | None,
    heat_J_kgK: float,
    air_C: float | None,
) -> list[LogFinding]:
    time_s, lines = log.table.time_s, log.table.lines
    found: list[LogFinding | None] = []
    groups = [g for g in log.groups if np.isfinite(g.values).any()]
    if groups:
        matrix = np.stack([g.values for g in groups], axis=1)
        found += sense_connection(matrix, [g.header for g in groups], lines)
    if log.legs:
        matrix = np.stack([leg.values for leg in log.legs], axis=1)
        found += open_joints(matrix, [leg.header for leg in log.legs], lines, current_A)
    rest = None if current_A is None else idle(time_s, current_A, _told_idle(log))
    if rest is not None and current_A is not None:
        found.append(idle_offset(time_s, current_A, lines, rest))
        air = np.full(len(time_s), air_C) if air_C is not None else None
        if log.ambient is not None:
            air = log.ambient.values
        found += [
            unexplained_heating(
                time_s, rest.rows, t.values, air, lines, t.header, mass_kg, heat_J_kgK
            )
            for t in log.temperatures
        ]
    voltage_V = log.pack_V
    if current_A is not None and voltage_V is not None:
        found.append(column_lag(time_s, current_A, voltage_V, lines))
    return [finding for finding in found if finding is not None]
