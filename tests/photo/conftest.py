"""Small DNGs written for the tests. All their values are invented."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

BYTE, ASCII, SHORT, LONG, RATIONAL, SRATIONAL = 1, 2, 3, 4, 5, 10
CFA, LINEAR_RAW = 32803, 34892

COLOUR_MATRIX = [0.9, -0.2, -0.1, -0.4, 1.2, 0.2, -0.1, 0.2, 0.6]

CODES = {
    "DNGVersion": (50706, BYTE),
    "DNGBackwardVersion": (50707, BYTE),
    "UniqueCameraModel": (50708, ASCII),
    "CFARepeatPatternDim": (33421, SHORT),
    "CFAPattern": (33422, BYTE),
    "LinearizationTable": (50712, SHORT),
    "BlackLevelRepeatDim": (50713, SHORT),
    "BlackLevel": (50714, RATIONAL),
    "BlackLevelDeltaH": (50715, SRATIONAL),
    "BlackLevelDeltaV": (50716, SRATIONAL),
    "WhiteLevel": (50717, LONG),
    "ColorMatrix1": (50721, SRATIONAL),
    "ColorMatrix2": (50722, SRATIONAL),
    "CameraCalibration1": (50723, SRATIONAL),
    "CameraCalibration2": (50724, SRATIONAL),
    "AnalogBalance": (50727, RATIONAL),
    "AsShotNeutral": (50728, RATIONAL),
    "AsShotWhiteXY": (50729, RATIONAL),
    "CalibrationIlluminant1": (50778, SHORT),
    "CalibrationIlluminant2": (50779, SHORT),
    "ActiveArea": (50829, LONG),
    "MaskedAreas": (50830, LONG),
    "CameraCalibrationSignature": (50931, ASCII),
    "ProfileCalibrationSignature": (50932, ASCII),
    "ForwardMatrix1": (50964, SRATIONAL),
    "ForwardMatrix2": (50965, SRATIONAL),
}

CAMERA_TAGS: dict[str, Any] = {
    "DNGVersion": [1, 4, 0, 0],
    "DNGBackwardVersion": [1, 1, 0, 0],
    "UniqueCameraModel": "Testcam Heron",
    "ColorMatrix1": COLOUR_MATRIX,
    "CalibrationIlluminant1": 21,
    "AsShotNeutral": [0.5, 1.0, 0.625],
}
RAW_TAGS: dict[str, Any] = {
    "CFARepeatPatternDim": [2, 2],
    "CFAPattern": [0, 1, 1, 2],
    "BlackLevel": [64],
    "WhiteLevel": [4095],
}

DngWriter = Callable[..., Path]


def _extratag(name: str, value: Any) -> tuple[int, int, int, Any, bool]:
    code, kind = CODES[name]
    if kind == ASCII:
        return code, kind, 0, value, True
    numbers = np.atleast_1d(value).ravel().tolist()
    count = len(numbers)
    if kind in (RATIONAL, SRATIONAL):
        numbers = [part for number in numbers for part in (round(number * 10000), 10000)]
    return code, kind, count, numbers[0] if len(numbers) == 1 else tuple(numbers), True


@pytest.fixture
def write_dng(tmp_path: Path) -> DngWriter:
    """Return a function that writes `pixels` as an uncompressed DNG; a tag of None is left out."""

    def write(
        pixels: np.ndarray,
        *,
        name: str = "heron_0001.dng",
        orientation: int = 1,
        photometric: int = CFA,
        preview: bool = False,
        **tags: Any,
    ) -> Path:
        wanted = CAMERA_TAGS | RAW_TAGS | tags
        if photometric == LINEAR_RAW:
            wanted |= {"CFARepeatPatternDim": None, "CFAPattern": None}
        camera = [_extratag(n, v) for n, v in wanted.items() if v is not None and n in CAMERA_TAGS]
        raw = [_extratag(n, v) for n, v in wanted.items() if v is not None and n not in CAMERA_TAGS]
        first = [*camera, (274, SHORT, 1, orientation, True)]
        path = tmp_path / name
        common = {"metadata": None, "software": False}
        with tifffile.TiffWriter(path) as tiff:
            if preview:
                thumbnail = np.full((16, 24, 3), 128, np.uint8)
                tiff.write(thumbnail, photometric="rgb", subfiletype=1, subifds=1, extratags=first, **common)
                tiff.write(pixels, photometric=photometric, subfiletype=0, extratags=raw, **common)
            else:
                tiff.write(pixels, photometric=photometric, extratags=[*raw, *first], **common)
        return path

    return write


@pytest.fixture
def mosaic() -> np.ndarray:
    """A 48×64 mosaic in which every photosite has its own level, 12 bits."""
    return np.random.default_rng(5).permutation(48 * 64).reshape(48, 64).astype(np.uint16) + 100
