"""The camera's turning by what lies far away: the horizon, and what stands on it.

What is kilometres away is moved by the turning alone, and where there is little else to match, at sea, say,
its band tells pitch and roll sharply and the heading as well as the hills on it allow. Its brightness is
aligned directly (Lucas and Kanade, IJCAI 1981; Baker and Matthews, IJCV 2004) with the three angles of a
rotation, a gain and an offset as unknowns; the normal equations tell how well each axis is known. Where the
band lies the attitude angles say.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.lens import Lens
from pipeline.geometry.rotation import cross_matrix, exp, log
from pipeline.measure.tags import told_attitude
from pipeline.sequence import Frame

Floats = NDArray[np.float64]
Grey = NDArray[np.float32]

_BAND_DEG = (-0.8, 2.5)
"""Below and above the level of the camera: the horizon dips by 0.3 degrees 100 m up, and tags err."""

_COARSE_PX = 250
_SMOOTH = 20  # parts of the width that what is slow across the picture is taken off by
_MOST_POINTS = 8_000
_FEWEST_POINTS = 400
_PASSES = 12
_MARGIN_PX = 4.0
_LEAST_NOISE = 0.3  # codes of 8 bits
_EXPLAINED = 0.5
_HELD_OUT = 5
_EDGE_PX = 0.05  # sharp edges are sampled, and so laid on each other, no better than this
_LOOSE_RAD = float(np.deg2rad(2.0))  # what the pictures do not tell stays where the tags put it
_LEAST_SIGMA_PX = 0.02
_MOST_OFF_RAD = float(np.deg2rad(2.0))
_NONE: Any = None  # OpenCV's stubs want an array where one may be absent


@dataclass(frozen=True)
class FarView:
    """What is known of a pair beforehand: the rotation from i to j and the downward direction in i's axes.

    Both are by attitude angles. `focal_px` is that of the straight picture of `size`, full-size px.
    """

    rotation: Floats
    down: Floats
    focal_px: float
    size: tuple[int, int]
    lens: Lens | None = None

    def rays(self, points: Floats) -> Floats:
        """Return directions (n, 3), z = 1, of source px (n, 2)."""
        if self.lens is not None:
            points = self.lens.straighten(points, *self.size)
        centre = (np.array(self.size) - 1.0) / 2.0
        return np.column_stack([(points - centre) / self.focal_px, np.ones(len(points))])

    def elevation_deg(self, points: Floats) -> Floats:
        """Return how high above the level of the camera i source px (n, 2) lie."""
        rays = self.rays(points)
        return np.asarray(-np.rad2deg(np.arcsin(rays @ self.down / np.linalg.norm(rays, axis=1))))

    def places(self, rays: Floats) -> Floats:
        """Return source px (n, 2) of directions (n, 3)."""
        centre = (np.array(self.size) - 1.0) / 2.0
        straight = self.focal_px * rays[:, :2] / rays[:, 2:] + centre
        return straight if self.lens is None else self.lens.bend(straight, *self.size)


@dataclass(frozen=True)
class FarTurn:
    """A rotation vector (3,) from i to j in radians and its covariance (3, 3), as of a `PairRotation`."""

    turn_rad: Floats
    covariance: Floats


def far_view(
    here: Frame, there: Frame, focal_px: float, size: tuple[int, int], lens: Lens | None
) -> FarView | None:
    """Return what tags tell beforehand of a pair, None where they tell too little or no horizon is seen."""
    told = told_attitude(here), told_attitude(there)
    if told[0] is None or told[1] is None:
        return None
    view = FarView(told[1] @ told[0].T, told[0] @ np.array([0.0, 0.0, -1.0]), focal_px, size, lens)
    across, down = np.meshgrid(np.linspace(0.0, size[0] - 1.0, 3), np.linspace(0.0, size[1] - 1.0, 3))
    elevation = view.elevation_deg(np.column_stack([across.ravel(), down.ravel()]))
    return view if elevation.min() < _BAND_DEG[0] and elevation.max() > _BAND_DEG[0] else None


def far_turns(first: NDArray[np.uint8], second: NDArray[np.uint8], view: FarView) -> tuple[FarTurn, ...]:
    """Return how the camera turned between two grey pictures, told by what is far; nothing where untold.

    The first is by four columns in five, the second by the fifth, held out.
    """
    coarse = max(round(first.shape[1] / _COARSE_PX), 1)
    rotation = view.rotation
    for reduce in sorted({coarse, 1}, reverse=True):
        here, there = (_with_slopes(_even(grey, reduce)) for grey in (first, second))
        points = _band(here[0], view)
        if len(points) < (_FEWEST_POINTS if reduce == 1 else 0):
            return ()
        held_out = points[:, 0] % _HELD_OUT == 0
        found = _aligned(here, there, points if reduce > 1 else points[~held_out], rotation, view)
        if found is None:
            return ()
        rotation, covariance = found
    if float(np.linalg.norm(log(rotation @ view.rotation.T))) > _MOST_OFF_RAD:
        return ()
    turn = FarTurn(log(rotation), covariance)
    held = _aligned(here, there, points[held_out], rotation, view)
    return (turn,) if held is None else (turn, FarTurn(log(held[0]), held[1]))


def _even(grey: NDArray[np.uint8], reduce: int) -> Grey:
    """Return a picture reduced, less what is slow across it: the light of the sky, say."""
    height, width = grey.shape
    small = cv2.resize(
        grey.astype(np.float32), (width // reduce, height // reduce), interpolation=cv2.INTER_AREA
    )
    side = max(small.shape[1] // _SMOOTH, 5) | 1
    return np.asarray(small - cv2.blur(small, (side, side)), np.float32)


def _band(picture: Grey, view: FarView) -> NDArray[np.int_]:
    """Return columns and rows (n, 2) of the half of the far band, thinned out, where most is to be seen."""
    shape = picture.shape
    height, width = shape
    margin = int(_MARGIN_PX)
    columns, rows = np.arange(margin, width - margin), np.arange(margin, height - margin)
    # Every eighth row and column tells where the band may be; only there each px is looked at.
    grid = np.stack(np.meshgrid(columns[::8], rows[::8]), axis=-1).reshape(-1, 2)
    near = view.elevation_deg(_full_size(grid, shape, view))
    step_deg = float(np.rad2deg(12.0 * view.size[0] / width / view.focal_px))
    possible = grid[(near > _BAND_DEG[0] - step_deg) & (near < _BAND_DEG[1] + step_deg), 1]
    if not len(possible):
        return np.zeros((0, 2), int)
    rows = rows[max(possible.min() - 8 - margin, 0) : possible.max() + 9 - margin]
    count = len(rows) * len(columns)
    # Strides of a prime take all columns in turn.
    stride = next(k for k in (1, 2, 3, 7, 11, 13) if count <= 2 * k * _MOST_POINTS or k == 13)
    row, column = np.divmod(np.arange(0, count, stride), len(columns))
    points = np.column_stack([columns[column], rows[row]])
    elevation = view.elevation_deg(_full_size(points, shape, view))
    points = points[(elevation > _BAND_DEG[0]) & (elevation < _BAND_DEG[1])]
    smooth = cv2.GaussianBlur(picture, (0, 0), 1.0)
    across, down = (cv2.Sobel(smooth, cv2.CV_32F, *order) for order in ((1, 0), (0, 1)))
    at = points[:, 1], points[:, 0]
    seen = np.hypot(across[at], down[at])
    return np.asarray(points[seen >= np.median(seen)] if len(points) else points)


def _full_size(points: NDArray[np.int_], shape: tuple[int, ...], view: FarView) -> Floats:
    stretch = np.array(view.size) / np.array(shape[::-1])
    return np.asarray((points + 0.5) * stretch - 0.5)


def _with_slopes(picture: Grey) -> list[Grey]:
    """Return a picture and its derivatives across and down."""
    orders = ((1, 0), (0, 1))
    slopes = [cv2.Sobel(picture, cv2.CV_32F, *order, ksize=3, scale=1.0 / 8.0) for order in orders]
    return [picture, *(np.asarray(slope, np.float32) for slope in slopes)]


def _at(picture: Grey, places: Floats, how: int) -> Floats:
    at = places.astype(np.float32)[np.newaxis]  # one row: a column would cost OpenCV more for each place
    return np.asarray(cv2.remap(picture, at, _NONE, how)[0], np.float64)


def _aligned(
    here: list[Grey], there: list[Grey], points: NDArray[np.int_], rotation: Floats, view: FarView
) -> tuple[Floats, Floats] | None:
    """Return the rotation that lays the points of one picture on the other, and its covariance, or None.

    Robust Gauss-Newton on differences of brightness (Geman-McClure, three times their noise), with the mean
    of both pictures' slopes (Malis, ICRA 2004), which they are given with. The slopes' own noise would pass
    for knowledge in their squares; in the product of one picture's slopes and the other's it does not.
    """
    shape = here[0].shape
    shrink = np.array(shape[::-1]) / np.array(view.size)
    focal = float(view.focal_px * shrink[0])
    room = np.array(shape[::-1]) - 1.0 - _MARGIN_PX
    rays = view.rays(_full_size(points, shape, view))
    level, *own = (picture[points[:, 1], points[:, 0]].astype(float) for picture in here)
    seen_there, *slopes = there
    start, gain, offset = rotation, 1.0, 0.0
    for _ in range(_PASSES):
        turned = rays @ rotation.T
        place = (view.places(turned) + 0.5) * shrink - 0.5
        seen = (turned[:, 2] > 0.1) & (place > _MARGIN_PX).all(axis=1) & (place < room).all(axis=1)
        if np.count_nonzero(seen) < max(len(points) // 4, 20):
            return None
        turned, place, before = turned[seen], place[seen], level[seen]
        after = _at(seen_there, place, cv2.INTER_CUBIC)
        miss = after - gain * before - offset
        noise = max(1.4826 * float(np.median(np.abs(miss))), _LEAST_NOISE)
        moved = -cross_matrix(turned)
        moved = focal * (moved[:, :2] - (turned[:, :2] / turned[:, 2:])[..., None] * moved[:, 2:])
        moved = moved / turned[:, 2:, None]
        first, second = (
            np.einsum("kn,nki->ni", np.stack(pair), moved)
            for pair in ([gain * one[seen] for one in own], [_at(s, place, cv2.INTER_LINEAR) for s in slopes])
        )
        jacobian = np.column_stack([0.5 * (first + second), -before, -np.ones(len(before))])
        spread = np.hypot(noise, _EDGE_PX / focal * np.linalg.norm(jacobian[:, :3], axis=1))
        weights = (1.0 / spread / (1.0 + (miss / (3.0 * spread)) ** 2)) ** 2
        normal = (jacobian * weights[:, None]).T @ jacobian
        ridge = np.diag([*3 * [_LOOSE_RAD**-2], 1e-9, 1e-9])
        pulled = (jacobian * weights[:, None]).T @ miss
        pulled[:3] += log(rotation @ start.T) * _LOOSE_RAD**-2
        step = -np.linalg.solve(normal + ridge, pulled)
        rotation = exp(step[:3]) @ rotation
        gain, offset = gain + step[3], offset + step[4]
        if float(np.linalg.norm(step[:3])) * focal < 1e-3:
            break
    contrast = float(np.var(after))
    if contrast <= 0.0 or float(np.var(miss)) > (1.0 - _EXPLAINED) * contrast:
        return None  # what is seen there is not far, or not there in both
    return rotation, _covariance(first, second, normal, weights) + (_LEAST_SIGMA_PX / focal) ** 2 * np.eye(3)


def _covariance(first: Floats, second: Floats, normal: Floats, weights: Floats) -> Floats:
    """Return the covariance (3, 3) of the turn by the slopes of both pictures, gain and offset unknown."""
    product = (first * weights[:, None]).T @ second
    light = normal[:3, 3:] @ np.linalg.solve(normal[3:, 3:] + 1e-9 * np.eye(2), normal[3:, :3])
    known, axes = np.linalg.eigh(0.5 * (product + product.T) - light)
    # So much may come of chance; what is truly seen is far above it.
    chance = np.linalg.norm(weights[:, None] * (first @ axes) * (second @ axes), axis=0)
    return np.asarray((axes / np.maximum(known - 2.0 * chance, _LOOSE_RAD**-2)) @ axes.T)
