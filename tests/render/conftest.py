"""Invented photos for the render's tests."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour
from pipeline.colour.display import BT709_TO_XYZ
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.photo.raw import RawPhoto
from tests.render.made import BLACK, NEUTRAL, PATTERNS, WHITE


@pytest.fixture(params=list(PATTERNS))
def pattern(request: pytest.FixtureRequest) -> NDArray[np.uint8]:
    """Each of the four Bayer phases."""
    return PATTERNS[request.param]


@pytest.fixture
def mosaic_photo() -> Callable[..., RawPhoto]:
    """Function from white-balanced linear RGB (H×W×3) and a pattern to the RAW photo that shows it."""

    def photo(rgb: NDArray[np.float64], pattern: NDArray[np.uint8] = PATTERNS["RGGB"]) -> RawPhoto:
        camera = rgb * np.asarray(NEUTRAL)
        mosaic = np.empty(rgb.shape[:2])
        for y in (0, 1):
            for x in (0, 1):
                mosaic[y::2, x::2] = camera[y::2, x::2, pattern[y, x]]
        levels = np.clip(np.rint(mosaic * (WHITE - BLACK) + BLACK), 0, 65535).astype(np.uint16)
        # A camera whose white-balanced RGB has the primaries of BT.709.
        matrix = np.diag(NEUTRAL) @ np.linalg.inv(BT709_TO_XYZ)
        one = np.eye(3)
        colour = CameraColour(matrix, 6504.0, None, None, None, None, one, one, np.ones(3))
        return RawPhoto(levels, pattern, np.full((2, 2), BLACK, np.float32), WHITE, colour, NEUTRAL)

    return photo


@pytest.fixture
def corrections() -> Callable[..., Corrections]:
    """Function that makes the corrections of one frame of a photo of the given width and height."""

    def make(width: int, height: int, crop_ratio: float = 1.0, **frame: object) -> Corrections:
        values = {"neutral": NEUTRAL} | frame
        first = FrameCorrection.model_validate(
            {"frame": 0, "file": "reed_marsh_0001.dng", "shown": 0, "shown_file": "reed_marsh_0001.dng"}
            | {"time_s": 0.0}
            | values
        )
        return Corrections(
            id="test",
            kind="raw",
            card="card",
            width=width,
            height=height,
            focal_px=0.7 * width,
            shape=(width, height),
            crop_ratio=crop_ratio,
            frames=[first],
        )

    return make
