"""Composing a frame: the steps one by one equal the fused render; levels, white, chroma, dither."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from pipeline.colour.grade import Grade, apply_grade
from pipeline.corrections import Corrections
from pipeline.errors import EvenflightError
from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.raw import RawPhoto
from pipeline.render import compose, resample
from pipeline.render.delivery import FrameFormat, PixelFormat
from tests.render.made import zone_plate

MakePhoto = Callable[..., RawPhoto]
MakeCorrections = Callable[..., Corrections]

PLAIN = Grade(intent="as it is", shoulder=False)


def planes_of(samples: compose.Samples, format: FrameFormat) -> list[np.ndarray]:
    across, down = format.chroma_step
    luma = format.width * format.height
    chroma = (format.height // down, format.width // across)
    size = chroma[0] * chroma[1]
    return [
        samples[:luma].reshape(format.height, format.width),
        samples[luma : luma + size].reshape(chroma),
        samples[luma + size :].reshape(chroma),
    ]


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p10le"])
def test_stage_by_stage_equals_the_fused_render(
    mosaic_photo: MakePhoto, corrections: MakeCorrections, pixel_format: PixelFormat
) -> None:
    """The same float32 operations in the same order, over the whole frame and by strips: bit for bit."""
    rng = np.random.default_rng(1)
    photo = mosaic_photo(zone_plate(300, 400, 0.3) * rng.uniform(0.5, 2.0, 3))
    made = corrections(400, 300, 0.7, rotation_rad=(0.01, -0.02, 0.03), gain_ev=0.7)
    made = made.model_copy(update={"vignette": (0.3, 0.1, 0.0), "white": 0.9})
    format = FrameFormat(240, 180, pixel_format)
    grade = Grade(intent="brighter", exposure_ev=0.3)
    frame = made.frames[0]

    ((rgb, homography),) = compose.warped(photo, frame, made, [(240, 180)])
    rgb = rgb.copy()
    look = compose.look_of(photo, frame, made)
    vignette = resample.vignette_gain(homography, (240, 180), range(0, 180), 400, 300, made.vignette)
    gained = compose.brighten(rgb, look, vignette)
    code = apply_grade(grade, compose.to_working_space(gained, look))
    samples = compose.dither(compose.to_ycbcr(code, format), format, frame.frame)

    (fused,) = compose.render_frame(photo, frame, made, grade, (format,))
    assert fused.dtype == samples.dtype
    np.testing.assert_array_equal(fused, samples)


@pytest.mark.parametrize(("pixel_format", "middle"), [("yuv420p", 128), ("yuv444p10le", 512)])
def test_grey_stays_grey_from_the_mosaic_to_the_samples(
    mosaic_photo: MakePhoto, corrections: MakeCorrections, pixel_format: PixelFormat, middle: int
) -> None:
    # At the rim the mirrored slope has a kink, which is detail and may be coloured: it is left out.
    ramp = np.broadcast_to(np.linspace(0.05, 1.2, 400)[:, np.newaxis], (300, 400, 3))
    format = FrameFormat(400, 300, pixel_format)
    made = corrections(400, 300)
    (samples,) = compose.render_frame(mosaic_photo(ramp), made.frames[0], made, PLAIN, (format,))
    _, blue, red = (plane[:, 4:-4] for plane in planes_of(samples, format))
    # A mosaic of whole numbers and the dither may move a sample by one code.
    assert abs(int(blue.min()) - middle) <= 1
    assert abs(int(blue.max()) - middle) <= 1
    assert abs(float(blue.mean()) - middle) < 0.05
    assert abs(float(red.mean()) - middle) < 0.05


def test_gain_brightens_in_linear_light(mosaic_photo: MakePhoto, corrections: MakeCorrections) -> None:
    """One stop more is 2^(1/2.4) times the code (ITU-R BT.1886)."""
    photo = mosaic_photo(np.full((100, 100, 3), 0.2))
    format = FrameFormat(100, 100, "yuv444p10le")
    codes = []
    for gain_ev in (0.0, 1.0):
        made = corrections(100, 100, gain_ev=gain_ev)
        luma = planes_of(compose.render_frame(photo, made.frames[0], made, PLAIN, (format,))[0], format)[0]
        codes.append((luma.mean() - 64.0) / 876.0)
    assert codes[0] == pytest.approx(0.2 ** (1 / 2.4), abs=2e-4)
    assert codes[1] / codes[0] == pytest.approx(2.0 ** (1 / 2.4), rel=5e-4)


def test_the_common_white_is_white(mosaic_photo: MakePhoto, corrections: MakeCorrections) -> None:
    photo = mosaic_photo(np.full((64, 64, 3), 0.5))
    made = corrections(64, 64).model_copy(update={"white": 0.5})
    format = FrameFormat(64, 64, "yuv444p10le")
    luma = planes_of(compose.render_frame(photo, made.frames[0], made, PLAIN, (format,))[0], format)[0]
    assert luma.mean() == pytest.approx(940.0, abs=0.6)


def test_clipped_parts_are_neutral_and_white_even_of_a_darkened_outlier(
    mosaic_photo: MakePhoto, corrections: MakeCorrections
) -> None:
    """All photosites saturated: balanced red and blue lie above green, which would be magenta."""
    photo = mosaic_photo(np.full((64, 64, 3), 10.0))
    format = FrameFormat(64, 64, "yuv444p10le")
    for gain_ev in (0.0, -0.7):
        made = corrections(64, 64, gain_ev=gain_ev)
        planes = planes_of(compose.render_frame(photo, made.frames[0], made, PLAIN, (format,))[0], format)
        for plane, code in zip(planes, (940, 512, 512), strict=True):
            assert plane.mean() == pytest.approx(code, abs=0.6)


def test_display_referred_photos_keep_their_colours(corrections: MakeCorrections) -> None:
    """Levels of a JPEG come through as they are, shown by BT.1886; the grade's shoulder is left out."""
    levels = np.linspace(0.0, 1.0, 256, dtype=np.float32)
    rgb = np.broadcast_to(np.array([255, 128, 30], np.uint8), (64, 64, 3))
    photo = LinearPhoto(np.ascontiguousarray(rgb), levels, None, None)
    made = corrections(64, 64, neutral=(1.0, 1.0, 1.0))
    format = FrameFormat(64, 64, "yuv444p10le")
    grade = Grade(intent="with a shoulder", shoulder=True)
    planes = planes_of(compose.render_frame(photo, made.frames[0], made, grade, (format,))[0], format)
    red, green, blue = levels[[255, 128, 30]] ** (1 / 2.4)
    luma = 0.2126 * red + 0.7152 * green + 0.0722 * blue
    assert planes[0].mean() == pytest.approx(64 + 876 * luma, abs=0.3)
    assert planes[1].mean() == pytest.approx(512 + 896 * (blue - luma) / 1.8556, abs=0.3)
    assert planes[2].mean() == pytest.approx(512 + 896 * (red - luma) / 1.5748, abs=0.3)


def test_another_size_than_the_measured_one_is_refused(
    mosaic_photo: MakePhoto, corrections: MakeCorrections
) -> None:
    made = corrections(66, 64)
    with pytest.raises(EvenflightError, match=r"frame 0 .reed_marsh_0001.dng. is 64×64 px, but 66×64"):
        list(compose.warped(mosaic_photo(np.full((64, 64, 3), 0.5)), made.frames[0], made, [(64, 64)]))


def test_dither_keeps_the_mean_and_follows_its_seed() -> None:
    format = FrameFormat(200, 200, "yuv444p10le")
    planes = tuple(np.full((200, 200), level, np.float32) for level in (300.3, 512.0, 700.75))
    first = compose.dither(planes, format, 5)
    for plane, level in zip(planes_of(first, format), (300.3, 512.0, 700.75), strict=True):
        assert plane.mean() == pytest.approx(level, abs=0.015)
        assert int(plane.max()) - int(plane.min()) <= 1
    np.testing.assert_array_equal(compose.dither(planes, format, 5), first)
    assert (compose.dither(planes, format, 6) != first).any()


def test_chroma_stands_on_even_columns_between_two_rows() -> None:
    """A slope of colour across and down is read at the places of H.273 chroma sample location 0."""
    y, x = np.mgrid[0:40, 0:60].astype(np.float32)
    blue = 0.2 + 0.005 * x + 0.003 * y
    code = np.stack([np.full_like(blue, 0.4), np.full_like(blue, 0.4), blue], axis=-1)
    format = FrameFormat(60, 40, "yuv420p")
    full = compose.to_ycbcr(code, FrameFormat(60, 40, "yuv444p10le"))[1] / 4.0
    seen = compose.to_ycbcr(code, format)[1]
    expected = (full[0::2, 0::2] + full[1::2, 0::2]) / 2
    np.testing.assert_allclose(seen[:, 1:], expected[:, 1:], atol=1e-3)


def test_several_formats_of_one_decode_are_each_as_if_rendered_alone(
    mosaic_photo: MakePhoto, corrections: MakeCorrections
) -> None:
    photo = mosaic_photo(zone_plate(300, 400, 0.3))
    made = corrections(400, 300, 0.7, rotation_rad=(0.01, -0.02, 0.03))
    formats = (
        FrameFormat(240, 180, "yuv420p"),
        FrameFormat(100, 100, "yuv422p10le"),
        FrameFormat(240, 180, "yuv444p10le"),
    )
    together = compose.render_frame(photo, made.frames[0], made, PLAIN, formats)
    for format, samples in zip(formats, together, strict=True):
        (alone,) = compose.render_frame(photo, made.frames[0], made, PLAIN, (format,))
        np.testing.assert_array_equal(samples, alone)
