"""The same day with every guess at the end of its range that makes the pack hotter and emptier.

Not a likely day: all at once is rarer than each. What it says is whether the answer hangs on the
guesses.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from sim.ask.unsure import FILM_UNCERTAINTY, NO_SOURCE
from sim.files.case import Case
from sim.integrate import march
from sim.judge.verdict import Verdict, judge
from sim.physics.cell import FIRST_PAIR
from sim.physics.plant import SOC, Plant


@dataclass(frozen=True)
class BadEnd:
    """What becomes of the day there, and by how much each group was moved (relative)."""

    verdict: Verdict
    end_soc: float
    moved: dict[str, float]


def shares(case: Case) -> dict[str, float]:
    """Return by how much each group of parameters is moved, as a share of its value."""
    groups = ("capacity", "open_circuit", "entropic", "resistance", "polarisation", "heat")
    sources = case.profile.sources
    moved = {
        group: sources[group].uncertainty if group in sources else NO_SOURCE for group in groups
    }
    if case.profile.open_circuit.entropic_mV_K is None:
        moved.pop("entropic")
    if not case.profile.polarisation:
        moved.pop("polarisation")
    if case.scenario.cooling.conductance_W_K is None:
        moved["film"] = FILM_UNCERTAINTY
    return moved


def hotter_and_emptier(plant: Plant, moved: dict[str, float]) -> Plant:
    """Return `plant` with each group of `moved` at its bad end."""
    cell = plant.cell
    layers, ocv = cell.layers.copy(), cell.ocv.copy()
    layers[..., :FIRST_PAIR] *= 1.0 + moved["resistance"]
    layers[..., FIRST_PAIR::2] *= 1.0 + moved.get("polarisation", 0.0)
    ocv[..., 0] *= 1.0 - moved["open_circuit"]
    ocv[..., 1] -= moved.get("entropic", 0.0) * np.abs(ocv[..., 1])  # falling heats on discharge
    lighter = max(1.0 - moved["heat"], 0.05)
    worse = cell._replace(
        layers=layers,
        ocv=ocv,
        capacity_As=cell.capacity_As * max(1.0 - moved["capacity"], 0.05),
        core_J_K=cell.core_J_K * lighter,
        surface_J_K=cell.surface_J_K * lighter,
        core_to_surface_W_K=cell.core_to_surface_W_K / (1.0 + moved["heat"]),
    )
    film = plant.film._replace(area_m2=plant.film.area_m2 * (1.0 - moved.get("film", 0.0)))
    return plant._replace(cell=worse, film=film)


def bad_end(case: Case) -> BadEnd:
    """Run the day of `case` at the bad end of every guess."""
    moved = shares(case)
    settings = march.Settings(
        stop_at_limits=case.scenario.limits.on_cutoff == "stop", keep_trace=False
    )
    plant = hotter_and_emptier(case.plant, moved)
    trace = march.march(plant, case.limits, case.legs, case.start, settings)
    verdict = judge(case.limits, case.legs, trace)
    return BadEnd(verdict, float(trace.state[-1, SOC]), moved)
