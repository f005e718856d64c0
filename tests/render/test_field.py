"""Coarse fields of gains over the source, seen by an output."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from scipy.interpolate import RegularGridInterpolator

from pipeline.corrections import Corrections
from pipeline.photo.raw import RawPhoto
from pipeline.render import compose
from pipeline.render.delivery import FrameFormat
from pipeline.render.resample import field_gain

WIDTH, HEIGHT = 400, 300
STILL = np.eye(3)


def exact(grid: np.ndarray, homography: np.ndarray, size: tuple[int, int]) -> np.ndarray:
    """The field in EV at each output pixel, by SciPy's linear interpolation."""
    x, y = np.meshgrid(np.arange(size[0]), np.arange(size[1]))
    u, v, w = np.einsum("ij,jkl->ikl", homography, np.stack([x, y, np.ones_like(x)]))
    nodes = np.linspace(0, HEIGHT - 1, grid.shape[0]), np.linspace(0, WIDTH - 1, grid.shape[1])
    at = np.stack([np.clip(v / w, 0, HEIGHT - 1), np.clip(u / w, 0, WIDTH - 1)], axis=-1)
    return np.asarray(RegularGridInterpolator(nodes, grid)(at))


def rows_of(grid: np.ndarray) -> tuple[tuple[float, ...], ...]:
    return tuple(tuple(float(value) for value in row) for row in grid)


@pytest.mark.parametrize("size", [(400, 300), (160, 90), (333, 251)])
def test_a_field_is_bilinear_over_the_source(size: tuple[int, int]) -> None:
    grid = np.random.default_rng(0).normal(0.0, 0.1, (6, 4))
    scale = np.diag([(WIDTH - 1) / (size[0] - 1), (HEIGHT - 1) / (size[1] - 1), 1.0])
    gain = field_gain(scale, size, WIDTH, HEIGHT, rows_of(grid))
    assert gain.shape == (size[1], size[0]) and gain.dtype == np.float32
    off = np.log2(gain) - exact(grid, scale, size)
    # Sampled every 8 px: it errs at the bends of the nodes alone, least where they are far apart.
    assert np.abs(off).max() < (0.015 if size[0] >= 333 else 0.05)
    assert np.sqrt(np.mean(off**2)) < (0.0015 if size[0] >= 333 else 0.006)


def test_a_plane_is_met_exactly_under_any_rotation() -> None:
    grid = 0.3 * np.linspace(-0.5, 0.5, 6)[:, None] - 0.2 * np.linspace(-0.5, 0.5, 4)[None, :]
    turned = np.array([[0.62, -0.08, 60.0], [0.08, 0.62, 40.0], [0.0, 0.0, 1.0]])
    gain = field_gain(turned, (400, 300), WIDTH, HEIGHT, rows_of(grid))
    assert np.log2(gain) == pytest.approx(exact(grid, turned, (400, 300)), abs=1e-5)


def test_no_field_changes_nothing() -> None:
    assert np.array_equal(field_gain(STILL, (64, 48), 64, 48, rows_of(np.zeros((6, 4)))), np.ones((48, 64)))


def test_an_uneven_photo_is_rendered_even(
    mosaic_photo: Callable[..., RawPhoto], corrections: Callable[..., Corrections]
) -> None:
    # The bottom of the photo got 0.3 EV more than its top, its right 0.2 EV less than its left.
    tilt = 0.3 * np.linspace(-0.5, 0.5, 300)[:, None] - 0.2 * np.linspace(-0.5, 0.5, 400)[None, :]
    photo = mosaic_photo(0.3 * np.exp2(tilt)[..., None] * np.ones(3))
    grid = -(0.3 * np.linspace(-0.5, 0.5, 6)[:, None] - 0.2 * np.linspace(-0.5, 0.5, 4)[None, :])
    formats = (FrameFormat(300, 220, "yuv444p10le"),)
    spreads = {}
    for name, more in (("even", {"grid_gain_ev": rows_of(grid)}), ("uneven", {})):
        made = corrections(400, 300, 0.8, rotation_rad=(0.02, -0.03, 0.05), **more)
        working = compose.render_working(photo, made.frames[0], made, formats)
        light = np.log2(working.pictures[0][8:-8, 8:-8, 1])
        spreads[name] = float(np.ptp(light))
    assert spreads["even"] < 0.002 and spreads["uneven"] > 0.25


def test_clipped_light_stays_white_under_a_field(
    mosaic_photo: Callable[..., RawPhoto], corrections: Callable[..., Corrections]
) -> None:
    photo = mosaic_photo(np.full((120, 160, 3), 2.0))
    grid = 0.2 * np.linspace(-0.5, 0.5, 6)[:, None] * np.ones((1, 4))
    made = corrections(160, 120, 0.9, grid_gain_ev=rows_of(grid))
    made = made.model_copy(update={"white": float(2.0 ** made.frames[0].lowest_field_ev)})
    working = compose.render_working(photo, made.frames[0], made, (FrameFormat(120, 90, "yuv444p10le"),))
    assert working.pictures[0] == pytest.approx(np.ones((90, 120, 3)), abs=2e-3)
