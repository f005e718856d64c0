"""Demosaicing: invariants of linear filters, every phase, borders, parts."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.raw import RawPhoto
from pipeline.render.arrays import Box
from pipeline.render.demosaic import ALONG_ROW, HALO, LESS_GREEN, demosaic, linear_rgb
from tests.render.made import NEUTRAL, psnr, zone_plate

MakePhoto = Callable[..., RawPhoto]


def test_the_kernels_keep_an_even_level() -> None:
    assert LESS_GREEN.sum() == 0.0
    assert ALONG_ROW[0, ::2].sum() == ALONG_ROW[0, 1] == 1.0


def test_an_even_colour_comes_back_up_to_the_border(
    mosaic_photo: MakePhoto, pattern: NDArray[np.uint8]
) -> None:
    # Roots that differ by channel would show a wrong phase anywhere, the border mirrored wrongly at it.
    grey = np.broadcast_to([0.25, 0.25, 0.25], (130, 46, 3))
    np.testing.assert_allclose(demosaic(mosaic_photo(grey, pattern), NEUTRAL), grey, atol=3e-5)


def test_each_measured_value_stays_itself(mosaic_photo: MakePhoto, pattern: NDArray[np.uint8]) -> None:
    rng = np.random.default_rng(1)
    truth = rng.uniform(0.0, 1.0, (70, 40, 3))
    rgb = demosaic(mosaic_photo(truth, pattern), NEUTRAL)
    for y in (0, 1):
        for x in (0, 1):
            part = np.s_[y::2, x::2, pattern[y, x]]
            np.testing.assert_allclose(rgb[part], truth[part], atol=3e-5)


def test_a_slope_even_in_square_roots_comes_back(mosaic_photo: MakePhoto, pattern: NDArray[np.uint8]) -> None:
    # All kernels reproduce planes; the encoding makes them planes of the square root.
    y, x = np.mgrid[0:80, 0:60].astype(np.float64)
    truth = np.repeat(((0.1 + 0.004 * x + 0.003 * y) ** 2)[..., np.newaxis], 3, axis=2)
    rgb = demosaic(mosaic_photo(truth, pattern), NEUTRAL)
    np.testing.assert_allclose(rgb[HALO:-HALO, HALO:-HALO], truth[HALO:-HALO, HALO:-HALO], atol=5e-5)


def test_all_phases_agree(mosaic_photo: MakePhoto, pattern: NDArray[np.uint8]) -> None:
    """A photo cut by one row and one column has another phase and must show the same picture."""
    rng = np.random.default_rng(2)
    photo = mosaic_photo(rng.uniform(0.0, 1.0, (90, 50, 3)), pattern)
    whole = demosaic(photo, NEUTRAL).copy()
    for top, left in ((1, 0), (0, 1), (1, 1)):
        mosaic = photo.mosaic[top : top + 88, left : left + 48]
        cut = replace(photo, mosaic=mosaic, pattern=np.roll(pattern, (-top, -left), (0, 1)))
        same = whole[top + HALO : top + 88 - HALO, left + HALO : left + 48 - HALO]
        np.testing.assert_allclose(demosaic(cut, NEUTRAL)[HALO:-HALO, HALO:-HALO], same, atol=2e-6)


def test_zone_plate(mosaic_photo: MakePhoto, pattern: NDArray[np.uint8]) -> None:
    """Grey detail up to 0.25 cycles/px: 36.0 dB measured in every phase (OpenCV's bilinear gave 29.1)."""
    truth = zone_plate(300, 300, 0.25)
    assert psnr(demosaic(mosaic_photo(truth, pattern), NEUTRAL), truth) > 35.5


def test_a_clipped_edge_keeps_its_colour(mosaic_photo: MakePhoto, pattern: NDArray[np.uint8]) -> None:
    """A grey wall before a clipped sky: no pixel beside the edge strays in colour by more than the edge
    itself does, and the two sides stay what they are."""
    truth = np.full((60, 60, 3), 0.1)
    truth[:, 30:] = 1.0 / np.asarray(NEUTRAL)  # each channel at its own saturation
    rgb = demosaic(mosaic_photo(truth, pattern), NEUTRAL)
    np.testing.assert_allclose(rgb[:, :27], truth[:, :27], atol=5e-5)
    np.testing.assert_allclose(rgb[:, 33:], truth[:, 33:], atol=2e-4)
    assert rgb.min() > -0.02
    assert (rgb[:, 30:] <= 1.3 / np.asarray(NEUTRAL)).all()


def test_the_border_is_nearly_as_good_as_the_middle(mosaic_photo: MakePhoto) -> None:
    truth = zone_plate(200, 200, 0.15)[::-1, ::-1]
    error = np.abs(demosaic(mosaic_photo(truth), NEUTRAL) - truth)
    rim = np.ones((200, 200), bool)
    rim[2:-2, 2:-2] = False
    assert np.sqrt(np.mean(error[rim] ** 2)) < 0.02
    assert error[rim].max() < 0.1


def test_a_part_is_that_part_of_the_whole(mosaic_photo: MakePhoto, pattern: NDArray[np.uint8]) -> None:
    rng = np.random.default_rng(3)
    photo = mosaic_photo(rng.uniform(0.0, 1.0, (200, 120, 3)), pattern)
    whole = demosaic(photo, NEUTRAL).copy()
    for box in (Box(0, 200, 0, 120), Box(38, 160, 20, 100), Box(0, 66, 60, 120), Box(130, 200, 0, 34)):
        part = whole[box.top : box.bottom, box.left : box.right]
        np.testing.assert_allclose(demosaic(photo, NEUTRAL, box), part, atol=2e-6)


def test_noise_about_black_keeps_its_mean(mosaic_photo: MakePhoto) -> None:
    """Values below black stay negative, else shadows would be lifted and coloured."""
    rng = np.random.default_rng(4)
    noise = rng.normal(0.0, 0.003, (400, 400, 3)) / np.asarray(NEUTRAL)
    rgb = demosaic(mosaic_photo(noise), NEUTRAL)
    assert rgb.min() < -0.003
    np.testing.assert_allclose(rgb.mean(axis=(0, 1)), 0.0, atol=1.5e-4)


def test_levels_above_one_are_not_clipped(mosaic_photo: MakePhoto) -> None:
    red = np.broadcast_to([1.9, 0.5, 0.5], (20, 20, 3))  # its photosites reach 0.95 of saturation
    assert abs(float(demosaic(mosaic_photo(red), NEUTRAL)[10, 10, 0]) - 1.9) < 1e-3


def test_a_display_referred_photo_is_looked_up() -> None:
    rng = np.random.default_rng(5)
    for dtype, codes in ((np.uint8, 256), (np.uint16, 65536)):
        rgb = rng.integers(0, codes, (30, 20, 3)).astype(dtype)
        levels = np.linspace(0.0, 1.0, codes, dtype=np.float32) ** 2
        photo = LinearPhoto(rgb, levels, None, None)
        np.testing.assert_array_equal(linear_rgb(photo, (1.0, 1.0, 1.0)), levels[rgb])
        part = linear_rgb(photo, (0.5, 1.0, 1.0), Box(2, 10, 4, 20))
        expected = levels[rgb[2:10, 4:20]] * np.array([2, 1, 1], np.float32)
        np.testing.assert_array_equal(part, expected)
