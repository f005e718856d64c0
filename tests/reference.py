"""The reference library for colour, which tests hold the work against."""

from __future__ import annotations

import warnings
from functools import cache
from types import ModuleType


@cache
def colour_science() -> ModuleType:
    """Import colour-science (half a second), without its remark on absent plotting."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour
