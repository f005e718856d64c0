"""Sharpness of a frame by direction: blur along the motion lowers one of the two."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

_FINE_PX, _COARSE_PX = 2.0, 12.0
_CELL = 12  # every other px, so 24 px of the picture
_TEXTURE, _LEAST_CELLS, _LEAST_MOTION_PX = 20.0, 40, 4.0
_NONE: Any = None  # OpenCV's stubs want an array where one may be absent


def directional_sharpness(grey: NDArray[np.uint8]) -> tuple[float, float]:
    """Return mean squared central differences along x and along y of an 8-bit picture, over its variance."""
    values = grey.astype(np.float32)
    spread = max(float(values.var()), 1e-6)
    along_x = float(np.mean((values[:, 2:] - values[:, :-2]) ** 2)) / spread
    along_y = float(np.mean((values[2:, :] - values[:-2, :]) ** 2)) / spread
    return along_x, along_y


@dataclass(frozen=True)
class SeenBlur:
    """Blur along the motion and the motion to the next frame, both px of the same picture, medians."""

    blur_px: float
    motion_px: float


def blur_along_motion(grey: NDArray[np.uint8], homography: NDArray[np.float64]) -> SeenBlur | None:
    """Return how long the blur of an 8-bit picture is along the motion that `homography` (3×3) tells.

    Structure functions D(s), the mean squared differences over s px, are compared fine against coarse and
    along the motion against across it: D(2) / D(12) along over the same across. What makes the ground
    differ by direction (furrows, foreshortening) acts on fine and coarse alike and cancels; a box of blur
    takes the fine along the motion alone. Its length follows from the ratio that an isotropic picture of
    power spectrum f^-2.5 would have (natural pictures fall so: Field, J. Opt. Soc. Am. A 4, 1987; exponent
    chosen on synthetic flights, where lengths of 2 to 8 px came out within a factor of two). None where
    too little moves or has texture.
    """
    height, width = grey.shape
    places = np.stack(np.meshgrid(np.arange(0, width, 2), np.arange(0, height, 2)), axis=-1).astype(
        np.float32
    )
    there = cv2.perspectiveTransform(places.reshape(1, -1, 2), homography).reshape(places.shape)
    motion = np.asarray(there - places, np.float32)
    length = np.hypot(motion[..., 0], motion[..., 1])
    along = (motion / np.maximum(length, 1e-3)[..., None]).astype(np.float32)
    across = np.stack([-along[..., 1], along[..., 0]], axis=-1).astype(np.float32)
    cells = (places.shape[1] // _CELL, places.shape[0] // _CELL)
    if min(cells) < 1:
        return None

    def structure(direction: NDArray[np.float32], step: float) -> NDArray[np.float32]:
        reach = np.float32(step / 2.0) * direction
        ahead, behind = (
            cv2.remap(grey, place, _NONE, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT).astype(np.float32)
            for place in (places + reach, places - reach)
        )
        return np.asarray(cv2.resize((ahead - behind) ** 2, cells, interpolation=cv2.INTER_AREA))

    coarse = structure(across, _COARSE_PX)
    ratio = (structure(along, _FINE_PX) + 0.5) / (structure(along, _COARSE_PX) + 0.5)
    ratio /= (structure(across, _FINE_PX) + 0.5) / (coarse + 0.5)
    moved = np.asarray(cv2.resize(length, cells, interpolation=cv2.INTER_AREA))
    typical = float(np.median(moved))
    used = (coarse > _TEXTURE) & (moved > 0.5 * typical) & (moved < 2.0 * typical)
    if typical < _LEAST_MOTION_PX or np.count_nonzero(used) < _LEAST_CELLS:
        return None
    seen = float(np.exp(np.median(np.log(ratio[used]))))
    lengths, ratios = _ratio_of_blur()
    blur = float(np.interp(-seen, -ratios, lengths))
    return SeenBlur(blur, float(np.median(moved[used])))


@lru_cache(maxsize=1)
def _ratio_of_blur() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return blur lengths in px, and the falling ratio that a picture of spectrum f^-2.5 has with each."""
    axis = (np.arange(256) + 0.5) / 512.0
    fx, fy = np.meshgrid(axis, axis)
    power = (fx**2 + fy**2) ** -1.25 * np.exp(-(fx**2 + fy**2) / 0.35**2)
    lengths = np.arange(0.0, 10.5, 0.5)

    def ratio(blur_px: float) -> float:
        left = power * np.sinc(blur_px * fx) ** 2
        fine_x, coarse_x, fine_y, coarse_y = (
            float(np.sum(left * np.sin(np.pi * f * step) ** 2))
            for f, step in ((fx, _FINE_PX), (fx, _COARSE_PX), (fy, _FINE_PX), (fy, _COARSE_PX))
        )
        return fine_x / coarse_x / (fine_y / coarse_y)

    return lengths, np.array([ratio(float(length)) for length in lengths])
