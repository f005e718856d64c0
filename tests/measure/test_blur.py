"""Blur by direction, and sharpness against the same ground."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from pipeline.measure.blur import blur_effect, sharpness_ratio, texture_map
from pipeline.measure.light import BlockRatios, block_centres, from_centre


def texture(shape: tuple[int, int] = (240, 320), seed: int = 1) -> np.ndarray:
    noise = np.random.default_rng(seed).normal(0.0, 1.0, shape).astype(np.float32)
    smooth = cv2.GaussianBlur(noise, (0, 0), 0.8) + 3.0 * cv2.GaussianBlur(noise, (0, 0), 6.0)
    return np.clip(128 + 60 * smooth / smooth.std(), 0, 255).astype(np.uint8)


def shared(shape: tuple[int, int]) -> BlockRatios:
    places = from_centre(block_centres(shape).reshape(-1, 2), shape)
    nothing = np.zeros((len(places), 3), np.float32)
    return BlockRatios(nothing, nothing[:, 0], places, places, nothing)


def test_blur_along_one_axis_shows_along_that_axis() -> None:
    sharp = texture()
    smeared = cv2.blur(sharp, (9, 1))
    x, y = blur_effect(sharp)
    smeared_x, smeared_y = blur_effect(smeared)
    assert smeared_x > x + 0.2
    assert abs(smeared_y - y) < 0.25 * (smeared_x - x)


def test_more_blur_is_more() -> None:
    found = [blur_effect(cv2.GaussianBlur(texture(), (0, 0), sigma))[0] for sigma in (0.5, 1.0, 2.0, 4.0)]
    assert found == sorted(found)
    assert found[-1] - found[0] > 0.2


def test_an_empty_picture_is_blurred() -> None:
    assert blur_effect(np.full((60, 80), 90, np.uint8)) == (1.0, 1.0)


def test_the_softer_of_two_frames_is_told_by_the_ground_they_share() -> None:
    sharp = texture()
    soft = cv2.GaussianBlur(sharp, (0, 0), 1.5)
    maps = texture_map(sharp), texture_map(soft)
    ratio = sharpness_ratio(*maps, shared(sharp.shape))
    assert ratio is not None
    assert ratio < -1.0
    assert sharpness_ratio(*maps[::-1], shared(sharp.shape)) == pytest.approx(-ratio)
    assert sharpness_ratio(maps[0], maps[0], shared(sharp.shape)) == pytest.approx(0.0)


def test_too_few_blocks_say_nothing() -> None:
    small = texture((48, 48))
    assert sharpness_ratio(texture_map(small), texture_map(small), shared(small.shape)) is None
