"""What all work on a card shares: the photos, settings and workers, and what is told of the work."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from pipeline.settings import Configured

SOLVE_VERSION = 12
"""Raised when a stage solves or renders differently, so that results of an older version are made anew."""


class Progress(Protocol):
    """What a run tells while it works."""

    def begin(self, id: str, step: str, total: int) -> None:
        """Start a step of a sequence that counts to `total`."""

    def advance(self, count: int = 1) -> None:
        """Count."""

    def end(self) -> None:
        """End the step."""

    def say(self, text: str) -> None:
        """Show a line of text."""


@dataclass
class Outcome:
    """What became of one sequence. `left_out` names photos that are not in the video, and why."""

    id: str
    folder: Path
    videos: list[Path] = field(default_factory=list)
    left_out: list[tuple[str, str]] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)
    seconds: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Workshop:
    """What all work on a card shares: where the photos are, the settings, the workers, the progress."""

    card: Path
    configured: Configured
    executor: Executor
    workers: int
    progress: Progress
