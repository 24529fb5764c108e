"""GPX files for tests: a way in metres about a point, at given times, as XML."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

EARTH_M = 6_371_008.8  # IUGG mean radius R1, written out here once more
START = "2031-05-04T06:00:00"


def stamp(second: float) -> str:
    """Return a time after 06:00 UTC of an invented day."""
    whole = 6 * 3600 + math.floor(second)
    rest = f"{second % 1:.3f}"[1:] if second % 1 else ""
    return f"2031-05-04T{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}{rest}Z"


def gpx(
    north_m: Sequence[float],
    east_m: Sequence[float],
    time_s: Sequence[float] | None = None,
    height_m: Sequence[float] | None = None,
    *,
    latitude_deg: float = 0.0,
    longitude_deg: float = 10.0,
) -> str:
    """Return a track whose points lie so far north and east of a point on a sphere."""
    points = []
    for i, (north, east) in enumerate(zip(north_m, east_m, strict=True)):
        lat = latitude_deg + math.degrees(north / EARTH_M)
        lon = longitude_deg + math.degrees(east / EARTH_M / math.cos(math.radians(latitude_deg)))
        inner = "" if height_m is None else f"<ele>{height_m[i]:.3f}</ele>"
        inner += "" if time_s is None else f"<time>{stamp(time_s[i])}</time>"
        points.append(f'<trkpt lat="{lat:.9f}" lon="{lon:.9f}">{inner}</trkpt>')
    return track("\n".join(points))


def track(points: str) -> str:
    """Return a whole file around the text of its points."""
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="by hand" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f"<trk><trkseg>\n{points}\n</trkseg></trk></gpx>\n"
    )


def write(folder: Path, text: str, name: str = "ride.gpx") -> Path:
    """Write a file and return its path."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path
