"""The parts of a grade between linear spaces: CDL in ACEScct, contrast, and look-up table by OpenColorIO."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import bradford_adaptation
from pipeline.colour.cdl import Cdl, apply_cdl
from pipeline.colour.display import BT709_TO_XYZ, BT2020_TO_XYZ, rgb_to_xyz
from pipeline.colour.lut import Lut, SceneSpace, lossless, lut_transform
from pipeline.colour.whites import D65_XY

F32 = NDArray[np.float32]

MID_GREY = 0.18
"""The level that contrast leaves: a grey card of 18 % (ACES S-2016-001 places it at 0.4135 in ACEScct)."""

# ACES S-2014-004 (ACEScg): primaries AP1 and the white of ACES.
AP1_PRIMARIES, ACES_WHITE_XY = ((0.713, 0.293), (0.165, 0.830), (0.128, 0.044)), (0.32168, 0.33767)
AP1_TO_XYZ = bradford_adaptation(ACES_WHITE_XY, D65_XY) @ rgb_to_xyz(AP1_PRIMARIES, ACES_WHITE_XY)
BT2020_TO_AP1 = np.linalg.solve(AP1_TO_XYZ, BT2020_TO_XYZ).astype(np.float32)
AP1_TO_BT709 = np.linalg.solve(BT709_TO_XYZ, AP1_TO_XYZ).astype(np.float32)

# ACES S-2016-001: above the break a logarithm of base 2, below it a straight line.
_STOPS, _ABOVE = 17.52, 9.72
_BREAK, _SLOPE, _INTERCEPT = 0.0078125, 10.5402377416545, 0.0729055341958355
_BREAK_CODE = _SLOPE * _BREAK + _INTERCEPT


@dataclass(frozen=True)
class SceneLook:
    """A CDL in ACEScct and a contrast, from linear BT.2020 to linear BT.709.

    The CDL works on AP1 primaries. Contrast is grey (level / grey) ^ contrast in linear AP1, which keeps 18 %
    grey and black and, other than a slope in ACEScct, crushes no shadow. OpenColorIO's exact processor of the
    same takes five times as long; tests hold this to it.
    """

    cdl: Cdl
    contrast: float

    def apply(self, linear: F32) -> F32:
        """Return linear BT.709 (H×W×3) of linear BT.2020."""
        import cv2

        code = apply_cdl(to_acescct(np.asarray(cv2.transform(linear, BT2020_TO_AP1), np.float32)), self.cdl)
        light = from_acescct(code)
        np.maximum(light, np.float32(0.0), out=light)  # ACEScct begins a little below black
        if self.contrast != 1.0:
            light *= np.float32(1.0 / MID_GREY)
            cv2.pow(light, self.contrast, dst=light)
            light *= np.float32(MID_GREY)
        return np.asarray(cv2.transform(light, AP1_TO_BT709), np.float32)


def to_acescct(linear: F32) -> F32:
    """Return the ACEScct code (H×W×3) of linear AP1. Source: ACES S-2016-001.

    The sum of both parts of the curve, of which one stands still at the break while the other moves:
    choosing between them would take longer than both.
    """
    code = _logarithm(np.maximum(linear, np.float32(_BREAK)))
    code += np.minimum(linear, np.float32(_BREAK)) * np.float32(_SLOPE)
    code += np.float32(_INTERCEPT - _stands_at(_logarithm, _BREAK))
    return code


def from_acescct(code: F32) -> F32:
    """Return linear AP1 of ACEScct codes (H×W×3), in the way of `to_acescct`."""
    below = np.minimum(code, np.float32(_BREAK_CODE))
    below -= np.float32(_INTERCEPT)
    below *= np.float32(1.0 / _SLOPE)
    linear = _power(np.maximum(code, np.float32(_BREAK_CODE)))
    linear -= np.float32(_stands_at(_power, _BREAK_CODE))
    linear += below
    return linear


@cache
def _stands_at(part: Callable[[F32], F32], place: float) -> float:
    """Return what a part of the curve gives at the break, to the last bit: at black an error would show."""
    return float(part(np.full((1, 1), place, np.float32)).item())


def _logarithm(linear: F32) -> F32:
    import cv2

    code = np.asarray(cv2.log(linear), np.float32)
    code *= np.float32(1.0 / (_STOPS * np.log(2.0)))
    return code


def _power(code: F32) -> F32:
    import cv2

    exponent = (code - np.float32(_ABOVE / _STOPS)) * np.float32(_STOPS * np.log(2.0))
    return np.asarray(cv2.exp(exponent), np.float32)


@dataclass(frozen=True)
class LutProcessors:
    """A table made ready.

    `mapped` takes linear BT.709 (or display code, where that is the table's input) through the table,
    `unmapped` takes linear BT.709 past it to the same space, `back` leads from there to linear BT.709.
    The last two are None where the table gives display code.
    """

    mapped: Any
    unmapped: Any | None
    back: Any | None

    def mixed(self, linear: NDArray[np.float32], strength: float) -> NDArray[np.float32]:
        """Return linear BT.709 (H×W×3) with `strength` of a table that gives light of the scene."""
        assert self.unmapped is not None
        assert self.back is not None
        seen = np.array(linear, np.float32, order="C")
        self.mapped.applyRGB(seen)
        if strength < 1.0:
            plain = np.array(linear, np.float32, order="C")
            self.unmapped.applyRGB(plain)
            seen = plain + np.float32(strength) * (seen - plain)
        self.back.applyRGB(seen)
        return seen


def lut_processors(lut: Lut) -> LutProcessors:
    """Return the processors of a table that `check_lut` has passed."""
    to_ap1 = _builtin("UTILITY - ACES-AP1_to_LINEAR-REC709_BFD", inverse=True)
    if lut.input == "display":
        return LutProcessors(lossless([lut_transform(lut)], lut), None, None)
    mapped = lossless([to_ap1, *_from_ap1(lut.input), lut_transform(lut)], lut)
    if lut.output == "display":
        return LutProcessors(mapped, None, None)
    unmapped = lossless([to_ap1, *_from_ap1(lut.output)])
    to_bt709 = _builtin("UTILITY - ACES-AP1_to_LINEAR-REC709_BFD")
    return LutProcessors(mapped, unmapped, lossless([*_from_ap1(lut.output, inverse=True), to_bt709]))


def _from_ap1(space: SceneSpace, *, inverse: bool = False) -> list[Any]:
    """Return the transforms from linear AP1 (ACEScg) to `space`, or back."""
    if space == "acescct":
        return [_builtin("CURVE - ACEScct-LOG_to_LINEAR", inverse=not inverse)]
    if space == "aces2065-1":
        return [_builtin("ACEScg_to_ACES2065-1", inverse=inverse)]
    return []


def _builtin(name: str, *, inverse: bool = False) -> Any:
    import PyOpenColorIO as ocio

    direction = ocio.TRANSFORM_DIR_INVERSE if inverse else ocio.TRANSFORM_DIR_FORWARD
    return ocio.BuiltinTransform(style=name, direction=direction)
