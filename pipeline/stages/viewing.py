"""What the finished video and the photos show when looked at, by code that no solving stage uses."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Executor
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.cluster import near
from pipeline.corrections import Corrections
from pipeline.measure.clip import Seen, view, view_pictures
from pipeline.measure.triple import Shown, compare_with_photos
from pipeline.measure.video import WORKING_WIDTH, clip_figures, picture_of
from pipeline.parallel import ordered_map
from pipeline.photo.picture import read_picture
from pipeline.render.delivery import exact_rate
from pipeline.render.resample import source_scale
from pipeline.render.timing import Timing
from pipeline.settings import Settings
from pipeline.stages.result import Figures, StageResult
from pipeline.stages.thumbnails import Thumbnails

CLIP_KEYS = ("flicker_rms_ev", "flicker_worst_ev", "outlier_frames", "ground_jitter_px", "stability_score")
_UNSEEN = "too few frames show the same ground, or too little of the picture does"
_ABSENT = "the thumbnails in work/thumbs are not all there: measure the sequence again"
_COMPARED = 12  # frames that are held against their photos
_AHEAD = 4


class Viewing:
    """Looks at the finished video, and tells what is `left` there and what was `found` on the thumbnails.

    `size` is that of the video.
    """

    def __init__(
        self,
        result: StageResult,
        corrections: Corrections,
        timing: Timing,
        thumbnails: Thumbnails,
        size: tuple[int, int],
        settings: Settings,
        executor: Executor,
    ) -> None:
        self._result, self._thumbnails, self._executor = result, thumbnails, near(executor)
        self._rate = float(exact_rate(timing.fps))
        self._photo_rate = self._rate * timing.pace
        self._width = size[0]
        self._keep_s = settings.deflicker.keep_slower_than_s
        # The thumbnails show the whole photo: at the scale of the video it is wider than the video.
        self._whole_width = round(corrections.width / source_scale(corrections, size))
        self._left: Seen | None = None

    def watch(self, frames: Iterator[Any]) -> None:
        """Look at the frames (av.VideoFrame) of the video as they decode, several side by side."""
        side_by_side = partial(ordered_map, self._executor, window=_AHEAD)
        pictures = side_by_side(partial(picture_of, width=WORKING_WIDTH), frames)
        self._left = view(pictures, self._rate, self._compared(), side_by_side)

    def finish(self, path: Path) -> None:
        """Fill in the figures; `path` is the video, or folder of frames, which was perhaps not watched."""
        result = self._result
        left = self._left or view_pictures(sorted(path.glob("*.tif")), self._rate, self._compared())
        found = self._thumbnails.seen()
        _fill(
            "found",
            result.found,
            result.unmeasured,
            self._figures(found, self._photo_rate, self._whole_width),
        )
        _fill("left", result.left, result.unmeasured, self._figures(left, self._rate, self._width))
        for row, general, red in zip(result.frames, left.flashes.general, left.flashes.red, strict=False):
            row["flashes_per_s"] = float(max(general, red))
        shown = Shown(None, None, 0)
        if found is not None:
            pictures = self._thumbnails.pictures
            photos = (read_picture(pictures[result.frames[place]["frame"]]) for place in left.kept)
            pairs = zip(photos, left.kept.values(), strict=True)
            shown = compare_with_photos(((a, b) for a, b in pairs if a is not None), self._executor.map)
        result.found |= {"crop_ratio": 1.0, "distortion_value": 1.0}
        result.left |= {"crop_ratio": shown.crop_ratio, "distortion_value": shown.distortion}
        if shown.crop_ratio is None:
            reason = _ABSENT if found is None else "too little of the photos is found again in the video"
            result.unmeasured |= dict.fromkeys(("left.crop_ratio", "left.distortion_value"), reason)

    def _figures(self, seen: Seen | None, fps: float, width_px: int) -> Figures | None:
        """Return the figures of a clip that is played at `fps`, for a picture so wide."""
        if seen is None:
            return None
        clip = clip_figures(seen.trace, fps, width_px, keep_slower_than_s=self._keep_s)
        return {key: getattr(clip, key) for key in CLIP_KEYS} | {"flashes_per_s": seen.flashes.worst}

    def _compared(self) -> frozenset[int]:
        return _spread([place for place, row in enumerate(self._result.frames) if row["made"] == "photo"])


def _spread(places: list[int]) -> frozenset[int]:
    """Return at most a dozen of `places`, spread evenly."""
    if not places:
        return frozenset()
    return frozenset(places[i] for i in np.linspace(0, len(places) - 1, _COMPARED).round().astype(int))


def _fill(side: str, figures: Figures, unmeasured: dict[str, str], seen: Figures | None) -> None:
    for key in (*CLIP_KEYS, "flashes_per_s"):
        figures[key] = None if seen is None else seen[key]
        if figures[key] is None:
            unmeasured[f"{side}.{key}"] = _ABSENT if seen is None else _UNSEEN
