"""The finished video as the page shows it: its file, its pace, and what each of its frames stands for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.report.schema import Report, ReportedFrame

DEFAULT_FPS = 30.0


@dataclass(frozen=True)
class ShownVideo:
    """The video that the report of encode tells of; `path` is None where its file is gone or was never made.

    `fps` are its frames a second, `pace` the intervals of the timeline from frame to frame, `places[k]` the
    place in the timeline that frame k shows. `flashes_found` and `flashes_left` are the most flashes in any
    second of the photos and of the video, None where they were not measured.
    """

    path: Path | None = None
    fps: float = DEFAULT_FPS
    pace: float = 1.0
    places: tuple[float, ...] = ()
    flashes_found: float | None = None
    flashes_left: float | None = None

    @property
    def photos_per_s(self) -> float:
        """How many photos the video passes in a second."""
        return self.fps * self.pace

    def seconds(self, count: int) -> list[float | None]:
        """Return when each of `count` frames of the timeline is seen, in s; None where it is not."""
        found: list[float | None] = [None] * count
        for number, frame in enumerate(standing(self.places, count)):
            if frame is not None:
                found[frame] = number / self.fps
        return found

    def order(self, count: int) -> list[int]:
        """Return the frames of the timeline in the order of the video; all where there is none."""
        shown = [frame for frame in standing(self.places, count) if frame is not None]
        return shown or list(range(count))


def standing(places: Sequence[float], count: int) -> list[int | None]:
    """Return which frame of the timeline each video frame stands for: the first of those nearest to it."""
    best: dict[int, tuple[float, int]] = {}
    for number, place in enumerate(places):
        frame = round(place)
        if 0 <= frame < count:
            best[frame] = min(best.get(frame, (1.0, number)), (abs(place - frame), number))
    frames: list[int | None] = [None] * len(places)
    for frame, (_, number) in best.items():
        frames[number] = frame
    return frames


def shown_video(folder: Path, encode: Report | None) -> ShownVideo:
    """Return the video in `folder` that the report of encode was written with."""
    if encode is None:
        return ShownVideo()
    outputs = encode.applied.get("outputs")
    listed = [one for one in outputs if isinstance(one, dict)] if isinstance(outputs, list) else []
    latest = next((one for one in listed if one.get("fingerprint") == encode.fingerprint), None)
    latest = latest or next(iter(listed), {})
    path = folder / Path(str(latest.get("file", ""))).name
    return ShownVideo(
        path=path if path.is_file() else None,
        fps=_positive(latest.get("fps"), DEFAULT_FPS),
        pace=_positive(encode.applied.get("pace"), 1.0),
        places=tuple(_place(frame) for frame in encode.frames),
        flashes_found=encode.found.get("flashes_per_s"),
        flashes_left=encode.left.get("flashes_per_s"),
    )


def _positive(told: Any, otherwise: float) -> float:
    """Return a number as reports write it (30, "23.976", "30000/1001"), or another where it is none."""
    above, _, below = str(told).partition("/")
    try:
        value = float(above) / float(below or 1.0)
    except (ValueError, ZeroDivisionError):
        return otherwise
    return value if value > 0.0 else otherwise


def _place(frame: ReportedFrame) -> float:
    place = (frame.model_extra or {}).get("place")
    return frame.frame if place is None else float(place)
