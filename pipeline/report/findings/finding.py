"""The form of a finding, and what all families share: limits, severity, times in the video."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from pipeline.report.evidence import Evidence
from pipeline.report.metrics import MEASURES, Limit, load_limits

Floats = NDArray[np.float64]
Severity = Literal["note", "visible", "spoils"]
Cause = Literal[
    "heading_step",
    "pitch_step",
    "shake",
    "uneven_speed",
    "position_drift",
    "horizon_tilt",
    "shutter_short",
    "shutter_long",
    "soft",
    "exposure_flicker",
    "exposure_change",
    "auto_white_balance",
    "light_change",
    "sky_clipped",
    "ground_crushed",
    "haze",
    "lens_spot",
    "propeller_shadow",
    "hot_pixel",
    "missing",
    "duplicate",
    "torn",
    "interval_irregular",
    "subject_lost",
    "flashing",
]

COURSE_CAUTION = "check obstacles and the rules along a moved course"
"""Stands in the same sentence as every advice that moves the course."""

_SPOILS = 2.0


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Remedy(_Record):
    """What would help: on the next flight, and with the photos there are. None where nothing would."""

    air: str | None
    desk: str | None


class Finding(_Record):
    """One thing that is wrong with a flight.

    `frames` are of the timeline, `seconds` where they are seen in the video, first and last. `measured`
    stands against `limit`, both in `unit`; `left` is the same figure after the correction, where that is
    known. `ratio` is how many times the limit was exceeded before any correction.
    """

    cause: Cause
    frames: list[int]
    seconds: tuple[float, float]
    seen: str = Field(description="what the viewer sees, before any correction")
    why: str = Field(description="the cause, as a sentence")
    measured: float
    unit: str
    limit: float
    ratio: float
    severity: Severity = Field(description="of what is left after the correction")
    mended: bool
    left: float | None
    remedy: Remedy


class Limits:
    """The limits of `configs/limits.toml`, and how a figure stands against one."""

    def __init__(self) -> None:
        self._limits = load_limits()

    def __getitem__(self, key: str) -> Limit:
        return self._limits[key]

    def unit(self, key: str) -> str:
        """Return the unit of a measure."""
        return MEASURES[key].unit

    def ratio(self, key: str, value: float) -> float:
        """Return how many times a figure exceeds its limit: over 1 is beyond it."""
        return exceeded(value, self._limits[key].value, higher=self._limits[key].operator == ">=")


def exceeded(value: float, limit: float, *, higher: bool = False) -> float:
    """Return how many times a figure exceeds a limit; with `higher`, how many times it falls short of one.

    A limit of nothing is exceeded once by one, twice by two.
    """
    if higher:
        return limit / max(value, 1e-9)
    return value / limit if limit > 0.0 else 1.0 + value if value > 0.0 else 0.0


def severity_of(ratio: float, *, mended: bool, most: Severity = "spoils") -> Severity:
    """Return how much is seen: what was mended is worth a note, beyond twice the limit it spoils the shot."""
    order: tuple[Severity, ...] = ("note", "visible", "spoils")
    severity: Severity = "note" if mended else "spoils" if ratio > _SPOILS else "visible"
    return min(severity, most, key=order.index)


def seconds_of(evidence: Evidence, frames: Iterable[int]) -> tuple[float, float]:
    """Return from when to when the video shows frames of the timeline; of the nearest where it shows none."""
    wanted = np.array(sorted(frames), float)
    if not len(wanted) or not len(evidence.places):
        return (0.0, 0.0)
    rate = evidence.video_fps
    shown = np.flatnonzero(np.isin(np.round(evidence.places), wanted))
    if not len(shown):
        shown = np.array([np.argmin(np.abs(evidence.places - wanted[0]))])
    return (round(float(shown.min()) / rate, 3), round((float(shown.max()) + 1.0) / rate, 3))


def span_words(evidence: Evidence, frames: list[int]) -> str:
    """Return where frames lie, in words with the first one's file name."""
    if len(frames) == 1:
        return f"at {evidence.label(frames[0])}"
    last = f" to frame {frames[-1]}" if frames[-1] - frames[0] == len(frames) - 1 else " and others"
    return f"from {evidence.label(frames[0])}{last}"


def finding(
    evidence: Evidence,
    cause: Cause,
    frames: Iterable[int],
    *,
    seen: str,
    why: str,
    measured: float,
    unit: str,
    limit: float,
    ratio: float,
    left: float | None,
    left_ratio: float | None = None,
    mended: bool | None = None,
    most: Severity = "spoils",
    air: str | None,
    desk: str | None,
) -> Finding:
    """Return a finding; where `left_ratio` is told, it decides whether it is mended and how grave it is."""
    is_mended = bool(left_ratio is not None and left_ratio <= 1.0) if mended is None else mended
    grave = ratio if left_ratio is None else left_ratio
    places = sorted({int(frame) for frame in frames})
    return Finding(
        cause=cause,
        frames=places,
        seconds=seconds_of(evidence, places),
        seen=seen,
        why=why,
        measured=float(measured),
        unit=unit,
        limit=float(limit),
        ratio=float(ratio),
        severity=severity_of(grave, mended=is_mended, most=most),
        mended=is_mended,
        left=None if left is None else float(left),
        remedy=Remedy(air=air, desk=desk),
    )
