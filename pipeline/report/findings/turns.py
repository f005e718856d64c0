"""Findings of turning: steps of heading or pitch, fast turns, and turns that begin with a jerk."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.course import Jerk, steps, turn_changes, turn_per_photo, without_jerks
from pipeline.report.evidence import Evidence
from pipeline.report.findings.finding import COURSE_CAUTION, Finding, Limits, exceeded, finding, span_words

Floats = NDArray[np.float64]
Turning = Literal["heading_step", "pitch_step"]

_LASTING = 5  # photos from which a fast turn counts as one
_SPREAD = 12  # photos over which a corrected step may be spread


def turn_findings(
    evidence: Evidence,
    limits: Limits,
    angle: Floats,
    steady: Floats,
    known: NDArray[np.bool_],
    cause: Turning,
) -> Iterator[tuple[Jerk | None, Finding | None]]:
    """Find steps of an angle, lasting fast turns, and turns that begin or end at once, in degrees (n,).

    Each step and each change of turn comes with its finding, or with None below the limit: it is no shake
    either. A lasting turn comes with None in their place. `steady` is the same angle of the steady view,
    `known` (n,) tells where the angle rests on pictures.
    """
    view = evidence.field_of_view_deg
    if view is None:
        return
    limit = limits["turn_fields_per_s"].value * view / evidence.fps
    jerks = steps(angle, known, 0.5 * limit)
    for jerk in jerks:
        size = abs(jerk.size_deg)
        told = _step(evidence, cause, jerk, limit, steady) if size > limit else None
        yield jerk, told
    smooth = without_jerks(angle, jerks)
    turn = np.abs(turn_per_photo(smooth, known))
    fast = np.flatnonzero(turn > limit)
    if len(fast) >= _LASTING:
        yield None, _lasting(evidence, cause, fast, float(np.max(turn[fast])), limit)
        return
    least = limits["turn_change_deg"].value
    beside = {k for jerk in jerks for k in range(jerk.frame - 6, jerk.frame + 7)}
    for change in turn_changes(smooth, known, least):
        if change.frame not in beside:
            yield change, _abrupt(evidence, cause, change, least, steady)


def _words(cause: Turning, size: float) -> tuple[str, str, str]:
    """What turned, which way, and what the viewer sees of it."""
    if cause == "heading_step":
        side = "right" if size > 0 else "left"
        return "heading", side, f"the shot jerks {side}"
    side = "up" if size > 0 else "down"
    return "camera's pitch", side, f"the shot jerks {side}"


def _step(evidence: Evidence, cause: Turning, jerk: Jerk, limit: float, steady: Floats) -> Finding:
    what, _, seen = _words(cause, jerk.size_deg)
    size = abs(jerk.size_deg)
    photos = max(int(np.ceil(1.5 * size / limit)), 2)
    left = _left_of(steady, jerk.frame)
    turn = "turn" if cause == "heading_step" else "tilt"
    return finding(
        evidence,
        cause,
        [jerk.frame],
        seen=seen,
        why=f"the {what} changed by {size:.1f}° in one interval, {span_words(evidence, [jerk.frame])}",
        measured=size,
        unit="° in one interval",
        limit=limit,
        ratio=exceeded(size, limit),
        left=left,
        left_ratio=None if left is None else exceeded(left, limit),
        air=f"spread the {turn} over {photos} photos or more ({COURSE_CAUTION})",
        desk="`stabilise` spreads it; where it is not enough, raise stabilise.max_crop",
    )


def _left_of(steady: Floats, frame: int) -> float | None:
    """The largest departure of the steady turn per photo near a frame from its own middle, degrees."""
    near = steady[max(frame - _SPREAD, 0) : frame + _SPREAD + 1]
    change = np.diff(near[np.isfinite(near)])
    return float(np.max(np.abs(change - np.median(change)))) if len(change) >= 3 else None


def _lasting(
    evidence: Evidence, cause: Turning, fast: NDArray[np.int_], worst: float, limit: float
) -> Finding:
    what, _, _ = _words(cause, 1.0)
    return finding(
        evidence,
        cause,
        fast.tolist(),
        seen="the shot swings too fast to follow",
        why=f"the {what} turned by up to {worst:.2f}° a photo, {span_words(evidence, fast.tolist())}",
        measured=worst,
        unit="° a photo",
        limit=limit,
        ratio=exceeded(worst, limit),
        left=worst,
        left_ratio=exceeded(worst, limit),
        air=f"turn by less than {limit:.2f}° a photo: more photos for the same turn ({COURSE_CAUTION})",
        desk="a lower frame rate (encode.fps) or a longer video (encode.seconds) slows the turn",
    )


def _abrupt(evidence: Evidence, cause: Turning, change: Jerk, limit: float, steady: Floats) -> Finding:
    what, _, _ = _words(cause, change.size_deg)
    size = abs(change.size_deg)
    near = steady[max(change.frame - 6, 0) : change.frame + 7]
    left = float(np.max(np.abs(np.diff(near, n=2)))) if len(near) >= 3 else None
    return finding(
        evidence,
        cause,
        [change.frame],
        seen="a turn begins or ends with a jerk",
        why=f"the turn of the {what} changed by {size:.2f}° a photo at once, "
        f"{span_words(evidence, [change.frame])}",
        measured=size,
        unit="° a photo of change",
        limit=limit,
        ratio=exceeded(size, limit),
        left=left,
        left_ratio=None if left is None else exceeded(left, limit),
        air=f"ease into the turn over {max(int(np.ceil(size / limit)) + 1, 3)} photos or more "
        f"({COURSE_CAUTION})",
        desk="`stabilise` eases it; where it is not enough, raise stabilise.max_crop",
    )
