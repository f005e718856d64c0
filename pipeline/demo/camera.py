"""The pinhole camera of the demo, and how it moves while its shutter is open."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]


@dataclass(frozen=True)
class Camera:
    """A pinhole camera at one instant. `rotation` maps world to camera; pixel (0, 0) is a centre.

    `matrix` is K, 3×3; `size` is (width, height) in px; `position` metres.
    """

    matrix: Float64
    size: tuple[int, int]
    rotation: Float64
    position: Float64

    def project(self, points: Float64) -> Float64:
        """Pixels (N×2) of world points (N×3); NaN for those less than 1 m before the camera."""
        seen = (points - self.position) @ self.rotation.T
        seen = np.where(seen[:, 2:] > 1.0, seen, np.nan)
        pixels: Float64 = (seen @ self.matrix.T)[:, :2] / seen[:, 2:]
        return pixels


@dataclass(frozen=True)
class Exposed:
    """The motion of a camera while the shutter is open, from the pose in the middle of it."""

    middle: Camera
    velocity: Float64
    spin: Float64
    shutter_s: float
    _known: dict[float, Camera] = field(default_factory=dict, compare=False, repr=False)

    def at(self, time_s: float) -> Camera:
        """The camera `time_s` after the middle of the exposure, velocity and spin constant in its own axes.

        Position: the integral of the turning velocity, by the left Jacobian of SO(3), second order.
        """
        if time_s in self._known:
            return self._known[time_s]
        turn = self.spin * time_s
        cross = np.array([[0, -turn[2], turn[1]], [turn[2], 0, -turn[0]], [-turn[1], turn[0], 0]])
        rotation, _ = cv2.Rodrigues(-turn)
        jacobian = np.eye(3) + cross / 2 + cross @ cross / 6
        start = self.middle.rotation
        moved = start.T @ jacobian @ (start @ self.velocity) * time_s
        camera = Camera(self.middle.matrix, self.middle.size, rotation @ start, self.middle.position + moved)
        self._known[time_s] = camera
        return camera


def intrinsics(size: tuple[int, int], focal_px: float) -> Float64:
    """K of a pinhole camera with its principal point in the picture's centre."""
    width, height = size
    return np.array([[focal_px, 0, (width - 1) / 2], [0, focal_px, (height - 1) / 2], [0, 0, 1.0]])


def ground_motion(motion: Exposed, start_s: float, later_s: float) -> Float64:
    """W, 3×3: pixel at `later_s` to the pixel that sees the same ground at `start_s`."""

    def plane_to_pixel(time_s: float) -> Float64:
        camera = motion.at(time_s)
        r = camera.rotation
        seen: Float64 = camera.matrix @ np.column_stack([r[:, 0], r[:, 1], -r @ camera.position])
        return seen

    return plane_to_pixel(start_s) @ np.linalg.inv(plane_to_pixel(later_s))


def sky_motion(motion: Exposed, start_s: float, later_s: float) -> Float64:
    """W, 3×3, of infinitely far things: K R(start) R(later)ᵀ K⁻¹."""
    k = motion.middle.matrix
    turned: Float64 = k @ motion.at(start_s).rotation @ motion.at(later_s).rotation.T @ np.linalg.inv(k)
    return turned


def longest_moves_px(camera: Camera, moved: Float64) -> Float64:
    """The longest way, for each row (H,), that a homography moves its left end, middle or right end."""
    width, height = camera.size
    y, x = np.mgrid[0:height, 0:3]
    pixels = np.stack([x * (width - 1) / 2, y, np.ones_like(y)], axis=-1)
    there = pixels @ moved.T
    shift = there[..., :2] / there[..., 2:] - pixels[..., :2]
    longest: Float64 = np.hypot(shift[..., 0], shift[..., 1]).max(axis=1)
    return longest


def rays(camera: Camera, first: int, last: int) -> tuple[Float32, Float32, Float32]:
    """East, north and up parts of the direction through each pixel of rows `first` to `last` - 1.

    Each is of unit depth along the camera's axis.
    """
    to_world = camera.rotation.T @ np.linalg.inv(camera.matrix)
    x = np.arange(camera.size[0], dtype=np.float64)[None, :]
    y = np.arange(first, last, dtype=np.float64)[:, None]
    east, north, up = (((a * x) + (b * y + c)).astype(np.float32) for a, b, c in to_world)
    return east, north, up


def above_horizon_px(camera: Camera) -> Float32:
    """Distance of each pixel above the horizon line, H×W px."""
    a, b, _ = (camera.rotation.T @ np.linalg.inv(camera.matrix))[2]
    return rays(camera, 0, camera.size[1])[2] / np.float32(np.hypot(a, b))
