"""From corrections to finished frames: each photo is decoded once, and a torn one has a stand-in."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from pipeline.colour.grade import Grade
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError, PhotoError
from pipeline.photo.opening import Photo, open_photo
from pipeline.render.compose import Samples, render_frame
from pipeline.render.delivery import FrameFormat

# Frames that show the same photo are rendered from one decode, so many at a time.
_RUN_FRAMES = 4


@dataclass(frozen=True)
class RenderJob:
    """What every frame of a render shares; it travels to the workers. `formats` has one for each video."""

    card: Path
    corrections: Corrections
    grade: Grade
    formats: tuple[FrameFormat, ...]


@dataclass(frozen=True)
class Rendered:
    """One finished frame: its samples in each format, the file it shows, and why that is another one."""

    correction: FrameCorrection
    samples: tuple[Samples, ...]
    shown_file: str
    trouble: str | None


def runs_of_one_photo(corrections: Corrections) -> Iterator[list[FrameCorrection]]:
    """Yield the frames in order, those next to each other that show the same photo together."""
    run: list[FrameCorrection] = []
    for frame in corrections.frames:
        if run and (frame.shown_file != run[0].shown_file or len(run) == _RUN_FRAMES):
            yield run
            run = []
        run.append(frame)
    if run:
        yield run


def render_run(job: RenderJob, run: list[FrameCorrection]) -> list[Rendered]:
    """Render frames that show the same photo, or the nearest that can be opened in its place."""
    try:
        photo, source, trouble = open_photo(job.card / run[0].shown_file), None, None
    except PhotoError as error:
        photo, source = _stand_in(job, run[0])
        trouble = f"{error}; {source.shown_file} stands in"
    rendered = []
    for frame in run:
        # A stand-in comes with its own correction; the frame's number seeds the dither.
        applied = frame if source is None else source.model_copy(update={"frame": frame.frame})
        samples = render_frame(photo, applied, job.corrections, job.grade, job.formats)
        rendered.append(Rendered(frame, samples, applied.shown_file, trouble))
    return rendered


def _stand_in(job: RenderJob, frame: FrameCorrection) -> tuple[Photo, FrameCorrection]:
    """Open the photo nearest in time to that of `frame`, other than its own."""
    others = [other for other in job.corrections.frames if other.shown_file != frame.shown_file]
    for other in sorted(others, key=lambda other: (abs(other.time_s - frame.time_s), other.frame)):
        try:
            return open_photo(job.card / other.shown_file), other
        except PhotoError:
            continue
    raise EvenflightError(f"no photo of {job.corrections.id} can be opened: is the card still in its place?")
