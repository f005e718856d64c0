"""What spoils a photo before it is recorded: a veil of haze, a soft lens, a drop on it, a propeller's shadow.

All of it acts on linear radiance, on the way from the scene to the sensor.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.world import HAZE

Float32 = NDArray[np.float32]


@dataclass(frozen=True)
class Spoiled:
    """Defects of a flight's pictures; none by default.

    `veil` is the share of the scene's light replaced by haze. `soft_px` is the sigma of a blur, in
    `soft_frames` or, where that is empty, in all. `spot` is a soft dark spot fixed in the frame: place x, y
    and radius as shares of the width, and the share of light it takes in its middle; none where that is 0.
    `propeller_frames` have a dark band from the top edge, which takes `propeller_share` of the light.
    `cut_off` is the light below which all is black.
    """

    veil: float = 0.0
    soft_px: float = 0.0
    soft_frames: tuple[int, ...] = ()
    spot: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    propeller_frames: tuple[int, ...] = ()
    propeller_share: float = 0.5
    cut_off: float = 0.0


def spoil(radiance: Float32, spoiled: Spoiled, frame: int, seed: int) -> Float32:
    """Return the radiance (H, W, 3) that reaches the sensor in the photo `frame`."""
    if spoiled.veil:
        radiance = radiance + np.float32(spoiled.veil) * (np.array(HAZE, np.float32) - radiance)
    if spoiled.soft_px and (not spoiled.soft_frames or frame in spoiled.soft_frames):
        radiance = np.asarray(cv2.GaussianBlur(radiance, (0, 0), spoiled.soft_px), np.float32)
    if spoiled.spot[3]:
        radiance = radiance * (1 - _spot(radiance.shape, spoiled.spot))[..., None]
    if frame in spoiled.propeller_frames:
        shade = _blade(radiance.shape, np.random.default_rng([seed, 5, frame]))
        radiance = radiance * (1 - np.float32(spoiled.propeller_share) * shade)[..., None]
    if spoiled.cut_off:
        radiance = np.maximum(radiance - np.float32(spoiled.cut_off), 0.0)
    return radiance


def _spot(shape: tuple[int, ...], spot: tuple[float, float, float, float]) -> Float32:
    height, width = shape[:2]
    x, y, radius, share = spot
    across = (np.arange(width, dtype=np.float32)[None, :] - x * width) / (radius * width)
    down = (np.arange(height, dtype=np.float32)[:, None] - y * width) / (radius * width)
    return np.asarray(share * np.exp(-0.5 * (across**2 + down**2)), np.float32)


def _blade(shape: tuple[int, ...], rng: np.random.Generator) -> Float32:
    """How much (H, W) of a blade's soft-edged shadow, aslant across the top of the picture, falls where."""
    height, width = shape[:2]
    middle, slant = rng.uniform(0.04, 0.1) * height, np.tan(np.radians(rng.uniform(-8, 8)))
    half = rng.uniform(0.035, 0.05) * height
    x = np.arange(width, dtype=np.float32)[None, :] - width / 2
    y = np.arange(height, dtype=np.float32)[:, None]
    away = np.abs(y - middle - slant * x)
    return np.asarray(np.clip((1.3 * half - away) / (0.3 * half), 0, 1), np.float32)
