"""Colour temperature: round trips and bounds. Outside values are in tests/outside/test_colour.py."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from pipeline.colour.temperature import COOLEST_K, HOTTEST_K, cct_duv_to_xy, mired, xy_to_cct_duv


def test_round_trip_over_all_light_of_day_and_lamps():
    cct_k, duv = np.meshgrid(mired(np.linspace(50.0, 500.0, 31)), np.linspace(-0.03, 0.03, 7))
    given = np.stack([cct_k, duv], axis=-1)
    found = xy_to_cct_duv(cct_duv_to_xy(given))
    assert found.shape == given.shape
    assert_allclose(mired(found[..., 0]), mired(cct_k), atol=1e-3)
    assert_allclose(found[..., 1], duv, atol=1e-6)


@pytest.mark.parametrize(
    ("xy", "cct_k"),
    [
        ([0.70, 0.30], COOLEST_K),
        ([0.65, 0.34], COOLEST_K),
        ([0.10, 0.10], HOTTEST_K),
        ([-0.1, 0.40], HOTTEST_K),
    ],
)
def test_beyond_the_locus_the_bound_is_given_without_warning(xy, cct_k):
    found = xy_to_cct_duv(xy)
    assert found[0] == cct_k and np.isnan(found[1])


def test_one_bad_value_spoils_no_other():
    found = xy_to_cct_duv([[0.3127, 0.3290], [np.nan, 0.3], [0.7, 0.3]])
    assert_allclose(found[0], xy_to_cct_duv([0.3127, 0.3290]))
    assert np.isnan(found[1]).all()


def test_mired_is_its_own_inverse():
    assert mired(5000.0) == 200.0 and mired(mired(3200.0)) == pytest.approx(3200.0)
