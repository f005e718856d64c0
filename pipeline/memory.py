"""Memory that is no longer used, given back to the system."""

from __future__ import annotations

import ctypes
import sys


def give_back() -> None:
    """Have the allocator give freed memory back to the system, where it is one that keeps it.

    That of glibc keeps what lies between things still in use. After measuring photos of 12 megapixels that
    was 300 MB, on which the memory of the render came on top.
    """
    if sys.platform != "linux":
        return
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)  # there are other libraries of C
    if trim is not None:
        trim(0)
