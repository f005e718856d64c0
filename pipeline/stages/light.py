"""The light that a sequence keeps: told apart from EXIF-told changes of exposure, and from flicker."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri

from pipeline.measure.exposure import captured_ev, whole_ev
from pipeline.measure.highpass import eased_step, lasting_shifts, slow_and_steps
from pipeline.sequence import Sequence
from pipeline.settings import DeflickerSettings

Floats = NDArray[np.float64]

STEP_LIMIT_EV = 0.25
"""A tag is nominal by up to this much; a larger step at an EXIF change is light, not a wrong tag."""

LEAST_GROUP = 3
"""Frames of a group without shared ground from which its own level is fitted to the light about it."""

_TAG_PRIOR_EV = 0.1
_SNAPPED_PRIOR_EV = 0.005
"""How exactly a shutter keeps the time that its tag, or the third of a stop next to it, stands for."""
_GROUP_PRIOR_EV = 0.5
_SHIFT_PRIOR_EV = 1.0
_PLAUSIBLE = 0.99


@dataclass(frozen=True)
class Light:
    """What the levels (n,) of a sequence consist of, in EV.

    `exposure_ev` is what the tags tell, mended (`tag_error_ev` by setting, `tags` how), and `joined_ev` what
    holds groups of frames without shared ground together; `light_ev` is the slow rest, whose `shifts` are
    frames before which it changed at once, and `kept_ev` the light that the video shows.
    """

    exposure_ev: Floats
    joined_ev: Floats
    light_ev: Floats
    kept_ev: Floats
    shifts: list[int]
    tag_error_ev: dict[str, float]
    tag_sigma_ev: dict[str, float]
    tags: str
    beyond: bool


def exposure_tags(sequence: Sequence) -> Floats:
    """Return the exposure (n,) in EV that the tags tell, NaN where they are silent."""
    told = [captured_ev(frame.shutter_s, frame.aperture, frame.iso) for frame in sequence.frames]
    return np.array([np.nan if value is None else value for value in told])


def whole_tags(sequence: Sequence) -> Floats:
    """Return the same (n,) of the exact thirds of a stop that nominal tags stand for."""
    told = [whole_ev(frame.shutter_s, frame.aperture, frame.iso) for frame in sequence.frames]
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


def group_shapes(group: NDArray[np.int_] | None, count: int) -> Floats:
    """Return the unit shapes (n, k) of the groups, but the largest, that no shared ground joins to it."""
    if group is None:
        return np.zeros((count, 0))
    numbers = [n for n in np.unique(group[group > 0]) if np.count_nonzero(group == n) >= LEAST_GROUP]
    return np.stack([group == n for n in numbers], axis=1).astype(float) if numbers else np.zeros((count, 0))


def settle_tags(free: Floats, covariance: Floats, whole: Floats) -> tuple[Floats, Floats, str]:
    """Return the errors (k,) of the tags, their standard errors, and a word for how they were told.

    Flicker hides a tag's error where the exposure changes seldom. But a camera's shutter keeps either the
    times it tells or the thirds of a stop they stand for (`whole`, the errors (k,) that would make): where
    the `free` estimates, with their `covariance`, agree with one of the two in all settings at once, it is
    believed; else each estimate stands as it is, held towards no error.
    """
    own = np.sqrt(np.diagonal(covariance))
    if not len(free):
        return free, own, "no change"
    choices = []
    for word, expected in (("as told", np.zeros_like(whole)), ("thirds of a stop", whole)):
        spread = covariance + _SNAPPED_PRIOR_EV**2 * np.eye(len(free))
        off = free - expected
        choices.append((float(off @ np.linalg.solve(spread, off)), word, expected, spread))
    misfit, word, expected, spread = min(choices, key=lambda choice: choice[0])
    if misfit > chdtri(len(free), 1.0 - _PLAUSIBLE):  # the chi-squared value that so many stay below
        return free, own, "estimated"
    pull = _SNAPPED_PRIOR_EV**2 * np.linalg.inv(spread)
    sizes = expected + pull @ (free - expected)
    left = np.sqrt(np.maximum(np.diagonal(pull @ covariance), 0.0))
    return np.asarray(sizes), np.asarray(left), word


def tell_light(
    level_ev: Floats,
    sequence: Sequence,
    group: NDArray[np.int_] | None,
    settings: DeflickerSettings,
    period_frames: float,
) -> Light:
    """Tell exposure, light and what is kept of it apart in the levels (n,), NaN where unknown."""
    count = len(level_ev)
    exif = exposure_tags(sequence)
    told = bool(np.isfinite(exif).any())
    exposure = np.where(np.isfinite(exif), exif, np.nanmedian(exif)) if told else np.zeros(count)
    tags, others = tag_shapes(exif) if told else (np.zeros((count, 0)), [])
    groups = group_shapes(group, count)
    known, apart = tags.shape[1], groups.shape[1]
    sigmas = np.repeat([_TAG_PRIOR_EV, _GROUP_PRIOR_EV], [known, apart])
    fixed = np.concatenate([tags, groups], axis=1)
    first = slow_and_steps(level_ev - exposure, fixed, period_frames, sigmas)
    shifts = lasting_shifts(level_ev - exposure - fixed @ first.steps, period_frames)
    jumps = np.stack([np.arange(count) >= at for at in shifts], axis=1) if len(shifts) else fixed[:, :0]
    shapes = np.concatenate([fixed, jumps], axis=1)
    sigmas = np.concatenate([sigmas, np.full(len(shifts), _SHIFT_PRIOR_EV)])
    fit = slow_and_steps(level_ev - exposure, shapes, period_frames, sigmas)

    free, covariance = fit.steps[:known], fit.covariance[:known, :known]
    clipped = np.clip(free, -STEP_LIMIT_EV, STEP_LIMIT_EV)
    sizes, sure, word = settle_tags(clipped, covariance, _whole_errors(sequence, exif, others))
    exposure = exposure + tags @ sizes
    joined = groups @ fit.steps[known : known + apart]
    rest = level_ev - exposure - joined
    smooth = slow_and_steps(rest, jumps.astype(float), period_frames, np.full(len(shifts), _SHIFT_PRIOR_EV))
    light = smooth.slow.copy()
    for at, size in zip(shifts, smooth.steps, strict=True):
        light += size * eased_step(count, int(at), period_frames)
    names = [f"{value:.2f}" for value in others]
    return Light(
        exposure_ev=exposure,
        joined_ev=joined,
        light_ev=light,
        kept_ev=kept_light(light, settings),
        shifts=[int(at) for at in shifts],
        tag_error_ev=dict(zip(names, map(float, sizes), strict=True)),
        tag_sigma_ev=dict(zip(names, map(float, sure), strict=True)),
        tags=word if told else "silent",
        beyond=bool(np.any(np.abs(free) > STEP_LIMIT_EV)),
    )


def _whole_errors(sequence: Sequence, exif: Floats, others: list[float]) -> Floats:
    """Return the errors (k,) that the tags of `others` have if they stand for thirds of a stop.

    They count against the most frequent setting, which has none by definition.
    """
    off = whole_tags(sequence) - exif
    chosen = [float(np.median(off[np.abs(exif - value) < 1e-3])) for value in others]
    rest = np.isfinite(exif)
    for value in others:
        rest &= ~(np.abs(exif - value) < 1e-3)
    reference = float(np.median(off[rest])) if rest.any() else 0.0
    return np.array(chosen) - reference


def kept_light(light_ev: Floats, settings: DeflickerSettings) -> Floats:
    """Return the light (n,) in EV that the video shows: the own one, none, or a hand-written curve."""
    if settings.light == "keep":
        return light_ev
    if settings.light == "flatten":
        return np.zeros_like(light_ev)
    frames, values = (np.array(column, float) for column in zip(*settings.curve, strict=True))
    if len(frames) == 1:
        return np.full(len(light_ev), values[0])
    from scipy.interpolate import PchipInterpolator

    # Monotone between the points (Fritsch and Carlson 1980), so that a written rise never dips.
    at = np.clip(np.arange(len(light_ev), dtype=float), frames[0], frames[-1])
    return np.asarray(PchipInterpolator(frames, values)(at))
