"""Attitude tags beside turns that are known otherwise: how well they tell, and what they change."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.pose import angle_between
from pipeline.geometry.rotation import PairRotation, isotropic
from pipeline.measure.tags import tag_pairs, tag_sigma_rad, told_attitude
from pipeline.measure.turning import compact
from pipeline.sequence import Sequence
from tests.geometry.scene import camera_axes
from tests.stages.steady import sequence

COUNT = 60


def flown(offset_deg: float = 0.0, seed: int = 2) -> tuple[np.ndarray, Sequence]:
    """True orientations, and photos whose tags are off by `offset_deg` and rounded to tenths of a degree."""
    rng = np.random.default_rng(seed)
    angles = np.array([30.0, -25.0, 0.0]) + rng.normal(0.0, 0.5, (COUNT, 3))
    truth = np.stack([camera_axes(*row) for row in angles])
    told = [tuple(row) for row in np.round(angles + offset_deg * np.linspace(0.5, 1.0, COUNT)[:, None], 1)]
    return truth, sequence(COUNT, attitudes=told)


def known(truth: np.ndarray, covariance: np.ndarray, seed: int = 3) -> list[PairRotation]:
    rng = np.random.default_rng(seed)
    pairs = []
    for j in range(COUNT):
        for i in [j - baseline for baseline in (1, 2, 3, 5, 8) if baseline <= j]:
            off = Rotation.from_rotvec(rng.multivariate_normal(np.zeros(3), covariance)).as_matrix()
            pairs.append(PairRotation(i, j, off @ truth[j] @ truth[i].T, covariance))
    return pairs


def step_errors_deg(found: np.ndarray, truth: np.ndarray) -> np.ndarray:
    steps, true = (path[1:] @ np.swapaxes(path[:-1], 1, 2) for path in (found, truth))
    return np.array([np.rad2deg(angle_between(a, b)) for a, b in zip(steps, true, strict=True)])


def test_their_standard_deviation_is_seen_about_the_axes_that_pairs_tell() -> None:
    truth, told = flown()
    # rounded to 0.1 degrees: 0.1 / sqrt(12) = 0.029
    assert np.rad2deg(tag_sigma_rad(told, known(truth, isotropic(1e-5)))) == pytest.approx(0.03, abs=0.005)
    blurred = isotropic(1e-5) + np.diag([0.0, 0.05**2, 0.0])  # three degrees about one axis
    assert np.rad2deg(tag_sigma_rad(told, known(truth, blurred))) == pytest.approx(0.03, abs=0.005)
    # where no pair tells, a usual value
    assert np.rad2deg(tag_sigma_rad(told, known(truth, isotropic(0.05)))) == pytest.approx(0.1)
    assert np.rad2deg(tag_sigma_rad(sequence(COUNT), known(truth, isotropic(1e-5)))) == pytest.approx(0.1)


def test_all_links_of_a_photo_tell_its_angles_once() -> None:
    links = tag_pairs(flown()[1], 1e-3)
    middle = [link for link in links if 30 in (link.i, link.j)]
    assert len(middle) == 10
    assert sum(1.0 / link.sigma_rad**2 for link in middle) == pytest.approx(1.0 / 1e-3**2)
    assert tag_pairs(sequence(COUNT), 1e-3) == []


def test_they_fill_in_what_pairs_do_not_tell_and_change_nothing_else() -> None:
    truth, told = flown()
    sharp = known(truth, isotropic(1e-5))
    links = tag_pairs(told, tag_sigma_rad(told, sharp))
    without, beside = (compact(told, pairs)[0] for pairs in (sharp, sharp + links))
    assert np.max(step_errors_deg(without, beside)) < 1e-4
    # in the camera's axes: heading untold, as by a bare horizon
    bare = known(truth, isotropic(1e-4) + np.diag([0.0, 0.1**2, 0.0]))
    alone = step_errors_deg(compact(told, bare)[0], truth)
    helped = step_errors_deg(compact(told, bare + tag_pairs(told, tag_sigma_rad(told, bare)))[0], truth)
    assert np.median(helped) < 0.06 < 0.2 < np.median(alone)


def test_a_slow_drift_of_the_tags_does_not_matter() -> None:
    truth, told = flown(offset_deg=1.5)
    sharp = known(truth, isotropic(1e-5))
    links = tag_pairs(told, tag_sigma_rad(told, sharp))
    assert np.rad2deg(tag_sigma_rad(told, sharp)) < 0.1
    assert np.max(step_errors_deg(compact(told, sharp + links)[0], truth)) < 2e-3
    first = told_attitude(told.frames[0])
    assert first is not None and np.rad2deg(angle_between(first, truth[0])) > 0.5
