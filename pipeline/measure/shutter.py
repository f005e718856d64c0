"""The shutter angle that EXIF tells, held against the blur that the pictures show."""

from __future__ import annotations

from collections.abc import Sequence as Many
from dataclasses import dataclass

import numpy as np

from pipeline.measure.look import PairFigures
from pipeline.sequence import Sequence

LEAST_PAIRS = 5
# What is seen is right to a factor of two or so and 4 px; only more than that is a contradiction.
_FACTOR, _MARGIN_PX = 2.5, 4.0
# Longer blur cannot be told from still longer.
_LONGEST_PX = 9.9


@dataclass(frozen=True)
class ShutterFigures:
    """Shutter angle by EXIF, and blur along the motion by EXIF and as seen, px of the proxy, medians.

    None where it is not told or cannot be measured. `contradiction` is a sentence where the two disagree by
    far more than the measure's own error.
    """

    angle_deg: float | None
    blur_told_px: float | None
    blur_seen_px: float | None
    contradiction: str | None


def shutter_figures(sequence: Sequence, pairs: Many[PairFigures]) -> ShutterFigures:
    """Return the shutter angle of a sequence, 360° × shutter / interval, beside the blur it is seen with."""
    exposures = [frame.shutter_s for frame in sequence.photos if frame.shutter_s is not None]
    angle = 360.0 * float(np.median(exposures)) / sequence.interval_s if exposures else None
    told, seen = [], []
    for pair in pairs:
        shutter = sequence.frames[pair.i].shutter_s
        if pair.seen_blur is not None:
            seen.append(pair.seen_blur.blur_px)
            if shutter is not None:
                told.append(pair.seen_blur.motion_px * shutter / sequence.interval_s)
    blur_seen = float(np.median(seen)) if len(seen) >= LEAST_PAIRS else None
    blur_told = float(np.median(told)) if len(told) >= LEAST_PAIRS else None
    return ShutterFigures(angle, blur_told, blur_seen, _contradiction(blur_told, blur_seen))


def _contradiction(told: float | None, seen: float | None) -> str | None:
    if told is None or seen is None:
        return None
    what = f"the pictures are blurred along the motion by about {seen:.0f} px of 1,000, by EXIF by {told:.1f}"
    if seen > _FACTOR * told + _MARGIN_PX:
        return f"{what}: gusts, a loose camera or a wrong exposure time"
    if seen < min(told, _LONGEST_PX) / _FACTOR - 0.5:
        return f"{what}: the exposure time by EXIF may be wrong"
    return None
