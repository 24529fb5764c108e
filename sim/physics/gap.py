"""Heat across the air between the sides of two neighbouring cells, as a conductance to count on.

More of it evens temperatures out, so that the hottest cell comes out cooler: all here is at the
lower side. Neighbours face each other with a sector each, half of the angle between two neighbours
to either side, so that no part of a side counts for two of them. Straight slices of air lead from
sector to sector and hand each other nothing, which can only lower what air conducts (cuts never
make a conductor better: Rayleigh, from memory): between cells of 18.4 mm by 8 to 22 % at 1 to 5 mm
(tests/test_gap.py solves the air of a module). A draught along the gap is left out.
"""

from __future__ import annotations

import math

from sim.physics.film import air_properties, radiation_W_m2K


def conducting_widths(gap_m: float, diameter_m: float, sector_rad: float) -> float:
    """Return how many times as wide as its depth the air between two sectors is, for conduction.

    The shape factor by length: slices of breadth R cos a da over depth gap + 2 R (1 - cos a), from
    -`sector_rad` to `sector_rad` (below pi), summed in closed form. Goes to pi sqrt(R / gap) as the
    gap closes, whatever the sector. Raises ZeroDivisionError where cells touch.
    """
    x = 2.0 * gap_m / diameter_m
    root = math.sqrt(x * (x + 4.0))
    turn = math.atan((x + 4.0) / root * math.tan(0.5 * sector_rad))
    return 2.0 * (x + 2.0) / root * turn - sector_rad


def seen_width_m(gap_m: float, diameter_m: float, sector_rad: float) -> float:
    """Return what area of one sector, by length, sees the other: area times view factor.

    Crossed strings (Hottel): two strings across the gap less two along it, halved; those across are
    tangents inside, or straight from edge to edge where the sectors end before them.
    """
    radius_m, apart_m = 0.5 * diameter_m, gap_m + diameter_m
    along_m = apart_m - diameter_m * math.cos(sector_rad)
    tangent_rad = math.acos(diameter_m / apart_m)
    if tangent_rad >= sector_rad:
        across_m = math.hypot(along_m, diameter_m * math.sin(sector_rad))
    else:
        tangent_m = 2.0 * radius_m * math.tan(tangent_rad)
        across_m = tangent_m + diameter_m * (sector_rad - tangent_rad)
    return across_m - along_m


def gap_W_K(
    gap_m: float,
    diameter_m: float,
    height_m: float,
    sector_rad: float,
    emissivity: float,
    air_K: float,
) -> float:
    """Return the conductance between two neighbours through the air of their gap.

    `height_m` is how much of the height air reaches. Air conducts and cells radiate as at `air_K`,
    more where it is warmer. Of radiation only what goes straight from cell to cell counts, emitted
    and taken in with `emissivity`; what others reflect would come on top.
    """
    _, conductivity_W_mK, _ = air_properties(air_K)
    conducted_W_mK = conductivity_W_mK * conducting_widths(gap_m, diameter_m, sector_rad)
    radiated_W_m2K = radiation_W_m2K(emissivity * emissivity, air_K, air_K)
    radiated_W_mK = radiated_W_m2K * seen_width_m(gap_m, diameter_m, sector_rad)
    return height_m * (conducted_W_mK + radiated_W_mK)
