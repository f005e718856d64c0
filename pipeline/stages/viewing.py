"""What the finished video and the photos show when looked at, by code that no solving stage uses."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from concurrent.futures import Executor, Future
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import imageio.v3 as iio
import numpy as np
from numpy.typing import NDArray

from pipeline.cluster import near
from pipeline.corrections import Corrections
from pipeline.fingerprint import fingerprint
from pipeline.measure.flash import FlashFigures, FlashMeter
from pipeline.measure.highpass import FILTER_VERSION
from pipeline.measure.triple import Shown, compare_with_photos
from pipeline.measure.video import WORKING_WIDTH, ClipFigures, Picture, measure_clip, picture_of
from pipeline.parallel import ordered_map
from pipeline.render.delivery import exact_rate
from pipeline.render.resample import source_scale
from pipeline.render.timing import Timing
from pipeline.settings import Settings
from pipeline.stages.result import Figures, StageResult

CLIP_KEYS = ("flicker_rms_ev", "flicker_worst_ev", "outlier_frames", "ground_jitter_px", "stability_score")
VIEW_VERSION = 3  # raise it when the thumbnails of a flight are measured differently
_UNSEEN = "too few frames show the same ground, or too little of the picture does"
_COMPARED = 12  # frames that are held against their photos
_REDUCED_AHEAD = 4


@dataclass(frozen=True)
class Seen:
    """What one look at a clip told; `kept` are the pictures that were asked for, by their place."""

    clip: ClipFigures
    flashes: FlashFigures
    kept: dict[int, Picture]


class Viewing:
    """Looks at the photos' thumbnails and at the finished video, and tells what was `found` and is `left`.

    `size` is that of the video. What the thumbnails show is kept beside them, for another grade or delivery
    changes nothing of it; where it is not yet known one worker looks at them while the video decodes.
    """

    def __init__(
        self,
        result: StageResult,
        corrections: Corrections,
        timing: Timing,
        thumbnails: Path,
        size: tuple[int, int],
        settings: Settings,
        executor: Executor,
    ) -> None:
        self._result, self._executor = result, near(executor)
        self._rate = float(exact_rate(timing.fps))
        self._photo_rate = self._rate * timing.pace
        self._width = size[0]
        self._keep_s = settings.deflicker.keep_slower_than_s
        # The thumbnails show the whole photo: at the scale of the video it is wider than the video.
        self._whole_width = round(corrections.width / source_scale(corrections, size))
        self._pictures = [thumbnails / f"{frame.shown:05d}.jpg" for frame in corrections.frames]
        self._have_all = all(picture.is_file() for picture in self._pictures)
        self._store, self._mark = thumbnails.parent / "found.json", ""
        self._found: Figures | None = None
        self._before: Future[Seen] | None = None
        self._left: Seen | None = None

    def begin(self) -> None:
        """Once all frames are rendered, begin to look at the thumbnails."""
        if self._have_all:
            told = self._photo_rate, self._whole_width, self._keep_s
            self._mark = _mark(self._pictures, *told)
            self._found = _kept(self._store, self._mark)
            if self._found is None:
                self._before = self._executor.submit(view_pictures, self._pictures, *told)

    def watch(self, frames: Iterator[Any]) -> None:
        """Look at the frames (av.VideoFrame) of the video as they decode; workers reduce the next ones."""
        reduced = partial(picture_of, width=WORKING_WIDTH)
        pictures = ordered_map(self._executor, reduced, frames, _REDUCED_AHEAD)
        self._left = _view(pictures, self._rate, self._width, self._keep_s, self._compared())

    def finish(self, path: Path) -> None:
        """Fill in the figures; `path` is the video, or folder of frames, which was perhaps not watched."""
        result, pictures = self._result, self._pictures
        if self._left is None:
            frames = sorted(path.glob("*.tif"))
            self._left = view_pictures(frames, self._rate, self._width, self._keep_s, self._compared())
        if self._before is not None:
            self._found = _figures(self._before.result())
            kept = {"mark": self._mark, "found": self._found}
            self._store.write_text(json.dumps(kept), encoding="utf-8")
        left, have_all = self._left, self._have_all
        absent = "the thumbnails in work/thumbs are not all there: measure the sequence again"
        _fill("found", result.found, result.unmeasured, self._found, absent)
        _fill("left", result.left, result.unmeasured, _figures(left), absent)
        for row, general, red in zip(result.frames, left.flashes.general, left.flashes.red, strict=False):
            row["flashes_per_s"] = float(max(general, red))
        shown = Shown(None, None, 0)
        if have_all:
            photos = (iio.imread(pictures[result.frames[place]["frame"]]) for place in left.kept)
            shown = compare_with_photos(zip(photos, left.kept.values(), strict=True), self._executor.map)
        result.found |= {"crop_ratio": 1.0, "distortion_value": 1.0}
        result.left |= {"crop_ratio": shown.crop_ratio, "distortion_value": shown.distortion}
        if shown.crop_ratio is None:
            reason = "too little of the photos is found again in the video" if have_all else absent
            result.unmeasured |= dict.fromkeys(("left.crop_ratio", "left.distortion_value"), reason)

    def _compared(self) -> frozenset[int]:
        return _spread([place for place, row in enumerate(self._result.frames) if row["made"] == "photo"])


def _spread(places: list[int]) -> frozenset[int]:
    """Return at most a dozen of `places`, spread evenly."""
    if not places:
        return frozenset()
    return frozenset(places[i] for i in np.linspace(0, len(places) - 1, _COMPARED).round().astype(int))


def _mark(pictures: list[Path], fps: float, width_px: int, keep_slower_than_s: float) -> str:
    """Return a digest of all that the figures of the thumbnails follow from."""
    facts = [(one.name, one.stat().st_size, one.stat().st_mtime_ns) for one in pictures]
    return fingerprint(facts, fps, width_px, keep_slower_than_s, FILTER_VERSION, VIEW_VERSION)


def _kept(store: Path, mark: str) -> Figures | None:
    """Return the figures in `store` where they have the mark."""
    try:
        kept = json.loads(store.read_text(encoding="utf-8"))
        found: Figures | None = kept["found"] if kept["mark"] == mark else None
        return found
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _figures(seen: Seen) -> Figures:
    return {key: getattr(seen.clip, key) for key in CLIP_KEYS} | {"flashes_per_s": seen.flashes.worst}


def _fill(side: str, figures: Figures, unmeasured: dict[str, str], seen: Figures | None, absent: str) -> None:
    for key in (*CLIP_KEYS, "flashes_per_s"):
        figures[key] = None if seen is None else seen[key]
        if figures[key] is None:
            unmeasured[f"{side}.{key}"] = absent if seen is None else _UNSEEN


def view_pictures(
    paths: list[Path],
    fps: float,
    width_px: int,
    keep_slower_than_s: float,
    keep: frozenset[int] = frozenset(),
) -> Seen:
    """Measure pictures shown one after the other as a clip."""
    frames = (_eight_bits(iio.imread(path)) for path in paths)
    return _view(frames, fps, width_px, keep_slower_than_s, keep)


def _view(
    frames: Iterable[Picture], fps: float, width_px: int, keep_slower_than_s: float, keep: frozenset[int]
) -> Seen:
    meter = FlashMeter(fps)
    kept: dict[int, Picture] = {}

    def watched() -> Iterator[Picture]:
        for place, frame in enumerate(frames):
            meter.feed(frame)
            if place in keep:
                kept[place] = frame
            yield frame

    clip = measure_clip(watched(), fps, width_px, keep_slower_than_s=keep_slower_than_s)
    return Seen(clip, meter.figures(), kept)


def _eight_bits(picture: NDArray[Any]) -> NDArray[np.uint8]:
    return picture if picture.dtype == np.uint8 else (picture >> 8).astype(np.uint8)
