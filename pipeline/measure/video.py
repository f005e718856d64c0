"""Flicker and jitter of a finished clip, measured on its own pictures.

This checks what the stages claim, so it shares no registration, no photometry and no robust estimator
with them: ground is followed by Lucas-Kanade points and a homography from frame to frame, light by the
ratios of blocks of that ground. Only the high pass, which defines the measures, is the common one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import EvenflightError
from pipeline.measure.highpass import fast_figures, fast_part
from pipeline.measure.triple import stability_score
from pipeline.parallel import default_workers, local_executor, ordered_map

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

WORKING_WIDTH = 960
_BLOCK = 24
_GRID = 5  # ground motion is followed at 5 × 5 places of the picture
_CELLS = 4  # corners are sought in 4 × 4 parts of the picture, so that no one texture decides
_POINTS, _FEWEST_POINTS = 400, 16
_NEAR_PX = 1.0
_FLAT = 0.8  # of what is followed fits a motion without perspective, seen from straight above
_ABOUT = 3  # points about a place
_LASTING = 0.8  # of the pairs must show the ground at a place, if its path is to be told
_FEWEST_PLACES = 10  # of a strip of land in the sea a plane cannot be told: its motion would be invented
_MARGIN_PX = 17  # corners keep half of this from the edge, where Lucas-Kanade lacks surroundings
_LUMA = np.array([[0.2126, 0.7152, 0.0722]], dtype=np.float32)  # BT.709
_CODE_TO_LINEAR = ((np.arange(256) / 255.0) ** 2.4).astype(np.float32)  # BT.1886, black at 0
_DARKEST, _BRIGHTEST_CODE = 0.003, 250  # between them an 8-bit code says something about light


@dataclass(frozen=True)
class ClipFigures:
    """Figures of a finished clip, defined as in the registry of measures; px at the delivered width.

    `second_difference_rms_px` is that of the ground's path: for white jitter 2.5 times the jitter.
    `lost_pairs` counts neighbours of which no common ground was found; they are bridged. Motion is told at
    places of the picture where ground is followed nearly all the time, and not at all where they are few.
    """

    frames: int
    flicker_rms_ev: float | None
    flicker_worst_ev: float | None
    outlier_frames: int | None
    ground_jitter_px: float | None
    second_difference_rms_px: float | None
    stability_score: float | None
    lost_pairs: int


@dataclass(frozen=True)
class _View:
    """One frame, reduced: grey levels freed of their mean and contrast, linear light, usable light."""

    grey: Picture
    light: NDArray[np.float32]
    usable: NDArray[np.float32]


@dataclass(frozen=True)
class _Ground:
    """How the ground moved (3×3): as a plane, and without perspective, which fits `flat` of what is followed.

    `followed` (25,) tells at which of the places it was.
    """

    plane: Floats
    similar: Floats
    flat: float
    followed: NDArray[np.bool_]


@dataclass(frozen=True)
class ClipTrace:
    """What a clip shows from frame to frame, whatever rate it is played at and whatever its width.

    `steps_ev` (n - 1,) is how much brighter each next frame shows the same ground, NaN where no common ground
    was found; `path` (n, places, 2) is where the ground comes to lie, in px of a picture `width_px` wide,
    None where too little of it is followed.
    """

    frames: int
    width_px: int
    steps_ev: Floats
    path: Floats | None


Step = tuple["_Ground | None", float]
Run = Callable[[Callable[[tuple["_View", "_View"]], Step], Iterable[tuple["_View", "_View"]]], Iterable[Step]]


def trace_clip(frames: Iterable[Picture], run: Run = map) -> ClipTrace:
    """Follow the ground through frames (H×W×3 R'G'B' of BT.709 and BT.1886), in one pass.

    `run` does what `map` does, with two frames in memory; an executor's follows several pairs side by side.
    """
    count, shape = 0, (0, 0)

    def views() -> Iterator[_View]:
        nonlocal count, shape
        for frame in frames:
            view = _reduced(frame)
            count, shape = count + 1, view.grey.shape
            yield view

    steps = list(run(_step, pairwise(views())))
    light = np.array([step_ev for _, step_ev in steps])
    return ClipTrace(count, shape[1], light, _path([ground for ground, _ in steps], shape))


def _step(pair: tuple[_View, _View]) -> Step:
    """Return how the ground and its light changed from one frame to the next."""
    before, after = pair
    ground = _followed(before.grey, after.grey)
    return ground, _light_step_ev(before, after, ground)


def clip_figures(
    trace: ClipTrace, fps: float, width_px: int, *, keep_slower_than_s: float = 2.0
) -> ClipFigures:
    """Return the figures of a clip that is played at `fps`.

    `width_px` is the width that the jitter is told for, `keep_slower_than_s` the period in seconds of
    video above which a change counts as slow. A clip shorter than two periods has a straight line as
    the slow part of its light, and half its length as the period of its slow motion.
    """
    if trace.frames < 3:
        return ClipFigures(trace.frames, None, None, None, None, None, None, 0)
    period = keep_slower_than_s * fps
    lost = int(np.count_nonzero(~np.isfinite(trace.steps_ev)))
    light = fast_figures(fast_part(_cumulative(trace.steps_ev), period))
    if trace.path is None:
        return ClipFigures(trace.frames, *light, None, None, None, lost)
    path = width_px / trace.width_px * trace.path
    motion = _jitter(path, min(period, trace.frames / 2.0))
    return ClipFigures(trace.frames, *light, *motion, stability_score(path), lost)


def frames_of(path: Path, width: int | None = None) -> Iterator[Picture]:
    """Decode a video to R'G'B' pictures (H×W×3, BT.709), reduced to at most `width` where that is given.

    Raises EvenflightError where the file is no readable video.
    """
    import av

    try:
        with av.open(str(path)) as container:
            container.streams.video[0].thread_type = "AUTO"  # decodes frames side by side, the same pictures
            with local_executor(default_workers()) as executor:
                yield from ordered_map(
                    executor, partial(picture_of, width=width), container.decode(video=0), 4
                )
    except (av.error.FFmpegError, IndexError) as error:
        raise EvenflightError(f"{path.name} cannot be read as a video; make it again") from error


def picture_of(frame: Any, width: int | None = None) -> Picture:
    """Return a decoded frame (av.VideoFrame) as `frames_of` does."""
    factor = 1.0 if width is None else min(1.0, width / frame.width)
    picture: Picture = frame.to_ndarray(
        format="rgb24",
        width=max(2, round(frame.width * factor)),
        height=max(2, round(frame.height * factor)),
        src_colorspace="ITU709",
        interpolation="AREA",
    )
    return picture


def _reduced(frame: Picture) -> _View:
    height, width = frame.shape[:2]
    factor = min(1.0, WORKING_WIDTH / width)
    size = max(2, round(width * factor)), max(2, round(height * factor))
    codes = cv2.cvtColor(frame, cv2.COLOR_RGB2GRAY)
    light: Any = cv2.transform(cv2.LUT(frame, _CODE_TO_LINEAR), _LUMA)
    brightest = cv2.max(cv2.max(frame[..., 0], frame[..., 1]), frame[..., 2])
    usable: Any = (brightest < _BRIGHTEST_CODE).astype(np.float32)
    if factor < 1.0:
        light, usable, codes = (
            cv2.resize(picture, size, interpolation=cv2.INTER_AREA) for picture in (light, usable, codes)
        )
    grey: Any = codes.astype(np.float32)
    # a change of exposure scales the codes; without it Lucas-Kanade would see it as motion
    grey = (grey - grey.mean()) * (45.0 / max(float(grey.std()), 1.0)) + 128.0
    return _View(np.clip(grey, 0.0, 255.0).astype(np.uint8), light, usable)


def _followed(before: Picture, after: Picture) -> _Ground | None:
    """Follow the ground from one frame to the next; None where too little of it is found again."""
    for guess in (_by_phase, _by_features):
        rough = guess(before, after)
        if rough is None:
            continue
        start, end = _tracked(before, after, rough)
        if len(start) < _FEWEST_POINTS:
            continue
        plane, inside = cv2.findHomography(
            start, end, cv2.USAC_MAGSAC, _NEAR_PX, maxIters=2000, confidence=0.999
        )
        followed = 0 if plane is None else int(inside.sum())
        if followed < max(_FEWEST_POINTS, len(start) // 3):
            continue
        similar, inside_similar = cv2.estimateAffinePartial2D(start, end, ransacReprojThreshold=_NEAR_PX)
        flat = 0.0 if similar is None else int(inside_similar.sum()) / followed
        straight = np.eye(3) if similar is None else np.vstack([similar, (0.0, 0.0, 1.0)])
        there = _followed_places(start[inside.ravel() > 0], before.shape)
        return _Ground(np.asarray(plane), straight, flat, there)
    return None


def _by_phase(before: Picture, after: Picture) -> Floats | None:
    """Rough motion (2×3), a whole number of px, by phase correlation at a quarter of the size."""
    small = [
        cv2.resize(grey, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA) for grey in (before, after)
    ]
    a, b = (picture.astype(np.float32) for picture in small)
    if min(a.shape) < 8:
        return None
    shift, _ = cv2.phaseCorrelate(a, b, cv2.createHanningWindow(a.shape[::-1], cv2.CV_32F))
    return np.column_stack([np.eye(2), np.round(4.0 * np.array(shift))])


def _by_features(before: Picture, after: Picture) -> Floats | None:
    """Rough motion (2×3) by matched ORB features, for turns and leaps that hide from phase correlation."""
    orb = cv2.ORB.create(1500)
    points_a, words_a = orb.detectAndCompute(before, None)
    points_b, words_b = orb.detectAndCompute(after, None)
    if words_a is None or words_b is None:
        return None
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(words_a, words_b)
    if len(matches) < _FEWEST_POINTS:
        return None
    start = np.array([points_a[match.queryIdx].pt for match in matches])
    end = np.array([points_b[match.trainIdx].pt for match in matches])
    similar, inside = cv2.estimateAffinePartial2D(start, end, ransacReprojThreshold=3.0 * _NEAR_PX)
    if similar is None or int(inside.sum()) < _FEWEST_POINTS:
        return None
    return np.asarray(similar)


def _corners(grey: Any, allowed: Any) -> NDArray[np.float32]:
    """Up to 400 corners (n, 1, 2), spread over the allowed part of the picture."""
    height, width = grey.shape
    found: list[NDArray[Any]] = [np.zeros((0, 1, 2), np.float32)]
    for row in range(_CELLS):
        for column in range(_CELLS):
            down = slice(row * height // _CELLS, (row + 1) * height // _CELLS)
            across = slice(column * width // _CELLS, (column + 1) * width // _CELLS)
            corners = cv2.goodFeaturesToTrack(
                grey[down, across], _POINTS // _CELLS**2, 0.02, 5.0, mask=allowed[down, across]
            )
            if corners is not None:
                found.append(corners + np.array([across.start, down.start], np.float32))
    return np.concatenate(found)


def _tracked(before: Picture, after: Picture, rough: Floats) -> tuple[Any, Any]:
    """Points of `before` and where Lucas-Kanade, forwards and back, finds them in `after` (n, 2).

    `before` is first moved by the rough motion, so that even a turn leaves little to track.
    """
    size = before.shape[::-1]
    moved = cv2.warpAffine(before, rough, size, flags=cv2.INTER_LINEAR)
    inside = cv2.warpAffine(np.full_like(before, 255), rough, size, flags=cv2.INTER_NEAREST)
    margin = np.ones((_MARGIN_PX, _MARGIN_PX), np.uint8)
    corners = _corners(moved, cv2.erode(inside, margin, borderType=cv2.BORDER_CONSTANT, borderValue=0))
    if not len(corners):
        return corners.reshape(-1, 2), corners.reshape(-1, 2)
    options: dict[str, Any] = {
        "winSize": (15, 15),
        "maxLevel": 3,
        "criteria": (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 0.003),
    }
    found, good, _ = cv2.calcOpticalFlowPyrLK(moved, after, corners, corners.copy(), **options)
    back, good_back, _ = cv2.calcOpticalFlowPyrLK(after, moved, found, corners.copy(), **options)
    near = np.linalg.norm((back - corners).reshape(-1, 2), axis=1) < 0.3
    kept = near & (good.ravel() == 1) & (good_back.ravel() == 1)
    start = cv2.transform(corners.astype(np.float64), cv2.invertAffineTransform(rough))
    return start.reshape(-1, 2)[kept], found.reshape(-1, 2)[kept]


def _followed_places(points: Floats, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """Whether some of the points (n, 2) lie about each place (25,), whose motion then is not extrapolated."""
    away = (_places(shape)[:, None] - points) / (np.array(shape[1::-1]) / _GRID)
    return np.asarray(np.count_nonzero(np.hypot(away[..., 0], away[..., 1]) < 0.75, axis=1) >= _ABOUT)


def _path(grounds: list[_Ground | None], shape: tuple[int, ...]) -> Floats | None:
    """Return where the ground at the places followed in most pairs comes to lie (n, places, 2), or None.

    A clip that is seen from straight above all along needs no perspective: four numbers tell its motion, six
    times as well as the eight of a plane (0.03 against 0.2 px on textures moved by a known way). One model
    serves all pairs: changing between them would itself be jitter.
    """
    found = [ground for ground in grounds if ground is not None]
    if not found:
        return None
    flat = float(np.median([ground.flat for ground in found])) > _FLAT
    places = _places(shape)
    steps = np.full((len(grounds), *places.shape), np.nan)
    for step, ground in zip(steps, grounds, strict=True):
        if ground is not None:
            motion = ground.similar if flat and ground.flat > _FLAT / 2.0 else ground.plane
            moved = np.column_stack([places, np.ones(len(places))]) @ motion.T
            step[ground.followed] = (moved[:, :2] / moved[:, 2:] - places)[ground.followed]
    known = np.isfinite(steps[..., 0])
    lasting = known.mean(axis=0) >= _LASTING
    if np.count_nonzero(lasting) < _FEWEST_PLACES:
        return None
    time = np.arange(len(steps))
    for place in np.flatnonzero(lasting):
        seen = known[:, place]
        for axis in (0, 1):
            steps[:, place, axis] = np.interp(time, time[seen], steps[seen, place, axis])
    start = np.zeros((1, int(lasting.sum()), 2))
    return np.ascontiguousarray(
        places[lasting] + np.concatenate((start, np.cumsum(steps[:, lasting], axis=0)))
    )


def _places(shape: tuple[int, ...]) -> Floats:
    """The grid (places, 2) of x and y at which the ground is followed."""
    height, width = shape[:2]
    share = (np.arange(_GRID) + 0.5) / _GRID
    return np.stack(np.meshgrid(share * (width - 1), share * (height - 1)), axis=-1).reshape(-1, 2)


def _light_step_ev(before: _View, after: _View, ground: _Ground | None) -> float:
    """How much brighter `after` shows the same ground, in EV; NaN where no common ground is lit."""
    if ground is None:
        return float("nan")
    height, width = after.light.shape
    size = (width, height)
    light = cv2.warpPerspective(before.light, ground.plane, size, flags=cv2.INTER_LINEAR)
    usable = cv2.warpPerspective(before.usable, ground.plane, size, flags=cv2.INTER_LINEAR) * after.usable
    whole = _block_means(usable) > 0.999
    first, second = _block_means(light)[whole], _block_means(after.light)[whole]
    lit = np.minimum(first, second) > _DARKEST
    if np.count_nonzero(lit) < _FEWEST_POINTS:
        return float("nan")
    return _mode(np.log2(second[lit] / first[lit]))


def _block_means(picture: Any) -> Floats:
    rows, columns = picture.shape[0] // _BLOCK, picture.shape[1] // _BLOCK
    blocks = picture[: rows * _BLOCK, : columns * _BLOCK].reshape(rows, _BLOCK, columns, _BLOCK)
    return np.asarray(blocks.mean(axis=(1, 3), dtype=np.float64)).ravel()


def _mode(values: Floats) -> float:
    """Tukey's biweight location with a fixed scale: moving things and shadows count nothing.

    c = 6 MAD as in Mosteller and Tukey, Data Analysis and Regression (1977), from the median.
    """
    centre = float(np.median(values))
    scale = 6.0 * max(float(np.median(np.abs(values - centre))), 1e-4)
    for _ in range(15):
        u = (values - centre) / scale
        weights = np.where(np.abs(u) < 1.0, (1.0 - u**2) ** 2, 0.0)
        centre = float(np.average(values, weights=weights))
    return centre


def _cumulative(steps: Floats) -> Floats:
    """Path of which `steps` (n−1,) are the differences; unknown ones are taken as their median."""
    known = np.isfinite(steps)
    usual = np.nanmedian(steps) if known.any() else 0.0
    return np.concatenate(([0.0], np.cumsum(np.where(known, steps, usual))))


def _jitter(path: Floats, period: float) -> tuple[float, float]:
    """RMS over frames and places of the fast part of the ground's path, and of its second difference."""
    series = path.reshape(len(path), -1).T
    fast = np.stack([fast_part(values, period) for values in series], axis=1).reshape(path.shape)
    return _rms(fast), _rms(np.diff(path, n=2, axis=0))


def _rms(vectors: Floats) -> float:
    return float(np.sqrt(np.mean(np.sum(vectors**2, axis=-1))))
