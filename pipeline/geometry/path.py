"""The steady camera's path: as smooth as the crop limit allows, by convex optimisation.

The steady camera of frame k is turned against the real one by C_k (a direction x of the steady camera
is seen by the real one at C_k x). With real orientations R_k the steady ones are S_k = C_kᵀ R_k. Their
rate of turn and its first and second differences are kept small in the L1 sense (Grundmann, Kwatra,
Essa: Auto-directed video stabilization with robust L1 optimal camera paths, CVPR 2011), subject to
every corner of the output staying inside the source. All is linearised around the current C and solved
again, so that no Euler angles and no singular attitudes appear.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.geometry.camera import corner_rays
from pipeline.geometry.rotation import cross_matrix, exp, log

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PathWeights:
    """What the path's cost counts, per px of the source.

    `turn`, `change` and `jolt` weigh the absolute rate of turn, its difference and second difference;
    `smooth` is a small quadratic on the second difference and `depart` one on the correction itself,
    which makes the optimum unique.
    """

    turn: float = 0.01
    change: float = 10.0
    jolt: float = 100.0
    smooth: float = 20.0
    depart: float = 2e-3


@dataclass(frozen=True)
class Field:
    """The picture the path moves in: upright source size, focal length in px, aspect of the output."""

    width: int
    height: int
    focal_px: float
    shape: tuple[int, int]


MARGIN_PX = 2.0
"""Distance kept from the source's border, so that interpolation never reads beyond it."""


def steady_orientations(orientations: Floats, corrections: Floats) -> Floats:
    """Return the steady camera's orientations C_kᵀ R_k (n, 3, 3) under rotation vectors (n, 3)."""
    return np.asarray(np.swapaxes(exp(corrections), 1, 2) @ orientations)


def corners_in_source(field: Field, corrections: Floats, crop: float) -> Floats:
    """Return source pixels (n, 4, 2) of the output's corners under rotation vectors (n, 3)."""
    rays = corner_rays(field.width, field.height, field.focal_px, field.shape, crop)
    seen = np.einsum("nij,cj->nci", exp(corrections), rays)
    centre = np.array([(field.width - 1) / 2.0, (field.height - 1) / 2.0])
    return np.asarray(field.focal_px * seen[..., :2] / seen[..., 2:] + centre)


def clearance(field: Field, corrections: Floats, crop: float) -> Floats:
    """Return for each frame the least distance (n,) in px of the corners from the border, + inside."""
    corners = corners_in_source(field, corrections, crop)
    x, y = corners[..., 0], corners[..., 1]
    sides = np.stack([x + 0.5, field.width - 0.5 - x, y + 0.5, field.height - 0.5 - y])
    return np.asarray(sides.min(axis=(0, 2)))


def widest_crop(field: Field, corrections: Floats, least: float) -> float:
    """Return the largest crop ratio in [least, 1] whose every corner keeps MARGIN_PX, by bisection."""
    low, high = least, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if float(clearance(field, corrections, middle).min()) >= MARGIN_PX:
            low = middle
        else:
            high = middle
    return low


def steady_path(
    orientations: Floats,
    field: Field,
    max_crop: float,
    weights: PathWeights | None = None,
    passes: int = 4,
) -> Floats:
    """Return correction rotation vectors (n, 3) for real orientations (n, 3, 3).

    `max_crop` is the share of the width that may be cropped. With fewer than three frames, or with no
    room to move, the corrections are zero.
    """
    count = len(orientations)
    corrections = np.zeros((count, 3))
    if count < 3 or max_crop <= 0.0:
        return corrections
    weights = weights or PathWeights()
    crop = 1.0 - max_crop
    for _ in range(passes):
        delta = _solve(orientations, corrections, field, crop, weights)
        moved = log(exp(corrections) @ exp(delta))
        moved = _pull_inside(field, moved, crop)
        settled = float(np.max(np.abs(moved - corrections))) * field.focal_px < 0.02
        corrections = moved
        if settled:
            break
    return corrections


def _pull_inside(field: Field, corrections: Floats, crop: float) -> Floats:
    """Shrink the corrections of frames that linearisation left a little outside."""
    for _ in range(20):
        outside = clearance(field, corrections, crop) < MARGIN_PX - 1e-6
        if not outside.any():
            break
        corrections = np.where(outside[:, None], corrections * 0.995, corrections)
    return corrections


def _turns(steady: Floats) -> Floats:
    """Return the rotation vectors (n - 1, 3) from each steady frame to the next."""
    return log(steady[1:] @ np.swapaxes(steady[:-1], 1, 2))


def _difference(count: int, order: int) -> sparse.csr_matrix:
    matrix = sparse.identity(count, format="csr")
    for _ in range(order):
        size = matrix.shape[0]
        step = sparse.diags([-1.0, 1.0], [0, 1], shape=(size - 1, size), format="csr")
        matrix = step @ matrix
    return matrix


def _turn_jacobian(turns: Floats) -> sparse.csr_matrix:
    """Return d(turns)/d(delta), (3(n-1), 3n): turn_k changes by -delta_{k+1} + exp(turn_k) delta_k."""
    steps = len(turns)
    blocks = exp(turns)
    row = np.arange(3 * steps).reshape(steps, 3)
    rows = np.repeat(row[:, :, None], 3, axis=2)
    columns = np.repeat(row[:, None, :], 3, axis=1)
    turning = sparse.coo_matrix(
        (blocks.ravel(), (rows.ravel(), columns.ravel())), shape=(3 * steps, 3 * (steps + 1))
    )
    ahead = sparse.coo_matrix(
        (np.full(3 * steps, -1.0), (row.ravel(), row.ravel() + 3)), shape=(3 * steps, 3 * (steps + 1))
    )
    return (turning + ahead).tocsr()


def _crop_constraints(field: Field, corrections: Floats, crop: float) -> tuple[sparse.csr_matrix, Floats]:
    """Return A (8n, 3n) and b (8n,) of A delta <= b: each corner within its two nearest borders."""
    count = len(corrections)
    rays = corner_rays(field.width, field.height, field.focal_px, field.shape, crop)
    rotations = exp(corrections)
    seen = np.einsum("nij,cj->nci", rotations, rays)
    # C exp(delta) ray changes by -C [ray]x delta.
    moved = -np.einsum("nij,cjk->ncik", rotations, cross_matrix(rays))
    depth = seen[..., 2:]
    slope = field.focal_px * (moved[..., :2, :] - (seen[..., :2] / depth)[..., None] * moved[..., 2:, :])
    slope = slope / depth[..., None]
    place = field.focal_px * seen[..., :2] / depth
    limit = np.array([field.width, field.height]) / 2.0 - MARGIN_PX
    sign = np.sign(rays[:, :2])  # which border is near: -1 left or top, +1 right or bottom
    matrix = (sign[None, :, :, None] * slope).reshape(8 * count, 3)
    bound = (limit - sign * place).reshape(8 * count)
    rows = np.repeat(np.arange(8 * count), 3)
    columns = (3 * np.repeat(np.arange(count), 8)[:, None] + np.arange(3)).ravel()
    return sparse.csr_matrix((matrix.ravel(), (rows, columns)), shape=(8 * count, 3 * count)), bound


def _solve(
    orientations: Floats, corrections: Floats, field: Field, crop: float, weights: PathWeights
) -> Floats:
    """Return the steps (n, 3) that minimise the linearised cost: a quadratic programme for Clarabel."""
    import clarabel

    count = len(orientations)
    steady = steady_orientations(orientations, corrections)
    turns = _turns(steady)
    jacobian = _turn_jacobian(turns) * field.focal_px
    flown = turns.ravel() * field.focal_px
    terms = []
    for order, weight in enumerate((weights.turn, weights.change, weights.jolt)):
        if count - 1 > order:
            operator = sparse.kron(_difference(count - 1, order), sparse.identity(3), format="csr")
            terms.append((operator @ jacobian, operator @ flown, weight))

    sizes = [len(constant) for _, constant, _ in terms]
    unknowns = 3 * count + sum(sizes)
    quadratic = weights.depart * field.focal_px**2 * sparse.identity(3 * count, format="csc")
    linear = np.zeros(unknowns)
    linear[: 3 * count] = weights.depart * field.focal_px**2 * corrections.ravel()
    jolt, jolt_flown, _ = terms[-1]
    quadratic = quadratic + weights.smooth * (jolt.T @ jolt)
    linear[: 3 * count] += weights.smooth * (jolt.T @ jolt_flown)

    rows, bounds, start = [], [], 3 * count
    for (operator, constant, weight), size in zip(terms, sizes, strict=True):
        slack = sparse.coo_matrix(
            (np.ones(size), (range(size), range(start - 3 * count, start - 3 * count + size))),
            shape=(size, unknowns - 3 * count),
        )
        rows += [sparse.hstack([operator, -slack]), sparse.hstack([-operator, -slack])]
        bounds += [-constant, constant]
        linear[start : start + size] = weight
        start += size
    inside, room = _crop_constraints(field, corrections, crop)
    rows.append(sparse.hstack([inside, sparse.coo_matrix((len(room), unknowns - 3 * count))]))
    bounds.append(room)

    padded = sparse.block_diag([quadratic, sparse.coo_matrix((sum(sizes), sum(sizes)))])
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    constraints = sparse.vstack(rows).tocsc()
    cones = [clarabel.NonnegativeConeT(constraints.shape[0])]
    solver = clarabel.DefaultSolver(
        sparse.triu(padded).tocsc(), linear, constraints, np.concatenate(bounds), cones, settings
    )
    solution = solver.solve()
    return np.asarray(solution.x)[: 3 * count].reshape(count, 3)
