"""Watching a run: what it did, and whether files stayed as they were."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path


@dataclass
class Quiet:
    """Progress that only remembers."""

    steps: list[str] = field(default_factory=list)
    said: list[str] = field(default_factory=list)

    def begin(self, id: str, step: str, total: int) -> None:
        self.steps.append(step)

    def advance(self, count: int = 1) -> None:
        pass

    def end(self) -> None:
        pass

    def say(self, text: str) -> None:
        self.said.append(text)


def digests(folder: Path) -> dict[str, str]:
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }
