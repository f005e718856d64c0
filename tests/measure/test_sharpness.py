"""Directional sharpness of pictures blurred along a known direction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.measure.sharpness import directional_sharpness

NOISE = np.random.default_rng(0).normal(0, 1, (300, 400)).astype(np.float32)


def picture(kernel: tuple[int, int], contrast: float = 25.0) -> np.ndarray:
    soft = cv2.GaussianBlur(NOISE, (0, 0), 1.5)
    blurred = cv2.blur(soft / soft.std(), kernel)
    return np.clip(128 + contrast * blurred, 0, 255).astype(np.uint8)


def test_white_noise_has_twice_its_variance_in_a_difference() -> None:
    values = np.clip(128 + 20 * NOISE, 0, 255).astype(np.uint8)
    assert directional_sharpness(values) == pytest.approx((2.0, 2.0), rel=0.02)


def test_blur_lowers_the_figure_along_itself() -> None:
    even_x, even_y = directional_sharpness(picture((1, 1)))
    assert even_x / even_y == pytest.approx(1.0, abs=0.05)
    for length in (5, 9):
        along, across = directional_sharpness(picture((length, 1)))
        assert along < 0.7 * across
        down_along, down_across = directional_sharpness(picture((1, length)))
        assert down_across < 0.7 * down_along
    longer = [directional_sharpness(picture((n, 1)))[0] for n in (1, 5, 9, 15)]
    assert longer == sorted(longer, reverse=True)


def test_contrast_and_brightness_do_not_matter() -> None:
    strong = directional_sharpness(picture((1, 1), 30.0))
    weak = directional_sharpness(picture((1, 1), 15.0))
    assert weak == pytest.approx(strong, rel=0.03)


@pytest.mark.parametrize("level", [0, 255])
def test_even_frames_have_no_sharpness(level: int) -> None:
    assert directional_sharpness(np.full((50, 60), level, np.uint8)) == (0.0, 0.0)
