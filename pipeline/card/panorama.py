"""Telling the pictures of a panorama from those of a flight, by where the camera looked and stood."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

_LEAST_TURN_DEG = 12.0  # from one picture of a panorama to the next; a flight turns by few degrees
_MOST_TRAVEL_M = 2.0  # a hovering drone wanders less than this from picture to picture


def looks_round(yaw_pitch_deg: NDArray[np.float64], places_m: NDArray[np.float64] | None) -> bool:
    """Whether a camera looked around from one place.

    `yaw_pitch_deg` (n, 2) are its angles, `places_m` (n, 3) its positions, both NaN where unknown. It
    takes a turn of 12 degrees or more between most neighbours, which no flight makes (common practice,
    no source), and where positions are known, standing still.
    """
    steps = np.diff(yaw_pitch_deg, axis=0)
    steps = steps[np.isfinite(steps).all(axis=1)]
    if len(steps) < 2 or 2 * len(steps) < len(yaw_pitch_deg):
        return False
    yaw = np.abs((steps[:, 0] + 180.0) % 360.0 - 180.0)
    turned = float(np.median(np.maximum(yaw, np.abs(steps[:, 1]))))
    if turned < _LEAST_TURN_DEG:
        return False
    way = np.empty(0) if places_m is None else np.linalg.norm(np.diff(places_m, axis=0), axis=1)
    way = way[np.isfinite(way)]
    return way.size == 0 or float(np.median(way)) <= _MOST_TRAVEL_M
