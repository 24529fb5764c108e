"""The same day with every guess at the end of its range that makes the pack hotter and emptier.

Not a likely day: all at once is rarer than each. What it says is whether the answer hangs on the
guesses. Frost has an end of its own, with every guess at its colder side, and so has braking into
full cells, at their fuller side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from sim.ask.built_run import UNDELIVERED
from sim.ask.lasting import reopened, settled
from sim.drive.days import Ending, Lasted
from sim.files.case import Case
from sim.files.cell_schema import CORE_TO_SURFACE
from sim.files.unsure import (
    BETWEEN,
    GAP,
    GAP_ASSUMED,
    NO_SOURCE,
    between_off,
    cooling_off,
    core_to_surface_off,
)
from sim.integrate import march
from sim.judge.verdict import Judged, Verdict, judge
from sim.physics.cell import FIRST_PAIR
from sim.physics.limits import CHARGE_COLD, COLD, OVERCHARGE
from sim.physics.plant import SOC, Plant

FROST = (COLD, CHARGE_COLD)
FARTHEST = 0.9  # of a value towards nothing: resistances and heat capacities stay above it


@dataclass(frozen=True)
class BadEnd:
    """What becomes of the day there, and by how much each group was moved (relative).

    `cold` is the limit of cold that comes nearest at the colder end, None where none was looked at
    or came within reach. `never_charges` are the ends, "hotter" or "colder", at which a charger of
    packs as built never begins though a pack is not full. `full` is how near cells come to their
    full voltage at the fuller end, None where no braking charges them.
    `cut_offs` are the thresholds that break a drive at either end, as early as their tolerance
    allows, and when; `undelivered` is the share of the energy asked that is held back there.
    """

    verdict: Verdict
    end_soc: float
    moved: dict[str, float]
    cold: Judged | None
    never_charges: tuple[str, ...] = ()
    full: Judged | None = None
    cut_offs: tuple[tuple[str, float], ...] = ()
    undelivered: float = 0.0
    lasted: Lasted | None = None  # at the hotter end, of days that are run until they repeat

    @property
    def passed(self) -> bool:
        """Whether every limit holds at the hotter and emptier end, others at their own ends.

        And whether the day is driven there as it was asked for, and every day to come is known.
        """
        others = all(j is None or j.passed for j in (self.cold, self.full))
        driven = not self.cut_offs and self.undelivered <= UNDELIVERED
        known = self.lasted is None or self.lasted.ending != Ending.OPEN
        return self.verdict.passed and others and driven and known and not self.never_charges


def shares(case: Case) -> dict[str, float]:
    """Return by how much each group of parameters is moved, as a share of its value."""
    groups = ("capacity", "open_circuit", "entropic", "resistance", "polarisation", "heat")
    profile, sources = case.profile, case.profile.sources
    moved = {
        group: sources[group].uncertainty if group in sources else NO_SOURCE for group in groups
    }
    if profile.open_circuit.entropic_mV_K is None:
        moved.pop("entropic")
    if not profile.polarisation:
        moved.pop("polarisation")
    if profile.heat.core_to_surface_K_W > 0.0:
        moved[CORE_TO_SURFACE] = core_to_surface_off(profile)[0]
    moved["film"] = cooling_off(case.scenario.cooling)[0]
    layout = case.scenario.layout
    if layout is not None and layout.between_share > 0.0:
        moved[BETWEEN] = between_off(layout)[0]
    if layout is not None and layout.gap_mm is not None and layout.model == "resolved":
        moved[GAP] = GAP_ASSUMED
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
        core_to_surface_W_K=cell.core_to_surface_W_K / (1.0 + moved.get(CORE_TO_SURFACE, 0.0)),
    )
    weaker = 1.0 - moved.get("film", 0.0)
    film = plant.film
    if film.fixed_W_K >= 0.0:
        film = film._replace(fixed_W_K=film.fixed_W_K * weaker)
    return plant._replace(cell=worse, film=film._replace(area_m2=film.area_m2 * weaker))


def bad_end(case: Case) -> BadEnd:
    """Run the day of `case` at the bad end of every guess."""
    moved = shares(case)
    settings = march.Settings(
        stop_at_limits=case.scenario.limits.on_cutoff == "stop", keep_trace=False
    )
    worse = settled(replace(reopened(case), plant=hotter_and_emptier(case.plant, moved)))
    trace = march.march(worse.plant, case.limits, worse.legs, case.start, settings)
    verdict = judge(case.limits, worse.legs, trace)
    end_soc, full = float(trace.state[-1, SOC]), full_end(case, moved)
    cold = cold_end(case, moved)
    return BadEnd(verdict, end_soc, moved, cold, full=full, lasted=worse.lasted)


def fuller_side(moved: dict[str, float]) -> dict[str, float]:
    """Return the fuller end of `moved`: more voltage, capacity and resistance, and less warmth."""
    ends = {**moved, "entropic": -moved.get("entropic", 0.0)}
    for group in {"capacity", "open_circuit", "film", BETWEEN} & moved.keys():
        ends[group] = -min(moved[group], FARTHEST)
    return ends


def full_end(case: Case, moved: dict[str, float]) -> Judged | None:
    """Run the day of `case` at the fuller end of every guess; None where no braking charges it."""
    if not np.any(case.legs.value < 0.0):
        return None
    plant = hotter_and_emptier(case.plant, fuller_side(moved))
    settings = march.Settings(stop_at_limits=False, keep_trace=False)
    trace = march.march(plant, case.limits, case.legs, case.start, settings)
    judged = judge(case.limits, case.legs, trace).limit(OVERCHARGE)
    return None if judged.margin is None else judged


def cold_end(case: Case, moved: dict[str, float]) -> Judged | None:
    """Run the day of `case` with every guess at its colder end; None where cold is no limit.

    Less resistance, more voltage and charge, less reversible heat: less is made. Whether weight
    and cooling help or hurt hangs on whether the day begins warm, so both are tried either way.
    """
    settings = march.Settings(stop_at_limits=False, keep_trace=False)
    found = []
    for ends in cold_sides(moved):
        plant = hotter_and_emptier(case.plant, ends)
        trace = march.march(plant, case.limits, case.legs, case.start, settings)
        found.append(judge(case.limits, case.legs, trace))
    return coldest(found)


def cold_sides(moved: dict[str, float]) -> list[dict[str, float]]:
    """Return the four colder ends of `moved`: weight and cooling at either side."""
    least = {group: -min(share, FARTHEST) for group, share in moved.items()}
    if "entropic" in moved:  # of either sign, so that nothing bounds it
        least["entropic"] = -moved["entropic"]
    if GAP in moved:  # less of it leaves the hottest hotter and the coldest colder
        least[GAP] = moved[GAP]
    return [
        {**least, "heat": heat * least["heat"], "film": film * least["film"]}
        for heat, film in product((1.0, -1.0), repeat=2)
    ]


def coldest(verdicts: list[Verdict]) -> Judged | None:
    """Return the limit of cold with the least room in any of `verdicts`; None if none applied."""
    found = [v.limit(n) for v in verdicts for n in FROST if v.limit(n).margin is not None]
    return min(found, key=_room_K, default=None)


def _room_K(judged: Judged) -> float:
    return math.inf if judged.margin is None else judged.margin
