"""Grades: the look of the delivered picture, from linear BT.2020 to BT.709 display codes."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.colour.camera import Matrix, bradford_adaptation
from pipeline.colour.display import (
    BT1886_EXPONENT,
    BT2020_TO_BT709,
    BT2020_TO_XYZ,
    SHOULDER_START,
    shoulder,
)
from pipeline.colour.temperature import cct_duv_to_xy, mired, xy_to_cct_duv
from pipeline.colour.whites import D65_XY
from pipeline.errors import UsageError
from pipeline.sequence import Triple
from pipeline.settings import named_config, nearest, read_toml

_MID_GREY = 0.18
_HIGHEST_WHITE = SHOULDER_START + 3.0 * (
    1.0 - SHOULDER_START
)  # beyond it the shoulder would not be monotonic

_DARKEST = np.float32(
    1e-20
)  # stands for 0 (its code is 5e-9): cv2.pow takes six times longer where zeros are


_Slope = Annotated[float, Field(ge=0.0)]
_Power = Annotated[float, Field(gt=0.0)]


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Cdl(_Record):
    """A colour correction by ASC CDL 1.2: clip((in × slope + offset) ^ power), then saturation."""

    slope: tuple[_Slope, _Slope, _Slope] = Field((1.0, 1.0, 1.0), description="factor of R, G, B, from 0")
    offset: Triple = Field((0.0, 0.0, 0.0), description="added to R, G, B, in ACEScct")
    power: tuple[_Power, _Power, _Power] = Field((1.0, 1.0, 1.0), description="exponent of R, G, B, above 0")
    saturation: float = Field(1.0, ge=0.0, le=4.0, description="1 leaves it, 0 is grey")


class Grade(_Record):
    """A look. Every default leaves the picture as it is, but for the shoulder."""

    intent: str = Field(min_length=1, description="one line: the light or mood meant")
    exposure_ev: float = Field(0.0, ge=-3.0, le=3.0, description="EV, positive brightens")
    temperature_mired: float = Field(0.0, ge=-100.0, le=100.0, description="mired, positive is warmer")
    tint_duv: float = Field(0.0, ge=-0.02, le=0.02, description="Duv, positive is greener")
    contrast: float = Field(1.0, ge=0.5, le=2.0, description="exponent of linear light about 18 % grey")
    cdl: Cdl = Field(Cdl(), description="ASC CDL 1.2 in ACEScct")
    shoulder: bool = Field(True, description="roll the levels above 0.8 to white; else they clip at 1")

    def fingerprint(self) -> str:
        """Return a checksum of all that changes the picture (the intent does not)."""
        return hashlib.sha256(self.model_dump_json(exclude={"intent"}).encode()).hexdigest()


@dataclass(frozen=True)
class _Plan:
    """A grade made ready: one matrix (to BT.709 where there is no look), the look, the shoulder's white."""

    matrix: Matrix
    look: Any | None
    white: float


def load_grade(name: str) -> Grade:
    """Read the grade called `name` in configs/grades/, or in the TOML file at the path `name`.

    Raises UsageError, with the nearest known name or the bounds, where there is none or it is wrong.
    """
    path = named_config("grades", name, "grade")
    try:
        return Grade.model_validate(read_toml(path))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"])
        if first["type"] == "extra_forbidden":
            known = [*Grade.model_fields, *(f"cdl.{key}" for key in Cdl.model_fields)]
            raise UsageError(f"unknown '{place}' in the grade {path.name}{nearest(place, known)}") from error
        problem = first["msg"][0].lower() + first["msg"][1:]
        raise UsageError(f"bad value for '{place}' in the grade {path.name}: {problem}") from error


def apply_grade(grade: Grade, rgb: NDArray[np.float32]) -> NDArray[np.float32]:
    """Return BT.709 display codes R'G'B' 0..1 (H×W×3) of linear BT.2020 `rgb` (H×W×3), 1.0 = common white.

    In order: exposure, temperature and tint; CDL in ACEScct; contrast; BT.709, where levels below
    zero (outside its gamut) are clipped; the shoulder; code = L^(1/2.4) (ITU-R BT.1886).
    """
    import cv2

    plan = _plan(grade)
    graded = np.asarray(cv2.transform(rgb, plan.matrix.astype(np.float32)), dtype=np.float32)
    if plan.look is not None:
        plan.look.applyRGB(graded)
    np.maximum(graded, _DARKEST, out=graded)
    if grade.shoulder:
        graded = shoulder(graded, SHOULDER_START, plan.white)
    else:
        np.minimum(graded, np.float32(1.0), out=graded)
    return np.asarray(cv2.pow(graded, 1.0 / BT1886_EXPONENT, dst=graded))


@lru_cache(maxsize=16)
def _plan(grade: Grade) -> _Plan:
    trim = _light(grade.temperature_mired, grade.tint_duv) * 2.0**grade.exposure_ev
    if grade.cdl == Cdl() and grade.contrast == 1.0:
        matrix, look = BT2020_TO_BT709 @ trim, None
        white = matrix.sum(axis=1)
    else:
        matrix, look = trim, look_processor(grade.cdl, grade.contrast)
        white = np.asarray(look.applyRGB([float(value) for value in trim.sum(axis=1)]))
    return _Plan(matrix, look, float(np.clip(white.max(), 1.0, _HIGHEST_WHITE)))


def _light(temperature_mired: float, tint_duv: float) -> Matrix:
    """Return the 3×3 matrix in linear BT.2020 that shows D65 as a warmer or greener white."""
    if temperature_mired == 0.0 and tint_duv == 0.0:
        return np.eye(3)

    cct_k, duv = xy_to_cct_duv(D65_XY)
    shown_xy = cct_duv_to_xy([mired(mired(cct_k) + temperature_mired), duv + tint_duv])
    shown = bradford_adaptation(D65_XY, shown_xy)
    return np.asarray(np.linalg.solve(BT2020_TO_XYZ, shown @ BT2020_TO_XYZ))


def cdl_transform(cdl: Cdl) -> Any:
    """Return the PyOpenColorIO.CDLTransform of `cdl`, with the clamps of ASC CDL 1.2."""
    import PyOpenColorIO as ocio

    transform = ocio.CDLTransform(
        slope=list(cdl.slope), offset=list(cdl.offset), power=list(cdl.power), sat=cdl.saturation
    )
    transform.setStyle(ocio.CDL_ASC)
    return transform


def look_processor(cdl: Cdl, contrast: float) -> Any:
    """Return an OpenColorIO CPU processor from linear BT.2020 through ACEScct to linear BT.709.

    It applies the CDL in ACEScct (ACES S-2016-001: AP1 primaries, log curve with a toe), then, in linear
    AP1, contrast: grey (level / grey) ^ contrast, which keeps 18 % grey and black and, other than a slope
    in ACEScct, crushes no shadow. Exact to float32: OPTIMIZATION_LOSSLESS.
    """
    import PyOpenColorIO as ocio

    def matrix(rows: Matrix) -> Any:
        padded = np.eye(4)
        padded[:3, :3] = rows
        return ocio.MatrixTransform(padded.ravel().tolist())

    def builtin(name: str, direction: Any = ocio.TRANSFORM_DIR_FORWARD) -> Any:
        return ocio.BuiltinTransform(style=name, direction=direction)

    around_grey = [
        matrix(np.eye(3) / _MID_GREY),
        ocio.ExponentTransform([contrast] * 3 + [1.0]),
        matrix(np.eye(3) * _MID_GREY),
    ]
    steps = [
        matrix(BT2020_TO_XYZ),
        builtin("UTILITY - ACES-AP1_to_CIE-XYZ-D65_BFD", ocio.TRANSFORM_DIR_INVERSE),
        builtin("CURVE - ACEScct-LOG_to_LINEAR", ocio.TRANSFORM_DIR_INVERSE),
        cdl_transform(cdl),
        builtin("CURVE - ACEScct-LOG_to_LINEAR"),
        *around_grey,
        builtin("UTILITY - ACES-AP1_to_LINEAR-REC709_BFD"),
    ]
    processor = ocio.Config.CreateRaw().getProcessor(ocio.GroupTransform(steps))
    depth = ocio.BIT_DEPTH_F32
    return processor.getOptimizedCPUProcessor(depth, depth, ocio.OPTIMIZATION_LOSSLESS)
