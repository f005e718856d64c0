"""The steady camera's path: as smooth as the crop limit allows, by convex optimisation.

The steady camera of frame k is turned against the real one by C_k (a direction x of the steady camera
is seen by the real one at C_k x). With real orientations R_k the steady ones are S_k = C_kᵀ R_k. Their
rate of turn and its first and second differences are kept small in the L1 sense (Grundmann, Kwatra,
Essa: Auto-directed video stabilization with robust L1 optimal camera paths, CVPR 2011), rounded off as
Huber's where they vanish, subject to every corner of the output staying inside the source. All is
linearised around the current C and solved again, so that no Euler angles and no singular attitudes appear.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from pipeline.geometry.field import MARGIN_PX, Field, clearance
from pipeline.geometry.rotation import cross_matrix, exp, log

Floats = NDArray[np.float64]


# What the cost counts, per px of the source: the rate of turn, its difference and its second difference.
# Each is counted absolutely, but by its square where it is so small that nobody sees it: the far end of a
# flight would else be felt hundreds of frames away. (The reach of an absolute cost grows as what is felt
# shrinks.) So windows of a long flight forget their ends, and the optimum is unique.
_TURN = (0.01, 0.1)
_CHANGE = (10.0, 0.005)
_JOLT = (100.0, 0.001)
# Squares of the correction itself, and of the horizon's lean where it is held level.
_DEPART = 2e-3
_LEVEL = 1.0

_PASSES = 4
_WINDOW = 2000
_FORGETS = 300
"""After so many frames a window's end is felt by less than 0.02 px at a width of 1920."""


def steady_orientations(orientations: Floats, corrections: Floats) -> Floats:
    """Return the steady camera's orientations C_kᵀ R_k (n, 3, 3) under rotation vectors (n, 3)."""
    return np.asarray(np.swapaxes(exp(corrections), 1, 2) @ orientations)


def steady_path(
    orientations: Floats,
    field: Field,
    max_crop: float,
    *,
    breaks: tuple[int, ...] = (),
    down: Floats | None = None,
    window: int = _WINDOW,
) -> Floats:
    """Return correction rotation vectors (n, 3) for real orientations (n, 3, 3).

    `max_crop` is the share of the width that may be cropped. The path is broken before each frame of
    `breaks`, and each piece is smoothed by itself. With `down`, the downward direction (3,) in the world's
    axes, the horizon of the steady camera is held level as far as the crop allows. A piece of fewer than
    three frames, or without room to move, is not corrected. A piece of more than `window` frames is solved
    in windows that overlap by so much that they agree in the middle of the overlap, under the same crop.
    """
    corrections = np.zeros((len(orientations), 3))
    if max_crop <= 0.0:
        return corrections
    edges = [0, *sorted(breaks), len(orientations)]
    for first, last in pairwise(edges):
        for solved, kept in _windows(first, last, window):
            if solved.stop - solved.start >= 3:
                similarity = None if field.similarity is None else field.similarity[solved]
                part = replace(field, similarity=similarity)
                piece = _steady_piece(orientations[solved], part, 1.0 - max_crop, down)
                corrections[kept] = piece[kept.start - solved.start : kept.stop - solved.start]
    return corrections


def _windows(first: int, last: int, window: int) -> list[tuple[slice, slice]]:
    """Return the windows in which frames from `first` to `last` are solved, and what is kept of each."""
    step = max(window - 2 * _FORGETS, _FORGETS)
    if last - first <= window:
        return [(slice(first, last), slice(first, last))]
    seams = [first, *range(first + _FORGETS + step, last - _FORGETS - step // 2, step), last]
    return [
        (slice(max(start - _FORGETS, first), min(stop + _FORGETS, last)), slice(start, stop))
        for start, stop in pairwise(seams)
    ]


def _steady_piece(orientations: Floats, field: Field, crop: float, down: Floats | None) -> Floats:
    corrections = np.zeros((len(orientations), 3))
    for _ in range(_PASSES):
        delta = _solve(orientations, corrections, field, crop, down)
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
    orientations: Floats, corrections: Floats, field: Field, crop: float, down: Floats | None
) -> Floats | None:
    """Return the steps (n, 3) that minimise the linearised cost: a quadratic programme for Clarabel.

    Beside the steps its unknowns are, for each difference x, the part u that counts by its square and a
    bound t on the rest: |x - u| <= t with cost w (t + u² / 2 d) is Huber's. None where it finds none.
    """
    import clarabel

    count = len(orientations)
    turns = _turns(steady_orientations(orientations, corrections))
    jacobian = _turn_jacobian(turns) * field.focal_px
    flown = turns.ravel() * field.focal_px
    operators, weight, near = [], [], []
    for order, (each, small) in enumerate((_TURN, _CHANGE, _JOLT)):
        if count - 1 > order:
            operators.append(sparse.kron(_difference(count - 1, order), sparse.identity(3), format="csr"))
            weight.append(np.full(operators[-1].shape[0], each))
            near.append(np.full(operators[-1].shape[0], small))
    differ = sparse.vstack(operators)
    moved, constant, cost = differ @ jacobian, differ @ flown, np.concatenate(weight)

    depart = _DEPART * field.focal_px**2
    quadratic = depart * sparse.identity(3 * count, format="csc")
    linear = depart * corrections.ravel()
    if down is not None:
        leaning, leans = _level(orientations, corrections, down)
        quadratic = quadratic + _LEVEL * field.focal_px**2 * (leaning.T @ leaning)
        linear = linear + _LEVEL * field.focal_px**2 * (leaning.T @ leans)

    size = len(constant)
    one, none = sparse.identity(size), sparse.coo_matrix((size, size))
    inside, room = _crop_constraints(field, corrections, crop)
    constraints = sparse.block_array([[moved, -one, -one], [-moved, one, -one], [inside, None, None]])
    squares = sparse.block_diag([quadratic, sparse.diags_array(cost / np.concatenate(near)), none])
    settings = clarabel.DefaultSettings()
    settings.verbose = False
    solver = clarabel.DefaultSolver(
        sparse.triu(squares).tocsc(),
        np.concatenate([linear, np.zeros(size), cost]),
        constraints.tocsc(),
        np.concatenate([-constant, constant, room]),
        [clarabel.NonnegativeConeT(constraints.shape[0])],
        settings,
    )
    solution = solver.solve()
    steps = np.asarray(solution.x)[: 3 * count].reshape(count, 3)
    solved = solution.status in (clarabel.SolverStatus.Solved, clarabel.SolverStatus.AlmostSolved)
    return steps if solved and np.isfinite(steps).all() else None
