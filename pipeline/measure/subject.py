"""A subject that the pilot named, followed through the flight, and how much of it the video shows."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import bearings, largest_rectangle
from pipeline.geometry.rotation import exp
from pipeline.measure.look import PairFigures

Floats = NDArray[np.float64]
Box = tuple[float, float, float, float]

_LEAST_MATCHES = 4
_AROUND = 0.5  # of the box's own size, on each side, matches still move with it
_GRID = 5


@dataclass(frozen=True)
class Subject:
    """Boxes (n, 4) of the subject: left, top, right, bottom in full-size px; NaN where it was not followed.

    `shown` (n,) is the share of the box inside the video's picture, NaN where the box is unknown.
    """

    boxes: Floats
    shown: Floats


def follow_subject(
    named: tuple[int, float, float, float, float],
    pairs: list[PairFigures],
    corrections: Floats,
    focal_px: float | None,
    size: tuple[int, int],
    crop_ratio: float | None,
    shape: tuple[int, int] = (16, 9),
) -> Subject | None:
    """Follow a box from one frame through all others, by the matches in and around it.

    `named` is the frame and the box as left, top, width, height, shares of the photo's width and height.
    `corrections` (n, 3) are the rotation vectors of the steady view, `size` the photo's width and height.
    Something that hides the subject is not noticed. None where the frame is not of this flight.
    """
    count = len(corrections)
    frame, left, top, wide, high = named
    if not 0 <= frame < count or not focal_px or not all(size):
        return None
    width, height = size
    boxes = np.full((count, 4), np.nan)
    boxes[frame] = np.array([left * width, top * height, (left + wide) * width, (top + high) * height])
    for ahead in (True, False):
        _carry(boxes, pairs, frame, ahead)
    rectangle = largest_rectangle(width, height, shape)
    half = 0.5 * np.array(rectangle) * (crop_ratio or 1.0) / focal_px
    shown = np.array(
        [
            _share_inside(box, correction, focal_px, size, half)
            for box, correction in zip(boxes, corrections, strict=True)
        ]
    )
    return Subject(boxes, shown)


def _carry(boxes: Floats, pairs: list[PairFigures], start: int, ahead: bool) -> None:
    """Carry the box from frame `start` to the later or the earlier frames, from pair to pair."""
    order = sorted(pairs, key=lambda p: (p.i, p.j) if ahead else (-p.j, -p.i))
    for pair in order:
        here, there = (pair.i, pair.j) if ahead else (pair.j, pair.i)
        if (here < start if ahead else here > start) or not np.isfinite(boxes[here]).all():
            continue
        if np.isnan(boxes[there]).any():
            boxes[there] = _moved(boxes[here], pair, ahead)


def _moved(box: Floats, pair: PairFigures, ahead: bool) -> Floats:
    """The box where the pair's other frame has it; NaN where neither matches nor the ground tell."""
    start, end = pair.matches.points_i, pair.matches.points_j
    if not ahead:
        start, end = end, start
    around = _AROUND * (box[2:] - box[:2])
    near = np.all((start >= box[:2] - around) & (start <= box[2:] + around), axis=1)
    corners = box.reshape(2, 2)
    if np.count_nonzero(near) >= _LEAST_MATCHES:
        similar, _ = cv2.estimateAffinePartial2D(start[near], end[near], ransacReprojThreshold=3.0)
        if similar is not None and 0.5 < float(np.hypot(similar[0, 0], similar[1, 0])) < 2.0:
            scale = float(np.hypot(similar[0, 0], similar[1, 0]))
            middle = similar[:, :2] @ corners.mean(axis=0) + similar[:, 2]
            half = 0.5 * scale * (corners[1] - corners[0])
            return np.concatenate([middle - half, middle + half])
    plane = pair.matches.full_size_homography()
    if plane is None:
        return np.full(4, np.nan)
    moved = cv2.perspectiveTransform(corners[None], plane if ahead else np.linalg.inv(plane))[0]
    return np.concatenate([moved.min(axis=0), moved.max(axis=0)])


def _share_inside(
    box: Floats, correction: Floats, focal_px: float, size: tuple[int, int], half: Floats
) -> float:
    """The share of a box that lies in the steady view, which reaches `half` (2,) on each side at z = 1."""
    if not np.isfinite(box).all():
        return float("nan")
    x, y = (np.linspace(box[a], box[a + 2], _GRID) for a in (0, 1))
    points = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    rays = bearings(points, focal_px, *size) @ exp(correction)
    return float(np.mean(np.all(np.abs(rays[:, :2] / rays[:, 2:]) <= half, axis=1)))
