"""Small made-up worlds and flights for the tests of the demo."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.buildings import Building
from pipeline.demo.flight import FlightSpec
from pipeline.demo.texture import mipmap
from pipeline.demo.world import World

TEXELS, TEXEL_M = 2048, 0.25
CALM: dict[str, Any] = {
    "size": (320, 240),
    "shake_deg": 0.0,
    "shake_rate_deg_s": 0.0,
    "jitter_m": 0.0,
    "clock_jitter_s": 0.0,
    "flicker_ev": 0.0,
    "light_ev": 0.0,
    "wander_mired": 0.0,
    "vignette_ev": (0.0, 0.0, 0.0),
    "noise": False,
    "frames": 3,
    "height_m": 40.0,
    "start_m": (0.0, -40.0),
    "heading_deg": 0.0,
}


def calm(**changes: Any) -> FlightSpec:
    """A short flight of small pictures in which nothing is disturbed unless it is asked for."""
    return replace(FlightSpec(), **{**CALM, **changes})


def flat_world(
    ground: NDArray[np.float32] | float = 0.2, buildings: tuple[Building, ...] = (), sky: float = 0.2
) -> World:
    """A plain without water: `ground` is its grey, one value or a map of 2048×2048 texels of 0.25 m."""
    land = np.ones((TEXELS, TEXELS, 4), np.float32)
    land[..., :3] *= np.asarray(ground, np.float32)[..., None] if np.ndim(ground) else np.float32(ground)
    none = np.zeros((64, 64, 3), np.float32)
    return World(
        land=mipmap([land], TEXEL_M, unit=32768.0),
        kinds=mipmap([none], TEXEL_M * TEXELS / 64, unit=32768.0),
        detail=mipmap([none + 1], 0.1),
        waves=mipmap([none[..., :1] + 1], 0.1),
        sky=np.full((8, 16, 3), sky, np.float32),
        faces=tuple(tuple(b.faces()) for b in buildings),
        boats=(),
    )


def spots(places: list[tuple[float, float]]) -> NDArray[np.float32]:
    """A dark ground map with soft bright spots (sigma 0.3 m) at places given as metres east and north."""
    axis = (np.arange(TEXELS) + 0.5 - TEXELS / 2) * TEXEL_M
    ground = np.full((TEXELS, TEXELS), 0.02, np.float32)
    for east, north in places:
        across = np.exp(-((axis - east) ** 2) / (2 * 0.3**2))
        up = np.exp(-((-axis - north) ** 2) / (2 * 0.3**2))
        ground += np.outer(up, across).astype(np.float32)
    return ground


def centre_near(picture: NDArray[np.float32], pixel: NDArray[np.float64], reach: int) -> NDArray[np.float64]:
    """Centre of the light (x, y) above the background, within `reach` px of a pixel."""
    x0, y0 = (round(float(v)) for v in pixel)
    part = picture[y0 - reach : y0 + reach + 1, x0 - reach : x0 + reach + 1].mean(axis=2)
    weight = np.maximum(part - part.min() - 0.002, 0)
    y, x = np.mgrid[y0 - reach : y0 + reach + 1, x0 - reach : x0 + reach + 1]
    return np.array([(weight * x).sum(), (weight * y).sum()]) / weight.sum()
