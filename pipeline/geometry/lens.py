"""Distortion of a lens: where a straight picture's places lie in the source.

The model is that of the opcode WarpRectilinear of the DNG specification (1.7.1, chapter 7): about a centre,
with r the distance over that of the farthest corner, the even polynomial k0 + k1 r² + k2 r⁴ + k3 r⁶ scales
and two tangential terms shift a place. Other models are fitted to it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.corrections import LensDistortion

Floats = NDArray[np.float64]

_ROUNDS = 30


@dataclass(frozen=True)
class Lens:
    """Radial (4,) and tangential (2,) coefficients, and the centre as shares of width and height."""

    radial: tuple[float, float, float, float]
    tangential: tuple[float, float] = (0.0, 0.0)
    centre: tuple[float, float] = (0.5, 0.5)

    def _scaled(self, points: Floats, width: int, height: int) -> tuple[Floats, Floats, float]:
        """Return places from the centre, over the farthest corner's distance; the centre; that distance."""
        size = np.array([width, height])
        centre = np.array(self.centre) * size - 0.5
        reach = float(np.hypot(*np.maximum(centre + 0.5, size - 0.5 - centre)))
        return (points - centre) / reach, centre, reach

    def bend(self, points: Floats, width: int, height: int) -> Floats:
        """Return the source px (..., 2) of px of the straight picture (..., 2)."""
        place, centre, reach = self._scaled(points, width, height)
        x, y = place[..., 0], place[..., 1]
        square = x * x + y * y
        k0, k1, k2, k3 = self.radial
        t0, t1 = self.tangential
        factor = k0 + square * (k1 + square * (k2 + square * k3))
        across = factor * x + 2.0 * t0 * x * y + t1 * (square + 2.0 * x * x)
        down = factor * y + 2.0 * t1 * x * y + t0 * (square + 2.0 * y * y)
        return np.stack([across, down], axis=-1) * reach + centre

    def slope(self, points: Floats, width: int, height: int) -> Floats:
        """Return the derivative (..., 2, 2) of `bend`."""
        place, _, _ = self._scaled(points, width, height)
        x, y = place[..., 0], place[..., 1]
        square = x * x + y * y
        k0, k1, k2, k3 = self.radial
        t0, t1 = self.tangential
        factor = k0 + square * (k1 + square * (k2 + square * k3))
        growth = 2.0 * (k1 + square * (2.0 * k2 + 3.0 * square * k3))
        xx = factor + growth * x * x + 2.0 * t0 * y + 6.0 * t1 * x
        yy = factor + growth * y * y + 2.0 * t1 * x + 6.0 * t0 * y
        xy = growth * x * y + 2.0 * t0 * x + 2.0 * t1 * y
        return np.stack([np.stack([xx, xy], -1), np.stack([xy, yy], -1)], -2)

    def straighten(self, points: Floats, width: int, height: int) -> Floats:
        """Return the px of the straight picture that lie at source px (..., 2), by Newton's steps."""
        found = np.asarray(points, float)
        for _ in range(_ROUNDS):
            miss = self.bend(found, width, height) - points
            step = np.linalg.solve(self.slope(found, width, height), miss[..., None])[..., 0]
            found = found - step
            if float(np.max(np.abs(step), initial=0.0)) < 1e-9:
                break
        return found


def lens_of(told: LensDistortion | None) -> Lens | None:
    """Return the lens whose distortion corrections or tags tell, None where it is untold."""
    return None if told is None else Lens(told.radial, told.tangential, told.centre)
