"""A small linear picture of one frame, which all measures are taken on."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.photo.opening import Photo
from pipeline.photo.planes import phase_planes
from pipeline.photo.raw import RawPhoto

PROXY_WIDTH = 1000
"""Greatest side of a proxy in px; a RAW's 2×2-binned mosaic is never enlarged."""

CLIPPED = 0.98
"""Share of saturation from which a photosite counts as clipped."""


@dataclass(frozen=True)
class Proxy:
    """Linear camera RGB of one frame, reduced.

    `rgb` is (h, w, 3) float32, black subtracted, 1 = saturation, not white-balanced. `clipped` (h, w) is
    True where any photosite under the pixel is saturated. `scale` is proxy px per full-size px.
    `clipped_share` and `crushed_share` are shares of the photosites per channel R, G, B at the top and
    at black.
    """

    rgb: NDArray[np.float32]
    clipped: NDArray[np.bool_]
    scale: float
    clipped_share: tuple[float, float, float]
    crushed_share: tuple[float, float, float]


def _proxy_size(width: int, height: int) -> tuple[int, int]:
    factor = min(1.0, PROXY_WIDTH / max(width, height))
    return max(round(width * factor), 1), max(round(height * factor), 1)


def _shares(values: list[list[float]]) -> tuple[float, float, float]:
    red, green, blue = (float(np.mean(channel)) for channel in values)
    return red, green, blue


def _level(value: int) -> np.uint16:
    return np.uint16(min(max(value, 0), 65535))


def _from_mosaic(photo: RawPhoto) -> Proxy:
    height, width = photo.mosaic.shape
    size = _proxy_size(width // 2, height // 2)
    sums = [np.zeros((size[1], size[0]), np.float32) for _ in range(3)]
    clipped = np.zeros((size[1], size[0]), np.float32)
    top: list[list[float]] = [[], [], []]
    bottom: list[list[float]] = [[], [], []]
    for place, plane in phase_planes(photo.mosaic):
        channel = int(photo.pattern[place])
        black = float(photo.black[place])
        span = photo.white - black
        # Whole numbers are compared with whole numbers: a fifth of the time.
        full = plane >= _level(math.ceil(black + CLIPPED * span))
        top[channel].append(np.count_nonzero(full) / full.size)
        below = np.count_nonzero(plane <= _level(math.floor(black))) if black >= 0.0 else 0
        bottom[channel].append(below / plane.size)
        if full.any():
            clipped += cv2.resize(full.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        small = np.asarray(
            cv2.resize(plane.astype(np.float32), size, interpolation=cv2.INTER_AREA), np.float32
        )
        if channel != 1:
            small = _to_middle(small, place, (size[0] / plane.shape[1], size[1] / plane.shape[0]))
        share = 0.5 if channel == 1 else 1.0
        sums[channel] += (share / span) * (small - black)
    rgb = np.asarray(cv2.merge(sums), np.float32)
    return Proxy(rgb, clipped > 0.0, size[0] / width, _shares(top), _shares(bottom))


def _to_middle(
    small: NDArray[np.float32], place: tuple[int, int], scale: tuple[float, float]
) -> NDArray[np.float32]:
    """Return the reduced plane of the photosites at `place` (row, column) as seen from the middle of its 2×2.

    The two greens lie about the middle; red and blue lie a quarter of a plane's pixel off it, each its own
    way. Where the scale of the ground changes between two photos that would look like a change of colour.
    """
    down, across = (0.25 - 0.5 * at for at in place)
    shift = np.array([[1.0, 0.0, across * scale[0]], [0.0, 1.0, down * scale[1]]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    moved = cv2.warpAffine(small, shift, small.shape[::-1], flags=flags, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(moved, np.float32)


def make_proxy(photo: Photo) -> Proxy:
    """Return the proxy of an opened photo: 2×2-binned mosaic or linearised picture, then area-reduced."""
    if isinstance(photo, RawPhoto):
        return _from_mosaic(photo)
    height, width = photo.rgb.shape[:2]
    size = _proxy_size(width, height)
    linear = photo.linear[photo.rgb].astype(np.float32, copy=False)
    level = CLIPPED * float(photo.linear[-1])
    full = np.asarray((linear >= level).any(axis=2), np.float32)
    clipped = cv2.resize(full, size, interpolation=cv2.INTER_AREA) > 0
    top = _shares([[float(np.mean(linear[..., c] >= level))] for c in range(3)])
    bottom = _shares([[float(np.mean(linear[..., c] <= photo.linear[0]))] for c in range(3)])
    reduced = np.asarray(cv2.resize(linear, size, interpolation=cv2.INTER_AREA), np.float32)
    return Proxy(reduced, clipped, size[0] / width, top, bottom)


def feature_picture(proxy: Proxy) -> NDArray[np.uint8]:
    """Return an 8-bit grey picture (h, w) for finding features: exposed alike and gamma-encoded."""
    grey = proxy.rgb @ np.array([0.25, 0.5, 0.25], np.float32)
    high = float(np.percentile(grey[::4, ::4], 98.0))
    encoded = np.sqrt(np.clip(grey / max(high, 1e-6), 0.0, 1.2)) * (255.0 / np.sqrt(1.2))
    return np.asarray(encoded.astype(np.uint8))
