"""Findings of sharpness and of the lens: softness, spots on it, shadows of the propellers."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.report.evidence import Evidence
from pipeline.report.findings.finding import Finding, Limits, exceeded, finding, span_words

_BESIDE = 4


def sharpness_findings(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    """Find what is wrong with the sharpness; what was not measured gives no finding."""
    yield from _soft(evidence, limits)
    yield from _spots(evidence, limits)
    yield from _blades(evidence, limits)


def _soft(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    blur = np.fmin(evidence.look("blur_x"), evidence.look("blur_y"))
    if np.isfinite(blur).any():
        median = float(np.nanmedian(blur))
        ratio = limits.ratio("blur_effect", median)
        if ratio > 1.0:
            yield finding(
                evidence,
                "soft",
                np.flatnonzero(blur > limits["blur_effect"].value).tolist(),
                seen="the whole flight is soft",
                why=f"fine detail is missing along both axes (blur {median:.2f}): the focus, or the lens",
                measured=median,
                unit="of 1 (blur)",
                limit=limits["blur_effect"].value,
                ratio=ratio,
                left=median,
                left_ratio=ratio,
                air="focus on the far ground, check it in the first photo, and clean the lens",
                desk="a smaller delivery hides it",
            )
            return
    yield from _soft_frames(evidence, limits)


def _soft_frames(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    """Frames that are softer than those beside them on the same ground."""
    if evidence.sharper is None:
        return
    lost = np.full(evidence.count, np.nan)
    for k in np.flatnonzero(np.isfinite(evidence.sharper)):
        beside = np.r_[evidence.sharper[max(k - _BESIDE, 0) : k], evidence.sharper[k + 1 : k + 1 + _BESIDE]]
        if np.isfinite(beside).sum() >= 3:
            # Energy goes with the square of contrast.
            change = float(evidence.sharper[k] - np.nanmedian(beside))
            lost[k] = 100.0 * (1.0 - 2.0 ** (0.5 * change))
    beyond = np.flatnonzero(lost > limits["softening_pct"].value)
    if not len(beyond):
        return
    worst = float(np.nanmax(lost))
    ratio = limits.ratio("softening_pct", worst)
    yield finding(
        evidence,
        "soft",
        beyond.tolist(),
        seen="single photos are soft",
        why=f"{worst:.0f} % of the fine contrast is missing that photos beside it show of the same ground, "
        f"{span_words(evidence, beyond.tolist())}: vibration, or the focus",
        measured=worst,
        unit="% of fine contrast",
        limit=limits["softening_pct"].value,
        ratio=ratio,
        left=worst,
        left_ratio=ratio,
        air="balance and clean the propellers, fix the focus, and avoid gusts with long shutters",
        desk="drop the photos with load.leave_out: they are then made from their neighbours",
    )


def _spots(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    limit = limits["spot_pct"].value
    spots = [spot for spot in evidence.spots or [] if 100.0 * spot.depth > limit]
    if not spots:
        return
    deepest = spots[0]
    depth = 100.0 * deepest.depth
    yield finding(
        evidence,
        "lens_spot",
        np.flatnonzero(evidence.present).tolist(),
        seen="a spot stands still in the picture",
        why=f"something on the lens takes {depth:.0f} % of the light, {100.0 * deepest.x:.0f} % of the "
        f"width from the left and {100.0 * deepest.y:.0f} % from the top"
        + (f", and {len(spots) - 1} more" if len(spots) > 1 else ""),
        measured=depth,
        unit="% of the light",
        limit=limit,
        ratio=exceeded(depth, limit),
        left=depth,
        left_ratio=exceeded(depth, limit),
        air="clean the lens and the filter before the flight",
        desk="crop it away where it is near the edge",
    )


def _blades(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    if evidence.blade is None or not np.isfinite(evidence.blade).any():
        return
    share = 100.0 * evidence.blade
    beyond = np.flatnonzero(share > limits["blade_pct"].value)
    if not len(beyond):
        return
    worst = float(np.nanmax(share))
    ratio = limits.ratio("blade_pct", worst)
    yield finding(
        evidence,
        "propeller_shadow",
        beyond.tolist(),
        seen="dark bands flicker at the top of the picture",
        why=f"a band at the top loses {worst:.0f} % of its light in some photos, not in those beside, "
        f"{span_words(evidence, beyond.tolist())}: a propeller or its shadow",
        measured=worst,
        unit="% of the light",
        limit=limits["blade_pct"].value,
        ratio=ratio,
        left=worst,
        left_ratio=ratio,
        air="tilt the camera down or turn away from the sun; a longer shutter blurs the blades",
        desk="drop the photos with load.leave_out, or crop the top away",
    )
