"""Voltage and heat of one cell, each fitted with what the other found.

The heat fit needs an open-circuit curve; the voltage fit needs to know how warm the core is and
which part of the drop lies outside the cell, since a contact does not ease as the cell warms. Two
rounds settle it: a third moves no predicted peak by 0.05 K on the open data.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np

from sim.errors import InputError
from sim.fit.curve import CURVE_SOC, REST_C, SAME_K, SLOW_C, rests, temperature_of
from sim.fit.driven import Driven, start_soc
from sim.fit.electrical import ElectricalFit, fit_electrical, predict
from sim.fit.heat import HeatFit, fit_heat
from sim.fit.heat_data import HeatOptions, OcvTable
from sim.fit.heat_predict import Voltage, inner_log, own_voltage
from sim.fit.log import Log


def table_of(electrical: ElectricalFit) -> OcvTable:
    """Return the open-circuit table of a voltage fit as the heat fit reads it.

    A curve from a fast discharge is moved to meet the rests at its temperature, held beyond them:
    10 mV of the curve are as much heat as 0.034 mV/K of entropy, and near empty it may be 40 off.
    """
    branch, open_V = electrical.branch, electrical.open_V
    if branch.rate_C > SLOW_C:
        found = [
            place
            for d in electrical.driven
            if abs(float(np.mean(temperature_of(d.log))) - branch.temperature_C) < SAME_K
            for place in _rested(d, electrical)
        ]
        if found:
            soc, off_V = np.array(sorted(found)).T
            open_V = np.maximum.accumulate(open_V + np.interp(CURVE_SOC, soc, off_V))
    return OcvTable(CURVE_SOC, open_V, electrical.capacity.charge_Ah, branch.temperature_C)


def _rested(d: Driven, electrical: ElectricalFit) -> list[tuple[float, float]]:
    """Return where a log rests, and by how much the rest stands over the curve [V]."""
    at = rests(d.log, REST_C * electrical.capacity.charge_Ah)
    off_V = d.log.voltage_V[at] - np.interp(d.soc[at], CURVE_SOC, electrical.open_V)
    return [(float(s), float(v)) for s, v in zip(d.soc[at], off_V, strict=True)]


def fit_both(
    logs: Sequence[Log],
    heat_logs: Sequence[Log],
    options: HeatOptions,
    ocv: Log | None = None,
    progress: Callable[[], None] | None = None,
) -> tuple[ElectricalFit, HeatFit]:
    """Fit voltage to `logs` (and the slow discharge `ocv`) and heat to `heat_logs`.

    The voltage fit that is returned is of the cell itself: its logs as `inner_log` gives them, so
    its resistances leave the contact out. Raises InputError as `fit_electrical` and `fit_heat`.
    """
    electrical = fit_electrical(logs, ocv, progress)
    heat = fit_heat(list(heat_logs), table_of(electrical), _started(heat_logs, electrical, options))
    inside = [_inside(heat, log, electrical) for log in logs]
    slow = None if ocv is None else _inside(heat, ocv, electrical)
    electrical = fit_electrical(inside, slow, progress)
    heat = fit_heat(list(heat_logs), table_of(electrical), _started(heat_logs, electrical, options))
    return electrical, heat


def model_voltage(electrical: ElectricalFit, heat: HeatFit, log: Log) -> Voltage:
    """Return the model's own voltage over `log`, for `predict_surface` and `interval`.

    `electrical` and `heat` are of one `fit_both`.
    """
    return own_voltage(heat, log, lambda inner: predict(electrical, inner)[1])


def _started(logs: Sequence[Log], electrical: ElectricalFit, options: HeatOptions) -> HeatOptions:
    """Return `options` with the charge at which each log begins, where they don't say it."""
    if options.start_soc != (1.0,):
        return options
    charge_Ah = electrical.capacity.charge_Ah
    starts = tuple(start_soc(log, electrical.open_V, charge_Ah)[0] for log in logs)
    return replace(options, start_soc=starts)


def _inside(heat: HeatFit, log: Log, electrical: ElectricalFit) -> Log:
    """Return a log as the cell saw it; one that the heat model can't follow keeps its surface."""
    begins = start_soc(log, electrical.open_V, electrical.capacity.charge_Ah)[0]
    try:
        return inner_log(heat, log, begins)
    except InputError:
        lost_V = heat.values.contact_ohm * log.current_A
        return replace(log, voltage_V=np.asarray(log.voltage_V + lost_V))
