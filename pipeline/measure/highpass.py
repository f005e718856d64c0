"""The one filter that tells slow from fast, in the estimate of light and in every measure of flicker.

Version 1. The slow part of a series is its second-difference smoother (Whittaker 1923; Eilers 2003,
"A perfect smoother") with half amplitude at a given period, made robust by Tukey weights; where the
series is shorter than two periods it is a robust straight line.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solveh_banded

from pipeline.measure.robust import robust_sigma

Floats = NDArray[np.float64]

FILTER_VERSION = 1
_PASSES = 12
_TUKEY = 4.685


def smoothing_weight(period_frames: float) -> float:
    """Return the penalty whose smoother has half amplitude at `period_frames`.

    The smoother's amplitude at angular frequency w is 1 / (1 + penalty (2 sin(w/2))**4).
    """
    return float(1.0 / (2.0 * np.sin(np.pi / max(period_frames, 2.0))) ** 4)


def smooth(values: Floats, weights: Floats, period_frames: float) -> Floats:
    """Return the weighted second-difference smoother of `values` (n,); n >= 3."""
    n = len(values)
    penalty = smoothing_weight(period_frames)
    bands = np.zeros((3, n))
    bands[2] = weights
    for row in range(n - 2):  # the penalty's rows are (1, -2, 1)
        bands[2, row : row + 3] += penalty * np.array([1.0, 4.0, 1.0])
        bands[1, row + 1 : row + 3] += penalty * np.array([-2.0, -2.0])
        bands[0, row + 2] += penalty
    return np.asarray(solveh_banded(bands, weights * values))


def is_short(count: int, period_frames: float) -> bool:
    """Whether a series of `count` frames is shorter than two periods, so that its slow part is a line."""
    return count < 2.0 * period_frames


def _line(values: Floats, weights: Floats) -> Floats:
    place = np.arange(len(values), dtype=float)
    design = np.stack([np.ones_like(place), place - place.mean()], axis=1)
    root = np.sqrt(weights)
    solved = np.linalg.lstsq(design * root[:, None], values * root, rcond=None)[0]
    return np.asarray(design @ solved)


def slow_part(values: Floats, period_frames: float, weights: Floats | None = None) -> Floats:
    """Return the slow part of `values` (n,), one value a frame.

    Values that are not finite count as absent, and their slow part is interpolated. An outlier does not
    pull its neighbours: Tukey weights at 4.685 robust sigma of the residual, started from the medians.
    """
    present = np.isfinite(values)
    if np.count_nonzero(present) < 3:
        level = float(np.median(values[present])) if present.any() else 0.0
        return np.full(len(values), level)
    base = np.where(present, 1.0 if weights is None else weights, 0.0)
    filled = np.where(present, values, 0.0)
    short = is_short(len(values), period_frames)

    def fit(current: Floats) -> Floats:
        # A faint weight everywhere keeps the banded system solvable across long gaps.
        return _line(filled, current) if short else smooth(filled, current + 1e-9, period_frames)

    current = base.copy()
    slow = fit(current)
    for _ in range(_PASSES):
        residual = filled - slow
        sigma = robust_sigma(residual[present])
        if sigma < 1e-9:
            break
        u = residual / (_TUKEY * sigma)
        current = base * np.where(np.abs(u) < 1.0, (1.0 - u * u) ** 2, 0.0)
        if np.count_nonzero(current) < 3:
            break
        moved = fit(current)
        settled = float(np.max(np.abs(moved - slow))) < 1e-7
        slow = moved
        if settled:
            break
    return slow


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
