"""The shadow or the blade of a propeller: a dark band across the top of one photo, not of its neighbours.

Where ground fills the top of the frame, the band is sought in the light of registered ground; where sky
does, in small pictures, against the same rows of the photos before and after.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.measure.look import PairFigures

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

SMALL_WIDTH = 160
_LIGHT_FLOOR = 0.004
_TOP_SHARE, _SKY_SHARE = 0.3, 0.2
_NEIGHBOURS, _NEAR_FRAMES = 4, 4
_SHIFT_ROWS = 8
_REACH_ROWS = 2
_STILL_SHARE = 0.04  # rows that differ by more from photo to photo are no sky, and tell nothing
_BANDS = 8
_THIRDS = 3
_LEAST_IN_BAND = 4
_UPPERMOST, _LEAST_UPPERMOST = 4, 3


def top_profile(picture: Picture) -> Floats:
    """Return the light (rows, 3) of the upper 0.2 of an sRGB picture (H, W, 3), by thirds of the width.

    log2 of the mean over a third of each row, of a picture reduced to 160 px across. The transfer is
    taken as a power of 2.2 throughout.
    """
    height = max(round(picture.shape[0] * SMALL_WIDTH / picture.shape[1]), 1)
    small = cv2.resize(picture, (SMALL_WIDTH, height), interpolation=cv2.INTER_AREA)
    light = (np.asarray(cv2.cvtColor(small, cv2.COLOR_RGB2GRAY), np.float64) / 255.0) ** 2.2
    rows = max(int(_SKY_SHARE * height), 2 * _REACH_ROWS + 2)
    thirds = np.array_split(np.log2(np.maximum(light[:rows], _LIGHT_FLOOR)), _THIRDS, axis=1)
    return np.stack([third.mean(axis=1) for third in thirds], axis=1)


def blade_shadows(
    profiles: Sequence[Floats | None], pairs: list[PairFigures], shape: tuple[int, int]
) -> Floats:
    """Return for each frame the share of light that a passing dark band at its top takes (n,).

    `profiles` are of `top_profile`, None for a missing photo; `shape` is (height, width) of the photos.
    NaN is told where neither ground nor enough neighbours say anything.
    """
    by_ground = _by_ground(len(profiles), pairs, shape)
    if 2 * np.count_nonzero(np.isfinite(by_ground)) > len(profiles):
        return by_ground  # no sky at the top: rows would compare one piece of ground with another
    return np.where(np.isfinite(by_ground), by_ground, _by_rows(profiles))


def _by_rows(profiles: Sequence[Floats | None]) -> Floats:
    shares = np.full(len(profiles), np.nan)
    known = {k: profile for k, profile in enumerate(profiles) if profile is not None}
    for k, profile in known.items():
        near = sorted((abs(j - k), j) for j in known if 0 < abs(j - k) <= _NEAR_FRAMES)
        beside = [known[j] for _, j in near[:_NEIGHBOURS]]
        if len(beside) >= 3:
            # A photo that is darker as a whole is not shaded by a blade.
            own = profile - np.median(profile)
            dark = [
                float(np.median([_darker(own[:, t], (p - np.median(p))[:, t]) for p in beside]))
                for t in range(_THIRDS)
            ]
            shares[k] = max(1.0 - 2.0 ** -float(np.sort(dark)[1]), 0.0)
    usual = float(np.nanmedian(shares)) if np.isfinite(shares).any() else 0.0
    return shares if usual < _STILL_SHARE else np.full(len(profiles), np.nan)


def _darker(own: Floats, other: Floats) -> float:
    """How far a profile (rows,) dips below another, which is first moved up or down to fit, in EV.

    Below a dark band it is as light as the other again: what stays dark down to the lowest row is land that
    came into the rows as the camera nodded.
    """
    padded = np.pad(other, _SHIFT_ROWS, mode="edge")
    moved = [padded[s : s + len(own)] for s in range(2 * _SHIFT_ROWS + 1)]
    fit = moved[int(np.argmin([np.mean(np.minimum(np.abs(own - m), 1.0)) for m in moved]))]
    lowest = cv2.erode(fit.astype(np.float32)[:, None], np.ones((2 * _REACH_ROWS + 1, 1), np.uint8))
    darker = np.maximum(lowest[:, 0] - own, 0.0)
    return float(np.max(darker - np.minimum.accumulate(darker[::-1])[::-1]))


def _by_ground(count: int, pairs: list[PairFigures], shape: tuple[int, int]) -> Floats:
    """The deepest band of each frame, from how much darker it shows its ground than other frames do."""
    seen: list[list[NDArray[np.floating]]] = [[] for _ in range(count)]
    for pair in pairs:
        if not pair.registered or len(pair.blocks.place_i) == 0:
            continue
        ratio = pair.blocks.ratio_ev[:, 1].astype(float)
        ratio -= np.median(ratio)
        for frame, place, sign in ((pair.i, pair.blocks.place_i, -1.0), (pair.j, pair.blocks.place_j, 1.0)):
            seen[frame].append(np.column_stack([place, sign * ratio]))
    half_high = shape[0] / np.hypot(*shape)
    half_wide = shape[1] / np.hypot(*shape)
    shares = np.full(count, np.nan)
    for frame, parts in enumerate(seen):
        if parts:
            x, y, darker = np.concatenate(parts).T
            band = np.floor((y + half_high) / (2.0 * half_high * _TOP_SHARE) * _BANDS).astype(int)
            third = np.clip(np.floor((x + half_wide) / (2.0 * half_wide) * _THIRDS), 0, 2).astype(int)
            shares[frame] = _deepest(band, third, darker)
    return shares


def _deepest(band: NDArray[np.int_], third: NDArray[np.int_], darker: Floats) -> float:
    """The deepest band that two thirds of the width share; NaN where ground does not reach the top."""
    depths = {}
    for row in range(_BANDS):
        parts = [darker[(band == row) & (third == t)] for t in range(_THIRDS)]
        told = sorted(float(np.median(part)) for part in parts if len(part) >= _LEAST_IN_BAND)
        if len(told) >= 2:
            depths[row] = told[1]
    if sum(row < _UPPERMOST for row in depths) < _LEAST_UPPERMOST:
        return float("nan")
    return max(1.0 - float(2.0 ** min(depths.values())), 0.0)
