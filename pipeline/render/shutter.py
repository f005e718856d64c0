"""The shutter that was wished for: motion blur added along the flow, in linear light.

A photo exposed for a share s of the interval is blurred by a box of that length along the motion. A
further box of length w makes the variance of the two that of the wished one: w² = wished² - s² (the
variance of a box is its length squared over 12, and variances add). The mean over the box is taken by
doubling: the mean over 2n instants is half the mean over n plus half the same carried on by n steps, so
that 2^k instants cost k resamplings; instants are at most 1 px apart.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.corrections import Corrections
from pipeline.render.arrays import F16, F32
from pipeline.render.flow import fetch, pixel_places
from pipeline.render.timing import Timing

Floats = NDArray[np.float64]

LARGEST_MOTION = 0.1
"""Motion from frame to frame, as a share of the frame's width, beyond which no blur is added."""

_STEP_PX = 1.0
_FEATHER_PX = 8
# Share of the way that must lie inside the frame for its mean to serve alone.
_LEAST_SEEN = np.float32(0.1)


@dataclass(frozen=True)
class ShutterPlan:
    """The blur to add to each frame of a video, as a share of the time from frame to frame.

    `lengths` is empty where none is added, and `why` says why. `own_deg` is the median shutter angle of
    the photos as the video shows them, None where no photo tells its exposure time.
    """

    lengths: tuple[float, ...]
    own_deg: float | None
    why: str | None = None


def plan_shutter(corrections: Corrections, timing: Timing, wished_deg: float) -> ShutterPlan:
    """Return the blur that brings each frame from its own shutter angle to the wished one.

    Nothing is added where the ground moves on by more than a tenth of the frame's width: motion is not
    found reliably there, and blur that long would smear.
    """
    places = np.array([frame.place for frame in timing.frames])
    paces = np.abs(np.gradient(places))
    frames = [corrections.frames[frame.frame] for frame in timing.frames]
    shutters = [frame.shutter_s for frame in frames]
    told = [shutter for shutter in shutters if shutter is not None]
    if corrections.interval_s is None or not told:
        own = np.zeros(len(frames))
        own_deg = None
    else:
        typical = float(np.median(told))
        exposures = np.array([typical if shutter is None else shutter for shutter in shutters])
        own = own_angle_deg(exposures, corrections.interval_s * np.maximum(paces, 1e-6))
        own_deg = float(np.median(own))
    known = [
        frame.ground_motion * pace
        for frame, pace in zip(frames, paces, strict=True)
        if frame.ground_motion is not None
    ]
    motion = float(np.median(known)) if known else 0.0
    if motion > LARGEST_MOTION:
        why = (
            f"not applicable: the ground moves by {100.0 * motion:.0f} % of the frame's width from frame to "
            f"frame, more than {100.0 * LARGEST_MOTION:.0f} %; fly slower, or with a shorter interval"
        )
        return ShutterPlan((), own_deg, why)
    lengths = tuple(added_share(float(angle), wished_deg) for angle in own)
    if not any(lengths):
        return ShutterPlan((), own_deg, f"the photos' own shutter angle is {own_deg:.0f}° already")
    return ShutterPlan(lengths, own_deg)


def own_angle_deg(shutter_s: Floats, interval_s: Floats) -> Floats:
    """Return the shutter angle of photos (any shape): 360° × shutter / interval."""
    return 360.0 * shutter_s / interval_s


def added_share(own_deg: float, wished_deg: float) -> float:
    """Return the length of the box to add, as a share of the time between two frames; 0 for nothing."""
    return math.sqrt(max(wished_deg**2 - own_deg**2, 0.0)) / 360.0


def velocity(earlier: F16 | None, later: F16 | None) -> F32:
    """Return the motion of each pixel in px a frame (H×W×2), 0 where no flow is to be trusted.

    `earlier` is the trusted motion (NaN elsewhere) from this frame to the one before, `later` to the one
    after; None at an end. Where both are trusted it is half their difference, right to second order.
    """
    known_parts = [(motion, sign) for motion, sign in ((earlier, -1.0), (later, 1.0)) if motion is not None]
    shape = known_parts[0][0].shape
    total, count = np.zeros(shape, np.float32), np.zeros(shape[:2], np.float32)
    for motion, sign in known_parts:
        there = np.isfinite(motion[..., 0])
        total += np.where(there[..., None], np.float32(sign) * motion, np.float32(0.0))
        count += there
    # Spread over a few px, so that blur ends softly; inside trusted ground this changes next to nothing.
    window = (2 * _FEATHER_PX + 1, 2 * _FEATHER_PX + 1)
    spread = cv2.blur(count, window)
    around = cv2.blur(total, window) / np.maximum(spread, np.float32(1e-6))[..., None]
    known = count > 0
    moving = np.where(known[..., None], total / np.maximum(count, 1.0)[..., None], around)
    trusted = np.clip(np.float32(2.0) * cv2.blur(known.astype(np.float32), window), 0.0, 1.0)
    return np.asarray(moving * trusted[..., None], np.float32)


def smear(picture: F32, motion: F32, length: float) -> F32:
    """Return the mean of linear `picture` (H×W×3) over `length` of its `motion` (H×W×2), centred.

    What would come from beyond the border is left out of the mean. Pixels that do not move are unchanged.
    """
    longest = float(np.sqrt(np.max(np.sum(motion**2, axis=2)))) * length
    doublings = math.ceil(math.log2(max(longest / _STEP_PX, 1.0)))
    if longest < 0.05:
        return picture
    step = length / 2**doublings
    places = pixel_places(*picture.shape[:2])
    # How far back each pixel fetches; carried along the motion it doubles with each round.
    way = _carried(motion * np.float32(-0.5 * (length - step)), places)
    ones = np.ones((*picture.shape[:2], 1), np.float32)
    total = np.concatenate([picture, ones], axis=2)
    total = fetch(total, places + way, cv2.INTER_CUBIC, cv2.BORDER_CONSTANT)
    way = motion * np.float32(step)
    for _ in range(doublings):
        there = places + way
        moved = fetch(total, there, cv2.INTER_CUBIC, cv2.BORDER_CONSTANT)
        total = np.asarray(cv2.addWeighted(total, 0.5, moved, 0.5, 0.0), np.float32)
        way = way + fetch(way, there)
    weight = total[..., 3:]
    mean = np.maximum(total[..., :3] / np.maximum(weight, np.float32(1e-3)), np.float32(0.0))
    # In a corner nearly all of the way may lie beyond the border: there the picture stays as it is.
    seen = np.clip(weight / _LEAST_SEEN, 0.0, 1.0)
    return np.asarray(picture + seen * (mean - picture), np.float32)


def _carried(way: F32, places: F32) -> F32:
    """Return a long displacement along the motion: taken in eighths, each where the last has led."""
    part = way / np.float32(8.0)
    total = part
    for _ in range(3):
        onward = fetch(total, places + total)
        total = total + onward
    return np.asarray(total, np.float32)
