"""Made-up logs of one cell with known heat, integrated by scipy and not by what is tested."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from scipy.integrate import solve_ivp

from sim.files.cell_schema import Size
from sim.fit.heat_data import KNOTS, OcvTable
from sim.fit.heat_model import SURFACE_SHARE
from sim.fit.log import Log
from sim.physics.film import Film, conductance_W_K

SIZE = Size(diameter_mm=18.4, height_mm=65.0, mass_g=47.0)
FILM = Film(np.pi * 0.0184 * 0.065, 0.0184, 0.065, True, 0.8, -1.0)
SOC = np.linspace(0.0, 1.0, 201)
OCV = OcvTable(SOC, 3.1 + 0.9 * SOC + 0.15 * np.tanh((SOC - 0.06) / 0.04), 3.0, 25.0)
ENTROPIC_mV_K = np.array([-0.2, -0.25, -0.25, -0.15, 0.0, 0.1, 0.1, 0.08, 0.05])
REFERENCE_K, ZERO_K = 298.15, 273.15


@dataclass(frozen=True)
class Truth:
    """What a log is made with; the ohm is the cell's own, the contact's comes on top."""

    capacity_J_K: float = 45.0
    across_K_W: float = 1.5
    cooling: float = 0.9  # of still air; or W/K where stirred
    still: bool = True
    contact_ohm: float = 0.012
    cell_ohm: float = 0.025
    entropic_mV_K: np.ndarray = field(default_factory=lambda: ENTROPIC_mV_K.copy())


def made(
    truth: Truth,
    current_A: float | np.ndarray,
    *,
    every_s: float = 10.0,
    tail_s: float = 0.0,
    air_C: float = 22.0,
    first_C: float | None = None,
    down_to: float = 0.03,
    noise_K: float = 0.03,
    seed: int = 0,
    name: str = "made.csv",
) -> Log:
    """Discharge from full to `down_to` at a current, or along an array of one a row, then rest."""
    if np.ndim(current_A) == 0:
        rows = int((1.0 - down_to) * OCV.capacity_Ah * 3600.0 / float(current_A) / every_s)
        current_A = np.full(rows, float(current_A))
    loaded = np.asarray(current_A, dtype=float)
    each_A = np.concatenate([[0.0], loaded, np.zeros(int(tail_s / every_s))])
    time_s = every_s * np.arange(len(each_A))
    soc = 1.0 - np.cumsum(each_A) * every_s / 3600.0 / OCV.capacity_Ah
    first_K = (air_C if first_C is None else first_C) + ZERO_K
    state = np.array([first_K, first_K])
    surface_K, core_K = [first_K], [first_K]
    for k in range(1, len(time_s)):
        state = _step(truth, state, each_A[k], soc[k], air_C + ZERO_K, every_s)
        core_K.append(state[0])
        surface_K.append(state[1])
    slope_V_K = 1e-3 * np.interp(soc, KNOTS, truth.entropic_mV_K)
    open_V = np.interp(soc, OCV.soc, OCV.voltage_V) + (np.array(core_K) - REFERENCE_K) * slope_V_K
    noise = np.random.default_rng(seed).normal(size=len(time_s)) * noise_K
    return Log(
        path=Path(name),
        name=name,
        time_s=time_s,
        current_A=each_A,
        voltage_V=open_V - each_A * (truth.cell_ohm + truth.contact_ohm),
        surface_C=np.array(surface_K) - ZERO_K + noise,
        ambient_C=None,
        notes=(),
        lines=np.arange(2, len(time_s) + 2),
    )


def _step(
    truth: Truth, state: np.ndarray, current_A: float, soc: float, air_K: float, step_s: float
) -> np.ndarray:
    """Carry core and surface over a row by scipy; heat is I^2 R - I T dU/dT, of the cell alone."""
    slope_V_K = 1e-3 * float(np.interp(soc, KNOTS, truth.entropic_mV_K))
    core_J_K = truth.capacity_J_K * (1.0 - SURFACE_SHARE)
    surface_J_K = truth.capacity_J_K * SURFACE_SHARE

    def rates(_: float, y: np.ndarray) -> list[float]:
        heat_W = current_A**2 * truth.cell_ohm - current_A * y[0] * slope_V_K
        across_W = (y[0] - y[1]) / truth.across_K_W
        law_W_K = conductance_W_K(FILM, y[1], air_K) if truth.still else 1.0
        lost_W = truth.cooling * law_W_K * (y[1] - air_K)
        return [(heat_W - across_W) / core_J_K, (across_W - lost_W) / surface_J_K]

    found = solve_ivp(rates, (0.0, step_s), state, method="LSODA", rtol=1e-8, atol=1e-8)
    return np.asarray(found.y[:, -1])
