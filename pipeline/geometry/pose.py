"""The rotation between two views of a scene, chosen among a rotation alone and poses with parallax."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import bearings, intrinsics
from pipeline.geometry.rotation import (
    direction_for,
    essential,
    exp,
    in_front,
    log,
    refine,
    rotation_only,
    sampson,
)

Floats = NDArray[np.float64]
Model = Literal["rotation", "parallax"]

_MOST_SURPRISE = 60.0
_LEVEL_SIGMA_RAD = float(np.deg2rad(10.0))
LEAST_MATCHES = 20
"""Fewer matches than this leave a pair's rotation to its neighbours."""


@dataclass(frozen=True)
class Pose:
    """A pair's rotation (3, 3), the standard deviation of its angles in radians, and what it rests on.

    `direction` (3,) is the unit translation of the model with parallax, None of the rotation alone.
    """

    rotation: Floats
    sigma_rad: float
    model: Model
    inliers: int
    direction: Floats | None = None


def _starts(
    here: Floats, there: Floats, noise: float, turned: Floats, plane: Floats | None
) -> list[tuple[Floats, Floats]]:
    """Return candidate poses: from the essential matrix, from the plane, and from the rotation alone.

    A planar scene has two poses that explain it, and a short baseline hides which is true; so all that
    look possible are refined, and the cost decides.
    """
    starts: list[tuple[Floats, Floats]] = []
    essential, mask = cv2.findEssentialMat(
        here[:, :2], there[:, :2], np.eye(3), method=cv2.USAC_MAGSAC, prob=0.999, threshold=2.0 * noise
    )
    if essential is not None and essential.shape == (3, 3):
        _, rotation, direction, _ = cv2.recoverPose(
            essential, here[:, :2], there[:, :2], np.eye(3), mask=mask
        )
        starts.append((np.asarray(rotation, float), np.asarray(direction, float).ravel()))
    if plane is not None:
        count, rotations, shifts, _ = cv2.decomposeHomographyMat(plane, np.eye(3))
        for k in range(count):
            length = float(np.linalg.norm(shifts[k]))
            if length > 1e-6:
                starts.append(
                    (np.asarray(rotations[k], float), np.asarray(shifts[k], float).ravel() / length)
                )
    starts.append((turned, direction_for(turned, here, there, noise)))
    return starts


def gric(residuals: Floats, noise: float, structure: int, parameters: int) -> float:
    """Return the geometric robust information criterion of a two-view model (Torr, IJCV 1998).

    `residuals` (n,) are distances in the unit of `noise`; `structure` is the dimension of the manifold
    (3 for epipolar geometry, 2 for a rotation), `parameters` the model's degrees of freedom.
    """
    count = len(residuals)
    cap = 2.0 * (4 - structure)
    fit = np.minimum((residuals / noise) ** 2, cap).sum()
    return float(fit + structure * count * np.log(4.0) + parameters * np.log(4.0 * count))


def _likeliest(
    starts: list[tuple[Floats, Floats]],
    here: Floats,
    there: Floats,
    noise: float,
    prior: tuple[Floats, float],
    plane: Floats | None,
    down: Floats | None,
) -> tuple[float, Floats, Floats, Floats] | None:
    """Refine the candidate poses and return cost, rotation, direction and covariance of the likeliest.

    On a plane a second, wrong pose fits as well. Looking steeply down, it sees the plane from both
    sides, and is dropped. Otherwise its plane is not level, which the direction `down` (3,) in the first
    camera's axes tells where it is known; else it is far from `prior`, a rotation and how far it may be
    off in radians. Both are capped, so that wrong ones decide nothing that the matches tell clearly.
    """

    def surprise(rotation: Floats, direction: Floats) -> float:
        if plane is not None and down is not None:
            cosine = abs(float(plane_normal(plane, rotation, direction) @ down))
            off = float(np.arccos(min(cosine, 1.0)))
            return min(0.5 * (off / _LEVEL_SIGMA_RAD) ** 2, _MOST_SURPRISE)
        return min(0.5 * (angle_between(rotation, prior[0]) / prior[1]) ** 2, _MOST_SURPRISE)

    def is_visible(rotation: Floats, direction: Floats) -> bool:
        if plane is not None and plane_in_view(plane, rotation, direction, here) < 0.95:
            return False
        # Matches on a far horizon have no depth to speak of, so only a clear majority counts.
        ahead = (in_front(rotation, way, here, there) for way in (direction, -direction))
        return max(ahead) >= 0.6

    screened = []
    for rotation, direction in starts:
        nearer, way, cost, _ = refine(rotation, direction, here, there, noise, passes=3)
        if is_visible(nearer, way):
            screened.append((cost + surprise(nearer, way), nearer, way))
    screened.sort(key=lambda candidate: candidate[0])
    best: tuple[float, Floats, Floats, Floats] | None = None
    for _, rotation, direction in screened[:2]:
        refined, way, cost, covariance = refine(rotation, direction, here, there, noise)
        cost += surprise(refined, way)
        if is_visible(refined, way) and (best is None or cost < best[0]):
            best = (cost, refined, way, covariance)
    return best


def plane_normal(plane: Floats, rotation: Floats, direction: Floats) -> Floats:
    """Return the unit normal (3,) of the plane of a homography between rays, but for its sign.

    The homography is R + t n / d up to scale (Hartley and Zisserman, 2nd ed., eq. 13.2); its middle
    singular value is 1 in that scale.
    """
    scaled = plane / np.linalg.svd(plane, compute_uv=False)[1]
    scaled *= np.sign(np.linalg.det(scaled))
    normal = (scaled - rotation).T @ direction
    return np.asarray(normal / max(float(np.linalg.norm(normal)), 1e-12))


def plane_in_view(plane: Floats, rotation: Floats, direction: Floats, rays: Floats) -> float:
    """Return the share of rays (n, 3) that meet a plane in front of the camera, if a pose is right.

    The pose's direction has no sign, so the better of both counts.
    """
    side = rays @ plane_normal(plane, rotation, direction)
    return float(max(np.mean(side > -0.02), np.mean(side < 0.02)))


def pair_pose(
    points_i: Floats,
    points_j: Floats,
    focal_px: float,
    size: tuple[int, int],
    noise_px: float = 0.5,
    homography: Floats | None = None,
    expected: tuple[Floats, float] | None = None,
    down: Floats | None = None,
) -> Pose | None:
    """Return the rotation between two views from matches (m, 2) in px, or None where too few agree.

    `homography` takes px of i to px of j; `expected` is a rotation from other knowledge, such as attitude
    angles, and how far it may be off in radians; `down` (3,) is the downward direction in the axes of
    camera i, by which the ground that the homography belongs to is level. Candidates are refined on the
    Sampson distance; those that put most points behind a camera are dropped, and of the rest the
    likeliest is taken: that whose ground is level or, where that is untold, near the expected rotation,
    or near the rotation alone. The latter is chosen where it explains the matches as well by Torr's
    criterion.
    """
    if len(points_i) < LEAST_MATCHES:
        return None
    unit_i, unit_j = (bearings(points, focal_px, *size) for points in (points_i, points_j))
    here, there = (unit / unit[:, 2:] for unit in (unit_i, unit_j))
    noise = noise_px / focal_px
    turned = rotation_only(unit_i, unit_j, noise)
    miss = np.linalg.norm(unit_j - unit_i @ turned.T, axis=1)

    plane: Floats | None = None
    if homography is not None:
        camera = intrinsics(focal_px, *size)
        plane = np.asarray(np.linalg.solve(camera, homography @ camera), np.float64)
    # The rotation alone errs by less than the parallax it leaves, unless the camera looks down.
    prior = (turned, max(float(np.median(miss)), noise)) if expected is None else expected
    best = _likeliest(_starts(here, there, noise, turned, plane), here, there, noise, prior, plane, down)
    flat = gric(miss, noise, 2, 3)
    if best is None:
        return _rotation_pose(turned, miss, noise)
    distance = np.abs(sampson(essential(best[1], best[2])[None], here, there)[0])
    if flat <= gric(distance, noise, 3, 5):
        return _rotation_pose(turned, miss, noise)
    inliers = int(np.count_nonzero(distance < 3.0 * noise))
    if inliers < LEAST_MATCHES:
        return None
    sigma = float(np.sqrt(np.max(np.linalg.eigvalsh(best[3]))))
    return Pose(best[1], max(sigma, 0.02 * noise), "parallax", inliers, best[2])


def _rotation_pose(rotation: Floats, miss: Floats, noise: float) -> Pose | None:
    inliers = miss < 3.0 * noise
    count = int(np.count_nonzero(inliers))
    if count < LEAST_MATCHES:
        return None
    spread = float(np.sqrt(np.mean(miss[inliers] ** 2)))
    # Parallax too small to be told from noise still leans the same way in all matches.
    return Pose(rotation, max(spread / np.sqrt(count), 0.2 * noise), "rotation", count)


def rotation_near(
    pose: Pose, points_i: Floats, points_j: Floats, focal_px: float, size: tuple[int, int], noise_px: float
) -> tuple[Floats, float]:
    """Return the rotation, and its sigma in radians, that other matches (m, 2) of a pair ask for.

    The model and the neighbourhood are those of `pose`; the matches decide the rest.
    """
    unit_i, unit_j = (bearings(points, focal_px, *size) for points in (points_i, points_j))
    noise = noise_px / focal_px
    if pose.direction is None:
        return rotation_only(unit_i, unit_j, noise), noise / float(np.sqrt(len(unit_i)))
    here, there = (unit / unit[:, 2:] for unit in (unit_i, unit_j))
    rotation, _, _, covariance = refine(pose.rotation, pose.direction, here, there, noise)
    return rotation, max(float(np.sqrt(np.max(np.linalg.eigvalsh(covariance)))), 0.1 * noise)


def angle_between(first: Floats, second: Floats) -> float:
    """Return the angle in radians between two rotations (3, 3)."""
    return float(np.linalg.norm(log(first @ second.T)))


def attitude(yaw_deg: float, pitch_deg: float, roll_deg: float) -> Floats:
    """Return the rotation (3, 3) from world axes (east, north, up) to camera axes (right, down, forward).

    Yaw is clockwise from north, pitch up from the horizon, roll clockwise as the pilot sees it.
    """
    level = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    yaw, pitch, roll = np.deg2rad([yaw_deg, pitch_deg, roll_deg])
    turn = exp(np.array([0.0, -yaw, 0.0]))
    raise_ = exp(np.array([-pitch, 0.0, 0.0]))
    bank = exp(np.array([0.0, 0.0, -roll]))
    return np.asarray(bank @ raise_ @ turn @ level)
