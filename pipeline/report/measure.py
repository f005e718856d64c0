"""What a measure is: its name, unit, definition and source."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Literal


@dataclass(frozen=True)
class Measure:
    """One measure of a sequence, as the `found` and `left` of reports hold it under `key`.

    `function` is what computes it, or the stage's function that fills it in.
    """

    key: str
    name: str
    unit: str
    better: Literal["lower", "higher"]
    definition: str
    source: str
    function: Callable[..., Any]
