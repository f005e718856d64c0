"""Distortion against the published formula written out, and its inverse and derivative against itself."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.lens import Lens

WIDTH, HEIGHT = 1600, 1200
LENS = Lens((1.01, -0.08, 0.03, -0.01), (0.002, -0.001), (0.48, 0.51))


def places() -> np.ndarray:
    x, y = np.meshgrid(np.linspace(0, WIDTH - 1, 17), np.linspace(0, HEIGHT - 1, 13))
    return np.stack([x.ravel(), y.ravel()], axis=1)


def test_the_formula_of_warp_rectilinear() -> None:
    # DNG specification 1.4 and later, WarpRectilinear (from memory): (x0, y0) and (x1, y1) are the corner
    # pixels, m the farthest corner's distance from the optical centre, and
    # f = k0 + k1 r² + k2 r⁴ + k3 r⁶, x' = cx + m (dx f + t0 2 dx dy + t1 (r² + 2 dx²)), likewise y'.
    cx, cy = 0.48 * WIDTH - 0.5, 0.51 * HEIGHT - 0.5
    m = np.hypot(max(cx + 0.5, WIDTH - 0.5 - cx), max(cy + 0.5, HEIGHT - 0.5 - cy))
    for x, y in places()[::7]:
        dx, dy = (x - cx) / m, (y - cy) / m
        r2 = dx * dx + dy * dy
        f = 1.01 - 0.08 * r2 + 0.03 * r2**2 - 0.01 * r2**3
        expected = [
            cx + m * (f * dx + 0.002 * 2 * dx * dy - 0.001 * (r2 + 2 * dx * dx)),
            cy + m * (f * dy - 0.001 * 2 * dx * dy + 0.002 * (r2 + 2 * dy * dy)),
        ]
        assert LENS.bend(np.array([x, y]), WIDTH, HEIGHT) == pytest.approx(expected, abs=1e-9)


def test_straightened_and_bent_again() -> None:
    straight = LENS.straighten(places(), WIDTH, HEIGHT)
    assert np.max(np.abs(straight - places())) > 10.0
    assert LENS.bend(straight, WIDTH, HEIGHT) == pytest.approx(places(), abs=1e-6)


def test_derivative_by_differences() -> None:
    step = 1e-3
    slope = LENS.slope(places(), WIDTH, HEIGHT)
    for axis in range(2):
        nudge = np.eye(2)[axis] * step
        ahead, behind = (LENS.bend(places() + sign * nudge, WIDTH, HEIGHT) for sign in (1.0, -1.0))
        assert (ahead - behind) / (2 * step) == pytest.approx(slope[:, :, axis], abs=1e-6)


def test_a_lens_without_distortion() -> None:
    assert Lens((1.0, 0.0, 0.0, 0.0)).bend(places(), WIDTH, HEIGHT) == pytest.approx(places(), abs=1e-9)


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_the_size_of_the_picture_does_not_matter(factor: float) -> None:
    large = LENS.bend((places() + 0.5) * factor - 0.5, int(WIDTH * factor), int(HEIGHT * factor))
    assert (large + 0.5) / factor - 0.5 == pytest.approx(LENS.bend(places(), WIDTH, HEIGHT), abs=1e-9)
