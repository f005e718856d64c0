"""The one filter that tells slow from fast, in the estimate of light and in every measure of flicker.

Version 2. The slow part of a series is its second-difference smoother (Whittaker 1923; Eilers 2003,
"A perfect smoother") with half amplitude at a given period, made robust by redescending weights on what
stands off its neighbours in time; where the series is shorter than two periods it is a robust straight line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from pipeline.measure.robust import robust_sigma

Floats = NDArray[np.float64]

FILTER_VERSION = 2
_PASSES = 12
_FULL_SIGMA, _NO_SIGMA = 3.0, 5.0
_FLOOR_OF_RANGE = 0.005
_LEAST_SHIFT = 0.1


def smoothing_weight(period_frames: float) -> float:
    """Return the penalty whose smoother has half amplitude at `period_frames`.

    The smoother's amplitude at angular frequency w is 1 / (1 + penalty (2 sin(w/2))**4).
    """
    return float(1.0 / (2.0 * np.sin(np.pi / max(period_frames, 2.0))) ** 4)


def smooth(values: Floats, weights: Floats, period_frames: float) -> Floats:
    """Return the weighted second-difference smoother of `values` (n,); n >= 3."""
    n = len(values)
    penalty = smoothing_weight(period_frames)
    # The sum of the penalty's rows (1, -2, 1), one for each inner place, in banded form.
    diagonal = np.zeros(n)
    diagonal[:-2] += 1.0
    diagonal[1:-1] += 4.0
    diagonal[2:] += 1.0
    beside = np.zeros(n - 1)
    beside[:-1] -= 2.0
    beside[1:] -= 2.0
    bands = np.zeros((3, n))
    bands[2] = weights + penalty * diagonal
    bands[1, 1:] = penalty * beside
    bands[0, 2:] = penalty
    return np.asarray(solveh_banded(bands, weights * values))


def is_short(count: int, period_frames: float) -> bool:
    """Whether a series of `count` frames is shorter than two periods, so that its slow part is a line."""
    return count < 2.0 * period_frames


def straight_line(values: Floats, weights: Floats) -> Floats:
    """Return the weighted least-squares line through `values` (n,)."""
    place = np.arange(len(values), dtype=float)
    design = np.stack([np.ones_like(place), place - place.mean()], axis=1)
    root = np.sqrt(weights)
    solved = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
    return np.asarray(design @ solved)


def fit_slow(values: Floats, weights: Floats, period_frames: float) -> Floats:
    """Return the slow part of `values` (n,) for given weights: the linear filter, or the line if short."""
    if is_short(len(values), period_frames):
        return straight_line(values, weights)
    # A faint weight everywhere keeps the banded system solvable across long gaps.
    return smooth(values, weights + 1e-9, period_frames)


def redescending(residual: Floats, sigma: float) -> Floats:
    """Return weights (n,): 1 up to 3 sigma, so that ordinary flicker leaves the filter linear, 0 beyond 5."""
    beyond = (np.abs(residual) / sigma - _FULL_SIGMA) / (_NO_SIGMA - _FULL_SIGMA)
    return np.asarray(1.0 - np.clip(beyond, 0.0, 1.0))


def stands_off(residual: Floats, present: NDArray[np.bool_], period_frames: float) -> Floats:
    """Return how far each of the residuals (n,) is from the median of those about it in time.

    An outlier is one frame or a few. What the filter misses of a smooth series (its bends) lasts longer,
    and must not be taken for outliers, or the filter would leave the series bit by bit.
    """
    half = int(np.clip(round(period_frames / 12.0), 1, 5))
    padded = np.pad(np.where(present, residual, np.nan), half, constant_values=np.nan)
    about = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1)
    off = np.zeros(len(residual))
    off[present] = residual[present] - np.nanmedian(about[present], axis=1)
    return off


@dataclass(frozen=True)
class SlowFit:
    """Slow part (n,) of a series; size (k,) of each step fitted beside it, and their covariance (k, k)."""

    slow: Floats
    steps: Floats
    covariance: Floats


def slow_and_steps(
    values: Floats, steps: Floats, period_frames: float, step_sigma: float | Floats = 0.1
) -> SlowFit:
    """Return the slow part of `values` (n,) together with the sizes of known steps.

    `steps` (n, k) holds the unit shape of each step; its size is estimated with the slow part in one
    weighted least-squares problem, with a prior of zero and `step_sigma` (for all, or of each), so that the
    filter does not bend around a step. Values that are not finite count as absent, and their slow part is
    interpolated. An outlier does not pull its neighbours (see `redescending`).
    """
    present = np.isfinite(values)
    count, known = steps.shape
    if np.count_nonzero(present) < 3:
        level = float(np.median(values[present])) if present.any() else 0.0
        return SlowFit(np.full(count, level), np.zeros(known), np.diag(np.full(known, np.inf)))
    filled = np.where(present, values, 0.0)
    weights = present.astype(float)
    slow, sizes, covariance = np.zeros(count), np.zeros(known), np.zeros((known, known))
    prior = np.broadcast_to(np.asarray(step_sigma, float), known)
    sigma = max(robust_sigma(filled[present]), 1e-6)
    for _ in range(_PASSES):
        if known:
            # Where slow is the filter F of what the steps leave, the steps see only (1 - F).
            sharp = np.stack([s - fit_slow(s, weights, period_frames) for s in steps.T], axis=1)
            rest = filled - fit_slow(filled, weights, period_frames)
            normal = (steps * weights[:, None]).T @ sharp + np.diag((sigma / prior) ** 2)
            sizes = np.linalg.solve(normal, (steps * weights[:, None]).T @ rest)
            covariance = sigma**2 * np.linalg.inv(normal)
        moved = fit_slow(filled - steps @ sizes, weights, period_frames)
        residual = filled - steps @ sizes - moved
        # Of a series almost without noise, what the filter itself misses at the ends is no outlier.
        least = _FLOOR_OF_RANGE * float(np.ptp(moved))
        sigma = max(robust_sigma(residual[present]), least)
        settled = float(np.max(np.abs(moved - slow))) < 1e-7
        slow = moved
        if settled or sigma < 1e-9:
            break
        tighter = present * redescending(stands_off(residual, present, period_frames), sigma)
        if np.count_nonzero(tighter) < 3:
            break
        weights = tighter
    return SlowFit(slow, sizes, covariance)


def lasting_shifts(values: Floats, period_frames: float) -> NDArray[np.int_]:
    """Return the frames (m,) from which `values` (n,) stand on another level than before, for good.

    A line through some frames before and one through as many after meet there with a gap of at least
    0.1 and five of its standard errors: a cloud before the sun within one interval. A few frames off are
    outliers, and what takes several frames is the filter's to follow.
    """
    side = int(np.clip(round(period_frames / 8.0), 4, 12))
    place = np.flatnonzero(np.isfinite(values))
    known = values[place]
    if len(known) < 4 * side:
        return np.zeros(0, int)
    noise = max(robust_sigma(np.diff(known)) / np.sqrt(2.0), 1e-6)
    gaps = np.zeros(len(known) + 1)
    ahead = np.arange(side, dtype=np.float64) + np.float64(0.5)
    for at in range(side, len(known) - side + 1):
        after, before = known[at : at + side], known[at - side : at][::-1]
        gap = _line_at_zero(ahead, after) - _line_at_zero(ahead, before)
        apart = float(np.median(after) - np.median(before))
        # A slope alone parts the medians, outliers side by side tilt a line: only a shift does both.
        gaps[at] = min(abs(gap), abs(apart)) if gap * apart > 0 else 0.0
    least = max(_LEAST_SHIFT, 5.0 * noise * np.sqrt(8.0 / side))
    found = []
    while gaps.max() >= least:
        near = np.flatnonzero(gaps >= 0.8 * gaps.max())
        near = near[np.abs(near - int(np.argmax(gaps))) <= side]
        # Medians do not say which frame of a few it was; the largest single change does.
        at = int(near[np.argmax(np.abs(known[near] - known[near - 1]))])
        found.append(int(place[at]))
        gaps[max(at - side, 0) : at + side + 1] = 0.0
    return np.array(sorted(found), int)


def _line_at_zero(x: Floats, y: Floats) -> float:
    """Return the value at 0 of the line through most of the points (Theil 1950, Sen 1968)."""
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return float(np.median(y - slope * x))


def eased_step(count: int, at: int, period_frames: float) -> Floats:
    """Return a step (count,) from 0 to 1 before frame `at`, spread over a period without overshoot."""
    share = np.clip((np.arange(count) - (at - 0.5)) / period_frames + 0.5, 0.0, 1.0)
    return np.asarray(share - np.sin(2.0 * np.pi * share) / (2.0 * np.pi))


def slow_part(values: Floats, period_frames: float) -> Floats:
    """Return the slow part of `values` (n,), one value a frame; see `slow_and_steps`."""
    return slow_and_steps(values, np.zeros((len(values), 0)), period_frames).slow


def fast_part(values: Floats, period_frames: float) -> Floats:
    """Return `values` minus their slow part; what is absent stays NaN."""
    return np.where(np.isfinite(values), values - slow_part(values, period_frames), np.nan)


def fast_figures(fast: Floats) -> tuple[float | None, float | None, int]:
    """Return RMS, worst magnitude and the number beyond 3 robust sigma of a fast part (n,), NaN absent."""
    known = fast[np.isfinite(fast)]
    if len(known) == 0:
        return None, None, 0
    sigma = robust_sigma(known)
    beyond = int(np.count_nonzero(np.abs(known) > 3.0 * sigma)) if sigma > 0 else 0
    return float(np.sqrt(np.mean(known**2))), float(np.max(np.abs(known))), beyond
