"""The rotation between two views of a scene, chosen among a rotation alone and poses with parallax."""

from __future__ import annotations

from dataclasses import dataclass, replace
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
    misfit,
    refine,
    rotation_only,
    sampson,
)

Floats = NDArray[np.float64]
Model = Literal["rotation", "parallax"]

_MOST_SURPRISE = 60.0
_LEVEL_SIGMA_RAD = float(np.deg2rad(10.0))
_MOST_TURN_RAD = float(np.deg2rad(60.0))
_MOST_REFINED = 4
LEAST_MATCHES = 20
"""Fewer matches than this leave a pair's rotation to its neighbours."""


@dataclass(frozen=True)
class Pose:
    """A pair's rotation (3, 3), the standard deviation of its angles in radians, and what it rests on.

    `direction` (3,) is the unit translation of the model with parallax, None of the rotation alone.
    `cost` is how much less likely it is than the best pose of its pair, in units of half a squared sigma,
    and `normal` (3,) the unit normal, away from camera i, of the plane that most matches lie on if this
    pose is right.
    """

    rotation: Floats
    sigma_rad: float
    model: Model
    inliers: int
    direction: Floats | None = None
    cost: float = 0.0
    normal: Floats | None = None


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


def _visible(
    pose: tuple[Floats, Floats], here: Floats, there: Floats, plane: Floats | None, turned: Floats
) -> bool:
    """Whether a pose shows its matches in front of both cameras, and its plane from one side.

    A pose far from the rotation alone is turned about the line between the cameras: no two pictures that
    share features are.
    """
    rotation, direction = pose
    if angle_between(rotation, turned) > _MOST_TURN_RAD:
        return False
    if plane is not None and plane_in_view(plane, rotation, direction, here) < 0.95:
        return False
    # Matches on a far horizon have no depth to speak of, so only a clear majority counts.
    return max(in_front(rotation, way, here, there) for way in (direction, -direction)) >= 0.6


def _refined(
    starts: list[tuple[Floats, Floats]],
    here: Floats,
    there: Floats,
    noise: float,
    plane: Floats | None,
    turned: Floats,
) -> list[Pose]:
    """Refine the candidate poses and return those that differ, the best fit first."""
    screened = []
    for rotation, direction in starts:
        nearer, way, cost, _ = refine(rotation, direction, here, there, noise, passes=3)
        if _visible((nearer, way), here, there, plane, turned):
            screened.append((cost, nearer, way))
    screened.sort(key=lambda candidate: candidate[0])
    found: list[Pose] = []
    for _, rotation, direction in screened[:_MOST_REFINED]:
        if any(_alike(rotation, direction, pose, noise) for pose in found):
            continue
        rotation, direction, cost, covariance = refine(rotation, direction, here, there, noise)
        if any(_alike(rotation, direction, pose, noise) for pose in found):
            continue
        if not _visible((rotation, direction), here, there, plane, turned):
            continue
        distance = np.abs(sampson(essential(rotation, direction)[None], here, there)[0])
        sigma = max(float(np.sqrt(np.max(np.linalg.eigvalsh(covariance)))), 0.02 * noise)
        inliers = int(np.count_nonzero(distance < 3.0 * noise))
        normal = None
        if plane is not None:
            normal = plane_normal(plane, rotation, direction)
            normal = normal * (1.0 if float(np.mean(here @ normal)) >= 0.0 else -1.0)
        found.append(Pose(rotation, sigma, "parallax", inliers, direction, cost, normal))
    return sorted(found, key=lambda pose: pose.cost)


def _alike(rotation: Floats, direction: Floats, pose: Pose, noise: float) -> bool:
    """Whether a pose is the one already found; a direction has no sign, and counts where it is known."""
    assert pose.direction is not None
    turned = angle_between(rotation, pose.rotation)
    return turned < 2.0 * max(noise, pose.sigma_rad) and abs(float(direction @ pose.direction)) > 0.9


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


def pair_poses(
    points_i: Floats,
    points_j: Floats,
    focal_px: float,
    size: tuple[int, int],
    noise_px: float = 0.5,
    homography: Floats | None = None,
    expected: tuple[Floats, float] | None = None,
    down: Floats | None = None,
) -> list[Pose]:
    """Return the poses of two views that their matches (m, 2) in px allow, the likeliest first.

    `homography` takes px of i to px of j; `expected` is a rotation from other knowledge, such as attitude
    angles, and how far it may be off in radians; `down` (3,) is the downward direction in the axes of
    camera i, by which the ground that the homography belongs to is level. Candidates are refined on the
    Sampson distance; those that put most points behind a camera are dropped. A plane has two poses that
    fit alike; all that fit about as well as the best are returned, each with what its fit costs, for the
    whole sequence to choose from. The rotation alone is returned where it explains the matches as well by
    Torr's criterion, and nothing where too few agree.
    """
    if len(points_i) < LEAST_MATCHES:
        return []
    unit_i, unit_j = (bearings(points, focal_px, *size) for points in (points_i, points_j))
    here, there = (unit / unit[:, 2:] for unit in (unit_i, unit_j))
    noise = noise_px / focal_px
    turned = rotation_only(unit_i, unit_j, noise)
    miss = np.linalg.norm(unit_j - unit_i @ turned.T, axis=1)

    plane: Floats | None = None
    if homography is not None:
        camera = intrinsics(focal_px, *size)
        plane = np.asarray(np.linalg.solve(camera, homography @ camera), np.float64)
    found = _refined(_starts(here, there, noise, turned, plane), here, there, noise, plane, turned)
    if found:
        rotation, direction = found[0].rotation, found[0].direction
        assert direction is not None
        distance = np.abs(sampson(essential(rotation, direction)[None], here, there)[0])
    if not found or gric(miss, noise, 2, 3) <= gric(distance, noise, 3, 5):
        alone = _rotation_pose(turned, miss, noise)
        return [] if alone is None else [alone]
    # Costs are counted in the matches' own noise, which may be far below the one allowed for.
    spread = max(1.4826 * float(np.median(distance)), 0.1 * noise)
    told = []
    for pose in found:
        assert pose.direction is not None
        cost = misfit(essential(pose.rotation, pose.direction), here, there, spread)
        if pose.inliers >= LEAST_MATCHES:
            told.append(replace(pose, cost=cost + _surprise(pose, expected, down)))
    least = min((pose.cost for pose in told), default=0.0)
    told = [replace(pose, cost=pose.cost - least) for pose in told if pose.cost - least < _MOST_SURPRISE]
    # Alone, of two that fit alike, the one nearer to the rotation alone: it errs by less than the parallax.
    prior = max(float(np.median(miss)), noise)
    return sorted(told, key=lambda p: p.cost + 0.5 * (angle_between(p.rotation, turned) / prior) ** 2)


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
    """Return the likeliest of `pair_poses` where no other pair tells more, or None."""
    poses = pair_poses(points_i, points_j, focal_px, size, noise_px, homography, expected, down)
    return poses[0] if poses else None


def _surprise(pose: Pose, expected: tuple[Floats, float] | None, down: Floats | None) -> float:
    """Return what a pose costs for disagreeing with the attitude angles, capped.

    Wrong angles then decide nothing that the matches tell clearly.
    """
    if down is not None and pose.normal is not None:
        off = float(np.arccos(np.clip(abs(pose.normal @ down), 0.0, 1.0)))
        return min(0.5 * (off / _LEVEL_SIGMA_RAD) ** 2, _MOST_SURPRISE)
    if expected is not None:
        return min(0.5 * (angle_between(pose.rotation, expected[0]) / expected[1]) ** 2, _MOST_SURPRISE)
    return 0.0


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
