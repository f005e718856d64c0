"""Deflicker: which gain makes each frame show the light that is kept alone."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.grid import Parts, uneven_rms_ev
from pipeline.measure.highpass import FILTER_VERSION, fast_figures, fast_part, is_short
from pipeline.measure.levels import ALIGNED, NOTHING, STATISTICS, Levels
from pipeline.measure.shrink import most_probable
from pipeline.sequence import Sequence
from pipeline.settings import DeflickerSettings
from pipeline.stages.light import STEP_LIMIT_EV, Light, exposure_tags, tell_light
from pipeline.stages.result import StageResult

Floats = NDArray[np.float64]

CHANNEL_SHARE = np.array([0.25, 0.5, 0.25])
"""What each channel's level counts in the frame's level: as the photosites of a Bayer mosaic do."""

CLIPPED_OUTLIER_EV = 0.25
"""A frame brighter than the slow light by more than this does not lower the common white."""

RESTS_ON = {
    ALIGNED: "the whole picture, aligned in bulk",
    STATISTICS: "the medians of the pictures",
    NOTHING: "the exposure tags",
}


@dataclass(frozen=True)
class Deflickered:
    """Gain (n,) in EV for each frame of the timeline, and the common white of the sequence."""

    gain_ev: Floats
    white: float


def anchored(values: Floats) -> Floats:
    """Return `values` with the median of the known ones at zero."""
    return values - np.nanmedian(values) if np.isfinite(values).any() else values


def deflicker(
    sequence: Sequence,
    light: Levels,
    held_out: Levels,
    settings: DeflickerSettings,
    fps: float,
    parts: Parts | None = None,
) -> tuple[Deflickered, StageResult]:
    """Solve the gains from the levels of light and the exposure tags.

    `held_out` holds the levels solved from the blocks kept out of `light`; they measure what is left.
    `parts` is the flicker that differs across the picture, which the levels are free of already.
    """
    period = settings.keep_slower_than_s * fps
    level = light.level_ev @ CHANNEL_SHARE
    # Medians of pictures of other ground tell a frame's gain roughly, and nothing of the light.
    loose = light.group == STATISTICS if light.group is not None else np.zeros(len(level), bool)
    firm = level if loose.all() else np.where(loose, np.nan, level)
    told = tell_light(firm, sequence, light.group, settings, period)
    flicker = level - told.exposure_ev - told.joined_ev - told.light_ev

    # Where the level is unknown, the tags are all we have.
    known = np.isfinite(level)
    believed = np.where(known, most_probable(flicker, light.sigma_ev), 0.0)
    gain = told.kept_ev - (told.light_ev + told.exposure_ev + believed)
    gain = anchored(np.where([frame.usable for frame in sequence.frames], gain, np.nan))
    white = _common_white(gain, flicker)

    after = held_out.level_ev @ CHANNEL_SHARE - told.joined_ev + gain
    left = fast_part(after - told.kept_ev, period)
    result = StageResult()
    _figures(result, "found", flicker)
    _figures(result, "left", left)
    _uneven(result, parts)
    result.applied |= {
        "light": settings.light,
        "filter_version": FILTER_VERSION,
        "period_frames": period,
        "slow_part": "straight line" if is_short(len(level), period) else "smoother",
        "light_range_ev": float(np.nanmax(told.light_ev) - np.nanmin(told.light_ev)),
        "kept_range_ev": float(np.nanmax(told.kept_ev) - np.nanmin(told.kept_ev)),
        "sudden_light_frames": told.shifts,
        "exif_range_ev": _range(exposure_tags(sequence)),
        "tags": told.tags,
        "tag_errors_ev": told.tag_error_ev,
        "tag_errors_sigma_ev": told.tag_sigma_ev,
        "common_white": white,
        "vignette": list(light.vignette),
    }
    _warn(result, sequence, light, period, told)
    result.frames = _rows(sequence, light, held_out, told, flicker, gain, left, parts)
    return Deflickered(gain, white), result


def _common_white(gain: Floats, flicker: Floats) -> float:
    """Return the lowest gained saturation over frames that are not outliers."""
    ordinary = np.isfinite(gain) & ~(np.abs(flicker) > CLIPPED_OUTLIER_EV)
    chosen = gain[ordinary] if ordinary.any() else gain[np.isfinite(gain)]
    return float(2.0 ** chosen.min()) if len(chosen) else 1.0


def _figures(result: StageResult, when: str, fast: Floats) -> None:
    into = result.found if when == "found" else result.left
    rms, worst, beyond = fast_figures(fast)
    into.update(flicker_rms_ev=rms, flicker_worst_ev=worst, outlier_frames=beyond)
    if rms is None:
        for key in ("flicker_rms_ev", "flicker_worst_ev"):
            result.unmeasured[f"{when}.{key}"] = "no two frames share enough trusted ground"


def _uneven(result: StageResult, parts: Parts | None) -> None:
    for when, into in (("found", result.found), ("left", result.left)):
        field = None if parts is None else parts.found_ev if when == "found" else parts.left_ev
        into["uneven_rms_ev"] = None if field is None else uneven_rms_ev(field)
        if into["uneven_rms_ev"] is None:
            result.unmeasured[f"{when}.uneven_rms_ev"] = "no two frames share enough trusted ground"
    if parts is not None:
        result.applied["uneven_frames"] = int(np.count_nonzero(parts.applied_ev.any(axis=(1, 2))))


def _warn(result: StageResult, sequence: Sequence, light: Levels, period: float, told: Light) -> None:
    if is_short(len(sequence.frames), period):
        result.warnings.append(
            f"the sequence is shorter than two periods of {period:.0f} frames: "
            "its slow light was taken as a straight line"
        )
    if told.tags == "silent":
        result.warnings.append("no photo tells its exposure: all changes of level count as light or flicker")
    if told.beyond:
        result.warnings.append(
            f"at an EXIF change the level moved over {STEP_LIMIT_EV} EV more than the tags say: kept as light"
        )
    loose = [f.label for f in sequence.photos if light.unregistered[f.frame]]
    if loose:
        result.warnings.append(
            f"{len(loose)} frames share no registered ground with others and rest on the whole picture or on "
            "their tags: " + ", ".join(loose[:5])
        )
    apart = 0 if light.group is None else int(light.group.max(initial=0))
    if apart > 0:
        result.warnings.append(
            f"the ground is lost {apart} times and found again: the light is taken to go on evenly there"
        )


def _range(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max() - known.min()) if len(known) else None


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _rests_on(light: Levels, frame: int) -> str:
    if light.group is None:
        return RESTS_ON[ALIGNED] if light.unregistered[frame] else "registered ground"
    group = int(light.group[frame])
    return RESTS_ON.get(group, "registered ground" if group == 0 else f"registered ground of group {group}")


def _rows(
    sequence: Sequence,
    light: Levels,
    held_out: Levels,
    told: Light,
    flicker: Floats,
    gain: Floats,
    left: Floats,
    parts: Parts | None,
) -> list[dict[str, object]]:
    level = light.level_ev @ CHANNEL_SHARE
    exif = exposure_tags(sequence)
    rows: list[dict[str, object]] = []
    for frame in sequence.frames:
        k = frame.frame
        known = bool(np.isfinite(level[k]))
        rests_on = None if not frame.usable else _rests_on(light, k) if known else RESTS_ON[NOTHING]
        row: dict[str, object] = {
            "frame": k,
            "file": frame.file,
            "level_ev": _number(level[k]),
            "level_rgb_ev": [_number(value) for value in light.level_ev[k]],
            "exif_ev": _number(exif[k]),
            "scene_light_ev": _number(told.light_ev[k]),
            "light_ev": _number(told.kept_ev[k]),
            "found_ev": _number(flicker[k]),
            "gain_ev": _number(gain[k]),
            "gain_sigma_ev": _number(light.sigma_ev[k]),
            "left_ev": _number(left[k]),
            "left_sigma_ev": _number(held_out.sigma_ev[k]),
            "rests_on": rests_on,
            "note": frame.state if not frame.usable else None,
        }
        rows.append(row | (_uneven_row(parts, k) if parts is not None else {}))
    return rows


def _uneven_row(parts: Parts, frame: int) -> dict[str, object]:
    def size(field: Floats) -> float | None:
        return _number(float(np.sqrt(np.mean(field[frame] ** 2))))

    return {
        "uneven_found_ev": size(parts.found_ev),
        "uneven_sigma_ev": size(parts.sigma_ev),
        "uneven_applied_ev": size(parts.applied_ev),
        "uneven_left_ev": size(parts.left_ev),
    }
