"""Turning a stored picture upright."""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

T = TypeVar("T", bound=np.generic)

MIRROR_COLUMNS, MIRROR_ROWS, TRANSPOSE = 1, 2, 4

FLIP_OF_ORIENTATION = {1: 0, 2: 1, 3: 3, 4: 2, 5: 4, 6: 6, 7: 7, 8: 5}
"""EXIF Orientation (Exif 3.0, table of tag 0x0112) as bits: mirror columns, mirror rows, transpose."""


def upright(picture: NDArray[T], flip: int) -> NDArray[T]:
    """Return a view of `picture` (H×W or H×W×C) mirrored by the bits of `flip`, then transposed.

    The bits are LibRaw's `sizes.flip` as well; `FLIP_OF_ORIENTATION` gives them for an EXIF value.
    """
    if flip & MIRROR_ROWS:
        picture = picture[::-1]
    if flip & MIRROR_COLUMNS:
        picture = picture[:, ::-1]
    return picture.swapaxes(0, 1) if flip & TRANSPOSE else picture
