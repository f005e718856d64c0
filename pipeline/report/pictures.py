"""The small pictures on the page: each photo as it was, and the frame of the video it became."""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pipeline.errors import EvenflightError
from pipeline.measure.flash import MOST_FLASHES, FlashMeter
from pipeline.measure.video import frames_of
from pipeline.report.shown import ShownVideo, standing

WIDTH_PX = 320
STILL_WIDTH_PX = 640
# All small pictures together, before base64 makes a third more of them; the page stays under 15 MB.
BUDGET_BYTES = 6_600_000
MOST_PICTURES = 1500
_QUALITY, _STILL_QUALITY = 68, 80
_LEAST_SCALE = 0.3


@dataclass
class Side:
    """One picture for each frame, before or after; None where there is none.

    `pictures` are JPEGs, `still` a larger one of the frame `still_frame`, `width` × `height` the size of the
    small ones. `flashes` is the most flashes in any second when they are played, by WCAG's count.
    """

    pictures: list[bytes | None]
    still: bytes | None = None
    still_frame: int = 0
    width: int = WIDTH_PX
    height: int = WIDTH_PX * 3 // 4
    flashes: float = 0.0
    why_not: str | None = None

    @property
    def beyond(self) -> bool:
        """Whether playing them exceeds WCAG's limit of flashes."""
        return self.flashes > MOST_FLASHES

    def as_json(self) -> dict[str, Any]:
        """Return what the page's script reads."""
        return {
            "pictures": [_base64(picture) for picture in self.pictures],
            "still": _base64(self.still),
            "stillFrame": self.still_frame,
            "width": self.width,
            "height": self.height,
            "flashes": self.flashes,
            "beyond": self.beyond,
            "whyNot": self.why_not,
        }


@dataclass
class _Collected:
    """Pictures on their way in: encoded at once, so that only one is in memory whole."""

    side: Side
    meter: FlashMeter | None
    _shape: tuple[int, ...] | None = None

    def take(self, frame: int | None, picture: Any, every: int) -> None:
        """Take the picture of `frame`, or for the flashes alone where it stands for none."""
        import cv2

        height = max(2, round(picture.shape[0] * WIDTH_PX / picture.shape[1]))
        small = cv2.resize(picture, (WIDTH_PX, height), interpolation=cv2.INTER_AREA)
        self.side.width, self.side.height = WIDTH_PX, height
        if self.meter is not None and self._shape in (None, picture.shape):
            self.meter.feed(picture)
            self._shape = picture.shape
        if frame is not None and frame % every == 0:
            self.side.pictures[frame] = _jpeg(small, _QUALITY)
        if frame == self.side.still_frame:
            self.side.still = _jpeg(_at_most(picture, STILL_WIDTH_PX), _STILL_QUALITY)

    def done(self) -> Side:
        if self.meter is not None and self._shape is not None:
            self.side.flashes = self.meter.figures().worst
        return self.side


def pictures_of(folder: Path, count: int, video: ShownVideo, still_frame: int) -> tuple[Side, Side]:
    """Return the pictures of `count` frames before and after, small enough for the page together.

    Before: the thumbnails in `folder`/work/thumbs. After: the frames of `video`. `still_frame` is the frame
    of the larger still. Flashes that were not measured are counted here. Of more than `MOST_PICTURES` frames
    only every so-manieth has a picture.
    """
    every = math.ceil(count / MOST_PICTURES) if count else 1
    sides = [
        _Collected(
            Side([None] * count, still_frame=still_frame, flashes=told or 0.0),
            FlashMeter(video.photos_per_s) if told is None else None,
        )
        for told in (video.flashes_found, video.flashes_left)
    ]
    before = _before(folder / "work" / "thumbs", sides[0], every)
    after = _after(video, sides[1], every)
    total = sum(len(picture) for side in (before, after) for picture in side.pictures if picture)
    if total > BUDGET_BYTES:
        scale = max(_LEAST_SCALE, math.sqrt(BUDGET_BYTES / total) * 0.98)
        for side in (before, after):
            _shrink(side, scale)
    return before, after


def _before(thumbs: Path, collected: _Collected, every: int) -> Side:
    from pipeline.photo.picture import read_picture

    for frame in range(len(collected.side.pictures)):
        picture = read_picture(thumbs / f"{frame:05d}.jpg")
        if picture is not None:
            collected.take(frame, picture, every)
    side = collected.done()
    if not any(side.pictures):
        side.why_not = "The small pictures in work/thumbs are gone: measure the sequence again."
    return side


def _after(video: ShownVideo, collected: _Collected, every: int) -> Side:
    if video.path is None:
        collected.side.why_not = "There is no video of this flight here."
        return collected.side
    try:
        stands_for = standing(video.places, len(collected.side.pictures))
        for frame, picture in zip(stands_for, frames_of(video.path, STILL_WIDTH_PX), strict=False):
            collected.take(frame, picture, every)
    except EvenflightError as error:
        collected.side.why_not = f"{error}."
    return collected.done()


def _shrink(side: Side, scale: float) -> None:
    """Make every small picture of a side smaller."""
    import cv2
    import numpy as np

    width, height = max(2, round(side.width * scale)), max(2, round(side.height * scale))
    for frame, picture in enumerate(side.pictures):
        if picture is not None:
            whole: Any = cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)
            small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
            side.pictures[frame] = _encoded(small, _QUALITY)
    side.width, side.height = width, height


def _at_most(picture: Any, width: int) -> Any:
    import cv2

    if picture.shape[1] <= width:
        return picture
    height = max(2, round(picture.shape[0] * width / picture.shape[1]))
    return cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)


def _jpeg(rgb: Any, quality: int) -> bytes:
    return _encoded(rgb[..., ::-1], quality)


def _encoded(bgr: Any, quality: int) -> bytes:
    import cv2

    settings = [cv2.IMWRITE_JPEG_QUALITY, quality, cv2.IMWRITE_JPEG_OPTIMIZE, 1]
    return bytes(cv2.imencode(".jpg", bgr, settings)[1].tobytes())


def _base64(picture: bytes | None) -> str | None:
    return None if picture is None else base64.b64encode(picture).decode("ascii")
