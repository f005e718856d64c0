"""How much light of haze lies over a frame."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.sequence import Triple

_STRIDE = 6
_PATCH = 3
_DARKEST_PERCENT = 3.0


def veil_share(rgb: NDArray[np.float32], neutral: Triple | None) -> float:
    """Return the share of haze in the light of the clearest parts of a linear picture (h, w, 3).

    After the dark channel of K. He, J. Sun, X. Tang (Single image haze removal using dark channel prior,
    IEEE PAMI 33(12), 2011): nearly every patch of a clear outdoor picture has some pixel that is dark in
    some channel; what light is left there is the veil's. Told over the light of white surfaces and sky
    (the 99.5th percentile), and of the darkest 3 % of patches, which are the near and clear ones.
    """
    small = rgb[::_STRIDE, ::_STRIDE] / np.asarray(neutral or (1.0, 1.0, 1.0), np.float32)
    lowest = np.ascontiguousarray(small.min(axis=2))
    dark = cv2.erode(lowest, np.ones((_PATCH, _PATCH), np.uint8))
    bright = float(np.percentile(lowest, 99.5))
    return float(np.clip(np.percentile(dark, _DARKEST_PERCENT) / max(bright, 1e-6), 0.0, 1.0))
