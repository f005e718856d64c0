"""Which photos a render opens, in which order, and what each serves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import groupby, islice

from pipeline.corrections import Corrections
from pipeline.render.timing import VideoFrame

_RUN_FRAMES = 4
"""Frames that show the same photo, or are made between the same two, are rendered so many at a time."""


@dataclass(frozen=True)
class Visit:
    """All that is wanted from one decode of the photo of the frame `photo`.

    `shown` are the video frames that show it; `made` those to be made between it and the photo of the
    next visit, `spare` those on either side that hold it where nothing can be made. `lit` says that the
    frames to be made need its light.
    """

    photo: int
    shown: tuple[VideoFrame, ...] = ()
    made: tuple[VideoFrame, ...] = ()
    spare: tuple[VideoFrame, ...] = ()
    lit: bool = False


def visits(corrections: Corrections, video: Iterable[VideoFrame]) -> Iterator[Visit]:
    """Yield the visits of a render in order. Each made frame stands in the visit of the photo before it."""
    visit: Visit | None = None
    for frames in _runs(video):
        before, after = frames[0].before, frames[0].after
        full = visit is not None and len(visit.shown) + len(frames) > _RUN_FRAMES and before == after
        if visit is None or visit.photo != before or full:
            if visit is not None:
                yield visit
            visit = Visit(before)
        if before == after:
            visit = replace(visit, shown=(*visit.shown, *frames))
            continue
        yield replace(visit, made=frames, spare=visit.spare + _spares(corrections, frames, before), lit=True)
        visit = Visit(after, spare=_spares(corrections, frames, after), lit=True)
    if visit is not None:
        yield visit


def _runs(video: Iterable[VideoFrame]) -> Iterator[tuple[VideoFrame, ...]]:
    """Yield runs of frames that show the same photo or lie between the same two."""
    for _, frames in groupby(video, lambda frame: (frame.before, frame.after)):
        while run := tuple(islice(frames, _RUN_FRAMES)):
            yield run


def _spares(corrections: Corrections, frames: tuple[VideoFrame, ...], photo: int) -> tuple[VideoFrame, ...]:
    """Return those whose own photo is missing and which would hold `photo`."""
    return tuple(
        frame
        for frame in frames
        if abs(frame.after - frame.before) > 1 and corrections.frames[frame.frame].shown == photo
    )
