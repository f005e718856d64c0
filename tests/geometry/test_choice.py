"""The choice among two poses that fit a plane alike, on poses of homographies in closed form."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.geometry.choice import Candidates, choose
from pipeline.geometry.plane import PlanePose
from pipeline.geometry.pose import Pose
from tests.geometry.scene import camera_axes, shaken

GROUND_UP = np.array([0.0, 0.0, 1.0])
HEIGHT_M = 70.0
COUNT = 40
SIGMA_RAD = 1e-4
SPREAD = SIGMA_RAD**2 * np.eye(3)


def poses_of(first: np.ndarray, second: np.ndarray, way_m: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
    """Rotations and normals that explain what two cameras see of level ground, by OpenCV's decomposition."""
    turn = second @ first.T
    down = first @ -GROUND_UP
    plane = turn - np.outer(second @ way_m, down) / HEIGHT_M
    _, rotations, _, normals = cv2.decomposeHomographyMat(plane, np.eye(3))
    found: list[tuple[np.ndarray, np.ndarray]] = []
    for rotation, normal in zip(rotations, normals, strict=True):
        normal = normal.ravel() * np.sign(normal.ravel()[2])
        if all(np.abs(rotation - other).max() > 1e-6 for other, _ in found):
            found.append((np.asarray(rotation), normal))
    return found


def made(
    pitch_deg: float, step_m: float, place_jitter_m: float, yaw_step_deg: float = 0.0, seed: int = 0
) -> tuple[list[Candidates], list[int]]:
    """Candidates of a flight in a random order, and which is true."""
    rng = np.random.default_rng(seed)
    yaw = 30.0 + yaw_step_deg * np.arange(COUNT)
    truth = [shaken(camera_axes(angle, pitch_deg), rng) for angle in yaw]
    ways = np.stack([camera_axes(angle, 0.0)[2] for angle in yaw]) * step_m
    places = np.cumsum(ways, axis=0) + rng.normal(0.0, place_jitter_m, (COUNT, 3))
    pairs, right = [], []
    for j in range(COUNT):
        for i in [j - baseline for baseline in (1, 2, 3, 5, 8) if baseline <= j]:
            both = poses_of(truth[i], truth[j], places[j] - places[i])
            order = rng.permutation(len(both))
            poses = []
            for k in order:
                rotation, normal = both[k]
                off = Rotation.from_rotvec(rng.normal(0.0, SIGMA_RAD, 3)).as_matrix()
                tilt = Rotation.from_rotvec(np.deg2rad(rng.normal(0.0, 1.0, 3))).as_matrix()
                plane = PlanePose(rotation, np.zeros(3), tilt @ normal)  # the shift takes no part
                cost = rng.uniform(0, 3)
                poses.append(Pose(off @ rotation, SPREAD, "plane", 300, normal, cost, plane))
            miss = [np.abs(pose.rotation - truth[j] @ truth[i].T).max() for pose in poses]
            pairs.append(Candidates(i, j, poses))
            right.append(int(np.argmin(miss)))
    return pairs, right


@pytest.mark.parametrize("place_jitter_m", [0.0, 0.7])
@pytest.mark.parametrize("step_m", [0.7, 7.0])
@pytest.mark.parametrize("pitch_deg", [-75.0, -60.0, -45.0, -30.0])
def test_the_ground_stays_where_it_is(pitch_deg: float, step_m: float, place_jitter_m: float) -> None:
    pairs, right = made(pitch_deg, step_m, place_jitter_m)
    assert sum(len(pair.poses) == 2 for pair in pairs) > 0.9 * len(pairs)
    assert choose(COUNT, pairs, []) == right


def test_on_an_orbit() -> None:
    pairs, right = made(-50.0, 4.0, 0.3, yaw_step_deg=4.0)
    assert choose(COUNT, pairs, []) == right


def test_pairs_without_a_true_pose_are_let_go() -> None:
    pairs, right = made(-60.0, 7.0, 0.7)
    spoiled = list(range(20, 180, 16))
    for k in spoiled:
        wrong = pairs[k].poses[1 - right[k]]
        pairs[k] = Candidates(pairs[k].i, pairs[k].j, [wrong])
    labels = choose(COUNT, pairs, [])
    assert [k for k, label in enumerate(labels) if label is None] == spoiled
    assert [label for k, label in enumerate(labels) if k not in spoiled] == [
        label for k, label in enumerate(right) if k not in spoiled
    ]


def test_nothing_to_choose() -> None:
    pairs, right = made(-60.0, 7.0, 0.0)
    single = [Candidates(p.i, p.j, [p.poses[label]]) for p, label in zip(pairs, right, strict=True)]
    assert choose(COUNT, single, []) == [0] * len(pairs)
    assert choose(3, [], []) == []
