"""Numbers over the frames, column by column, as curves are drawn from them."""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.store import Measurements
from pipeline.report.evidence import sharpness_levels
from pipeline.report.schema import Report

Column = list[float | None]
Columns = dict[tuple[str, str], Column]


def columns_of(reports: Mapping[str, Report], count: int) -> Columns:
    """Return {(stage, key): values over `count` frames} of every number that reports tell of frames."""
    columns: Columns = {}
    for stage, report in reports.items():
        for frame in report.frames:
            if not 0 <= frame.frame < count:
                continue
            for key, value in (frame.model_extra or {}).items():
                if isinstance(value, int | float) and not isinstance(value, bool):
                    columns.setdefault((stage, key), [None] * count)[frame.frame] = float(value)
    return columns


def motion_columns(columns: Mapping[tuple[str, str], Column], width_px: float, interval_s: float) -> Columns:
    """Return what follows from the ground's motion: pace, px a frame and blur, of a video `width_px` wide.

    The blur is the ground's motion while the shutter is open: motion × shutter / interval (design,
    section 4).
    """
    found: Columns = {}
    speed = columns.get(("stabilise", "ground_speed"))
    known = [value for value in speed or [] if value]
    if speed and known:
        usual = median(known)
        found["motion", "pace_pct"] = [None if v is None else 100.0 * v / usual for v in speed]
    motion, shutter = columns.get(("stabilise", "ground_motion")), columns.get(("load", "shutter_s"))
    if motion:
        px = [None if share is None else share * width_px for share in motion]
        found["motion", "px"] = px
        if shutter:
            found["motion", "blur_px"] = [
                None if moved is None or open_s is None else moved * min(open_s / interval_s, 1.0)
                for moved, open_s in zip(px, shutter, strict=True)
            ]
    return found


def photo_columns(measured: Measurements | None, count: int) -> Columns:
    """Return what photos showed by themselves: clipping and veil in %, sharpness in stops of detail."""
    if measured is None:
        return {}
    found: Columns = {("photo", "sharper"): _column(sharpness_levels(measured.pairs, count))}
    for key in ("clipped_pct", "crushed_pct", "veil_pct"):
        found["photo", key] = [None] * count
    for figures in measured.frames:
        if figures.frame < count:
            found["photo", "clipped_pct"][figures.frame] = 100.0 * max(figures.clipped)
            found["photo", "crushed_pct"][figures.frame] = 100.0 * max(figures.crushed)
            if figures.veil is not None:
                found["photo", "veil_pct"][figures.frame] = 100.0 * figures.veil
    return found


def _column(values: NDArray[np.float64]) -> Column:
    return [float(value) if np.isfinite(value) else None for value in values]
