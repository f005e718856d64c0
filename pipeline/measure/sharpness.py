"""Sharpness of a frame by direction: blur along the motion lowers one of the two."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray


def directional_sharpness(grey: NDArray[np.uint8]) -> tuple[float, float]:
    """Return mean squared central differences along x and along y of an 8-bit picture, over its variance."""
    values = grey.astype(np.float32)
    spread = max(float(values.var()), 1e-6)
    along_x = float(np.mean((values[:, 2:] - values[:, :-2]) ** 2)) / spread
    along_y = float(np.mean((values[2:, :] - values[:-2, :]) ** 2)) / spread
    return along_x, along_y
