"""How sharp a delivered frame is, and what of too fine detail comes back as moiré.

    pytest tests/bench/test_sharpness.py -s

A slanted edge and a zone plate, mosaicked and rendered through the whole render but the grade, from 4000×3000
px to 1080p and 2160p. MTF50 is by the slanted-edge method of ISO 12233 (edge spread function in quarter
pixels from the edge's own slope, differenced, windowed, transformed), in cycles per output px; beside it that
of an exact area reduction of the truth, which no resampling needs to exceed.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.corrections import Corrections
from pipeline.photo.raw import RawPhoto
from pipeline.render.compose import warped
from tests.render.conftest import corrections, mosaic_photo  # noqa: F401
from tests.render.edges import mtf50, slanted_edge
from tests.render.made import zone_plate

WIDTH, HEIGHT = 4000, 3000
SIZES = {"2160p": (3840, 2160), "1080p": (1920, 1080)}
Picture = NDArray[np.float64]


def rendered(photo: RawPhoto, made: Corrections, size: tuple[int, int]) -> NDArray[np.float32]:
    ((rgb, _),) = [
        (rgb.copy(), homography) for rgb, homography in warped(photo, made.frames[0], made, [size])
    ]
    return rgb


def area_reduced(truth: Picture, size: tuple[int, int]) -> Picture:
    """The middle of the truth in the shape of `size`, reduced by area."""
    high = round(truth.shape[1] * size[1] / size[0])
    top = (truth.shape[0] - high) // 2
    return np.asarray(cv2.resize(truth[top : top + high], size, interpolation=cv2.INTER_AREA))


@pytest.mark.parametrize("across", [True, False], ids=["edge upright", "edge lying"])
def test_slanted_edge(
    mosaic_photo: Callable[..., RawPhoto],  # noqa: F811
    corrections: Callable[..., Corrections],  # noqa: F811
    across: bool,
) -> None:
    truth = slanted_edge(HEIGHT, WIDTH, across=across)
    photo = mosaic_photo(truth)
    made = corrections(WIDTH, HEIGHT).model_copy(update={"shape": (16, 9)})
    for name, size in SIZES.items():
        left, top = size[0] // 2 - 200, size[1] // 2 - 200
        part = np.s_[top : top + 400, left : left + 400]
        ours = [mtf50(rendered(photo, made, size)[part][..., channel], across) for channel in range(3)]
        exact = mtf50(area_reduced(truth, size)[part][..., 1], across)
        print(f"\n{name}: MTF50 {' '.join(f'{value:.3f}' for value in ours)} (R, G, B), by area {exact:.3f}")
        assert min(ours) > (0.33 if name == "2160p" else 0.42)


def test_zone_plate(
    mosaic_photo: Callable[..., RawPhoto],  # noqa: F811
    corrections: Callable[..., Corrections],  # noqa: F811
) -> None:
    """Contrast by frequency (cycles per output px), and of frequencies beyond 0.5 what comes back."""
    truth = zone_plate(HEIGHT, WIDTH, 0.5)
    photo = mosaic_photo(truth)
    made = corrections(WIDTH, HEIGHT).model_copy(update={"shape": (16, 9)})
    bands = ((0.05, 0.15), (0.2, 0.3), (0.35, 0.45), (0.6, 0.75), (0.75, 0.95))
    print("\n" + " " * 16 + "".join(f"{f'{low:.2f}-{high:.2f}':>12s}" for low, high in bands))
    for name, size in SIZES.items():
        shrink = WIDTH / size[0]
        top = (HEIGHT - size[1] * shrink) / 2
        y, x = np.mgrid[0 : size[1], 0 : size[0]].astype(float)
        frequency = 0.5 / np.hypot(HEIGHT, WIDTH) * np.hypot(x * shrink, y * shrink + top) * shrink
        for what, picture in (
            ("ours", rendered(photo, made, size)[..., 1]),
            ("by area", area_reduced(truth, size)[..., 1]),
        ):
            amplitude = (picture - 0.25) / 0.2 * np.sqrt(2.0)
            seen = [
                float(np.sqrt(np.mean(amplitude[(frequency > low) & (frequency < high)] ** 2)))
                if ((frequency > low) & (frequency < high)).any()
                else np.nan
                for low, high in bands
            ]
            print(f"{name:6s} {what:9s}" + "".join(f"{value:12.2f}" for value in seen))
            if what == "ours":
                assert seen[0] > 0.9
                if name == "1080p":
                    assert max(seen[3:]) < 0.35
