"""How sharp a rendered edge is, and whether the method that tells it tells the truth."""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest

from pipeline.corrections import Corrections
from pipeline.photo.raw import RawPhoto
from pipeline.render.compose import warped
from tests.render.edges import mtf50, slanted_edge


@pytest.mark.parametrize("across", [True, False])
@pytest.mark.parametrize("sigma_px", [0.8, 1.5])
def test_mtf50_of_a_gaussian_is_known(sigma_px: float, across: bool) -> None:
    """Its transform is exp(-2 (pi sigma f)^2); times the sinc of the ramp that the edge is."""
    edge = slanted_edge(200, 200, across=across)[..., 0]
    blurred = cv2.GaussianBlur(edge, (0, 0), sigma_px)
    frequency = np.linspace(0.01, 0.6, 2000)
    response = np.exp(-2.0 * (np.pi * sigma_px * frequency) ** 2) * np.sinc(frequency)
    assert mtf50(blurred, across) == pytest.approx(frequency[np.argmax(response < 0.5)], rel=0.02)


def test_a_rendered_edge_is_nearly_as_sharp_as_can_be(
    mosaic_photo: Callable[..., RawPhoto], corrections: Callable[..., Corrections]
) -> None:
    """Half size from a mosaic: 0.42 cycles per px and more in each channel, an exact area reduction 0.5."""
    photo = mosaic_photo(slanted_edge(600, 800))
    made = corrections(800, 600)
    ((rgb, _),) = warped(photo, made.frames[0], made, [(400, 300)])
    for channel in range(3):
        assert 0.42 < mtf50(rgb[50:250, 100:300, channel].astype(float)) < 0.6
