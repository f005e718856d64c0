"""Synthetic ground to register and compare: textures of known law, warped by known homographies."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.measure.light import LightView
from pipeline.measure.proxy import Proxy

NONE = (0.0, 0.0, 0.0)


def texture(high: int, wide: int, seed: int = 0) -> NDArray[np.float32]:
    """Noise of several sizes, 0.05 to 0.6: invented fields and hedges."""
    rng = np.random.default_rng(seed)
    total = np.zeros((high, wide), np.float32)
    for size in (4, 8, 16, 48, 120):
        coarse = rng.normal(0.0, 1.0, (high // size + 3, wide // size + 3)).astype(np.float32)
        total += cv2.resize(coarse, (wide, high), interpolation=cv2.INTER_CUBIC)
    total = (total - total.min()) / np.ptp(total)
    return np.asarray(0.05 + 0.55 * total, np.float32)


def as_bytes(picture: NDArray[np.float32]) -> NDArray[np.uint8]:
    return np.asarray(np.clip(picture * 400.0, 0, 255).astype(np.uint8))


def proxy_of(rgb: NDArray[np.float32], clipped: NDArray[np.bool_] | None = None, scale: float = 0.5) -> Proxy:
    """A proxy of linear levels (h, w) or (h, w, 3)."""
    full = np.ascontiguousarray(
        np.broadcast_to(rgb[..., None] if rgb.ndim == 2 else rgb, (*rgb.shape[:2], 3))
    )
    mask = np.zeros(full.shape[:2], bool) if clipped is None else clipped
    return Proxy(full.astype(np.float32), mask, scale, NONE, NONE)


def view_of(rgb: NDArray[np.float32], clipped: NDArray[np.bool_] | None = None) -> LightView:
    """The view of a proxy of linear levels (h, w) or (h, w, 3)."""
    return LightView.of(proxy_of(rgb, clipped))


def project(homography: NDArray[np.float64], points: NDArray[np.float64]) -> NDArray[np.float64]:
    """Points (n, 2) through a homography, written out without OpenCV."""
    x, y = points[:, 0], points[:, 1]
    h = homography
    depth = h[2, 0] * x + h[2, 1] * y + h[2, 2]
    across = h[0, 0] * x + h[0, 1] * y + h[0, 2]
    down = h[1, 0] * x + h[1, 1] * y + h[1, 2]
    return np.stack([across / depth, down / depth], axis=1)


def grid(high: int, wide: int, step: int = 20) -> NDArray[np.float64]:
    """Places (n, 2) over a whole frame, its corners included."""
    x = np.linspace(0.0, wide - 1.0, max(wide // step, 2))
    y = np.linspace(0.0, high - 1.0, max(high // step, 2))
    return np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)


def about_centre(
    high: int,
    wide: int,
    turn_deg: float = 0.0,
    shift: tuple[float, float] = (0.0, 0.0),
    zoom: float = 1.0,
    tilt: tuple[float, float] = (0.0, 0.0),
) -> NDArray[np.float64]:
    """A homography that turns, zooms, tilts about the picture's centre, then shifts in px."""
    to_centre = np.array([[1.0, 0.0, -(wide - 1) / 2.0], [0.0, 1.0, -(high - 1) / 2.0], [0.0, 0.0, 1.0]])
    c, s = zoom * np.cos(np.deg2rad(turn_deg)), zoom * np.sin(np.deg2rad(turn_deg))
    move = np.array([[c, -s, shift[0]], [s, c, shift[1]], [tilt[0] / wide, tilt[1] / wide, 1.0]])
    return np.asarray(np.linalg.inv(to_centre) @ move @ to_centre)


def warp(picture: NDArray, homography: NDArray[np.float64], size: tuple[int, int] | None = None) -> NDArray:
    """What a second camera sees if `homography` takes px of the first to px of the second."""
    wide, high = size or picture.shape[1::-1]
    return np.asarray(
        cv2.warpPerspective(
            picture, homography, (wide, high), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
        )
    )


def from_middle(points: NDArray[np.float64], shape: tuple[int, int]) -> NDArray[np.float64]:
    """Places from the centre of a picture (h, w), 1 away at the outer corner of its corner pixels."""
    size = np.array([shape[1], shape[0]])
    return np.asarray(((points + 0.5) / size - 0.5) * size * 2.0 / np.hypot(*shape))
