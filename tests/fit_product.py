"""A fitted profile through the product itself: written, read back, and marched over a log.

The measured surface is the cell's temperature: one lumped node that hangs on air of that
temperature by a conductance so large that it lags by milliseconds.
"""

from __future__ import annotations

import numpy as np
import plants
from plants import NOT_LIMITED

from sim.drive.legs import Load, legs
from sim.drive.weather import Weather
from sim.files.cell_record import cell_record
from sim.files.cell_schema import CellProfile
from sim.files.toml import checked, read_toml
from sim.fit.curve import temperature_of
from sim.fit.electrical import ElectricalFit
from sim.fit.log import Log
from sim.fit.profile import profile_of
from sim.integrate.march import Settings, march
from sim.judge.series import series
from sim.physics.pack import CURRENT
from sim.physics.plant import at_rest
from sim.show.fit_files import toml_of
from sim.units import ZERO_C_K

INNER = np.array([0.0, 0.02, 0.08, 0.2, 0.4, 0.6, 0.8, 1.0])  # of a row, for the mean over it
ON_AIR_W_K = 1e4


def written(fit: ElectricalFit, folder) -> CellProfile:
    """Return the profile of a fit, by way of its file; size, limits and heat are a textbook's."""
    like = CellProfile.model_validate(plants.profile())
    path = folder / "proposed.toml"
    path.write_text(toml_of(profile_of(fit, like, path, "proposed")), "utf-8")
    return checked(CellProfile, read_toml(path), str(path))


def marched_V(profile: CellProfile, log: Log, start_soc: float = 1.0) -> np.ndarray:
    """Return the march's voltage at each row of a log (n,), its current held as the log means it.

    Of a row that is a mean, the mean over it; of samples, the end of the row's current, NaN for
    the first.
    """
    surface_K = temperature_of(log) + ZERO_C_K
    if log.means:
        edge_s = np.append(log.time_s, log.time_s[-1] + log.interval_s[-1])
        current_A, knot_K = log.current_A, np.append(surface_K, surface_K[-1])
        inner_s = (edge_s[:-1, None] + np.diff(edge_s)[:, None] * INNER).ravel()
        knots_s = np.unique(np.round(np.concatenate([edge_s, inner_s]), 6))
    else:
        edge_s, current_A, knot_K, knots_s = log.time_s, log.current_A[1:], surface_K, log.time_s
    load = Load(CURRENT, edge_s, current_A, np.arange(len(current_A)))
    weather = Weather(knots_s, np.interp(knots_s, edge_s, knot_K), np.zeros(len(knots_s)))
    plant = plants.plant(cell_record(profile), conductance_W_K=ON_AIR_W_K)
    rowed = legs(load, weather)
    start = at_rest(plant, start_soc, surface_K[0], surface_K[0])
    trace = march(plant, NOT_LIMITED, rowed, start, Settings(stop_at_limits=False))
    seen = series(plant, rowed, trace)
    row = np.searchsorted(edge_s, rowed.start_s, side="right") - 1
    of_point = row[seen.leg]
    if not log.means:
        last = np.append(np.flatnonzero(np.diff(of_point)), len(of_point) - 1)
        return np.insert(seen.cell_voltage_V[last], 0, np.nan)
    step_s = np.diff(seen.time_s)
    same = np.diff(of_point) == 0
    area = 0.5 * (seen.cell_voltage_V[1:] + seen.cell_voltage_V[:-1]) * step_s
    sums = np.bincount(of_point[1:][same], area[same], minlength=len(current_A))
    spans = np.bincount(of_point[1:][same], step_s[same], minlength=len(current_A))
    return sums / spans
