"""A GPX file's points as arrays, each with its number and line; hostile XML stays unread."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple
from xml.parsers import expat

import numpy as np
from numpy.typing import NDArray

from sim.errors import InputError, place

Floats = NDArray[np.float64]
NEEDS = "needs the package 'gpxpy'; install it by: pip install gpxpy"
MOST_BYTES = 200_000_000  # a year at 1 Hz would be larger; no ride is
DEEPEST = 100  # levels; a GPX with everybody's extensions has a dozen
POINTS = ("trkpt", "rtept")


class Points(NamedTuple):
    """All points in the order of the file; NaN where a height or time is not given.

    `time_s` counts from the first point that has one, `start` is that one's, in UTC. `line` is
    the line on which each point begins, 0 where it isn't known. `piece` rises by one where the
    receiver began a new segment.
    """

    path: Path
    latitude_deg: Floats
    longitude_deg: Floats
    height_m: Floats
    time_s: Floats
    line: NDArray[np.intp]
    piece: NDArray[np.intp]
    start: datetime.datetime | None

    def at(self, i: int) -> str:
        """Return "ride.gpx line 40 (point 12)", the first words of a complaint about a point."""
        line = int(self.line[i]) or None
        return f"{place(self.path, line=line)} (point {i + 1})"


def read_points(path: Path) -> Points:
    """Return the points of a GPX file's tracks, or of its routes where it has no track.

    Raises InputError where the file can't be read, declares a document type (whose entities
    could grow without bound), or holds fewer than two points; and where gpxpy is missing.
    """
    try:
        import gpxpy
    except ImportError:
        raise InputError(f"{path}: [load] route {NEEDS}") from None
    text = _text(path)
    lines = _lines_of_points(path, text)
    try:
        gpx = gpxpy.parse(text)
    except Exception as problem:  # gpxpy has no base of its errors; whatever it is, no GPX
        raise InputError(f"{path} can't be read as GPX: {_first_line(problem)}") from None
    found = list(_in_order(gpx))
    if len(found) < 2:
        raise InputError(
            f"{path} has {len(found)} points in tracks and routes; accepted: two or more"
        )
    return _arrays(path, found, lines if len(lines) == len(found) else [0] * len(found))


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > MOST_BYTES:
            raise InputError(f"{path} has more than {MOST_BYTES // 10**6} MB; is it one ride?")
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise InputError(f"{path} is not there; give the path of a GPX file") from None
    except IsADirectoryError:
        raise InputError(f"{path} is a folder; give the path of a GPX file") from None
    except UnicodeDecodeError as problem:
        raise InputError(
            f"{path} is not UTF-8 text (byte {problem.start}); save it as UTF-8"
        ) from None
    except OSError as problem:
        raise InputError(f"{path} can't be read: {problem.strerror}") from None


def _lines_of_points(path: Path, text: str) -> list[int]:
    """Return the line of each point, tracks or else routes; refuse a document type before it acts.

    Entities can only be declared in a document type, and no GPX has one. A tree nested without end
    would crash the reader that follows.
    """
    lines: dict[str, list[int]] = {name: [] for name in POINTS}
    parser = expat.ParserCreate()
    depth = 0

    def declared(*_: Any) -> None:
        raise InputError(
            f"{place(path, line=parser.CurrentLineNumber)} declares a document type (DOCTYPE), "
            "whose entities are not read; accepted: GPX without it"
        )

    def begins(name: str, _: dict[str, str]) -> None:
        nonlocal depth
        depth += 1
        if depth > DEEPEST:
            where = place(path, line=parser.CurrentLineNumber)
            raise InputError(f"{where} is nested too deep; accepted: up to {DEEPEST} levels")
        local = name.rpartition(":")[2]
        if local in lines:
            lines[local].append(parser.CurrentLineNumber)

    def ends(_: str) -> None:
        nonlocal depth
        depth -= 1

    parser.StartDoctypeDeclHandler = declared
    parser.StartElementHandler = begins
    parser.EndElementHandler = ends
    try:
        parser.Parse(text, True)  # as text, so that both readers see one encoding
    except expat.ExpatError as problem:
        raise InputError(f"{path} is not valid XML: {problem}") from None
    return lines["trkpt"] or lines["rtept"]


def _in_order(gpx: Any) -> Iterator[tuple[int, Any]]:
    """Yield (piece, point) over all tracks' segments, or over the routes where there is none."""
    pieces = [segment.points for track in gpx.tracks for segment in track.segments]
    if not any(pieces):
        pieces = [route.points for route in gpx.routes]
    for number, points in enumerate(p for p in pieces if p):
        yield from ((number, point) for point in points)


def _arrays(path: Path, found: list[tuple[int, Any]], lines: list[int]) -> Points:
    stamps = [_utc(point.time) for _, point in found]
    start = next((stamp for stamp in stamps if stamp is not None), None)

    def since(stamp: datetime.datetime | None) -> float:
        return math.nan if stamp is None or start is None else (stamp - start).total_seconds()

    points = Points(
        path=path,
        latitude_deg=np.array([point.latitude for _, point in found], dtype=float),
        longitude_deg=np.array([point.longitude for _, point in found], dtype=float),
        height_m=np.array(
            [math.nan if p.elevation is None else p.elevation for _, p in found], dtype=float
        ),
        time_s=np.array([since(stamp) for stamp in stamps]),
        line=np.array(lines, dtype=np.intp),
        piece=np.array([piece for piece, _ in found], dtype=np.intp),
        start=start,
    )
    _refuse_off_earth(points)
    return points


def _utc(stamp: datetime.datetime | None) -> datetime.datetime | None:
    """Return a time as UTC, which GPX says that it is where no offset is given."""
    if stamp is None or stamp.tzinfo is None:
        return stamp
    return stamp.replace(tzinfo=None) - (stamp.utcoffset() or datetime.timedelta())


def _refuse_off_earth(points: Points) -> None:
    columns = (
        ("lat", points.latitude_deg, -90.0, 90.0),
        ("lon", points.longitude_deg, -360.0, 360.0),
        ("ele", points.height_m, -1000.0, 9000.0),
    )
    for name, values, low, high in columns:
        wrong = ~((values >= low) & (values <= high))
        if name == "ele":  # a height may be missing
            wrong &= ~np.isnan(values)
        for i in np.flatnonzero(wrong)[:1]:
            raise InputError(
                f"{points.at(int(i))}: {name} is {values[i]:g}; accepted: {low:g} to {high:g}"
            )


def _first_line(problem: BaseException) -> str:
    text = str(problem).strip()
    return text.splitlines()[0] if text else type(problem).__name__
