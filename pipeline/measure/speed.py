"""How fast the ground passes: the camera's way between frames, in units of its distance from the ground.

Once the camera's turning is taken out, a plane n·X = d seen from two places t apart takes directions x to
x - (t / d) (n·x) (Hartley and Zisserman, Multiple View Geometry, 2nd ed., eq. 13.2). With one normal n for
the whole flight, every pair tells t / d by linear least squares, and the pairs of all baselines together
tell the way of each interval: speeds do not drift, because the distance of the ground is the same measure
everywhere.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy import sparse
from scipy.sparse.linalg import spsolve

from pipeline.geometry.arrays import lengths, median
from pipeline.geometry.camera import bearings, intrinsics
from pipeline.measure.levels import HELD_OUT
from pipeline.measure.look import PairFigures

Floats = NDArray[np.float64]

LEAST_MATCHES = 8
_NOISE_RAD = 1.0e-3
_PASSES = 6
# Weight of an even course (second differences of the way) beside one pair: it only bridges.
_BRIDGE = 0.02
# Intervals slower than this share of the median count as that fast: the drone hovered.
_SLOWEST = 0.1
# A ground normal is heard from pairs whose plane moved by at least this share of its distance.
_LEAST_WAY = 0.005


@dataclass(frozen=True)
class View:
    """The real camera: orientations (n, 3, 3) from world to camera, focal length in px, width and height."""

    orientations: Floats
    focal_px: float
    size: tuple[int, int]

    def rays(self, points: NDArray[np.float32], frame: int) -> Floats:
        """Return the directions (m, 3) in world axes of full-size px of a frame."""
        seen = bearings(points.astype(float), self.focal_px, *self.size)
        return np.asarray(seen @ self.orientations[frame])


def ground_normal(pairs: Sequence[PairFigures], view: View) -> Floats | None:
    """Return the unit normal (3,) of the ground in world axes, away from the camera; None if untold.

    Each pair's homography, its turning taken out, is the identity plus a product of way and normal; the
    directions agree on one by iteratively reweighted means.
    """
    normals, weights = [], []
    camera = intrinsics(view.focal_px, *view.size)
    for pair in pairs:
        plane = pair.matches.full_size_homography()
        if plane is None:
            continue
        turned = np.linalg.solve(camera, plane @ camera)
        still = view.orientations[pair.j].T @ turned @ view.orientations[pair.i]
        middle = np.linalg.svd(still)[1][1]
        _, way, right = np.linalg.svd(still / middle * np.sign(np.linalg.det(still)) - np.eye(3))
        if way[0] < _LEAST_WAY:
            continue
        ahead = float(np.mean(view.rays(pair.matches.points_i, pair.i) @ right[0]))
        normals.append(right[0] * (1.0 if ahead >= 0.0 else -1.0))
        # The rest of a clean pair vanishes.
        weights.append(min(way[0], 0.3) * max(1.0 - way[1] / way[0], 0.0) ** 2)
    if not normals:
        return None
    stack, weight = np.array(normals), np.array(weights)
    trust = np.ones(len(stack))
    mean = np.zeros(3)
    for _ in range(12):
        mean = (stack * (weight * trust)[:, None]).sum(axis=0)
        mean /= max(float(np.linalg.norm(mean)), 1e-12)
        apart = np.arccos(np.clip(stack @ mean, -1.0, 1.0))
        trust = 1.0 / (1.0 + (apart / np.deg2rad(5.0)) ** 2) ** 2
    return mean


def ground_way(pairs: Sequence[PairFigures], view: View, *, held_out: bool = False) -> Floats | None:
    """Return the camera's way (n - 1, 3) in each interval, in world axes and distances from the ground.

    Across missing photos the way is shared out evenly, as the video shows it. NaN where no pair spans the
    interval; None where no pair tells the ground. `held_out` uses only the
    matches that the solving leaves out (every fifth), else only the others.
    """
    normal = ground_normal(pairs, view)
    if normal is None:
        return None
    count = len(view.orientations)
    spans: list[tuple[int, int]] = []
    ways: list[Floats] = []
    for pair in pairs:
        chosen = (np.arange(len(pair.matches.points_i)) % HELD_OUT == 0) == held_out
        here = view.rays(pair.matches.points_i[chosen], pair.i)
        there = view.rays(pair.matches.points_j[chosen], pair.j)
        way = _way(here, there, normal)
        if way is not None:
            spans.append((pair.i, pair.j))
            ways.append(way)
    if not spans:
        return None
    rows = np.repeat(np.arange(len(spans)), [j - i for i, j in spans])
    columns = np.concatenate([np.arange(i, j) for i, j in spans])
    sums = sparse.csr_matrix((np.ones(len(rows)), (rows, columns)), shape=(len(spans), count - 1))
    solved = _intervals(sums, np.array(ways))
    # Frames between two photos are made by even shares of the way from one to the other.
    for first, last in pairwise(sorted({frame for span in spans for frame in span})):
        solved[first:last] = solved[first:last].mean(axis=0)
    spanned = np.asarray(sums.sum(axis=0)).ravel() > 0
    return np.where(spanned[:, None], solved, np.nan)


def ground_speed(pairs: Sequence[PairFigures], view: View, *, held_out: bool = False) -> Floats | None:
    """Return how far the camera moved in each interval (n - 1,): the length of its `ground_way`."""
    way = ground_way(pairs, view, held_out=held_out)
    return None if way is None else np.asarray(np.linalg.norm(way, axis=1))


def _way(here: Floats, there: Floats, normal: Floats) -> Floats | None:
    """Return t / d (3,) of a pair from directions (m, 3) in world axes, None where too few tell it."""
    nearness = here @ normal
    ground = nearness > 0.03  # what is near or above the horizon tells nothing
    here, there, nearness = here[ground], there[ground], nearness[ground]
    if len(here) < LEAST_MATCHES:
        return None
    # there × (here - nearness · way) = 0, three equations for each match, by their normal equations: a cross
    # product keeps the length of what is across the unit vector `there`.
    across = np.eye(3) - there[:, :, None] * there[:, None]
    design = (nearness[:, None, None] ** 2 * across).reshape(-1, 9)
    wanted = nearness[:, None] * np.einsum("nij,nj->ni", across, here)
    weight = np.ones(len(here))
    way = np.zeros(3)
    for _ in range(_PASSES):
        way = np.linalg.solve((weight @ design).reshape(3, 3) + 1e-12 * np.eye(3), weight @ wanted)
        off = here - nearness[:, None] * way
        miss = lengths(off - np.einsum("ij,ij->i", off, there)[:, None] * there)
        scale = max(1.4826 * median(miss), 0.2 * _NOISE_RAD)
        weight = 1.0 / (1.0 + (miss / (3.0 * scale)) ** 2) ** 2  # Geman-McClure
    return way


def _intervals(sums: sparse.csr_matrix, ways: Floats) -> Floats:
    """Return the way of each interval (n - 1, 3) whose sums over each pair's span are `ways`, robustly."""
    count = sums.shape[1]
    even = sparse.diags_array([1.0, -1.0], offsets=[0, 1], shape=(count - 1, count)) * _BRIDGE
    weight = np.ones(len(ways))
    solved = np.zeros((count, 3))
    for _ in range(_PASSES):
        matrix = (
            sums.T @ sparse.diags_array(weight) @ sums + even.T @ even + 1e-9 * sparse.eye_array(count)
        ).tocsc()
        solved = np.column_stack([spsolve(matrix, sums.T @ (weight * ways[:, axis])) for axis in range(3)])
        miss = lengths(sums @ solved - ways)
        scale = max(1.4826 * median(miss), 1e-6)
        weight = 1.0 / np.maximum(miss / (2.0 * scale), 1.0)  # Huber
    return solved


def evened_places(speeds: Floats, first: float = 0.0, last: float | None = None, count: int = 0) -> Floats:
    """Return `count` places of the timeline, from `first` to `last`, between which the ground passes evenly.

    `speeds` (n - 1,) are of the intervals; where one is unknown its neighbours' stand in. By default the
    whole timeline, with as many places as it has frames. Raises ValueError where no speed is known.
    """
    way = _summed(speeds)
    whole = np.arange(len(way), dtype=float)
    ends = np.interp([first, len(way) - 1.0 if last is None else last], whole, way)
    steps = np.linspace(float(ends[0]), float(ends[1]), count or len(way))
    return np.asarray(np.interp(steps, way, whole))


def _summed(speeds: Floats) -> Floats:
    """Return the way (n,) from the first frame, rising everywhere."""
    known = np.flatnonzero(np.isfinite(speeds))
    if not len(known):
        raise ValueError("no interval has a known speed")
    filled = np.interp(np.arange(len(speeds)), known, speeds[known])
    slowest = max(_SLOWEST * float(np.median(filled)), 1e-9)
    return np.concatenate([[0.0], np.cumsum(np.maximum(filled, slowest))])


def speed_uneven_pct(speeds: Floats, places: Floats | None = None) -> float | None:
    """Return the RMS departure of the ground's speed from its mean, per cent of the mean.

    `speeds` (n - 1,) are of the intervals of the timeline, NaN where unknown; `places` are those that the
    frames of the video show, by default each frame its own. None where the ground stands still or fewer
    than three speeds are known.
    """
    known = np.flatnonzero(np.isfinite(speeds))
    if len(known) < 3:
        return None
    if places is None:
        steps = speeds[known]
    else:
        way = _summed(speeds)
        steps = np.abs(np.diff(np.interp(places, np.arange(len(way)), way)))
    mean = float(np.mean(steps))
    if mean < 1e-5:
        return None
    return 100.0 * float(np.sqrt(np.mean((steps / mean - 1.0) ** 2)))


def ground_motion(
    pairs: Sequence[PairFigures], view: View, steady: Floats, share_per_tangent: float
) -> Floats:
    """Return how far the ground moves in the steady view in each interval (n - 1,), as a share of its width.

    The median over the matches of the shortest pair that spans the interval; NaN where there is none.
    `steady` (n, 3, 3) are the steady camera's orientations, `share_per_tangent` its focal length over its
    width.
    """
    count = len(view.orientations)
    motion = np.full(count - 1, np.nan)
    span = np.full(count - 1, np.inf)
    for pair in pairs:
        if len(pair.matches.points_i) < LEAST_MATCHES:
            continue
        here = view.rays(pair.matches.points_i, pair.i) @ steady[pair.i].T
        there = view.rays(pair.matches.points_j, pair.j) @ steady[pair.j].T
        moved = lengths(here[:, :2] / here[:, 2:] - there[:, :2] / there[:, 2:])
        length = pair.j - pair.i
        shorter = slice(pair.i, pair.j)
        better = span[shorter] > length
        motion[shorter][better] = share_per_tangent * median(moved) / length
        span[shorter][better] = length
    return motion
