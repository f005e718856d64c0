"""Constants and pictures of the invented photos."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.sequence import Triple

PATTERNS = {
    "RGGB": np.array([[0, 1], [1, 2]], np.uint8),
    "GRBG": np.array([[1, 0], [2, 1]], np.uint8),
    "GBRG": np.array([[1, 2], [0, 1]], np.uint8),
    "BGGR": np.array([[2, 1], [1, 0]], np.uint8),
}
NEUTRAL: Triple = (0.5, 1.0, 0.625)
BLACK, WHITE = 1000.0, 65000.0


def zone_plate(height: int, width: int, highest: float) -> NDArray[np.float64]:
    """Return a grey chirp (H×W×3, 0.25 ± 0.2) from its corner, of up to `highest` cycles/px."""
    y, x = np.mgrid[0:height, 0:width].astype(np.float64)
    phase = np.pi * highest / np.hypot(height, width) * (x * x + y * y)
    return np.repeat((0.25 + 0.2 * np.cos(phase))[..., np.newaxis], 3, axis=2)


def psnr(seen: NDArray[np.floating], truth: NDArray[np.floating]) -> float:
    """Return the peak signal-to-noise ratio in dB, the peak being 1."""
    return float(-10.0 * np.log10(np.mean((seen - truth) ** 2)))
