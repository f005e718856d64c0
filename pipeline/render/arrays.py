"""Arrays the render works on: parts of a picture, and work arrays that are used again."""

from __future__ import annotations

import threading
from collections.abc import Iterable
from dataclasses import dataclass
from weakref import WeakValueDictionary

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


class _Arrays(dict[str, F32]):
    """The work arrays of one thread."""


_own = threading.local()
_of_threads: WeakValueDictionary[int, _Arrays] = WeakValueDictionary()


def reused(name: str, shape: tuple[int, ...]) -> F32:
    """Return this thread's float32 work array `name`; fresh memory costs more than the arithmetic on it."""
    arrays: _Arrays | None = getattr(_own, "arrays", None)
    if arrays is None:
        arrays = _own.arrays = _of_threads[threading.get_ident()] = _Arrays()
    size = int(np.prod(shape))
    array = arrays.get(name)
    if array is None or array.size < size:
        array = arrays[name] = np.empty(size, np.float32)
    return array[:size].reshape(shape)


def release() -> None:
    """Let go of the work arrays of all threads: some 200 MB each after photos of 12 megapixels."""
    for arrays in list(_of_threads.values()):
        arrays.clear()
