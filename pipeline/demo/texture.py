"""Noise and textures with mipmaps: the raw stuff of the invented world, all in linear light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]


@dataclass(frozen=True)
class Mipmap:
    """A texture and its halved versions, uint16 with `unit` standing for 1.0.

    Level k's pixel centres lie at (p + 0.5) / 2^k - 0.5 of level 0's.
    """

    levels: tuple[NDArray[np.uint16], ...]
    texel_m: float
    unit: float


def mipmap(parts: list[Float32], texel_m: float, unit: float = 8192.0) -> Mipmap:
    """Build the levels of a square texture by averaging 2×2, down to 16 px.

    `parts` are N×N or N×N×C, N a power of two; their channels are put side by side.
    """
    size = parts[0].shape[0]
    channels = sum(part.shape[2] if part.ndim == 3 else 1 for part in parts)
    level: NDArray[np.uint16] = np.empty((size, size, channels), np.uint16)
    for row in range(0, size, 64):  # strips that stay in the processor's cache
        strip = np.dstack([part[row : row + 64] for part in parts])
        level[row : row + 64] = np.clip(strip * np.float32(unit) + np.float32(0.5), 0, 65535)
    levels = [level]
    while level.shape[0] > 16:
        half = (level.shape[1] // 2, level.shape[0] // 2)
        level = np.asarray(cv2.resize(level, half, interpolation=cv2.INTER_AREA), np.uint16)
        levels.append(level)
    return Mipmap(tuple(levels), texel_m, unit)


def fractal_noise(rng: np.random.Generator, size: int, cell: float, octaves: int = 4) -> Float32:
    """Smooth noise, size×size, about zero with a standard deviation near 1; `cell` px is its coarsest grain.

    Octaves halve in grain and fall to 0.55 in amplitude; those under 1.5 px are left out. Grains of 16 px
    and more are made at a quarter of the size, which saves most of the time and cannot be seen. Whatever
    the size, `rng` gives one number, so that a map has the same coarse shapes at any resolution.
    """
    rng = np.random.default_rng(rng.integers(2**63))
    total = np.zeros((size, size), np.float32)
    coarse = np.zeros((size // 4, size // 4), np.float32)
    weight, power = 1.0, 0.0
    for _ in range(octaves):
        target, grain = (coarse, cell / 4) if cell >= 16 else (total, cell)
        cells = int(target.shape[0] / grain) + 4
        grid = np.float32(weight) * rng.standard_normal((cells, cells), np.float32)
        # An affine map enlarges the grid so that its grain is `cell` whatever the size.
        matrix = np.array([[1 / grain, 0, 1.0], [0, 1 / grain, 1.0]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        target += cv2.warpAffine(grid, matrix, target.shape[::-1], flags=flags)
        power += 0.6 * weight**2
        weight, cell = weight * 0.55, cell / 2
        if cell < 1.5:
            break
    total += cv2.resize(coarse, (size, size), interpolation=cv2.INTER_LINEAR)
    total /= np.float32(np.sqrt(power))
    return total


def tiling_noise(
    rng: np.random.Generator, size: int, slope: float, coarsest: float, finest: float = 2.0
) -> Float32:
    """Noise that tiles without a seam, standard deviation 1, amplitude ∝ f^-slope within two periods."""
    spectrum = np.fft.rfft2(rng.standard_normal((size, size)))
    fy, fx = np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :]
    f = np.hypot(fx, fy)
    f[0, 0] = 1.0
    shape = f**-slope / (1 + (1 / (coarsest * f)) ** 4) * np.exp(-((f * finest) ** 2))
    shape[0, 0] = 0.0
    noise = np.fft.irfft2(spectrum * shape, (size, size))
    return np.asarray(noise / noise.std(), np.float32)


def scatter_on_tile(
    rng: np.random.Generator,
    size: int,
    count: int,
    radius: tuple[float, float],
    value: tuple[float, float],
    stretch: float = 1.6,
) -> Float32:
    """Logarithmic brightness of `count` random ellipses on a seamless size×size tile."""
    pad = int(radius[1] * stretch) + 2
    canvas = np.zeros((size + 2 * pad, size + 2 * pad), np.float32)
    for _ in range(count):
        x, y = rng.uniform(0, size, 2)
        r = rng.uniform(*radius)
        axes = (max(1, round(r * rng.uniform(1, stretch))), max(1, round(r)))
        angle, shade = rng.uniform(0, 180), rng.uniform(*value)
        for dx in (-size, 0, size):
            for dy in (-size, 0, size):
                cx, cy = round(x + dx + pad), round(y + dy + pad)
                if -pad < cx - pad < size + pad and -pad < cy - pad < size + pad:
                    cv2.ellipse(canvas, (cx, cy), axes, angle, 0, 360, float(shade), -1)
    return canvas[pad:-pad, pad:-pad]


def detail_tile(rng: np.random.Generator, size: int) -> Float32:
    """Fine structure as factors with mean 1, size×size×3: grass and scrub, tilled soil, stone and gravel."""
    share = (size / 2048) ** 2
    grass = 0.22 * tiling_noise(rng, size, 1.0, 60) + 0.14 * tiling_noise(rng, size, 0.3, 12)
    grass += scatter_on_tile(rng, size, int(9000 * share), (2, 6), (-0.55, 0.2), 2.4)
    grass += scatter_on_tile(rng, size, int(4000 * share), (1, 4), (0.1, 0.6), 2.0)
    along = np.arange(size, dtype=np.float32) * np.float32(2 * np.pi / size)
    rows = np.sin(along[None, :] * 53 * (size // 512) + along[:, None] * 23 * (size // 512))
    soil = 0.12 * rows * (1 + 0.4 * tiling_noise(rng, size, 0.8, 300)) + 0.12 * tiling_noise(
        rng, size, 0.8, 80
    )
    soil += scatter_on_tile(rng, size, int(6000 * share), (1, 5), (-0.5, 0.35))
    stone = 0.16 * tiling_noise(rng, size, 0.6, 40)
    stone += scatter_on_tile(rng, size, int(12000 * share), (1, 6), (-0.6, 0.45), 1.4)
    tile = np.exp(np.dstack([grass, soil, stone]).astype(np.float32))
    tile /= tile.mean(axis=(0, 1), keepdims=True)
    return tile


def wave_tile(rng: np.random.Generator, size: int) -> Float32:
    """Brightness of a rippled water surface, size×size×1, mean 1, with sparse glints many times brighter."""
    slope = tiling_noise(rng, size, 1.1, 90) + 0.5 * tiling_noise(rng, size, 0.2, 10)
    body = 1 + 0.16 * slope
    glints = np.maximum(tiling_noise(rng, size, 0.3, 14) + 0.45 * slope - 2.6, 0)
    tile = np.clip(body, 0.4, 2) + 2.2 * glints
    return np.asarray(tile / tile.mean(), np.float32)[..., None]
