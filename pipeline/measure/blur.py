"""How blurred a frame is, along and across: by itself, and against its neighbours on the same ground."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.measure.light import BlockRatios, block_means

Grey = NDArray[np.uint8]
Floats = NDArray[np.float32]

_LONG_PX = 11
LEAST_BLOCKS = 24


def blur_effect(grey: Grey) -> tuple[float, float]:
    """Return the blur along x and along y of an 8-bit picture, from 0 (sharp) to 1.

    F. Crete, T. Dolmiere, P. Ladret, M. Nicolas, The blur effect, Proc. SPIE 6492 (2007): the share of
    the differences between neighbours that a further blur of 11 px leaves. A blurred picture has little
    to lose. Every other line is looked at.
    """
    along_x = _left_by_blur(grey[::2])
    along_y = _left_by_blur(np.ascontiguousarray(grey[:, ::2].T))
    return along_x, along_y


def _left_by_blur(lines: Grey) -> float:
    sharp = lines.astype(np.float32)
    soft = cv2.blur(sharp, (_LONG_PX, 1), borderType=cv2.BORDER_REFLECT)
    before = np.abs(sharp[:, 1:] - sharp[:, :-1])
    after = np.abs(soft[:, 1:] - soft[:, :-1])
    lost = np.maximum(before - after, 0.0)
    total = float(before.sum())
    return 1.0 if total <= 0.0 else float((total - float(lost.sum())) / total)


def texture_map(grey: Grey) -> Floats:
    """Return the mean gradient energy (h // 16, w // 16) of the blocks of an 8-bit picture."""
    values = grey.astype(np.float32)
    energy = np.zeros_like(values)
    energy[:, 1:-1] += (values[:, 2:] - values[:, :-2]) ** 2
    energy[1:-1] += (values[2:] - values[:-2]) ** 2
    return block_means(energy)


def sharpness_ratio(first: Floats, second: Floats, blocks: BlockRatios) -> float | None:
    """Return log2 of how much more gradient energy `second` has than `first` on the same ground.

    Both are `texture_map`s of pictures of one size, `blocks` their common blocks. None where fewer than
    24 blocks are shared.
    """
    if len(blocks.place_i) < LEAST_BLOCKS:
        return None
    here = _at(first, blocks.place_i)
    there = _at(second, blocks.place_j)
    return float(np.median(np.log2((there + 1.0) / (here + 1.0))))


def _at(texture: Floats, place: Floats) -> Floats:
    """Values of a map at places as `light.from_centre` gives them."""
    high, wide = texture.shape
    reach = 0.5 * np.hypot(high, wide)
    x = np.clip(np.round(place[:, 0] * reach + (wide - 1) / 2.0), 0, wide - 1).astype(int)
    y = np.clip(np.round(place[:, 1] * reach + (high - 1) / 2.0), 0, high - 1).astype(int)
    return np.asarray(texture[y, x])
