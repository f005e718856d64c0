"""Clipped skies and clouds near saturation, from the mosaic to display codes (design, sections 5 and 9)."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.colour.grade import Grade, apply_grade
from pipeline.colour.highlights import common_white
from pipeline.corrections import Corrections
from pipeline.render.compose import brighten, look_of, to_working_space
from pipeline.render.demosaic import linear_rgb
from tests.render.made import NEUTRAL

PLAIN = Grade(intent="plain")
SIZE = 24
FLICKER_EV = (-0.5, 0.06, 0.0, -0.08, 0.5, 0.03, 0.5, -0.5, 0.0)
"""Two frames half a stop brighter than their neighbours, two darker, the others with ordinary flicker."""


def corrections_of(corrections, highlights: str) -> Corrections:
    """Corrections that undo the flicker, the white as the solve sets it."""
    first = corrections(SIZE, SIZE)
    frames = [
        first.frames[0].model_copy(update={"frame": k, "shown": k, "gain_ev": -ev})
        for k, ev in enumerate(FLICKER_EV)
    ]
    gains = -np.array(FLICKER_EV)
    ordinary = float(np.exp2(gains[np.abs(gains) < 0.25]).min())
    first_to_clip = np.full(len(gains), -np.log2(max(NEUTRAL)))
    white = common_white(gains, first_to_clip, ordinary)
    return first.model_copy(update={"frames": frames, "white": white, "highlights": highlights})


def shown(mosaic_photo, told: Corrections, scene: NDArray[np.float64]) -> NDArray[np.float64]:
    """Display codes 0..255 (frames, H, W, 3) of a steady scene of white-balanced levels (H, W, 3)."""
    codes = []
    for frame, flicker_ev in zip(told.frames, FLICKER_EV, strict=True):
        photo = mosaic_photo(scene * 2.0**flicker_ev)  # clips at saturation, as the sensor does
        look = look_of(photo, frame, told)
        working = to_working_space(brighten(linear_rgb(photo, frame.neutral), look), look)
        codes.append(apply_grade(PLAIN, working).astype(np.float64) * 255.0)
    return np.array(codes)


def flat(*rgb: float) -> NDArray[np.float64]:
    return np.tile(np.array(rgb), (SIZE, SIZE, 1))


@pytest.mark.parametrize("highlights", ["clip", "rebuild"])
@pytest.mark.parametrize("sky", [(4.0, 4.0, 4.0), (3.2, 3.6, 4.4)])
def test_a_clipped_sky_varies_by_less_than_one_code(mosaic_photo, corrections, highlights, sky) -> None:
    codes = shown(mosaic_photo, corrections_of(corrections, highlights), flat(*sky))
    assert np.ptp(codes) < 1.0
    assert codes.min() > 254.0


@pytest.mark.parametrize("highlights", ["clip", "rebuild"])
def test_a_cloud_below_saturation_keeps_its_contrast_in_ordinary_frames(
    mosaic_photo, corrections, highlights
) -> None:
    """0.3 EV below the level at which the picture clips, 80 % of the contrast in code values stays."""
    told = corrections_of(corrections, highlights)
    cloud = flat(1.0, 1.0, 1.0) * told.white * 2.0**-0.3
    cloud[: SIZE // 2] *= 0.97
    cloud[SIZE // 2 :] *= 1.03
    codes = shown(mosaic_photo, told, cloud)[[1, 2, 3, 5, 8], :, SIZE // 2, 1]
    contrast = codes[:, -6] - codes[:, 6]
    plain = 255.0 * np.diff((2.0**-0.3 * np.array([0.97, 1.03])) ** (1 / 2.4))[0]
    assert (contrast >= 0.8 * plain).all()


@pytest.mark.parametrize("highlights", ["clip", "rebuild"])
def test_a_grey_wall_at_every_level_stays_grey(mosaic_photo, corrections, highlights) -> None:
    told = corrections_of(corrections, highlights)
    for level in np.linspace(0.1, 2.5, 13):
        codes = shown(mosaic_photo, told, flat(level, level, level))
        assert np.ptp(codes, axis=-1).max() < 1.0
