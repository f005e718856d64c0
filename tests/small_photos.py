"""Writes photographs of a few pixels with real EXIF and XMP: invented flights of a 'Testcam Heron'."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import exiv2
import imageio.v3 as iio
import numpy as np
import tifffile

NAMESPACE = "urn:saltmere:evenflight-tests:1.0"


@cache
def _jpeg(width: int, height: int, seed: int) -> bytes:
    picture = np.random.default_rng(seed).integers(0, 255, (height, width, 3), dtype=np.uint8)
    return iio.imwrite("<bytes>", picture, extension=".jpg")


def tag(path: Path, exif: dict[str, str], xmp: dict[str, str] | None = None) -> None:
    """Write tags into an existing file through exiv2."""
    image = exiv2.ImageFactory.open(str(path))
    image.readMetadata()
    exif_data, xmp_data = image.exifData(), image.xmpData()
    for key, value in exif.items():
        exif_data[key] = value
    if xmp:
        exiv2.XmpProperties.registerNs(NAMESPACE, "saltmere")
        for key, value in xmp.items():
            xmp_data[f"Xmp.saltmere.{key}"] = value
    image.setExifData(exif_data)
    image.setXmpData(xmp_data)
    image.writeMetadata()


def exif_time(clock_s: float, digits: int = 0) -> dict[str, str]:
    """EXIF tags of a local time, seconds after 2026-05-01 10:00:00, cut (not rounded) to the digits."""
    units = int(np.floor(clock_s * 10**digits + 1e-6))
    whole, fraction = divmod(units, 10**digits)
    moment = np.datetime64("2026-05-01T10:00:00") + np.timedelta64(int(whole), "s")
    tags = {"Exif.Photo.DateTimeOriginal": str(moment).replace("-", ":").replace("T", " ")}
    if digits:
        tags["Exif.Photo.SubSecTimeOriginal"] = f"{fraction:0{digits}d}"
    return tags


CAMERA = {
    "Exif.Image.Make": "Testcam",
    "Exif.Image.Model": "Heron",
    "Exif.Photo.ExposureTime": "1/60",
    "Exif.Photo.FNumber": "28/10",
    "Exif.Photo.ISOSpeedRatings": "100",
    "Exif.Photo.FocalLength": "88/10",
    "Exif.Photo.FocalLengthIn35mmFilm": "24",
}


def write_jpeg(
    path: Path,
    clock_s: float | None,
    *,
    digits: int = 0,
    size: tuple[int, int] = (24, 18),
    seed: int = 1,
    exif: dict[str, str] | None = None,
    xmp: dict[str, str] | None = None,
) -> Path:
    """Write a JPEG; without a time where `clock_s` is None."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(_jpeg(*size, seed))
    time = {} if clock_s is None else exif_time(clock_s, digits)
    tag(path, {**CAMERA, **time, **(exif or {})}, xmp)
    return path


def write_dng(
    path: Path,
    clock_s: float | None,
    *,
    digits: int = 0,
    size: tuple[int, int] = (24, 18),
    exif: dict[str, str] | None = None,
    xmp: dict[str, str] | None = None,
    more: list[tuple[int, str, int, object, bool]] | None = None,
) -> Path:
    """Write an uncompressed Bayer DNG."""
    path.parent.mkdir(parents=True, exist_ok=True)
    width, height = size
    mosaic = np.random.default_rng(2).integers(600, 9000, (height, width), dtype=np.uint16)
    tags = [
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, bytes([0, 1, 1, 2]), True),
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),
        (50708, "s", 0, "Testcam Heron", True),
        (50714, "I", 1, 512, True),
        (50717, "I", 1, 16383, True),
        (50728, "2I", 3, [5, 10, 10, 10, 6, 10], True),
        *(more or []),
    ]
    tifffile.imwrite(path, mosaic, photometric=32803, extratags=tags, metadata=None, planarconfig=1)
    time = {} if clock_s is None else exif_time(clock_s, digits)
    tag(path, {**CAMERA, **time, **(exif or {})}, xmp)
    return path
