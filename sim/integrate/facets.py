"""The pieces of the look-up tables on which the lanes stand, so that a step looks nothing up.

A table is bilinear between its knots. Each lane keeps the coefficients of the piece it is on; a
step evaluates them by arithmetic alone, and only a lane that has left its piece fetches another.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from sim.physics.beside import cell_alone, film_alone
from sim.physics.cell import chord, on_chord, on_patch, patch
from sim.physics.compiled import inlined, inside
from sim.physics.film import NUMBER as FILM_NUMBER
from sim.physics.film import PATCH, film_patch, on_film_patch
from sim.physics.lookup import cell_of, held
from sim.physics.rows import part, room
from sim.physics.side_by_side import any_of, fails, lane, lanes_in, never_inlined, with_lane

# The curve's row: its chord, and its axis. An axis has the interval's number, and the fractions of
# it at which the piece ends; infinite at the table's ends, since a look-up goes on there.
CHORD, CURVE = 4, (0,) * 7
AXES = (0,) * 6  # of the resistance table: charge, warmth
OHMIC, A_PAIR = (0,) * 8, (0,) * 8  # patches of two layers each
FILM = (0,) * PATCH
ON_SOC, ON_CORE, NUMBER, LOW, HIGH = 0, 3, 0, 1, 2


class Facets(NamedTuple):
    """Rows of coefficients; `layers` has four for each layer of the resistance table."""

    curve: Any
    axes: Any
    layers: Any
    film: Any


PLACES = CURVE + AXES + FILM + OHMIC
FILM_AT, LAYERS_AT = len(CURVE + AXES), len(CURVE + AXES + FILM)


@inlined
def facets_in(whole, at, pairs):
    """Return the rows of facets in the part of a room that begins at `at`."""
    return Facets(
        part(whole, at, CURVE, (), ()),
        part(whole, at + len(CURVE), AXES, (), ()),
        part(whole, at + LAYERS_AT, OHMIC, A_PAIR, pairs),
        part(whole, at + FILM_AT, FILM, (), ()),
    )


@inlined
def no_facets(whole, at, pairs):
    """Return `facets_in` on which no lane stands yet."""
    facets = facets_in(whole, at, pairs)
    curve, axes, film = facets.curve, facets.axes, facets.film
    for k in range(len(curve)):
        curve[k] = 0.0
    for k in range(len(axes)):
        axes[k] = 0.0
    for k in range(len(film)):
        film[k] = 0.0
    curve[CHORD + LOW] = math.inf
    axes[LOW] = math.inf
    film[FILM_NUMBER] = 1.0
    return facets


@inlined
def along(axis, at, u):
    """Return the fraction of an axis's interval at which `u` (in intervals) lies, and if within."""
    fraction = u - axis[at + NUMBER]
    return fraction, (fraction >= axis[at + LOW]) & (fraction < axis[at + HIGH])


@inlined
def set_axis(axis, at, k, i, last):
    """Set an axis of lane `k` to interval `i` of 0 to `last` - 1."""
    axis[at + NUMBER] = with_lane(axis[at + NUMBER], k, i * 1.0)
    axis[at + LOW] = with_lane(axis[at + LOW], k, -math.inf if i == 0 else 0.0)
    axis[at + HIGH] = with_lane(axis[at + HIGH], k, math.inf if i == last - 1 else 1.0)


@inside
def fetch_chords(cell, curve, gone, soc):
    """Put the lanes in `gone` on the chords of their charge."""
    never_inlined()
    last = cell.ocv.shape[1] - 1
    for k in range(lanes_in(soc)):
        if not lane(gone, k):
            continue
        i = cell_of(lane(soc, k), last, last)
        begin_V, gain_V, begin_V_K, gain_V_K = chord(cell_alone(cell, k), i)
        curve[0] = with_lane(curve[0], k, begin_V)
        curve[1] = with_lane(curve[1], k, gain_V)
        curve[2] = with_lane(curve[2], k, begin_V_K)
        curve[3] = with_lane(curve[3], k, gain_V_K)
        set_axis(curve, CHORD, k, i, last)


@inside
def fetch_patches(cell, axes, layers, gone, soc, core_K):
    """Put the lanes in `gone` on the patches of their charge and warmth, in all layers."""
    never_inlined()
    rows, columns = cell.layers.shape[2] - 1, cell.layers.shape[1] - 1
    for k in range(lanes_in(soc)):
        if not lane(gone, k):
            continue
        one = cell_alone(cell, k)
        i = cell_of(lane(soc, k), rows, rows)
        j = cell_of(lane(core_K, k) - one.coldest_K, one.columns_per_K, columns)
        for which in range(cell.layers.shape[3]):
            found = patch(one, i, j, which)
            for n in range(4):
                layers[4 * which + n] = with_lane(layers[4 * which + n], k, found[n])
        set_axis(axes, ON_SOC, k, i, rows)
        set_axis(axes, ON_CORE, k, j, columns)


@inside
def fetch_films(film, row_of, gone, surface_K, air_K):
    """Put the lanes in `gone` on the patches of the film's table."""
    never_inlined()
    found = room(0.0, FILM, (), ())
    for k in range(lanes_in(surface_K)):
        if not lane(gone, k):
            continue
        film_patch(film_alone(film, k), lane(surface_K, k), lane(air_K, k), found)
        for n in range(PATCH):
            row_of[n] = with_lane(row_of[n], k, found[n])


@inlined
def open_circuit_at(cell, facets, soc, core_K):
    """Return `cell.open_circuit` of the lanes."""
    u = soc * (cell.ocv.shape[1] - 1.0)
    fraction, within = along(facets.curve, CHORD, u)
    if any_of(fails(within)):
        fetch_chords(cell, facets.curve, fails(within), soc)
        fraction, _ = along(facets.curve, CHORD, u)
    curve = facets.curve
    return on_chord(cell, (curve[0], curve[1], curve[2], curve[3]), fraction, core_K)


@inlined
def place_at(cell, facets, soc, core_K):
    """Return where on their patches the lanes stand, as fractions; fetch patches for who left."""
    u = soc * (cell.layers.shape[2] - 1.0)
    w = (core_K - cell.coldest_K) * cell.columns_per_K
    f, within_f = along(facets.axes, ON_SOC, u)
    g, within_g = along(facets.axes, ON_CORE, w)
    within = within_f & within_g
    if any_of(fails(within)):
        fetch_patches(cell, facets.axes, facets.layers, fails(within), soc, core_K)
        f, _ = along(facets.axes, ON_SOC, u)
        g, _ = along(facets.axes, ON_CORE, w)
    return held(f), held(g)


@inlined
def layer_at(facets, place, which):
    """Return `cell.layer` of the lanes at a `place`."""
    at, layers = 4 * which, facets.layers
    f, g = place
    return on_patch((layers[at], layers[at + 1], layers[at + 2], layers[at + 3]), f, g)


@inlined
def conductance_at(film, facets, surface_K, air_K):
    """Return `film.quick_conductance_W_K` of the lanes."""
    to_air_W_K, holds = on_film_patch(facets.film, surface_K, air_K)
    if any_of(fails(holds)):
        fetch_films(film, facets.film, fails(holds), surface_K, air_K)
        to_air_W_K, _ = on_film_patch(facets.film, surface_K, air_K)
    return to_air_W_K
