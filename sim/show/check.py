"""How a scenario was understood, in words: what `check` prints."""

from __future__ import annotations

import math

import numpy as np

from sim.ask.whole import assumptions_of
from sim.files.built_case import built_case, is_built
from sim.files.case import Case, guesses
from sim.judge.series import count
from sim.physics.pack import POWER
from sim.show.check_built import built_subjects, wiring_subjects
from sim.show.lines import hung, span
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text

INDENT = 9


def subjects(case: Case) -> list[tuple[str, str]]:
    """Return what was understood, by subject; a subject left "" goes on, a text left "" is none."""
    return [
        ("cell", _cell(case)),
        ("pack", _pack(case)),
        ("load", _load(case)),
        ("", f"read as {case.load_file.rule}"),
        ("vehicle", _vehicle(case)),
        ("air", _air(case)),
        ("cooling", _cooling(case)),
        ("start", _start(case)),
        ("limits", _limits(case)),
        *(built_subjects(built_case(case)) if is_built(case.scenario) else []),
        *wiring_subjects(case.scenario),
        *(("note", note) for note in case.notes),
        *(("guess", f"{g['what']}: {g['from']}") for g in guesses(case)),
        *(("assumed", sentence) for sentence in assumptions_of(case)),
    ]


def understood(case: Case) -> list[str]:
    """Return some lines a subject, the first saying that the files can be used."""
    lines = [f"{case.path} can be used: {case.scenario.title}."]
    for label, text in subjects(case):
        lines += hung(label, text, INDENT) if text else []
    return lines


def _cell(case: Case) -> str:
    profile = case.profile
    what = ", ".join(word for word in (profile.name, profile.chemistry) if word)
    return f"{what}, {profile.capacity_Ah:g} Ah"


def _pack(case: Case) -> str:
    pack, profile = case.plant.pack, case.profile
    mass_kg = count(case.plant) * profile.size.mass_g / 1000.0
    pack_Ah = profile.capacity_Ah * pack.parallel * pack.packs
    packs = "" if pack.packs == 1 else f", {pack.packs} packs"
    return (
        f"{pack.series} in series x {pack.parallel} in parallel{packs}: {count(case.plant)} cells, "
        f"{mass_kg:.1f} kg of cells, {pack_Ah:.1f} Ah, {pack.series * case.limits.cutoff_V:.1f} to "
        f"{pack.series * case.limits.full_V:.1f} V"
    )


def _load(case: Case) -> str:
    load, wanted = case.load, case.scenario.load
    length_s = np.diff(load.edge_s)
    amount_h = float(np.sum(load.value * length_s)) / SECONDS_PER_HOUR
    unit = "W" if load.kind == POWER else "A"
    end_s = float(load.edge_s[-1])
    when = span(end_s)
    if case.has_clock:
        until = clock_text(case.start_clock_s + end_s)
        when = f"{clock_text(case.start_clock_s)} to {until} ({when})"
    times = "" if wanted.repeat == 1 else f", {wanted.repeat} times over"
    if wanted.until_it_repeats:
        times += f", each day until it repeats, up to {wanted.most_days} days"
    scaled = "" if wanted.scale == 1.0 else f", scaled by {wanted.scale:g}"
    return (
        f"'{case.load_file.column}' of {case.load_file.source} as {case.load_file.quantity}"
        f"{times}{scaled}: {when}, {load.value.min():.1f} to {load.value.max():.1f} {unit}, "
        f"{amount_h:.1f} {unit}h net, {len(case.legs.start_s)} steps of constant load"
    )


def _vehicle(case: Case) -> str:
    road = case.load_file.road
    if road is None:
        return ""
    return (
        f"{road.distance_m / 1000.0:.2f} km, {road.climb_m:.0f} m climbed, top "
        f"{road.top_speed_m_s * 3.6:.1f} km/h, {road.battery_Wh:.0f} Wh from the pack once through"
    )


def _air(case: Case) -> str:
    air_C, box = case.weather.ambient_K - ZERO_C_K, case.scenario.enclosure
    low, high = f"{air_C.min():z.1f}", f"{air_C.max():z.1f}"
    outside = f"{low} C outside" if low == high else f"{low} to {high} C outside"
    if box is None:
        return f"{outside}, no box"
    sun_W = float(case.weather.sun_W.max())
    sun = f", sun up to {sun_W:.0f} W" if sun_W > 0.0 else ", no sun"
    other = f", {box.other_heat_W:g} W of other heat" if box.other_heat_W > 0.0 else ""
    through_W_K = box.wall_area_m2 * box.wall_conductance_W_m2K
    return f"{outside}{sun}{other}; a box that loses {through_W_K:.1f} W/K through its walls"


def _cooling(case: Case) -> str:
    cooling = case.scenario.cooling
    if cooling.conductance_W_K is not None:
        return f"{cooling.conductance_W_K:g} W/K from each cell to the air, as given"
    return (
        f"still air on {100.0 * cooling.exposed_fraction:.0f} % of the side of {cooling.axis} "
        f"cells, emissivity {cooling.emissivity:g}"
    )


def _start(case: Case) -> str:
    cells_C = case.start[1] - ZERO_C_K
    return f"{100.0 * case.start[0]:.0f} % charge, cells at {cells_C:z.1f} C"


def _limits(case: Case) -> str:
    levels, own = case.limits, case.scenario.limits
    said = [
        f"cell {levels.cutoff_V:.2f} to {levels.full_V:.2f} V",
        f"core {_range_C(levels.discharge_core_min_K, levels.core_max_K)} C, on charge "
        f"{_range_C(levels.charge_core_min_K, levels.charge_core_max_K)} C",
        f"cell {levels.cell_discharge_A:g} A, on charge {levels.cell_charge_A:g} A",
    ]
    if math.isfinite(levels.pack_current_A):
        said.append(f"each pack {levels.pack_current_A:g} A")
    if own.reserve_percent > 0.0:
        said.append(f"{own.reserve_percent:g} % reserve")
    ends = "the run stops there" if own.on_cutoff == "stop" else "the run goes on"
    return f"{'; '.join(said)}; at cut-off {ends}"


def _range_C(low_K: float, high_K: float) -> str:
    return f"{low_K - ZERO_C_K:.0f} to {high_K - ZERO_C_K:.0f}"
