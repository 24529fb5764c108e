"""The question: what are this cell's real parameters, how well do they meet its logs?"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from sim.errors import InputError
from sim.files.cell_schema import CellProfile
from sim.files.toml import checked
from sim.fit.curve import SLOW_C
from sim.fit.electrical import ElectricalFit, fit_electrical
from sim.fit.heat import HeatFit, HeatOptions
from sim.fit.heat_both import fit_both
from sim.fit.heat_data import BLIND_S
from sim.fit.heat_profile import into_profile
from sim.fit.log import Log
from sim.fit.profile import profile_of

POOR = 4.0  # times 3 mV + 3 % of the drop
TWO_RUNS_MV = 10.0  # two runs of one test differ by as much
RISE_K = 1.5  # of a surface: less tells nothing of heat beside a sensor's own error


@dataclass(frozen=True)
class Given:
    """What goes with the logs: the profile that they are likened to, and how they were taken.

    `air` is "still" or "stirred", None for no heat fit; `contact` as `HeatOptions` has it.
    """

    like: CellProfile
    like_path: Path
    name: str
    mass_g: float | None = None
    air: str | None = "still"
    contact: str = "fit"


@dataclass(frozen=True)
class Found:
    """The answer: both fits and the profile's content, checked. `heat` is None where not fitted."""

    electrical: ElectricalFit
    heat: HeatFit | None
    no_heat: str  # why there is none
    content: dict[str, Any]
    given: Given


def fit_cell(
    logs: Sequence[Log],
    ocv: Log | None,
    given: Given,
    progress: Callable[[], None] | None = None,
) -> Found:
    """Fit voltage, and heat where the logs tell of it, and make a profile of both.

    Raises InputError where the logs can't be used.
    """
    warm = [log for log in logs if log is not ocv and _warms(log)]
    size = given.like.size
    if given.mass_g is not None:
        size = size.model_copy(update={"mass_g": given.mass_g})
    heat, no_heat = None, _no_heat(given, warm)
    if not no_heat:
        assert given.air is not None  # or there would be a reason
        options = HeatOptions(size=size, cooling=given.air, contact=given.contact)
        try:
            electrical, heat = fit_both(logs, warm, options, ocv, progress)
        except InputError as problem:
            no_heat = f"the heat fit refused: {problem.complaints[0]}"
    if heat is None or not heat.fitted:  # what it made of core and contact must not stay in
        electrical = fit_electrical(logs, ocv, progress)
    content = profile_of(electrical, given.like, given.like_path, given.name, given.mass_g)
    if heat is not None and heat.fitted:
        content = into_profile(content, heat)
    checked(CellProfile, content, given.name)
    return Found(electrical, heat, no_heat, content, given)


def _warms(log: Log) -> bool:
    """Return whether a log says something of heat: a surface that warms, and its current logged."""
    if log.surface_C is None or not np.isfinite(log.surface_C).any():
        return False
    if np.sum(log.interval_s[log.unlogged]) > BLIND_S:
        return False
    return float(np.nanmax(log.surface_C) - log.surface_C[np.isfinite(log.surface_C)][0]) > RISE_K


def _no_heat(given: Given, warm: list[Log]) -> str:
    if given.air is None:
        return "not asked for"
    if not warm:
        return f"no log has a surface that warms by {RISE_K:g} K with its current logged"
    return ""


def warnings(found: Found) -> list[str]:
    """Return what must be said beside the answer, most important first."""
    fit, out = found.electrical, []
    trust = fit.trust
    if not trust.sustained:
        out.append(
            "sustained response undetermined: these logs hold pulses and a slow discharge only; "
            "add one ordinary drive or a discharge at 1C"
        )
    alike = [start for start in fit.starts if start.as_good]
    if fit.apart_mV > TWO_RUNS_MV:
        out.append(
            f"{len(alike)} starts fit equally well but predict another load {fit.apart_mV:.0f} mV "
            "apart: more logs are needed"
        )
    poor = [
        f"{look.name} ({look.rms_mV:.0f} mV rms)"
        for look, scale in zip(fit.looks, fit.scales, strict=True)
        if scale > POOR
    ]
    if poor:
        out.append(
            f"met poorly: {', '.join(poor)}. Is it the same cell? In the cold a cell's drop grows "
            "less than in proportion to current, which the model can't follow: large currents "
            "then drop less than predicted, small ones more"
        )
    if fit.branch.rate_C > SLOW_C:
        out.append(
            f"the open-circuit voltage is from a discharge at {fit.branch.rate_words}, with the "
            "fitted resistance added; a slow one (C/20) is surer"
        )
    branch = fit.branch
    if branch.back_Ah is not None and abs(branch.counted_Ah / branch.back_Ah - 1.0) > 0.02:
        out.append(
            f"{branch.log.name} counts {branch.counted_Ah:.3f} Ah out and {branch.back_Ah:.3f} "
            f"back: its current is off by about {1e3 * branch.offset_A:.0f} mA; each branch was "
            "put on its own count"
        )
    elif fit.capacity.rests == 0:
        out.append(f"capacity is {fit.capacity.how}")
    return out
