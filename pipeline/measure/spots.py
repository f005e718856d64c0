"""Spots that are fixed in the frame: drops, dust and smears on the lens.

The same ground seen at two places of the frame tells how much light each place takes from it, as it does
for the vignette (Goldman, PAMI 2010, the idea), here without any form assumed: one unknown for each cell
of the frame, all pairs together. What the scene shows cancels out, so a horizon leaves no trace.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array, diags_array, eye_array, kron
from scipy.sparse.linalg import splu

from pipeline.measure.look import PairFigures

Floats = NDArray[np.float64]

_CELL = 0.04  # of half the diagonal
_LEAST_BLOCKS = 24
_LEAST_SEEN = 3.0
_PASSES = 4
_PRIOR, _SMOOTH = 0.02, 0.2  # a cell is held, in blocks: at nothing, and at its neighbours' light
_SOFT_CELLS, _SURROUND_CELLS = 0.7, 4.0
_SURE_SIGMA = 4.0
_LEAST_CELLS = 3
_FIT_CELLS = 9.0
_EDGE_SHARE = 0.04  # of the width: there one-sided surroundings and the lens's own fall-off mislead


@dataclass(frozen=True)
class Spot:
    """A spot fixed in the frame: place of its middle and radius as shares of the width, and its depth.

    `depth` is the share of light that it takes in its middle from its surroundings.
    """

    x: float
    y: float
    radius: float
    depth: float


def light_taken(pairs: list[PairFigures], shape: tuple[int, int]) -> tuple[Floats, NDArray[np.bool_]]:
    """Return how the light of each cell of the frame (rows, columns) departs from its surroundings, in EV.

    `shape` is (height, width) of the photos in px. The second array says which cells enough ground
    passed through. Robust least squares over all registered pairs, by redescending weights.
    """
    rows, columns = _grid(shape)
    count = rows * columns
    told = [p.blocks for p in pairs if p.registered and len(p.blocks.place_i) >= _LEAST_BLOCKS]
    if not told:
        return np.zeros((rows, columns)), np.zeros((rows, columns), bool)
    places = (np.concatenate([getattr(blocks, side) for blocks in told]) for side in ("place_j", "place_i"))
    there, here = (_shares(place, rows, columns) for place in places)
    green = [blocks.ratio_ev[:, 1].astype(float) for blocks in told]
    design, ratio = there - here, np.concatenate([ratio - np.median(ratio) for ratio in green])
    seen = np.asarray(abs(design).sum(axis=0)).ravel()
    bending = _SMOOTH * _bending(rows, columns) + _PRIOR * eye_array(count)
    solved, weights = np.zeros(count), np.ones(len(ratio))
    for _ in range(_PASSES):
        normal = design.T @ (diags_array(weights) @ design) + bending
        solved = splu(normal.tocsc()).solve(design.T @ (weights * ratio))
        residual = ratio - design @ solved
        spread = max(1.4826 * float(np.median(np.abs(residual))), 1e-3)
        weights = np.maximum(1.0 - (residual / (4.685 * spread)) ** 2, 0.0) ** 2
    return solved.reshape(rows, columns), (seen >= _LEAST_SEEN).reshape(rows, columns)


def fixed_spots(pairs: list[PairFigures], shape: tuple[int, int], least_share: float = 0.0) -> list[Spot]:
    """Return the spots fixed in the frame that take more than `least_share`, the deepest first."""
    taken, seen = light_taken(pairs, shape)
    weight = seen.astype(np.float64)
    local = _blurred(taken, weight, _SOFT_CELLS) - _blurred(taken, weight, _SURROUND_CELLS)
    local[cv2.erode(weight, np.ones((3, 3), np.uint8)) == 0.0] = 0.0
    known = local[local != 0.0]
    if len(known) < 30:
        return []
    noise = 1.4826 * float(np.median(np.abs(known - np.median(known))))
    least = max(_SURE_SIGMA * noise, 0.01)
    count, labels = cv2.connectedComponents((local < -least).astype(np.uint8))
    places = [labels == label for label in range(1, count)]
    spots = [_spot(taken, local, seen, place) for place in places if np.sum(place) >= _LEAST_CELLS]
    high = shape[0] / shape[1]
    spots = [
        spot
        for spot in spots
        if abs(spot.depth) > least_share and min(spot.x, 1.0 - spot.x, spot.y, high - spot.y) > _EDGE_SHARE
    ]
    return sorted(spots, key=lambda spot: -spot.depth)


def _grid(shape: tuple[int, int]) -> tuple[int, int]:
    reach = 0.5 * np.hypot(*shape)
    rows, columns = (max(round(side / (reach * _CELL)), 3) for side in shape)
    return rows, columns


def _shares(place: NDArray[np.float32], rows: int, columns: int) -> csr_array:
    """How much of each place belongs to each cell, bilinear between their middles: (places, cells)."""
    half = 0.5 * np.hypot(rows, columns)
    x = np.clip(place[:, 0] * half + (columns - 1) / 2.0, 0.0, columns - 1.001)
    y = np.clip(place[:, 1] * half + (rows - 1) / 2.0, 0.0, rows - 1.001)
    left, top = np.floor(x).astype(int), np.floor(y).astype(int)
    right, down = x - left, y - top
    corner = top * columns + left
    count = len(place)
    entries = np.concatenate([(1 - right) * (1 - down), right * (1 - down), (1 - right) * down, right * down])
    cells = np.concatenate([corner, corner + 1, corner + columns, corner + columns + 1])
    return csr_array((entries, (np.tile(np.arange(count), 4), cells)), shape=(count, rows * columns))


def _bending(rows: int, columns: int) -> csr_array:
    """The sum of squared differences between neighbouring cells, as a matrix (cells, cells)."""

    def differences(n: int) -> csr_array:
        return csr_array(diags_array([-np.ones(n - 1), np.ones(n - 1)], offsets=[0, 1], shape=(n - 1, n)))

    across = kron(eye_array(rows), differences(columns))
    down = kron(differences(rows), eye_array(columns))
    return csr_array(across.T @ across + down.T @ down)


def _blurred(values: Floats, weight: Floats, sigma: float) -> Floats:
    top = cv2.GaussianBlur(values * weight, (0, 0), sigma)
    return np.asarray(top / np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma), 1e-6))


def _dip(taken: Floats, seen: NDArray[np.bool_], x: float, y: float) -> float:
    """How deep, in EV, the light dips at a place, beside an even slope around it.

    A round bell of the width that fits best, by least squares over the cells nearby: the lowest cell alone
    would be too high by what a cell takes the mean of, and the ground beside it is still in the spot.
    """
    rows, columns = np.indices(taken.shape)
    right, down = np.asarray(columns - x), np.asarray(rows - y)
    near = seen & (np.hypot(right, down) < _FIT_CELLS)
    right, down, light = right[near], down[near], taken[near]
    best, depth = np.inf, 0.0
    for sigma in np.arange(_SOFT_CELLS, _SURROUND_CELLS, 0.3):
        bell = np.exp(-0.5 * (right**2 + down**2) / sigma**2)
        design = np.stack([bell, np.ones_like(right), right, down], axis=1)
        solved = np.linalg.lstsq(design, light, rcond=None)[0]
        error = float(np.sum((light - design @ solved) ** 2))
        if error < best:
            best, depth = error, -float(solved[0])
    return depth


def _spot(taken: Floats, local: Floats, seen: NDArray[np.bool_], place: NDArray[np.bool_]) -> Spot:
    rows, columns = np.nonzero(place)
    weight = np.abs(local[place])
    y, x = (float(np.average(v, weights=weight)) + 0.5 for v in (rows, columns))
    depth = 1.0 - 2.0 ** -_dip(taken, seen, x - 0.5, y - 0.5)
    wide = float(taken.shape[1])
    return Spot(x / wide, y / wide, float(np.sqrt(len(rows) / np.pi)) / wide, depth)
