"""The focal length told by the photos themselves, where their tags do not tell it.

Two views of a scene in the round have seven numbers in common (the fundamental matrix), but with the right
focal length five suffice (the essential matrix). So the right one is that at which poses fit the matches of
many pairs best (self-calibration; Hartley and Zisserman, Multiple View Geometry, 2nd ed., chapter 19). A
plane fits at any focal length: level ground alone tells nothing, and the uncertainty says so.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import bearings
from pipeline.geometry.pose import essential_start
from pipeline.geometry.rotation import direction_for, essential, refine, rotation_only, sampson

Floats = NDArray[np.float64]
Matches = tuple[Floats, Floats]

_COARSE = np.geomspace(0.45, 2.6, 10)
"""Focal lengths tried, in widths of the picture: 96 to 22 degrees across."""

_FINE = (5, 5)
_GROUPS = 6
_FLOOR = 0.01
"""What synthetic flights of known truth were off by where noise alone promised less."""

_REDESCENT = 3.0


@dataclass(frozen=True)
class Calibration:
    """A focal length in px and its standard deviation as a share of it."""

    focal_px: float
    sigma: float


def pair_distances(matches: Matches, focal_px: float, size: tuple[int, int], noise_px: float) -> Floats:
    """Return the epipolar distances (m,) in px of the pose that fits matches best at a focal length."""
    unit_i, unit_j = (bearings(points, focal_px, *size) for points in matches)
    here, there = (unit / unit[:, 2:] for unit in (unit_i, unit_j))
    noise = noise_px / focal_px
    turned = rotation_only(unit_i, unit_j, noise, passes=10)
    starts = [*essential_start(here, there, noise), (turned, direction_for(turned, here, there, noise))]
    fits = [refine(*start, here, there, noise, passes=8) for start in starts]
    rotation, direction, _, _ = min(fits, key=lambda fit: fit[2])
    return np.asarray(np.abs(sampson(essential(rotation, direction), here, there)) * focal_px)


def self_calibrate(pairs: list[Matches], size: tuple[int, int], noise_px: float) -> Calibration | None:
    """Return the focal length at which `pairs` of matches (m, 2) in px fit best, None where none is best.

    The uncertainty is the larger of what the cost's curvature tells and of what groups of pairs differ by.
    """
    if len(pairs) < _GROUPS:
        return None

    def distances(focal_px: float) -> list[Floats]:
        return [pair_distances(pair, focal_px, size, noise_px) for pair in pairs]

    coarse = _COARSE * size[0]
    seen = [distances(focal) for focal in coarse]
    least = [min(1.4826 * float(np.median(row[k])) for row in seen) for k in range(len(pairs))]
    scales = np.maximum(least, 0.05 * noise_px)
    costs = np.stack([_costs(row, scales) for row in seen])
    best = int(np.argmin(costs.sum(axis=1)))
    if best in (0, len(coarse) - 1):
        return None
    low, high = coarse[best - 1], coarse[best + 1]
    for count in _FINE:
        fine = np.geomspace(low, high, count)
        costs = np.stack([_costs(distances(focal), scales) for focal in fine])
        best = int(np.clip(np.argmin(costs.sum(axis=1)), 1, count - 2))
        low, high = fine[best - 1], fine[best + 1]
    place, curvature = _lowest(np.log(fine), costs.sum(axis=1))
    if curvature <= 0.0:
        return None
    groups = []
    for group in range(_GROUPS):
        left = np.arange(len(pairs)) % _GROUPS != group
        groups.append(_lowest(np.log(fine), costs[:, left].sum(axis=1))[0])
    # Jackknife (Quenouille 1949; Tukey 1958): the spread of estimates that each leave one group out.
    jackknife = float(np.sqrt((_GROUPS - 1) / _GROUPS * np.sum((np.array(groups) - np.mean(groups)) ** 2)))
    sigma = float(np.hypot(max(1.0 / np.sqrt(curvature), jackknife), _FLOOR))
    return Calibration(float(np.exp(place)), sigma)


def _costs(distances: list[Floats], scales: Floats) -> Floats:
    """Return the robust cost (k,) of each pair, Geman-McClure's at its own scale."""
    square = [(row / scale) ** 2 for row, scale in zip(distances, scales, strict=True)]
    return np.array([float(np.sum(0.5 * s / (1.0 + s / _REDESCENT**2))) for s in square])


def _lowest(places: Floats, costs: Floats) -> tuple[float, float]:
    """Return where a parabola through costs is lowest, within `places`, and its second derivative."""
    middle = float(places.mean())
    second, first, _ = np.polyfit(places - middle, costs, 2)
    if second <= 0.0:
        return float(places[int(np.argmin(costs))]), 0.0
    lowest = float(np.clip(middle - first / (2.0 * second), places[0], places[-1]))
    return lowest, float(2.0 * second)
