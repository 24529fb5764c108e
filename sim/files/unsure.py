"""How far guesses may be off where their profile does not tell; bad ends and odds read it."""

from __future__ import annotations

from sim.files.built_schema import LayoutTable
from sim.files.cell_schema import CORE_TO_SURFACE, CellProfile
from sim.files.scenario_schema import CoolingTable

# Natural-convection correlations scatter by a fifth about measurements: common practice, no source.
FILM_UNCERTAINTY = 0.2
MEASURED_COOLING = 0.1  # assumed of a measured conductance that says nothing of itself
NO_SOURCE = 0.25  # assumed where a profile says nothing of a group
# What air carries between cells is the least known of a module's heat: assumed, of a share that
# nobody gave, and of one that was given (by a measurement or by feeling, nobody says).
BETWEEN_ASSUMED, BETWEEN_GIVEN = 0.5, 0.2
BETWEEN = "between_share"
# What a gap hands on is a lower estimate but for sleeves, cells that stand askew, and the draught
# along it. The draught counts already as what a side gives to air, half of which is half of what
# air in 5 mm hands on: assumed.
GAP, GAP_ASSUMED = "gap_air", 0.5
ACROSS_GUESSED = 0.5  # what the shipped profiles say of core_to_surface_K_W


def core_to_surface_off(profile: CellProfile) -> tuple[float, str]:
    """Return the uncertainty of what lies between core and surface, and who says so."""
    own, heat = profile.sources.get(CORE_TO_SURFACE), profile.sources.get("heat")
    if own is not None:
        return own.uncertainty, own.origin
    if heat is None or heat.guess:
        return ACROSS_GUESSED, "assumed: heat is a guess, and this part of it the least sure"
    return heat.uncertainty, f"as heat: {heat.origin}"


def cooling_off(cooling: CoolingTable) -> tuple[float, str]:
    """Return the uncertainty of a cell's cooling by the air, and who says so."""
    if cooling.uncertainty_percent is not None:
        return cooling.uncertainty_percent / 100.0, "[cooling] uncertainty_percent"
    if cooling.conductance_W_K is not None:
        return (
            MEASURED_COOLING,
            "assumed of a measured value; [cooling] uncertainty_percent tells otherwise",
        )
    return FILM_UNCERTAINTY, "assumed: what correlations scatter about measurements"


def between_off(layout: LayoutTable) -> tuple[float, str]:
    """Return the uncertainty of the share that air carries between cells, and who says so."""
    if BETWEEN in layout.model_fields_set:
        return BETWEEN_GIVEN, "assumed of a given value"
    if layout.gap_mm is not None:
        return 1.0, "assumed: [layout] between_share is left out, and in narrow gaps air may stand"
    return BETWEEN_ASSUMED, "assumed: [layout] between_share is left out"
