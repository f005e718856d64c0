"""What the EXIF and XMP metadata of one photograph say, as facts in known units."""

from __future__ import annotations

import calendar
import math
import re
from datetime import UTC, datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

from pipeline.errors import PhotoError
from pipeline.photo.tags import Tags, read_tags
from pipeline.sequence import Kind, PhotoFacts, Triple

# Files that LibRaw reads, by suffix (list from memory of its supported cameras).
# fmt: off
RAW_SUFFIXES = frozenset({
    ".3fr", ".ari", ".arw", ".bay", ".bmq", ".cap", ".cine", ".cr2", ".cr3", ".crw", ".cs1", ".dc2", ".dcr",
    ".dng", ".drf", ".dsc", ".eip", ".erf", ".fff", ".gpr", ".iiq", ".k25", ".kc2", ".kdc", ".mdc", ".mef",
    ".mos", ".mrw", ".nef", ".nrw", ".orf", ".ori", ".pef", ".ptx", ".pxn", ".qtk", ".raf", ".raw", ".rdc",
    ".rw2", ".rwl", ".rwz", ".sr2", ".srf", ".srw", ".sti", ".x3f",
})
# fmt: on
JPEG_SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe"})
TIFF_SUFFIXES = frozenset({".tif", ".tiff"})
PHOTO_SUFFIXES = RAW_SUFFIXES | JPEG_SUFFIXES | TIFF_SUFFIXES

_CFA, _LINEAR_RAW = 32803, 34892  # PhotometricInterpretation of DNG and TIFF/EP


def read_facts(path: Path, tags: Tags | None = None) -> PhotoFacts:
    """Return what the metadata of the photo at `path` say, without decoding its picture.

    `tags` are those of the file where they were read already.

    The size is that of the upright picture as `photo.opening` opens it: the active area of a RAW, cut
    to even sides. Raises PhotoError where the file cannot be read as a photograph.
    """
    tags = tags or read_tags(path)
    raw = path.suffix.lower() in RAW_SUFFIXES or _raw_size(tags) is not None
    orientation = int(tags.number("Exif.Image.Orientation", low=1, high=8) or 1)
    extra: dict[str, Any] = {}
    if not raw:
        width, height = tags.width, tags.height
    elif (size := _raw_size(tags)) is not None:
        width, height = size
    else:
        width, height, orientation, extra = _facts_from_libraw(path, tags)
    if width < 2 or height < 2:
        raise PhotoError(_sentence(path, tags.failure or "it holds no picture"))
    scale = 1.0 if raw else _scale_of(tags, width, height)
    if orientation >= 5:
        width, height = height, width
    if raw:
        width, height = width - width % 2, height - height % 2
    return PhotoFacts(
        kind=_kind(raw),
        width=width,
        height=height,
        orientation=orientation,
        as_shot_neutral=_neutral(tags),
        **_identity(tags),
        **_optics(tags, scale),
        **_place(tags),
        **_attitude(tags.xmp),
        **{**_time(tags), **_exposure(tags), **extra},
    )


def _kind(raw: bool) -> Kind:
    return "raw" if raw else "display-referred"


def _sentence(path: Path, reason: str) -> str:
    return (
        f"{path.name} cannot be read as a photograph ({reason}); copy it from the card again or leave it out"
    )


def _raw_size(tags: Tags) -> tuple[int, int] | None:
    """Width and height of the active area of the largest mosaic or linear-raw image directory."""
    best: tuple[int, int] | None = None
    for key in tags.exif:
        if not key.endswith(".PhotometricInterpretation"):
            continue
        group = key.removesuffix("PhotometricInterpretation")
        if tags.number(key, low=_CFA, high=_LINEAR_RAW) not in (_CFA, _LINEAR_RAW):
            continue
        area = tags.numbers(group + "ActiveArea")  # top, left, bottom, right
        if len(area) == 4:
            size = int(area[3] - area[1]), int(area[2] - area[0])
        else:
            size = (
                int(tags.number(group + "ImageWidth", low=1, high=1e6) or 0),
                int(tags.number(group + "ImageLength", low=1, high=1e6) or 0),
            )
        if best is None or size[0] * size[1] > best[0] * best[1]:
            best = size
    return best


def _facts_from_libraw(path: Path, tags: Tags) -> tuple[int, int, int, dict[str, Any]]:
    """Size, orientation and what exiv2 does not know of a RAW that is no DNG."""
    import rawpy

    failure = tags.failure
    missing = bool(failure) or _exposure(tags)["iso"] is None
    try:
        with rawpy.RawPy() as raw:
            raw.open_file(str(path))
            sizes = raw.sizes
            other = raw.other if missing else None  # costs an unpacking, about 50 ms
    except rawpy.LibRawError as error:
        raise PhotoError(_sentence(path, failure or "LibRaw does not open it")) from error
    # LibRaw's flip: 3 = 180°, 5 = 90° anticlockwise, 6 = 90° clockwise; the EXIF values are 3, 8, 6
    orientation = {3: 3, 5: 8, 6: 6}.get(sizes.flip, 1)
    found: dict[str, Any] = {}
    if other is not None and 1.0 <= other.iso_speed <= 1e7:
        found["iso"] = float(other.iso_speed)
    if other is not None and failure:
        if 1e-6 <= other.shutter_speed <= 3600.0:
            found["shutter_s"] = float(other.shutter_speed)
        if 0.5 <= other.aperture <= 128.0:
            found["aperture"] = float(other.aperture)
        if other.timestamp.year > 1970:
            found["clock_s"] = float(calendar.timegm(other.timestamp.timetuple()))
    return sizes.width, sizes.height, orientation, found


def _identity(tags: Tags) -> dict[str, Any]:
    make = tags.text("Exif.Image.Make") or ""
    model = tags.text("Exif.Image.Model", "Exif.Image.UniqueCameraModel") or ""
    repeated = model.lower().startswith(make.lower())
    return {
        "camera": (model if repeated else f"{make} {model}".strip()) or "unknown camera",
        "serial": tags.text("Exif.Photo.BodySerialNumber", "Exif.Image.CameraSerialNumber"),
        "lens": tags.text("Exif.Photo.LensModel"),
    }


def _time(tags: Tags) -> dict[str, Any]:
    """Capture time from the first readable of original, digitised and file date, each with its own
    fraction and zone (Exif 3.0, 4.6.5)."""
    for date, fraction, zone in (
        ("Exif.Photo.DateTimeOriginal", "SubSecTimeOriginal", "OffsetTimeOriginal"),
        ("Exif.Photo.DateTimeDigitized", "SubSecTimeDigitized", "OffsetTimeDigitized"),
        ("Exif.Image.DateTimeOriginal", "SubSecTimeOriginal", "OffsetTimeOriginal"),
        ("Exif.Image.DateTime", "SubSecTime", "OffsetTime"),
    ):
        text = tags.text(date) or ""
        try:  # "2026:05:01 10:00:00"; five times as fast as strptime, which counts on a full card
            local = datetime.fromisoformat(text[:10].replace(":", "-") + text[10:])
        except ValueError:
            continue
        if len(text) != len("2026:05:01 10:00:00") or local.tzinfo is not None:
            continue
        digits = tags.text(f"Exif.Photo.{fraction}") or ""
        if not re.fullmatch(r"[0-9]{1,9}", digits):
            digits = ""
        zone_s = _zone_s(tags.text(f"Exif.Photo.{zone}"))
        clock_s = local.replace(tzinfo=UTC).timestamp() + (float(f"0.{digits}") if digits else 0.0)
        return {
            "clock_s": clock_s - (zone_s or 0.0),
            "clock_step_s": 10.0 ** -len(digits),
            "zone_s": zone_s,
        }
    return {}


def _zone_s(text: str | None) -> float | None:
    match = re.fullmatch(r"([+-])(\d\d):(\d\d)", text or "")
    if match is None or int(match[2]) > 14 or int(match[3]) > 59:
        return None
    return (-1.0 if match[1] == "-" else 1.0) * (3600.0 * int(match[2]) + 60.0 * int(match[3]))


def _exposure(tags: Tags) -> dict[str, Any]:
    shutter = tags.number("Exif.Photo.ExposureTime", "Exif.Image.ExposureTime", low=1e-6, high=3600.0)
    aperture = tags.number("Exif.Photo.FNumber", "Exif.Image.FNumber", low=0.5, high=128.0)
    if (
        shutter is None and "Exif.Photo.ExposureTime" not in tags.exif
    ):  # APEX: Tv = -log2(t), Av = 2 log2(N) (Exif 3.0 annex C)
        tv = tags.number("Exif.Photo.ShutterSpeedValue", low=-12.0, high=20.0)
        shutter = None if tv is None else 2.0**-tv
    if aperture is None and "Exif.Photo.FNumber" not in tags.exif:
        av = tags.number("Exif.Photo.ApertureValue", low=-2.0, high=14.0)
        aperture = None if av is None else 2.0 ** (av / 2.0)
    iso = tags.number("Exif.Photo.ISOSpeedRatings", "Exif.Image.ISOSpeedRatings", low=1.0, high=65534.0)
    if iso is None:  # 65535 means "more than 16 bits": the value stands in one of these
        iso = tags.number(
            "Exif.Photo.RecommendedExposureIndex",
            "Exif.Photo.StandardOutputSensitivity",
            "Exif.Photo.ISOSpeed",
            low=1.0,
            high=1e7,
        )
    return {"shutter_s": shutter, "aperture": aperture, "iso": iso}


def _optics(tags: Tags, scale: float | None) -> dict[str, Any]:
    focal_mm = tags.number("Exif.Photo.FocalLength", "Exif.Image.FocalLength", low=0.5, high=5000.0)
    equivalent = tags.number("Exif.Photo.FocalLengthIn35mmFilm", low=1.0, high=5000.0)
    per_unit = tags.number("Exif.Photo.FocalPlaneXResolution", low=1e-3, high=1e8)
    unit = int(tags.number("Exif.Photo.FocalPlaneResolutionUnit", low=2, high=5) or 2)
    mm_per_unit = {2: 25.4, 3: 10.0, 4: 1.0, 5: 0.001}[unit]
    focal_px = None
    if focal_mm is not None and per_unit is not None and scale is not None:
        focal_px = focal_mm * per_unit / mm_per_unit * scale
    return {"focal_mm": focal_mm, "focal_35mm_mm": equivalent, "focal_px": focal_px}


def _scale_of(tags: Tags, width: int, height: int) -> float | None:
    """How much smaller the picture is than the one its EXIF describes; None where it was cropped."""
    exif_width = tags.number("Exif.Photo.PixelXDimension", low=1, high=1e6)
    exif_height = tags.number("Exif.Photo.PixelYDimension", low=1, high=1e6)
    if exif_width is None or exif_height is None:
        return 1.0
    across, down = width / exif_width, height / exif_height
    return across if abs(across / down - 1.0) < 0.02 else None


def _place(tags: Tags) -> dict[str, Any]:
    latitude = _degrees(tags, "Latitude", "S", 90.0)
    longitude = _degrees(tags, "Longitude", "W", 180.0)
    if latitude is None or longitude is None or (latitude == 0.0 and longitude == 0.0):
        return {}  # 0, 0 is what receivers write without a fix
    altitude = tags.number("Exif.GPSInfo.GPSAltitude", low=0.0, high=1e5)
    reference = tags.number("Exif.GPSInfo.GPSAltitudeRef", low=0, high=3)
    below = reference in (1.0, 3.0)  # the sea, or the ellipsoid (Exif 3.0, from memory)
    return {
        "latitude_deg": latitude,
        "longitude_deg": longitude,
        "altitude_m": -altitude if altitude is not None and below else altitude,
    }


def _degrees(tags: Tags, name: str, negative: str, limit: float) -> float | None:
    parts = tags.numbers(f"Exif.GPSInfo.GPS{name}")
    if not 1 <= len(parts) <= 3 or math.isnan(parts[0]):
        return None
    # minutes and seconds may be left 0/0 where the degrees have decimals
    total = sum((0.0 if math.isnan(part) else part) / 60.0**i for i, part in enumerate(parts))
    if not total <= limit:
        return None
    return -total if (tags.text(f"Exif.GPSInfo.GPS{name}Ref") or "").upper() == negative else total


_ANGLE = re.compile(r"(?P<source>.*?)(?P<axis>yaw|pitch|roll)(degrees?)?", re.IGNORECASE)


def _attitude(properties: dict[str, str]) -> dict[str, float | None]:
    """Yaw, pitch and roll of the camera from XMP properties of any namespace.

    The gimbal's angles are the camera's, so they are preferred to the aircraft's, and the two are never
    mixed: an aircraft rolls where its gimbal keeps the camera level.
    """
    found: dict[int, dict[str, float]] = {}
    for key, text in properties.items():
        angle, value = _angle_of(key), _decimal(text)
        if angle is not None and value is not None and abs(value) <= 360.0:
            rank, axis = angle
            found.setdefault(rank, {}).setdefault(axis, value)
    angles = found[min(found)] if found else {}
    return {f"{axis}_deg": angles.get(axis) for axis in ("yaw", "pitch", "roll")}


@lru_cache(maxsize=1024)  # the photos of a card have the same keys
def _angle_of(key: str) -> tuple[int, str] | None:
    """Return whose angle an XMP property is (0 the gimbal's, 1 the camera's, 2 another's), and which."""
    match = _ANGLE.fullmatch(re.split(r"[.:/]", key)[-1])
    if match is None:
        return None
    source = match["source"].lower()
    rank = 0 if "gimbal" in source else 1 if source in ("", "camera") else 2
    return rank, match["axis"].lower()


def _decimal(text: str) -> float | None:
    top, slash, bottom = text.strip().partition("/")
    try:
        value = float(top) / (float(bottom) if slash else 1.0)
    except (ValueError, ZeroDivisionError):
        return None
    return value if math.isfinite(value) else None


def _neutral(tags: Tags) -> Triple | None:
    """DNG AsShotNeutral scaled to green = 1."""
    values = tags.numbers("Exif.Image.AsShotNeutral")
    if len(values) != 3 or not all(1e-3 <= value <= 1e3 for value in values):
        return None
    return values[0] / values[1], 1.0, values[2] / values[1]
