"""Photographs turned into DNGs."""

from __future__ import annotations

from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import cv2
import exiv2
import numpy as np
import pytest
import rawpy

from pipeline.demo.dng import PhotoTags, write_metadata
from pipeline.demo.photograph import encode_srgb
from pipeline.demo.sensor import PATTERNS, Sensor, scene_to_camera
from pipeline.photo.metadata import read_facts
from tests.mosaicked import mosaic_picture, write_mosaicked


def picture() -> np.ndarray:
    smooth = cv2.resize(np.random.default_rng(2).integers(30, 220, (6, 8, 3), np.uint8), (64, 48))
    return np.asarray(smooth, np.uint8)


def write_jpeg(path: Path) -> Path:
    cv2.imwrite(str(path), picture()[..., ::-1])
    tags = PhotoTags(
        datetime(2026, 5, 14, 8, 0, 1, 500_000, UTC), Fraction(1, 200), Fraction(28, 10), 100, 9.0, 24, 90.0
    )
    write_metadata(path, tags, 64, 48)
    return path


def test_mosaic_inverts_to_the_picture() -> None:
    sensor = Sensor(exposure=0.8)
    flat = np.broadcast_to(np.array([200, 120, 60], np.uint8), (8, 8, 3))
    level = (mosaic_picture(flat, sensor).astype(float) - sensor.black) / (sensor.white - sensor.black)
    pattern = PATTERNS["RGGB"]
    camera = np.array([level[:2, :2][pattern == code].mean() for code in range(3)])
    linear = np.linalg.inv(scene_to_camera(5600.0)) @ camera / 0.8
    assert encode_srgb(linear.astype(np.float32)).tolist() == [200, 120, 60]


def test_odd_sizes_become_even() -> None:
    assert mosaic_picture(picture()[:47, :63], Sensor()).shape == (46, 62)


@pytest.mark.parametrize("lossless", [False, True])
def test_dng_keeps_the_photo_s_exif(tmp_path: Path, lossless: bool) -> None:
    photo = write_jpeg(tmp_path / "IMG_1.JPG")
    (path,) = write_mosaicked([photo], tmp_path / "raw", lossless_jpeg=lossless)
    assert path.name == "IMG_1.DNG"
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    exif = {datum.key(): str(datum.value()) for datum in image.exifData()}
    assert exif["Exif.Photo.DateTimeOriginal"] == "2026:05:14 08:00:01"
    assert exif["Exif.Photo.SubSecTimeOriginal"] == "500"
    assert exif["Exif.Photo.ExposureTime"] == "1/200"
    assert exif["Exif.Photo.FocalLength"] == "9/1"
    assert exif["Exif.Image.PhotometricInterpretation"] == "32803"
    decoded = np.asarray(cv2.imread(str(photo))[..., ::-1], np.uint8)
    with rawpy.imread(str(path)) as raw:
        np.testing.assert_array_equal(raw.raw_image_visible, mosaic_picture(decoded, Sensor(exposure=0.8)))


def test_unreadable_photo(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").write_bytes(b"no picture")
    with pytest.raises(OSError, match=r"a\.jpg"):
        write_mosaicked([tmp_path / "a.jpg"], tmp_path)


def test_real_photographs(data_dir: Path, tmp_path: Path) -> None:
    photos = sorted((data_dir / "aerial_steady").glob("*.jpg"))[:1]
    (path,) = write_mosaicked(photos, tmp_path)
    with rawpy.imread(str(path)) as raw:
        assert raw.raw_image_visible.shape == (1500, 2000)
        level = (raw.raw_image_visible.astype(float) - 512) / (15_892 - 512)
    assert 0.02 < level.mean() < 0.6


def test_focal_plane_resolution_follows_a_reduced_picture(tmp_path: Path) -> None:
    photo = write_jpeg(tmp_path / "IMG_1.JPG")  # 64 px wide, 90 px per mm of the focal plane
    image = exiv2.ImageFactory.open(str(photo))
    image.readMetadata()
    exif = image.exifData()
    exif["Exif.Photo.PixelXDimension"] = "128"  # as if it had been reduced twofold after it was taken
    image.setExifData(exif)
    image.writeMetadata()
    (path,) = write_mosaicked([photo], tmp_path / "raw")
    assert read_facts(path).focal_px == pytest.approx(0.5 * 9.0 * 90.0, rel=1e-3)
