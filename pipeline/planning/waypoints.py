"""Waypoints of a course, read from the text of a GeoJSON or CSV file."""

from __future__ import annotations

import csv
import json
import math
import re
from dataclasses import dataclass
from typing import Any

from pipeline.errors import UsageError

LEAST_LEG_M = 0.05
LONGEST_LEG_M = 20_000.0
_LEAST_HEIGHT_M, _GREATEST_HEIGHT_M = -500.0, 9_000.0
_MOST_WAYPOINTS = 10_000


@dataclass(frozen=True)
class Waypoint:
    """A place of the course. `height_m` is above take-off; heading is clockwise from north.

    `pitch_deg` is up from the horizon. None where the file does not say.
    """

    latitude_deg: float
    longitude_deg: float
    height_m: float | None = None
    heading_deg: float | None = None
    pitch_deg: float | None = None


def parse_waypoints(text: str, name: str) -> tuple[Waypoint, ...]:
    """Read waypoints from the text of the file called `name`: GeoJSON where it is JSON, else CSV.

    Places that repeat the one before are dropped. Raises UsageError, naming the file, the place in it
    and the remedy, where that is not a course.
    """
    text = text.removeprefix("\ufeff")
    found = _from_geojson(text, name) if text.lstrip().startswith(("{", "[")) else _from_csv(text, name)
    if len(found) > _MOST_WAYPOINTS:
        raise UsageError(f"{name} holds {len(found)} waypoints: give at most {_MOST_WAYPOINTS}")
    found = _without_repeats(found)
    if len(found) < 2:
        raise UsageError(
            f"{name} holds {len(found)} waypoint{'s' * (len(found) != 1)}: a course needs two or more"
        )
    untold = [w.height_m is None for w in found]
    if any(untold) and not all(untold):
        raise UsageError(
            f"{name}: waypoint {untold.index(True) + 1} has no height, and others have: give all or none"
        )
    return tuple(found)


def geodesic_m(a: Waypoint, b: Waypoint) -> float:
    """Return the distance over the ground in m along the WGS84 geodesic (GeographicLib)."""
    from geographiclib.geodesic import Geodesic

    line = Geodesic.WGS84.Inverse(a.latitude_deg, a.longitude_deg, b.latitude_deg, b.longitude_deg)
    return float(line["s12"])


def _from_geojson(text: str, name: str) -> list[Waypoint]:
    """RFC 7946: positions are longitude, latitude, height."""
    try:
        document = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise UsageError(f"{name} is not JSON: {str(error).splitlines()[0]}") from error
    properties, lines = _lines(document, name)
    line = _joined(lines, name)
    headings, pitches = (_listed(properties, key, len(line), name) for key in ("headings", "pitches"))
    return [
        _waypoint(f"{name}, position {i + 1}", *position, heading=headings[i], pitch=pitches[i])
        for i, position in enumerate(line)
    ]


def _lines(document: Any, name: str) -> tuple[dict[str, Any], list[Any]]:
    """Return the properties and the lines of the first LineString or MultiLineString."""
    properties: dict[str, Any] = {}
    geometry = document
    if isinstance(document, dict) and document.get("type") == "FeatureCollection":
        features = document.get("features")
        kinds = [
            f for f in (features if isinstance(features, list) else []) if _kind(_geometry(f)) is not None
        ]
        if len(kinds) > 1:
            raise UsageError(f"{name} holds {len(kinds)} lines: keep the one to fly")
        geometry = kinds[0] if kinds else None
    if isinstance(geometry, dict) and geometry.get("type") == "Feature":
        told = geometry.get("properties")
        properties = told if isinstance(told, dict) else {}
        geometry = _geometry(geometry)
    kind = _kind(geometry)
    coordinates = geometry.get("coordinates") if isinstance(geometry, dict) else None
    if kind is None or not isinstance(coordinates, list):
        raise UsageError(f"{name} holds no LineString: draw the course as one line")
    return properties, coordinates if kind == "MultiLineString" else [coordinates]


def _geometry(feature: Any) -> Any:
    return feature.get("geometry") if isinstance(feature, dict) else None


def _kind(geometry: Any) -> str | None:
    kind = geometry.get("type") if isinstance(geometry, dict) else None
    return kind if kind in ("LineString", "MultiLineString") else None


def _joined(lines: list[Any], name: str) -> list[tuple[Any, Any, Any]]:
    """Return one line of (latitude, longitude, height), joining pieces cut at the antimeridian."""
    joined: list[tuple[Any, Any, Any]] = []
    for number, line in enumerate(lines):
        if not isinstance(line, list):
            raise UsageError(f"{name}: a line is a list of positions")
        piece: list[tuple[Any, Any, Any]] = []
        for position in line:
            if not isinstance(position, list) or len(position) < 2:
                raise UsageError(
                    f"{name}, position {len(joined) + len(piece) + 1}: longitude and latitude are missing"
                )
            piece.append((position[1], position[0], position[2] if len(position) > 2 else None))
        if number and joined and piece:
            ends = [_waypoint(name, *end, heading=None, pitch=None) for end in (joined[-1], piece[0])]
            if geodesic_m(*ends) > 1.0:
                raise UsageError(f"{name} is drawn in pieces that do not meet: draw the course as one line")
        joined += piece
    return joined


def _listed(properties: dict[str, Any], key: str, count: int, name: str) -> list[Any]:
    values = properties.get(key)
    if values is None:
        return [None] * count
    if not isinstance(values, list) or len(values) != count:
        raise UsageError(f"{name}: '{key}' must be a list of {count} numbers, one for each position")
    return values


# Heading of a column (letters only, units cut off) -> what it holds.
_COLUMNS = {
    "lat": "latitude",
    "latitude": "latitude",
    "lon": "longitude",
    "lng": "longitude",
    "long": "longitude",
    "longitude": "longitude",
    "height": "height",
    "alt": "height",
    "altitude": "height",
    "heightabovetakeoff": "height",
    "heading": "heading",
    "yaw": "heading",
    "pitch": "pitch",
    "tilt": "pitch",
}
_ORDER = ("latitude", "longitude", "height", "heading", "pitch")


def _from_csv(text: str, name: str) -> list[Waypoint]:
    """Columns latitude, longitude, height, heading, pitch, in that order or as the first row names them."""
    first = text.lstrip().split("\n", 1)[0]
    separator = max(",;\t", key=first.count)
    try:
        rows = [
            row for row in csv.reader(text.splitlines(), delimiter=separator) if any(c.strip() for c in row)
        ]
    except csv.Error as error:
        raise UsageError(f"{name} cannot be read as CSV: {error}") from error
    if not rows:
        raise UsageError(f"{name} is empty: a course needs two waypoints or more")
    columns: tuple[str | None, ...] = _ORDER
    start = 0
    if _decimal(rows[0][0]) is None:
        columns, start = tuple(_column(cell) for cell in rows[0]), 1
        for needed in ("latitude", "longitude"):
            if columns.count(needed) != 1:
                raise UsageError(f"{name}: one column must be called {needed}; known: {', '.join(_ORDER)}")
    waypoints = []
    for number, row in enumerate(rows[start:], start + 1):
        cells = {column: cell.strip() for column, cell in zip(columns, row, strict=False) if column}
        waypoints.append(
            _waypoint(
                f"{name}, row {number}",
                *(cells.get(key) or None for key in ("latitude", "longitude", "height")),
                heading=cells.get("heading") or None,
                pitch=cells.get("pitch") or None,
            )
        )
    return waypoints


def _column(cell: str) -> str | None:
    plain = re.sub(r"_(deg|m)$|\(.*\)|\[.*\]", "", cell.strip().lower())
    return _COLUMNS.get(re.sub(r"[^a-z]", "", plain))


def _decimal(value: Any) -> float | None:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        return None
    try:
        number = float(value)
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def _waypoint(
    place: str, latitude: Any, longitude: Any, height: Any, *, heading: Any, pitch: Any
) -> Waypoint:
    bounds = {
        "latitude": (latitude, -90.0, 90.0),
        "longitude": (longitude, -180.0, 360.0),
        "height": (height, _LEAST_HEIGHT_M, _GREATEST_HEIGHT_M),
        "heading": (heading, -360.0, 360.0),
        "pitch": (pitch, -90.0, 90.0),
    }
    numbers: dict[str, float | None] = {}
    for what, (value, low, high) in bounds.items():
        if value is None and what not in ("latitude", "longitude"):
            numbers[what] = None
            continue
        number = _decimal(value)
        if number is None or not low <= number <= high:
            shown = "nothing" if value is None else repr(value)[:40]
            raise UsageError(f"{place}: the {what} is {shown}, and must be a number from {low:g} to {high:g}")
        numbers[what] = number
    assert numbers["latitude"] is not None and numbers["longitude"] is not None
    east = numbers["longitude"]
    return Waypoint(
        numbers["latitude"],
        east if east <= 180.0 else east - 360.0,  # some count longitudes round to 360
        numbers["height"],
        numbers["heading"],
        numbers["pitch"],
    )


def _without_repeats(waypoints: list[Waypoint]) -> list[Waypoint]:
    """Drop each waypoint at the place of the one before; refuse one that only turns there."""
    kept: list[Waypoint] = []
    for waypoint in waypoints:
        rise = (waypoint.height_m or 0.0) - ((kept[-1].height_m or 0.0) if kept else 0.0)
        if kept and math.hypot(geodesic_m(kept[-1], waypoint), rise) < LEAST_LEG_M:
            if (kept[-1].heading_deg, kept[-1].pitch_deg) != (waypoint.heading_deg, waypoint.pitch_deg):
                raise UsageError(
                    f"two waypoints lie at one place with different headings ({kept[-1].heading_deg} and "
                    f"{waypoint.heading_deg}): a turn needs a way to spread over, so move one of them"
                )
            continue
        kept.append(waypoint)
    return kept
