"""What rotation leaves: the ground's own jitter from a place that jitters, and a similarity that lowers it.

Once the view is steady, matches of neighbouring photos tell how the ground moves in it. Its slow part is the
flight; its fast part is the drone's unsteady place, which moves near ground more than far. A similarity of
each frame takes out what all ground shares. It bends nothing, and is judged on matches that took no part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.path import Field
from pipeline.geometry.rotation import exp
from pipeline.measure.highpass import fast_part
from pipeline.measure.levels import HELD_OUT
from pipeline.measure.look import PairFigures

Floats = NDArray[np.float64]

CELLS = (4, 3)
_LEAST_IN_CELL = 3
_LEAST_MATCHES = 12
_LEAST_SHARE = 0.5
_PASSES = 8
_MOST_SHIFT = 0.015
_MOST_LOG_SCALE = 0.015
_WORTH = 0.9
_WORSE = 1.1
_WORSE_PX = 0.1


@dataclass(frozen=True)
class Drift:
    """How matches move in the steady view from frame i to j: places and motions (m, 2) at z = 1."""

    i: int
    j: int
    place: Floats
    motion: Floats
    held: NDArray[np.bool_]


def drifts(pairs: list[PairFigures], field: Field, corrections: Floats, crop: float) -> list[Drift]:
    """Return the motion in the steady view of each pair of neighbouring photos, within the output.

    `corrections` (n, 3) turn the steady camera into the real one, `crop` is the output's crop ratio.
    """
    nearest: dict[int, PairFigures] = {}
    for pair in pairs:
        if pair.j not in nearest or pair.i > nearest[pair.j].i:
            nearest[pair.j] = pair
    turns = exp(corrections)
    half = np.abs(field.straight_corners(crop)[0, :2])
    found = []
    for pair in (nearest[j] for j in sorted(nearest)):
        seen = [
            field.directions(points.astype(float)) @ turns[frame]
            for points, frame in ((pair.matches.points_i, pair.i), (pair.matches.points_j, pair.j))
        ]
        here, there = (rays[:, :2] / rays[:, 2:] for rays in seen)
        inside = (np.abs(here) <= half).all(axis=1)
        held = np.arange(len(here)) % HELD_OUT == 0
        found.append(Drift(pair.i, pair.j, here[inside], (there - here)[inside], held[inside]))
    return found


def _basis(place: Floats) -> Floats:
    """Return how shift, log scale and angle move places (m, 2): (m, 2, 4)."""
    x, y = place[:, 0], place[:, 1]
    one, none = np.ones_like(x), np.zeros_like(x)
    return np.stack([np.stack([one, none, x, -y], -1), np.stack([none, one, y, x], -1)], axis=1)


def shared_motion(drift: Drift) -> Floats | None:
    """Return the similarity's rates (4,) that most matches of a pair move by, None for too few.

    Iteratively reweighted with a Geman-McClure weight at the spread of what is left.
    """
    used = ~drift.held
    if np.count_nonzero(used) < _LEAST_MATCHES:
        return None
    basis, motion = _basis(drift.place[used]), drift.motion[used]
    weights = np.ones(len(motion))
    rates = np.zeros(4)
    for _ in range(_PASSES):
        normal = np.einsum("mip,m,miq->pq", basis, weights, basis)
        rates = np.linalg.solve(
            normal + 1e-9 * np.trace(normal) * np.eye(4), np.einsum("mip,m,mi->p", basis, weights, motion)
        )
        miss = np.linalg.norm(motion - basis @ rates, axis=1)
        scale = max(2.0 * float(np.median(miss)), 1e-7)
        weights = 1.0 / (1.0 + (miss / scale) ** 2) ** 2
    return rates


def fast_similarities(drifts: list[Drift], count: int, period_frames: float) -> Floats:
    """Return for each frame (n, 4) the fast part of the way that all ground shares: what to take out."""
    rates = np.full((count - 1, 4), np.nan)
    for drift in drifts:
        shared = shared_motion(drift)
        if shared is not None:
            # Across a missing photo the way is spread over the intervals that passed.
            rates[drift.i : drift.j] = shared / (drift.j - drift.i)
    known = np.isfinite(rates[:, 0])
    if np.count_nonzero(known) < 3:
        return np.zeros((count, 4))
    places = np.arange(count - 1)
    filled = np.stack([np.interp(places, places[known], column[known]) for column in rates.T], axis=1)
    way = np.concatenate([np.zeros((1, 4)), np.cumsum(filled, axis=0)])
    period = min(period_frames, count / 2.0)
    return np.stack([fast_part(column, period) for column in way.T], axis=1)


def _limited(similarity: Floats, across: float) -> Floats:
    """Return similarities within what the view has room for."""
    limits = np.array([_MOST_SHIFT * across, _MOST_SHIFT * across, _MOST_LOG_SCALE, _MOST_LOG_SCALE])
    return np.asarray(np.clip(similarity, -limits, limits))


def _cell_rates(drifts: list[Drift], count: int, corner: Floats, similarity: Floats) -> Floats:
    """Return the median motion (cells, n - 1, 2) of held-out matches in each part of the picture, or NaN."""
    columns, rows = CELLS
    rates = np.full((columns * rows, count - 1, 2), np.nan)
    for drift in drifts:
        place, motion = drift.place[drift.held], drift.motion[drift.held]
        basis = _basis(place)
        moved = motion - basis @ (similarity[drift.j] - similarity[drift.i])
        share = (place / corner + 1.0) / 2.0
        across = np.clip((share[:, 0] * columns).astype(int), 0, columns - 1)
        cell = across + columns * np.clip((share[:, 1] * rows).astype(int), 0, rows - 1)
        for k in range(columns * rows):
            inside = cell == k
            if np.count_nonzero(inside) >= _LEAST_IN_CELL:
                rates[k, drift.i : drift.j] = np.median(moved[inside], axis=0) / (drift.j - drift.i)
    return rates


def jitter_by_cell(
    drifts: list[Drift], count: int, corner: Floats, similarity: Floats, period_frames: float
) -> Floats:
    """Return the RMS (cells,) of the fast part of the ground's motion from frame to frame, NaN where untold.

    On held-out matches, after `similarity` (n, 4), in units at z = 1; `corner` (2,) is the view's half size.
    """
    rates = _cell_rates(drifts, count, corner, similarity)
    period = min(period_frames, count / 2.0)
    found = np.full(len(rates), np.nan)
    for k, cell in enumerate(rates):
        known = np.isfinite(cell[:, 0])
        if np.count_nonzero(known) >= max(_LEAST_SHARE * count, 4):
            fast = np.stack([fast_part(cell[:, axis], period) for axis in range(2)], axis=1)[known]
            found[k] = np.sqrt(np.mean((fast**2).sum(axis=1)))
    return found


@dataclass(frozen=True)
class Residual:
    """A similarity (n, 4) at z = 1, or None, and the parallax jitter at z = 1 before and after it."""

    similarity: Floats | None
    before: float | None
    after: float | None


def residual_similarity(
    drifts: list[Drift], count: int, field: Field, crop: float, period_frames: float, px: float
) -> Residual:
    """Return the similarity that lowers the jitter of held-out matches most, None where none is worth it.

    It must lower it over the whole picture by a tenth, and nowhere raise it: ground far off, which hardly
    moves, is not made to shake for the sake of near ground. `px` is delivered px per unit at z = 1.
    """
    corner = np.abs(field.straight_corners(crop)[0, :2])
    still = np.zeros((count, 4))
    before = jitter_by_cell(drifts, count, corner, still, period_frames)
    known = np.isfinite(before)
    if not known.any():
        return Residual(None, None, None)

    def overall(cells: Floats) -> float:
        return float(np.sqrt(np.mean(cells[known] ** 2)))

    wanted = fast_similarities(drifts, count, period_frames)
    best = Residual(None, overall(before), overall(before))
    for share in (1.0, 0.7, 0.4):
        similarity = _limited(share * wanted, 2.0 * float(corner[0]))
        after = jitter_by_cell(drifts, count, corner, similarity, period_frames)
        allowed = np.maximum(_WORSE * before, before + _WORSE_PX / px)
        if (after[known] > allowed[known]).any() or not np.isfinite(after[known]).all():
            continue
        left = overall(after)
        if left < _WORTH * overall(before) and left < (best.after or np.inf):
            best = Residual(similarity, overall(before), left)
    return best
