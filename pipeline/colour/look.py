"""The parts of a grade that OpenColorIO works: CDL, contrast and look-up table, between linear spaces."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import Matrix
from pipeline.colour.cdl import Cdl, cdl_transform
from pipeline.colour.display import BT2020_TO_XYZ
from pipeline.colour.lut import Lut, SceneSpace, lossless, lut_transform

MID_GREY = 0.18
"""The level that contrast leaves: a grey card of 18 % (ACES S-2016-001 places it at 0.4135 in ACEScct)."""


def look_processor(cdl: Cdl, contrast: float) -> Any:
    """Return an OpenColorIO CPU processor from linear BT.2020 through ACEScct to linear BT.709.

    It applies the CDL in ACEScct (ACES S-2016-001: AP1 primaries, log curve with a toe), then, in linear
    AP1, contrast: grey (level / grey) ^ contrast, which keeps 18 % grey and black and, other than a slope
    in ACEScct, crushes no shadow. Exact to float32: OPTIMIZATION_LOSSLESS.
    """
    import PyOpenColorIO as ocio

    around_grey = [
        _matrix(np.eye(3) / MID_GREY),
        ocio.ExponentTransform([contrast] * 3 + [1.0]),
        _matrix(np.eye(3) * MID_GREY),
    ]
    steps = [
        _matrix(BT2020_TO_XYZ),
        _builtin("UTILITY - ACES-AP1_to_CIE-XYZ-D65_BFD", inverse=True),
        _builtin("CURVE - ACEScct-LOG_to_LINEAR", inverse=True),
        cdl_transform(cdl),
        _builtin("CURVE - ACEScct-LOG_to_LINEAR"),
        *around_grey,
        _builtin("UTILITY - ACES-AP1_to_LINEAR-REC709_BFD"),
    ]
    return lossless(steps)


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


def _matrix(rows: Matrix) -> Any:
    import PyOpenColorIO as ocio

    padded = np.eye(4)
    padded[:3, :3] = rows
    return ocio.MatrixTransform(padded.ravel().tolist())


def _builtin(name: str, *, inverse: bool = False) -> Any:
    import PyOpenColorIO as ocio

    direction = ocio.TRANSFORM_DIR_INVERSE if inverse else ocio.TRANSFORM_DIR_FORWARD
    return ocio.BuiltinTransform(style=name, direction=direction)
