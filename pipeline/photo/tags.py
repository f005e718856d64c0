"""Reading the EXIF and XMP metadata of a file through Exiv2 into plain Python values."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipeline.photo.exclusive import exiv2_alone

Numbers = tuple[float, ...]

# What anything here asks about. Of a card of thousands of photos all other values are not even fetched.
# fmt: off
_NAMES = frozenset({
    "ActiveArea", "ApertureValue", "AsShotNeutral", "BodySerialNumber", "CameraSerialNumber", "DateTime",
    "DateTimeDigitized", "DateTimeOriginal", "ExposureTime", "FNumber", "FocalLength",
    "FocalLengthIn35mmFilm", "FocalPlaneResolutionUnit", "FocalPlaneXResolution", "GPSAltitude",
    "GPSAltitudeRef", "GPSLatitude", "GPSLatitudeRef", "GPSLongitude", "GPSLongitudeRef", "ISOSpeed",
    "ISOSpeedRatings", "ImageLength", "ImageWidth", "LensModel", "Make", "Model", "OffsetTime",
    "OffsetTimeDigitized", "OffsetTimeOriginal", "Orientation", "PhotometricInterpretation",
    "PixelXDimension", "PixelYDimension", "RecommendedExposureIndex", "ShutterSpeedValue",
    "StandardOutputSensitivity", "StripByteCounts", "StripOffsets", "SubSecTime", "SubSecTimeDigitized",
    "SubSecTimeOriginal", "TileByteCounts", "TileOffsets", "UniqueCameraModel",
})
# fmt: on
_ANGLES = tuple(axis + unit for axis in ("yaw", "pitch", "roll") for unit in ("", "degree", "degrees"))


@dataclass
class Tags:
    """Raw metadata of one file: EXIF values by exiv2 key, XMP properties by key, picture size in px.

    `failure` says in a few words why nothing could be read, and is empty where it could.
    """

    exif: dict[str, str | Numbers] = field(default_factory=dict)
    xmp: dict[str, str] = field(default_factory=dict)
    width: int = 0
    height: int = 0
    failure: str = ""

    def text(self, *keys: str) -> str | None:
        """Return the first of the named EXIF texts that is not blank."""
        for key in keys:
            value = self.exif.get(key)
            if isinstance(value, str) and (said := value.strip(" \0")):
                return said
        return None

    def numbers(self, key: str) -> Numbers:
        """Return the numbers of an EXIF tag, empty where it is absent or not numeric."""
        value = self.exif.get(key, ())
        return () if isinstance(value, str) else value

    def number(self, *keys: str, low: float, high: float) -> float | None:
        """Return the first of the named EXIF numbers that lies within [low, high]."""
        for key in keys:
            values = self.exif.get(key)
            if values and not isinstance(values, str) and low <= values[0] <= high:
                return values[0]  # not so for NaN, which stands for a zero denominator
        return None


def read_tags(path: Path) -> Tags:
    """Read the metadata of a file, once for all that asks about them; `failure` tells where that fails."""
    with exiv2_alone() as exiv2:
        try:
            image = exiv2.ImageFactory.open(str(path))
            image.readMetadata()
            exif = {key: _plain(datum) for datum in image.exifData() if _wanted(key := datum.key())}
            xmp = {key: datum.toString() for datum in image.xmpData() if _tells_angle(key := datum.key())}
            return Tags(exif, xmp, image.pixelWidth(), image.pixelHeight())
        except (exiv2.Exiv2Error, ValueError, UnicodeError, OverflowError):
            return Tags(failure="its metadata cannot be read")


@lru_cache(maxsize=4096)  # the photos of a card have the same keys
def _wanted(key: str) -> bool:
    _, group, name = key.split(".", 2)
    return name in _NAMES and (group in ("Image", "Photo", "GPSInfo") or group.startswith("SubImage"))


@lru_cache(maxsize=4096)
def _tells_angle(key: str) -> bool:
    return key.lower().endswith(_ANGLES)


def _plain(datum: Any) -> str | Numbers:
    """Return a value, by way of its text wherever that is exact: it costs a fifth of a typed value."""
    kind = datum.typeName()
    if kind in ("Rational", "SRational"):
        return tuple(_quotient(part) for part in datum.toString().split())
    if kind in ("Byte", "Short", "SShort", "Long", "SLong"):
        return tuple(float(part) for part in datum.toString().split())
    if kind in ("Float", "Double"):
        return tuple(float(value) for value in datum.value())
    return str(datum.toString()) if kind == "Ascii" else ""


def _quotient(text: str) -> float:
    top, _, bottom = text.partition("/")
    divisor = int(bottom)
    return int(top) / divisor if divisor else math.nan
