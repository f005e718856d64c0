"""The demo's DNGs as other people's readers see them, and its light against the CIE's.

Sources: LibRaw (through rawpy), libexiv2 and tifffile with imagecodecs are readers that share no code with
each other or with us; tag numbers are those of the Adobe Digital Negative specification 1.4, chapters 2, 4
and 6, and of TIFF 6.0 (from memory); the daylight locus is colour-science's CIE 015 implementation; the
35 mm equivalent by the diagonal is CIPA DCG-001 (from memory).
"""

from __future__ import annotations

from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import exiv2
import numpy as np
import pytest
import rawpy
import tifffile
from numpy.typing import NDArray

from pipeline.demo.dng import PhotoTags, write_dng
from pipeline.demo.flight import FlightSpec
from pipeline.demo.sensor import (
    COLOUR_MATRIX_A,
    COLOUR_MATRIX_D65,
    Pattern,
    Sensor,
    camera_neutral,
    colour_matrix,
    counts,
    daylight_xy,
    mosaic_of,
    scene_to_camera,
)
from tests.reference import colour_science

NEUTRAL = (0.45, 1.0, 0.625)
TAGS = PhotoTags(
    datetime(2026, 5, 14, 9, 30, 2, 250_000, UTC), Fraction(1, 60), Fraction(28, 10), 100, 12.0, 24, 92.45
)


def made(path: Path, mosaic: NDArray[np.uint16], lossless: bool, pattern: Pattern = "GRBG") -> Path:
    write_dng(
        path,
        mosaic,
        pattern=pattern,
        black=512,
        white=15_892,
        neutral=NEUTRAL,
        lossless_jpeg=lossless,
        tags=TAGS,
    )
    return path


@pytest.fixture(params=[False, True], ids=["uncompressed", "lossless JPEG"])
def dng(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[Path, NDArray[np.uint16]]:
    mosaic = np.random.default_rng(9).integers(300, 15_893, (60, 80), dtype=np.uint16)
    return made(tmp_path / "a.DNG", mosaic, request.param), mosaic


def test_libraw_reads_levels_pattern_pixels_and_neutral(dng: tuple[Path, NDArray[np.uint16]]) -> None:
    path, mosaic = dng
    with rawpy.imread(str(path)) as raw:
        assert raw.black_level_per_channel == [512] * 4
        assert raw.white_level == 15_892
        assert "".join("RGBG"[code] for code in raw.raw_pattern.ravel()) == "GRBG"
        np.testing.assert_array_equal(raw.raw_image_visible, mosaic)
        balance = np.array(raw.camera_whitebalance[:3])
    np.testing.assert_allclose(balance / balance[1], 1 / np.array(NEUTRAL), rtol=1e-5)


def test_libraw_s_matrix_is_the_d65_one(dng: tuple[Path, NDArray[np.uint16]]) -> None:
    # LibRaw takes the matrix of the D65 illuminant, goes to sRGB (IEC 61966-2-1) and scales so that
    # white is 1 in each channel.
    xyz_from_srgb = np.array(
        [
            [0.4124564, 0.3575761, 0.1804375],
            [0.2126729, 0.7151522, 0.0721750],
            [0.0193339, 0.1191920, 0.9503041],
        ]
    )
    camera = COLOUR_MATRIX_D65 @ xyz_from_srgb
    expected = np.linalg.inv(camera / camera.sum(axis=1, keepdims=True))
    with rawpy.imread(str(dng[0])) as raw:
        np.testing.assert_allclose(raw.color_matrix[:, :3], expected, atol=2e-4)


def test_libraw_renders_a_grey_as_grey(tmp_path: Path) -> None:
    grey = np.full((64, 64, 3), 0.3, np.float32) @ scene_to_camera(5200.0).T.astype(np.float32)
    path = tmp_path / "grey.DNG"
    write_dng(
        path,
        counts(mosaic_of(grey, "RGGB"), Sensor(), None),
        pattern="RGGB",
        black=512,
        white=15_892,
        neutral=camera_neutral(5200.0),
        lossless_jpeg=True,
        tags=TAGS,
    )
    with rawpy.imread(str(path)) as raw:
        rgb = raw.postprocess(use_camera_wb=True, no_auto_bright=True, gamma=(1, 1), output_bps=16)
    red, green, blue = rgb[16:48, 16:48].reshape(-1, 3).mean(axis=0)
    assert red / green == pytest.approx(1, abs=2e-3)
    assert blue / green == pytest.approx(1, abs=2e-3)


def test_exiv2_reads_the_dng_tags(dng: tuple[Path, NDArray[np.uint16]]) -> None:
    image = exiv2.ImageFactory.open(str(dng[0]))
    image.readMetadata()
    exif = {datum.key(): str(datum.value()) for datum in image.exifData()}
    assert exif["Exif.Image.DNGVersion"] == "1 4 0 0"
    assert exif["Exif.Image.UniqueCameraModel"] == "Testcam Heron"
    assert exif["Exif.Image.CalibrationIlluminant1"] == "17"  # standard light A
    assert exif["Exif.Image.CalibrationIlluminant2"] == "21"  # D65
    assert exif["Exif.Image.PhotometricInterpretation"] == "32803"  # colour filter array
    for number, matrix in ((1, COLOUR_MATRIX_A), (2, COLOUR_MATRIX_D65)):
        values = [float(Fraction(part)) for part in exif[f"Exif.Image.ColorMatrix{number}"].split()]
        np.testing.assert_allclose(values, matrix.ravel(), atol=5e-5)
    assert exif["Exif.Photo.SubSecTimeOriginal"] == "250"
    assert exif["Exif.Photo.ExposureTime"] == "1/60"


def test_tifffile_reads_structure_and_pixels(dng: tuple[Path, NDArray[np.uint16]]) -> None:
    path, mosaic = dng
    with tifffile.TiffFile(path) as tiff:
        (page,) = tiff.pages
        tags = {tag.code: tag.value for tag in page.tags}
        np.testing.assert_array_equal(page.asarray(), mosaic)
    assert tags[33421] == (2, 2)
    assert tuple(tags[33422]) == (1, 0, 2, 1)  # GRBG as colour numbers
    assert tags[50714] == (512,) * 4
    assert tags[50717] == 15_892
    assert (tags[256], tags[257], tags[277]) == (80, 60, 1)


@pytest.mark.parametrize("cct_k", [4000, 5003, 5600, 6504, 7000, 8200, 12_000])
def test_daylight_locus(cct_k: float) -> None:
    expected = colour_science().temperature.CCT_to_xy_CIE_D(cct_k)
    np.testing.assert_allclose(daylight_xy(cct_k), expected, atol=1e-6)


def test_matrix_under_d65_is_the_d65_matrix_times_bt709() -> None:
    xyz = colour_science().RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ
    expected = COLOUR_MATRIX_D65 @ xyz
    np.testing.assert_allclose(scene_to_camera(6504.0), expected / expected[1].sum(), atol=2e-3)
    np.testing.assert_allclose(colour_matrix(6504.0), COLOUR_MATRIX_D65)


def test_focal_length_in_pixels_by_the_diagonal() -> None:
    # 24 mm on the 43.27 mm diagonal of 36×24 sees 84.1° along the diagonal (a table value of lens makers,
    # from memory: 84°).
    spec = FlightSpec(size=(1600, 1200))
    assert 2 * np.degrees(np.arctan(1000 / spec.focal_px)) == pytest.approx(84, abs=0.2)
