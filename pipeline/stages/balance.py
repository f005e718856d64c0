"""Balance: the neutral that each frame is rendered with, and how neutral and ground drifted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour, neutral_to_xy, xy_to_neutral
from pipeline.colour.display import BT709_LUMA, srgb_camera
from pipeline.colour.ground import against_green, ground_delta_e, ground_response, lights_about, with_green
from pipeline.colour.temperature import cct_duv_to_xy, mired, xy_to_cct_duv
from pipeline.colour.whites import D65_XY
from pipeline.errors import UsageError
from pipeline.measure.highpass import fast_part, fit_slow, slow_part
from pipeline.measure.levels import Levels
from pipeline.measure.shrink import most_probable
from pipeline.sequence import Sequence, Triple
from pipeline.settings import BalanceSettings
from pipeline.stages.result import Figures, StageResult

Floats = NDArray[np.float64]

_STEP_EV = 0.02
_GROUND_LEVEL = 0.18


@dataclass(frozen=True)
class Balanced:
    """The neutral (n, 3) of each frame, green = 1, and channel gains (n, 3) in EV (zero for RAW)."""

    neutral: Floats
    channel_gain_ev: Floats


@dataclass(frozen=True)
class LightColour:
    """The change of the light's colour, as the registered ground shows it; red and blue against green, EV.

    `ground_ev` (n, 2) is of the camera RGB of the ground, `light_ev` (n, 2) the same told as the change
    of a neutral surface; both NaN where nothing reaches. `slow_ev` (n, 2) is the slow part of the
    latter, interpolated where unknown, with its median at zero; `light_ev` has the same zero.
    """

    ground_ev: Floats
    light_ev: Floats
    slow_ev: Floats


@dataclass(frozen=True)
class _Seen:
    """How a neutral in use stands to the ground: the cast (n, 2) in mired and Duv, CIEDE2000 (n,)."""

    cast: Floats
    delta_e: Floats


def mired_duv(colour: CameraColour, neutrals: Floats) -> Floats:
    """Return reciprocal colour temperature in mired and Duv (n, 2) of camera neutrals (n, 3)."""
    out = np.full((len(neutrals), 2), np.nan)
    known = np.isfinite(neutrals).all(axis=1)
    if known.any():
        cct_duv = xy_to_cct_duv(neutral_to_xy(colour, neutrals[known]))
        out[known, 0] = mired(cct_duv[:, 0])
        out[known, 1] = cct_duv[:, 1]
    return out


def as_shot(sequence: Sequence, colour: CameraColour | None) -> Floats:
    """Return the camera's own neutral of each frame (n, 3); NaN where unknown, (1, 1, 1) in a JPEG."""
    if colour is None:
        return np.array([[1.0] * 3 if f.usable else [np.nan] * 3 for f in sequence.frames])
    return np.array([f.as_shot_neutral or (np.nan,) * 3 for f in sequence.frames], dtype=float)


def choose_neutral(
    sequence: Sequence,
    colour: CameraColour,
    shot: Floats,
    settings: BalanceSettings,
    grey: Triple | None = None,
) -> tuple[Triple, str]:
    """Return the neutral of the sequence and a sentence that says where it came from.

    `grey` is the camera RGB of the grey rectangle with mode = grey (`pipeline.measure.grey`).
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
    elif settings.mode == "grey" and grey is not None:
        neutral = np.asarray(grey)
        source = f"grey rectangle of {sequence.frames[settings.grey_frame].label}"
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


def usual_neutral(sequence: Sequence, colour: CameraColour | None) -> Triple:
    """Return what is grey in the light of the flight, whatever the video takes for it; JPEGs: (1, 1, 1)."""
    if colour is None:
        return (1.0, 1.0, 1.0)
    return choose_neutral(sequence, colour, as_shot(sequence, colour), BalanceSettings())[0]


def light_colour(light: Levels, response: Floats, period_frames: float) -> LightColour:
    """Return the change of the light's colour from the levels of the ground.

    `response` (2, 2) leads from a change of the neutral to that of the ground.
    """
    ground = against_green(light.level_ev)
    change = ground @ np.asarray(np.linalg.inv(response), np.float64).T
    slow = np.stack([_slow_light(values, light.sigma_ev, period_frames) for values in change.T], axis=1)
    middle = np.median(slow, axis=0)
    return LightColour(ground, change - middle, slow - middle)


def _slow_light(values: Floats, sigma: Floats, period_frames: float) -> Floats:
    """Return the slow part of a change (n,) of the light, NaN where unknown, closely enough to follow it.

    The smoother runs a second time over what it left (Tukey's twicing), else it errs by 5 % of a drift
    at the ends of a flight; and it takes frames by their uncertainty, not by how far they stand out.
    """
    present = np.isfinite(values)
    if np.count_nonzero(present) < 3:
        return np.full(len(values), np.median(values[present]) if present.any() else 0.0)
    usual = float(np.median(sigma[present]))
    weights = np.where(present, usual**2 / np.maximum(np.nan_to_num(sigma), usual) ** 2, 0.0)
    filled = np.where(present, values, 0.0)
    once = fit_slow(filled, weights, period_frames)
    return np.asarray(once + fit_slow(np.where(present, filled - once, 0.0), weights, period_frames))


def balance(
    sequence: Sequence,
    colour: CameraColour | None,
    light: Levels,
    held_out: Levels,
    settings: BalanceSettings,
    period_frames: float,
    ground: Triple | None = None,
    grey: Triple | None = None,
) -> tuple[Balanced, StageResult]:
    """Choose the neutral of each frame and, for display-referred photos, gains that undo baked-in wander.

    RAW data do not change when the camera's white balance does: the choice of the neutral is the whole
    cure, and what the ground then still shows is true change of the light. In a JPEG the wander is in
    the pixels, and shows as fast change of the registered ground's colour; slow change is kept.
    `ground` is the typical camera RGB of the ground, linear (a grey where None); `grey` is that of the
    grey rectangle with mode = grey.
    """
    camera = colour or srgb_camera()
    shot = as_shot(sequence, colour)
    base, source = choose_neutral(sequence, camera, shot, settings, grey)
    if colour is None and settings.mode in ("lock", "follow"):
        base, source = (1.0, 1.0, 1.0), "as the camera chose it"
    surface = np.array(base) * _GROUND_LEVEL if ground is None else np.maximum(ground, 1e-4)
    response = ground_response(lights_about(camera, base), surface)
    scene = light_colour(light, response, period_frames)
    result = StageResult()
    neutral, gains = np.tile(base, (len(shot), 1)), np.zeros((len(shot), 3))
    if colour is None:
        gains = channel_gains(light, period_frames)
        if settings.mode == "frame":
            gains -= gains[settings.frame]
        elif settings.mode == "grey":
            neutral *= 2.0 ** gains[settings.grey_frame]
            neutral /= neutral[:, 1:2]
    elif settings.mode == "follow":
        neutral, source = followed(sequence, camera, shot, scene, period_frames)

    after = Levels(held_out.level_ev + gains, held_out.sigma_ev, held_out.unregistered, held_out.vignette)
    judge = _Judge(camera, np.median(neutral, axis=0), surface, period_frames, colour is not None)
    found = judge.look(shot, scene)
    left = judge.look(neutral, light_colour(after, response, period_frames))
    _figures(result, "found", result.found, found, period_frames)
    _figures(result, "left", result.left, left, period_frames)
    _report(result, sequence, camera, (shot, neutral, gains), light, scene, (found, left))
    result.applied.update(mode=settings.mode, neutral=[float(v) for v in base], neutral_from=source)
    if colour is None:
        result.applied["neutral_from"] = f"baked into the photos; channel gains undo its wander ({source})"
    elif settings.mode in ("lock", "follow") and not np.isfinite(shot).any():
        result.warnings.append(
            "no photo tells its neutral: rendered for daylight; set balance.mode otherwise"
        )
    if settings.mode == "follow" and not np.isfinite(scene.light_ev).any():
        result.warnings.append(
            "no two frames share ground, so that the neutral follows the camera's own choice, smoothed"
        )
    return Balanced(neutral, gains), result


def followed(
    sequence: Sequence, camera: CameraColour, shot: Floats, scene: LightColour, period_frames: float
) -> tuple[Floats, str]:
    """Return neutrals (n, 3) that follow the slow change of the light, and where they came from.

    The ground tells how the light changed, free of the wander of the camera's choice; the as-shot
    neutrals, freed of that change, tell the middle. Without ground, the slow part of the as-shot
    neutrals in mired and Duv is all there is.
    """
    if np.isfinite(scene.light_ev).any():
        slow = 2.0 ** with_green(scene.slow_ev)
        middle, source = choose_neutral(sequence, camera, shot / slow, BalanceSettings())
        return np.asarray(middle) * slow, f"{source}, following the light on the ground"
    told = mired_duv(camera, shot)
    if not np.isfinite(told).any():
        lock, source = choose_neutral(sequence, camera, shot, BalanceSettings())
        return np.tile(lock, (len(shot), 1)), source
    slow_md = np.stack([slow_part(told[:, column], period_frames) for column in (0, 1)], axis=1)
    xy = cct_duv_to_xy(np.stack([1e6 / slow_md[:, 0], slow_md[:, 1]], axis=1))
    return xy_to_neutral(camera, xy), "slow part of the as-shot neutrals"


def channel_gains(light: Levels, period_frames: float) -> Floats:
    """Return the gains (n, 3) in EV that take the fast change of the ground's colour away.

    Where noise dominates little is done (`shrink.most_probable`). Luminance stays as it is.
    """
    fast = _fast(against_green(light.level_ev), period_frames)
    sigma = np.sqrt(2.0) * light.sigma_ev
    believed = np.stack([most_probable(fast[:, column], sigma) for column in (0, 1)], axis=1)
    gains = -with_green(np.nan_to_num(believed))
    return np.asarray(gains - (gains @ BT709_LUMA)[:, np.newaxis])


def _fast(values: Floats, period_frames: float) -> Floats:
    """Return the fast part of each column (n, 2)."""
    return np.stack([fast_part(values[:, column], period_frames) for column in (0, 1)], axis=1)


@dataclass(frozen=True)
class _Judge:
    """Looks at a neutral in use over a sequence. Where `told` a wander shows without any ground."""

    camera: CameraColour
    neutral: Floats
    ground: Floats
    period_frames: float
    told: bool

    def look(self, used: Floats, scene: LightColour) -> _Seen:
        """Return how the neutrals in use (n, 3) stand to what the ground asks for."""
        asked, seen = scene.light_ev, _fast(scene.ground_ev, self.period_frames)
        if self.told:
            asked, seen = np.where(np.isfinite(asked), asked, scene.slow_ev), np.nan_to_num(seen)
        cast = mired_duv(self.camera, used) - mired_duv(self.camera, self.neutral * 2.0 ** with_green(asked))
        own = _fast(against_green(np.log2(used)), self.period_frames)
        return _Seen(cast, ground_delta_e(self.camera, self.neutral, self.ground, own, seen))


def _figures(result: StageResult, when: str, into: Figures, seen: _Seen, period_frames: float) -> None:
    fast = _fast(seen.cast, period_frames)
    into["neutral_rms_mired"], into["neutral_duv_rms"] = _rms(fast[:, 0]), _rms(fast[:, 1])
    known = np.isfinite(seen.cast[:, 0])
    slow = np.where(known, _slow_light(seen.cast[:, 0], np.ones(len(known)), period_frames), np.nan)
    into["neutral_drift_mired"] = _range(slow)
    into["ground_delta_e_rms"] = _rms(seen.delta_e)
    into["ground_delta_e_worst"] = _largest(seen.delta_e)
    for key, value in into.items():
        if value is None:
            result.unmeasured[f"{when}.{key}"] = "no photo tells its neutral, or no ground is shared"


def _report(
    result: StageResult,
    sequence: Sequence,
    camera: CameraColour,
    used: tuple[Floats, Floats, Floats],
    light: Levels,
    scene: LightColour,
    seen: tuple[_Seen, _Seen],
) -> None:
    """Fill what was applied and the rows of the frames."""
    (shot, neutral, gains), (found, left) = used, seen
    middle = np.median(neutral, axis=0)
    shot_md, own_md = mired_duv(camera, shot), mired_duv(camera, neutral)
    light_md = mired_duv(camera, middle * 2.0 ** with_green(scene.light_ev))
    slow_md = mired_duv(camera, middle * 2.0 ** with_green(scene.slow_ev))
    uncertainty = light.sigma_ev * _mired_per_ev(camera, middle)
    at = mired_duv(camera, middle[np.newaxis])[0]
    result.applied = {
        "temperature_k": float(1e6 / at[0]),
        "tint_duv": float(at[1]),
        "neutral_range_mired": _range(own_md[:, 0]),
        "as_shot_range_mired": _range(shot_md[:, 0]),
        "as_shot_range_duv": _range(shot_md[:, 1]),
        "scene_drift_mired": _range(slow_md[:, 0]),
        "scene_drift_duv": _range(slow_md[:, 1]),
    }
    ground = scene.ground_ev
    for f in sequence.frames:
        k = f.frame
        result.frames.append(
            {
                "frame": k,
                "file": f.file,
                "as_shot_k": _number(1e6 / shot_md[k, 0]),
                "as_shot_mired": _number(shot_md[k, 0]),
                "as_shot_duv": _number(shot_md[k, 1]),
                "kelvin": _number(1e6 / own_md[k, 0]),
                "mired": _number(own_md[k, 0]),
                "duv": _number(own_md[k, 1]),
                "light_mired": _number(light_md[k, 0]),
                "uncertainty_mired": _number(uncertainty[k]),
                "wander_mired": _number(found.cast[k, 0]),
                "wander_duv": _number(found.cast[k, 1]),
                "scene_rg_ev": _number(ground[k, 0]),
                "scene_bg_ev": _number(ground[k, 1]),
                "uncertainty_ev": _number(np.sqrt(2.0) * light.sigma_ev[k]),
                "channel_gain_ev": [float(value) for value in gains[k]],
                "found_delta_e": _number(found.delta_e[k]),
                "left_mired": _number(left.cast[k, 0]),
                "left_delta_e": _number(left.delta_e[k]),
            }
        )


def _mired_per_ev(camera: CameraColour, neutral: Floats) -> float:
    """Return the standard deviation in mired that independent errors of 1 EV in R, G and B give."""
    steps = np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]]) * _STEP_EV
    there = mired_duv(camera, neutral * 2.0 ** with_green(steps))[:, 0]
    red, blue = (there[0] - there[1]) / (2 * _STEP_EV), (there[2] - there[3]) / (2 * _STEP_EV)
    return float(np.sqrt(red**2 + blue**2 + (red + blue) ** 2))


def _rms(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(known**2))) if len(known) else None


def _largest(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(np.abs(known).max()) if len(known) else None


def _range(values: Floats) -> float | None:
    known = values[np.isfinite(values)]
    return float(known.max() - known.min()) if len(known) else None


def _number(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None
