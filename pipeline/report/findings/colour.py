"""Findings of colour: automatic white balance, haze, and photosites that glow."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from pipeline.report.evidence import Evidence
from pipeline.report.findings.finding import Finding, Limits, exceeded, finding

_SPARED = 0.5


def colour_findings(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    """Find what is wrong with the colour; what was not measured gives no finding."""
    yield from _white_balance(evidence, limits)
    yield from _haze(evidence, limits)
    yield from _hot(evidence, limits)


def _white_balance(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    rms = evidence.balance.found.get("neutral_rms_mired")
    if rms is None or limits.ratio("neutral_rms_mired", rms) <= 1.0:
        return
    limit = limits["neutral_rms_mired"].value
    wander = evidence.balance.column("wander_mired", evidence.count)
    if not np.isfinite(wander).any():
        wander = evidence.balance.column("as_shot_mired", evidence.count)
    off = np.abs(wander - np.nanmedian(wander)) if np.isfinite(wander).any() else np.zeros(evidence.count)
    off = np.where(np.isfinite(off), off, 0.0)
    left = evidence.balance.left.get("neutral_rms_mired")
    worst = float(np.max(off, initial=0.0))
    yield finding(
        evidence,
        "auto_white_balance",
        np.flatnonzero(off > limit).tolist(),
        seen="the colours wander between warm and cold",
        why=f"the camera chose its white balance anew for each photo: {rms:.0f} mired RMS, "
        f"{worst:.0f} at worst",
        measured=rms,
        unit="mired RMS",
        limit=limit,
        ratio=exceeded(rms, limit),
        left=left,
        left_ratio=None if left is None else exceeded(left, limit),
        air="set the white balance by hand, and photograph RAW",
        desk="`balance` renders all photos with one neutral",
    )


def _haze(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    veil = 100.0 * evidence.look("veil")
    if not np.isfinite(veil).any():
        return
    median = float(np.nanmedian(veil))
    ratio = limits.ratio("veil_pct", median)
    if ratio <= 1.0:
        return
    yield finding(
        evidence,
        "haze",
        np.flatnonzero(veil > limits["veil_pct"].value * _SPARED).tolist(),
        seen="the scene is grey and flat",
        why=f"haze lifts even the darkest near ground to {median:.0f} % of the brightest white",
        measured=median,
        unit="% of the brightest",
        limit=limits["veil_pct"].value,
        ratio=ratio,
        left=median,
        left_ratio=ratio,
        air="fly in clearer air, nearer to the subject within the rules, or with the sun behind you",
        desk="a grade with more contrast and a darker black level, such as encode.grade = clear-morning",
    )


def _hot(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    if not evidence.hot_count:
        return
    count = float(evidence.hot_count)
    yield finding(
        evidence,
        "hot_pixel",
        np.flatnonzero(evidence.present).tolist(),
        seen="coloured dots stand still in the picture",
        why=f"{evidence.hot_count} photosites of the sensor glow by themselves in all photos",
        measured=count,
        unit="photosites",
        limit=limits["hot_count"].value,
        ratio=limits.ratio("hot_count", count),
        left=0.0,
        left_ratio=0.0,
        air="let the camera cool, and use a lower ISO and a shorter shutter",
        desk="the render tells them from their neighbours",
    )
