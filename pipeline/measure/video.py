"""Flicker and jitter of a finished clip, measured on its own pictures.

This checks what the stages claim, so it shares no registration, no photometry and no robust estimator
with them: ground is followed by Lucas-Kanade points and a homography from frame to frame, light by the
ratios of blocks of that ground. Only the high pass, which defines the measures, is the common one.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.errors import EvenflightError
from pipeline.measure.highpass import fast_figures, fast_part

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

WORKING_WIDTH = 640
_BLOCK = 16
_GRID = 5  # ground motion is followed at 5 × 5 places of the picture
_POINTS, _FEWEST_POINTS = 400, 16
_LUMA = np.array([[0.2126, 0.7152, 0.0722]], dtype=np.float32)  # BT.709
_CODE_TO_LINEAR = ((np.arange(256) / 255.0) ** 2.4).astype(np.float32)  # BT.1886, black at 0
_DARKEST, _BRIGHTEST_CODE = 0.003, 250  # between them an 8-bit code says something about light


@dataclass(frozen=True)
class ClipFigures:
    """Figures of a finished clip, defined as in the registry of measures; px at the delivered width.

    `second_difference_rms_px` is that of the ground's path: for white jitter 2.5 times the jitter.
    `lost_pairs` counts neighbours of which no common ground was found; they are bridged.
    """

    frames: int
    flicker_rms_ev: float | None
    flicker_worst_ev: float | None
    outlier_frames: int | None
    jitter_rms_px: float | None
    second_difference_rms_px: float | None
    lost_pairs: int


@dataclass(frozen=True)
class _View:
    """One frame, reduced: grey levels freed of their mean and contrast, linear light, usable light."""

    grey: Picture
    light: NDArray[np.float32]
    usable: NDArray[np.float32]


def measure_clip(
    frames: Iterable[Picture], fps: float, width_px: int, *, keep_slower_than_s: float = 2.0
) -> ClipFigures:
    """Measure the frames (H×W×3 R'G'B' of BT.709 and BT.1886) of a clip, in one pass and two in memory.

    `width_px` is the width that the jitter is told for, `keep_slower_than_s` the period in seconds of
    video above which a change counts as slow. A clip shorter than two periods has a straight line as
    the slow part of its light, and half its length as the period of its slow motion.
    """
    previous: _View | None = None
    steps_ev: list[float] = []
    moves: list[Floats] = []
    count = 0
    for frame in frames:
        view = _reduced(frame)
        if previous is not None:
            ground = _ground_motion(previous.grey, view.grey)
            moves.append(_moves(ground, view.grey.shape))
            steps_ev.append(_light_step_ev(previous, view, ground))
        previous, count = view, count + 1
    if previous is None or count < 3:
        return ClipFigures(count, None, None, None, None, None, 0)
    period = keep_slower_than_s * fps
    lost = int(np.count_nonzero(~np.isfinite(steps_ev)))
    scale = width_px / previous.grey.shape[1]
    rms, worst, outliers = fast_figures(fast_part(_cumulative(np.array(steps_ev)), period))
    jitter, second = _jitter(np.array(moves) * scale, min(period, count / 2.0))
    return ClipFigures(count, rms, worst, outliers, jitter, second, lost)


def frames_of(path: Path, width: int | None = None) -> Iterator[Picture]:
    """Decode a video to R'G'B' pictures (H×W×3, BT.709), reduced to at most `width` where that is given.

    Raises EvenflightError where the file is no readable video.
    """
    import av

    try:
        with av.open(str(path)) as container:
            for frame in container.decode(video=0):
                factor = 1.0 if width is None else min(1.0, width / frame.width)
                yield frame.to_ndarray(
                    format="rgb24",
                    width=max(2, round(frame.width * factor)),
                    height=max(2, round(frame.height * factor)),
                    src_colorspace="ITU709",
                    interpolation="AREA",
                )
    except (av.error.FFmpegError, IndexError) as error:
        raise EvenflightError(f"{path.name} cannot be read as a video; make it again") from error


def _reduced(frame: Picture) -> _View:
    height, width = frame.shape[:2]
    factor = min(1.0, WORKING_WIDTH / width)
    size = max(2, round(width * factor)), max(2, round(height * factor))
    light = cv2.transform(cv2.LUT(frame, _CODE_TO_LINEAR), _LUMA)
    clipped = cv2.threshold(frame.max(axis=2), _BRIGHTEST_CODE, 1.0, cv2.THRESH_BINARY_INV)[1]
    if factor < 1.0:
        light = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
        clipped = cv2.resize(clipped.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        frame = cv2.resize(frame, size, interpolation=cv2.INTER_AREA)
    grey = cv2.cvtColor(frame, cv2.COLOR_RGB2GRAY).astype(np.float32)
    # a change of exposure scales the codes; without it Lucas-Kanade would see it as motion
    grey = (grey - grey.mean()) * (45.0 / max(float(grey.std()), 1.0)) + 128.0
    usable = (clipped > 0.999).astype(np.float32)
    return _View(np.clip(grey, 0.0, 255.0).astype(np.uint8), light, usable)


def _ground_motion(before: Picture, after: Picture) -> Floats | None:
    """Homography (3×3) that takes the ground of one frame to that of the next; None if none is found."""
    for guess in (_phase_shift, _feature_shift):
        shift = guess(before, after)
        if shift is None:
            continue
        start, end = _tracked(before, after, shift)
        if len(start) < _FEWEST_POINTS:
            continue
        ground, inside = cv2.findHomography(start, end, cv2.USAC_MAGSAC, 1.0, maxIters=2000, confidence=0.999)
        if ground is not None and int(inside.sum()) >= max(_FEWEST_POINTS, len(start) // 4):
            return np.asarray(ground)
    return None


def _phase_shift(before: Picture, after: Picture) -> Floats | None:
    window = cv2.createHanningWindow(before.shape[::-1], cv2.CV_32F)
    shift, _ = cv2.phaseCorrelate(before.astype(np.float32), after.astype(np.float32), window)
    return np.array(shift)


def _feature_shift(before: Picture, after: Picture) -> Floats | None:
    """Median displacement of matched ORB features: for motion that confuses phase correlation."""
    orb = cv2.ORB_create(800)
    points_a, words_a = orb.detectAndCompute(before, None)
    points_b, words_b = orb.detectAndCompute(after, None)
    if words_a is None or words_b is None:
        return None
    matches = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(words_a, words_b)
    if len(matches) < _FEWEST_POINTS:
        return None
    shifts = np.array([np.subtract(points_b[m.trainIdx].pt, points_a[m.queryIdx].pt) for m in matches])
    return np.asarray(np.median(shifts, axis=0))


def _tracked(before: Picture, after: Picture, shift: Floats) -> tuple[Any, Any]:
    """Corners of `before` and where Lucas-Kanade, forwards and back, finds them in `after` (n, 2)."""
    none = np.zeros((0, 2), np.float32)
    corners = cv2.goodFeaturesToTrack(before, _POINTS, 0.01, 7.0)
    if corners is None:
        return none, none
    options: dict[str, Any] = {
        "winSize": (21, 21),
        "maxLevel": 3,
        "flags": cv2.OPTFLOW_USE_INITIAL_FLOW,
        "criteria": (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 0.003),
    }
    guess = (corners + shift).astype(np.float32)
    found, good, _ = cv2.calcOpticalFlowPyrLK(before, after, corners, guess, **options)
    back, good_back, _ = cv2.calcOpticalFlowPyrLK(after, before, found, corners.copy(), **options)
    near = np.linalg.norm((back - corners).reshape(-1, 2), axis=1) < 0.3
    kept = near & (good.ravel() == 1) & (good_back.ravel() == 1)
    return corners.reshape(-1, 2)[kept], found.reshape(-1, 2)[kept]


def _moves(ground: Floats | None, shape: tuple[int, ...]) -> Floats:
    """Displacement (places, 2) of the ground at a grid of places in the picture; NaN where unknown."""
    height, width = shape[:2]
    share = (np.arange(_GRID) + 0.5) / _GRID
    places = np.stack(np.meshgrid(share * (width - 1), share * (height - 1)), axis=-1).reshape(-1, 2)
    if ground is None:
        return np.full_like(places, np.nan)
    moved = np.column_stack([places, np.ones(len(places))]) @ ground.T
    return np.asarray(moved[:, :2] / moved[:, 2:] - places)


def _light_step_ev(before: _View, after: _View, ground: Floats | None) -> float:
    """How much brighter `after` shows the same ground, in EV; NaN where no common ground is lit."""
    if ground is None:
        return float("nan")
    height, width = after.light.shape
    size = (width, height)
    light = cv2.warpPerspective(before.light, ground, size, flags=cv2.INTER_LINEAR)
    usable = cv2.warpPerspective(before.usable, ground, size, flags=cv2.INTER_LINEAR) * after.usable
    whole = _block_means(usable) > 0.999
    first, second = _block_means(light)[whole], _block_means(after.light)[whole]
    lit = np.minimum(first, second) > _DARKEST
    if np.count_nonzero(lit) < _FEWEST_POINTS:
        return float("nan")
    return _mode(np.log2(second[lit] / first[lit]))


def _block_means(picture: NDArray[np.float32]) -> Floats:
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
    """Path of which `steps` (n−1, ...) are the differences; unknown ones are taken as their median."""
    known = np.isfinite(steps)
    usual = np.nanmedian(steps, axis=0) if known.any() else 0.0
    filled = np.where(known, steps, usual)
    return np.concatenate((np.zeros((1, *steps.shape[1:])), np.cumsum(filled, axis=0)))


def _jitter(moves: Floats, period: float) -> tuple[float | None, float | None]:
    """RMS over frames and places of the fast part of the ground's path, and of its second difference."""
    if not np.isfinite(moves).any():
        return None, None
    path = _cumulative(moves)
    series = path.reshape(len(path), -1).T
    fast = np.stack([fast_part(values, period) for values in series], axis=1).reshape(path.shape)
    return _rms(fast), _rms(np.diff(path, n=2, axis=0))


def _rms(vectors: Floats) -> float:
    return float(np.sqrt(np.mean(np.sum(vectors**2, axis=-1))))
