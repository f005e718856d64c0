"""Arrays the render works on: parts of a picture, and work arrays that are used again."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

F16 = NDArray[np.float16]
F32 = NDArray[np.float32]
F64 = NDArray[np.float64]

# Rows handled at a time: a strip and its intermediate arrays stay in the processor's cache.
STRIP_ROWS = 64


@dataclass(frozen=True)
class Box:
    """A part of a picture: rows top..bottom-1, columns left..right-1."""

    top: int
    bottom: int
    left: int
    right: int


def enclosing(boxes: Iterable[Box]) -> Box:
    """Return the smallest box that holds all of `boxes`."""
    every = list(boxes)
    return Box(
        min(box.top for box in every),
        max(box.bottom for box in every),
        min(box.left for box in every),
        max(box.right for box in every),
    )


_own = threading.local()


def reused(name: str, shape: tuple[int, ...]) -> F32:
    """Return this thread's float32 work array `name`; fresh memory costs more than the arithmetic on it."""
    arrays: dict[str, F32] = _own.__dict__.setdefault("arrays", {})
    size = int(np.prod(shape))
    if name not in arrays or arrays[name].size < size:
        arrays[name] = np.empty(size, np.float32)
    return arrays[name][:size].reshape(shape)
