"""From corrections to finished frames, in the order of the video: each photo is decoded once.

A photo that cannot be opened has a stand-in. Frames that show a photo as it is are finished by the
worker that opens it. Frames made between photos, and added motion blur, take the light of neighbouring
frames: workers hand it back, and it goes on to the next step while later photos are being opened, so
that memory holds a window of frames and not the flight.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, pairwise, tee, zip_longest
from pathlib import Path
from typing import Literal

from pipeline.colour.grade import Grading
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError, PhotoError
from pipeline.parallel import ordered_map
from pipeline.photo.opening import Photo, open_photo
from pipeline.render.arrays import F16, release
from pipeline.render.compose import Samples, WorkingFrame, finish, render_frame, render_working
from pipeline.render.delivery import FrameFormat
from pipeline.render.flow import LEAST_FOLLOWED, LEAST_KNOWN, between, compare, grey
from pipeline.render.shutter import smear, velocity
from pipeline.render.timing import VideoFrame
from pipeline.render.visits import Visit, visits

Made = Literal["photo", "held", "between"]
Motions = tuple[F16, ...]


@dataclass(frozen=True)
class RenderJob:
    """What every frame of a render shares; it travels to the workers. `formats` has one for each video.

    `blur` is the length of motion blur to add to each frame, as a share of the time from frame to frame;
    empty where none is added.
    """

    card: Path
    corrections: Corrections
    grading: Grading
    formats: tuple[FrameFormat, ...]
    blur: tuple[float, ...] = ()


@dataclass(frozen=True)
class Rendered:
    """One finished frame: its samples in each format, the file it shows, and why that is another one.

    `made` says whether it is a photo in its own place, another place's photo held, or made between two;
    `consistent` is the share of pixels whose motion between those two agreed, where that was looked at.
    """

    correction: FrameCorrection
    samples: tuple[Samples, ...]
    shown_file: str
    trouble: str | None
    video: VideoFrame
    made: Made = "photo"
    consistent: float | None = None


@dataclass(frozen=True)
class Lit:
    """A frame on its way: its light before the grade, and what `Rendered` will say of it."""

    light: WorkingFrame
    told: Rendered


@dataclass(frozen=True)
class Visited:
    """What came of a visit: finished or lit frames, spares by the number of the video frame, its light."""

    visit: Visit
    shown: list[Rendered | Lit]
    spare: dict[int, Rendered | Lit]
    light: Lit | None


def rendered_frames(
    job: RenderJob, video: Iterable[VideoFrame], executor: Executor, workers: int
) -> Iterator[Rendered]:
    """Yield the finished frames of `video` in order, the same for any executor and number of workers."""
    planned = visits(job.corrections, video)
    visited = ordered_map(executor, partial(render_visit, job), planned, 2 * workers)
    frames = chain.from_iterable(_with_made(job, visited, executor, workers))
    try:
        if not job.blur:
            for frame in frames:
                assert isinstance(frame, Rendered)
                yield frame
        else:
            yield from _blurred(job, frames, executor, workers)
    finally:
        release()


def render_visit(job: RenderJob, visit: Visit) -> Visited:
    """Open a photo, or the nearest that can be opened in its place, and render all it serves."""
    own = job.corrections.frames[visit.photo]
    try:
        photo, source, trouble = open_photo(job.card / own.shown_file), None, None
    except PhotoError as error:
        photo, source = _stand_in(job, own)
        trouble = f"{error}; {source.shown_file} stands in"

    def told(frame: VideoFrame) -> Rendered:
        correction = job.corrections.frames[frame.frame]
        made: Made = "photo" if correction.shown == correction.frame else "held"
        return Rendered(correction, (), (source or own).shown_file, trouble, frame, made)

    def applied(correction: FrameCorrection) -> FrameCorrection:
        # A stand-in comes with its own correction; the frame's number seeds the dither.
        return correction if source is None else source.model_copy(update={"frame": correction.frame})

    light: Lit | None = None
    if visit.lit:
        working = render_working(photo, applied(own), job.corrections, job.formats)
        light = Lit(working, told(VideoFrame(-1, visit.photo, visit.photo, visit.photo, visit.photo, 0.0)))

    def rendered(frame: VideoFrame) -> Rendered | Lit:
        correction = applied(job.corrections.frames[frame.frame])
        if light is not None and frame.frame == own.frame:
            lit = replace(light, told=told(frame))
            return lit if job.blur else _finished(job, lit)
        if job.blur:
            return Lit(render_working(photo, correction, job.corrections, job.formats), told(frame))
        grade = job.grading.at(frame.place)
        samples = render_frame(photo, correction, job.corrections, grade, job.formats)
        return replace(told(frame), samples=samples)

    return Visited(
        visit,
        [rendered(frame) for frame in visit.shown],
        {frame.number: rendered(frame) for frame in visit.spare},
        light,
    )


def _stand_in(job: RenderJob, frame: FrameCorrection) -> tuple[Photo, FrameCorrection]:
    """Open the photo nearest in time to that of `frame`, other than its own."""
    others = [other for other in job.corrections.frames if other.shown_file != frame.shown_file]
    for other in sorted(others, key=lambda other: (abs(other.time_s - frame.time_s), other.frame)):
        try:
            return open_photo(job.card / other.shown_file), other
        except PhotoError:
            continue
    raise EvenflightError(f"no photo of {job.corrections.id} can be opened: is the card still in its place?")


def _with_made(
    job: RenderJob, visited: Iterator[Visited], executor: Executor, workers: int
) -> Iterator[list[Rendered | Lit]]:
    """Yield frames in order; those between two photos are made while later photos are opened."""
    pending: deque[list[Rendered | Lit] | Future[list[Rendered | Lit]]] = deque()
    before: Visited | None = None
    for here in visited:
        if before is not None and before.visit.made:
            assert before.light and here.light
            spare = before.spare | here.spare
            pending.append(
                executor.submit(make_between, job, before.visit.made, before.light, here.light, spare)
            )
        pending.append(here.shown)
        before = here
        while len(pending) > 2 * workers:
            yield _settled(pending.popleft())
    while pending:
        yield _settled(pending.popleft())


def _settled(frames: list[Rendered | Lit] | Future[list[Rendered | Lit]]) -> list[Rendered | Lit]:
    return frames.result() if isinstance(frames, Future) else frames


def make_between(
    job: RenderJob,
    frames: tuple[VideoFrame, ...],
    first: Lit,
    second: Lit,
    spare: dict[int, Rendered | Lit],
) -> list[Rendered | Lit]:
    """Make `frames` between two photos where their motion agrees; else hold the spare or the nearer one."""
    pictures = list(zip(first.light.pictures, second.light.pictures, strict=True))
    flows = [compare(grey(before), grey(after)) for before, after in pictures]
    consistent = min(flow.consistent for flow in flows)
    followed = min(consistent, *(flow.overlap for flow in flows))
    done: list[Rendered | Lit] = []
    for frame in frames:
        nearer = first if frame.share <= 0.5 else second
        told = replace(
            nearer.told,
            correction=job.corrections.frames[frame.frame],
            trouble=first.told.trouble or second.told.trouble,
            video=frame,
            made="held",
            consistent=consistent,
        )
        light = nearer.light
        made = [between(*pair, flow, frame.share) for pair, flow in zip(pictures, flows, strict=True)]
        if followed >= LEAST_FOLLOWED and all(known >= LEAST_KNOWN for _, known in made):
            light = WorkingFrame(tuple(picture for picture, _ in made), light.shoulder)
            told = replace(told, made="between")
        elif frame.number in spare:
            done.append(_retold(spare[frame.number], consistent))
            continue
        lit = Lit(light, told)
        done.append(lit if job.blur else _finished(job, lit))
    return done


def _retold(frame: Rendered | Lit, consistent: float) -> Rendered | Lit:
    if isinstance(frame, Lit):
        return replace(frame, told=replace(frame.told, consistent=consistent))
    return replace(frame, consistent=consistent)


def _finished(job: RenderJob, lit: Lit) -> Rendered:
    told = lit.told
    # A photo has the noise it has without effects; frames made at one place of the timeline differ in theirs.
    seed = told.video.number if told.made == "between" else told.correction.frame
    return replace(told, samples=finish(lit.light, job.grading.at(told.video.place), job.formats, seed))


def _blurred(
    job: RenderJob, frames: Iterator[Rendered | Lit], executor: Executor, workers: int
) -> Iterator[Rendered]:
    """Add the wished motion blur: each frame along its motion from the one before and to the one after."""
    lit, ahead = tee(frame for frame in frames if isinstance(frame, Lit))
    moved = ordered_map(executor, motions, pairwise(ahead), workers + 1)

    def windows() -> Iterator[tuple[Lit, Motions | None, Motions | None]]:
        earlier: Motions | None = None
        for frame, motion in zip_longest(lit, moved):
            yield frame, earlier, motion[0] if motion else None
            earlier = motion[1] if motion else None

    yield from ordered_map(executor, partial(blur, job), windows(), workers + 1)


def motions(pair: tuple[Lit, Lit]) -> tuple[Motions, Motions]:
    """Return the trusted motion from each of two neighbouring frames to the other, for each size."""
    flows = [
        compare(grey(here), grey(there))
        for here, there in zip(pair[0].light.pictures, pair[1].light.pictures, strict=True)
    ]
    return tuple(flow.forward.trusted() for flow in flows), tuple(flow.backward.trusted() for flow in flows)


def blur(job: RenderJob, window: tuple[Lit, Motions | None, Motions | None]) -> Rendered:
    """Return a finished frame with the blur it is to have."""
    lit, earlier, later = window
    length = job.blur[lit.told.video.number]
    if length > 0.0 and (earlier or later):
        pictures = tuple(
            smear(picture, velocity(earlier[k] if earlier else None, later[k] if later else None), length)
            for k, picture in enumerate(lit.light.pictures)
        )
        lit = replace(lit, light=replace(lit.light, pictures=pictures))
    return _finished(job, lit)
