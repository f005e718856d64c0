"""Which place of the timeline each frame of the video shows.

A place is a number on the timeline: 3 is the photo of frame 3, 3.25 a quarter of the way to frame 4. In
order: the ends are trimmed, the ground speed is evened, the length is fitted to the wish, the order is
reversed. Photos are shown as they are where a place comes near enough to one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from pipeline.corrections import Corrections
from pipeline.errors import UsageError
from pipeline.measure.speed import evened_places
from pipeline.render.delivery import exact_rate
from pipeline.settings import FRAME_RATES, EncodeSettings

Floats = NDArray[np.float64]

SNAP = 0.02
"""A place no farther than this from a photo, in intervals, shows that photo itself."""

RATE_TOLERANCE = 0.03
"""A standard rate serves a wished duration which it meets within this share of it."""

_LEAST_FRAMES = 2


@dataclass(frozen=True)
class VideoFrame:
    """One frame of the video: number `number`, at `place` of the timeline.

    It lies between the photos of the frames `before` and `after` (in the order of the video), at `share`
    (0 to 1) of the way; both are the same where a photo is shown as it is. `frame` is the nearest place
    of the timeline, whose correction and photo stand here where nothing can be made between the two.
    """

    number: int
    place: float
    frame: int
    before: int
    after: int
    share: float

    @property
    def made(self) -> bool:
        """Whether it is to be made from two photos."""
        return self.before != self.after


@dataclass(frozen=True)
class Timing:
    """The frames of a video, its rate (as `encode.fps`), and sentences on what was decided.

    `pace` is how many intervals of the timeline pass from frame to frame, in the middle.
    """

    frames: tuple[VideoFrame, ...]
    fps: str
    pace: float
    notes: tuple[str, ...]


def plan_video(corrections: Corrections, settings: EncodeSettings, *, even_speed: bool = False) -> Timing:
    """Return which place each frame of the video shows.

    Raises UsageError where trimming leaves too little.
    """
    first, last = settings.trim_start, len(corrections.frames) - 1 - settings.trim_end
    if last - first + 1 < _LEAST_FRAMES:
        raise UsageError(
            f"encode.trim_start and encode.trim_end leave {max(last - first + 1, 0)} of "
            f"{len(corrections.frames)} frames, and a video needs {_LEAST_FRAMES}: trim less"
        )
    fps, count, notes = fitted_length(last - first + 1, settings)
    places = np.linspace(first, last, count)
    if even_speed:
        evened = _evened(corrections, places)
        if evened is None:
            notes.append("stabilise.even_speed: the ground speed is not known, so time stays as it was")
        else:
            places = evened
    photos = np.array([frame.frame for frame in corrections.frames if frame.shown == frame.frame])
    fill = settings.fill_missing == "flow"
    frames = [_shown(number, float(place), photos, fill, corrections) for number, place in enumerate(places)]
    if settings.reverse:
        frames = [_turned(number, frame) for number, frame in enumerate(reversed(frames))]
    pace = float(np.median(np.abs(np.diff(places))))
    return Timing(tuple(frames), fps, pace, tuple(notes))


def fitted_length(frames: int, settings: EncodeSettings) -> tuple[str, int, list[str]]:
    """Return the rate, the number of frames and notes for `frames` places and a wished duration.

    The standard rate that comes nearest to the wish serves if it meets it within 3 %; else the rate
    stays as it is set and time is remapped.
    """
    wish = settings.seconds
    if wish is None:
        return settings.fps, frames, []
    durations = {fps: float(frames / exact_rate(fps)) for fps in FRAME_RATES}
    # Among equals the rate that was set.
    nearest = min(durations, key=lambda fps: (abs(durations[fps] - wish), fps != settings.fps))
    if abs(durations[nearest] - wish) <= RATE_TOLERANCE * wish:
        told = (
            f"encode.seconds={wish:g}: {frames} frames last {durations[nearest]:.2f} s at {nearest} a second"
        )
        return nearest, frames, [told]
    count = max(round(wish * float(exact_rate(settings.fps))), _LEAST_FRAMES)
    told = (
        f"encode.seconds={wish:g}: no standard rate gives that with {frames} frames, so time is remapped "
        f"to {count} frames at {settings.fps} a second"
    )
    return settings.fps, count, [told]


def photos_per_second(frames: int, settings: EncodeSettings) -> float:
    """Return how many places of a timeline of `frames` pass in a second of video."""
    kept = max(frames - settings.trim_start - settings.trim_end, _LEAST_FRAMES)
    fps, count, _ = fitted_length(kept, settings)
    return float(exact_rate(fps)) * kept / count


def _evened(corrections: Corrections, places: Floats) -> Floats | None:
    """Return the places at which the ground passes evenly, with the same ends and as many frames."""
    told = [frame.ground_speed for frame in corrections.frames[:-1]]
    speeds = np.array([np.nan if speed is None else speed for speed in told])
    if not np.isfinite(speeds).any():
        return None
    return evened_places(speeds, float(places[0]), float(places[-1]), len(places))


def _shown(
    number: int, place: float, photos: NDArray[np.int_], fill: bool, corrections: Corrections
) -> VideoFrame:
    """Return the video frame at a place; a place without photos on both sides holds the nearest one."""
    frame = round(place)
    nearest = int(photos[np.argmin(np.abs(photos - place))])
    earlier, later = photos[photos <= place], photos[photos >= place]
    if abs(nearest - place) <= SNAP or not len(earlier) or not len(later):
        held = nearest if abs(nearest - place) <= SNAP else frame
        shown = corrections.frames[held].shown
        return VideoFrame(number, place, held, shown, shown, 0.0)
    before, after = int(earlier[-1]), int(later[0])
    gap = after - before > 1
    if gap and not fill:
        shown = corrections.frames[frame].shown
        return VideoFrame(number, place, frame, shown, shown, 0.0)
    return VideoFrame(number, place, frame, before, after, (place - before) / (after - before))


def _turned(number: int, frame: VideoFrame) -> VideoFrame:
    """Return a frame of a video that runs backwards, from its place in the one that runs forwards."""
    share = 1.0 - frame.share if frame.made else 0.0
    return replace(frame, number=number, before=frame.after, after=frame.before, share=share)
