"""Deflicker: which gain makes each frame show the slow light alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.exposure import captured_ev
from pipeline.measure.highpass import FILTER_VERSION, fast_figures, fast_part, is_short, slow_and_steps
from pipeline.measure.levels import Levels
from pipeline.sequence import Sequence
from pipeline.settings import DeflickerSettings
from pipeline.stages.result import StageResult

Floats = NDArray[np.float64]

CHANNEL_SHARE = np.array([0.25, 0.5, 0.25])
"""What each channel's level counts in the frame's level: as the photosites of a Bayer mosaic do."""

STEP_LIMIT_EV = 0.25
"""A tag is nominal by up to this much; a larger step at an EXIF change is light, not a wrong tag."""

CLIPPED_OUTLIER_EV = 0.25
"""A frame brighter than the slow light by more than this does not lower the common white."""


@dataclass(frozen=True)
class Deflickered:
    """Gain (n,) in EV for each frame of the timeline, and the common white of the sequence."""

    gain_ev: Floats
    white: float


def exposure_tags(sequence: Sequence) -> Floats:
    """Return the exposure (n,) in EV that the tags tell, NaN where they are silent."""
    told = [captured_ev(frame.shutter_s, frame.aperture, frame.iso) for frame in sequence.frames]
    return np.array([np.nan if value is None else value for value in told])


def tag_shapes(exif_ev: Floats) -> tuple[Floats, list[float]]:
    """Return the unit shapes (n, k) of the steps at EXIF changes and the settings they belong to.

    One shape for each distinct exposure but the most frequent: a nominal tag errs by the same amount
    wherever it stands.
    """
    known = np.round(exif_ev[np.isfinite(exif_ev)], 4)
    settings, counts = np.unique(known, return_counts=True)
    others = [float(value) for value in settings if value != settings[int(np.argmax(counts))]]
    shapes = [(np.abs(exif_ev - value) < 1e-3).astype(float) for value in others]
    return (np.stack(shapes, axis=1) if shapes else np.zeros((len(exif_ev), 0))), others


def anchored(values: Floats) -> Floats:
    """Return `values` with the median of the known ones at zero."""
    return values - np.nanmedian(values) if np.isfinite(values).any() else values


def deflicker(
    sequence: Sequence, light: Levels, held_out: Levels, settings: DeflickerSettings, fps: float
) -> tuple[Deflickered, StageResult]:
    """Solve the gains from the levels of light and the exposure tags.

    `held_out` holds the levels solved from the blocks kept out of `light`; they measure what is left.
    """
    period = settings.keep_slower_than_s * fps
    level = light.level_ev @ CHANNEL_SHARE
    exif = exposure_tags(sequence)
    told = bool(np.isfinite(exif).any())
    removed = np.where(np.isfinite(exif), exif, np.nanmedian(exif)) if told else np.zeros(len(level))
    shapes, others = tag_shapes(exif) if told else (np.zeros((len(level), 0)), [])
    fit = slow_and_steps(level - removed, shapes, period)
    steps = np.clip(fit.steps, -STEP_LIMIT_EV, STEP_LIMIT_EV)
    rest = level - removed - shapes @ steps
    slow = slow_and_steps(rest, np.zeros((len(rest), 0)), period).slow

    # Where the level is unknown, the tags are all we have.
    gain = np.where(np.isfinite(level), slow - level, -(removed + shapes @ steps))
    gain = anchored(np.where([frame.usable for frame in sequence.frames], gain, np.nan))
    flicker = rest - slow
    white = _common_white(gain, flicker)

    left = held_out.level_ev @ CHANNEL_SHARE + gain
    left_fast = fast_part(left, period)
    result = StageResult()
    _figures(result.found, flicker, "found", result.unmeasured)
    _figures(result.left, left_fast, "left", result.unmeasured)
    result.applied = {
        "filter_version": FILTER_VERSION,
        "period_frames": period,
        "slow_part": "straight line" if is_short(len(level), period) else "smoother",
        "light_range_ev": float(np.nanmax(slow) - np.nanmin(slow)),
        "exif_range_ev": float(np.nanmax(exif) - np.nanmin(exif)) if told else None,
        "tag_errors_ev": {f"{value:.2f}": float(size) for value, size in zip(others, steps, strict=True)},
        "common_white": white,
        "vignette": list(light.vignette),
    }
    _warn(result, sequence, light, period, told, fit.steps)
    result.frames = _rows(sequence, light, exif, slow, gain, left_fast)
    return Deflickered(gain, white), result


def _common_white(gain: Floats, flicker: Floats) -> float:
    """Return the lowest gained saturation over frames that are not outliers."""
    ordinary = np.isfinite(gain) & ~(np.abs(flicker) > CLIPPED_OUTLIER_EV)
    chosen = gain[ordinary] if ordinary.any() else gain[np.isfinite(gain)]
    return float(2.0 ** chosen.min()) if len(chosen) else 1.0


def _figures(
    into: dict[str, float | int | None], fast: Floats, when: str, unmeasured: dict[str, str]
) -> None:
    rms, worst, beyond = fast_figures(fast)
    into.update(flicker_rms_ev=rms, flicker_worst_ev=worst, outlier_frames=beyond)
    if rms is None:
        for key in ("flicker_rms_ev", "flicker_worst_ev"):
            unmeasured[f"{when}.{key}"] = "no two frames share enough trusted ground"


def _warn(
    result: StageResult, sequence: Sequence, light: Levels, period: float, told: bool, steps: Floats
) -> None:
    if is_short(len(sequence.frames), period):
        result.warnings.append(
            f"the sequence is shorter than two periods of {period:.0f} frames: "
            "its slow light was taken as a straight line"
        )
    if not told:
        result.warnings.append("no photo tells its exposure: all changes of level count as light or flicker")
    if np.any(np.abs(steps) > STEP_LIMIT_EV):
        result.warnings.append(
            f"at an EXIF change the level moved over {STEP_LIMIT_EV} EV more than the tags say: kept as light"
        )
    loose = [f.label for f in sequence.photos if light.unregistered[f.frame]]
    if loose:
        result.warnings.append(
            f"{len(loose)} frames share no registered ground with others and rest on the whole picture: "
            + ", ".join(loose[:5])
        )


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _rows(
    sequence: Sequence, light: Levels, exif: Floats, slow: Floats, gain: Floats, left: Floats
) -> list[dict[str, object]]:
    level = light.level_ev @ CHANNEL_SHARE
    rows: list[dict[str, object]] = []
    for frame in sequence.frames:
        k = frame.frame
        note: str | None = None
        if not frame.usable:
            note = frame.state
        elif not np.isfinite(level[k]):
            note = "gain from the tags alone: nothing shared with other frames"
        elif light.unregistered[k]:
            note = "rests on the whole picture, not on registered ground"
        rows.append(
            {
                "frame": k,
                "file": frame.file,
                "level_ev": _number(level[k]),
                "exif_ev": _number(exif[k]),
                "light_ev": _number(slow[k]),
                "gain_ev": _number(gain[k]),
                "left_ev": _number(left[k]),
                "uncertainty_ev": _number(light.sigma_ev[k]),
                "note": note,
            }
        )
    return rows
