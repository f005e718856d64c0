"""Exiv2, for one thread at a time: the XMP toolkit inside it keeps global state."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock
from types import ModuleType

_lock = Lock()


@contextmanager
def exiv2_alone() -> Iterator[ModuleType]:
    """Yield the module exiv2, imported when first needed, silent, and used by no other thread meanwhile.

    Exiv2 ends the whole process when it is asked for a tag whose name it does not know: only ever ask
    for keys that iterating over the data has shown, or that are surely in its tables.
    """
    import exiv2

    with _lock:
        exiv2.LogMsg.setLevel(exiv2.LogMsg.Level.mute)
        yield exiv2
