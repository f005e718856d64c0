"""Poses of a plane against closed form: homographies written out, and derivatives by differences."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.plane import PlanePose, _linearised, decompose, refine_plane, turn_covariance
from pipeline.geometry.rotation import worst_sigma
from tests.geometry.scene import apart_rad, camera_axes

NOISE_RAD = 2e-4


def made(pitch_deg: float, way_share: float, seed: int = 0) -> tuple[PlanePose, np.ndarray, np.ndarray]:
    """A pose over level ground, the drone moved by a share of its height, and exact rays of both views."""
    rng = np.random.default_rng(seed)
    attitude = camera_axes(30.0, pitch_deg)
    turn = Rotation.from_rotvec(rng.normal(0.0, 0.01, 3)).as_matrix()
    way = attitude @ (camera_axes(30.0, 0.0)[2] * way_share)
    truth = PlanePose(turn, -turn @ way, attitude @ np.array([0.0, 0.0, -1.0]))
    rays = np.concatenate([rng.uniform([-0.7, -0.5], [0.7, 0.5], (600, 2)), np.ones((600, 1))], axis=1)
    rays = rays[rays @ truth.normal > 0.1]
    # X' = R (X - C) with X = x / (n x) on the plane one height away
    seen = (rays / (rays @ truth.normal)[:, None] - way) @ turn.T
    return truth, rays, seen / seen[:, 2:]


@pytest.mark.parametrize("pitch_deg", [-25.0, -60.0, -90.0])
@pytest.mark.parametrize("way_share", [0.01, 0.1])
def test_the_true_pose_is_among_those_of_its_homography(pitch_deg: float, way_share: float) -> None:
    truth, here, there = made(pitch_deg, way_share)
    assert truth.moved(here) == pytest.approx(there[:, :2], abs=1e-12)
    found = decompose(-3.0 * truth.homography(), here)  # in any scale
    assert 1 <= len(found) <= 2
    nearest = min(found, key=lambda pose: apart_rad(pose.rotation, truth.rotation))
    assert apart_rad(nearest.rotation, truth.rotation) < 1e-6
    assert nearest.normal == pytest.approx(truth.normal, abs=1e-5)
    assert nearest.shift == pytest.approx(truth.shift, abs=1e-6)
    assert nearest.in_view(here) == 1.0


def test_looking_straight_down_the_wrong_pose_sees_both_sides_of_its_plane() -> None:
    truth, here, _ = made(-90.0, 0.1)
    shares = sorted(pose.in_view(here) for pose in decompose(truth.homography(), here))
    assert shares[-1] == 1.0 and shares[0] < 0.9


def test_decomposition_is_opencv_s() -> None:
    # cv2.decomposeHomographyMat (Malis and Vargas, INRIA report 6303, 2007), which is not a number for some
    compared = 0
    for seed in range(20):
        truth, here, _ = made(-50.0, 0.1, seed)
        _, rotations, _, normals = cv2.decomposeHomographyMat(truth.homography(), np.eye(3))
        if not np.isfinite(rotations).all():
            continue
        compared += 1
        for pose in decompose(truth.homography(), here):
            assert min(np.abs(pose.rotation - rotation).max() for rotation in rotations) < 1e-6
            assert max(abs(pose.normal @ normal.ravel()) for normal in normals) > 1.0 - 1e-9
    assert compared > 5


def test_a_rotation_has_no_plane() -> None:
    assert decompose(Rotation.from_rotvec([0.1, 0.2, 0.3]).as_matrix(), np.eye(3)) == []


def test_derivatives_by_differences() -> None:
    truth, here, _ = made(-60.0, 0.1)
    place, jacobian = _linearised(truth, here)
    step = 1e-7
    for k in range(9):
        delta = np.zeros(9)
        delta[k] = step
        turned = Rotation.from_rotvec(delta[:3]).as_matrix() @ truth.rotation
        nudged = PlanePose(turned, truth.shift + delta[3:6], truth.normal + delta[6:])
        assert (nudged.moved(here) - place.T) / step == pytest.approx(jacobian[k].T, abs=1e-5)


@pytest.mark.parametrize("pitch_deg", [-25.0, -60.0, -90.0])
def test_refined_from_afar_with_wrong_matches(pitch_deg: float) -> None:
    errors, sigmas = [], []
    for seed in range(12):
        truth, here, there = made(pitch_deg, 0.03, seed)
        rng = np.random.default_rng(100 + seed)
        there = there.copy()
        there[:, :2] += rng.normal(0.0, NOISE_RAD, (len(here), 2))
        bad = rng.random(len(here)) < 0.1
        there[bad, :2] += rng.normal(0.0, 0.03, (int(bad.sum()), 2))
        off = Rotation.from_rotvec(rng.normal(0.0, 1e-3, 3)).as_matrix()
        start = PlanePose(off @ truth.rotation, truth.shift, truth.normal)
        refined, distance = refine_plane(start, here, there, 2.0 * NOISE_RAD)
        errors.append(apart_rad(refined.rotation, truth.rotation))
        sigmas.append(worst_sigma(turn_covariance(refined, here, there, 2.0 * NOISE_RAD)))
        assert np.linalg.norm(refined.normal) == pytest.approx(1.0)
        assert np.median(distance) < 2.0 * NOISE_RAD
    assert np.max(errors) < 4e-4
    # sigma is of the least certain axis, the error over all three
    assert 0.2 < np.median(np.array(errors) / np.array(sigmas)) < 2.0
