"""The steady camera's path: as smooth as the crop limit allows, by convex optimisation.

The steady camera of frame k is turned against the real one by C_k (a direction x of the steady camera
is seen by the real one at C_k x). With real orientations R_k the steady ones are S_k = C_kᵀ R_k. Their
rate of turn and its first and second differences are kept small in the L1 sense (Grundmann, Kwatra,
Essa: Auto-directed video stabilization with robust L1 optimal camera paths, CVPR 2011), subject to
every corner of the output staying inside the source. All is linearised around the current C and solved
again, so that no Euler angles and no singular attitudes appear.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.geometry.camera import along_border, bearings, corner_rays, similar_rays
from pipeline.geometry.lens import Lens
from pipeline.geometry.rotation import cross_matrix, exp, log

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class PathWeights:
    """What the path's cost counts, per px of the source.

    `turn`, `change` and `jolt` weigh the absolute rate of turn, its difference and second difference;
    `smooth` is a small quadratic on the second difference and `depart` one on the correction itself,
    which makes the optimum unique. `level` is a quadratic one on the horizon's lean, where it is held level.
    """

    turn: float = 0.01
    change: float = 10.0
    jolt: float = 100.0
    smooth: float = 20.0
    depart: float = 2e-3
    level: float = 1.0


@dataclass(frozen=True)
class Field:
    """The picture the path moves in: upright source size, focal length in px, aspect of the output.

    `similarity` (n, 4) is what each frame's output is moved by before it is turned (`camera.similar_rays`).
    `lens` bends the straight picture into the source.
    """

    width: int
    height: int
    focal_px: float
    shape: tuple[int, int]
    similarity: Floats | None = None
    lens: Lens | None = None

    def rays(self, crop: float) -> Floats:
        """Return the directions (m, 3), z = 1, or (n, m, 3) under similarities, of the output's border.

        Straight lines stay straight without a lens, and four corners tell all; else there are more points.
        """
        corners = self.straight_corners(crop)
        if self.lens is not None:
            corners = along_border(corners, _PER_SIDE)
        if self.similarity is None:
            return corners
        return similar_rays(corners, self.similarity)

    def straight_corners(self, crop: float) -> Floats:
        """Return the directions (4, 3), z = 1, of the output's corners, were no frame moved."""
        return corner_rays(self.width, self.height, self.focal_px, self.shape, crop)

    def directions(self, points: Floats) -> Floats:
        """Return unit directions (n, 3) in the real camera's axes of px (n, 2) of the straight picture."""
        return bearings(points, self.focal_px, self.width, self.height)

    def place(self, seen: Floats) -> Floats:
        """Return source px (..., 2) of directions (..., 3) in the real camera's axes."""
        centre = np.array([(self.width - 1) / 2.0, (self.height - 1) / 2.0])
        straight = self.focal_px * seen[..., :2] / seen[..., 2:] + centre
        return straight if self.lens is None else self.lens.bend(straight, self.width, self.height)


_PASSES = 4
_PER_SIDE = 6
MARGIN_PX = 2.0
"""Distance kept from the source's border, so that interpolation never reads beyond it."""


def steady_orientations(orientations: Floats, corrections: Floats) -> Floats:
    """Return the steady camera's orientations C_kᵀ R_k (n, 3, 3) under rotation vectors (n, 3)."""
    return np.asarray(np.swapaxes(exp(corrections), 1, 2) @ orientations)


def corners_in_source(field: Field, corrections: Floats, crop: float) -> Floats:
    """Return source pixels (n, m, 2) of the output's corners under rotation vectors (n, 3)."""
    rays = field.rays(crop)
    rays = np.broadcast_to(rays, (len(corrections), *rays.shape[-2:]))
    return field.place(np.einsum("nij,ncj->nci", exp(corrections), rays))


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
    *,
    breaks: tuple[int, ...] = (),
    down: Floats | None = None,
    weights: PathWeights | None = None,
) -> Floats:
    """Return correction rotation vectors (n, 3) for real orientations (n, 3, 3).

    `max_crop` is the share of the width that may be cropped. The path is broken before each frame of
    `breaks`, and each piece is smoothed by itself. With `down`, the downward direction (3,) in the world's
    axes, the horizon of the steady camera is held level as far as the crop allows. A piece of fewer than
    three frames, or without room to move, is not corrected. Time and memory grow with the number of frames
    alone, so that even a long flight is solved in one piece.
    """
    corrections = np.zeros((len(orientations), 3))
    if max_crop <= 0.0:
        return corrections
    edges = [0, *sorted(breaks), len(orientations)]
    for first, last in pairwise(edges):
        if last - first >= 3:
            part = (
                field if field.similarity is None else replace(field, similarity=field.similarity[first:last])
            )
            piece = orientations[first:last]
            corrections[first:last] = _steady_piece(
                piece, part, 1.0 - max_crop, down, weights or PathWeights()
            )
    return corrections


def _steady_piece(
    orientations: Floats, field: Field, crop: float, down: Floats | None, weights: PathWeights
) -> Floats:
    corrections = np.zeros((len(orientations), 3))
    for _ in range(_PASSES):
        delta = _solve(orientations, corrections, field, crop, down, weights)
        if delta is None:
            break
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
    """Return A (2mn, 3n) and b (2mn,) of A delta <= b: each of m points within its two nearest borders."""
    count = len(corrections)
    rays = field.rays(crop)
    rays = np.broadcast_to(rays, (count, *rays.shape[-2:]))
    rotations = exp(corrections)
    seen = np.einsum("nij,ncj->nci", rotations, rays)
    # C exp(delta) ray changes by -C [ray]x delta.
    moved = -np.einsum("nij,ncjk->ncik", rotations, cross_matrix(rays))
    depth = seen[..., 2:]
    slope = field.focal_px * (moved[..., :2, :] - (seen[..., :2] / depth)[..., None] * moved[..., 2:, :])
    slope = slope / depth[..., None]
    centre = np.array([(field.width - 1) / 2.0, (field.height - 1) / 2.0])
    if field.lens is not None:
        straight = field.focal_px * seen[..., :2] / depth + centre
        slope = field.lens.slope(straight, field.width, field.height) @ slope
    place = field.place(seen) - centre
    limit = np.array([field.width, field.height]) / 2.0 - MARGIN_PX
    sign = np.sign(rays[..., :2])  # which border is near: -1 left or top, +1 right or bottom
    size = place.shape[0] * place.shape[1] * 2
    matrix = (sign[..., None] * slope).reshape(size, 3)
    bound = (limit - sign * place).reshape(size)
    rows = np.repeat(np.arange(size), 3)
    columns = (3 * np.repeat(np.arange(count), size // count)[:, None] + np.arange(3)).ravel()
    return sparse.csr_matrix((matrix.ravel(), (rows, columns)), shape=(size, 3 * count)), bound


def _level(orientations: Floats, corrections: Floats, down: Floats) -> tuple[sparse.csr_matrix, Floats]:
    """Return A (n, 3n) and b (n,): the downward direction leans aside by A delta + b."""
    x, y, z = (steady_orientations(orientations, corrections) @ down).T
    # exp(-delta) turns the downward direction s by -delta x s.
    count = len(x)
    rows = np.repeat(np.arange(count), 2)
    columns = np.stack([3 * np.arange(count) + 1, 3 * np.arange(count) + 2], axis=1).ravel()
    values = np.stack([-z, y], axis=1).ravel()
    return sparse.csr_matrix((values, (rows, columns)), shape=(count, 3 * count)), x


def _solve(
    orientations: Floats,
    corrections: Floats,
    field: Field,
    crop: float,
    down: Floats | None,
    weights: PathWeights,
) -> Floats | None:
    """Return the steps (n, 3) that minimise the linearised cost: a quadratic programme for Clarabel.

    None where it finds none.
    """
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
    if down is not None:
        leaning, leans = _level(orientations, corrections, down)
        scale = weights.level * field.focal_px**2
        quadratic = quadratic + scale * (leaning.T @ leaning)
        linear[: 3 * count] += scale * (leaning.T @ leans)

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
    steps = np.asarray(solution.x)[: 3 * count].reshape(count, 3)
    solved = solution.status in (clarabel.SolverStatus.Solved, clarabel.SolverStatus.AlmostSolved)
    return steps if solved and np.isfinite(steps).all() else None
