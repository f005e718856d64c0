"""The planned course as GeoJSON, to look at on a map, to check, and to plan with again."""

from __future__ import annotations

import json
import math

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.planning.figures import Plan
from pipeline.planning.remarks import CAUTIONS
from pipeline.planning.turns import Turn


def course_geojson(plan: Plan, origin: tuple[float, float]) -> str:
    """Return a plan's course as a GeoJSON LineString (RFC 7946) with a heading and a pitch at each position.

    The positions are the waypoints and the places where a turn begins and ends, so that the same turns come
    out when it is planned with again; within a turn the angle is left open (null). `origin` is the latitude
    and longitude of the first waypoint. Raises UsageError where the plan has no course.
    """
    path = plan.path
    if path is None:
        raise UsageError("there is no course to write: give --waypoints or --from")
    last = plan.timing.photos - 1
    at_photo = np.concatenate(
        [
            path.course.at_m / path.course.length_m * last,
            *([turn.first, turn.last] for turn in (*path.turns, *path.tilts)),
        ]
    )
    photos = np.unique(np.clip(np.round(at_photo), 0, last)).astype(int)
    feature = {
        "type": "Feature",
        "properties": {
            "headings": _held(path.heading_deg % 360.0, photos, path.turns),
            "pitches": _held(path.pitch_deg, photos, path.tilts),
            "caution": " ".join(CAUTIONS),
        },
        "geometry": {
            "type": "LineString",
            "coordinates": [_position(path.places_m[photo], path.start_height_m, origin) for photo in photos],
        },
    }
    return json.dumps({"type": "FeatureCollection", "features": [feature]}, indent=1) + "\n"


def _held(angle_deg: NDArray[np.float64], photos: NDArray[np.int_], turns: list[Turn]) -> list[float | None]:
    """Return the angle at each photo where it is held, or where a turn begins or ends."""
    within = [any(turn.first + 1.0 < photo < turn.last - 1.0 for turn in turns) for photo in photos]
    return [
        None if inside else round(float(angle_deg[photo]), 2)
        for photo, inside in zip(photos, within, strict=True)
    ]


def _position(
    place_m: NDArray[np.float64], start_height_m: float, origin: tuple[float, float]
) -> list[float]:
    """Return longitude, latitude and height above take-off of a place east, north and up of the origin."""
    from geographiclib.geodesic import Geodesic

    east, north, up = (float(metres) for metres in place_m)
    line = Geodesic.WGS84.Direct(*origin, math.degrees(math.atan2(east, north)), math.hypot(east, north))
    return [round(line["lon2"], 7), round(line["lat2"], 7), round(start_height_m + up, 2)]
