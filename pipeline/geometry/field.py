"""The picture in which the steady camera's output moves, and how far it stays from the border."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import along_border, bearings, corner_rays, similar_rays
from pipeline.geometry.lens import Lens
from pipeline.geometry.rotation import exp

Floats = NDArray[np.float64]

_PER_SIDE = 6
MARGIN_PX = 2.0
"""Distance kept from the source's border, so that interpolation never reads beyond it."""


@dataclass(frozen=True)
class Field:
    """The picture the path moves in: upright source size, focal length in px, aspect of the output.

    `similarity` (n, 4) is what each frame's output is moved by before it is turned (`camera.similar_rays`).
    `lens` bends the straight picture into the source.
    """

    width: int
    height: int
    focal_px: float
    shape: tuple[int, int]
    similarity: Floats | None = None
    lens: Lens | None = None

    def rays(self, crop: float) -> Floats:
        """Return the directions (m, 3), z = 1, or (n, m, 3) under similarities, of the output's border.

        Straight lines stay straight without a lens, and four corners tell all; else there are more points.
        """
        corners = self.straight_corners(crop)
        if self.lens is not None:
            corners = along_border(corners, _PER_SIDE)
        if self.similarity is None:
            return corners
        return similar_rays(corners, self.similarity)

    def straight_corners(self, crop: float) -> Floats:
        """Return the directions (4, 3), z = 1, of the output's corners, were no frame moved."""
        return corner_rays(self.width, self.height, self.focal_px, self.shape, crop)

    def directions(self, points: Floats) -> Floats:
        """Return unit directions (n, 3) in the real camera's axes of px (n, 2) of the straight picture."""
        return bearings(points, self.focal_px, self.width, self.height)

    def place(self, seen: Floats) -> Floats:
        """Return source px (..., 2) of directions (..., 3) in the real camera's axes."""
        centre = np.array([(self.width - 1) / 2.0, (self.height - 1) / 2.0])
        straight = self.focal_px * seen[..., :2] / seen[..., 2:] + centre
        return straight if self.lens is None else self.lens.bend(straight, self.width, self.height)


def corners_in_source(field: Field, corrections: Floats, crop: float) -> Floats:
    """Return source pixels (n, m, 2) of the output's corners under rotation vectors (n, 3)."""
    rays = field.rays(crop)
    rays = np.broadcast_to(rays, (len(corrections), *rays.shape[-2:]))
    return field.place(np.einsum("nij,ncj->nci", exp(corrections), rays))


def clearance(field: Field, corrections: Floats, crop: float) -> Floats:
    """Return for each frame the least distance (n,) in px of the corners from the border, + inside."""
    corners = corners_in_source(field, corrections, crop)
    x, y = corners[..., 0], corners[..., 1]
    sides = np.stack([x + 0.5, field.width - 0.5 - x, y + 0.5, field.height - 0.5 - y])
    return np.asarray(sides.min(axis=(0, 2)))


def widest_crop(field: Field, corrections: Floats, least: float) -> float:
    """Return the largest crop ratio in [least, 1] whose every corner keeps MARGIN_PX, by bisection."""
    low, high = least, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if float(clearance(field, corrections, middle).min()) >= MARGIN_PX:
            low = middle
        else:
            high = middle
    return low
