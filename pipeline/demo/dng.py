"""Writing a Bayer mosaic as a DNG that other readers open, with EXIF, GPS and attitude angles.

Tag numbers and meanings: Adobe Digital Negative specification 1.4 (chapters 2 to 4 and 6), TIFF 6.0,
Exif 3.0. The attitude angles go into an XMP namespace of our own.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.sensor import COLOUR_MATRIX_A, COLOUR_MATRIX_D65, PATTERNS, Pattern
from pipeline.photo.exclusive import exiv2_alone

XMP_NAMESPACE = "urn:evenflight:saltmere:attitude:1.0/"
XMP_PREFIX = "saltmere"
MAKE, MODEL = "Testcam", "Heron"
_ILLUMINANT_A, _ILLUMINANT_D65 = 17, 21  # Exif 3.0, LightSource
_CFA, _LOSSLESS_JPEG = 32803, 7


@dataclass(frozen=True)
class PhotoTags:
    """What the camera writes beside the pixels. `None` where it writes nothing.

    `taken` carries its zone. `exposure` is the shutter time in seconds as the tag tells it.
    `focal_plane_px_per_mm` is the pixel pitch, so that focal_mm times it is the focal length in px.
    Angles are degrees: yaw clockwise from north, pitch up from the horizon, roll clockwise.
    `orientation` is the EXIF value of the stored picture.
    """

    taken: datetime
    exposure: Fraction
    f_number: Fraction
    iso: int
    focal_mm: float
    focal_35mm_mm: int
    focal_plane_px_per_mm: float
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_m: float | None = None
    yaw_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    orientation: int = 1


def write_dng(
    path: Path,
    mosaic: NDArray[np.uint16],
    *,
    pattern: Pattern,
    black: int,
    white: int,
    neutral: tuple[float, float, float],
    lossless_jpeg: bool,
    tags: PhotoTags | None,
    masked_columns: int = 0,
) -> None:
    """Write `mosaic` (H×W counts, black not subtracted) as one DNG.

    `neutral` is the as-shot neutral (camera RGB, green = 1). With `tags` None the file gets no EXIF
    (the caller adds it). The first `masked_columns` (even) are no part of the picture.
    Raises OSError where the file cannot be written.
    """
    import imagecodecs
    import tifffile

    extra = _dng_tags(pattern, black, white, neutral, tags.orientation if tags else 1)
    if masked_columns:
        high, wide = mosaic.shape
        extra.append((50829, "I", 4, (0, masked_columns, high, wide), True))  # ActiveArea
        extra.append((50830, "I", 4, (0, 0, high, masked_columns), True))  # MaskedAreas
    options: dict[str, Any] = {
        "photometric": _CFA,
        "extratags": extra,
        "metadata": None,
        "subfiletype": 0,
        "planarconfig": 1,
        "software": "evenflight demo",
    }
    height = mosaic.shape[0]
    if lossless_jpeg:
        bits = int(white).bit_length()
        strip = bytes(imagecodecs.ljpeg_encode(mosaic, bitspersample=bits))
        tifffile.imwrite(
            path,
            iter([strip]),
            shape=mosaic.shape,
            dtype=mosaic.dtype,
            compression=_LOSSLESS_JPEG,
            compressionargs={"bitspersample": bits},
            rowsperstrip=height,
            **options,
        )
    else:
        tifffile.imwrite(path, mosaic, rowsperstrip=height, **options)
    if tags is not None:
        write_metadata(path, tags, mosaic.shape[1] - masked_columns, height)


def write_metadata(path: Path, tags: PhotoTags, width: int, height: int) -> None:
    """Add EXIF, GPS and XMP attitude to an existing DNG or JPEG. Raises OSError where exiv2 refuses."""
    with exiv2_alone() as exiv2:
        exiv2.XmpProperties.registerNs(XMP_NAMESPACE, XMP_PREFIX)
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        exif = image.exifData()
        for key, value in _exif_values(tags, width, height).items():
            exif[key] = value
        image.setExifData(exif)
        xmp = image.xmpData()
        for name, angle in (("Yaw", tags.yaw_deg), ("Pitch", tags.pitch_deg), ("Roll", tags.roll_deg)):
            if angle is not None:
                xmp[f"Xmp.{XMP_PREFIX}.Gimbal{name}Degree"] = f"{angle:+.1f}"
        image.setXmpData(xmp)
        image.writeMetadata()


def _dng_tags(
    pattern: Pattern, black: int, white: int, neutral: tuple[float, float, float], orientation: int
) -> list[tuple[int, str, int, Any, bool]]:
    """DNG 1.4 tags as tifffile's (code, type, count, value, write once)."""
    cfa = PATTERNS[pattern].ravel()
    return [
        (271, "s", 0, MAKE, True),
        (272, "s", 0, MODEL, True),
        (274, "H", 1, orientation, True),
        (33421, "H", 2, (2, 2), True),  # CFARepeatPatternDim
        (33422, "B", 4, bytes(cfa.tolist()), True),  # CFAPattern
        (50706, "B", 4, bytes([1, 4, 0, 0]), True),  # DNGVersion
        (50707, "B", 4, bytes([1, 1, 0, 0]), True),  # DNGBackwardVersion
        (50708, "s", 0, f"{MAKE} {MODEL}", True),  # UniqueCameraModel
        (50711, "H", 1, 1, True),  # CFALayout: rectangular
        (50713, "H", 2, (2, 2), True),  # BlackLevelRepeatDim
        (50714, "I", 4, (black,) * 4, True),  # BlackLevel
        (50717, "I", 1, white, True),  # WhiteLevel
        (50721, "2i", 9, _rationals(COLOUR_MATRIX_A), True),  # ColorMatrix1
        (50722, "2i", 9, _rationals(COLOUR_MATRIX_D65), True),  # ColorMatrix2
        (50728, "2I", 3, _rationals(np.asarray(neutral), 1_000_000), True),  # AsShotNeutral
        (50730, "2i", 1, (0, 1), True),  # BaselineExposure
        (50778, "H", 1, _ILLUMINANT_A, True),  # CalibrationIlluminant1
        (50779, "H", 1, _ILLUMINANT_D65, True),  # CalibrationIlluminant2
    ]


def _rationals(values: NDArray[np.float64], denominator: int = 10_000) -> list[int]:
    flat: list[int] = []
    for value in values.ravel():
        flat += [round(float(value) * denominator), denominator]
    return flat


def _exif_values(tags: PhotoTags, width: int, height: int) -> dict[str, str]:
    zone = tags.taken.strftime("%z")
    milliseconds = tags.taken.microsecond // 1000
    stamp = tags.taken.strftime("%Y:%m:%d %H:%M:%S")
    values = {
        "Exif.Image.Make": MAKE,
        "Exif.Image.Model": MODEL,
        "Exif.Image.Orientation": str(tags.orientation),
        "Exif.Image.DateTime": stamp,
        "Exif.Photo.DateTimeOriginal": stamp,
        "Exif.Photo.DateTimeDigitized": stamp,
        "Exif.Photo.SubSecTimeOriginal": f"{milliseconds:03d}",
        "Exif.Photo.OffsetTimeOriginal": f"{zone[:3]}:{zone[3:5]}",
        "Exif.Photo.ExposureTime": _fraction(tags.exposure),
        "Exif.Photo.FNumber": _fraction(tags.f_number),
        "Exif.Photo.ISOSpeedRatings": str(tags.iso),
        "Exif.Photo.ExposureProgram": "1",  # manual
        "Exif.Photo.FocalLength": _fraction(Fraction(tags.focal_mm).limit_denominator(1000)),
        "Exif.Photo.FocalLengthIn35mmFilm": str(tags.focal_35mm_mm),
        "Exif.Photo.FocalPlaneXResolution": f"{round(tags.focal_plane_px_per_mm * 10_000)}/1000",
        "Exif.Photo.FocalPlaneYResolution": f"{round(tags.focal_plane_px_per_mm * 10_000)}/1000",
        "Exif.Photo.FocalPlaneResolutionUnit": "3",  # centimetres
        "Exif.Photo.PixelXDimension": str(width),
        "Exif.Photo.PixelYDimension": str(height),
    }
    if tags.latitude_deg is not None and tags.longitude_deg is not None:
        values |= {
            "Exif.GPSInfo.GPSVersionID": "2 3 0 0",
            "Exif.GPSInfo.GPSLatitudeRef": "N" if tags.latitude_deg >= 0 else "S",
            "Exif.GPSInfo.GPSLatitude": _sexagesimal(tags.latitude_deg),
            "Exif.GPSInfo.GPSLongitudeRef": "E" if tags.longitude_deg >= 0 else "W",
            "Exif.GPSInfo.GPSLongitude": _sexagesimal(tags.longitude_deg),
        }
    if tags.altitude_m is not None:
        values |= {
            "Exif.GPSInfo.GPSAltitudeRef": "0" if tags.altitude_m >= 0 else "1",
            "Exif.GPSInfo.GPSAltitude": f"{round(abs(tags.altitude_m) * 1000)}/1000",
        }
    return values


def _fraction(value: Fraction) -> str:
    return f"{value.numerator}/{value.denominator}"


def _sexagesimal(angle_deg: float) -> str:
    """Degrees, minutes and seconds to 1e-6 of a second (0.03 mm), as Exif's three rationals."""
    micro = round(abs(angle_deg) * 3600e6)
    minutes, micro = divmod(micro, 60_000_000)
    degrees, minutes = divmod(minutes, 60)
    return f"{degrees}/1 {minutes}/1 {micro}/1000000"
