"""The day of the packs as built: load, charging windows by the clock, and their legs."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sim.drive.legs import Legs, legs
from sim.errors import InputError
from sim.files.built_schema import ChargerTable
from sim.files.case import Case
from sim.files.scenario_schema import seconds_of_clock
from sim.integrate.built_march import Day
from sim.physics.bus import CHARGE, DRIVE, Charger, Controller, Ramp
from sim.units import SECONDS_PER_DAY, SECONDS_PER_HOUR, ZERO_C_K

Floats = NDArray[np.float64]
TAPER_C = 0.05  # of capacity an hour at which a charger stops: common practice, no source


def windows_s(charger: ChargerTable, clock_s: float, end_s: float) -> Floats:
    """Return the charging windows (w, 2) in seconds of a run that begins at `clock_s` o'clock.

    Windows that meet are one, but one of a whole day begins anew each day: what was full in the
    morning is plugged in once more after the day's driving.
    """
    found: list[tuple[float, float]] = []
    anew_s: set[float] = set()
    for first, second in charger.windows:
        from_s, to_s = seconds_of_clock(first), seconds_of_clock(second)
        length_s = (to_s - from_s) % SECONDS_PER_DAY or SECONDS_PER_DAY
        first_s = (from_s - clock_s) % SECONDS_PER_DAY - SECONDS_PER_DAY
        begins_s = np.arange(first_s, end_s, SECONDS_PER_DAY)
        spans = [(max(at_s, 0.0), min(at_s + length_s, end_s)) for at_s in begins_s.tolist()]
        found += [(low_s, high_s) for low_s, high_s in spans if high_s > low_s]
        anew_s |= {low_s for low_s, _ in spans if length_s == SECONDS_PER_DAY}
    merged: list[tuple[float, float]] = []
    for low_s, high_s in sorted(found):
        if merged and low_s <= merged[-1][1] and low_s not in anew_s:
            merged[-1] = (merged[-1][0], max(merged[-1][1], high_s))
        else:
            merged.append((low_s, high_s))
    return np.array(merged).reshape(-1, 2)


def day_of(case: Case) -> tuple[Legs, Day, list[str]]:
    """Return the legs, cut at charging windows and full hours, and what hangs on the bus."""
    charger, end_s = case.scenario.charger, float(case.load.edge_s[-1])
    weather, notes = case.weather, []
    spans = np.zeros((0, 2))
    if charger is not None:
        if not case.has_clock:
            raise InputError(
                f"{case.path}: [charger] windows are clock times, so [load] needs a start"
            )
        spans = windows_s(charger, case.start_clock_s, end_s)
    cuts_s = np.unique(np.concatenate([weather.time_s, spans.ravel(), hours_s(end_s)]))
    finer = weather._replace(
        time_s=cuts_s,
        ambient_K=np.interp(cuts_s, weather.time_s, weather.ambient_K),
        sun_W=np.interp(cuts_s, weather.time_s, weather.sun_W),
    )
    whole = legs(case.load, finer)
    window = np.full(len(whole.start_s), -1)
    if len(spans):
        inside = np.searchsorted(spans[:, 0], whole.start_s, side="right") - 1
        within = (inside >= 0) & (whole.start_s < spans[inside, 1])
        window[within] = inside[within]
    plugged = (window >= 0) & (whole.value == 0.0)
    if np.any((window >= 0) & (whole.value != 0.0)):
        notes.append(
            f"{case.path}: [charger] windows overlap the load; the charger waits while it drives"
        )
    day = Day(
        np.where(plugged, CHARGE, DRIVE).astype(np.intp),
        window.astype(np.intp),
        _controller(case),
        _charger(case),
    )
    return whole, day, notes


def hours_s(end_s: float) -> Floats:
    """Return the full hours of a run, at which it can be taken up again."""
    return np.arange(1.0, end_s // SECONDS_PER_HOUR + 1.0) * SECONDS_PER_HOUR


def _ramp(at: list[float], limit_A: list[float], zero: float = 0.0, *, steps: bool = False) -> Ramp:
    return Ramp(np.array(at, dtype=float) + zero, np.array(limit_A, dtype=float), steps)


def _controller(case: Case) -> Controller:
    own = case.scenario.controller
    if own is None:
        return Controller(np.inf, np.inf, _ramp([], []), _ramp([], []))
    return Controller(
        _or_none(own.current_max_A),
        _or_none(own.regeneration_max_A),
        _ramp(own.over_cell_V, own.over_cell_V_A),
        _ramp(own.over_core_C, own.over_core_C_A, ZERO_C_K),
    )


def _charger(case: Case) -> Charger:
    own = case.scenario.charger
    if own is None:
        return Charger(0.0, 1.0, np.inf, 0.0, _ramp([], []))
    pack = case.plant.pack
    full_V = case.limits.full_V * pack.series
    own_V = full_V if own.voltage_V is None else own.voltage_V
    if own_V > full_V * (1.0 + 1e-9):
        raise InputError(
            f"{case.path}: [charger] voltage_V {own_V:g} is above the {full_V:g} V of "
            f"{pack.series} full cells; accepted: up to there"
        )
    empty_V = case.profile.open_circuit.voltage_V[0] * pack.series
    if own_V <= empty_V:
        raise InputError(
            f"{case.path}: [charger] voltage_V {own_V:g} is not above the {empty_V:g} V of "
            f"{pack.series} empty cells, so it would never charge"
        )
    taper_A = own.taper_A
    if taper_A is None:
        packs_Ah = case.plant.cell.capacity_As / SECONDS_PER_HOUR * pack.parallel * pack.packs
        taper_A = min(TAPER_C * packs_Ah, 0.5 * own.current_A)
    power_W = np.inf if own.outlet_W is None else own.outlet_W * own.efficiency
    ramp = _ramp(own.over_core_C, own.over_core_C_A, ZERO_C_K, steps=own.table == "step")
    return Charger(own.current_A, own_V, power_W, taper_A, ramp)


def _or_none(value: float | None) -> Any:
    return np.inf if value is None else value
