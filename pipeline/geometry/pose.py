"""The rotation between two views of a scene, chosen among a rotation alone and poses with parallax."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property, lru_cache
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.arrays import lengths, median
from pipeline.geometry.camera import bearings, intrinsics
from pipeline.geometry.plane import PlanePose, decompose, refine_plane, turn_covariance
from pipeline.geometry.rotation import (
    direction_for,
    essential,
    exp,
    in_front,
    isotropic,
    misfit,
    refine,
    rotation_only,
    sampson,
    worst_sigma,
)

Floats = NDArray[np.float64]
Model = Literal["rotation", "plane", "parallax"]

_MOST_SURPRISE = 60.0
_LEVEL_SIGMA_RAD = float(np.deg2rad(10.0))
_MOST_TURN_RAD = float(np.deg2rad(60.0))
_MOSTLY = 0.8
_SHARPEST = 0.1
_SHARE_OF_WORST = 0.5
# What a pose errs by beside its matches' own noise, about every axis: a share of the noise of one match, and,
# for a scene is never quite of the model that was chosen for it, one of what it errs by about its worst.

LEAST_MATCHES = 20
"""Fewer matches than this leave a pair's rotation to its neighbours."""


@dataclass(frozen=True)
class Pose:
    """A pair's rotation (3, 3), its covariance (3, 3) as that of a `PairRotation`, and what it rests on.

    `direction` (3,) is the unit translation of the model with parallax, None of the rotation alone.
    `cost` is how much less likely it is than the best pose of its pair, in units of half a squared sigma,
    and `plane` is how this pose sees the plane that most matches lie on; `normal_sigma` in radians is how
    well its normal was known otherwise.
    """

    rotation: Floats
    covariance: Floats
    model: Model
    inliers: int
    direction: Floats | None = None
    cost: float = 0.0
    plane: PlanePose | None = None
    normal_sigma: float = np.inf

    @cached_property
    def sigma_rad(self) -> float:
        """The standard deviation about the least certain axis, in radians."""
        return worst_sigma(self.covariance)


def essential_start(here: Floats, there: Floats, noise: float) -> list[tuple[Floats, Floats]]:
    """Return the pose, if any, of the essential matrix that most matches agree on."""
    # USAC_MAGSAC takes five times as long, and poses refined from what it finds are no nearer to the truth.
    found, _ = cv2.findEssentialMat(
        here[:, :2], there[:, :2], np.eye(3), method=cv2.USAC_DEFAULT, prob=0.999, threshold=2.0 * noise
    )
    if found is None or found.shape != (3, 3):
        return []
    one, other, direction = cv2.decomposeEssentialMat(found)
    way = np.asarray(direction, np.float64).ravel()
    seen: list[tuple[float, Floats, Floats]] = []
    for turn in (np.asarray(one, np.float64), np.asarray(other, np.float64)):
        ahead, behind = in_front(turn, way, here, there)
        seen += [(ahead, turn, way), (behind, turn, -way)]
    _, rotation, signed = max(seen, key=lambda pose: pose[0])
    return [(rotation, signed)]


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
    rotation: Floats, direction: Floats, here: Floats, there: Floats, plane: PlanePose | None, turned: Floats
) -> bool:
    """Whether a pose shows its matches in front of both cameras, and its plane from one side.

    A pose far from the rotation alone is turned about the line between the cameras: no two pictures that
    share features are.
    """
    if angle_between(rotation, turned) > _MOST_TURN_RAD:
        return False
    if plane is not None and plane.in_view(here) < 0.95:
        return False
    # Matches on a far horizon have no depth to speak of, so only a clear majority counts.
    return max(in_front(rotation, direction, here, there)) >= 0.6


def _planar(here: Floats, there: Floats, noise: float, homography: Floats, turned: Floats) -> list[Pose]:
    """Return the poses, one or two, by which both views see one plane, or none where none is possible."""
    starts = decompose(homography, here)
    if not starts or not np.isfinite(starts[0].homography()).all():
        return []
    refined, _ = refine_plane(starts[0], here, there, noise)
    found = []
    for plane in decompose(refined.homography(), here):
        length = float(np.linalg.norm(plane.shift))
        direction = plane.shift / max(length, 1e-12)
        if length > 1e-6 and _visible(plane.rotation, direction, here, there, plane, turned):
            miss = lengths(plane.moved(here) - there[:, :2])
            covariance = _cautious(turn_covariance(plane, here, there, noise), noise)
            inliers = int(np.count_nonzero(miss < 3.0 * noise))
            found.append(Pose(plane.rotation, covariance, "plane", inliers, direction, 0.0, plane))
    return found


def _spatial(here: Floats, there: Floats, noise: float, planar: list[Pose], turned: Floats) -> list[Pose]:
    """Return the poses by which both views see a scene in the round, the best fit first.

    A scene that is nearly a plane has two poses that fit about as well, so all candidates are refined.
    """
    starts = essential_start(here, there, noise)
    starts += [(pose.rotation, pose.direction) for pose in planar if pose.direction is not None]
    starts.append((turned, direction_for(turned, here, there, noise)))
    found: list[Pose] = []
    for start in starts:
        if any(_alike(*start, pose, noise) for pose in found):
            continue
        rotation, direction, cost, covariance = refine(*start, here, there, noise)
        if any(_alike(rotation, direction, pose, noise) for pose in found):
            continue
        if not _visible(rotation, direction, here, there, None, turned):
            continue
        distance = _distances(rotation, direction, here, there)
        covariance = _cautious(covariance, noise)
        inliers = int(np.count_nonzero(distance < 3.0 * noise))
        # The plane that most matches lie near is seen as the nearest planar pose sees it.
        near = min(planar, key=lambda pose: angle_between(pose.rotation, rotation), default=None)
        plane = near.plane if near and angle_between(near.rotation, rotation) < 10.0 * noise else None
        found.append(Pose(rotation, covariance, "parallax", inliers, direction, cost, plane))
    return sorted(found, key=lambda pose: pose.cost)


def _cautious(covariance: Floats, noise: float) -> Floats:
    """Return a covariance (3, 3) with what a pose errs by beside its matches' own noise, in radians."""
    more = isotropic(_SHARPEST * noise) + isotropic(_SHARE_OF_WORST * worst_sigma(covariance))
    return np.asarray(covariance + more)


def _distances(rotation: Floats, direction: Floats, here: Floats, there: Floats) -> Floats:
    return np.asarray(np.abs(sampson(essential(rotation, direction), here, there)))


def _alike(rotation: Floats, direction: Floats, pose: Pose, noise: float) -> bool:
    """Whether a pose is the one already found; a direction has no sign, and counts where it is known."""
    assert pose.direction is not None
    turned = angle_between(rotation, pose.rotation)
    return turned < 2.0 * max(noise, pose.sigma_rad) and abs(float(direction @ pose.direction)) > 0.9


def _explained(here: Floats, there: Floats, noise: float, plane: Floats | None, turned: Floats) -> list[Pose]:
    """Return the poses of the model with parallax, a plane or a scene in the round, that explains more."""
    planar = [] if plane is None else _planar(here, there, noise, plane, turned)
    if not planar:
        return _priced(_spatial(here, there, noise, planar, turned), here, there, noise)
    best = planar[0]
    assert best.plane is not None and best.direction is not None
    # Sampson's distance is to both views' places together, this to the second's alone.
    flat = lengths(best.plane.moved(here) - there[:, :2]) / np.sqrt(2.0)

    def is_flat(rotation: Floats, direction: Floats) -> bool:
        around = _distances(rotation, direction, here, there)
        spread = max(1.4826 * median(around), 0.1 * noise)
        return gric(flat, spread, 2, 8) <= gric(around, spread, 3, 5)

    if best.inliers >= _MOSTLY * len(here):
        rotation, direction, _, _ = refine(best.rotation, best.direction, here, there, noise, passes=3)
        if is_flat(rotation, direction):
            return _priced(planar, here, there, noise)
    spatial = _spatial(here, there, noise, planar, turned)
    if not spatial or spatial[0].direction is None or is_flat(spatial[0].rotation, spatial[0].direction):
        return _priced(planar, here, there, noise)
    return _priced(spatial, here, there, noise)


def _priced(poses: list[Pose], here: Floats, there: Floats, noise: float) -> list[Pose]:
    """Return poses with what each costs on epipolar geometry: matches off a plane tell its two apart.

    Costs are counted in the matches' own noise, which may be far below the one allowed for.
    """
    known = [(pose, pose.direction) for pose in poses if pose.direction is not None]
    if not known:
        return []
    around = _distances(known[0][0].rotation, known[0][1], here, there)
    spread = max(1.4826 * median(around), 0.1 * noise)
    return [
        replace(pose, cost=misfit(essential(pose.rotation, direction), here, there, spread))
        for pose, direction in known
    ]


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
    miss = lengths(unit_j - unit_i @ turned.T)

    plane: Floats | None = None
    if homography is not None:
        camera = intrinsics(focal_px, *size)
        plane = np.asarray(np.linalg.solve(camera, homography @ camera), np.float64)
    found = [pose for pose in _explained(here, there, noise, plane, turned) if pose.inliers >= LEAST_MATCHES]
    if not found or _is_rotation(miss, found[0], here, there, noise):
        alone = _rotation_pose(turned, unit_j, miss, noise)
        return [] if alone is None else [alone]
    told = [replace(pose, cost=pose.cost + _surprise(pose, expected, down)) for pose in found]
    least = min(pose.cost for pose in told)
    told = [replace(pose, cost=pose.cost - least) for pose in told if pose.cost - least < _MOST_SURPRISE]
    # Alone, of two that fit alike, the one nearer to the rotation alone: it errs by less than the parallax.
    prior = max(median(miss), noise)
    return sorted(told, key=lambda p: p.cost + 0.5 * (angle_between(p.rotation, turned) / prior) ** 2)


def _is_rotation(miss: Floats, pose: Pose, here: Floats, there: Floats, noise: float) -> bool:
    """Whether a rotation that misses by `miss` explains the matches as well as a pose with parallax."""
    assert pose.direction is not None
    if pose.model == "plane" and pose.plane is not None:
        flat = lengths(pose.plane.moved(here) - there[:, :2])
        return gric(miss, noise, 2, 3) <= gric(flat, noise, 2, 8)
    around = _distances(pose.rotation, pose.direction, here, there)
    return gric(miss, noise, 2, 3) <= gric(around, noise, 3, 5)


def _surprise(pose: Pose, expected: tuple[Floats, float] | None, down: Floats | None) -> float:
    """Return what a pose costs for disagreeing with the attitude angles, capped.

    Wrong angles then decide nothing that the matches tell clearly.
    """
    if down is not None and pose.plane is not None:
        off = float(np.arccos(np.clip(abs(pose.plane.normal @ down), 0.0, 1.0)))
        return min(0.5 * (off / _LEVEL_SIGMA_RAD) ** 2, _MOST_SURPRISE)
    if expected is not None:
        return min(0.5 * (angle_between(pose.rotation, expected[0]) / expected[1]) ** 2, _MOST_SURPRISE)
    return 0.0


def _rotation_pose(rotation: Floats, to_rays: Floats, miss: Floats, noise: float) -> Pose | None:
    inliers = miss < 3.0 * noise
    count = int(np.count_nonzero(inliers))
    if count < LEAST_MATCHES:
        return None
    spread = float(np.sqrt(np.mean(miss[inliers] ** 2)))
    # Parallax too small to be told from noise still leans the same way in all matches.
    covariance = _ray_covariance(to_rays[inliers], spread / np.sqrt(2.0)) + isotropic(0.2 * noise)
    return Pose(rotation, covariance, "rotation", count)


def _ray_covariance(rays: Floats, sigma: float) -> Floats:
    """Return the covariance (3, 3) of the turn that unit rays (n, 3), each off by `sigma` aside, tell."""
    information = len(rays) * np.eye(3) - rays.T @ rays
    return np.asarray(sigma**2 * np.linalg.inv(information + 1e-6 * len(rays) * np.eye(3)))


def on_known_plane(
    pose: Pose,
    points_i: Floats,
    points_j: Floats,
    focal_px: float,
    size: tuple[int, int],
    noise_px: float,
    level: tuple[Floats, float],
) -> Pose:
    """Return a pose refined with what is known of its plane: normal (3,) in i's axes, its sigma in radians.

    It is returned as it is where most of its matches do not lie on a plane.
    """
    if pose.plane is None:
        return pose
    unit_i, unit_j = (bearings(points, focal_px, *size) for points in (points_i, points_j))
    here, there = (unit / unit[:, 2:] for unit in (unit_i, unit_j))
    noise = noise_px / focal_px
    plane, miss = refine_plane(pose.plane, here, there, noise, level=level)
    inliers = int(np.count_nonzero(miss < 3.0 * noise))
    if inliers < _MOSTLY * pose.inliers:
        return pose
    covariance = _cautious(turn_covariance(plane, here, there, noise, level[1]), noise)
    direction = plane.shift / max(float(np.linalg.norm(plane.shift)), 1e-12)
    return Pose(plane.rotation, covariance, "plane", inliers, direction, pose.cost, plane, level[1])


def rotation_near(
    pose: Pose, points_i: Floats, points_j: Floats, focal_px: float, size: tuple[int, int], noise_px: float
) -> tuple[Floats, Floats]:
    """Return the rotation (3, 3), and its covariance (3, 3), that other matches (m, 2) of a pair ask for.

    The model and the neighbourhood are those of `pose`; the matches decide the rest.
    """
    unit_i, unit_j = (bearings(points, focal_px, *size) for points in (points_i, points_j))
    noise = noise_px / focal_px
    if pose.direction is None:
        return rotation_only(unit_i, unit_j, noise), _ray_covariance(unit_j, noise)
    here, there = (unit / unit[:, 2:] for unit in (unit_i, unit_j))
    if pose.model == "plane" and pose.plane is not None:
        level = pose.plane.normal, pose.normal_sigma
        plane, _ = refine_plane(pose.plane, here, there, noise, level=level)
        return plane.rotation, _cautious(turn_covariance(plane, here, there, noise, level[1]), noise)
    rotation, _, _, covariance = refine(pose.rotation, pose.direction, here, there, noise)
    return rotation, _cautious(covariance, noise)


def angle_between(first: Floats, second: Floats) -> float:
    """Return the angle in radians between two rotations (3, 3)."""
    # By the chord, the Frobenius norm 2 sqrt(2) sin(angle / 2), which is sharp where the trace is not.
    return float(2.0 * np.arcsin(min(np.linalg.norm(first - second) / np.sqrt(8.0), 1.0)))


@lru_cache(maxsize=4096)
def attitude(yaw_deg: float, pitch_deg: float, roll_deg: float) -> Floats:
    """Return the rotation (3, 3) from world axes (east, north, up) to camera axes (right, down, forward).

    Yaw is clockwise from north, pitch up from the horizon, roll clockwise as the pilot sees it. The array is
    read-only: each of the many pairs of a photo asks for it again.
    """
    level = np.array([[1.0, 0.0, 0.0], [0.0, 0.0, -1.0], [0.0, 1.0, 0.0]])
    yaw, pitch, roll = np.deg2rad([yaw_deg, pitch_deg, roll_deg])
    turn = exp(np.array([0.0, -yaw, 0.0]))
    raise_ = exp(np.array([-pitch, 0.0, 0.0]))
    bank = exp(np.array([0.0, 0.0, -roll]))
    rotation = np.asarray(bank @ raise_ @ turn @ level)
    rotation.setflags(write=False)
    return rotation
