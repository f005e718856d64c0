"""What rotation leaves: the ground's own jitter from a place that jitters, and a similarity that lowers it.

Once the view is steady, matches of neighbouring photos tell how the ground moves in it. Its slow part is the
flight; its fast part is the drone's unsteady place, which moves near ground more than far. A similarity of
each frame takes out what all ground shares. It bends nothing, and is judged on matches that took no part.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.arrays import grouped_medians, grouped_sums, lengths
from pipeline.geometry.field import Field
from pipeline.geometry.rotation import exp
from pipeline.measure.highpass import fast_part
from pipeline.measure.levels import HELD_OUT
from pipeline.measure.look import PairFigures

Floats = NDArray[np.float64]
Groups = NDArray[np.int_]

CELLS = (3, 3)
_LEAST_IN_CELL = 4
_LEAST_SHARE = 0.6
_APART, _APART_PX = 0.5, 0.5
_WINDOW = 8
_PASSES = 6
_MOST_SHIFT = 0.015
_MOST_LOG_SCALE = 0.015
_FAVOURS = (0.0, 0.5, 1.0, 2.0)
_WORTH = 0.9
_WORSE = 1.1
_WORSE_PX = 0.25


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


def _plane(place: Floats) -> Floats:
    """Return the terms (m, 3) of values that hang evenly on the place."""
    return np.column_stack([np.ones(len(place)), place])


def _redescending(miss: Floats, groups: Groups, count: int) -> Floats:
    """Return Geman-McClure weights (m,) at twice the median of what is missed in each group."""
    scale = np.maximum(2.0 * grouped_medians(miss, groups, count), 1e-9)[groups]
    return np.asarray(1.0 / (1.0 + (miss / scale) ** 2) ** 2)


def _most(values: Floats, groups: Groups, count: int) -> Floats:
    """Return what most of the motions (m, 2) of each group agree on (count, 2)."""
    agreed = np.stack([grouped_medians(column, groups, count) for column in values.T], axis=1)
    for _ in range(_PASSES):
        weights = _redescending(lengths(values - agreed[groups]), groups, count)[:, None]
        sums = grouped_sums(np.hstack([weights * values, weights]), groups, count)
        agreed = sums[:, :2] / np.maximum(sums[:, 2:], 1e-12)
    return agreed


def _within(parts: Floats, first: NDArray[np.int_], last: NDArray[np.int_]) -> Floats:
    """Return the sums of parts[first:last] (n, ...) for each of the windows."""
    summed = np.concatenate([np.zeros_like(parts[:1]), np.cumsum(parts, axis=0)])
    return np.asarray(summed[last] - summed[first])


def _usual_flow(place: Floats, rate: Floats, groups: Groups, pairs: int, cells: int) -> Floats:
    """Return how motion hangs on the place about each pair in time: (pairs · cells, 3, 2), terms as `_plane`.

    For each part one flow is fitted to the matches (m, 2) of all pairs within `_WINDOW`, iteratively
    reweighted; group pair · cells + cell holds those of a pair in a part.
    """
    terms = _plane(place)
    products = (terms[:, :, None] * np.hstack([terms, rate])[:, None]).reshape(-1, 15)
    first = np.maximum(np.arange(pairs) - _WINDOW, 0)
    last = np.minimum(np.arange(pairs) + _WINDOW + 1, pairs)
    weights = np.ones(len(rate))
    flow: Floats = np.zeros((pairs * cells, 3, 2))
    for _ in range(_PASSES):
        sums = grouped_sums(products * weights[:, None], groups, pairs * cells)
        shared = _within(sums.reshape(pairs, -1), first, last).reshape(-1, 3, 5)
        flow = np.asarray(np.linalg.solve(shared[..., :3] + 1e-6 * np.eye(3), shared[..., 3:]))
        miss = lengths(rate - np.einsum("mp,mpk->mk", terms, flow[groups]))
        weights = _redescending(miss, groups, pairs * cells)
    return flow


def _cell_of(place: Floats, corner: Floats) -> NDArray[np.int_]:
    columns, rows = CELLS
    share = (place / corner + 1.0) / 2.0
    across = np.clip((share[:, 0] * columns).astype(int), 0, columns - 1)
    return np.asarray(across + columns * np.clip((share[:, 1] * rows).astype(int), 0, rows - 1))


def cell_middles(drifts: list[Drift], corner: Floats) -> Floats:
    """Return the mean place (cells, 2) of all matches in each part of the picture, NaN where none are."""
    places = np.concatenate([drift.place for drift in drifts])
    cell = _cell_of(places, corner)
    count = CELLS[0] * CELLS[1]
    times = np.bincount(cell, minlength=count)
    sums = np.stack([np.bincount(cell, places[:, axis], count) for axis in range(2)], axis=1)
    return np.where(times[:, None] > 0, sums / np.maximum(times, 1)[:, None], np.nan)


def cell_rates(drifts: list[Drift], count: int, corner: Floats) -> tuple[Floats, Floats]:
    """Return the ground's motion (cells, n - 1, 2) in each interval, at the middle of each part.

    First by the matches that may be used, then by those held out; NaN where too few tell, and all of a part
    that few pairs see. A match tells of its own place: the usual flow about it, by matches that may be
    used, brings it to the middle, so that what other places are matched from pair to pair is no motion.
    """
    middles = cell_middles(drifts, corner)
    cells, pairs = len(middles), len(drifts)
    held = np.concatenate([drift.held for drift in drifts])
    place = np.concatenate([drift.place for drift in drifts])
    cell = _cell_of(place, corner)
    pair = np.repeat(np.arange(pairs), [len(drift.place) for drift in drifts])
    groups = pair * cells + cell
    place = (place - middles[cell]) / corner
    rate = np.concatenate([drift.motion / (drift.j - drift.i) for drift in drifts])
    flow = _usual_flow(place[~held], rate[~held], groups[~held], pairs, cells)[groups]
    there = rate - np.einsum("mp,mpk->mk", _plane(place), flow) + flow[:, 0]
    rates = np.full((2, cells, count - 1, 2), np.nan)
    for part, used in enumerate((~held, held)):
        agreed = _most(there[used], groups[used], pairs * cells).reshape(pairs, cells, 2)
        enough = np.bincount(groups[used], minlength=pairs * cells).reshape(pairs, cells) >= _LEAST_IN_CELL
        for drift, motion, told in zip(drifts, agreed, enough, strict=True):
            # Across a missing photo the way is spread over the intervals that passed.
            rates[part, told, drift.i : drift.j] = motion[told, None]
    seen = np.count_nonzero(np.isfinite(rates[..., 0]), axis=2)
    rates[seen < max(_LEAST_SHARE * count, 4)] = np.nan
    return rates[0], rates[1]


def _fast_ways(rates: Floats, period_frames: float) -> Floats:
    """Return the fast part (cells, n, 2) of the way that rates (cells, n - 1, 2) add up to."""
    count = rates.shape[1] + 1
    at, period = np.arange(count - 1), min(period_frames, count / 2.0)
    fast = np.full((len(rates), count, 2), np.nan)
    for k, rate in enumerate(rates):
        known = np.isfinite(rate[:, 0])
        if known.any():
            for axis in range(2):
                filled = np.interp(at, at[known], rate[known, axis])
                fast[k, :, axis] = fast_part(np.concatenate([[0.0], np.cumsum(filled)]), period)
    return fast


def jitter_by_cell(rates: Floats, period_frames: float) -> Floats:
    """Return the RMS (cells,) of the fast part of the ground's way, NaN where untold.

    `rates` (cells, n - 1, 2) are those of `cell_rates`, the period is in frames.
    """
    return np.asarray(np.sqrt(np.mean((_fast_ways(rates, period_frames) ** 2).sum(axis=2), axis=1)))


def shared_similarity(fast: Floats, middles: Floats, favour: float) -> Floats:
    """Return the similarity (n, 4) of each frame that fits the fast ways (cells, n, 2) at the middles best.

    Parts count by their jitter to the power of minus `favour`: the more, the stiller far ground stays.
    """
    known = np.isfinite(fast[:, 0, 0])
    ways, basis = fast[known], _basis(middles[known])
    weights = np.maximum(np.sqrt(np.mean((ways**2).sum(axis=2), axis=1)), 1e-9) ** -favour
    normal = np.einsum("cip,c,ciq->pq", basis, weights, basis)
    right = np.einsum("cip,c,cti->pt", basis, weights, ways)
    return np.asarray(np.linalg.solve(normal + 1e-6 * np.trace(normal) * np.eye(4), right).T)


def _limited(similarity: Floats, across: float) -> Floats:
    """Return similarities within what the view has room for."""
    limits = np.array([_MOST_SHIFT * across, _MOST_SHIFT * across, _MOST_LOG_SCALE, _MOST_LOG_SCALE])
    return np.asarray(np.clip(similarity, -limits, limits))


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
    if not drifts:
        return Residual(None, None, None)
    corner = np.abs(field.straight_corners(crop)[0, :2])
    told, held = cell_rates(drifts, count, corner)
    before = jitter_by_cell(held, period_frames)
    # Matches used and held out must tell the same of a part, else it is badly measured and has no say.
    apart = jitter_by_cell(told - held, period_frames)
    known = np.isfinite(apart) & (apart <= np.maximum(_APART * before, _APART_PX / px))
    if not known.any():
        return Residual(None, None, None)

    def overall(cells: Floats) -> float:
        return float(np.sqrt(np.mean(cells[known] ** 2)))

    best = Residual(None, overall(before), overall(before))
    middles = cell_middles(drifts, corner)
    fast = _fast_ways(told, period_frames)
    fast[~known] = np.nan
    for favour in _FAVOURS:
        similarity = _limited(shared_similarity(fast, middles, favour), 2.0 * float(corner[0]))
        moved = held - np.einsum("cip,tp->cti", _basis(middles), np.diff(similarity, axis=0))
        after = jitter_by_cell(moved, period_frames)
        allowed = np.maximum(_WORSE * before, before + _WORSE_PX / px)
        left = overall(after)
        if (
            (after[known] <= allowed[known]).all()
            and left < _WORTH * overall(before)
            and left < (best.after or np.inf)
        ):
            best = Residual(similarity, overall(before), left)
    return best
