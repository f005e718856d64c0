"""A smooth course through waypoints, and how far it leaves the straight legs between them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.planning.waypoints import LEAST_LEG_M, LONGEST_LEG_M, Waypoint, geodesic_m

Floats = NDArray[np.float64]

_SAMPLES = 64
"""Points in which each leg is followed."""


@dataclass(frozen=True)
class Course:
    """A course in metres east, north and up of its first waypoint.

    `points_m` (N, 3) follow the smooth path, `along_m` (N,) is the way flown to each, and `at_m` (n,) to
    each waypoint; `waypoints_m` (n, 3). `legs_m` (n − 1,) are the straight lengths of the legs, along WGS84
    geodesics over the ground. `sideways_m` and `height_off_m` (n − 1,) tell how far the path leaves each
    straight leg at most.
    """

    waypoints_m: Floats
    points_m: Floats
    along_m: Floats
    at_m: Floats
    legs_m: Floats
    sideways_m: Floats
    height_off_m: Floats

    @property
    def length_m(self) -> float:
        """The way flown along the smooth path."""
        return float(self.along_m[-1])

    def places(self, along_m: Floats) -> Floats:
        """Return the points (k, 3) at the ways `along_m` (k,)."""
        return np.stack([np.interp(along_m, self.along_m, axis) for axis in self.points_m.T], axis=1)


def local_m(waypoints: Sequence[Waypoint]) -> Floats:
    """Return waypoints (n, 3) in m east, north and up of the first, by azimuth and distance on WGS84.

    A height that no waypoint tells counts as 0. Azimuthal equidistant about the first waypoint: over a
    course of a few kilometres true to millimetres in every direction.
    """
    from geographiclib.geodesic import Geodesic

    first = waypoints[0]
    places = []
    for point in waypoints:
        line = Geodesic.WGS84.Inverse(
            first.latitude_deg, first.longitude_deg, point.latitude_deg, point.longitude_deg
        )
        azimuth = math.radians(line["azi1"])
        up = (point.height_m or 0.0) - (first.height_m or 0.0)
        places.append((line["s12"] * math.sin(azimuth), line["s12"] * math.cos(azimuth), up))
    return np.array(places)


def course_over(waypoints: Sequence[Waypoint], max_deviation_m: float) -> Course:
    """Return the smooth course through waypoints; see `smooth_course`.

    Raises UsageError where a leg is longer than any such flight.
    """
    for number, (a, b) in enumerate(pairwise(waypoints), 1):
        ground = geodesic_m(a, b)
        if ground > LONGEST_LEG_M:
            raise UsageError(
                f"the leg from waypoint {number} to {number + 1} is {ground / 1000:.0f} km long: are "
                "latitude and longitude swapped?"
            )
    legs = np.array(
        [
            math.hypot(geodesic_m(a, b), (b.height_m or 0.0) - (a.height_m or 0.0))
            for a, b in pairwise(waypoints)
        ]
    )
    return smooth_course(local_m(waypoints), max_deviation_m, legs)


def smooth_course(places_m: Floats, max_deviation_m: float, legs_m: Floats | None = None) -> Course:
    """Lead a smooth path through places (n, 3), in m, that keeps near the straight legs between them.

    Each leg is a cubic (Hermite) with the direction at a waypoint between those of its two legs, the
    shorter one weighing more; heights rise and fall without overshooting (Fritsch and Carlson 1980), so
    that the path is never lower than both ends of its leg. Where a leg would stray by more than
    `max_deviation_m` sideways or in height, its directions are drawn in until it does not.
    """
    chords = np.diff(places_m, axis=0)
    lengths = np.linalg.norm(chords, axis=1)
    assert lengths.min() >= LEAST_LEG_M / 2, "waypoints at one place were dropped before"
    slopes = _slopes(chords / lengths[:, None], lengths)
    points, sideways, height_off = [places_m[:1]], [], []
    for i, length in enumerate(lengths):
        ends = (places_m[i], places_m[i + 1], slopes[i] * length, slopes[i + 1] * length)
        leg = _leg(*ends, max_deviation_m)
        side, up = _deviation(leg, places_m[i], places_m[i + 1])
        points.append(leg[1:])
        sideways.append(side)
        height_off.append(up)
    path = np.concatenate(points)
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(path, axis=0), axis=1))])
    return Course(
        waypoints_m=places_m,
        points_m=path,
        along_m=along,
        at_m=along[:: _SAMPLES - 1],
        legs_m=lengths if legs_m is None else legs_m,
        sideways_m=np.array(sideways),
        height_off_m=np.array(height_off),
    )


def _slopes(directions: Floats, lengths: Floats) -> Floats:
    """Return the derivative (n, 3) of the path by its length at each waypoint."""
    slopes = np.concatenate([directions[:1], directions, directions[-1:]])[:-1].copy()
    for i in range(1, len(directions)):
        before, after = directions[i - 1], directions[i]
        share = lengths[i] / (lengths[i - 1] + lengths[i])
        slopes[i] = share * before + (1.0 - share) * after
        rise = before[2] * after[2]
        # The harmonic mean keeps heights between those of the waypoints; none at a crest or a dip.
        slopes[i, 2] = 2.0 * rise / (before[2] + after[2]) if rise > 0.0 else 0.0
    return slopes


def _leg(start: Floats, end: Floats, leaving: Floats, arriving: Floats, limit_m: float) -> Floats:
    """Return a leg (_SAMPLES, 3), its directions drawn in as far as the limit asks for."""
    low, high = 0.0, 1.0
    leg = _hermite(start, end, leaving, arriving)
    if max(_deviation(leg, start, end)) <= limit_m:
        return leg
    for _ in range(24):
        middle = 0.5 * (low + high)
        trial = _hermite(start, end, middle * leaving, middle * arriving)
        if max(_deviation(trial, start, end)) <= limit_m:
            low = middle
        else:
            high = middle
    return _hermite(start, end, low * leaving, low * arriving)


def _hermite(start: Floats, end: Floats, leaving: Floats, arriving: Floats) -> Floats:
    t = np.linspace(0.0, 1.0, _SAMPLES)[:, None]
    weights = ((1 + 2 * t) * (1 - t) ** 2, t * (1 - t) ** 2, t**2 * (3 - 2 * t), t**2 * (t - 1))
    curve: Floats = weights[0] * start + weights[1] * leaving + weights[2] * end + weights[3] * arriving
    return curve


def _deviation(leg: Floats, start: Floats, end: Floats) -> tuple[float, float]:
    """Return the largest horizontal distance in m from the straight leg, and the largest off its height."""
    ground = end[:2] - start[:2]
    squared = float(ground @ ground)
    offset = leg - start
    if squared < LEAST_LEG_M**2:
        return float(np.linalg.norm(offset[:, :2], axis=1).max()), 0.0
    share = np.clip(offset[:, :2] @ ground / squared, 0.0, 1.0)
    sideways = np.linalg.norm(offset[:, :2] - share[:, None] * ground, axis=1)
    height_off = np.abs(offset[:, 2] - share * (end[2] - start[2]))
    return float(sideways.max()), float(height_off.max())


def bearings_deg(places_m: Floats) -> Floats:
    """Return the bearing (n − 1,) of each leg, clockwise from north; a leg straight up takes the one before.

    0 where no leg leads anywhere.
    """
    chords = np.diff(places_m, axis=0)
    bearings = np.degrees(np.arctan2(chords[:, 0], chords[:, 1]))
    level = np.hypot(chords[:, 0], chords[:, 1]) >= LEAST_LEG_M
    known = np.flatnonzero(level)
    if known.size == 0:
        return np.zeros(len(chords))
    before = np.maximum.accumulate(np.where(level, np.arange(len(chords)), -1))
    return np.asarray(bearings[np.where(before < 0, known[0], before)], dtype=np.float64)
