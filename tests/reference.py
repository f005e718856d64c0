"""The reference library for colour, which tests hold the work against."""

from __future__ import annotations

import warnings
from functools import cache
from types import ModuleType
from typing import Any

import numpy as np
from numpy.typing import NDArray


@cache
def colour_science() -> ModuleType:
    """Import colour-science (half a second), without its remark on absent plotting."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def bt1886_to_linear(code: Any) -> NDArray[np.float64]:
    """Return the display's linear light of codes 0..1 by ITU-R BT.1886, annex 1, black at 0."""
    return np.asarray(colour_science().models.eotf_BT1886(code))


def linear_to_bt1886(level: Any) -> NDArray[np.float64]:
    """Return the code 0..1 that a BT.1886 display shows as the linear light `level`."""
    return np.asarray(colour_science().models.eotf_inverse_BT1886(level))
