"""How far off was the prediction from what was measured? The model driven by a log.

Over the whole record and over its part above 10 % charge, never at one instant; and whether the
error is larger than what the stated uncertainty of the parameters allows.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.ask.bad_end import hotter_and_emptier, shares
from sim.ask.compare_built import HOTTEST, BuiltDrive, beside
from sim.ask.compare_drive import (
    Measured,
    measured,
    model_legs,
    one_cell,
    start_of,
    start_state,
)
from sim.ask.compare_run import EMPTIEST_SOC, Predicted, predict
from sim.drive.legs import Legs
from sim.errors import InputError
from sim.files.built_case import is_built
from sim.files.case import Case, assemble
from sim.files.log_columns import LogTable
from sim.files.log_heating import column_lag
from sim.files.unsure import cooling_off
from sim.physics.limits import MODEL_ENDS_K
from sim.physics.pack import CURRENT
from sim.physics.plant import Plant
from sim.units import SECONDS_PER_HOUR, ZERO_C_K

Floats = NDArray[np.float64]
ABOVE_SOC = 0.10
LEAST_ROWS = 3  # to speak of an rms
NO_OTHER_END = 0.9  # a group known no better has no other end: nothing has a negative resistance


@dataclass(frozen=True)
class Figures:
    """How far off, predicted less measured; None where there is nothing to compare.

    Voltages are one cell's share. `temperature_peak_error_K` is the difference of the two peaks,
    `..._worst_K` the largest difference at any row. `charge_error_percent` compares with what the
    log counted on its own; `..._worst_s` is when the worst row stands, from the start.
    """

    rows: int
    voltage_rms_mV: float | None
    voltage_bias_mV: float | None
    voltage_worst_mV: float | None
    voltage_worst_s: float | None
    temperature_rms_K: float | None
    temperature_bias_K: float | None
    temperature_worst_K: float | None
    temperature_worst_s: float | None
    temperature_peak_error_K: float | None
    temperature_end_error_K: float | None
    charge_error_percent: float | None
    energy_error_percent: float | None


@dataclass(frozen=True)
class Uncertain:
    """What the stated uncertainties allow: one standard width at each row (n,), and by group.

    NaN where an end of a group has left what the model knows.

    `moved` says by how much each group was moved (relative), `voltage_mV` and `by_K` how
    far that moves the prediction (rms over the rows compared).
    """

    voltage_V: Floats
    temperature_K: Floats
    moved: dict[str, float]
    voltage_mV: dict[str, float]
    by_K: dict[str, float]


@dataclass(frozen=True)
class Comparison:
    """A finished comparison."""

    case: Case
    plant: Plant
    seen: Measured
    predicted: Predicted
    whole: Figures
    above: Figures
    uncertain: Uncertain
    start: tuple[str, ...]
    assumed: tuple[str, ...]
    missing: tuple[str, ...]
    lag: str | None
    mean_cell: dict[str, float] | None = None  # of packs as built, how far the mean cell is off

    @property
    def judged(self) -> Figures:
        """The figures that are judged: above 10 % charge where enough rows lie there."""
        return self.above if self.above.rows >= LEAST_ROWS else self.whole

    def allowed(self, what: str) -> float:
        """Return the rms of the stated uncertainty of "voltage" [mV] or "temperature" [K]."""
        rows = self.compared(what)
        width = 1e3 * self.uncertain.voltage_V if what == "voltage" else None
        return _rms((self.uncertain.temperature_K if width is None else width)[rows])

    def compared(self, what: str) -> NDArray[np.bool_]:
        """Return which rows are judged for "voltage" or "temperature"."""
        off = self.off_V if what == "voltage" else self.off_K
        above = self.predicted.soc > ABOVE_SOC
        rows = np.isfinite(off)
        return rows & above if self.above.rows >= LEAST_ROWS else rows

    @property
    def off_V(self) -> Floats:
        """Predicted less measured voltage, one cell's share (n,); NaN where not compared."""
        return _off(self.predicted.cell_V, self.seen.cell_V)

    @property
    def off_K(self) -> Floats:
        """Predicted less measured temperature (n,); NaN where not compared."""
        return _off(self.predicted.surface_C, self.seen.surface_C)

    def within(self, what: str) -> bool | None:
        """Return whether the rms error lies within the stated uncertainty; None for no figure."""
        figures = self.judged
        rms = figures.voltage_rms_mV if what == "voltage" else figures.temperature_rms_K
        return None if rms is None else rms <= self.allowed(what)

    @property
    def passed(self) -> bool:
        """Whether every error compared lies within the stated uncertainty."""
        return all(self.within(what) is not False for what in ("voltage", "temperature"))


def compare(
    content: dict[str, Any],
    path: Path,
    log: LogTable,
    *,
    percent: float | None = None,
    cell: bool = False,
    means: bool = False,
    by_power: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Comparison:
    """Drive the scenario's model with a log and say how far off it is.

    `percent` is the charge at the first row, `cell` says that the log is of one cell, `means` that
    each row is the mean until the next (else a sample, its current having flowed since the row
    before). `progress` is told how many of the moved groups are done. Raises InputError where the
    two don't fit.
    """
    case = assemble(content, path)
    as_built = is_built(case.scenario) and not cell
    run = BuiltDrive.of(case).predict if as_built else predict
    plant = one_cell(case.plant) if cell else case.plant
    seen = measured(log, plant, by_power, means, case)
    legs, assumed = model_legs(seen, case, plant)
    first_air_K = float(legs.ambient_K[0])
    begin = start_of(seen, case, plant, percent, first_air_K)
    start = start_state(plant, begin, case, first_air_K)
    predicted = run(case, plant, seen, legs, start)
    missing = tuple(_missing(seen, predicted))
    whole = figures(seen, predicted, plant, np.ones(len(seen.time_s), dtype=bool))
    above = figures(seen, predicted, plant, predicted.soc > ABOVE_SOC)
    if whole.rows < LEAST_ROWS:
        why = f"; not compared: {'; '.join(missing)}" if missing else ""
        raise InputError(f"{log.table.path}: fewer than {LEAST_ROWS} rows to compare{why}")
    uncertain = _uncertain(run, (case, plant, seen, legs, start), predicted, progress)
    lag = None
    if seen.current_A is not None and seen.cell_V is not None:
        found = column_lag(seen.time_s, seen.current_A, seen.cell_V, log.table.lines)
        lag = None if found is None else found.text
    return Comparison(
        case=case,
        plant=plant,
        seen=seen,
        predicted=predicted,
        whole=whole,
        above=above,
        uncertain=uncertain,
        start=begin.words,
        assumed=(*_assumed(seen, plant, case, cell), *assumed),
        missing=missing,
        lag=lag,
        mean_cell=beside(seen, predicted),
    )


def figures(seen: Measured, predicted: Predicted, plant: Plant, rows: NDArray[np.bool_]) -> Figures:
    """Return the figures over `rows` (n,); every row counts alike."""
    off_V = _off(predicted.cell_V, seen.cell_V)[rows]
    off_K = _off(predicted.surface_C, seen.surface_C)[rows]
    known_V, known_K = off_V[np.isfinite(off_V)], off_K[np.isfinite(off_K)]
    volts, kelvins = len(known_V) >= LEAST_ROWS, len(known_K) >= LEAST_ROWS
    peaks = (np.nan, np.nan)
    if kelvins and seen.surface_C is not None:
        both = rows & np.isfinite(_off(predicted.surface_C, seen.surface_C))
        peaks = float(predicted.surface_C[both].max()), float(seen.surface_C[both].max())
    charge, energy = _amounts(seen, predicted, plant, rows)
    return Figures(
        rows=int(max(len(known_V), len(known_K))),
        voltage_rms_mV=1e3 * _rms(known_V) if volts else None,
        voltage_bias_mV=1e3 * float(np.mean(known_V)) if volts else None,
        voltage_worst_mV=1e3 * _worst(known_V) if volts else None,
        voltage_worst_s=_when(seen.time_s[rows], off_V) if volts else None,
        temperature_rms_K=_rms(known_K) if kelvins else None,
        temperature_bias_K=float(np.mean(known_K)) if kelvins else None,
        temperature_worst_K=_worst(known_K) if kelvins else None,
        temperature_worst_s=_when(seen.time_s[rows], off_K) if kelvins else None,
        temperature_peak_error_K=peaks[0] - peaks[1] if kelvins else None,
        temperature_end_error_K=float(known_K[-1]) if kelvins else None,
        charge_error_percent=charge,
        energy_error_percent=energy,
    )


def _off(predicted: Floats, seen: Floats | None) -> Floats:
    return np.full(len(predicted), np.nan) if seen is None else predicted - seen


def _rms(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(np.square(known)))) if len(known) else 0.0


def _worst(values: Floats) -> float:
    return float(values[np.argmax(np.abs(values))])


def _when(time_s: Floats, off: Floats) -> float:
    return float(time_s[np.nanargmax(np.abs(off))])


def _amounts(
    seen: Measured, predicted: Predicted, plant: Plant, rows: NDArray[np.bool_]
) -> tuple[float | None, float | None]:
    """Return how far charge and energy out are off over `rows` [%], None for nothing to compare.

    Charge is what the model's state of charge moved by, against the log's own counter, or where
    the model was driven by power against the log's current; energy where it was driven by current.
    """
    inside = np.flatnonzero(rows & np.isfinite(predicted.soc))
    if len(inside) < LEAST_ROWS:
        return None, None
    first, last = int(inside[0]), int(inside[-1])
    whole_As = plant.cell.capacity_As * plant.pack.parallel * plant.pack.packs
    drawn_Ah = float(predicted.soc[first] - predicted.soc[last]) * whole_As / SECONDS_PER_HOUR
    step_h = np.diff(seen.time_s, prepend=seen.time_s[0]) / SECONDS_PER_HOUR
    if seen.means:
        step_h = np.diff(seen.edges_s) / SECONDS_PER_HOUR
    counted_Ah: float | None = None
    if seen.counter_Ah is not None:
        counted_Ah = float(seen.counter_Ah[last] - seen.counter_Ah[first])
    elif seen.kind != CURRENT and seen.current_A is not None:
        counted_Ah = float(np.sum((seen.current_A * step_h)[first + 1 : last + 1]))
    energy = None
    if seen.kind == CURRENT and seen.cell_V is not None and seen.current_A is not None:
        both = rows & np.isfinite(_off(predicted.cell_V, seen.cell_V))
        weight = (seen.current_A * step_h)[both]
        energy = _percent(
            float(np.sum(weight * predicted.cell_V[both])),
            float(np.sum(weight * seen.cell_V[both])),
        )
    return _percent(drawn_Ah, counted_Ah), energy


def _percent(value: float, reference: float | None) -> float | None:
    if reference is None or abs(reference) < 1e-9:
        return None
    return 100.0 * (value - reference) / abs(reference)


def _uncertain(
    run: Callable[..., Predicted],
    drive: tuple[Case, Plant, Measured, Legs, Floats],
    central: Predicted,
    progress: Callable[[int], None] | None,
) -> Uncertain:
    """Run the model at both ends of each group's stated uncertainty, one group at a time.

    Groups are taken as independent: widths add in quadrature (linear propagation, JCGM 100:2008,
    5.1.2).
    """
    case, plant, seen, legs, start = drive
    none = dict.fromkeys(("capacity", "open_circuit", "resistance", "heat"), 0.0)
    moved = shares(case)
    size = len(seen.time_s)
    square_V, square_K = np.zeros(size), np.zeros(size)
    by_mV: dict[str, float] = {}
    by_K: dict[str, float] = {}
    for number, (group, share) in enumerate(moved.items(), start=1):
        up = run(case, hotter_and_emptier(plant, {**none, group: share}), seen, legs, start)
        down, halves = central, 1.0
        if share < NO_OTHER_END:
            other = hotter_and_emptier(plant, {**none, group: -share})
            down, halves = run(case, other, seen, legs, start), 0.5
        width_V = halves * np.abs(up.cell_V - down.cell_V)
        width_K = halves * np.abs(up.surface_C - down.surface_C)
        square_V += width_V**2
        square_K += width_K**2
        above = central.soc > ABOVE_SOC
        rows = above if np.count_nonzero(above) >= LEAST_ROWS else np.ones(size, dtype=bool)
        by_mV[group], by_K[group] = 1e3 * _rms(width_V[rows]), _rms(width_K[rows])
        if progress:
            progress(number)
    return Uncertain(np.sqrt(square_V), np.sqrt(square_K), moved, by_mV, by_K)


def _assumed(seen: Measured, plant: Plant, case: Case, cell: bool) -> list[str]:
    names, pack = seen.names, plant.pack
    drive = "current" if seen.kind == CURRENT else "power"
    when = "until the next row, each row being a mean"
    if not seen.means:
        when = "since the row before (say `--means` if rows are means until the next)"
    said = [f"driven by the measured {drive}, {names[drive]}, taken to have flowed {when}"]
    if cell and pack != case.plant.pack:
        said.append("the log is of one cell: the scenario's pack, joints and leads are left out")
    elif pack.packs > 1:
        said.append(f"the logged {drive} is that of all {pack.packs} packs")
    if "temperature" in names:
        as_built = is_built(case.scenario) and not cell
        what = HOTTEST if as_built else "the surface of a cell"
        said.append(f"{names['temperature']} is compared with {what}")
        if as_built:
            said.append(
                "the logged load flowed whatever boards, controller and charger allow; voltage is "
                "that of the bus"
            )
    if seen.air_C is None:
        said.append("air as the scenario has it: the log has no column of it")
    else:
        said.append(f"air as {names['air']} has it")
    if case.scenario.cooling.conductance_W_K is not None:
        off, source = cooling_off(case.scenario.cooling)
        said.append(f"[cooling] conductance_W_K is good to {100.0 * off:g} % ({source})")
    return said


def _missing(seen: Measured, predicted: Predicted) -> list[str]:
    """Return what could not be compared, and why."""
    said = []
    if seen.cell_V is None:
        said.append("voltage: the log has no column of it")
    if seen.surface_C is None:
        said.append("temperature: the log has no column of a cell's")
    if seen.counter_Ah is None and seen.kind == CURRENT:
        said.append("charge: the model was driven by the log's own current, and it has no counter")
    below = int(np.count_nonzero(predicted.soc < EMPTIEST_SOC))
    if below:
        first_s = float(seen.time_s[np.argmax(predicted.soc < EMPTIEST_SOC)])
        said.append(
            f"{below} rows from {first_s:.0f} s on: the log draws more than the cells hold "
            f"(the model is below {100.0 * EMPTIEST_SOC:.0f} % charge)"
        )
    last_s = float(seen.edges_s[-1])
    if predicted.end_s < last_s - 1e-6:
        said.append(
            f"the record after {predicted.end_s:.0f} of {last_s:.0f} s: the model left what it "
            f"knows there (hotter than {MODEL_ENDS_K - ZERO_C_K:.0f} C)"
        )
    return said
