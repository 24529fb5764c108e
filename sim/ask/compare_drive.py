"""From a measured log to what drives the model: legs, start, air; and what had to be assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs, Load, legs
from sim.drive.weather import Weather
from sim.errors import InputError
from sim.files.case import Case
from sim.files.log_columns import LogTable, counter_Ah
from sim.files.suspicions import gap_rows
from sim.files.weather_file import read_weather
from sim.fit.log import Log
from sim.physics.cell import DISCHARGE, layer, open_circuit
from sim.physics.pack import CURRENT, POWER, Pack
from sim.physics.plant import Plant, at_rest
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text

Floats = NDArray[np.float64]
REST_C = 1.0 / 20.0  # of capacity an hour; less at the first row is as good as rest
UNSURE_V = 0.15  # per unit of charge; a flatter curve than this places no rest
LEAST_OFF = 0.002  # of capacity: what a counter must show beyond the current to be believed
CREDIBLE = 1.2  # times the greatest current logged, or 1C
MOST_SAID = 6  # gaps that are told one by one


@dataclass(frozen=True)
class Measured:
    """A log (n rows) as the model is compared with it; NaN where a row lacks a value.

    `current_A` and `power_W` are of the whole that was logged, `cell_V` is one cell's share of
    its voltage, `surface_C` the hottest sensor chosen. `names` says which columns these are.
    """

    log: LogTable
    kind: int  # CURRENT or POWER: what drives the model
    time_s: Floats
    current_A: Floats | None
    power_W: Floats | None
    cell_V: Floats | None
    surface_C: Floats | None
    air_C: Floats | None
    counter_Ah: Floats | None
    names: dict[str, str]
    means: bool

    @property
    def drive(self) -> Floats:
        """What drives the model (n,), ampere or watt of the whole."""
        values = self.current_A if self.kind == CURRENT else self.power_W
        assert values is not None  # the kind was chosen by what there is
        return values

    @property
    def edges_s(self) -> Floats:
        """The ends of the rows' stretches: between samples, or from each mean to the next."""
        if not self.means:
            return self.time_s
        return np.append(self.time_s, 2.0 * self.time_s[-1] - self.time_s[-2])


@dataclass(frozen=True)
class Start:
    """The state at the first row, and how each part of it is known."""

    soc: float
    cell_K: float
    words: tuple[str, ...]


def one_cell(plant: Plant) -> Plant:
    """Return the plant of a single cell without joints and leads."""
    return plant._replace(pack=Pack(1, 1, 1, 0.0, 0.0))


def measured(log: LogTable, plant: Plant, by_power: bool, means: bool, case: Case) -> Measured:
    """Return a log as it drives `plant`; raises InputError where it can't, or fits no such pack."""
    path, table = log.table.path, log.table
    if len(table.time_s) < 3:
        raise InputError(f"{path}: {len(table.time_s)} rows; accepted: three or more")
    powers = [c for c in table.find("power") if np.isfinite(c.values).all()]
    current_A = log.current_A
    if by_power and not powers and not (current_A is not None and log.pack_V is not None):
        raise InputError(f"{path}: `--by-power` needs a column of power, or current and voltage")
    names: dict[str, str] = {}
    power_W = None
    if log.load is not None and log.load.quantity == "power":
        power_W = log.load.values
    elif len(powers) == 1:
        power_W, names["power"] = powers[0].values, f"'{powers[0].header}'"
    elif current_A is not None and log.pack_V is not None and np.isfinite(log.pack_V).any():
        power_W = current_A * _filled(table.time_s, log.pack_V)
        names["power"] = "current times voltage"
    if current_A is None and power_W is None:
        raise InputError(f"{path}: neither current nor power to drive the model with")
    kind = POWER if by_power or current_A is None else CURRENT
    if log.load is not None:
        names[log.load.quantity] = f"'{log.load.header}'"
    if kind == CURRENT:
        names.pop("power", None)
    cell_V = _cell_V(log, plant, names, case)
    surface_C = _surface_C(log, names)
    air_C = None
    if log.ambient is not None and np.isfinite(log.ambient.values).any():
        air_C, names["air"] = _filled(table.time_s, log.ambient.values), f"'{log.ambient.header}'"
    if cell_V is None and surface_C is None:
        raise InputError(f"{path}: neither a voltage nor a cell's temperature to compare with")
    counted_Ah = None if current_A is None else counter_Ah(table, current_A)
    return Measured(log, kind, table.time_s, current_A, power_W, cell_V, surface_C, air_C,
                    counted_Ah, names, means)  # fmt: skip


def _filled(time_s: Floats, values: Floats) -> Floats:
    """Return values with what is missing read off straight lines."""
    known = np.isfinite(values)
    return np.interp(time_s, time_s[known], values[known])


def _cell_V(log: LogTable, plant: Plant, names: dict[str, str], case: Case) -> Floats | None:
    """Return one cell's share of the measured voltage; refuse one that is of another pack."""
    if log.pack_V is None or not np.isfinite(log.pack_V).any():
        return None
    series = plant.pack.series
    if log.voltage is None:
        connected = sum(bool(np.isfinite(g.values).any()) for g in log.groups)
        if connected != series:
            raise InputError(
                f"{log.table.path}: {connected} voltages of groups for {series} cells in series "
                f"({case.path}); name the voltage of the whole by `--voltage-column`"
            )
    names["voltage"] = "sum of groups" if log.voltage is None else f"'{log.voltage.header}'"
    cell_V = log.pack_V / series
    middle_V, raw_V = float(np.nanmedian(cell_V)), float(np.nanmedian(log.pack_V))
    low_V, high_V = 0.6 * case.limits.cutoff_V, 1.3 * case.limits.full_V
    if not low_V <= middle_V <= high_V:
        hint = ""
        if series > 1 and low_V <= raw_V <= high_V:
            hint = "; if the log is of one cell, say `--cell`"
        raise InputError(
            f"{log.table.path}: {names['voltage']} is about {raw_V:.4g} V, which is {middle_V:.3g} "
            f"V for each of {series} in series; accepted: {low_V:.3g} to {high_V:.3g} V{hint}"
        )
    return cell_V


def _surface_C(log: LogTable, names: dict[str, str]) -> Floats | None:
    """Return the temperature to compare with: the one named or plainest, else the hottest."""
    if log.temperature is not None:
        names["temperature"] = f"'{log.temperature.header}'"
        return log.temperature.values
    alive = [t for t in log.temperatures if np.isfinite(t.values).any()]
    if not alive:
        return None
    named = ", ".join(f"'{t.header}'" for t in alive)
    names["temperature"] = f"the hottest of {named}" if len(alive) > 1 else named
    return np.fmax.reduce([t.values for t in alive])


def model_legs(seen: Measured, case: Case, plant: Plant) -> tuple[Legs, list[str]]:
    """Return legs with an edge at each row, and what was assumed of gaps and the air."""
    said: list[str] = []
    edges_s = seen.edges_s
    edge_s, value = _with_gaps(seen, plant, said)
    load = Load(seen.kind, edge_s, value, np.searchsorted(edges_s, edge_s[:-1], side="right") - 1)
    end_s = float(edges_s[-1])
    if seen.air_C is not None:
        air_C = np.append(seen.air_C, seen.air_C[-1:]) if seen.means else seen.air_C
        weather = Weather(edges_s, air_C + ZERO_C_K, np.zeros(len(edges_s)))
        if case.scenario.enclosure is not None and case.scenario.enclosure.sun_W:
            said.append("the log says nothing of the sun, so none was taken")
    else:
        given, notes = read_weather(case.scenario, case.path, _clock_of(seen, case, said), end_s)
        said += notes
        knots_s = np.union1d(edges_s, given.time_s)
        weather = Weather(
            knots_s,
            np.interp(knots_s, given.time_s, given.ambient_K),
            np.interp(knots_s, given.time_s, given.sun_W),
        )
    return legs(load, weather), said


def _with_gaps(seen: Measured, plant: Plant, said: list[str]) -> tuple[Floats, Floats]:
    """Return the load's edges and values, with what was assumed where rows are missing."""
    edges_s, drive = seen.edges_s, seen.drive
    value = drive.copy() if seen.means else drive[1:].copy()
    other = np.append(drive[1:], drive[-1:]) if seen.means else drive[:-1]
    paused = np.zeros(len(value), dtype=bool)
    paused[gap_rows(seen.time_s)] = True
    counted = _counted(seen, plant)
    extra: list[tuple[float, float]] = []
    unit = "A" if seen.kind == CURRENT else "W"
    places = np.flatnonzero(paused | np.isfinite(counted)).tolist()
    for j in places:
        length_s, line = float(edges_s[j + 1] - edges_s[j]), int(seen.log.table.lines[j])
        if np.isfinite(counted[j]):
            words = _by_counter(seen, plant, j, float(counted[j]), value, extra)
        else:
            value[j] = 0.5 * (value[j] + other[j])
            off = 0.5 * abs(float(drive[min(j + 1, len(drive) - 1)] - drive[j]))
            amount = f"{value[j] * length_s / SECONDS_PER_HOUR:.4g} {unit}h"
            room = f" +- {off * length_s / SECONDS_PER_HOUR:.2g}" if off > 0.0 else ""
            words = f"the mean of the rows on both sides, {value[j]:.4g} {unit}: {amount}{room}"
        if len(said) < MOST_SAID:
            what = "a gap" if paused[j] else "its current does not explain its counter"
            said.append(f"after line {line}, {what} over {length_s:.4g} s: {words} was taken")
    if len(places) > MOST_SAID:
        said.append(f"and {len(places) - MOST_SAID} more such places, treated alike")
    if not extra:
        return edges_s, value
    at_s = np.array([when for when, _ in extra])
    place = np.searchsorted(edges_s, at_s)
    return np.insert(edges_s, place, at_s), np.insert(value, place, [new for _, new in extra])


def _counted(seen: Measured, plant: Plant) -> Floats:
    """Return the counter's charge [Ah] of each stretch that the logged current does not explain.

    NaN elsewhere, and where what is left is no more than a rounded time or an edge makes.
    """
    stretches = len(seen.edges_s) - 1
    if seen.counter_Ah is None or seen.current_A is None or seen.kind != CURRENT:
        return np.full(stretches, np.nan)
    table = seen.log.table
    log = Log(table.path, table.path.name, table.time_s, seen.current_A,
              np.full(len(table.time_s), np.nan), None, None, (), table.lines,
              seen.counter_Ah, seen.means)  # fmt: skip
    unlogged = log.unlogged if seen.means else log.unlogged[1:]
    step_Ah = np.append(np.diff(seen.counter_Ah), 0.0)[:stretches]
    held_A = seen.current_A if seen.means else seen.current_A[1:]
    off_Ah = np.abs(step_Ah - held_A * np.diff(seen.edges_s) / SECONDS_PER_HOUR)
    side_by_side = plant.pack.parallel * plant.pack.packs
    whole_Ah = plant.cell.capacity_As * side_by_side / SECONDS_PER_HOUR
    mean_A = np.abs(step_Ah) * SECONDS_PER_HOUR / np.diff(seen.edges_s)
    # A leap that would take more than ever flowed, or than 1C, is a damaged count.
    credible = mean_A <= CREDIBLE * max(whole_Ah, float(np.abs(seen.current_A).max()))
    return np.where(unlogged & credible & (off_Ah > LEAST_OFF * whole_Ah), step_Ah, np.nan)


def _by_counter(
    seen: Measured, plant: Plant, j: int, step_Ah: float, value: Floats, extra: list
) -> str:
    """Set stretch `j` to the counter's charge: drawn at 1C right away and rested since, or evenly.

    The first where the rows on both sides are at rest, as pulse tests do between their groups.
    """
    edges_s = seen.edges_s
    length_s = float(edges_s[j + 1] - edges_s[j])
    whole_Ah = plant.cell.capacity_As / SECONDS_PER_HOUR * plant.pack.parallel * plant.pack.packs
    sides = np.abs(seen.drive[j : j + 2]).max()
    at_1C_s = abs(step_Ah) / whole_Ah * SECONDS_PER_HOUR
    if sides < REST_C * whole_Ah and at_1C_s < 0.9 * length_s:
        value[j] = np.copysign(whole_Ah, step_Ah)
        extra.append((float(edges_s[j]) + at_1C_s, 0.0))
        return f"the {step_Ah:.4g} Ah of the log's own counter, drawn at 1C first and rested since,"
    value[j] = step_Ah * SECONDS_PER_HOUR / length_s
    return f"the {step_Ah:.4g} Ah of the log's own counter, drawn evenly,"


def start_of(
    seen: Measured, case: Case, plant: Plant, percent: float | None, first_air_K: float
) -> Start:
    """Return the state at the first row: from its rest, or as said, or as the scenario has it."""
    words = []
    if seen.surface_C is not None and np.isfinite(seen.surface_C).any():
        first = int(np.argmax(np.isfinite(seen.surface_C)))
        cell_K = float(seen.surface_C[first]) + ZERO_C_K
        words.append(f"cells at {cell_K - ZERO_C_K:.1f} C, as {seen.names['temperature']} begins")
    else:
        own_C = case.scenario.start.cell_C
        cell_K = first_air_K if own_C is None else own_C + ZERO_C_K
        words.append(f"cells at {cell_K - ZERO_C_K:.1f} C, as the scenario has it")
    if percent is not None:
        return Start(percent / 100.0, cell_K, (f"{percent:g} % charge, as said", *words))
    soc, how = _rested_soc(seen, plant, cell_K)
    if soc is None:
        soc = case.scenario.start.charge_percent / 100.0
        how = f"{how}, so {100.0 * soc:g} % charge, as the scenario has it, was taken"
    return Start(soc, cell_K, (how, *words))


def _rested_soc(seen: Measured, plant: Plant, cell_K: float) -> tuple[float | None, str]:
    """Return the state of charge of a rested first row, None where it tells none; and words."""
    if seen.cell_V is None or not np.isfinite(seen.cell_V[0]):
        return None, "the log has no voltage at its start"
    side_by_side = plant.pack.parallel * plant.pack.packs
    first_A = 0.0 if seen.current_A is None else float(seen.current_A[0]) / side_by_side
    if seen.current_A is None and seen.power_W is not None:
        cells = side_by_side * plant.pack.series
        first_A = float(seen.power_W[0]) / cells / float(seen.cell_V[0])
    if abs(first_A) > REST_C * plant.cell.capacity_As / SECONDS_PER_HOUR:
        return None, "the log begins under load"
    grid = np.linspace(0.0, 1.0, 2001)
    # The small current that may flow at rest costs its voltage too.
    rest_V = np.array(
        [
            open_circuit(plant.cell, s, cell_K)[0]
            - first_A * layer(plant.cell, s, cell_K, DISCHARGE)
            for s in grid.tolist()
        ]
    )
    found_V = float(seen.cell_V[0])
    soc = float(np.interp(found_V, np.maximum.accumulate(rest_V), grid))
    if found_V >= rest_V[-1]:
        return 1.0, f"100 % charge: the first row rests at {found_V:.3f} V, full or above"
    near = np.abs(grid - soc) <= 0.02
    slope_V = float(np.ptp(rest_V[near])) / float(np.ptp(grid[near]))
    if slope_V < UNSURE_V:
        flat = f"the curve is too flat at the {found_V:.3f} V of the first row to tell its charge"
        return None, flat
    return soc, (
        f"{100.0 * soc:.1f} % charge, by the {found_V:.3f} V at which the first row rests "
        f"(5 mV are {0.5 / slope_V:.1g} %)"
    )


def start_state(plant: Plant, begin: Start, case: Case, first_air_K: float) -> Floats:
    """Return the model's state at the first row."""
    box_C = case.scenario.start.box_C
    box_K = first_air_K if box_C is None else box_C + ZERO_C_K
    return at_rest(plant, begin.soc, begin.cell_K, box_K)


def _clock_of(seen: Measured, case: Case, said: list[str]) -> float | None:
    """Return the clock of the log's first row: its own, or else that at which the load begins."""
    own_s = seen.log.table.start_clock_s
    if own_s is not None or not case.has_clock:
        return own_s
    clock = clock_text(case.start_clock_s)
    said.append(f"the log has no clock: taken to begin at {clock}, as the scenario's load does")
    return case.start_clock_s
