"""Working space, curves and highlights: invariants. Standards' constants: tests/outside/test_colour.py."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from pipeline.colour.camera import CameraColour, xy_to_neutral
from pipeline.colour.display import (
    BT709_TO_BT2020,
    BT2020_TO_BT709,
    SHOULDER_START,
    balanced_to_bt2020,
    clip_to_white,
    limited_range,
    linear_to_srgb,
    rgb_to_ycbcr,
    shoulder,
    srgb_to_linear,
)
from tests.reference import linear_to_bt1886

CODES = np.linspace(0.0, 1.0, 1001)
CAMERA = CameraColour(
    colour_matrix_1=np.array([[0.86, -0.28, -0.1], [-0.44, 1.25, 0.21], [-0.09, 0.23, 0.57]]),
    illuminant_1_k=6504.0,
    colour_matrix_2=None,
    illuminant_2_k=None,
    forward_matrix_1=None,
    forward_matrix_2=None,
    calibration_1=np.eye(3),
    calibration_2=np.eye(3),
    analog_balance=np.ones(3),
)


def test_transfer_curves_are_inverse_and_rise():
    assert_allclose(linear_to_srgb(srgb_to_linear(CODES)), CODES, atol=1e-6)
    assert (np.diff(srgb_to_linear(CODES)) > 0).all()


def test_white_stays_white_in_every_matrix():
    neutral = xy_to_neutral(CAMERA, [0.36, 0.37])
    for matrix in (BT2020_TO_BT709, BT709_TO_BT2020, balanced_to_bt2020(CAMERA, neutral)):
        assert_allclose(matrix @ np.ones(3), np.ones(3), atol=1e-12)
    assert_array_equal(balanced_to_bt2020(None, (1.0, 1.0, 1.0)), BT709_TO_BT2020)


def test_display_referred_pictures_return_to_their_codes():
    rgb = np.random.default_rng(4).random((50, 3))
    assert_allclose(rgb @ BT709_TO_BT2020.T @ BT2020_TO_BT709.T, rgb, atol=1e-12)


@pytest.mark.parametrize(("start", "white"), [(0.8, 1.0), (0.8, 1.2), (0.8, 1.4), (0.72, 0.9), (0.48, 0.6)])
def test_shoulder_is_identity_below_and_rolls_to_white_without_an_edge(start, white):
    level = np.linspace(0.0, 1.6, 16001, dtype=np.float32)
    rolled = shoulder(level, start, white).astype(np.float64)
    assert_allclose(rolled[level <= start], level[level <= start], atol=1e-6)
    assert_allclose(rolled[level >= white], 1.0, atol=1e-6)
    assert (np.diff(rolled) > -2e-7).all()
    slope = np.gradient(rolled, 1e-4)[1:-1]
    # A cubic bends most at its ends; a corner would be a step of the slope whatever the distance.
    rise, span = 1.0 - start, white - start
    bend = max(abs(6.0 * rise - 4.0 * span), abs(2.0 * span - 6.0 * rise)) / span**2
    assert np.abs(np.diff(slope)).max() < 1.05 * bend * 1e-4 + 0.002  # 0.002: float32 rounding
    assert shoulder(level).dtype == np.float32


def test_a_cloud_below_saturation_keeps_its_contrast():
    """Design, section 5: 0.3 EV below saturation at least 80 % of the contrast stays, in code values."""
    level = np.float32(2.0**-0.3) * np.array([0.98, 1.02], np.float32)
    plain = np.diff(linear_to_bt1886(level))
    assert np.diff(linear_to_bt1886(shoulder(level)))[0] >= 0.8 * plain[0]


@given(
    grey=st.floats(0.0, 4.0),
    neutral=st.tuples(st.floats(0.3, 1.0), st.just(1.0), st.floats(0.3, 1.0)),
    gain=st.floats(0.7, 1.4),
)
def test_an_overexposed_grey_is_neutral_at_every_level(grey, neutral, gain):
    """Channels of a real sensor stop at 1; after white balance each stops elsewhere."""
    sensor = np.minimum(grey * np.array(neutral), 1.0)
    saturation = gain / max(neutral)
    balanced = (gain * sensor / neutral).astype(np.float32).reshape(1, 1, 3)
    for white in (saturation, 0.9 * saturation, 1.2 * saturation):
        shown = clip_to_white(balanced, white, saturation).ravel()
        assert shown.max() <= 1.0
        assert np.ptp(shown) < 1e-5


@pytest.mark.parametrize("saturation", [0.6, 0.9, 1.0, 1.3])
def test_what_a_frame_clips_is_white_and_order_is_kept(saturation):
    level = np.linspace(0.0, 1.5, 3001, dtype=np.float32)
    shown = clip_to_white(np.repeat(level[np.newaxis, :, np.newaxis], 3, axis=2), 1.0, saturation)[0, :, 0]
    assert_allclose(shown[level >= min(saturation, 1.0)], 1.0, atol=1e-6)
    assert (np.diff(shown) > -2e-7).all()
    dark = level < SHOULDER_START * min(saturation, 1.0)
    assert_allclose(shown[dark], level[dark], atol=1e-6)


def test_a_sky_of_which_one_channel_clips_keeps_its_colour():
    """An outlier frame clips below the common white; its blue sky must not flash cyan or white."""
    sky = np.array([[[0.45, 0.6, 0.9]]], np.float32)
    shown = clip_to_white(sky, 1.0, 0.8).ravel()
    assert_allclose(shown, [0.45, 0.6, 0.8], atol=1e-6)


def test_clip_to_white_leaves_its_input_alone():
    rgb = np.full((2, 2, 3), 0.9, np.float32)
    clip_to_white(rgb, 0.8, 0.7)
    assert (rgb == np.float32(0.9)).all()


def test_ycbcr_of_grey_has_no_chroma_and_of_primaries_is_extreme():
    assert_allclose(rgb_to_ycbcr([0.4, 0.4, 0.4]), [0.4, 0.0, 0.0], atol=1e-12)
    assert rgb_to_ycbcr([0.0, 0.0, 1.0])[1] == pytest.approx(0.5)
    assert rgb_to_ycbcr([0.0, 1.0, 1.0])[2] == pytest.approx(-0.5)


@pytest.mark.parametrize(("bits", "expected"), [(8, [235, 128, 128]), (10, [940, 512, 512])])
def test_limited_range_of_white(bits, expected):
    assert_allclose(limited_range(rgb_to_ycbcr([1.0, 1.0, 1.0]), bits), expected)
