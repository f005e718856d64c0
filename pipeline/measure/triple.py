"""The literature's three figures of a stabilised video: stability score, cropping ratio, distortion value.

After S. Liu, L. Yuan, P. Tan, J. Sun, Bundled camera paths for video stabilization, ACM Transactions on
Graphics 32(4), 2013. Published codes disagree on details, so this is our exact definition, `VERSION` 1:

- stability: the path of the picture's ground (its mean place x and y, and its turning, in px at the
  corner) has its best quadratic taken away, which would count a steady course as low frequency and hide
  jitter beside it; of the rest, the share of energy at the five lowest frequencies, the least of the
  three. A rest within 0.1 px counts as steady.
- cropping: width that a frame shows of the photo's largest rectangle of the video's shape, the median.
- distortion: of the homography from photo to frame the smaller over the larger singular value of its
  affine part at the picture's centre, the least of the frames. 1 is none; turning the camera by five
  degrees takes 0.996.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]
Pair = tuple[Picture, Picture]
Compared = tuple[float, float] | None

VERSION = 1
_LOWEST = 5  # frequencies, after the constant: "second to sixth" of the paper
_STEADY_PX = 0.1
_FEWEST_FRAMES = 3 * _LOWEST
_WIDTH = 640  # px, to which pictures are reduced for comparing photo and frame
_FEATURES, _FEWEST_MATCHES, _NEAR_PX = 1500, 24, 1.5


def stability_score(path: Floats) -> float | None:
    """Return the stability score of the ground's path (n, places, 2) in px, or None for a short clip.

    The places are a grid that is symmetrical about the picture's centre.
    """
    count = len(path)
    if count < _FEWEST_FRAMES:
        return None
    centred = path[0] - path[0].mean(axis=0)
    radius = float(np.max(np.linalg.norm(centred, axis=1)))
    moved = path - path[0]
    swing = centred[:, 0] * moved[..., 1] - centred[:, 1] * moved[..., 0]
    turning = swing.sum(axis=1) / np.sum(centred**2) * radius
    series = np.column_stack([moved.mean(axis=1), turning])
    time = np.linspace(-1.0, 1.0, count)
    trend = np.polynomial.polynomial.polyfit(time, series, 2)
    rest = series - np.polynomial.polynomial.polyval(time, trend).T
    energy = np.abs(np.fft.rfft(rest, axis=0)[1:]) ** 2
    floor = (_STEADY_PX * count) ** 2 / 2.0  # of a sine of that RMS
    low = energy[:_LOWEST].sum(axis=0) + floor
    return float(np.min(low / (energy.sum(axis=0) + floor)))


@dataclass(frozen=True)
class Shown:
    """What the frames show of their photos: cropping ratio and distortion value, None where unknown."""

    crop_ratio: float | None
    distortion: float | None
    frames: int


Run = Callable[[Callable[[Pair], Compared], Iterable[Pair]], Iterable[Compared]]


def compare_with_photos(pairs: Iterable[Pair], run: Run = map) -> Shown:
    """Measure what frames show of photos, from (photo, frame) pairs of R'G'B' pictures (H×W×3).

    The photo is the whole one, of any size. Pairs with too few features in common are passed over. `run`
    does what `map` does; an executor's does pairs side by side.
    """
    compared = [one for one in run(_compared, pairs) if one is not None]
    if not compared:
        return Shown(None, None, 0)
    widths, ratios = zip(*compared, strict=True)
    return Shown(float(np.median(widths)), min(ratios), len(widths))


def _compared(pair: Pair) -> Compared:
    """Return the cropping ratio and the distortion of one frame, None where too little is found again."""
    photo, frame = pair
    plane = _plane(photo, frame)
    if plane is None:
        return None
    height, width = photo.shape[:2]
    frame_height, frame_width = frame.shape[:2]
    affine = _affine_at_centre(plane, (frame_width, frame_height))
    large, small = np.linalg.svd(affine, compute_uv=False)
    rectangle = min(width, height * frame_width / frame_height)
    return frame_width * float(np.sqrt(large * small)) / rectangle, float(small / large)


def _plane(photo: Picture, frame: Picture) -> Floats | None:
    """Return the homography (3×3) from full-size px of `frame` to those of `photo`."""
    greys, scales = [], []
    for picture in (photo, frame):
        scale = min(1.0, _WIDTH / picture.shape[1])
        size = max(1, round(picture.shape[1] * scale)), max(1, round(picture.shape[0] * scale))
        grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY)
        greys.append(cv2.equalizeHist(cv2.resize(grey, size, interpolation=cv2.INTER_AREA)))
        scales.append(np.array([size[0] / picture.shape[1], size[1] / picture.shape[0]]))
    orb = cv2.ORB.create(_FEATURES)
    (points_a, words_a), (points_b, words_b) = (orb.detectAndCompute(grey, None) for grey in greys)
    if words_a is None or words_b is None:
        return None
    matches: Any = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(words_a, words_b)
    if len(matches) < _FEWEST_MATCHES:
        return None
    of_photo = _full_size(np.array([points_a[match.queryIdx].pt for match in matches]), scales[0])
    of_frame = _full_size(np.array([points_b[match.trainIdx].pt for match in matches]), scales[1])
    near = _NEAR_PX / float(scales[0].min())
    plane, inside = cv2.findHomography(
        of_frame, of_photo, cv2.USAC_MAGSAC, near, maxIters=5000, confidence=0.999
    )
    if plane is None or int(inside.sum()) < _FEWEST_MATCHES:
        return None
    return np.asarray(plane, dtype=np.float64)


def _full_size(points: Floats, scale: Floats) -> Floats:
    return np.asarray((points + 0.5) / scale - 0.5)


def _affine_at_centre(plane: Floats, size: tuple[int, int]) -> Floats:
    """Return the derivative (2×2) of a homography at the middle of a picture of `size` (width, height)."""
    centre = np.array([(size[0] - 1) / 2.0, (size[1] - 1) / 2.0, 1.0])
    x, y, w = plane @ centre
    return np.asarray((plane[:2, :2] - np.outer([x / w, y / w], plane[2, :2])) / w)
