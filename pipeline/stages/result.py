"""What a stage hands to its report."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

Figures = dict[str, float | int | None]


@dataclass
class StageResult:
    """Outcome of one stage.

    `found` and `left` hold the same keys, measured before the stage and after its correction. A value
    that could not be measured is None, with its reason in `unmeasured` under "found.<key>" or
    "left.<key>". `applied` says what was done, `frames` what was done to each frame of the timeline.
    """

    found: Figures = field(default_factory=dict)
    applied: dict[str, Any] = field(default_factory=dict)
    left: Figures = field(default_factory=dict)
    frames: list[dict[str, Any]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    unmeasured: dict[str, str] = field(default_factory=dict)
