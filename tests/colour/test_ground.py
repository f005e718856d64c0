"""Coloured ground under changing light: limits in which the answer is known."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.colour.ground import against_green, ground_delta_e, ground_response, lights_about, with_green
from tests.cameras import TWO_LIGHTS

NEUTRAL = np.array([0.55, 1.0, 0.7])
LIGHTS = lights_about(TWO_LIGHTS, NEUTRAL)


def test_red_and_blue_against_green_there_and_back() -> None:
    values = np.random.default_rng(1).normal(size=(5, 3))
    against = against_green(values)
    assert_allclose(with_green(against), values - values[:, 1:2])


def test_grey_ground_changes_as_the_neutral_does() -> None:
    # the neutral is iterated to 1e-7 in xy, over a step of 0.04 EV
    assert_allclose(ground_response(LIGHTS, 0.3 * NEUTRAL), np.eye(2), atol=1e-5)


def test_the_level_of_the_ground_does_not_matter() -> None:
    meadow = np.array([0.1, 0.2, 0.06])
    assert_allclose(ground_response(LIGHTS, meadow), ground_response(LIGHTS, 0.2 * meadow), atol=1e-5)


def test_no_deviation_is_no_difference_and_the_unknown_stays_unknown() -> None:
    nothing = np.zeros((3, 2))
    seen = nothing.copy()
    seen[1] = np.nan
    difference = ground_delta_e(TWO_LIGHTS, NEUTRAL, 0.3 * NEUTRAL, nothing, seen)
    assert difference[[0, 2]] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert np.isnan(difference[1])
    assert np.isnan(ground_delta_e(TWO_LIGHTS, NEUTRAL, NEUTRAL, nothing, np.full((3, 2), np.nan))).all()


def test_a_neutral_that_follows_the_light_shows_grey_ground_unchanged() -> None:
    """The light turns warmer and the neutral with it: grey stays grey; without the neutral it does not."""
    warmer = np.array([[0.1, -0.15]])
    followed = ground_delta_e(TWO_LIGHTS, NEUTRAL, 0.3 * NEUTRAL, warmer, warmer)
    left = ground_delta_e(TWO_LIGHTS, NEUTRAL, 0.3 * NEUTRAL, np.zeros((1, 2)), warmer)
    assert followed[0] < 1e-6 and left[0] > 3.0
