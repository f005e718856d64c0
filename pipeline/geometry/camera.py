"""The pinhole camera: intrinsics, and the steady camera that an output picture belongs to."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.arrays import lengths

Floats = NDArray[np.float64]


def intrinsics(focal_px: float, width: int, height: int) -> Floats:
    """Return the 3×3 matrix K of a camera whose principal point is the centre of width × height px."""
    return np.array(
        [[focal_px, 0.0, (width - 1) / 2.0], [0.0, focal_px, (height - 1) / 2.0], [0.0, 0.0, 1.0]]
    )


def rescale_points(points: Floats, factor: float) -> Floats:
    """Return pixel coordinates in a picture resized by `factor` (pixel centres at whole numbers)."""
    return (points + 0.5) * factor - 0.5


def bearings(points: Floats, focal_px: float, width: int, height: int) -> Floats:
    """Return unit directions (n, 3) in camera axes of pixel coordinates (n, 2)."""
    centred = (points - np.array([(width - 1) / 2.0, (height - 1) / 2.0])) / focal_px
    rays = np.concatenate([centred, np.ones((len(points), 1))], axis=1)
    return np.asarray(rays / lengths(rays)[:, None])


def largest_rectangle(width: int, height: int, shape: tuple[int, int]) -> tuple[float, float]:
    """Return width and height in px of the largest rectangle of the aspect `shape` inside a picture."""
    aspect = shape[0] / shape[1]
    return (float(width), width / aspect) if width / height <= aspect else (height * aspect, float(height))


def corner_rays(width: int, height: int, focal_px: float, shape: tuple[int, int], crop: float) -> Floats:
    """Return the directions (4, 3), z = 1, of the corners of the steady camera's picture.

    It sees the central `crop` of the largest rectangle of `shape`. Order: top left, top right, bottom
    right, bottom left.
    """
    wide, high = largest_rectangle(width, height, shape)
    half = np.array([wide, high]) * crop / 2.0 / focal_px
    signs = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    return np.concatenate([signs * half, np.ones((4, 1))], axis=1)


def along_border(corners: Floats, per_side: int) -> Floats:
    """Return points (4 per_side, 3) along the border of a quadrilateral (4, 3), its corners among them."""
    share = (np.arange(per_side) / per_side)[:, None]
    sides = [(1.0 - share) * corners[k] + share * corners[(k + 1) % 4] for k in range(4)]
    return np.concatenate(sides)


def similar_rays(rays: Floats, similarity: Floats) -> Floats:
    """Return rays (n, m, 3), z = 1, of the steady camera that frames moved by similarities (n, 4) show.

    A place q of the output at z = 1, rays (m, 3), shows exp(log scale) turn(angle) q + shift; a row of
    `similarity` holds shift right and down at z = 1, log scale and angle in radians.
    """
    x, y = rays[:, 0], rays[:, 1]
    scale = np.exp(similarity[:, 2:3])
    cosine, sine = scale * np.cos(similarity[:, 3:]), scale * np.sin(similarity[:, 3:])
    right = cosine * x - sine * y + similarity[:, :1]
    below = sine * x + cosine * y + similarity[:, 1:2]
    return np.stack([right, below, np.ones_like(right)], axis=-1)
