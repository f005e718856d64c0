"""Working space, display primaries and transfer curves: constants of the standards and what they give.

The working space has the primaries of ITU-R BT.2020, the white D65, and linear light; the display has
those of ITU-R BT.709 and the curve of ITU-R BT.1886.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.colour.camera import (
    CameraColour,
    Matrix,
    bradford_adaptation,
    camera_to_xyz_d50,
    xy_to_xyz,
)
from pipeline.colour.whites import D50_XY, D65_XY

BT709_PRIMARIES = np.array([[0.64, 0.33], [0.30, 0.60], [0.15, 0.06]])
"""Chromaticities of R, G, B by ITU-R BT.709-6, item 1.3 (those of IEC 61966-2-1 as well)."""

BT2020_PRIMARIES = np.array([[0.708, 0.292], [0.170, 0.797], [0.131, 0.046]])
"""Chromaticities of R, G, B by ITU-R BT.2020-2, table 3."""

BT709_LUMA = np.array([0.2126, 0.7152, 0.0722])
"""Weights of R', G', B' in Y' by ITU-R BT.709-6, item 3.2; matrix coefficients 1 of ITU-T H.273."""

BT1886_EXPONENT = 2.4
"""Exponent of the display by ITU-R BT.1886, annex 1 (black at zero)."""

SHOULDER_START = 0.8


def rgb_to_xyz(primaries: ArrayLike, white_xy: ArrayLike) -> Matrix:
    """Return the 3×3 matrix from linear RGB of `primaries` (3, 2) and white (2,) to XYZ, white at Y = 1.

    Source: SMPTE RP 177:1993, section 3.
    """
    columns = np.stack([xy_to_xyz(xy) for xy in np.asarray(primaries, dtype=np.float64)], axis=1)
    return columns * np.linalg.solve(columns, xy_to_xyz(white_xy))


BT709_TO_XYZ = rgb_to_xyz(BT709_PRIMARIES, D65_XY)
BT2020_TO_XYZ = rgb_to_xyz(BT2020_PRIMARIES, D65_XY)
BT2020_TO_BT709 = np.linalg.solve(BT709_TO_XYZ, BT2020_TO_XYZ)
BT709_TO_BT2020 = np.linalg.inv(BT2020_TO_BT709)
XYZ_D50_TO_BT2020 = np.linalg.solve(BT2020_TO_XYZ, bradford_adaptation(D50_XY, D65_XY))


def srgb_camera() -> CameraColour:
    """Return linear sRGB as a camera, so that display-referred photos have a neutral in kelvin too."""
    from_xyz = np.asarray(np.linalg.inv(BT709_TO_XYZ), np.float64)
    return CameraColour(from_xyz, 6504.0, None, None, None, None, np.eye(3), np.eye(3), np.ones(3))


def balanced_to_bt2020(colour: CameraColour | None, neutral: ArrayLike) -> Matrix:
    """Return the 3×3 matrix from white-balanced linear RGB to linear BT.2020; (1, 1, 1) stays itself.

    White-balanced is camera RGB divided by `neutral` (3,). For a display-referred photo (`colour` None)
    the RGB is linear with the primaries of BT.709.
    """
    if colour is None:
        return BT709_TO_BT2020
    balanced = XYZ_D50_TO_BT2020 @ camera_to_xyz_d50(colour, neutral) * np.asarray(neutral)
    # D50 is a rounded chromaticity: rows are scaled so that white is exactly white.
    return np.asarray(balanced / balanced.sum(axis=1, keepdims=True))


def srgb_to_linear(code: ArrayLike) -> NDArray[np.float64]:
    """Return the linear level 0..1 of sRGB codes 0..1, any shape. Source: IEC 61966-2-1:1999, 5.2."""
    value = np.asarray(code, dtype=np.float64)
    return np.where(value <= 0.04045, value / 12.92, ((np.maximum(value, 0.0) + 0.055) / 1.055) ** 2.4)


def linear_to_srgb(level: ArrayLike) -> NDArray[np.float64]:
    """Return the sRGB code 0..1 of linear levels 0..1, any shape. Source: IEC 61966-2-1:1999, 5.3."""
    value = np.asarray(level, dtype=np.float64)
    power = 1.055 * np.maximum(value, 0.0) ** (1.0 / 2.4) - 0.055
    return np.where(value <= 0.0031308, value * 12.92, power)


def shoulder(
    level: NDArray[np.float32], start: float = SHOULDER_START, white: float = 1.0
) -> NDArray[np.float32]:
    """Return the levels (any shape) with their top rolled to 1 at the level `white`, and 1 above it.

    Identity below `start`; from there the cubic that leaves with slope 1 and arrives with slope 0, so
    the curve is smooth at both ends and what clips shows no edge. It is monotonic for a `white` up to
    start + 3 (1 - start) (Fritsch & Carlson 1980). The same curve serves every channel: grey stays grey.
    """
    span, rise = white - start, 1.0 - start
    # With t = 0..1 between start and white: start + span t + square t**2 + cube t**3.
    square, cube = np.float32(3.0 * rise - 2.0 * span), np.float32(span - 2.0 * rise)
    t = level - np.float32(start)
    t *= np.float32(1.0 / span)
    np.clip(t, np.float32(0.0), np.float32(1.0), out=t)
    rolled = t * cube
    rolled += square
    rolled *= t
    rolled += np.float32(span)
    rolled *= t
    rolled += np.minimum(level, np.float32(start), out=t)
    return np.asarray(rolled)


def clip_to_white(
    rgb: NDArray[np.float32], white: float, saturation: float | None = None
) -> NDArray[np.float32]:
    """Return white-balanced, gained RGB (H×W×3) with the common `white` at 1 and nothing above it.

    `saturation` is the lowest level, over the channels, at which this frame clips after its white
    balance and gains. Above it the other channels go on alone, which is what tints clipped skies; so
    each channel ends at the same level. Where a frame clips below the common white (an outlier), that
    level would be a grey: what comes near it in all three channels is rolled to white. The lowest
    channel decides for all, so that a blue sky of which one channel clips keeps its colour.
    """
    ceiling = np.float32(1.0 if saturation is None else min(saturation / white, 1.0))
    scaled: NDArray[np.float32] = np.minimum(rgb * np.float32(1.0 / white), ceiling)
    if ceiling < 1.0:
        start = np.float32(SHOULDER_START) * ceiling
        lowest = np.minimum(np.minimum(scaled[..., 0], scaled[..., 1]), scaled[..., 2])
        rise = np.clip((lowest - start) / (ceiling - start), np.float32(0.0), np.float32(1.0))
        rise *= rise * (np.float32(3.0) - np.float32(2.0) * rise)  # smooth at both ends
        scaled += rise[..., np.newaxis] * (np.float32(1.0) - scaled)
    return scaled


def rgb_to_ycbcr(code: ArrayLike) -> NDArray[np.float64]:
    """Return Y', Cb, Cr (..., 3) of R'G'B' codes (..., 3) 0..1: Y' 0..1, Cb and Cr -0.5..0.5.

    Source: ITU-R BT.709-6, items 3.2 and 3.3; ITU-T H.273, matrix coefficients 1.
    """
    value = np.asarray(code, dtype=np.float64)
    luma = value @ BT709_LUMA
    red, blue = value[..., 0], value[..., 2]
    return np.stack(
        [
            luma,
            (blue - luma) / (2.0 * (1.0 - BT709_LUMA[2])),
            (red - luma) / (2.0 * (1.0 - BT709_LUMA[0])),
        ],
        axis=-1,
    )


def limited_range(ycbcr: ArrayLike, bits: int = 8) -> NDArray[np.float64]:
    """Return Y', Cb, Cr (..., 3) as unrounded codes of the limited range at `bits` a sample.

    Source: ITU-R BT.709-6, item 4.6; ITU-T H.273, equations for VideoFullRangeFlag 0.
    """
    step = 2.0 ** (bits - 8)
    return (np.asarray(ycbcr) * [219.0, 224.0, 224.0] + [16.0, 128.0, 128.0]) * step
