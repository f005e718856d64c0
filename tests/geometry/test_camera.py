"""The pinhole camera against projections written out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.camera import bearings, corner_rays, intrinsics, largest_rectangle, rescale_points


def test_the_centre_of_the_picture_lies_ahead() -> None:
    camera = intrinsics(1000.0, 1600, 1200)
    assert camera @ [0.0, 0.0, 1.0] == pytest.approx([799.5, 599.5, 1.0])
    # 45 degrees to the right and down is one focal length away
    assert camera @ [1.0, 1.0, 1.0] == pytest.approx([1799.5, 1599.5, 1.0])


def test_bearings_undo_the_projection() -> None:
    points = np.random.default_rng(0).uniform(0, 1200, (50, 2))
    rays = bearings(points, 900.0, 1600, 1200)
    assert np.linalg.norm(rays, axis=1) == pytest.approx(np.ones(50))
    back = rays @ intrinsics(900.0, 1600, 1200).T
    assert np.allclose(back[:, :2] / back[:, 2:], points)


@pytest.mark.parametrize("factor", [0.5, 1.0, 2.5])
def test_resizing_keeps_the_outer_edges(factor: float) -> None:
    # pixel centres at whole numbers: the picture reaches from -0.5 to W - 0.5 at any size
    edges = np.array([[-0.5, -0.5], [1599.5, 1199.5]])
    assert rescale_points(edges, factor) == pytest.approx(
        np.array([[-0.5, -0.5], [1600 * factor - 0.5, 1200 * factor - 0.5]])
    )
    points = np.random.default_rng(0).uniform(0, 1000, (9, 2))
    assert rescale_points(rescale_points(points, factor), 1 / factor) == pytest.approx(points)


def test_resizing_keeps_bearings() -> None:
    points = np.random.default_rng(0).uniform(0, 1000, (9, 2))
    full = bearings(points, 900.0, 1600, 1200)
    half = bearings(rescale_points(points, 0.5), 450.0, 800, 600)
    assert half == pytest.approx(full)


@pytest.mark.parametrize(
    ("size", "shape", "expected"),
    [
        ((1600, 1200), (16, 9), (1600.0, 900.0)),
        ((1600, 1200), (4, 3), (1600.0, 1200.0)),
        ((1600, 1200), (1, 1), (1200.0, 1200.0)),
        ((1200, 1600), (16, 9), (1200.0, 675.0)),
        ((1600, 1200), (9, 16), (675.0, 1200.0)),
    ],
)
def test_largest_rectangle(
    size: tuple[int, int], shape: tuple[int, int], expected: tuple[float, float]
) -> None:
    assert largest_rectangle(*size, shape) == pytest.approx(expected)


def test_corner_rays_meet_the_edges_of_the_crop() -> None:
    rays = corner_rays(1600, 1200, 1000.0, (16, 9), 0.9)
    assert rays[:, 2] == pytest.approx(np.ones(4))
    places = rays @ intrinsics(1000.0, 1600, 1200).T
    x0, y0 = 800 - 720 - 0.5, 600 - 405 - 0.5
    x1, y1 = 800 + 720 - 0.5, 600 + 405 - 0.5
    assert places[:, :2] == pytest.approx(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]]))
