"""Invented flights as tiny JPEGs, and what a scan of them says in short."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from pipeline.card.scan import CardContents, scan_card
from pipeline.sequence import Sequence
from pipeline.settings import LoadSettings
from tests.small_photos import write_jpeg


def scan(card: Path, *leave_out: str) -> CardContents:
    return scan_card(card, LoadSettings(leave_out=leave_out))


def only(card: Path) -> Sequence:
    contents = scan(card)
    assert (len(contents.sequences), len(contents.singles)) == (1, 0), contents
    return contents.sequences[0]


def states(sequence: Sequence) -> dict[int, str]:
    return {frame.frame: frame.state for frame in sequence.frames if frame.state != "photo"}


def numbers(sequence: Sequence) -> list[int | None]:
    return [None if f.file is None else int(Path(f.file).stem[-4:]) for f in sequence.frames]


def flight(
    folder: Path,
    clocks: list[float] | np.ndarray,
    first: int = 1,
    *,
    exif: dict[str, str] | None = None,
    **how: Any,
) -> list[Path]:
    """Write a JPEG for each time, numbered on from `first` and from 9999 to 0001."""
    paths = []
    for i, clock in enumerate(clocks):
        path = folder / f"HRN_{(first + i - 1) % 9999 + 1:04d}.JPG"
        # as of no two shots, no two files are equal
        tags = {"Exif.Image.ImageDescription": f"invented {i}", **(exif or {})}
        paths.append(write_jpeg(path, float(clock), exif=tags, **how))
    return paths
