"""The invented camera's arithmetic."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.demo.sensor import (
    COLOUR_MATRIX_A,
    COLOUR_MATRIX_D65,
    PATTERNS,
    Pattern,
    Sensor,
    camera_neutral,
    colour_matrix,
    counts,
    mosaic_of,
    scene_to_camera,
    vignette_loss_ev,
)


def test_white_becomes_the_neutral_and_green_one() -> None:
    white = scene_to_camera(5200.0) @ np.ones(3)
    assert white[1] == pytest.approx(1.0)
    np.testing.assert_allclose(white, camera_neutral(5200.0), rtol=1e-12)


def test_warmer_light_has_more_red_and_less_blue() -> None:
    warm, cold = camera_neutral(4500.0), camera_neutral(7500.0)
    assert warm[0] > cold[0]
    assert warm[2] < cold[2]


def test_colour_matrix_at_and_beyond_its_ends() -> None:
    np.testing.assert_allclose(colour_matrix(2856.0), COLOUR_MATRIX_A)
    np.testing.assert_allclose(colour_matrix(6504.0), COLOUR_MATRIX_D65)
    np.testing.assert_allclose(colour_matrix(9000.0), COLOUR_MATRIX_D65)
    middle = 2 / (1 / 2856.0 + 1 / 6504.0)
    np.testing.assert_allclose(colour_matrix(middle), (COLOUR_MATRIX_A + COLOUR_MATRIX_D65) / 2)


@pytest.mark.parametrize("pattern", sorted(PATTERNS))
def test_mosaic_takes_the_letter_s_colour(pattern: Pattern) -> None:
    rgb = np.broadcast_to(np.array([1, 2, 3], np.float32), (4, 6, 3)).copy()
    mosaic = mosaic_of(rgb, pattern)
    letters = {"R": 1, "G": 2, "B": 3}
    for index, letter in enumerate(pattern):
        assert (mosaic[index // 2 :: 2, index % 2 :: 2] == letters[letter]).all()


def test_counts_at_black_white_and_beyond() -> None:
    sensor = Sensor(black=256, white=4000)
    level = np.array([[0.0, 0.5], [1.0, 1.7]], np.float32)
    assert counts(level, sensor, None).tolist() == [[256, 2128], [4000, 4000]]


def test_noise_has_the_variance_of_shot_and_read_noise() -> None:
    sensor = Sensor(full_well_e=10_000, read_noise_e=5)
    level = np.full((400, 400), 0.25, np.float32)
    noisy = counts(level, sensor, np.random.default_rng(1)).astype(float)
    electrons = (noisy - sensor.black) * sensor.full_well_e / (sensor.white - sensor.black)
    # 160 000 samples: the variance is known to 0.35 % (one sigma), the mean to 0.13 e.
    assert electrons.mean() == pytest.approx(2500, abs=0.6)
    assert electrons.var() == pytest.approx(2500 + 25, rel=0.02)


def test_vignette_is_nothing_in_the_centre_and_the_sum_in_the_corner() -> None:
    loss = vignette_loss_ev((41, 31), (0.3, 0.2, 0.1))
    assert loss[15, 20] == 0
    # The corner pixel's centre lies half a pixel inside the corner.
    r2 = (20**2 + 15**2) / ((41**2 + 31**2) / 4)
    assert loss[0, 0] == pytest.approx(0.3 * r2 + 0.2 * r2**2 + 0.1 * r2**3, rel=1e-5)
    np.testing.assert_array_equal(loss, loss[::-1, ::-1])
