"""Turning the camera along a course: eased, and no faster than the eye follows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class TurnLimits:
    """The turn per photo, and its change from one photo to the next, beyond which a pan looks jerky."""

    turn_deg: float
    change_deg: float


def turn_limits(fov_deg: float, fps: float, fields_per_s: float, change_deg: float) -> TurnLimits:
    """Return the limits for a camera, of a turn of `fields_per_s` fields of view a second of video."""
    return TurnLimits(fov_deg * fields_per_s / fps, change_deg)


def spread_photos(turn_deg: float, limits: TurnLimits) -> int:
    """Return over how many photos a turn must be spread to stay within both limits.

    For the eased turn 3u² − 2u³, whose fastest step is 1.5 and whose largest change 6 / photos times the
    mean step.
    """
    turn = abs(turn_deg)
    return math.ceil(max(1.5 * turn / limits.turn_deg, math.sqrt(6.0 * turn / limits.change_deg)) - 1e-9)


def unwrapped_deg(angles_deg: Sequence[float]) -> Floats:
    """Return headings that never jump by more than half a circle: each turn goes the short way round."""
    return np.degrees(np.unwrap(np.radians(np.asarray(angles_deg, dtype=np.float64))))


def eased(at_photo: Floats, values: Floats, photos: int) -> Floats:
    """Lead an angle smoothly through `values` (n,) at the photo numbers `at_photo` (n,).

    Returns it at each of `photos` photos. It never overshoots a value (Fritsch and Carlson 1980, PCHIP),
    and it eases out of and into every stretch that is held. Values at one photo number count once, the last.
    """
    from scipy.interpolate import PchipInterpolator

    numbers = np.arange(photos, dtype=np.float64)
    keep = np.append(np.diff(at_photo) > 1e-6, True)
    # A step of 1e-308 would overflow where PCHIP divides by it; no camera turns by a billionth of a degree.
    at_photo, values = at_photo[keep], np.round(values[keep], 9)
    if len(at_photo) == 1:
        return np.full(photos, values[0])
    clipped = np.clip(numbers, at_photo[0], at_photo[-1])
    return np.asarray(PchipInterpolator(at_photo, values)(clipped), dtype=np.float64)


def spread_knots(at_photo: Floats, headings_deg: Floats, limits: TurnLimits) -> tuple[Floats, Floats]:
    """Spread the turn at each waypoint over the photos it needs, where there is room.

    `headings_deg` (n − 1,) is held along each leg between the waypoints at `at_photo` (n,). A turn takes
    at most half of a leg that another turn shares. Returns the photo numbers and headings through which the
    camera is led.
    """
    headings = unwrapped_deg(headings_deg.tolist())
    numbers, values = [float(at_photo[0])], [float(headings[0])]
    for i in range(1, len(headings)):
        wanted = spread_photos(headings[i] - headings[i - 1], limits) / 2.0
        # No other turn shares the outer ends of the first and the last leg.
        before = (at_photo[i] - at_photo[i - 1]) * (1.0 if i == 1 else 0.5)
        after = (at_photo[i + 1] - at_photo[i]) * (1.0 if i == len(headings) - 1 else 0.5)
        half = min(wanted, before, after)
        numbers += [float(at_photo[i] - half), float(at_photo[i] + half)]
        values += [float(headings[i - 1]), float(headings[i])]
    return np.array([*numbers, float(at_photo[-1])]), np.array([*values, float(headings[-1])])


@dataclass(frozen=True)
class Turn:
    """A turn of the camera from photo `first` to photo `last`, begun at a waypoint or about one.

    `waypoint` is its 1-based number. `worst_deg` is the largest turn per photo, `worst_change_deg` its
    largest change from one photo to the next, `spread` the number of photos that keeps both within limits.
    """

    waypoint: int
    first: float
    last: float
    turn_deg: float
    worst_deg: float
    worst_change_deg: float
    spread: int
    jerky: bool

    @property
    def room(self) -> float:
        """The photos that the turn takes now."""
        return self.last - self.first


def turns_of(
    at_photo: Floats, values_deg: Floats, waypoints: Sequence[int], angle_deg: Floats, limits: TurnLimits
) -> list[Turn]:
    """Return the turns between knots, measured on the angle (photos,) that the camera is led along.

    `waypoints[i]` is the number of the waypoint that the turn from knot i to knot i + 1 belongs to.
    """
    step = np.diff(angle_deg)
    change = np.diff(step)
    turns = []
    for i, turn in enumerate(np.diff(values_deg)):
        if abs(turn) < 0.05:
            continue
        low = max(0, math.floor(at_photo[i]))
        high = max(low + 1, min(len(step), math.ceil(at_photo[i + 1])))
        worst = float(np.abs(step[low:high]).max(initial=0.0))
        worst_change = float(np.abs(change[max(0, low - 1) : high]).max(initial=0.0))
        turns.append(
            Turn(
                waypoint=waypoints[i],
                first=float(at_photo[i]),
                last=float(at_photo[i + 1]),
                turn_deg=float(turn),
                worst_deg=worst,
                worst_change_deg=worst_change,
                spread=spread_photos(float(turn), limits),
                jerky=worst > limits.turn_deg * 1.001 or worst_change > limits.change_deg * 1.05,
            )
        )
    return turns
