"""Grades: the look of the delivered picture, from linear BT.2020 to BT.709 display codes.

The tone curve, in order: exposure multiplies linear light; contrast is 0.18 (level / 0.18) ^ contrast in
linear AP1, a straight line of that slope in log light through 18 % grey, which black and grey keep; the
shoulder (`display.shoulder`) leaves levels up to 0.8 and rolls what is above smoothly to white; the code
is L^(1/2.4) (ITU-R BT.1886). Saturation is that of the CDL, worked in ACEScct, so it is even in log light.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from pipeline.colour.camera import Matrix, bradford_adaptation
from pipeline.colour.cdl import Cdl
from pipeline.colour.display import (
    BT1886_EXPONENT,
    BT2020_TO_BT709,
    BT2020_TO_XYZ,
    SHOULDER_START,
    shoulder,
)
from pipeline.colour.look import LutProcessors, SceneLook, lut_processors
from pipeline.colour.lut import Lut
from pipeline.colour.temperature import cct_duv_to_xy, mired, xy_to_cct_duv
from pipeline.colour.whites import D65_XY

_HIGHEST_WHITE = SHOULDER_START + 3.0 * (
    1.0 - SHOULDER_START
)  # beyond it the shoulder would not be monotonic

_DARKEST = np.float32(
    1e-20
)  # stands for 0 (its code is 5e-9): cv2.pow takes six times longer where zeros are


class Grade(BaseModel):
    """A look. Every default leaves the picture as it is, but for the shoulder."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    intent: str = Field(min_length=1, description="one line: the light or mood meant")
    exposure_ev: float = Field(0.0, ge=-3.0, le=3.0, description="EV, positive brightens")
    temperature_mired: float = Field(0.0, ge=-100.0, le=100.0, description="mired, positive is warmer")
    tint_duv: float = Field(0.0, ge=-0.02, le=0.02, description="Duv, positive is greener")
    contrast: float = Field(1.0, ge=0.5, le=2.0, description="exponent of linear light about 18 % grey")
    cdl: Cdl = Field(Cdl(), description="ASC CDL 1.2 in ACEScct")
    lut: Lut | None = Field(None, description="look-up table, after the CDL and the contrast")
    shoulder: bool = Field(True, description="roll the levels above 0.8 to white; else they clip at 1")

    def fingerprint(self) -> str:
        """Return a checksum of all that changes the picture (the intent does not)."""
        return hashlib.sha256(self.model_dump_json(exclude={"intent"}).encode()).hexdigest()

    def unrolled(self) -> Grade:
        """Return the grade without its shoulder, for photos that have had theirs already."""
        return self.model_copy(update={"shoulder": False})


@dataclass(frozen=True)
class Blend:
    """Two grades and the `share` (0 to 1) of the second, mixed in display code.

    Display code is near to even in what the eye sees, so an even share is an even change; numbers of the
    grades could not be mixed where one has a look-up table.
    """

    first: Grade
    second: Grade
    share: float

    def unrolled(self) -> Blend:
        """Return the blend with both grades without their shoulders."""
        return replace(self, first=self.first.unrolled(), second=self.second.unrolled())


@dataclass(frozen=True)
class Grading:
    """The grades of a whole video: points of a place of the timeline and a grade, in ascending order.

    Between two points the grade changes evenly; before the first and after the last it holds.
    """

    points: tuple[tuple[int, Grade], ...]

    def at(self, place: float) -> Grade | Blend:
        """Return the grade at a place of the timeline."""
        before = [point for point in self.points if point[0] <= place]
        after = [point for point in self.points if point[0] > place]
        if not before or not after:
            return before[-1][1] if before else after[0][1]
        (start, first), (end, second) = before[-1], after[0]
        return Blend(first, second, (place - start) / (end - start)) if place > start else first

    def fingerprint(self) -> str:
        """Return a checksum of all that changes the picture."""
        told = repr([(frame, grade.fingerprint()) for frame, grade in self.points])
        return hashlib.sha256(told.encode()).hexdigest()


@dataclass(frozen=True)
class _Plan:
    """A grade made ready: a matrix (to BT.709 where there is no look), look, table, the shoulder's white."""

    matrix: Matrix
    look: SceneLook | None
    lut: LutProcessors | None
    white: float


def apply_grade(grade: Grade | Blend, rgb: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return BT.709 display codes R'G'B' 0..1 (H×W×3) of linear BT.2020 `rgb` (H×W×3), 1.0 = common white.

    In order: exposure, temperature and tint; CDL in ACEScct; contrast; a table for light of the scene;
    BT.709, where levels below zero (outside its gamut) are clipped; the shoulder; code = L^(1/2.4)
    (ITU-R BT.1886); a table for display codes. A table that goes from light to display code stands in
    for gamut, shoulder and curve as well.
    """
    import cv2

    if isinstance(grade, Blend):
        first, second = apply_grade(grade.first, rgb), apply_grade(grade.second, rgb)
        return np.asarray(cv2.addWeighted(first, 1.0 - grade.share, second, grade.share, 0.0), np.float32)
    plan = _plan(grade)
    linear = np.asarray(cv2.transform(rgb, plan.matrix.astype(np.float32)), dtype=np.float32)
    if plan.look is not None:
        linear = plan.look.apply(linear)
    if grade.lut is None or plan.lut is None:
        return _display_code(grade, plan, linear)
    if grade.lut.output != "display":
        return _display_code(grade, plan, plan.lut.mixed(linear, grade.lut.strength))
    plain = _display_code(grade, plan, linear.copy())
    seen = plain.copy() if grade.lut.input == "display" else linear
    plan.lut.mapped.applyRGB(seen)
    mixed = cv2.addWeighted(plain, 1.0 - grade.lut.strength, seen, grade.lut.strength, 0.0)
    return np.clip(np.asarray(mixed, np.float32), 0.0, 1.0)


def _display_code(grade: Grade, plan: _Plan, linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return display codes of linear BT.709 (H×W×3), which is overwritten."""
    import cv2

    np.maximum(linear, _DARKEST, out=linear)
    if grade.shoulder:
        linear = shoulder(linear, SHOULDER_START, plan.white)
    else:
        np.minimum(linear, np.float32(1.0), out=linear)
    return np.asarray(cv2.pow(linear, 1.0 / BT1886_EXPONENT, dst=linear))


@lru_cache(maxsize=16)
def _plan(grade: Grade) -> _Plan:
    trim = _light(grade.temperature_mired, grade.tint_duv) * 2.0**grade.exposure_ev
    matrix, look = trim, None
    white = trim.sum(axis=1).astype(np.float32).reshape(1, 1, 3)
    if grade.cdl == Cdl() and grade.contrast == 1.0:
        matrix = BT2020_TO_BT709 @ trim
        white = matrix.sum(axis=1).astype(np.float32).reshape(1, 1, 3)
    else:
        look = SceneLook(grade.cdl, grade.contrast)
        white = look.apply(white)
    lut = None if grade.lut is None else lut_processors(grade.lut)
    if grade.lut is not None and lut is not None and grade.lut.output != "display":
        white = lut.mixed(white, grade.lut.strength)
    return _Plan(matrix, look, lut, float(np.clip(white.max(), 1.0, _HIGHEST_WHITE)))


def _light(temperature_mired: float, tint_duv: float) -> Matrix:
    """Return the 3×3 matrix in linear BT.2020 that shows D65 as a warmer or greener white."""
    if temperature_mired == 0.0 and tint_duv == 0.0:
        return np.eye(3)

    cct_k, duv = xy_to_cct_duv(D65_XY)
    shown_xy = cct_duv_to_xy([mired(mired(cct_k) + temperature_mired), duv + tint_duv])
    shown = bradford_adaptation(D65_XY, shown_xy)
    return np.asarray(np.linalg.solve(BT2020_TO_XYZ, shown @ BT2020_TO_XYZ))
