"""Synthetic scenes of known truth: points of a ground seen by cameras of known attitude and place.

All values are invented. Written with SciPy's rotations, apart from the code under test.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]

WIDTH, HEIGHT, FOCAL = 1600, 1200, 1081.0
SIZE = (WIDTH, HEIGHT)
PX_1080P = 1920.0 / WIDTH / 0.9
"""px of a 1080p delivery, cropped to 0.9, per px of the source."""

HEIGHT_M = 70.0


def camera_axes(yaw_deg: float, pitch_deg: float, roll_deg: float = 0.0) -> Floats:
    """World (east, north, up) to camera (right, down, forward), built from the axes' directions."""
    yaw, pitch, roll = np.deg2rad([yaw_deg, pitch_deg, roll_deg])
    forward = np.array([np.sin(yaw) * np.cos(pitch), np.cos(yaw) * np.cos(pitch), np.sin(pitch)])
    level_right = np.array([np.cos(yaw), -np.sin(yaw), 0.0])
    level_down = np.cross(forward, level_right)
    # Banked clockwise as the pilot sees it, the camera's right side points down.
    right = np.cos(roll) * level_right + np.sin(roll) * level_down
    return np.stack([right, np.cross(forward, right), forward])


def shaken(attitude: Floats, rng: np.random.Generator, rms_deg: float = 0.5) -> Floats:
    """`attitude` with a random turn about each of the camera's axes."""
    return Rotation.from_rotvec(np.deg2rad(rng.normal(0.0, rms_deg, 3))).as_matrix() @ attitude


def ground(count: int, attitude: Floats, rng: np.random.Generator, relief_m: float = 0.0) -> Floats:
    """Points (n, 3) in metres about the place that a camera 70 m up looks at, 40 % of them raised."""
    steep = max(-attitude[2, 2], 0.28)
    ahead = HEIGHT_M / steep * attitude[2]
    spread = rng.uniform(-1.3, 1.3, (count, 2)) * HEIGHT_M / steep
    points = np.concatenate([ahead[:2] + spread, np.zeros((count, 1))], axis=1)
    points[:, 2] = -HEIGHT_M + rng.uniform(0.0, relief_m, count) * (rng.random(count) < 0.4)
    return points


def seen(points: Floats, attitude: Floats, place: Floats) -> tuple[Floats, NDArray[np.bool_]]:
    """Pixel coordinates (n, 2) of points, and which of them (n,) are in the picture."""
    x, y, z = ((points - place) @ attitude.T).T
    ahead = z > 1.0
    depth = np.where(ahead, z, 1.0)
    places = np.stack([FOCAL * x / depth + (WIDTH - 1) / 2, FOCAL * y / depth + (HEIGHT - 1) / 2], axis=1)
    inside = (places > -0.5).all(axis=1) & (places < np.array(SIZE) - 0.5).all(axis=1)
    return places, ahead & inside


@dataclass(frozen=True)
class TwoViews:
    """Matches (n, 2) of two views, the true rotation from the first to the second, the first's attitude."""

    points_i: Floats
    points_j: Floats
    rotation: Floats
    first: Floats | None = None


def two_views(
    rng: np.random.Generator,
    *,
    relief_m: float = 0.0,
    baseline_m: float = 0.0,
    pitch_deg: float = -25.0,
    wrong: float = 0.0,
    noise_px: float = 0.2,
    count: int = 400,
) -> TwoViews:
    """Two shaken views of one ground, the drone moved forward and a little aside; some matches wrong."""
    attitude = camera_axes(30.0, pitch_deg)
    points = ground(12 * count, attitude, rng, relief_m)
    first, second = shaken(attitude, rng), shaken(attitude, rng)
    way = camera_axes(30.0, 0.0)[2] * baseline_m + rng.normal(0.0, 0.1, 3) * (baseline_m > 0)
    here, in_first = seen(points, first, np.zeros(3))
    there, in_second = seen(points, second, way)
    both = np.flatnonzero(in_first & in_second)[:count]
    here = here[both] + rng.normal(0.0, noise_px, (len(both), 2))
    there = there[both] + rng.normal(0.0, noise_px, (len(both), 2))
    bad = rng.random(len(both)) < wrong
    there[bad] += rng.normal(0.0, 30.0, (int(bad.sum()), 2))
    return TwoViews(here, there, second @ first.T, first)


def apart_rad(first: Floats, second: Floats) -> float:
    """Angle between two rotations, by SciPy."""
    return float(Rotation.from_matrix(first @ second.T).magnitude())
