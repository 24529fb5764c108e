"""How a scenario was understood, in words: what `check` prints."""

from __future__ import annotations

import numpy as np

from sim.files.case import Case, guesses
from sim.judge.series import count
from sim.physics.pack import POWER
from sim.units import SECONDS_PER_HOUR, ZERO_C_K, clock_text


def understood(case: Case) -> list[str]:
    """Return one line a subject, the first saying that the files can be used."""
    load, scenario, profile, pack = case.load, case.scenario, case.profile, case.plant.pack
    length_s = np.diff(load.edge_s)
    amount_h = float(np.sum(load.value * length_s)) / SECONDS_PER_HOUR
    unit = "W" if load.kind == POWER else "A"
    mass_kg = count(case.plant) * profile.size.mass_g / 1000.0
    pack_Ah = profile.capacity_Ah * pack.parallel * pack.packs
    ambient_C = case.weather.ambient_K - ZERO_C_K
    lines = [
        f"{case.path} can be used: {scenario.title}.",
        f"cell     {profile.name}, {profile.chemistry}, {profile.capacity_Ah:g} Ah",
        f"pack     {pack.series} in series x {pack.parallel} in parallel x {pack.packs}: "
        f"{count(case.plant)} cells, {mass_kg:.1f} kg of cells, {pack_Ah:.1f} Ah, "
        f"{pack.series * case.limits.cutoff_V:.1f} to {pack.series * case.limits.full_V:.1f} V",
        f"load     {case.load_file.rule}",
        f"         '{case.load_file.column}' as {case.load_file.quantity}; "
        f"{clock_text(case.start_clock_s)} + {load.edge_s[-1] / SECONDS_PER_HOUR:.2f} h in "
        f"{len(case.legs.start_s)} legs; {load.value.min():.1f} to {load.value.max():.1f} {unit}, "
        f"net {amount_h:.1f} {unit}h",
        f"air      {ambient_C.min():.1f} to {ambient_C.max():.1f} C outside"
        + (f", sun up to {case.weather.sun_W.max():.0f} W" if scenario.enclosure else ", no box"),
        f"start    {100.0 * case.start[0]:.0f} % charge, cells at "
        f"{case.start[1] - ZERO_C_K:.1f} C",
    ]
    road = case.load_file.road
    if road is not None:
        lines.append(
            f"vehicle  {road.distance_m / 1000.0:.2f} km, {road.climb_m:.0f} m climbed, top "
            f"{road.top_speed_m_s * 3.6:.1f} km/h, {road.battery_Wh:.0f} Wh from the pack once "
            "through"
        )
    lines += [f"note     {note}" for note in case.notes]
    lines += [f"guess    {g['what']}: {g['from']}" for g in guesses(case)]
    lines += [f"assumed  {sentence}" for sentence in case.assumptions]
    return lines
