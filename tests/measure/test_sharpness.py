"""Directional sharpness of pictures blurred along a known direction."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.measure.sharpness import blur_along_motion, directional_sharpness

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


def ground(blur_px: float, stretch: float = 1.0) -> np.ndarray:
    """A picture of spectrum f^-2.5, drawn out along y, blurred by a box along x."""
    rng = np.random.default_rng(3)
    fy, fx = np.meshgrid(np.fft.fftfreq(480), np.fft.rfftfreq(640), indexing="ij")
    f = np.hypot(fx, fy * stretch)
    f[0, 0] = 1.0
    spectrum = np.fft.rfft2(rng.standard_normal((480, 640))) * f**-1.25 * np.exp(-(fx**2 + fy**2) / 0.245)
    spectrum *= np.sinc(blur_px * fx)
    spectrum[0, 0] = 0.0
    values = np.fft.irfft2(spectrum, s=(480, 640))
    return np.clip(128 + 45 * values / values.std(), 0, 255).astype(np.uint8)


ALONG_X = np.array([[1.0, 0.0, 16.0], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])


@pytest.mark.parametrize("blur_px", [0.0, 3.0, 5.0, 8.0])
@pytest.mark.parametrize("stretch", [1.0, 1.6])
def test_blur_along_the_motion_is_seen_whatever_the_ground_is_drawn_out_by(
    blur_px: float, stretch: float
) -> None:
    seen = blur_along_motion(ground(blur_px, stretch), ALONG_X)
    assert seen is not None
    assert seen.motion_px == pytest.approx(16.0)
    # Drawing out bends the spectrum a little where the lens ends it.
    assert seen.blur_px == pytest.approx(blur_px, abs=(1.0 if stretch == 1.0 else 1.5) + 0.2 * blur_px)


def test_blur_across_the_motion_is_not_taken_for_it() -> None:
    seen = blur_along_motion(np.ascontiguousarray(ground(6.0)[:480, :480].T), ALONG_X)
    assert seen is not None
    assert seen.blur_px < 1.0


def test_without_motion_or_texture_no_blur_is_told() -> None:
    assert blur_along_motion(ground(3.0), np.eye(3)) is None
    assert blur_along_motion(np.full((480, 640), 90, np.uint8), ALONG_X) is None
    assert blur_along_motion(ground(3.0)[:20, :20].copy(), ALONG_X) is None
