"""Findings of motion: steps of heading and pitch, shake, speed, drift, tilt, and the shutter's blur."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import largest_rectangle
from pipeline.geometry.pose import attitude
from pipeline.measure.course import Jerk, off_course_pct, speed_steps_pct, without_jerks
from pipeline.measure.highpass import fast_part
from pipeline.report.evidence import Evidence
from pipeline.report.findings.finding import COURSE_CAUTION, Finding, Limits, exceeded, finding
from pipeline.report.findings.turns import turn_findings

Floats = NDArray[np.float64]

JUDGED_WIDTH_PX = 1920
"""Motion is told in px of a picture 1920 wide, whatever the size of the video."""

_STILL_PCT = 0.3  # of the width: ground that moves less from photo to photo does not look chopped


def motion_findings(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    """Find what is wrong with the motion; what was not measured gives no finding."""
    if evidence.stabilise.frames:
        vectors = _vectors(evidence, "")
        steady = _vectors(evidence, "steady_")
        down = _down(evidence)
        known = evidence.present & np.isfinite(vectors).all(axis=1) & _rests_on_pictures(evidence)
        if np.count_nonzero(known) >= 8:
            headings = list(
                turn_findings(evidence, limits, vectors @ down, steady @ down, known, "heading_step")
            )
            pitches = list(turn_findings(evidence, limits, vectors[:, 0], steady[:, 0], known, "pitch_step"))
            yield from (found for _, found in headings + pitches if found is not None)
            calm = vectors - np.outer(_stairs(headings, len(vectors)), down)
            calm[:, 0] -= _stairs(pitches, len(vectors))
            yield from _shake(evidence, limits, calm, known)
    yield from _speed(evidence, limits)
    yield from _drift(evidence, limits)
    yield from _tilt(evidence, limits)
    yield from _shutter(evidence, limits)


def _vectors(evidence: Evidence, prefix: str) -> Floats:
    """Turns (n, 3) in degrees summed from the first frame: pitch up, yaw right, roll right."""
    names = ("pitch_deg", "yaw_deg", "roll_deg")
    columns = [evidence.stabilise.column(prefix + name, evidence.count) for name in names]
    return np.stack(columns, axis=1)


def _down(evidence: Evidence) -> Floats:
    pitch = evidence.load.column("pitch_deg", evidence.count)
    told = float(np.nanmedian(pitch)) if np.isfinite(pitch).any() else 0.0
    return np.asarray(attitude(0.0, told, 0.0) @ np.array([0.0, 0.0, -1.0]))


def _rests_on_pictures(evidence: Evidence) -> NDArray[np.bool_]:
    rests = {row["frame"]: row.get("rests_on") for row in evidence.stabilise.frames}
    return np.array([rests.get(k) not in ("held", "bridged") for k in range(evidence.count)])


def _stairs(found: list[tuple[Jerk | None, Finding | None]], count: int) -> Floats:
    return -without_jerks(np.zeros(count), [jerk for jerk, _ in found if jerk is not None])


def _shake(
    evidence: Evidence, limits: Limits, degrees: Floats, known: NDArray[np.bool_]
) -> Iterator[Finding]:
    """The fast part of the turning that is left when steps are taken out, in px of a picture 1920 wide."""
    focal, size = evidence.stabilise.applied.get("focal_px"), _size(evidence)
    if not focal or size is None:
        return
    shape = tuple(evidence.stabilise.applied.get("shape") or (16, 9))
    crop = evidence.stabilise.left.get("crop_ratio") or 1.0
    scale = JUDGED_WIDTH_PX / (largest_rectangle(*size, (shape[0], shape[1]))[0] * crop)
    period = min(2.0 * evidence.fps, len(degrees) / 2.0)
    masked = np.where(known[:, None], np.deg2rad(degrees), np.nan)
    fast = np.stack([fast_part(axis, period) for axis in masked.T], axis=1)
    height = JUDGED_WIDTH_PX * shape[1] / shape[0]
    radius = np.sqrt((JUDGED_WIDTH_PX**2 + height**2) / 12.0)
    px = np.sqrt((focal * scale) ** 2 * (fast[:, 0] ** 2 + fast[:, 1] ** 2) + (radius * fast[:, 2]) ** 2)
    rms = float(np.sqrt(np.nanmean(px**2)))
    ratio = limits.ratio("jitter_rms_px", rms)
    if ratio <= 1.0:
        return
    limit = limits["jitter_rms_px"].value
    left = evidence.stabilise.left.get("jitter_rms_px")
    if left is not None:
        left = float(left) * JUDGED_WIDTH_PX / _delivered_width(evidence, size)
    frames = np.flatnonzero(px > max(limit, rms))
    yield finding(
        evidence,
        "shake",
        frames.tolist(),
        seen="the shot trembles",
        why=f"the camera's direction jumped from photo to photo by {rms:.1f} px RMS of a picture "
        f"{JUDGED_WIDTH_PX} px wide: gusts, or a gimbal at work",
        measured=rms,
        unit=f"px RMS at {JUDGED_WIDTH_PX}",
        limit=limit,
        ratio=ratio,
        left=left,
        left_ratio=None if left is None else limits.ratio("jitter_rms_px", left),
        air="fly in less wind, or let the drone settle before each photo",
        desk="`stabilise` steadies it; where it is not enough, raise stabilise.max_crop",
    )


def _size(evidence: Evidence) -> tuple[int, int] | None:
    width, height = evidence.load.applied.get("width"), evidence.load.applied.get("height")
    return (int(width), int(height)) if width and height else None


def _delivered_width(evidence: Evidence, size: tuple[int, int]) -> float:
    outputs = evidence.encode.applied.get("outputs") or [{}]
    return float(outputs[-1].get("width") or min(JUDGED_WIDTH_PX, size[0]))


def _speed(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    speed = evidence.stabilise.column("ground_speed", evidence.count)[:-1]
    if np.isfinite(speed).sum() < 5:
        return
    off = speed_steps_pct(speed)
    beyond = np.flatnonzero(off > limits["speed_step_pct"].value)
    if not len(beyond):
        return
    worst = float(np.nanmax(off))
    ratio = limits.ratio("speed_step_pct", worst)
    even = bool(evidence.stabilise.applied.get("even_speed"))
    at = int(np.nanargmax(off))
    yield finding(
        evidence,
        "uneven_speed",
        (beyond + 1).tolist(),
        seen="the ground passes now faster, now slower",
        why=f"the speed over the ground left its course by {worst:.0f} %, at {evidence.label(at + 1)}",
        measured=worst,
        unit="% of the usual speed",
        limit=limits["speed_step_pct"].value,
        ratio=ratio,
        left=0.0 if even else worst,
        left_ratio=0.0 if even else ratio,
        air="hold one speed between the first photo and the last, and begin and end the sequence in flight "
        f"({COURSE_CAUTION})",
        desk="set stabilise.even_speed = true: time is remapped so that the ground passes evenly",
    )


def _drift(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    if evidence.way is None or np.isfinite(evidence.way).all(axis=1).sum() < 8:
        return
    off = off_course_pct(evidence.way, 2.0 * evidence.fps)
    rms = float(np.sqrt(np.mean(off**2)))
    ratio = limits.ratio("off_course_pct", rms)
    if ratio <= 1.0:
        return
    yield finding(
        evidence,
        "position_drift",
        np.flatnonzero(off > max(rms, limits["off_course_pct"].value)).tolist(),
        seen="near things sway against the distance",
        why="the drone left its course sideways or in height from photo to photo, by "
        f"{rms:.1f} % RMS of its distance from the ground",
        measured=rms,
        unit="% of the distance",
        limit=limits["off_course_pct"].value,
        ratio=ratio,
        left=rms,
        left_ratio=ratio,
        air="fly in less wind or higher above near things, within the height that the rules allow "
        f"({COURSE_CAUTION})",
        desk="no turning mends parallax; leave near edges out with a tighter crop",
    )


def _tilt(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    roll = evidence.load.column("roll_deg", evidence.count)
    if np.isfinite(roll).sum() < 5:
        return
    lean = _running_median(roll)
    worst = float(np.nanmax(np.abs(lean)))
    ratio = limits.ratio("tilt_deg", worst)
    if ratio <= 1.0:
        return
    corrected = evidence.stabilise.column("roll_deg", evidence.count) - evidence.stabilise.column(
        "steady_roll_deg", evidence.count
    )
    rest = _running_median(roll - corrected)
    left = float(np.nanmax(np.abs(rest))) if np.isfinite(rest).any() else worst
    limit = limits["tilt_deg"].value
    side = "right" if lean[int(np.nanargmax(np.abs(lean)))] > 0 else "left"
    yield finding(
        evidence,
        "horizon_tilt",
        np.flatnonzero(np.abs(lean) > limit).tolist(),
        seen="the horizon leans",
        why=f"by its own attitude the camera leant {worst:.1f}° to the {side}",
        measured=worst,
        unit="°",
        limit=limit,
        ratio=ratio,
        left=left,
        left_ratio=exceeded(left, limit),
        air="calibrate the gimbal on level ground before the flight",
        desk="level the horizon in `stabilise`, which costs some crop",
    )


def _running_median(values: Floats, half: int = 4) -> Floats:
    out = np.full(len(values), np.nan)
    for k in range(len(values)):
        near = values[max(k - half, 0) : k + half + 1]
        if np.isfinite(near).sum() >= 3:
            out[k] = np.nanmedian(near)
    return out


def _shutter(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    shutter = evidence.load.column("shutter_s", evidence.count)
    interval = evidence.load.found.get("interval_s")
    if not interval or not np.isfinite(shutter).any():
        return
    moved = 100.0 * evidence.stabilise.column("ground_motion", evidence.count)
    added = bool((evidence.encode.applied.get("shutter") or {}).get("added"))
    angle = 360.0 * shutter / float(interval)
    median = float(np.nanmedian(angle))
    ratio = limits.ratio("shutter_angle_deg", median)
    moves = not np.isfinite(moved).any() or float(np.nanmedian(moved)) > _STILL_PCT
    if ratio > 1.0 and moves:
        wished = float(interval) / 2.0
        yield finding(
            evidence,
            "shutter_short",
            np.flatnonzero(angle < limits["shutter_angle_deg"].value).tolist(),
            seen="motion looks chopped, like a row of stills",
            why=f"the shutter was open for {median:.1f}° of 360° of the interval",
            measured=median,
            unit="° of shutter angle",
            limit=limits["shutter_angle_deg"].value,
            ratio=ratio,
            left=evidence.encode.applied["shutter"].get("wished_deg") if added else median,
            left_ratio=0.0 if added else ratio,
            most="visible",
            air=f"use a neutral density filter and a shutter towards {wished:.1f} s, half the interval",
            desk="set encode.shutter_angle = 180: motion blur is made from the photos",
        )
    smear = moved * shutter / float(interval)
    beyond = np.flatnonzero(smear > limits["smear_pct"].value)
    if len(beyond):
        worst = float(np.nanmax(smear))
        over = limits.ratio("smear_pct", worst)
        yield finding(
            evidence,
            "shutter_long",
            beyond.tolist(),
            seen="the ground smears",
            why=f"the ground moved by {worst:.1f} % of the picture's width while the shutter was open "
            f"({median:.0f}° of 360°)",
            measured=worst,
            unit="% of the width",
            limit=limits["smear_pct"].value,
            ratio=over,
            left=worst,
            left_ratio=over,
            air="use a shorter shutter or a weaker filter, fly slower, or fly higher within the height that "
            f"the rules allow ({COURSE_CAUTION})",
            desk=None,
        )
