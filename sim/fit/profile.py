"""From a fit to the content of a cell profile, each group with its source and uncertainty.

What logs of voltage and current can't tell (size, limits, heat) comes from another profile, whose
sources go along.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from sim.errors import InputError
from sim.files.cell_schema import GROUPS, CellProfile
from sim.fit import model
from sim.fit.curve import CURVE_SOC, SLOW_C
from sim.fit.driven import GAS_J_MOL_K, KNOTS_SOC, REFERENCE_K
from sim.fit.electrical import ElectricalFit
from sim.fit.log import Floats, Log
from sim.fit.trust import Range
from sim.units import ZERO_C_K

COLUMNS_C = (-40.0, -30.0, -20.0, -10.0, 0.0, 10.0, 20.0, 25.0, 30.0, 40.0, 50.0, 60.0)
COLDER_K = 10.0  # than any fitted log, and the table ends: being colder is then a limit of its own
# Relative, twice the standard error, and never less: fits of one open cell to different logs of
# it differ by 10 % in their sum of resistances, and by more where no log is sustained.
LEAST_UNSURE, UNSURE_SLOPE, UNSURE_PAIRS, UNSURE_SUSTAINED = 0.10, 0.15, 0.15, 0.35
CURVE_UNSURE, FAST_CURVE_UNSURE = 0.005, 0.01
TABLE_GROUPS = ("size", "heat", "limits")


def needs_like() -> InputError:
    """Return the complaint where no profile was given to take from what logs can't tell."""
    return InputError(
        "no profile can be written: logs don't tell a cell's size, mass, limits and chemistry; "
        "give --like PROFILE, a profile of the same class, and --mass-g if you weighed yours"
    )


def profile_of(
    fit: ElectricalFit, like: CellProfile, like_path: Path, name: str, mass_g: float | None = None
) -> dict[str, Any]:
    """Return the content of a cell profile, as TOML is read: fitted groups, and the rest of `like`.

    `mass_g` is of a cell that was weighed, in place of the mass of `like`.
    """
    given = like.model_dump(by_alias=True, exclude_none=True)
    content: dict[str, Any] = {
        "name": name,
        "chemistry": like.chemistry,
        "capacity_Ah": _figures(fit.capacity.charge_Ah, 4),
    }
    if like.nominal_V is not None:
        content["nominal_V"] = like.nominal_V
    content["size"] = dict(given["size"])
    if mass_g is not None:
        content["size"]["mass_g"] = mass_g
    curve = like.open_circuit
    content["open_circuit"] = {
        "soc": [float(s) for s in CURVE_SOC],
        "voltage_V": [round(float(v), 4) for v in fit.open_V],
        "reference_C": round(fit.branch.temperature_C, 1),
    }
    if curve.entropic_mV_K is not None:
        entropic = np.interp(CURVE_SOC, curve.soc, curve.entropic_mV_K)
        content["open_circuit"]["entropic_mV_K"] = [round(float(e), 4) for e in entropic]
    content |= _tables(fit)
    content["heat"] = given["heat"]
    content["limits"] = given["limits"]
    content["fitted"] = _fitted(fit.trust.range)
    content["sources"] = _sources(fit, like, like_path, mass_g)
    return content


def _fitted(reach: Range) -> dict[str, float]:
    """Return [fitted], what the logs span: rounded outward, so that they lie within it."""
    return {
        "coldest_C": float(np.floor(10.0 * reach.coldest_C) / 10.0),
        "warmest_C": float(np.ceil(10.0 * reach.warmest_C) / 10.0),
        "lowest_soc": float(np.floor(1e3 * reach.lowest_soc) / 1e3),
        "highest_soc": float(np.ceil(1e3 * reach.highest_soc) / 1e3),
        "charge_A": float(np.ceil(1e3 * reach.charge_A) / 1e3),
        "discharge_A": float(np.ceil(1e3 * reach.discharge_A) / 1e3),
    }


def _figures(value: float, figures: int) -> float:
    return float(f"{value:.{figures}g}")


def _columns_C(fit: ElectricalFit) -> list[float]:
    coldest_C = 5.0 * np.floor((fit.trust.range.coldest_C - COLDER_K) / 5.0)
    warmest_C = 5.0 * np.ceil(fit.trust.range.warmest_C / 5.0)
    inner = [c for c in COLUMNS_C if coldest_C < c]
    return [float(coldest_C), *inner, *([float(warmest_C)] if warmest_C > COLUMNS_C[-1] else [])]


def _tables(fit: ElectricalFit) -> dict[str, Any]:
    """Return [resistance] and [[polarisation]] over charge and temperature."""
    columns_C = _columns_C(fit)
    x = (1.0 / (np.array(columns_C) + ZERO_C_K) - 1.0 / REFERENCE_K) / GAS_J_MOL_K
    energies = model.energies_of(fit.layout, fit.x)

    def table(k: int, ohm: Floats) -> list[list[float]]:
        rows = 1e3 * ohm[:, None] * model.warmth(energies[k], x)
        return [[_figures(float(value), 5) for value in row] for row in rows]

    tables = [table(k, ohm) for k, ohm in enumerate(model.ohm_of(fit.layout, fit.x))]
    return {
        "resistance": {
            "soc": [float(s) for s in KNOTS_SOC],
            "temperature_C": columns_C,
            "discharge_mohm": tables[0],
        },
        "polarisation": [
            {"time_constant_s": _figures(float(tau_s), 5), "resistance_mohm": rows}
            for tau_s, rows in zip(model.taus_of(fit.layout, fit.x), tables[1:], strict=True)
        ],
    }


def rows_of(log: Log, first: int = 0, last: int = -1) -> str:
    """Return "name lines 2 to 380", to cite rows of a log."""
    return f"{log.name} lines {log.lines[first]} to {log.lines[last]}"


def _sources(
    fit: ElectricalFit, like: CellProfile, like_path: Path, mass_g: float | None
) -> dict[str, Any]:
    """Return where each group comes from, with its relative uncertainty."""
    out = {group: _of_like(group, like, like_path) for group in GROUPS}
    if mass_g is not None:
        out["size"]["from"] = f"mass weighed; else {out['size']['from']}"
    branch, trust = fit.branch, fit.trust
    slow = f"{rows_of(branch.log, branch.first, branch.last)} at {branch.current_A:.3g} A"
    span = (
        f"{trust.range.coldest_C:.0f} to {trust.range.warmest_C:.0f} C, "
        f"up to {trust.range.discharge_A:.1f} A"
    )
    named = "; ".join(rows_of(log) for log in fit.logs)
    energy = (
        "its slope over temperature fitted, one an element"
        if fit.layout.free_energy
        else f"its slope over temperature assumed, {model.ENERGY_J_MOL / 1e3:g} kJ/mol"
    )
    half = float(trust.total_relative_sd[np.searchsorted(KNOTS_SOC, 0.5)])
    least = LEAST_UNSURE if fit.layout.free_energy else UNSURE_SLOPE
    unsure = round(max(least, 2.0 * half), 3)
    pairs = max(unsure, UNSURE_PAIRS) if trust.sustained else UNSURE_SUSTAINED
    warn = "" if trust.sustained else "; nothing sustained in the logs: slow part undetermined"
    out["capacity"] = {
        "from": f"fitted: {fit.capacity.how}; {slow}",
        "uncertainty": round(max(0.01, 2.0 * fit.capacity.relative_sd), 3),
    }
    out["open_circuit"] = {
        "from": f"fitted: {slow}, plus its own drop over the fitted resistance",
        "uncertainty": CURVE_UNSURE if branch.rate_C <= SLOW_C else FAST_CURVE_UNSURE,
    }
    out["resistance"] = {"from": f"fitted: {named}; {span}; {energy}", "uncertainty": unsure}
    out["polarisation"] = {
        "from": f"fitted with [resistance], the sum is surer than its parts; {span}{warn}",
        "uncertainty": round(pairs, 3),
    }
    return out


def _of_like(group: str, like: CellProfile, like_path: Path) -> dict[str, Any]:
    source = like.sources.get(group)
    if source is None:
        text = f"taken over from {like_path.name}, which names no source"
        return {"from": text, "uncertainty": 0.2, "guess": True}
    text = f"taken over from {like_path.name}: {source.origin}"
    return {"from": text, "uncertainty": source.uncertainty, "guess": source.guess}
