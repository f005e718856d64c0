"""Numbers over the frames, column by column, as curves are drawn from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from statistics import median

import numpy as np

from pipeline.report.evidence import Evidence
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


def evidence_columns(evidence: Evidence | None) -> Columns:
    """Return what the photos showed by themselves: clipping and veil in %, sharpness in stops of energy."""
    if evidence is None:
        return {}
    found: Columns = {}
    for key in ("clipped", "crushed"):
        worst = evidence.channels(key).max(axis=1)
        found["photo", f"{key}_pct"] = _column(100.0 * worst)
    found["photo", "veil_pct"] = _column(100.0 * evidence.look("veil"))
    if evidence.sharper is not None:
        found["photo", "sharper"] = _column(evidence.sharper)
    return {key: column for key, column in found.items() if any(v is not None for v in column)}


def _column(values: Sequence[float] | np.ndarray) -> Column:
    return [float(value) if np.isfinite(value) else None for value in values]
