"""From a measured log to what the heat fit simulates: charge, drop, air, and what a row weighs."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError
from sim.files.cell_schema import Size
from sim.fit.log import Log
from sim.units import ZERO_C_K

Floats = NDArray[np.float64]

STILL, STIRRED = "still", "stirred"
FIT, NONE = "fit", "none"

# Denser where the voltage is steep and entropy turns.
KNOTS = np.array([0.0, 0.03, 0.08, 0.15, 0.25, 0.4, 0.6, 0.8, 1.0])
POINTS = 15.0  # independent ones a log: a cell's time constant is minutes, its rows are not
# What a good model of a good record is off by: the sensor's place and glue, and the model.
FLOOR_K, SHARE_OF_RISE = 0.15, 0.02
COARSE_AIR_K = 0.5  # an air column of coarser steps says no more than the rest temperature
REST_AIR_SD_K, TAIL_AIR_SD_K = 0.2, 1.5
TAIL_S = 600.0  # of rest after a load: a cell's time constant or so
REST_A_OF_RATE = 0.02
PAST_EMPTY, PAST_FULL = 0.01, 0.02
CHORD = 0.01
MOST_BINS = 150  # ten a point, so that nothing is lost and the algebra stays small
BLIND_S = 60.0  # a gap in which current flowed unlogged, beyond which heat is unknown


@dataclass(frozen=True)
class OcvTable:
    """Open-circuit voltage over state of charge, rising 0 to 1, at `reference_C`."""

    soc: Floats
    voltage_V: Floats
    capacity_Ah: float
    reference_C: float = 25.0


@dataclass(frozen=True)
class HeatOptions:
    """What a record can't tell: the cell's size and mass, how it was cooled and connected.

    `cooling` is "still" for room air moved by warmth alone, "stirred" for a chamber with a fan.
    `contact` is "none" where the voltage was sensed at the can by welded leads, else "fit".
    `start_soc` is one a log, or one for all. `air` is "auto", "logged" (as it stands), "rest"
    (the cell's own first temperature) or a number in C.
    """

    size: Size
    cooling: str = STILL
    contact: str = FIT
    start_soc: tuple[float, ...] = (1.0,)
    air: str | float = "auto"
    standing: bool = True
    emissivity: float = 0.8  # a sleeve of plastic; assumed, 0.7 to 0.95 are common


@dataclass(frozen=True)
class Run:
    """A log made ready. (n,) of times, (n - 1,) of the stretches between them.

    `drop_V` is open-circuit minus measured voltage, NaN where none was measured; `hats` (n - 1,
    knots) spread a table over `KNOTS` to the stretches. `weight` (n,) sums to `POINTS`, and is 0
    where nothing was measured; `bins` are the first rows of the stretches whose mean is compared,
    `MOST_BINS` at most. `rate_A` is the charge-weighted mean current: it tells heat that
    goes with the square of current from heat that goes with current.
    """

    log: Log
    time_s: Floats
    current_A: Floats
    open_V: Floats
    drop_V: Floats
    hats: Floats
    soc: Floats  # (n,)
    charge_V: Floats  # (n - 1,): what open_V gains with the cell's charge, a whole of it
    air_K: Floats
    air_sd_K: float
    first_K: float
    surface_K: Floats
    weight: Floats
    bins: NDArray[np.intp]
    sd_K: float
    rate_A: float
    notes: tuple[str, ...] = field(default=())

    @property
    def rise_K(self) -> float:
        """Return how far the surface rose above its start."""
        return float(np.nanmax(self.surface_K)) - self.first_K


def run_of(log: Log, ocv: OcvTable, options: HeatOptions, start_soc: float = 1.0) -> Run:
    """Make a log ready.

    Raises InputError where it has no surface temperature, or its charge passes the full cell,
    which is the sign of a current counted the other way.
    """
    if log.surface_C is None or not np.isfinite(log.surface_C).any():
        raise InputError(
            f"{log.path}: no surface temperature, so nothing can be told of heat; accepted: a "
            "column of the cell's temperature in C"
        )
    soc = _soc(log, ocv, start_soc)
    _check_sense(log, soc, start_soc)
    last, notes = _usable(log, soc)
    surface_K = log.surface_C[:last] + ZERO_C_K
    first_K = float(surface_K[np.flatnonzero(np.isfinite(surface_K))[0]])
    time_s = log.time_s[:last]
    # A mean stands for the time after its row, a sample for the time before it.
    rows = slice(0, last - 1) if log.means else slice(1, last)
    current_A = log.current_A[rows]
    held = np.clip(soc[rows], 0.0, 1.0)
    open_V = np.interp(held, ocv.soc, ocv.voltage_V)
    air_K, air_sd_K, said = _air(log, first_K, last, options)
    if _tail_s(log, last) >= TAIL_S:
        air_sd_K = max(air_sd_K, TAIL_AIR_SD_K)
    spans_s = np.diff(time_s)
    return Run(
        log=log,
        time_s=np.ascontiguousarray(time_s),
        current_A=current_A,
        open_V=open_V,
        drop_V=open_V - _bridged(log.voltage_V)[rows],
        hats=np.stack([np.interp(held, KNOTS, unit) for unit in np.eye(len(KNOTS))], axis=1),
        soc=soc[:last],
        charge_V=_charge_V(start_soc, soc[rows], ocv),
        air_K=air_K,
        air_sd_K=air_sd_K,
        first_K=first_K,
        surface_K=surface_K,
        weight=_weight(time_s, surface_K),
        bins=_bins(time_s),
        sd_K=float(np.hypot(FLOOR_K, SHARE_OF_RISE * (np.nanmax(surface_K) - first_K))),
        rate_A=_rate_A(current_A, spans_s),
        notes=(*notes, *said),
    )


def runs_of(logs: list[Log], ocv: OcvTable, options: HeatOptions) -> list[Run]:
    """Make logs ready, each from its own start; raises InputError as `run_of`."""
    starts = options.start_soc * len(logs) if len(options.start_soc) == 1 else options.start_soc
    if len(starts) != len(logs):
        raise InputError(
            f"{len(starts)} states of charge at the start for {len(logs)} logs; accepted: one for "
            "all, or one each"
        )
    return [run_of(log, ocv, options, soc) for log, soc in zip(logs, starts, strict=True)]


def _soc(log: Log, ocv: OcvTable, start_soc: float) -> Floats:
    """Return the state of charge that belongs to each row's voltage."""
    charge_Ah = log.charge_Ah
    if log.means:  # the middle of the row's time
        charge_Ah = charge_Ah - 0.5 * np.diff(charge_Ah, prepend=0.0)
    return np.asarray(start_soc - charge_Ah / ocv.capacity_Ah)


def _charge_V(start_soc: float, soc: Floats, ocv: OcvTable) -> Floats:
    """Return the open-circuit voltage's slope over the cell's charge, a chord of 1 % each way."""
    drawn = start_soc - soc
    more, less = (
        np.interp(start_soc - drawn / (1.0 + part), ocv.soc, ocv.voltage_V)
        for part in (CHORD, -CHORD)
    )
    return np.asarray((more - less) / (2.0 * CHORD))


def _check_sense(log: Log, soc: Floats, start_soc: float) -> None:
    """Refuse a current that runs the wrong way: a full cell that fills further."""
    worst = int(np.argmax(soc))
    if soc[worst] > 1.0 + PAST_FULL:
        raise InputError(
            f"{log.path} line {log.lines[worst]}: by its current the cell stands at "
            f"{100.0 * soc[worst]:.0f} % here, from {100.0 * start_soc:.0f} % at the start; "
            "accepted: up to 100 %; if the file counts discharge as negative, say so, else give "
            "the state of charge at its start"
        )


def _usable(log: Log, soc: Floats) -> tuple[int, list[str]]:
    """Return how many rows can be simulated, and why not more.

    The open-circuit curve is not drawn on below empty, and a stretch whose current nobody
    logged has an unknown heat.
    """
    notes: list[str] = []
    last = len(log.time_s)
    low_A = REST_A_OF_RATE * float(np.max(np.abs(log.current_A)))
    past = np.flatnonzero((soc < -PAST_EMPTY) & (np.abs(log.current_A) > low_A))
    blind = np.flatnonzero(log.unlogged & (log.interval_s > BLIND_S))
    if past.size:
        last = int(past[0])
        notes.append(
            f"{log.name}: rows from line {log.lines[last]} are left out, as they draw more than "
            "the open-circuit curve holds"
        )
    if blind.size and blind[0] < last:
        last = int(blind[0])
        notes.append(
            f"{log.name}: rows from line {log.lines[last]} are left out, as current flowed there "
            "that the file does not show"
        )
    if last < 3:
        raise InputError(f"{log.path}: {last} rows are left for the heat fit; accepted: 3 or more")
    return last, notes


def _air(
    log: Log, first_K: float, last: int, options: HeatOptions
) -> tuple[Floats, float, list[str]]:
    """Return the air (n,), its standard deviation, and what is to be said of it.

    A cell at rest is as warm as its air, so the logged air is taken as a shape and shifted to
    meet the cell at the start: what is left between them is the two sensors' offset.
    """
    if not isinstance(options.air, str):
        return np.full(last, options.air + ZERO_C_K), REST_AIR_SD_K, []
    rest_K = np.full(last, first_K)
    logged = log.ambient_C
    if options.air == "rest" or logged is None or not np.isfinite(logged[:last]).all():
        if options.air == "logged":
            raise InputError(f"{log.path}: no complete column of air temperature")
        return rest_K, REST_AIR_SD_K, [f"{log.name}: air taken as the cell's first temperature"]
    logged_K = logged[:last] + ZERO_C_K
    if options.air == "logged":
        return logged_K, REST_AIR_SD_K, []
    steps_K = np.diff(np.unique(np.round(logged_K, 6)))
    if steps_K.size == 0 or steps_K.min() >= COARSE_AIR_K:
        said = f"{log.name}: the logged air is one number or whole degrees, so the cell's first "
        return rest_K, REST_AIR_SD_K, [said + "temperature is taken"]
    offset_K = first_K - float(logged_K[0])
    said = f"{log.name}: logged air shifted by {offset_K:+.2f} K, to meet the cell at the start"
    # A large offset may as well be a cell not yet as warm as its air.
    return logged_K + offset_K, max(REST_AIR_SD_K, 0.3 * abs(offset_K)), [said]


def _tail_s(log: Log, last: int) -> float:
    """Return how long the log goes on after its last load."""
    low_A = REST_A_OF_RATE * float(np.max(np.abs(log.current_A)))
    loaded = np.flatnonzero(np.abs(log.current_A[:last]) > low_A)
    return float(log.time_s[last - 1] - log.time_s[loaded[-1]]) if loaded.size else 0.0


def _weight(time_s: Floats, measured: Floats) -> Floats:
    """Return each row's share of the log's independent points: by the time it stands for."""
    share = np.gradient(time_s)
    share[~np.isfinite(measured)] = 0.0
    return np.asarray(POINTS * share / share.sum())


def _bins(time_s: Floats) -> NDArray[np.intp]:
    """Return the first rows of stretches of equal time, of one row or more each."""
    edges_s = np.linspace(time_s[0], time_s[-1], MOST_BINS + 1)[:-1]
    return np.unique(np.searchsorted(time_s, edges_s))


def _rate_A(current_A: Floats, spans_s: Floats) -> float:
    """Return integral of I^2 over integral of I: the constant current itself where it is one."""
    charge_As = float(np.dot(current_A, spans_s))
    square = float(np.dot(current_A**2, spans_s))
    return square / abs(charge_As) if charge_As != 0.0 else 0.0


def _bridged(values: Floats) -> Floats:
    """Return `values` with straight lines where they are NaN."""
    known = np.isfinite(values)
    if known.all() or not known.any():
        return values
    at = np.arange(len(values))
    return np.interp(at, at[known], values[known])
