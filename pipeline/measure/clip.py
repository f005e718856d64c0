"""One look at a clip, as a viewer takes it: how the ground lies, how it flashes, some pictures kept."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from pipeline.errors import EvenflightError
from pipeline.measure.flash import FlashFigures, FlashMeter
from pipeline.measure.video import ClipTrace, Picture, Run, trace_clip
from pipeline.photo.picture import read_picture


@dataclass(frozen=True)
class Seen:
    """What one look at a clip told; `kept` are the pictures that were asked for, by their place."""

    trace: ClipTrace
    flashes: FlashFigures
    kept: dict[int, Picture] = field(default_factory=dict)


def view(frames: Iterable[Picture], fps: float, keep: frozenset[int] = frozenset(), run: Run = map) -> Seen:
    """Look once at frames (H×W×3 R'G'B') that are shown at `fps`, and keep those at the places `keep`.

    `run` is that of `trace_clip`.
    """
    meter = FlashMeter(fps)
    kept: dict[int, Picture] = {}

    def watched() -> Iterator[Picture]:
        for place, frame in enumerate(frames):
            meter.feed(frame)
            if place in keep:
                kept[place] = frame
            yield frame

    trace = trace_clip(watched(), run)
    return Seen(trace, meter.figures(), kept)


def view_pictures(paths: list[Path], fps: float, keep: frozenset[int] = frozenset()) -> Seen:
    """Look at pictures shown as a clip. Raises EvenflightError where a file holds none."""
    return view((_eight_bits(path) for path in paths), fps, keep)


def _eight_bits(path: Path) -> Picture:
    picture = read_picture(path)
    if picture is None:
        raise EvenflightError(f"{path} cannot be read as a picture: make it again")
    return picture if picture.dtype == np.uint8 else (picture >> 8).astype(np.uint8)
