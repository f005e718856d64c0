"""The top of the scale: the white that a sequence shares, and what lies above the first clipped channel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.display import SHOULDER_START, clip_to_white, shoulder

F32 = NDArray[np.float32]
Floats = NDArray[np.float64]

MOST_REACH = 1.4
"""The most that the shoulder can take in without losing order: start + 3 (1 - start)."""

_NEAR_CEILING = 0.95
_OUTLIER_EV = 0.25


def common_white(gain_ev: Floats, channel_ev: Floats, white: float) -> float:
    """Return the lowest gained saturation over the frames that are not outliers, as a share of saturation.

    `gain_ev` (n,) is the gain of each frame and `white` the lowest 2**gain_ev over frames that are no
    outliers of exposure; `channel_ev` (n,) is where, after neutral and channel gains, the first channel
    clips. A frame whose colour is an outlier (by 0.25 EV) does not count either.
    """
    ordinary = np.exp2(gain_ev) >= white * (1.0 - 1e-6)
    ordinary &= channel_ev >= np.median(channel_ev) - _OUTLIER_EV
    levels = np.exp2(gain_ev + channel_ev)
    return float(levels[ordinary].min() if ordinary.any() else levels.min())


def rebuild_to_white(rgb: F32, white: float, ceilings: F32) -> F32:
    """Return white-balanced, gained RGB (H×W×3) with what lies above the common `white` rolled to 1.

    `ceilings` (3,) are the levels at which the channels of this frame clip. After white balance they
    differ: where one channel has clipped, the others go on. A clipped channel is told from those that
    are not, as the grey that they make (what is brighter than white is cloud, sun or glint, nearly
    always), and never lies below its own ceiling. So the picture holds up to the level at which the
    second channel clips; the shoulder brings that, or 1.4 times the white if that is less, to 1.
    """
    clipped = np.clip((rgb / ceilings - _NEAR_CEILING) / (1.0 - _NEAR_CEILING), 0.0, 1.0)
    free = np.float32(1.0) - clipped
    weight = free.sum(axis=-1, keepdims=True)
    told = (rgb * free).sum(axis=-1, keepdims=True) / np.maximum(weight, np.float32(1e-3))
    # Where hardly a channel is free, the one that reached highest tells the most.
    told = np.where(weight > 1e-3, told, rgb.max(axis=-1, keepdims=True))
    rebuilt = rgb + clipped * (np.maximum(told, rgb) - rgb)
    low, middle, high = np.sort(ceilings)
    reach = float(np.clip(middle / low, 1.0, MOST_REACH))
    scaled = clip_to_white(np.asarray(rebuilt, np.float32), white * reach, float(high))
    return shoulder(scaled * np.float32(reach), SHOULDER_START, reach)
