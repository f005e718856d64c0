"""What a flight showed: its course as few waypoints, and its turns spread to what the eye follows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.planning.turns import TurnLimits, spread_photos, unwrapped_deg

Floats = NDArray[np.float64]

# Departures below these are gusts, gimbal play and noise, not course: common practice, no source.
TRACK_TOLERANCE_M = 2.0
# Weaving is left out in steps, the least first, until the turns that are left have the room they need.
HEADING_TOLERANCES_DEG = (1.0, 2.0, 4.0, 8.0)
_MEDIAN_PHOTOS = 9


@dataclass(frozen=True)
class Flown:
    """A flight as its reports tell it.

    `places_m` (n, 3) are m east, north and up of the first photo, `heading_deg` and `pitch_deg` (n,) the
    camera's angles, `photo` (n,) the frame numbers, all of the `frames` whose position is known.
    """

    photo: Floats
    places_m: Floats
    heading_deg: Floats
    pitch_deg: Floats
    frames: int
    interval_s: float


def course_of(flown: Flown) -> Floats:
    """Return the waypoints (k, 3) in m that describe the flown track.

    Ramer-Douglas-Peucker: no photo was taken more than `TRACK_TOLERANCE_M` from the straight legs. Raises
    UsageError where the drone did not travel.
    """
    places = flown.places_m

    def distances(low: int, high: int) -> Floats:
        along = places[high] - places[low]
        offset = places[low + 1 : high] - places[low]
        squared = float(along @ along)
        share = np.clip(offset @ along / squared, 0.0, 1.0) if squared > 0.0 else np.zeros(len(offset))
        return np.asarray(np.linalg.norm(offset - share[:, None] * along, axis=1))

    kept = _reduced(len(places), distances, TRACK_TOLERANCE_M)
    apart = [kept[0]]
    for index in kept[1:]:
        if np.linalg.norm(places[index] - places[apart[-1]]) >= TRACK_TOLERANCE_M:
            apart.append(index)
    if len(apart) < 2:
        raise UsageError("the drone hardly moved during this flight: give the next course with --waypoints")
    return places[apart]


def mended(photo: Floats, angle_deg: Floats, frames: int, limits: TurnLimits) -> tuple[Floats, Floats]:
    """Return the knots (photo numbers, angles) of an angle's path with every turn spread as it needs.

    The angle (n,) at the photo numbers `photo` (n,), freed of gusts by a running median, is reduced to the
    knots that describe it within one of `HEADING_TOLERANCES_DEG`; then the knots of each turn that is too
    fast are moved apart evenly, up to half way to their neighbours.
    """
    from scipy.ndimage import median_filter

    angle = median_filter(unwrapped_deg(angle_deg.tolist()), size=_MEDIAN_PHOTOS, mode="nearest")

    def distances(low: int, high: int) -> Floats:
        straight = np.interp(photo[low + 1 : high], photo[[low, high]], angle[[low, high]])
        return np.asarray(np.abs(angle[low + 1 : high] - straight))

    for tolerance in HEADING_TOLERANCES_DEG:
        kept = _reduced(len(angle), distances, tolerance)
        at, values = _apart(photo[kept], angle[kept], frames, limits)
        spread = [spread_photos(float(turn), limits) for turn in np.diff(values)]
        if np.all(np.diff(at) >= np.array(spread) - 0.5):
            break
    return at, values


def _apart(at: Floats, values: Floats, frames: int, limits: TurnLimits) -> tuple[Floats, Floats]:
    """Move the knots of each turn that is too fast apart, as far as there is room."""
    outer = np.concatenate([[0.0], at, [frames - 1.0]])
    moved = at.copy()
    for i in range(len(at) - 1):
        missing = spread_photos(float(values[i + 1] - values[i]), limits) - (at[i + 1] - at[i])
        if missing > 0.0:
            # The outermost knots have nothing to share their room with.
            before = (outer[i + 1] - outer[i]) * (0.5 if i else 1.0)
            after = (outer[i + 3] - outer[i + 2]) * (0.5 if i + 2 < len(at) else 1.0)
            moved[i] = min(moved[i], at[i] - min(0.5 * missing, before))
            moved[i + 1] = max(moved[i + 1], at[i + 1] + min(0.5 * missing, after))
    return moved, values


def _reduced(count: int, distances: Callable[[int, int], Floats], tolerance: float) -> list[int]:
    """Return the indices that Ramer-Douglas-Peucker keeps, less those that later ones made needless.

    `distances` are of the points between two indices.
    """
    keep = {0, count - 1}
    spans = [(0, count - 1)]
    while spans:
        low, high = spans.pop()
        if high - low < 2:
            continue
        off = distances(low, high)
        if off.max() > tolerance:
            middle = low + 1 + int(np.argmax(off))
            keep.add(middle)
            spans += [(low, middle), (middle, high)]
    kept = sorted(keep)
    inner = 1
    while inner < len(kept) - 1:
        if distances(kept[inner - 1], kept[inner + 1]).max() <= tolerance:
            del kept[inner]
        else:
            inner += 1
    return kept
