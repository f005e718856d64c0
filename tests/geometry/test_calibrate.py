"""The focal length of synthetic scenes of known truth, and its uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.calibrate import Calibration, pair_distances, self_calibrate
from tests.geometry.scene import FOCAL, SIZE, two_views

NOISE_PX = 0.5


def calibrated(relief_m: float, pitch_deg: float, count: int = 12) -> Calibration | None:
    pairs = []
    for seed in range(count):
        views = two_views(
            np.random.default_rng(seed),
            relief_m=relief_m,
            baseline_m=12.0,
            pitch_deg=pitch_deg,
            wrong=0.05,
            count=200,
        )
        pairs.append((views.points_i, views.points_j))
    return self_calibrate(pairs, SIZE, NOISE_PX)


@pytest.mark.parametrize("pitch_deg", [-35.0, -70.0])
def test_relief_tells_the_focal_length(pitch_deg: float) -> None:
    found = calibrated(25.0, pitch_deg)
    assert found is not None
    assert found.sigma < 0.05
    assert abs(found.focal_px / FOCAL - 1.0) < 3.0 * found.sigma


def test_level_ground_tells_nothing_and_says_so() -> None:
    found = calibrated(0.0, -60.0)
    assert found is None or found.sigma > 0.12 or abs(found.focal_px / FOCAL - 1.0) < 3.0 * found.sigma


def test_the_right_focal_length_fits_best() -> None:
    views = two_views(np.random.default_rng(0), relief_m=25.0, baseline_m=12.0)
    spread = [
        float(np.median(pair_distances((views.points_i, views.points_j), share * FOCAL, SIZE, NOISE_PX)))
        for share in (0.7, 1.0, 1.4)
    ]
    assert spread[1] < spread[0] and spread[1] < spread[2]
    assert spread[1] < 0.25  # px: the noise of the matches is 0.2


def test_too_few_pairs() -> None:
    assert self_calibrate([], SIZE, NOISE_PX) is None
