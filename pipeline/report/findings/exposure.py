"""Findings of exposure: flicker, changed settings, changing light, clipping, flashing."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from pipeline.report.evidence import Evidence
from pipeline.report.findings.finding import Finding, Limits, exceeded, finding, span_words

Floats = NDArray[np.float64]

_OUTLIER_SIGMA = 5.0
_SAME_SETTINGS_EV = 1e-3


def exposure_findings(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    """Find what is wrong with the exposure; what was not measured gives no finding."""
    yield from _flashing(evidence, limits)
    yield from _flicker(evidence, limits)
    yield from _changes(evidence, limits)
    yield from _light(evidence, limits)
    yield from _clipping(evidence, limits)


def _flashing(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    limit = limits["flashes_per_s"].value
    found = evidence.flashes_found
    seen = evidence.encode.found.get("flashes_per_s") if found is None else float(np.max(found, initial=0.0))
    left = evidence.encode.left.get("flashes_per_s")
    worst = max(value for value in (seen, left, 0.0) if value is not None)
    if worst <= limit:
        return
    over = [] if found is None else np.flatnonzero(found > limit).tolist()
    if left is not None and left > limit:
        rows = evidence.encode.frames
        over = [row["frame"] for row in rows if (row.get("flashes_per_s") or 0.0) > limit] or over
    still = left is not None and left > limit
    yield finding(
        evidence,
        "flashing",
        over,
        seen="the picture flashes, which can harm people with photosensitive epilepsy",
        why=f"up to {worst:g} flashes a second over more than a quarter of a field of 10 degrees "
        "(WCAG 2.2, 2.3.1)",
        measured=worst,
        unit="flashes a second",
        limit=limit,
        ratio=exceeded(worst, limit),
        left=left,
        left_ratio=None if left is None else exceeded(float(left), limit),
        air="lock shutter, aperture and ISO before the flight",
        desk="do not publish this video as it is: even out the light with `deflicker`, or a lower frame rate"
        if still
        else "`deflicker` evens the light out; look at the finished video's own figure before publishing",
    )


def _deviations(evidence: Evidence) -> Floats:
    """How far (n,) each frame's level is from the slow light, its settings taken out, in EV."""
    told = evidence.deflicker.column("found_ev", evidence.count)
    if np.isfinite(told).any():
        return told
    level, exif, light = (
        evidence.deflicker.column(key, evidence.count) for key in ("level_ev", "exif_ev", "light_ev")
    )
    settings = np.where(np.isfinite(exif), exif, 0.0)
    off = level - settings - light
    # What the tags tell is nominal: each setting has its own error, which is no flicker.
    for value in np.unique(np.round(settings, 3)):
        same = np.abs(settings - value) < _SAME_SETTINGS_EV
        if np.isfinite(off[same]).any():
            off[same] -= np.nanmedian(off[same])
    return np.asarray(off)


def _flicker(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    rms = evidence.deflicker.found.get("flicker_rms_ev")
    if rms is None or limits.ratio("flicker_rms_ev", rms) <= 1.0:
        return
    limit = limits["flicker_rms_ev"].value
    left = evidence.deflicker.left.get("flicker_rms_ev")
    off = _deviations(evidence)
    known = np.abs(np.where(np.isfinite(off), off, 0.0))
    frames = np.flatnonzero(known > limit)
    usual = float(np.median(known[known > 0.0])) if np.any(known > 0.0) else 0.0
    outliers = np.flatnonzero(known > max(limit, _OUTLIER_SIGMA * 1.4826 * usual))
    # Single photos are the cause only where all the others would hold still without them.
    rest = np.delete(known, outliers)
    steady = float(np.sqrt(np.mean(rest**2))) <= 0.5 * rms if len(rest) else False
    few = steady and 0 < len(outliers) <= 0.1 * evidence.count
    worst = float(np.max(known, initial=0.0))
    chosen = outliers if few else frames
    photos = "1 photo was" if len(outliers) == 1 else f"{len(outliers)} photos were"
    yield finding(
        evidence,
        "exposure_flicker",
        chosen.tolist() or [int(np.argmax(known))],
        seen="single photos flash up or go dark" if few else "the brightness flickers",
        why=f"{photos} exposed by up to {worst:.2f} EV off what the light asked for"
        if few
        else f"the exposure differed from photo to photo: {rms:.3f} EV RMS, {worst:.2f} EV at worst",
        measured=rms,
        unit="EV RMS",
        limit=limit,
        ratio=exceeded(rms, limit),
        left=left,
        left_ratio=None if left is None else exceeded(left, limit),
        air="lock shutter, aperture and ISO; a fixed aperture and an electronic shutter vary least",
        desk="`deflicker` evens it out",
    )


def _changes(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    exif = evidence.load.column("exposure_ev", evidence.count)
    places = np.flatnonzero(np.isfinite(exif))
    if len(places) < 2:
        return
    changes = np.diff(exif[places])
    limit = limits["exposure_step_ev"].value
    beyond = np.flatnonzero(np.abs(changes) > limit)
    if not len(beyond):
        return
    worst = float(np.max(np.abs(changes)))
    frames = [int(places[k + 1]) for k in beyond]
    gain = evidence.deflicker.column("gain_ev", evidence.count)
    left = _left_at(evidence, frames) if np.isfinite(gain).any() else None
    times = "once" if len(frames) == 1 else f"{len(frames)} times"
    yield finding(
        evidence,
        "exposure_change",
        frames,
        seen="the brightness jumps, and stays",
        why=f"the camera changed its exposure {times}, by up to {worst:.2f} EV, "
        f"{span_words(evidence, frames)}",
        measured=worst,
        unit="EV",
        limit=limit,
        ratio=exceeded(worst, limit),
        left=left,
        left_ratio=None if left is None else exceeded(left, limit),
        air="lock shutter, aperture and ISO before the flight",
        desk="`deflicker` takes the step out; noise and clipped parts differ on both sides of it",
    )


def _left_at(evidence: Evidence, frames: list[int]) -> float | None:
    """The largest step left in the corrected level at these frames, EV."""
    left = evidence.deflicker.column("left_ev", evidence.count)
    steps = []
    for frame in frames:
        before, after = left[max(frame - 5, 0) : frame], left[frame : frame + 5]
        if np.isfinite(before).any() and np.isfinite(after).any():
            steps.append(abs(float(np.nanmedian(after) - np.nanmedian(before))))
    return max(steps) if steps else None


def _light(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    light = evidence.deflicker.column("light_ev", evidence.count)
    if not np.isfinite(light).any():
        return
    spread = float(np.nanmax(light) - np.nanmin(light))
    ratio = limits.ratio("light_range_ev", spread)
    if ratio <= 1.0:
        return
    ends = sorted((int(np.nanargmin(light)), int(np.nanargmax(light))))
    way = "brighter" if light[ends[1]] > light[ends[0]] else "darker"
    yield finding(
        evidence,
        "light_change",
        range(ends[0], ends[1] + 1),
        seen=f"the scene grows {way}",
        why=f"the light itself changed by {spread:.1f} EV: cloud, or a low sun",
        measured=spread,
        unit="EV",
        limit=limits["light_range_ev"].value,
        ratio=ratio,
        left=spread,
        left_ratio=ratio,
        most="visible",
        air="choose steadier light, or a shorter flight",
        desk="it is kept as light; a shorter deflicker.keep_slower_than_s keeps less of it",
    )


def _clipping(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    clipped = 100.0 * np.max(evidence.channels("clipped"), axis=1)
    crushed = 100.0 * np.median(evidence.channels("crushed"), axis=1)
    for key, cause, values in (
        ("sky_clipped_pct", "sky_clipped", clipped),
        ("ground_crushed_pct", "ground_crushed", crushed),
    ):
        if not np.isfinite(values).any():
            continue
        limit = limits[key].value
        worst = float(np.nanmax(values))
        beyond = np.flatnonzero(values > limit)
        if not len(beyond):
            continue
        bright = cause == "sky_clipped"
        yield finding(
            evidence,
            "sky_clipped" if bright else "ground_crushed",
            beyond.tolist(),
            seen="bright parts are white without detail" if bright else "dark parts are black without detail",
            why=f"{worst:.0f} % of the photosites were {'saturated' if bright else 'at black'}, "
            f"{span_words(evidence, beyond.tolist())}",
            measured=worst,
            unit="% of the photosites",
            limit=limit,
            ratio=exceeded(worst, limit),
            left=worst,
            left_ratio=exceeded(worst, limit),
            air="expose for the highlights: less exposure, or a lower sun behind you"
            if bright
            else "expose longer, or wait for more light",
            desk="the shoulder of the grade rolls them off; what was clipped cannot be brought back"
            if bright
            else "what was crushed cannot be brought back; do not lift the shadows",
        )
