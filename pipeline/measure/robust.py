"""Robust location: the mode of samples of which a large share may be spoiled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

MAD_TO_SIGMA = 1.4826
"""Ratio of the standard deviation to the median absolute deviation of a normal distribution."""


def robust_sigma(values: Floats) -> float:
    """Return the standard deviation of the bulk of `values` (n,), from the median absolute deviation."""
    return float(MAD_TO_SIGMA * np.median(np.abs(values - np.median(values))))


def shortest_half(values: Floats) -> tuple[float, float]:
    """Return centre and width of the shortest interval that holds half of `values` (n,).

    It stays on the main peak where one side is heavily contaminated, where a median would be pulled.
    """
    ordered = np.sort(values)
    half = (len(ordered) + 1) // 2
    widths = ordered[half - 1 :] - ordered[: len(ordered) - half + 1]
    first = int(np.argmin(widths))
    return 0.5 * float(ordered[first] + ordered[first + half - 1]), float(widths[first])


def biweight_mode(
    values: Floats, errors: Floats | None = None, *, floor: float = 1e-4, passes: int = 20
) -> tuple[float, float]:
    """Return the redescending mode of `values` (n,) and its standard error, as `joint_mode` tells them."""
    centre, sigma = joint_mode(values[:, np.newaxis], errors, floor=floor, passes=passes)
    return float(centre[0]), float(sigma[0])


def joint_mode(
    values: Floats, errors: Floats | None = None, *, floor: float = 1e-4, passes: int = 20
) -> tuple[Floats, Floats]:
    """Return the redescending modes (k,) of the columns of `values` (n, k) and their standard errors.

    Tukey's biweight with c = 4.685 sigma (Beaton and Tukey 1974; 95 % efficient for normal samples),
    started in the shortest half. A row that is out in one column is spoiled in all. Where `errors` (n,) tell
    how sure the rows are against each other, each counts by its own; but one that is unsurer than most is
    not trusted to stand further off than they, for what makes it unsure (water, leaves, cars) leans it too.
    `floor` is the least scale, so that equal samples divide by no zero.
    """
    own = np.ones(len(values)) if errors is None else errors / np.median(errors)
    reach = np.minimum(own, 1.0)[:, np.newaxis]
    starts = [shortest_half(column) for column in values.T]
    centre = np.array([middle for middle, _ in starts])
    # Half of a normal distribution lies within 1.349 sigma; the shortest half is a little narrower.
    sigma = np.array([max(width / 1.349, floor) for _, width in starts])
    square = own[:, np.newaxis] ** 2
    for _ in range(passes):
        bulk = _bisquare(np.max(np.abs(values - centre) / (reach * sigma), axis=1))[:, np.newaxis]
        weights = bulk / square
        total = float(weights.sum())
        if total <= 0.0:
            break
        moved = np.sum(weights * values, axis=0) / total
        # Spoiled samples widen the shortest half, so the scale is told again by what the weights keep: for
        # normal samples at the true scale the weighted deviation is 0.910 of it (0.87 leaves it room).
        kept = np.sqrt(np.sum(bulk / square * (values - moved) ** 2, axis=0) / float(bulk.sum())) / 0.87
        narrower = np.maximum(np.minimum(sigma, kept), floor)
        settled = bool(np.all(np.abs(moved - centre) < 1e-7) and np.all(narrower > 0.999 * sigma))
        centre, sigma = moved, narrower
        if settled:
            break
    inside = np.max(np.abs(values - centre) / (reach * sigma), axis=1) < _C
    if not inside.any():
        return centre, sigma
    spread = np.sqrt(np.mean((values - centre)[inside] ** 2 / square[inside], axis=0))
    return centre, np.maximum(spread, floor) / float(np.sqrt(np.sum(1.0 / square[inside])))


_C = 4.685


def _bisquare(u: Floats) -> Floats:
    return np.asarray(np.where(np.abs(u) < _C, (1.0 - (u / _C) ** 2) ** 2, 0.0))
