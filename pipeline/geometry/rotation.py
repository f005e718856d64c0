"""Rotations between frames: from matched directions, and averaged over a sequence.

A rotation R_ij maps directions of camera i to camera j. Rotation vectors are in radians.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded
from scipy.spatial.transform import Rotation

from pipeline.geometry.arrays import lengths, median

Floats = NDArray[np.float64]

_REDESCENT = 3.0
"""Matches count less and less beyond this many times their noise."""


def exp(vectors: Floats) -> Floats:
    """Return the matrices (..., 3, 3) of rotation vectors (..., 3): Rodrigues' formula."""
    vectors = np.asarray(vectors, np.float64)
    square = (vectors * vectors).sum(axis=-1)[..., None, None]
    angle = np.maximum(np.sqrt(square), 1e-150)  # of no turn, sine over angle is one
    half = 0.5 * angle
    across = cross_matrix(vectors)
    return np.asarray(
        np.eye(3) + np.sin(angle) / angle * across + 0.5 * (np.sin(half) / half) ** 2 * (across @ across)
    )


def turn(vector: Floats) -> Floats:
    """Return the matrix (3, 3) of one rotation vector (3,), as `exp` does, for a third of its time."""
    angle = max(math.sqrt(float(vector @ vector)), 1e-150)
    half = 0.5 * angle
    across = cross_matrix(vector)
    return np.asarray(
        np.eye(3) + math.sin(angle) / angle * across + 0.5 * (math.sin(half) / half) ** 2 * (across @ across)
    )


def log(matrices: Floats) -> Floats:
    """Return the rotation vectors (..., 3) of matrices (..., 3, 3)."""
    flat = np.reshape(matrices, (-1, 3, 3))
    return np.asarray(Rotation.from_matrix(flat).as_rotvec().reshape(*np.shape(matrices)[:-2], 3))


def cross_matrix(vectors: Floats) -> Floats:
    """Return the matrices (..., 3, 3) that take the cross product with vectors (..., 3) from the left."""
    crossed = np.zeros((*vectors.shape, 3))
    x, y, z = vectors[..., 0], vectors[..., 1], vectors[..., 2]
    crossed[..., 2, 1], crossed[..., 0, 2], crossed[..., 1, 0] = x, y, z
    crossed[..., 1, 2], crossed[..., 2, 0], crossed[..., 0, 1] = -x, -y, -z
    return crossed


TURNS = cross_matrix(np.eye(3))
"""The derivatives (3, 3, 3) of a rotation's matrix by small turns about the axes, from the left."""


def huber_weights(residuals: Floats, scale: float) -> Floats:
    """Return Huber's weights min(1, scale / |residual|)."""
    return np.asarray(scale / np.maximum(np.abs(residuals), scale))


def wahba(from_rays: Floats, to_rays: Floats, weights: Floats) -> Floats:
    """Return the rotation (3, 3) that best takes unit `from_rays` (n, 3) to `to_rays` (Kabsch 1976)."""
    u, _, vt = np.linalg.svd((to_rays * weights[:, None]).T @ from_rays)
    if np.linalg.det(u @ vt) < 0.0:
        u[:, 2] = -u[:, 2]
    return np.asarray(u @ vt)


def rotation_only(from_rays: Floats, to_rays: Floats, scale_rad: float, passes: int = 30) -> Floats:
    """Return the robust rotation between two views without parallax.

    Iteratively reweighted with a Geman-McClure weight whose scale shrinks to `scale_rad`, so that the
    first pass follows the bulk and the last only what fits a rotation.
    """
    weights = np.ones(len(from_rays))
    rotation = np.eye(3)
    scale = np.inf
    for _ in range(passes):
        before, rotation = rotation, wahba(from_rays, to_rays, weights)
        if scale <= scale_rad and float(np.abs(rotation - before).max()) < 1e-2 * scale_rad:
            break
        error = lengths(to_rays - from_rays @ rotation.T)
        scale = max(scale_rad, min(scale / 1.4, median(error) * 2.0))
        weights = 1.0 / (1.0 + (error / scale) ** 2) ** 2
    return rotation


def essential(rotation: Floats, direction: Floats) -> Floats:
    """Return the essential matrix [t]x R of a relative pose."""
    return np.asarray(cross_matrix(direction) @ rotation)


def sampson(essential_matrix: Floats, from_rays: Floats, to_rays: Floats) -> Floats:
    """Return the signed Sampson distances (n,) of ray pairs under an essential matrix (3, 3).

    Rays are (n, 3) with z = 1; distances are in radians near the axis (Hartley and Zisserman, Multiple
    View Geometry, 2nd ed., eq. 11.9).
    """
    forward = essential_matrix @ from_rays.T  # (3, n): lines in the second view
    backward = essential_matrix.T @ to_rays.T
    top = (forward * to_rays.T).sum(axis=0)
    bottom = (forward[:2] ** 2).sum(axis=0) + (backward[:2] ** 2).sum(axis=0)
    return np.asarray(top / np.sqrt(np.maximum(bottom, 1e-18)))


def _sampson_slopes(essential_matrix: Floats, here: Floats, there: Floats) -> tuple[Floats, Floats]:
    """Return the distances (n,) of `sampson` and their derivatives (3, 3, n) by the matrix's elements.

    Rays are (3, n) here. With the distance r = a / sqrt(b), dr = (da - (a / b) db / 2) / sqrt(b).
    """
    forward = essential_matrix @ here
    backward = essential_matrix.T @ there
    top = (forward * there).sum(axis=0)
    forward[2] = backward[2] = 0.0  # a line's distance is by its first two numbers
    bottom = np.maximum((forward**2).sum(axis=0) + (backward**2).sum(axis=0), 1e-18)
    root = np.sqrt(bottom)
    by_top = there[:, None] * here
    by_half_bottom = forward[:, None] * here + there[:, None] * backward
    return top / root, (by_top - top / bottom * by_half_bottom) / root


def misfit(essential_matrix: Floats, from_rays: Floats, to_rays: Floats, scale: float) -> float:
    """Return the robust sum of squared Sampson distances in units of `scale`, halved (Geman-McClure)."""
    loss, _ = geman_mcclure((sampson(essential_matrix, from_rays, to_rays) / scale) ** 2)
    return loss


def geman_mcclure(square: Floats) -> tuple[float, Floats]:
    """Return the loss, summed, and the weights (n,) of squared residuals (n,) in units of the noise."""
    share = 1.0 / (1.0 + square / _REDESCENT**2)
    return 0.5 * float(square @ share), share**2


def damped_step(normal: Floats, gradient: Floats, damping: float) -> Floats:
    """Return the step (k,) of damped Gauss-Newton by its normal matrix (k, k) (Marquardt 1963)."""
    damped = normal.copy()
    damped.flat[:: len(normal) + 1] *= 1.0 + damping
    damped.flat[:: len(normal) + 1] += 1e-12
    return -np.asarray(np.linalg.solve(damped, gradient), np.float64)


def direction_for(rotation: Floats, from_rays: Floats, to_rays: Floats, scale: float) -> Floats:
    """Return the unit translation direction (3,) that best explains the parallax left by `rotation`."""
    normals = np.cross(from_rays @ rotation.T, to_rays)
    weights = np.ones(len(normals))
    direction = np.array([0.0, 0.0, 1.0])
    for _ in range(5):
        _, _, vt = np.linalg.svd((normals * weights[:, None]).T @ normals)
        direction = vt[-1]
        weights = huber_weights(normals @ direction, scale)
    return np.asarray(direction)


def _tangents(across: Floats) -> Floats:
    """Return two unit vectors (2, 3) that span the plane across a unit direction of cross matrix `across`."""
    rows = (across**2).sum(axis=1)
    longest = int(np.argmax(rows))
    first = across[longest] / math.sqrt(rows[longest])
    return np.array([first, across @ first])


def refine(
    rotation: Floats, direction: Floats, from_rays: Floats, to_rays: Floats, scale: float, passes: int = 12
) -> tuple[Floats, Floats, float, Floats]:
    """Refine a relative pose on the robust Sampson distance by damped Gauss-Newton.

    Rays (n, 3) have z = 1; `scale` is the noise of a match in radians. The loss is Geman-McClure's with
    three times that scale: it redescends, for a Huber loss lets one match in ten that is wrong lean the
    pose by a pixel. Returns the rotation, the unit direction, the loss summed over matches (in units of
    scale squared) and the covariance (3, 3) of the rotation vector in radians squared.
    """
    here, there = np.ascontiguousarray(from_rays.T), np.ascontiguousarray(to_rays.T)
    across = cross_matrix(direction)
    residuals, slopes = _sampson_slopes(across @ rotation, here, there)
    cost, weights = geman_mcclure((residuals / scale) ** 2)
    damping = 1e-4
    normal = np.eye(5)
    for _ in range(passes):
        tangents = _tangents(across)
        by_unknowns = np.concatenate([across @ TURNS, cross_matrix(tangents)]) @ rotation
        jacobian = by_unknowns.reshape(5, 9) @ slopes.reshape(9, -1)
        weighted = jacobian * weights
        normal = weighted @ jacobian.T
        delta = damped_step(normal, weighted @ residuals, damping)
        length = float(np.linalg.norm(delta))
        if length > 0.3:  # far outside where the linearisation holds
            delta *= 0.3 / length
        tried_rotation = turn(delta[:3]) @ rotation
        tried_direction = direction + delta[3:] @ tangents
        tried_direction /= np.linalg.norm(tried_direction)
        tried_across = cross_matrix(tried_direction)
        tried, tried_slopes = _sampson_slopes(tried_across @ tried_rotation, here, there)
        tried_cost, tried_weights = geman_mcclure((tried / scale) ** 2)
        if tried_cost < cost:
            settled = cost - tried_cost < 1e-6 * tried_cost
            rotation, direction, across = tried_rotation, tried_direction, tried_across
            cost, residuals, slopes, weights = tried_cost, tried, tried_slopes, tried_weights
            damping = max(damping / 10.0, 1e-9)
            if settled:
                break
        else:
            damping *= 10.0
            if damping > 1e3:
                break
    sigma = 1.4826 * median(np.abs(residuals))
    ridge = 1e-9 * float(np.trace(normal)) / 5.0
    covariance = sigma**2 * np.linalg.inv(normal + ridge * np.eye(5))
    return rotation, direction, cost, np.asarray(covariance[:3, :3])


def in_front(rotation: Floats, direction: Floats, from_rays: Floats, to_rays: Floats) -> tuple[float, float]:
    """Return the shares of ray pairs whose point lies in front of both cameras, and behind both.

    For x_j = R x_i + t; what lies behind both lies in front of both for -t.
    """
    turned = from_rays @ rotation.T
    # Depths along both rays from the least-squares meeting point of a*turned + direction = b*to_rays.
    aa = np.einsum("ij,ij->i", turned, turned)
    bb = np.einsum("ij,ij->i", to_rays, to_rays)
    ab = np.einsum("ij,ij->i", turned, to_rays)
    at, bt = turned @ direction, to_rays @ direction
    told = aa * bb - ab * ab > 0.0
    deep_i, deep_j = ab * bt - bb * at, aa * bt - ab * at
    ahead = told & (deep_i > 0.0) & (deep_j > 0.0)
    behind = told & (deep_i < 0.0) & (deep_j < 0.0)
    return np.count_nonzero(ahead) / len(told), np.count_nonzero(behind) / len(told)


def isotropic(sigma_rad: float) -> Floats:
    """Return the covariance (3, 3) of a rotation that is equally certain about all axes."""
    return np.asarray(sigma_rad**2 * np.eye(3))


def worst_sigma(covariance: Floats) -> float:
    """Return the standard deviation in radians about the least certain axis of a covariance (3, 3)."""
    return float(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))


@dataclass(frozen=True)
class PairRotation:
    """A rotation R (3, 3) from frame i to frame j with its covariance (3, 3) in radians squared.

    The covariance is that of the small turn, in the axes of camera j, that R errs by from the left.
    """

    i: int
    j: int
    rotation: Floats
    covariance: Floats

    @cached_property
    def sigma_rad(self) -> float:
        """The standard deviation about the least certain axis."""
        return worst_sigma(self.covariance)


def average(count: int, pairs: list[PairRotation], passes: int = 60) -> tuple[Floats, Floats]:
    """Return orientations (count, 3, 3) that best agree with the pairs, and each pair's misfit in radians.

    The orientation of frame 0 is the identity; R_ij = R_j R_iᵀ. Iteratively reweighted least squares on
    SO(3) (Chatterjee and Govindu, ICCV 2013), each pair weighed by its whole covariance: a pair that tells
    the turn about one axis badly still tells it about the others. Geman-McClure weights on the misfit in
    sigmas (Mahalanobis), whose scale shrinks from the worst to 3, so that no pair is dropped before all have
    voted. Frames
    that no chain of pairs reaches from frame 0 keep the orientation of the frame before them; the caller
    supplies bridging pairs where that matters.
    """
    orientations = _chain(count, pairs)
    i = np.array([p.i for p in pairs], dtype=int)
    j = np.array([p.j for p in pairs], dtype=int)
    measured = np.stack([p.rotation for p in pairs]) if pairs else np.zeros((0, 3, 3))
    misfit = np.zeros(len(pairs))
    if count < 2 or not pairs:
        return orientations, misfit
    information = np.linalg.inv(np.stack([p.covariance for p in pairs]))
    scale = np.inf
    for _ in range(passes):
        to_world = np.swapaxes(orientations[j], 1, 2)
        error = log(to_world @ measured @ orientations[i])
        misfit = np.linalg.norm(error, axis=1)
        seen = to_world @ information @ orientations[j]
        deviation = np.sqrt(np.einsum("ki,kij,kj->k", error, seen, error))
        scale = max(3.0, min(scale / 1.5, float(np.max(deviation))))
        weights = seen / ((1.0 + (deviation / scale) ** 2) ** 2)[:, None, None]
        delta = _solve_steps(count, i, j, weights, error)
        orientations = orientations @ exp(delta)
        if scale <= 3.0 and float(np.max(np.abs(delta))) < 1e-9:
            break
    return orientations @ orientations[0].T, misfit


def _solve_steps(
    count: int, i: NDArray[np.int_], j: NDArray[np.int_], weights: Floats, error: Floats
) -> Floats:
    """Return steps (count, 3) with steps[j] - steps[i] = error (m, 3), weights (m, 3, 3), and steps[0] = 0.

    Least squares by a banded Cholesky decomposition: pairs reach a few frames.
    """
    pulled = np.einsum("kij,kj->ki", weights, error)
    right = np.zeros((count, 3))
    np.add.at(right, j, pulled)
    np.add.at(right, i, -pulled)
    diagonal = np.zeros((count, 3, 3))
    np.add.at(diagonal, i, weights)
    np.add.at(diagonal, j, weights)
    diagonal += 1e-9 * float(np.max(weights)) * np.eye(3)
    first, last = np.minimum(i, j), np.maximum(i, j)
    reach = 3 * int(np.max(last - first)) + 2
    banded = np.zeros((reach + 1, 3 * count))  # row k holds the k-th lower diagonal
    for row, column in np.ndindex(3, 3):
        if row >= column:
            banded[row - column, column::3] = diagonal[:, row, column]
        np.add.at(banded, (3 * (last - first) + row - column, 3 * first + column), -weights[:, row, column])
    steps = solveh_banded(banded, right.ravel(), lower=True).reshape(count, 3)
    return np.asarray(steps - steps[0])


def _chain(count: int, pairs: list[PairRotation]) -> Floats:
    """Return a first guess: each frame where most of its pairs with frames already placed put it.

    Each pair proposes a place, and the proposal nearest to the others is taken; so one wrong pair does
    not carry all later frames along. Of two that disagree the pair of fewer frames apart is taken.
    """
    orientations = np.tile(np.eye(3), (count, 1, 1))
    by_end: dict[int, list[PairRotation]] = {}
    for pair in sorted(pairs, key=lambda p: (abs(p.j - p.i), p.sigma_rad)):
        by_end.setdefault(max(pair.i, pair.j), []).append(pair)
    for frame in range(1, count):
        proposed = [
            p.rotation @ orientations[p.i] if p.j == frame else p.rotation.T @ orientations[p.j]
            for p in by_end.get(frame, [])
        ]
        if not proposed:
            orientations[frame] = orientations[frame - 1]
            continue
        stack = np.stack(proposed)
        # The squared chord between rotations, 6 - 2 trace, grows with their angle.
        apart = np.sqrt(np.maximum(6.0 - 2.0 * np.einsum("aij,bij->ab", stack, stack), 0.0))
        orientations[frame] = stack[int(np.argmin(np.round(apart.sum(axis=1), 9)))]
    return orientations
