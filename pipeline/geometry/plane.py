"""Two views of one plane: the poses that its homography allows, refined on the matches themselves.

A plane n·x = d in the axes of the first camera takes rays x to R x + τ (n·x), with τ = t / d (Hartley and
Zisserman, Multiple View Geometry, 2nd ed., eq. 13.2). Every match then tells two numbers instead of the one
of epipolar geometry, which is what holds the rotation where the way between the cameras is short.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.arrays import lengths, median
from pipeline.geometry.rotation import TURNS, cross_matrix, damped_step, geman_mcclure, turn

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PlanePose:
    """A rotation (3, 3), the shift τ (3,) per distance of the plane, and the plane's unit normal (3,)."""

    rotation: Floats
    shift: Floats
    normal: Floats

    def homography(self) -> Floats:
        """Return the homography (3, 3) between rays."""
        return np.asarray(self.rotation + np.outer(self.shift, self.normal))

    def moved(self, rays: Floats) -> Floats:
        """Return where rays (n, 3) of the plane come to lie in the second view, (n, 2) at z = 1."""
        seen = rays @ self.homography().T
        return np.asarray(seen[:, :2] / seen[:, 2:])

    def in_view(self, rays: Floats) -> float:
        """Return the share of rays (n, 3) that meet the plane in front of the camera."""
        return float(np.mean(rays @ self.normal > -0.02))


def decompose(homography: Floats, rays: Floats) -> list[PlanePose]:
    """Return the poses, at most two, by which a homography between rays sees its plane from one side.

    Each is signed so that the plane lies in front of most `rays` (n, 3). By the singular value decomposition
    (Ma, Soatto, Kosecka, Sastry: An invitation to 3-D vision, 2004, section 5.3.3).
    """
    _, singular, basis = np.linalg.svd(homography)
    large, small = singular[0] / singular[1], singular[2] / singular[1]
    if large - small < 1e-9:
        return []  # a rotation: no plane to tell
    scaled = homography / singular[1] * np.sign(np.linalg.det(homography))
    across = basis[1]
    over, under = np.sqrt(max(large**2 - 1.0, 0.0)), np.sqrt(max(1.0 - small**2, 0.0))
    found: list[PlanePose] = []
    for side in (1.0, -1.0):
        # A direction in the plane whose length the homography keeps, as it keeps that of `across`.
        along = (under * basis[0] + side * over * basis[2]) / np.hypot(over, under)
        normal = cross_matrix(across) @ along
        kept = np.stack([scaled @ across, scaled @ along], axis=1)
        after = np.column_stack([kept, cross_matrix(kept[:, 0]) @ kept[:, 1]])
        rotation = after @ np.column_stack([across, along, normal]).T
        sign = 1.0 if float(np.mean(rays @ normal)) >= 0.0 else -1.0
        pose = PlanePose(rotation, sign * (scaled - rotation) @ normal, sign * normal)
        if all(float(np.abs(pose.rotation - other.rotation).max()) > 1e-7 for other in found):
            found.append(pose)
    return found


def _linearised(pose: PlanePose, rays: Floats) -> tuple[Floats, Floats]:
    """Return where rays (n, 3) go (2, n), and its derivative (9, 2, n) by turn, shift and normal."""
    homography = pose.homography()
    by_turn = TURNS @ pose.rotation
    by_shift = np.eye(3)[:, :, None] * pose.normal
    by_normal = pose.shift[:, None] * np.eye(3)[:, None]
    by_unknowns = np.concatenate([by_turn, by_shift, by_normal])
    seen = homography @ rays.T
    place = seen[:2] / seen[2]
    moved = (by_unknowns.reshape(27, 3) @ (rays.T / seen[2])).reshape(9, 3, -1)
    return place, moved[:, :2] - moved[:, 2:] * place


def refine_plane(
    pose: PlanePose,
    from_rays: Floats,
    to_rays: Floats,
    scale: float,
    passes: int = 12,
    level: tuple[Floats, float] | None = None,
) -> tuple[PlanePose, Floats]:
    """Refine a pose on the robust distance (Geman-McClure) of its matches, rays (n, 3) with z = 1.

    `scale` is the noise of a match in radians; `level` the normal (3,) that is known otherwise, and its
    standard deviation in radians. Returns the pose and the distances (n,).
    """
    target = to_rays[:, :2].T
    known, pull = (pose.normal, 0.0) if level is None else (level[0], (scale / level[1]) ** 2)

    def fit(tried: PlanePose) -> tuple[float, Floats, Floats, Floats]:
        place, jacobian = _linearised(tried, from_rays)
        miss = place - target
        loss, weights = geman_mcclure((miss**2).sum(axis=0) / scale**2)
        leaning = pull * float(np.sum((tried.normal - known) ** 2)) / scale**2
        return loss + 0.5 * leaning, miss, jacobian, weights

    cost, miss, jacobian, weights = fit(pose)
    damping = 1e-4
    for _ in range(passes):
        weighted = (jacobian * weights).reshape(9, -1)
        normal, gradient = weighted @ jacobian.reshape(9, -1).T, weighted @ miss.ravel()
        normal[6:, 6:] += pull * np.eye(3)
        gradient[6:] += pull * (pose.normal - known)
        delta = damped_step(normal, gradient, damping)
        tilted = pose.normal + delta[6:]
        length = float(np.linalg.norm(tilted))
        tried = PlanePose(
            turn(delta[:3]) @ pose.rotation, (pose.shift + delta[3:6]) * length, tilted / length
        )
        fitted = fit(tried)
        if fitted[0] < cost:
            settled = cost - fitted[0] < 1e-6 * cost
            pose, (cost, miss, jacobian, weights) = tried, fitted
            damping = max(damping / 10.0, 1e-9)
            if settled:
                break
        else:
            damping *= 10.0
            if damping > 1e3:
                break
    return pose, lengths(pose.moved(from_rays) - to_rays[:, :2])


def turn_covariance(
    pose: PlanePose, from_rays: Floats, to_rays: Floats, scale: float, normal_sigma: float = np.inf
) -> Floats:
    """Return the covariance (3, 3) in rad² of a refined pose's turn, in the second camera's axes.

    `normal_sigma` is that of the plane's normal, in radians, where it was known otherwise.
    """
    place, jacobian = _linearised(pose, from_rays)
    miss = place - to_rays[:, :2].T
    _, weights = geman_mcclure((miss**2).sum(axis=0) / scale**2)
    normal = (jacobian * weights).reshape(9, -1) @ jacobian.reshape(9, -1).T
    # The length of the normal is no unknown: fix it.
    gauge = np.concatenate([np.zeros(6), pose.normal])
    normal += np.outer(gauge, gauge) * float(np.trace(normal))
    spread = 1.4826 * median(np.abs(miss).ravel())
    normal[6:, 6:] += (spread / normal_sigma) ** 2 * np.eye(3)
    covariance = spread**2 * np.linalg.inv(normal + 1e-12 * float(np.trace(normal)) * np.eye(9))
    return np.asarray(covariance[:3, :3])
