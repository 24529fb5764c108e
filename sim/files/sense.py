"""What the tables of a scenario accept one by one and must not say together, or say in vain."""

from __future__ import annotations

from sim.files.cell_schema import CellProfile
from sim.files.scenario_schema import UNTIL, EnclosureTable, ScenarioTable, TableColumns
from sim.physics.limits import Limits
from sim.units import ZERO_C_K

# No wall takes more: the sun outside the atmosphere (Kopp and Lean, Geophys. Res. Lett. 38, 2011).
SUN_W_M2 = 1361.0
HOTTEST_BOX_K = 500.0  # above the air; past it neither air nor any battery is what the model knows


def contradictions(scenario: ScenarioTable, profile: CellProfile, limits: Limits) -> list[str]:
    """Return one sentence for each thing that can't be meant, [table] first."""
    found = _levels(scenario, limits)
    rest_V = profile.open_circuit.voltage_V[-1]
    if rest_V <= limits.cutoff_V < limits.full_V:
        found.append(
            f"[limits] cutoff_V {limits.cutoff_V:g} is not below the {rest_V:g} V at which a full "
            "cell rests, so no charge would do"
        )
    start, reserve = scenario.start.charge_percent, scenario.limits.reserve_percent
    if start < reserve:
        found.append(
            f"[start] charge_percent {start:g} lies below [limits] reserve_percent {reserve:g}"
        )
    if scenario.cooling.conductance_W_K is None and scenario.cooling.exposed_fraction == 0.0:
        found.append(
            "[cooling] exposed_fraction is 0, so cells could lose no heat at all; "
            "accepted: above 0 to 1, or a measured conductance_W_K"
        )
    return found + ([] if scenario.enclosure is None else _warmth(scenario.enclosure))


def _levels(scenario: ScenarioTable, limits: Limits) -> list[str]:
    """Return a sentence for each pair of limits whose lower one is not the lower."""
    pairs = (
        ("cutoff_V", limits.cutoff_V, "full_V", limits.full_V),
        (
            "discharge_core_min_C",
            limits.discharge_core_min_K - ZERO_C_K,
            "core_max_C",
            limits.core_max_K - ZERO_C_K,
        ),
        (
            "charge_core_min_C",
            limits.charge_core_min_K - ZERO_C_K,
            "charge_core_max_C",
            limits.charge_core_max_K - ZERO_C_K,
        ),
    )

    def origin(name: str) -> str:
        return " (of the cell profile)" if getattr(scenario.limits, name) is None else ""

    return [
        f"[limits] {low} {low_level:g}{origin(low)} must lie below {high} {high_level:g}"
        f"{origin(high)}"
        for low, low_level, high, high_level in pairs
        if low_level >= high_level
    ]


def _warmth(box: EnclosureTable) -> list[str]:
    """Return a sentence for each heat source that no box could have."""
    found = []
    if box.sun_W is not None and box.sun_W > SUN_W_M2 * box.wall_area_m2:
        found.append(
            f"[enclosure] sun_W {box.sun_W:g} is more than the sun has on wall_area_m2 "
            f"{box.wall_area_m2:g}; accepted: up to {SUN_W_M2 * box.wall_area_m2:.0f}"
        )
    if box.sun_area_m2 is not None and box.sun_area_m2 > box.wall_area_m2:
        found.append(
            f"[enclosure] sun_area_m2 {box.sun_area_m2:g} is more than wall_area_m2 "
            f"{box.wall_area_m2:g}"
        )
    rise_K = (box.other_heat_W + (box.sun_W or 0.0)) / box.wall_conductance_W_m2K
    if box.inside_conductance_W_m2K is not None:
        rise_K += box.other_heat_W / box.inside_conductance_W_m2K
    rise_K /= box.wall_area_m2
    if rise_K > HOTTEST_BOX_K:
        found.append(
            f"[enclosure] other_heat_W and sun_W would warm the box by {rise_K:.3g} K through "
            f"these walls, without any cell; accepted: up to {HOTTEST_BOX_K:g} K"
        )
    return found


def said_in_vain(scenario: ScenarioTable, gives: str) -> list[str]:
    """Return a sentence for each key that was given and is not used.

    `gives` is the quantity in the load's file: power, current or speed.
    """
    ambient, box, cooling = scenario.ambient, scenario.enclosure, scenario.cooling
    idle: list[tuple[str, set[str], str]] = []
    if gives == "speed":
        idle.append(("load", {"discharge"}, "its file gives speed"))
    if not scenario.load.until_it_repeats:
        idle.append(("load", {"most_days"}, f'it belongs to days = "{UNTIL}"'))
    if ambient.low_C is None:
        idle.append(("ambient", {"warmest"}, "it belongs to low_C and high_C"))
    if ambient.profile is None:
        idle.append(("ambient", set(TableColumns.model_fields), "it belongs to a profile"))
    if cooling.conductance_W_K is not None:
        replaced = {"exposed_fraction", "emissivity", "axis"}
        if scenario.layout is not None and scenario.layout.gap_mm is not None:
            replaced = {"axis"}  # gaps between cells read the others
        idle.append(("cooling", replaced, "conductance_W_K replaces it"))
    if box is not None and box.sun_W is None:
        idle.append(("enclosure", {"sunrise", "sunset"}, "it belongs to sun_W"))
    if box is not None and ambient.profile is None:
        idle.append(("enclosure", {"sun_area_m2"}, "it belongs to an [ambient] profile with sun"))
    if box is None:
        idle.append(("start", {"box_C"}, "there is no [enclosure]"))
    return [
        f"[{table}] {key} is not used: {why}"
        for table, keys, why in idle
        for key in sorted(keys & getattr(scenario, table).model_fields_set)
    ]
