"""What the tags of a DNG say about its mosaic and its colour.

Source: Adobe, Digital Negative (DNG) Specification 1.7.1.0, chapter 4 (tags, defaults) and chapter 6.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour, xy_to_neutral
from pipeline.photo.exclusive import exiv2_alone
from pipeline.photo.lossless import Parts
from pipeline.photo.orientation import FLIP_OF_ORIENTATION
from pipeline.sequence import Triple

_MOSAIC = 32803
_MOSAIC_OR_LINEAR = (_MOSAIC, 34892)  # PhotometricInterpretation of raw images

_NONE = np.zeros(0)

# EXIF LightSource (Exif 3.0, tag 0x9208) to correlated colour temperature in kelvin: the CIE illuminants
# A, B, C, D50, D55, D65, D75 by CIE 015, fluorescent lamps by the middle of the range that EXIF gives.
_ILLUMINANT_K = {
    1: 5503.0,
    2: 4150.0,
    3: 2856.0,
    4: 5503.0,
    9: 5503.0,
    10: 6504.0,
    11: 7504.0,
    12: 6400.0,
    13: 5050.0,
    14: 4150.0,
    15: 3525.0,
    16: 2925.0,
    17: 2856.0,
    18: 4874.0,
    19: 6774.0,
    20: 5503.0,
    21: 6504.0,
    22: 7504.0,
    23: 5003.0,
    24: 3200.0,
}


Area = tuple[int, int, int, int]


@dataclass(frozen=True)
class DngFacts:
    """Tags of the raw image of a DNG; `None` where a tag is absent.

    `active_area` is top, left, bottom, right in px of the stored image; `black` (2×2) and `pattern`
    (2×2, values 0=R 1=G 2=B) start at its top left corner. `masked` are areas, told alike, of photosites
    that light never reached. `lossless` says where the parts of a mosaic packed as lossless JPEG lie, `plain`
    where those of one stored as numbers of 16 bits do, `flip` how it is turned upright.
    """

    size: tuple[int, int]
    active_area: Area
    pattern: NDArray[np.uint8] | None
    black: NDArray[np.float32] | None
    white: float | None
    colour: CameraColour | None
    as_shot_neutral: Triple | None
    masked: tuple[Area, ...] = ()
    lossless: Parts | None = None
    plain: Parts | None = None
    flip: int = 0


class _Tags:
    """Numbers by tag name: those of the raw image first, then those of the first directory."""

    def __init__(self, data: bytes) -> None:
        with exiv2_alone() as exiv2:
            image = exiv2.ImageFactory.open(data)
            image.readMetadata()
            self._by_group: dict[str, dict[str, NDArray[np.float64]]] = {}
            self._text: dict[str, str] = {}
            for datum in image.exifData():
                group, name = datum.groupName(), datum.tagName()
                if group != "Image" and not group.startswith("SubImage"):
                    continue
                if datum.typeId() == exiv2.TypeId.asciiString:
                    self._text.setdefault(name, datum.toString())
                elif datum.count() < 65537 and not name.startswith(("XMLPacket", "XMP", "OpcodeList")):
                    values = [datum.toRational(index) for index in range(datum.count())]
                    numbers = [top / bottom if bottom else np.nan for top, bottom in values]
                    self._by_group.setdefault(group, {})[name] = np.array(numbers)
        self._raw = next((tags for tags in self._by_group.values() if _is_raw(tags)), {})

    @property
    def raw(self) -> dict[str, NDArray[np.float64]]:
        """Tags of the raw image alone."""
        return self._raw

    @property
    def is_dng(self) -> bool:
        return "DNGVersion" in self._by_group.get("Image", {}) and bool(self._raw)

    def get(self, name: str, count: int | None = None) -> NDArray[np.float64] | None:
        for tags in (self._raw, self._by_group.get("Image", {})):
            values = tags.get(name)
            if values is not None and 0 < len(values) == (count or len(values)) and np.isfinite(values).all():
                return values
        return None

    def matrix(self, name: str) -> NDArray[np.float64] | None:
        values = self.get(name, 9)
        return None if values is None or not values.any() else values.reshape(3, 3)

    def text(self, name: str) -> str:
        return self._text.get(name, "")


def _is_raw(tags: dict[str, NDArray[np.float64]]) -> bool:
    def first(name: str, default: float) -> float:
        return float(tags[name][0]) if name in tags and len(tags[name]) else default

    return first("PhotometricInterpretation", 0) in _MOSAIC_OR_LINEAR and first("NewSubfileType", 0) == 0


def read_dng_facts(data: bytes) -> DngFacts | None:
    """Return the facts in the tags of the DNG whose bytes are `data`, or None where it is no DNG.

    Raises exiv2.Exiv2Error where the bytes are no file that Exiv2 knows.
    """
    tags = _Tags(data)
    height, width = tags.get("ImageLength", 1), tags.get("ImageWidth", 1)
    if not tags.is_dng or height is None or width is None:
        return None
    area = tags.get("ActiveArea", 4)
    size = (int(height[0]), int(width[0]))
    colour = _colour(tags)
    white = tags.get("WhiteLevel")
    return DngFacts(
        size=size,
        active_area=(0, 0, *size) if area is None else tuple(int(edge) for edge in area),  # type: ignore[arg-type]
        pattern=_pattern(tags),
        black=_black(tags),
        white=None if white is None else float(white[0]),
        colour=colour,
        as_shot_neutral=_neutral(tags, colour),
        masked=_masked(tags, size),
        lossless=_stored(tags, size, {"Compression": 7}),
        plain=_stored(tags, size, {"Compression": 1, "BitsPerSample": 16}),
        flip=_flip(tags),
    )


def _flip(tags: _Tags) -> int:
    orientation = tags.get("Orientation", 1)
    return 0 if orientation is None else FLIP_OF_ORIENTATION.get(int(orientation[0]), 0)


def _stored(tags: _Tags, size: tuple[int, int], way: dict[str, int]) -> Parts | None:
    """Return where a mosaic lies that is stored in that way, its values levels as they are; else None."""
    raw = tags.raw
    told = way | {"PhotometricInterpretation": _MOSAIC, "SamplesPerPixel": 1}
    if "LinearizationTable" in raw or any(raw.get(name, _NONE).tolist() != [v] for name, v in told.items()):
        return None
    kind = "Tile" if "TileOffsets" in raw else "Strip"
    numbers = [raw.get(f"{kind}{name}", _NONE) for name in ("Offsets", "ByteCounts")]
    sides = ("TileLength", "TileWidth") if kind == "Tile" else ("RowsPerStrip", "ImageWidth")
    high, wide = (raw.get(side, _NONE) for side in sides)
    if not (len(high) == len(wide) == 1 and high[0] >= 1 and wide[0] >= 1):
        return None
    if not all(len(values) and np.isfinite(values).all() for values in numbers):
        return None
    offsets, lengths = (tuple(int(value) for value in values) for values in numbers)
    part_size = (int(min(high[0], 2**20)), int(min(wide[0], 2**20)))
    return Parts(size, part_size, offsets, lengths)


def _masked(tags: _Tags, size: tuple[int, int]) -> tuple[Area, ...]:
    """Return the MaskedAreas that lie inside the stored image (of the height and width `size`)."""
    edges = tags.get("MaskedAreas")
    if edges is None or len(edges) % 4:
        return ()
    areas = [(int(top), int(left), int(down), int(right)) for top, left, down, right in edges.reshape(-1, 4)]
    return tuple(a for a in areas if 0 <= a[0] < a[2] <= size[0] and 0 <= a[1] < a[3] <= size[1])


def _pattern(tags: _Tags) -> NDArray[np.uint8] | None:
    repeat, pattern = tags.get("CFARepeatPatternDim", 2), tags.get("CFAPattern", 4)
    if repeat is None or pattern is None or tuple(repeat) != (2, 2):
        return None
    return pattern.reshape(2, 2).astype(np.uint8)


def _black(tags: _Tags) -> NDArray[np.float32] | None:
    """Return the black level (2×2): BlackLevel repeated, plus the means of the row and column deltas."""
    levels = tags.get("BlackLevel")
    if levels is None:
        return None
    repeat = tags.get("BlackLevelRepeatDim", 2)
    rows, columns = (1, 1) if repeat is None else (int(repeat[0]), int(repeat[1]))
    if rows * columns != len(levels):
        rows, columns, levels = 1, 1, levels[:1]
    tiled = np.tile(levels.reshape(rows, columns), (2, 2))
    deltas = [tags.get(name) for name in ("BlackLevelDeltaV", "BlackLevelDeltaH")]
    down, across = (np.zeros(2) if delta is None or len(delta) < 2 else delta for delta in deltas)
    black = [
        [tiled[i::2, j::2].mean() + down[i::2].mean() + across[j::2].mean() for j in (0, 1)] for i in (0, 1)
    ]
    return np.array(black, dtype=np.float32)


def _colour(tags: _Tags) -> CameraColour | None:
    first = tags.matrix("ColorMatrix1")
    if first is None:
        return None
    calibrations = [tags.matrix(f"CameraCalibration{number}") for number in (1, 2)]
    # Calibrations belong to a profile: they count only where both signatures are the same.
    if tags.text("CameraCalibrationSignature") != tags.text("ProfileCalibrationSignature"):
        calibrations = [None, None]
    calibration_1, calibration_2 = (np.eye(3) if found is None else found for found in calibrations)
    balance = tags.get("AnalogBalance", 3)
    return CameraColour(
        colour_matrix_1=first,
        illuminant_1_k=_illuminant_k(tags, "CalibrationIlluminant1"),
        colour_matrix_2=tags.matrix("ColorMatrix2"),
        illuminant_2_k=_illuminant_k(tags, "CalibrationIlluminant2"),
        forward_matrix_1=tags.matrix("ForwardMatrix1"),
        forward_matrix_2=tags.matrix("ForwardMatrix2"),
        calibration_1=calibration_1,
        calibration_2=calibration_2,
        analog_balance=np.ones(3) if balance is None else balance,
    )


def _illuminant_k(tags: _Tags, name: str) -> float | None:
    code = tags.get(name, 1)
    return None if code is None else _ILLUMINANT_K.get(int(code[0]))


def _neutral(tags: _Tags, colour: CameraColour | None) -> Triple | None:
    neutral = tags.get("AsShotNeutral", 3)
    if neutral is None:
        xy = tags.get("AsShotWhiteXY", 2)
        if xy is None or colour is None:
            return None
        neutral = xy_to_neutral(colour, xy)
    if not (neutral > 0).all():
        return None
    red, green, blue = (float(value) for value in neutral / neutral[1])
    return red, green, blue
