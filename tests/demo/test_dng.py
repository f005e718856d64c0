"""DNGs of the demo: the pixels that were put in, the tags that were asked for."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta, timezone
from fractions import Fraction
from pathlib import Path

import exiv2
import numpy as np
import pytest
import rawpy

from pipeline.demo.dng import PhotoTags, write_dng
from pipeline.demo.sensor import PATTERNS, Pattern

NEUTRAL = (0.45, 1.0, 0.625)
TAGS = PhotoTags(
    taken=datetime(2026, 5, 14, 9, 30, 2, 250_000, timezone(timedelta(hours=-3, minutes=-30))),
    exposure=Fraction(1, 60),
    f_number=Fraction(28, 10),
    iso=200,
    focal_mm=12.0,
    focal_35mm_mm=24,
    focal_plane_px_per_mm=92.45,
    latitude_deg=-38.2512345,
    longitude_deg=-118.5000001,
    altitude_m=71.25,
    yaw_deg=-12.34,
    pitch_deg=-24.0,
    roll_deg=0.5,
)


def made_mosaic(white: int = 15_892) -> np.ndarray:
    return np.random.default_rng(3).integers(400, white + 1, (48, 64), dtype=np.uint16)


def write(
    path: Path, lossless: bool = False, tags: PhotoTags | None = TAGS, pattern: Pattern = "RGGB"
) -> None:
    write_dng(
        path,
        made_mosaic(),
        pattern=pattern,
        black=512,
        white=15_892,
        neutral=NEUTRAL,
        lossless_jpeg=lossless,
        tags=tags,
    )


def read_back(path: Path) -> dict[str, str]:
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    found = {datum.key(): str(datum.value()) for datum in image.exifData()}
    return found | {datum.key(): str(datum.value()) for datum in image.xmpData()}


@pytest.mark.parametrize("lossless", [False, True])
def test_pixels_come_back_exactly(tmp_path: Path, lossless: bool) -> None:
    write(tmp_path / "a.DNG", lossless)
    with rawpy.imread(str(tmp_path / "a.DNG")) as raw:
        np.testing.assert_array_equal(raw.raw_image_visible, made_mosaic())


def test_twelve_bits_lossless(tmp_path: Path) -> None:
    mosaic = made_mosaic(4000)
    path = tmp_path / "a.DNG"
    write_dng(
        path, mosaic, pattern="GRBG", black=256, white=4000, neutral=NEUTRAL, lossless_jpeg=True, tags=None
    )
    with rawpy.imread(str(path)) as raw:
        np.testing.assert_array_equal(raw.raw_image_visible, mosaic)
        assert raw.white_level == 4000
    assert read_back(path)["Exif.Image.BitsPerSample"] == "12"


def test_lossless_is_smaller_on_a_smooth_picture(tmp_path: Path) -> None:
    smooth = np.linspace(600, 15_000, 64 * 48).reshape(48, 64).astype(np.uint16)
    sizes = []
    for lossless in (False, True):
        write_dng(
            tmp_path / "a.DNG",
            smooth,
            pattern="RGGB",
            black=512,
            white=15_892,
            neutral=NEUTRAL,
            lossless_jpeg=lossless,
            tags=None,
        )
        sizes.append((tmp_path / "a.DNG").stat().st_size)
    assert sizes[1] < sizes[0] - 1000


@pytest.mark.parametrize("pattern", sorted(PATTERNS))
def test_pattern(tmp_path: Path, pattern: Pattern) -> None:
    write(tmp_path / "a.DNG", pattern=pattern)
    with rawpy.imread(str(tmp_path / "a.DNG")) as raw:
        seen = "".join("RGBG"[code] for code in raw.raw_pattern.ravel())
    assert seen == pattern


def test_exif_gps_and_attitude(tmp_path: Path) -> None:
    write(tmp_path / "a.DNG")
    found = read_back(tmp_path / "a.DNG")
    assert found["Exif.Photo.DateTimeOriginal"] == "2026:05:14 09:30:02"
    assert found["Exif.Photo.SubSecTimeOriginal"] == "250"
    assert found["Exif.Photo.OffsetTimeOriginal"] == "-03:30"
    assert found["Exif.Photo.ExposureTime"] == "1/60"
    assert found["Exif.Photo.FNumber"] == "14/5"
    assert found["Exif.Photo.ISOSpeedRatings"] == "200"
    assert found["Exif.Photo.FocalLength"] == "12/1"
    assert found["Exif.Photo.FocalLengthIn35mmFilm"] == "24"
    assert (found["Exif.Image.Make"], found["Exif.Image.Model"]) == ("Testcam", "Heron")
    assert found["Exif.GPSInfo.GPSLatitudeRef"] == "S"
    degrees, minutes, seconds = (Fraction(part) for part in found["Exif.GPSInfo.GPSLatitude"].split())
    assert float(degrees + minutes / 60 + seconds / 3600) == pytest.approx(38.2512345, abs=1e-9)
    assert found["Exif.GPSInfo.GPSLongitudeRef"] == "W"
    assert found["Exif.GPSInfo.GPSAltitude"] == "71250/1000"
    assert found["Xmp.saltmere.GimbalYawDegree"] == "-12.3"
    assert found["Xmp.saltmere.GimbalPitchDegree"] == "-24.0"
    assert found["Xmp.saltmere.GimbalRollDegree"] == "+0.5"


def test_without_position_or_attitude_none_is_written(tmp_path: Path) -> None:
    bare = replace(TAGS, latitude_deg=None, altitude_m=None, yaw_deg=None, pitch_deg=None, roll_deg=None)
    write(tmp_path / "a.DNG", tags=bare)
    assert not [key for key in read_back(tmp_path / "a.DNG") if "GPSL" in key or "Xmp" in key]


@pytest.mark.parametrize(("orientation", "flip"), [(1, 0), (3, 3), (6, 6), (8, 5)])
def test_orientation(tmp_path: Path, orientation: int, flip: int) -> None:
    write(tmp_path / "a.DNG", tags=replace(TAGS, orientation=orientation))
    with rawpy.imread(str(tmp_path / "a.DNG")) as raw:
        assert raw.sizes.flip == flip
    assert read_back(tmp_path / "a.DNG")["Exif.Image.Orientation"] == str(orientation)
