"""Balance: one neutral for the whole sequence, and how the neutral and the ground's colour drifted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour, neutral_to_xy, xy_to_neutral
from pipeline.colour.display import BT709_LUMA, BT709_TO_XYZ
from pipeline.colour.temperature import cct_duv_to_xy, mired, xy_to_cct_duv
from pipeline.colour.whites import D65_XY
from pipeline.errors import UsageError
from pipeline.measure.highpass import fast_part, slow_part
from pipeline.measure.levels import Levels
from pipeline.sequence import Sequence, Triple
from pipeline.settings import BalanceSettings
from pipeline.stages.result import Figures, StageResult

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Balanced:
    """The neutral (3,) of the sequence and channel gains (n, 3) in EV (zero for RAW)."""

    neutral: Triple
    channel_gain_ev: Floats


def srgb_camera() -> CameraColour:
    """Return linear sRGB as a camera, so that display-referred photos have a neutral in kelvin too."""
    from_xyz = np.asarray(np.linalg.inv(BT709_TO_XYZ), np.float64)
    return CameraColour(from_xyz, 6504.0, None, None, None, None, np.eye(3), np.eye(3), np.ones(3))


def mired_duv(colour: CameraColour, neutrals: Floats) -> Floats:
    """Return reciprocal colour temperature in mired and Duv (n, 2) of camera neutrals (n, 3)."""
    out = np.full((len(neutrals), 2), np.nan)
    known = np.isfinite(neutrals).all(axis=1)
    if known.any():
        xy = np.stack([neutral_to_xy(colour, neutral) for neutral in neutrals[known]])
        cct_duv = xy_to_cct_duv(xy)
        out[known, 0] = mired(cct_duv[:, 0])
        out[known, 1] = cct_duv[:, 1]
    return out


def as_shot(sequence: Sequence, colour: CameraColour | None) -> Floats:
    """Return the camera's own neutral of each frame (n, 3); NaN where unknown, (1, 1, 1) in a JPEG."""
    if colour is None:
        return np.array([[1.0] * 3 if f.usable else [np.nan] * 3 for f in sequence.frames])
    return np.array([f.as_shot_neutral or (np.nan,) * 3 for f in sequence.frames], dtype=float)


def choose_neutral(
    sequence: Sequence, colour: CameraColour, shot: Floats, settings: BalanceSettings
) -> tuple[Triple, str]:
    """Return the neutral of the sequence and a sentence that says where it came from.

    Raises UsageError where the named frame has no neutral.
    """
    if settings.mode == "temperature":
        xy = cct_duv_to_xy(np.array([settings.temperature_k, settings.tint_duv]))
        neutral = xy_to_neutral(colour, xy)
        source = f"{settings.temperature_k:.0f} K, Duv {settings.tint_duv:+.4f}, as set"
    elif settings.mode == "frame":
        if settings.frame >= len(shot) or not np.isfinite(shot[settings.frame]).all():
            raise UsageError(
                f"balance.frame = {settings.frame} names no photo with a neutral in {sequence.id}: "
                f"choose a frame from 0 to {len(shot) - 1} that is not missing"
            )
        neutral = shot[settings.frame]
        source = f"as-shot neutral of {sequence.frames[settings.frame].label}"
    elif np.isfinite(shot).any():
        # The median is taken where neutrals are even steps to the eye, not in camera RGB.
        middle = np.nanmedian(mired_duv(colour, shot), axis=0)
        neutral = xy_to_neutral(colour, cct_duv_to_xy(np.array([1e6 / middle[0], middle[1]])))
        source = "median of the as-shot neutrals in mired and Duv"
    else:
        neutral = xy_to_neutral(colour, D65_XY)
        source = "daylight (D65), since no photo tells its neutral"
    red, green, blue = (float(value) for value in neutral / neutral[1])
    return (red, green, blue), source


def balance(
    sequence: Sequence,
    colour: CameraColour | None,
    light: Levels,
    held_out: Levels,
    settings: BalanceSettings,
    period_frames: float,
) -> tuple[Balanced, StageResult]:
    """Choose the neutral and, for display-referred photos, the channel gains that undo baked-in wander.

    RAW data do not change when the camera's white balance does: one neutral is the whole cure. In a
    JPEG the wander is in the pixels, and shows as fast change of the registered ground's colour.
    """
    camera = colour or srgb_camera()
    shot = as_shot(sequence, colour)
    neutral, source = (
        ((1.0, 1.0, 1.0), "baked into the photos")
        if colour is None
        else choose_neutral(sequence, camera, shot, settings)
    )
    fast = _fast_colour(light, period_frames)
    gains = np.zeros((len(sequence.frames), 3))
    if colour is None:
        gains = -np.where(np.isfinite(fast), fast, 0.0)
        gains -= (gains @ BT709_LUMA)[:, None]  # luminance stays as it is

    fixed = np.tile(np.array(neutral), (len(shot), 1))
    # The wander of a RAW's own neutral is known without any ground; a JPEG's shows on the ground alone.
    ground = fast if colour is None else np.nan_to_num(fast)
    found = _cast(camera, shot, np.array(neutral), ground)
    left = _cast(camera, fixed, np.array(neutral), _fast_colour(held_out, period_frames, gains))
    result = StageResult()
    _figures(result, "found", result.found, found)
    _figures(result, "left", result.left, left)
    shot_md = mired_duv(camera, shot)
    own = mired_duv(camera, np.array([neutral]))[0]
    scene = _scene_drift(camera, np.array(neutral), light, period_frames)
    result.applied = {
        "mode": settings.mode if colour is not None else "channel gains",
        "neutral": list(neutral),
        "neutral_from": source,
        "temperature_k": float(1e6 / own[0]),
        "tint_duv": float(own[1]),
        "as_shot_range_mired": _range(shot_md[:, 0]),
        "as_shot_range_duv": _range(shot_md[:, 1]),
        "scene_drift_mired": _range(scene),
    }
    if colour is not None and not np.isfinite(shot).any():
        result.warnings.append(
            "no photo tells its neutral: rendered for daylight; set balance.mode otherwise"
        )
    result.frames = [
        {
            "frame": f.frame,
            "file": f.file,
            "as_shot_mired": _number(shot_md[f.frame, 0]),
            "as_shot_duv": _number(shot_md[f.frame, 1]),
            "mired": float(own[0]),
            "duv": float(own[1]),
            "scene_rg_ev": _number(light.level_ev[f.frame, 0] - light.level_ev[f.frame, 1]),
            "scene_bg_ev": _number(light.level_ev[f.frame, 2] - light.level_ev[f.frame, 1]),
            "channel_gain_ev": [float(value) for value in gains[f.frame]],
            "left_mired": _number(left[f.frame, 0]),
        }
        for f in sequence.frames
    ]
    return Balanced(neutral, gains), result


def _fast_colour(light: Levels, period_frames: float, gains: Floats | None = None) -> Floats:
    """Return the fast part (n, 3) of each channel's level against green."""
    level = light.level_ev if gains is None else light.level_ev + gains
    against = level - level[:, 1:2]
    fast = [fast_part(against[:, channel], period_frames) for channel in (0, 2)]
    return np.stack([fast[0], np.zeros_like(fast[0]), fast[1]], axis=1)


def _cast(camera: CameraColour, used: Floats, reference: Floats, fast: Floats) -> Floats:
    """Return how far (n, 2), in mired and Duv, the neutral in use is from the one the ground asks for.

    The ground's own neutral is the reference moved by the fast change of its colour: its slow change is
    the light's and stays. NaN where that change is unknown.
    """
    ground = reference * 2.0**fast
    return mired_duv(camera, used) - mired_duv(camera, ground)


def _scene_drift(camera: CameraColour, reference: Floats, light: Levels, period_frames: float) -> Floats:
    against = light.level_ev - light.level_ev[:, 1:2]
    red, blue = (slow_part(against[:, channel], period_frames) for channel in (0, 2))
    path = reference * 2.0 ** np.stack([red - red[0], np.zeros_like(red), blue - blue[0]], axis=1)
    return mired_duv(camera, path)[:, 0]


def _figures(result: StageResult, when: str, into: Figures, cast: Floats) -> None:
    for column, key in enumerate(("neutral_rms_mired", "neutral_duv_rms")):
        values = cast[:, column]
        known = values[np.isfinite(values)]
        into[key] = float(np.sqrt(np.mean((known - np.median(known)) ** 2))) if len(known) else None
        if not len(known):
            result.unmeasured[f"{when}.{key}"] = "no photo tells its neutral, or no ground is shared"


def _range(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max() - known.min()) if len(known) else None


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
