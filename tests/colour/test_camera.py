"""Camera colour: invariants of the DNG specification, chapter 6. Matrices are invented but plausible.

The chain worked by other code is in tests/outside/test_colour.py.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from pipeline.colour.camera import (
    CameraColour,
    bradford_adaptation,
    camera_to_xyz_d50,
    neutral_to_xy,
    xy_to_neutral,
    xy_to_xyz,
)
from pipeline.colour.temperature import cct_duv_to_xy
from pipeline.colour.whites import D50_XY, D65_XY

MATRIX_A = np.array([[1.05, -0.45, -0.06], [-0.42, 1.25, 0.19], [-0.06, 0.2, 0.55]])
MATRIX_D65 = np.array([[0.86, -0.28, -0.1], [-0.44, 1.25, 0.21], [-0.09, 0.23, 0.57]])
FORWARD_A = np.array([[0.69, 0.16, 0.11], [0.29, 0.77, -0.06], [0.02, -0.18, 0.98]])
FORWARD_D65 = np.array([[0.65, 0.21, 0.1], [0.26, 0.82, -0.08], [0.03, -0.12, 0.92]])

ONE = CameraColour(MATRIX_D65, 6504.0, None, None, None, None, np.eye(3), np.eye(3), np.ones(3))
TWO = replace(ONE, colour_matrix_1=MATRIX_A, illuminant_1_k=2856.0, colour_matrix_2=MATRIX_D65)
TWO = replace(TWO, illuminant_2_k=6504.0)
SWAPPED = replace(
    TWO,
    colour_matrix_1=MATRIX_D65,
    illuminant_1_k=6504.0,
    colour_matrix_2=MATRIX_A,
    illuminant_2_k=2856.0,
)
FORWARD = replace(TWO, forward_matrix_1=FORWARD_A, forward_matrix_2=FORWARD_D65)
FULL = replace(
    FORWARD,
    calibration_1=np.diag([1.02, 1.0, 0.97]),
    calibration_2=np.diag([0.98, 1.0, 1.03]),
    analog_balance=np.array([1.1, 1.0, 1.2]),
)
EVERY = pytest.mark.parametrize("colour", [ONE, TWO, SWAPPED, FORWARD, FULL])


@EVERY
@given(mired=st.floats(60.0, 450.0), duv=st.floats(-0.01, 0.01))
@settings(max_examples=15, deadline=None)
def test_neutral_and_chromaticity_are_inverse(colour, mired, duv):
    xy = cct_duv_to_xy([1e6 / mired, duv])
    neutral = xy_to_neutral(colour, xy)
    assert neutral[1] == 1.0
    assert_allclose(neutral_to_xy(colour, neutral), xy, atol=1e-6)


@EVERY
@pytest.mark.parametrize("neutral", [(0.45, 1.0, 0.65), (0.7, 1.0, 0.35), (0.9, 2.0, 1.3)])
def test_the_neutral_becomes_the_d50_white(colour, neutral):
    assert_allclose(camera_to_xyz_d50(colour, neutral) @ neutral, xy_to_xyz(D50_XY), atol=1e-9)


def test_the_order_of_the_illuminants_does_not_matter():
    neutral = (0.55, 1.0, 0.5)
    assert_allclose(neutral_to_xy(SWAPPED, neutral), neutral_to_xy(TWO, neutral), atol=1e-12)
    assert_allclose(camera_to_xyz_d50(SWAPPED, neutral), camera_to_xyz_d50(TWO, neutral), atol=1e-12)


@pytest.mark.parametrize(("cct_k", "alone"), [(2300.0, MATRIX_A), (12000.0, MATRIX_D65)])
def test_beyond_the_illuminants_the_nearer_matrix_stands_alone(cct_k, alone):
    xy = cct_duv_to_xy([cct_k, 0.0])
    expected = alone @ xy_to_xyz(xy)
    assert_allclose(xy_to_neutral(TWO, xy), expected / expected[1], atol=1e-12)


def test_half_way_in_mired_both_matrices_count_alike():
    half_way_k = 2.0 / (1.0 / 2856.0 + 1.0 / 6504.0)
    xy = cct_duv_to_xy([half_way_k, 0.0])
    expected = (MATRIX_A + MATRIX_D65) / 2.0 @ xy_to_xyz(xy)
    assert_allclose(xy_to_neutral(TWO, xy), expected / expected[1], atol=1e-6)


def test_analog_balance_and_calibration_change_camera_values_not_colours():
    """A camera whose signals are scaled shows the same colour from the scaled signals."""
    factor = np.array([1.3, 1.0, 0.8])
    scaled = replace(TWO, analog_balance=factor)
    neutral, patch = np.array([0.5, 1.0, 0.6]), np.array([0.2, 0.3, 0.1])
    plain_xyz = camera_to_xyz_d50(TWO, neutral) @ patch
    assert_allclose(camera_to_xyz_d50(scaled, neutral * factor) @ (patch * factor), plain_xyz, atol=1e-9)


def test_a_neutral_that_no_light_has_gives_finite_numbers():
    for neutral in [(1.0, 1.0, 0.01), (0.01, 1.0, 1.0), (3.0, 1.0, 3.0)]:
        assert np.isfinite(camera_to_xyz_d50(TWO, neutral)).all()


def test_adaptation_maps_white_to_white_and_back():
    there, back = bradford_adaptation(D50_XY, D65_XY), bradford_adaptation(D65_XY, D50_XY)
    assert_allclose(there @ xy_to_xyz(D50_XY), xy_to_xyz(D65_XY), atol=1e-12)
    assert_allclose(there @ back, np.eye(3), atol=1e-12)
