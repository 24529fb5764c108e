"""Great circles and smoothing, for a track of positions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
EARTH_M = 6_371_008.8  # mean radius R1 of GRS 80 (IUGG); off by up to 0.56 % on the ellipsoid

SHORTEST = 1e-6  # of the extent; the difference of two areas says nothing of a shorter window


def haversine_m(
    latitude_deg: Floats, longitude_deg: Floats, to_latitude_deg: Floats, to_longitude_deg: Floats
) -> Floats:
    """Return great-circle distances on a sphere of the Earth's mean radius; any one shape.

    hav(d/R) = hav(dlat) + cos lat1 cos lat2 hav(dlon), Sinnott, Sky and Telescope 68 (1984) 159.
    """
    lat1, lat2 = np.radians(latitude_deg), np.radians(to_latitude_deg)
    half_lat = 0.5 * (lat2 - lat1)
    half_lon = 0.5 * np.radians(np.subtract(to_longitude_deg, longitude_deg))
    a = np.sin(half_lat) ** 2 + np.cos(lat1) * np.cos(lat2) * np.sin(half_lon) ** 2
    return 2.0 * EARTH_M * np.arcsin(np.sqrt(np.clip(a, 0.0, 1.0)))


def box_smoothed(x: Floats, y: Floats, width: float) -> Floats:
    """Return straight lines through (x, y) averaged twice over `width` about each x.

    Exact for the lines between the points. At both ends they go on as their mirror image through
    the end, so that the ends and a straight line stay what they are, what rises goes on rising,
    and no climb is added. `x` rises; `width` counts up to twice its extent.
    """
    extent = float(x[-1] - x[0])
    half = min(0.5 * width, extent)
    if len(x) < 3 or half < SHORTEST * extent:
        return y
    wide_x = np.concatenate((2.0 * x[0] - x[:0:-1], x, 2.0 * x[-1] - x[-2::-1]))
    for _ in range(2):
        wide_y = np.concatenate((2.0 * y[0] - y[:0:-1], y, 2.0 * y[-1] - y[-2::-1]))
        y = (_area(wide_x, wide_y, x + half) - _area(wide_x, wide_y, x - half)) / (2.0 * half)
    return y


def _area(x: Floats, y: Floats, at: Floats) -> Floats:
    """Return the integral from x[0] to `at` of straight lines through (x, y)."""
    width = np.diff(x)
    whole = np.concatenate(([0.0], np.cumsum(0.5 * (y[1:] + y[:-1]) * width)))
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    into = at - x[i]
    slope = (y[i + 1] - y[i]) / width[i]
    return whole[i] + into * (y[i] + 0.5 * slope * into)


def climb_m(height_m: Floats) -> float:
    """Return the sum of all rises from point to point."""
    return float(np.maximum(np.diff(height_m), 0.0).sum())
