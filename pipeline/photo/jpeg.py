"""Opening a display-referred photograph: JPEG, or TIFF of 8 or 16 bits."""

from __future__ import annotations

import io
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour
from pipeline.colour.display import srgb_to_linear
from pipeline.errors import PhotoError
from pipeline.photo.orientation import FLIP_OF_ORIENTATION, upright
from pipeline.sequence import Triple

_START_OF_SCAN = 0xDA
_END_OF_IMAGE = b"\xff\xd9"
_MARKERS_WITHOUT_LENGTH = {0x01, *range(0xD0, 0xD9)}


@dataclass(frozen=True)
class LinearPhoto:
    """A photograph of three full planes, upright: H×W×3 uint8 or uint16 codes and their linear levels.

    `linear[code]` is the linear level 0..1 (float32, 256 or 65536 entries). `colour` None means
    display-referred, with the primaries of sRGB and BT.709; else the levels are linear camera RGB.
    """

    rgb: NDArray[np.uint8] | NDArray[np.uint16]
    linear: NDArray[np.float32]
    colour: CameraColour | None
    as_shot_neutral: Triple | None


@cache
def _srgb_levels(codes: int) -> NDArray[np.float32]:
    levels = srgb_to_linear(np.arange(codes) / (codes - 1.0)).astype(np.float32)
    levels.setflags(write=False)
    return levels


def open_jpeg(path: Path) -> LinearPhoto:
    """Open a JPEG, its EXIF orientation applied. Raises PhotoError where it is torn or unreadable."""
    import cv2

    data = _read(path)
    if _is_cut_short(data):
        raise PhotoError(f"{path.name} is torn (it ends before its picture does): copy it again")
    try:
        picture = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)  # applies the orientation
    except cv2.error:
        picture = None
    if picture is None:
        raise PhotoError(f"{path.name} is no readable JPEG: copy it again or leave it out")
    rgb = np.asarray(cv2.cvtColor(picture, cv2.COLOR_BGR2RGB, dst=picture), dtype=np.uint8)
    return LinearPhoto(rgb, _srgb_levels(256), None, None)


def open_tiff(path: Path) -> LinearPhoto:
    """Open a TIFF of 8 or 16 bits, its orientation applied. Raises PhotoError where it cannot."""
    import tifffile

    data = _read(path)
    try:
        with tifffile.TiffFile(io.BytesIO(data)) as tiff:
            page = tiff.pages.first
            picture, axes = page.asarray(), page.axes
            grey_or_rgb = page.photometric in (tifffile.PHOTOMETRIC.RGB, tifffile.PHOTOMETRIC.MINISBLACK)
            orientation = page.tags.valueof("Orientation", default=1)
    except Exception as error:  # the decoders behind tifffile raise errors of many kinds
        raise PhotoError(f"{path.name} is no readable TIFF: copy it again or leave it out") from error
    if axes == "SYX":
        picture, axes = np.moveaxis(picture, 0, -1), "YXS"
    if axes == "YX":
        picture, axes = np.repeat(picture[..., np.newaxis], 3, axis=2), "YXS"
    if axes != "YXS" or picture.shape[2] < 3 or picture.dtype not in ("u1", "u2") or not grey_or_rgb:
        raise PhotoError(f"{path.name} is not an RGB or grey TIFF of 8 or 16 bits: save it as one")
    rgb = upright(picture[..., :3], FLIP_OF_ORIENTATION.get(orientation, 0))
    codes = 256 if rgb.dtype == np.uint8 else 65536
    return LinearPhoto(np.ascontiguousarray(rgb), _srgb_levels(codes), None, None)


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise PhotoError(f"{path.name} cannot be read ({error.strerror}): copy it again") from error


def _is_cut_short(data: bytes) -> bool:
    """Whether a JPEG has no end-of-image marker after its first scan begins (ITU-T T.81, annex B).

    OpenCV fills the rest of a torn picture with grey and says nothing. The search starts at the scan
    because a thumbnail inside the EXIF block has an end of its own.
    """
    place = 2
    while place + 4 <= len(data):
        if data[place] != 0xFF:
            return False  # not the structure of a JPEG: for the decoder to judge
        marker = data[place + 1]
        if marker == _START_OF_SCAN:
            return data.rfind(_END_OF_IMAGE, place) < 0
        if marker == 0xFF:
            place += 1
        elif marker in _MARKERS_WITHOUT_LENGTH:
            place += 2
        else:
            place += 2 + int.from_bytes(data[place + 2 : place + 4], "big")
    return True
