"""What solving asks of many small arrays, without the checks that NumPy spends most of its time on there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def median(values: Floats) -> float:
    """Return the median of finite `values` (n,), one or more: NumPy's own takes four times as long."""
    middle = len(values) // 2
    if len(values) % 2:
        return float(np.partition(values, middle)[middle])
    ordered = np.partition(values, (middle - 1, middle))
    return float(0.5 * (ordered[middle - 1] + ordered[middle]))


def lengths(vectors: Floats) -> Floats:
    """Return the lengths (n,) of vectors (n, k)."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", vectors, vectors)))
