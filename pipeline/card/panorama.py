"""Telling the pictures of a panorama from those of a flight, by where the camera looked and stood."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from pipeline.sequence import Triple

_LEAST_TURN_DEG = 12.0  # from one picture of a panorama to the next; a flight turns by few degrees
_MOST_TRAVEL_M = 2.0  # a hovering drone wanders less than this from picture to picture


def turns_round(yaw_pitch_deg: NDArray[np.float64]) -> bool:
    """Whether a camera looked around: a turn of 12 degrees or more between most neighbours.

    No flight turns so (common practice, no source). `yaw_pitch_deg` (n, 2) is NaN where unknown.
    """
    steps = np.diff(yaw_pitch_deg, axis=0)
    steps = steps[np.isfinite(steps).all(axis=1)]
    if len(steps) < 2 or 2 * len(steps) < len(yaw_pitch_deg):
        return False
    yaw = np.abs((steps[:, 0] + 180.0) % 360.0 - 180.0)
    return float(np.median(np.maximum(yaw, np.abs(steps[:, 1])))) >= _LEAST_TURN_DEG


def stands_still(places_m: Sequence[Triple | None]) -> bool:
    """Whether a camera stayed in its place [m], or no position says that it did not."""
    known = np.array([place for place in places_m if place is not None], dtype=np.float64)
    if len(known) < 2:
        return True
    return float(np.median(np.linalg.norm(np.diff(known, axis=0), axis=1))) <= _MOST_TRAVEL_M
