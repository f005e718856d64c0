"""Colour corrections by the ASC CDL, version 1.2, and their XML forms (.cc, .ccc, .cdl)."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

from pipeline.sequence import Triple

CDL_FORMS = {"cc": "ColorCorrection", "ccc": "ColorCorrectionCollection", "cdl": "ColorDecisionList"}
"""The three XML forms of a CDL by the ending of their files: one correction, a collection, a list."""

_ONES, _ZEROS = (1.0, 1.0, 1.0), (0.0, 0.0, 0.0)
_APPLIED_IN = "ACEScct (ACES S-2016-001)"

_Slope = Annotated[float, Field(ge=0.0)]
_Power = Annotated[float, Field(gt=0.0)]


class Cdl(BaseModel):
    """A colour correction by ASC CDL 1.2: clip((in × slope + offset) ^ power), then saturation."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    slope: tuple[_Slope, _Slope, _Slope] = Field((1.0, 1.0, 1.0), description="factor of R, G, B, from 0")
    offset: Triple = Field((0.0, 0.0, 0.0), description="added to R, G, B, in ACEScct")
    power: tuple[_Power, _Power, _Power] = Field((1.0, 1.0, 1.0), description="exponent of R, G, B, above 0")
    saturation: float = Field(1.0, ge=0.0, le=4.0, description="1 leaves it, 0 is grey")


_LUMA = (0.2126, 0.7152, 0.0722)  # by ASC CDL 1.2, whatever the primaries


def apply_cdl(code: NDArray[np.float32], cdl: Cdl) -> NDArray[np.float32]:
    """Return code values (H×W×3, overwritten) after a CDL, with the clamps of ASC CDL 1.2."""
    import cv2

    if cdl.slope != _ONES or cdl.offset != _ZEROS:
        sop = np.column_stack([np.diag(cdl.slope), cdl.offset]).astype(np.float32)
        cv2.transform(code, sop, dst=code)
    np.clip(code, np.float32(0.0), np.float32(1.0), out=code)
    if cdl.power != _ONES:
        planes = zip(cv2.split(code), cdl.power, strict=True)
        cv2.merge([cv2.pow(plane, power) for plane, power in planes], dst=code)
    if cdl.saturation != 1.0:
        mixed = (1.0 - cdl.saturation) * np.tile(_LUMA, (3, 1)) + cdl.saturation * np.eye(3)
        cv2.transform(code, mixed.astype(np.float32), dst=code)
        np.clip(code, np.float32(0.0), np.float32(1.0), out=code)
    return code


def cdl_transform(cdl: Cdl) -> Any:
    """Return the PyOpenColorIO.CDLTransform of `cdl`, with the clamps of ASC CDL 1.2."""
    import PyOpenColorIO as ocio

    transform = ocio.CDLTransform(
        slope=list(cdl.slope), offset=list(cdl.offset), power=list(cdl.power), sat=cdl.saturation
    )
    transform.setStyle(ocio.CDL_ASC)
    return transform


def cdl_of(transform: Any) -> Cdl:
    """Return the numbers of a PyOpenColorIO.CDLTransform.

    Raises pydantic.ValidationError where they are outside the bounds of ASC CDL 1.2 or of `Cdl`.
    """
    return Cdl(
        slope=tuple(transform.getSlope()),
        offset=tuple(transform.getOffset()),
        power=tuple(transform.getPower()),
        saturation=transform.getSat(),
    )


def cdl_text(cdl: Cdl, id: str, form: str) -> str:
    """Return the XML of `cdl` under the name `id`, in one of the forms of `CDL_FORMS`.

    It says that the numbers apply in ACEScct, where our grades use them. Numbers have the seven digits
    of single precision.
    """
    import PyOpenColorIO as ocio

    transform = cdl_transform(cdl)
    transform.setID(id)
    transform.getFormatMetadata().addChildElement("InputDescription", _APPLIED_IN)
    text = ocio.GroupTransform([transform]).write(form, ocio.Config.CreateRaw())
    return str(text).strip() + "\n"
