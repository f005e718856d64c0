"""Opening a RAW photograph: LibRaw unpacks it, the DNG's own tags (else LibRaw's tables) describe it."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.colour.camera import CameraColour, bradford_adaptation, xy_to_xyz
from pipeline.colour.whites import D50_XY, D65_XY
from pipeline.errors import PhotoError
from pipeline.photo.dng import DngFacts, read_dng_facts
from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.lossless import Parts, unpack
from pipeline.photo.orientation import upright
from pipeline.sequence import Triple

_D65_K = 6504.0
_LEAST_MASKED = 200
_MOST_DRIFT = 0.02


@dataclass(frozen=True)
class RawPhoto:
    """A Bayer mosaic, upright, of even size, with all that turns it into linear camera RGB.

    `mosaic` is H×W uint16 of the visible area, its black level not subtracted, any LinearizationTable
    applied. `pattern` (2×2, values 0=R 1=G 2=B) and `black` (2×2) hold for the upright mosaic from its
    top left corner. `white` is the level of saturation in the same units as the mosaic.
    `as_shot_neutral` is the camera RGB of the neutral the camera chose, green = 1.
    """

    mosaic: NDArray[np.uint16]
    pattern: NDArray[np.uint8]
    black: NDArray[np.float32]
    white: float
    colour: CameraColour
    as_shot_neutral: Triple | None


def open_raw(path: Path) -> RawPhoto | LinearPhoto:
    """Open a RAW file: a Bayer mosaic as RawPhoto, any other kind as linear camera RGB.

    Raises PhotoError where the file is torn, of no kind that LibRaw reads, or its colour is unknown.
    """
    import rawpy

    try:
        data = path.read_bytes()
        facts = _dng_facts(data)
        if (told := _told(path, data, facts)) is not None:
            return told
        with rawpy.imread(io.BytesIO(data)) as raw:
            return _bayer(path, raw, facts) if _is_bayer(raw) else _developed(path, raw, facts)
    except OSError as error:
        raise PhotoError(f"{path.name} cannot be read ({error.strerror}): copy it again") from error
    except (rawpy.LibRawFileUnsupportedError, rawpy.NotSupportedError) as error:
        raise PhotoError(f"{path.name} is torn or of no RAW type that LibRaw reads: leave it out") from error
    except (ValueError, IndexError, OverflowError) as error:
        raise PhotoError(f"{path.name} has tags that contradict one another: leave it out") from error
    except rawpy.LibRawError as error:
        raise PhotoError(f"{path.name} is torn: copy it again or leave it out") from error


def _dng_facts(data: bytes) -> DngFacts | None:
    import exiv2

    try:
        return read_dng_facts(data)
    except exiv2.Exiv2Error:
        return None  # not every RAW type is known to Exiv2; LibRaw has the last word


def _told(path: Path, data: bytes, facts: DngFacts | None) -> RawPhoto | None:
    """Open a DNG by its tags, where they tell all that LibRaw would; else return None."""
    if facts is None:
        return None
    pattern, black, white, colour = facts.pattern, facts.black, facts.white, facts.colour
    if pattern is None or black is None or white is None or colour is None or facts.as_shot_neutral is None:
        return None
    if sorted(pattern.flat) != [0, 1, 1, 2]:
        return None
    stored = None
    if facts.lossless is not None:
        stored = unpack(data, facts.lossless)
    elif facts.plain is not None:
        stored = plain_mosaic(data, facts.plain)
    if stored is None:
        return None
    top, left, bottom, right = facts.active_area
    black = masked_black(stored, facts, black, white)
    mosaic = stored[top:bottom, left:right]
    return _upright(path, mosaic, pattern, black, white, facts.flip, colour, facts.as_shot_neutral)


def plain_mosaic(data: bytes, parts: Parts) -> NDArray[np.uint16] | None:
    """Return the mosaic (H×W, read-only) that the file `data` holds as numbers of 16 bits, strip after strip.

    None where the strips leave gaps or are cut short: LibRaw should try. It takes a fifth of LibRaw's time.
    """
    height, width = parts.size
    ends = [offset + length for offset, length in zip(parts.offsets, parts.lengths, strict=False)]
    follow = len(parts.offsets) == len(parts.lengths) and list(parts.offsets[1:]) == ends[:-1]
    whole = ends[-1] <= len(data) and ends[-1] - parts.offsets[0] == 2 * height * width
    if not (follow and whole and parts.offsets[0] >= 0 and parts.part_size[1] == width):
        return None
    order = {b"II": "<u2", b"MM": ">u2"}.get(data[:2])  # TIFF 6.0, section 2
    if order is None or height * width == 0:
        return None
    return np.frombuffer(data, order, height * width, parts.offsets[0]).reshape(height, width)


def _is_bayer(raw: Any) -> bool:
    import rawpy

    pattern = raw.raw_pattern
    return bool(
        raw.raw_type == rawpy.RawType.Flat
        and pattern is not None
        and pattern.shape == (2, 2)
        and sorted(raw.color_desc.decode()[index] for index in pattern.flat) == list("BGGR")
    )


def _bayer(path: Path, raw: Any, facts: DngFacts | None) -> RawPhoto:
    # For a mosaic in memory LibRaw's black is one level per colour index, here one per place.
    places = raw.raw_pattern
    pattern = np.array([["RGB".index(chr(raw.color_desc[index])) for index in row] for row in places])
    black = np.array([[raw.black_level_per_channel[index] for index in row] for row in places])
    white, mosaic = float(raw.white_level), raw.raw_image_visible
    if facts is not None and facts.size == raw.raw_image.shape and facts.pattern is not None:
        top, left, bottom, right = facts.active_area
        mosaic, pattern = raw.raw_image[top:bottom, left:right], facts.pattern
        black = black if facts.black is None else facts.black
        white = white if facts.white is None else facts.white
        black = masked_black(raw.raw_image, facts, np.asarray(black, np.float32), white)
    colour, neutral = _colour(path, raw, facts), _neutral(raw, facts)
    # The mosaic is LibRaw's memory, which goes when the file is closed.
    return _upright(path, mosaic.copy(), pattern, black, white, raw.sizes.flip, colour, neutral)


def _upright(
    path: Path,
    mosaic: NDArray[np.uint16],
    pattern: NDArray[Any],
    black: NDArray[Any],
    white: float,
    flip: int,
    colour: CameraColour,
    neutral: Triple | None,
) -> RawPhoto:
    height, width = (size - size % 2 for size in mosaic.shape)
    if not black.max() < white or min(height, width) < 2:
        raise PhotoError(f"{path.name} has no level between black and white: leave it out")
    return RawPhoto(
        # Its faults will be repaired in place: a copy where it is part of something else or read-only.
        mosaic=np.require(upright(mosaic[:height, :width], flip), np.uint16, ["C", "W"]),
        pattern=np.ascontiguousarray(upright(pattern, flip), dtype=np.uint8),
        black=np.ascontiguousarray(upright(black, flip), dtype=np.float32),
        white=white,
        colour=colour,
        as_shot_neutral=neutral,
    )


def masked_black(
    stored: NDArray[np.uint16], facts: DngFacts, told: NDArray[np.float32], white: float
) -> NDArray[np.float32]:
    """Return the black level (2×2) of one photo: of its masked photosites where it has enough, else `told`.

    A sensor's black drifts with its temperature, photo by photo, while the tag stays (DNG specification,
    chapter 4, MaskedAreas). Photosites far from the median of their place (hot ones) do not count; areas
    over 2 % of the range away from the tag are not dark, and are not believed.
    """
    top, left = facts.active_area[:2]
    measured = told.copy()
    for row, column in np.ndindex(2, 2):
        parts = [
            stored[t + (top + row - t) % 2 : b : 2, s + (left + column - s) % 2 : e : 2].ravel()
            for t, s, b, e in facts.masked
        ]
        sites = np.concatenate([*parts, np.zeros(0, np.uint16)]).astype(np.float32)
        if len(sites) < _LEAST_MASKED:
            return told
        far = np.abs(sites - np.median(sites))
        kept = sites[far <= 6.0 * max(float(np.median(far)), 1.0)]
        measured[row, column] = kept.mean(dtype=np.float64)
    believed = np.abs(measured - told).max() <= _MOST_DRIFT * (white - float(told.max()))
    return measured if believed else told


def _developed(path: Path, raw: Any, facts: DngFacts | None) -> LinearPhoto:
    """Let LibRaw demosaic what is no Bayer mosaic, with every automatic scaling off."""
    import rawpy

    rgb = raw.postprocess(
        output_color=rawpy.ColorSpace.raw,
        gamma=(1, 1),
        no_auto_bright=True,
        adjust_maximum_thr=0.0,
        user_wb=[1.0, 1.0, 1.0, 1.0],
        output_bps=16,
    )
    if rgb.ndim != 3 or rgb.shape[2] != 3:
        raise PhotoError(f"{path.name} has a sensor of other colours than red, green and blue: leave it out")
    linear = np.arange(65536, dtype=np.float32) / np.float32(65535.0)
    return LinearPhoto(np.ascontiguousarray(rgb), linear, _colour(path, raw, facts), _neutral(raw, facts))


def _colour(path: Path, raw: Any, facts: DngFacts | None) -> CameraColour:
    if facts is not None and facts.colour is not None:
        return facts.colour
    matrix = np.asarray(raw.rgb_xyz_matrix, dtype=np.float64)[:3]
    if not np.linalg.det(matrix):
        raise PhotoError(f"{path.name} is of a camera whose colour LibRaw does not know: convert it to DNG")
    return libraw_colour(matrix)


def libraw_colour(matrix: NDArray[np.float64]) -> CameraColour:
    """Return the colour of a camera of which LibRaw knows one matrix (3×3, XYZ to camera RGB, for D65).

    LibRaw balances white in camera RGB and then takes one fixed matrix to the output, whatever the
    light. The forward matrix says exactly that: white-balanced camera RGB to XYZ D65, adapted to D50.
    """
    balanced = np.linalg.inv(matrix / (matrix @ xy_to_xyz(D65_XY))[:, np.newaxis])
    return CameraColour(
        colour_matrix_1=matrix,
        illuminant_1_k=_D65_K,
        colour_matrix_2=None,
        illuminant_2_k=None,
        forward_matrix_1=bradford_adaptation(D65_XY, D50_XY) @ balanced,
        forward_matrix_2=None,
        calibration_1=np.eye(3),
        calibration_2=np.eye(3),
        analog_balance=np.ones(3),
    )


def _neutral(raw: Any, facts: DngFacts | None) -> Triple | None:
    if facts is not None and facts.as_shot_neutral is not None:
        return facts.as_shot_neutral
    multipliers = np.asarray(raw.camera_whitebalance[:3], dtype=np.float64)
    if not (multipliers > 0).all():
        return None
    red, green, blue = multipliers
    return float(green / red), 1.0, float(green / blue)
