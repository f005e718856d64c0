"""Colour through the whole render and the encoder: a published chart, greys, and a sky that does not band.

Sources: the 24-patch chart's xyY values in the data folder (colour-science, BSD-3-Clause); CIEDE2000 by
scikit-image; Bradford adaptation and CIE Lab by colour-science; PyAV decodes. The camera is invented: a
matrix from XYZ to its RGB that is told to the render as a DNG would tell it.
"""

from __future__ import annotations

import csv
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from skimage.color import deltaE_ciede2000

from pipeline.colour.camera import CameraColour
from pipeline.colour.grade import Grade
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.photo.raw import RawPhoto
from pipeline.render.compose import Samples, dither, render_frame, to_ycbcr
from pipeline.render.delivery import Delivery, FrameFormat, load_delivery
from pipeline.render.writer import Stamp, VideoWriter
from tests.reference import colour_science

XYZ_TO_CAMERA = np.array([[0.78, -0.21, -0.06], [-0.42, 1.25, 0.19], [-0.05, 0.17, 0.58]])
BLACK, WHITE = 512.0, 16383.0
PATCH_PX = 64
PLAIN = Grade(intent="as it is", shoulder=False)


def chart(path: Path) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return XYZ (24, 3) of the patches and of their white (Y = 1)."""
    with path.open(encoding="utf-8") as file:
        lines = list(csv.reader(file))
    x, y = (float(value) for value in lines[0][1:3])
    rows = [[float(value) for value in line[1:4]] for line in lines[2:]]
    xyz = np.array([[u / v * level, level, (1 - u - v) / v * level] for u, v, level in rows])
    return xyz, np.array([x / y, 1.0, (1 - x - y) / y])


def photographed(xyz: NDArray[np.float64], white: NDArray[np.float64]) -> tuple[RawPhoto, Corrections]:
    """Return a RAW photo of flat patches, six in a row, and corrections that change nothing."""
    neutral = XYZ_TO_CAMERA @ white
    # Exposed so that a perfect white would just fill the green photosites.
    levels = xyz @ XYZ_TO_CAMERA.T / neutral[1]
    neutral /= neutral[1]
    rgb = levels.reshape(4, 6, 3).repeat(PATCH_PX, axis=0).repeat(PATCH_PX, axis=1)
    pattern = np.array([[0, 1], [1, 2]], np.uint8)
    mosaic = np.empty(rgb.shape[:2])
    for row in (0, 1):
        for column in (0, 1):
            mosaic[row::2, column::2] = rgb[row::2, column::2, pattern[row, column]]
    codes = np.rint(mosaic * (WHITE - BLACK) + BLACK).astype(np.uint16)
    one = np.eye(3)
    colour = CameraColour(XYZ_TO_CAMERA, None, None, None, None, None, one, one, np.ones(3))
    red, green, blue = (float(value) for value in neutral)
    black = np.full((2, 2), BLACK, np.float32)
    photo = RawPhoto(codes, pattern, black, WHITE, colour, (red, green, blue))
    frame = FrameCorrection(
        frame=0, file="a.dng", shown=0, shown_file="a.dng", time_s=0.0, neutral=(red, green, blue)
    )
    height, width = codes.shape
    sizes = {"width": width, "height": height, "focal_px": 500.0, "shape": (width, height)}
    corrections = Corrections(id="chart", kind="raw", card="card", crop_ratio=1.0, frames=[frame], **sizes)
    return photo, corrections


def decoded(path: Path, delivery: Delivery, format: FrameFormat, frames: list[Samples]) -> list[object]:
    import av

    with VideoWriter(path, delivery, format, Stamp(Fraction(25))) as writer:
        for samples in frames:
            writer.write(samples)
    with av.open(str(path)) as container:
        return list(container.decode(video=0))


def planes_of(frame: object, format: FrameFormat) -> list[NDArray[np.float64]]:
    kind = np.uint8 if format.bits == 8 else np.uint16
    return [
        np.frombuffer(plane, kind).reshape(plane.height, -1)[:, : plane.width].astype(np.float64)
        for plane in frame.planes
    ]


@pytest.mark.parametrize("delivery_name", ["1080p-h264", "1080p-h265", "1080p-prores", "archive-ffv1"])
@pytest.mark.parametrize("edition", ["after_nov2014", "1976"])
def test_a_published_chart_comes_out_of_the_video(
    data_dir: Path, tmp_path: Path, edition: str, delivery_name: str
) -> None:
    """Mean CIEDE2000 at most 1 (design, section 9); saturated cyan lies outside BT.709 and is clipped."""
    colour = colour_science()
    xyz, white = chart(data_dir / "tables" / "colour" / f"chart24_{edition}_xyY.csv")
    photo, corrections = photographed(xyz, white)
    _, delivery = load_delivery(delivery_name)
    format = delivery.frame_format((6 * PATCH_PX, 4 * PATCH_PX))
    (samples,) = render_frame(photo, corrections.frames[0], corrections, PLAIN, (format,))
    frame = decoded(tmp_path / f"chart.{delivery.container}", delivery, format, [samples] * 3)[1]
    planes = []
    for plane in planes_of(frame, format):
        high, wide = plane.shape[0] // 4, plane.shape[1] // 6
        blocks = plane.reshape(4, high, 6, wide)[:, high // 4 : -high // 4, :, wide // 4 : -wide // 4]
        planes.append(blocks.mean(axis=(1, 3)).ravel() / 2.0 ** (format.bits - 8))
    ycbcr = np.stack(planes, axis=-1)
    code = colour.YCbCr_to_RGB(
        ycbcr / 255.0, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], in_bits=8, in_legal=True, out_legal=False
    )
    space = colour.RGB_COLOURSPACES["ITU-R BT.709"]
    shown = np.clip(code, 0.0, 1.0) ** 2.4 @ space.matrix_RGB_to_XYZ.T
    display_white = space.matrix_RGB_to_XYZ @ np.ones(3)
    seen = colour.adaptation.chromatic_adaptation_VonKries(shown, display_white, white, "Bradford")
    xy = white[:2] / white.sum()
    difference = deltaE_ciede2000(colour.XYZ_to_Lab(xyz, xy), colour.XYZ_to_Lab(seen, xy))
    print(f"{edition} {delivery_name}: mean {difference.mean():.3f}, worst {difference.max():.2f}")
    assert difference.mean() <= 1.0
    assert np.median(difference) <= 0.5


@pytest.mark.parametrize("name", ["1080p-h264", "1080p-h265", "1080p-prores", "archive-ffv1"])
def test_grey_stays_grey_through_the_encoder(tmp_path: Path, name: str) -> None:
    """Eight greys: the mean of each stays within a code of the 8-bit scale, and no chroma appears."""
    _, delivery = load_delivery(name)
    format = delivery.frame_format((512, 64))
    greys = np.linspace(0.05, 0.95, 8, dtype=np.float32)
    code = np.broadcast_to(np.repeat(greys, 64)[None, :, None], (64, 512, 3))
    made = [dither(to_ycbcr(np.ascontiguousarray(code), format), format, number) for number in range(4)]
    frame = decoded(tmp_path / f"grey.{delivery.container}", delivery, format, made)[2]
    luma, blue, red = (plane / 2.0 ** (format.bits - 8) for plane in planes_of(frame, format))
    means = luma.reshape(64, 8, 64)[:, :, 8:-8].mean(axis=(0, 2))
    assert np.abs(means - (16.0 + 219.0 * greys)).max() <= 1.0
    for chroma in (blue, red):
        assert np.abs(chroma - 128.0).max() <= 1.0


@pytest.mark.parametrize("name", ["1080p-h264", "1080p-h265", "1080p-prores"])
def test_a_smooth_sky_does_not_band(tmp_path: Path, name: str) -> None:
    """Means of 16×12 px of a slow gradient of 7 codes: RMS error at most 0.1 code of the 8-bit scale.

    Bands are steps of such means: rounding to whole codes gives 0.26 here, an even error of ±1/2 code
    0.29 = 1/√12 (common practice, no source, for taking that as the size of visible bands).
    """
    _, delivery = load_delivery(name)
    width, height = 640, 360
    format = delivery.frame_format((width, height))
    y, x = np.mgrid[0:height, 0:width]
    sky = 0.55 + 0.03 * (0.8 * x / width + 0.2 * y / height)
    code = np.stack([0.93 * sky, sky, 1.08 * sky], axis=-1).astype(np.float32)
    planes = to_ycbcr(code, format)
    made = [dither(planes, format, number) for number in range(8)]
    frames = decoded(tmp_path / f"sky.{delivery.container}", delivery, format, made)
    errors = []
    for frame in frames[2:]:
        error = (planes_of(frame, format)[0] - planes[0]) / 2.0 ** (format.bits - 8)
        errors.append(error.reshape(height // 12, 12, width // 16, 16).mean(axis=(1, 3)))
    rms = float(np.sqrt(np.mean(np.square(errors))))
    print(f"{name}: {rms:.3f} codes")
    assert rms <= 0.1
