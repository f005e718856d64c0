"""The common white and what lies above it."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.colour.display import clip_to_white
from pipeline.colour.highlights import common_white, rebuild_to_white
from tests.reference import linear_to_bt1886

NEUTRAL = np.array([0.55, 1.0, 0.7])


def sensed(levels: np.ndarray, gain: float = 1.0) -> np.ndarray:
    """White-balanced, gained RGB (1, n, 3) of grey levels (n,) after a sensor that stops at 1."""
    camera = np.minimum(levels[:, np.newaxis] / gain * NEUTRAL, 1.0)
    return (camera * gain / NEUTRAL).astype(np.float32)[np.newaxis]


def ceilings(gain: float = 1.0) -> np.ndarray:
    return (gain / NEUTRAL).astype(np.float32)


def test_the_white_is_set_by_the_lowest_ordinary_frame() -> None:
    gain = np.array([0.05, -0.1, 0.02, -0.5, 0.5])  # the fourth is an outlier: it was too bright
    none = np.zeros(5)
    assert common_white(gain, none, 2.0**-0.1) == pytest.approx(2.0**-0.1)
    # a tungsten neutral whose red is 1.2 clips red first, in every frame
    assert common_white(gain, none - np.log2(1.2), 2.0**-0.1) == pytest.approx(2.0**-0.1 / 1.2)
    # channel gains of a JPEG: the third frame loses 0.12 EV of red and clips lowest
    assert common_white(gain, np.array([0.0, 0.0, -0.15, 0.0, 0.0]), 2.0**-0.1) == pytest.approx(2.0**-0.13)
    # one frame of wild colour does not count
    assert common_white(gain, np.array([-0.6, 0.0, 0.0, 0.0, 0.0]), 2.0**-0.1) == pytest.approx(2.0**-0.1)


def test_rebuilt_grey_is_grey_rises_and_ends_white() -> None:
    levels = np.linspace(0.0, 2.5, 2001)
    shown = rebuild_to_white(sensed(levels), 1.0, ceilings())[0]
    assert np.ptp(shown, axis=-1).max() < 2e-3
    assert (np.diff(shown[:, 1]) > -1e-5).all()
    assert shown.max() <= 1.0 + 1e-6 and shown[-1] == pytest.approx([1.0, 1.0, 1.0], abs=1e-6)
    dark = levels < 0.8
    assert shown[dark, 1] == pytest.approx(levels[dark], abs=1e-5)


def test_rebuilding_keeps_a_cloud_that_clipping_loses() -> None:
    cloud = np.array([1.08, 1.22])  # above the white: green has clipped, red and blue have not
    clipped = clip_to_white(sensed(cloud), 1.0, 1.0)[0, :, 1]
    rebuilt = rebuild_to_white(sensed(cloud), 1.0, ceilings())[0, :, 1]
    assert np.ptp(clipped) == 0.0
    assert np.ptp(linear_to_bt1886(rebuilt)) > 2.0 / 255.0


def test_a_blue_sky_stays_blue_where_blue_clips() -> None:
    sky = np.array([[[0.35, 0.6, 1.0 / 0.7]]], np.float32)
    shown = rebuild_to_white(sky, 1.0, ceilings())[0, 0]
    assert shown[0] == pytest.approx(0.35, abs=1e-5) and shown[1] == pytest.approx(0.6, abs=1e-5)
    assert shown[2] > 0.95


@pytest.mark.parametrize("gain", [2.0**-0.5, 1.0, 2.0**0.5])
def test_what_clips_in_every_channel_is_white_whatever_the_gain(gain: float) -> None:
    clipped = sensed(np.array([9.0]), gain)
    assert rebuild_to_white(clipped, 0.95, ceilings(gain)).ravel() == pytest.approx([1.0] * 3, abs=1e-5)


@pytest.mark.parametrize("white", [0.9, 1.0])
def test_a_cloud_below_saturation_keeps_its_contrast(white: float) -> None:
    """Design, section 5: 0.3 EV below saturation at least 80 % of the contrast stays, in code values."""
    cloud = white * 2.0**-0.3 * np.array([0.98, 1.02])
    plain = np.ptp(linear_to_bt1886(cloud / white))
    shown = rebuild_to_white(sensed(cloud), white, ceilings())[0, :, 1]
    assert np.ptp(linear_to_bt1886(shown)) >= 0.8 * plain
