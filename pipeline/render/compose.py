"""From a photo, its correction and a grade to a frame for the encoder, step by step or in one call.

The order: demosaic to white-balanced linear camera RGB, warp, gain and vignette, common white, linear
BT.2020, grade to display code, Y'CbCr (ITU-T H.273 matrix 1, limited range), dither. Everything up to
the dither is float32 and nothing is clipped on the way but at the common white. The common white is
applied in camera RGB, because that is where a channel clips.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.colour.display import balanced_to_bt2020, clip_to_white, limited_range, rgb_to_ycbcr
from pipeline.colour.grade import Blend, Grade, apply_grade
from pipeline.colour.highlights import rebuild_to_white
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError
from pipeline.geometry.lens import lens_of
from pipeline.photo.faults import repair, with_black
from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.opening import Photo
from pipeline.photo.raw import RawPhoto
from pipeline.render import resample
from pipeline.render.arrays import F32, F64, STRIP_ROWS, Box, enclosing, reused
from pipeline.render.delivery import FrameFormat
from pipeline.render.demosaic import linear_rgb

Samples = NDArray[np.uint8] | NDArray[np.uint16]


@dataclass(frozen=True)
class Look:
    """What one frame needs after the warp: all per-pixel steps of it.

    `gain` (3,) is the factor of each channel, `ceilings` (3,) the levels at which the channels of this
    frame clip once gained, `white` the common white, `matrix` (3×3) leads to linear BT.2020. `rebuild`
    says whether what lies above the first clipped channel is told from the others. `shoulder`
    says whether the grade's shoulder is due: display-referred photos have had theirs already.
    """

    gain: F32
    ceilings: F32
    white: float
    matrix: F32
    rebuild: bool
    shoulder: bool


def photo_size(photo: Photo) -> tuple[int, int]:
    """Return width and height of the upright picture, px."""
    picture = photo.mosaic if isinstance(photo, RawPhoto) else photo.rgb
    return picture.shape[1], picture.shape[0]


def look_of(photo: Photo, frame: FrameCorrection, corrections: Corrections) -> Look:
    """Return the per-pixel steps of a frame before its grade."""
    colour = photo.colour
    gain = np.exp2(frame.gain_ev + np.asarray(frame.channel_gain_ev, np.float64))
    return Look(
        gain=gain.astype(np.float32),
        ceilings=(gain * 2.0**frame.lowest_field_ev / np.asarray(frame.neutral)).astype(np.float32),
        white=corrections.white,
        matrix=balanced_to_bt2020(colour, frame.neutral).astype(np.float32),
        rebuild=corrections.highlights == "rebuild" and colour is not None,
        shoulder=not (isinstance(photo, LinearPhoto) and colour is None),
    )


def warped(
    photo: Photo, frame: FrameCorrection, corrections: Corrections, sizes: Iterable[tuple[int, int]]
) -> Iterator[tuple[F32, F64]]:
    """Yield, for each size, linear white-balanced camera RGB of that size and the map it came through.

    The photo is demosaicked once for all sizes. The array of one size is reused by the next.

    Raises EvenflightError where the photo is not of the size that was measured, or where a map leaves
    the photo.
    """
    width, height = photo_size(photo)
    label = f"frame {frame.frame} ({frame.shown_file})"
    if (width, height) != (corrections.width, corrections.height):
        raise EvenflightError(
            f"{label} is {width}×{height} px, but {corrections.width}×{corrections.height} was measured: "
            "run the sequence again"
        )
    lens = lens_of(corrections.lens)
    views: list[tuple[tuple[int, int], F64, float, Box]] = []
    for size in sizes:
        homography = resample.output_to_source(corrections, frame, size)
        resample.check_inside(homography, size, width, height, label, lens)
        shrink = resample.source_scale(corrections, size)
        radius = len(resample.box_taps(shrink)) // 2
        box = resample.needed_box(homography, size, width, height, radius, lens)
        views.append((size, homography, shrink, box))
    whole = enclosing(box for _, _, _, box in views)
    if isinstance(photo, RawPhoto):
        repair(photo, np.asarray(corrections.hot_photosites, np.uint32))
        photo = with_black(photo, frame.black_shift)
    linear = linear_rgb(photo, frame.neutral, whole)
    for size, homography, shrink, box in views:
        # Only what this size needs, so that it is rendered as if alone, bit for bit.
        rows = slice(box.top - whole.top, box.bottom - whole.top)
        columns = slice(box.left - whole.left, box.right - whole.left)
        bent = None if lens is None else resample.lens_map(homography, size, width, height, lens)
        yield resample.warp(linear[rows, columns], homography, size, box, shrink, bent), homography


def brighten(rgb: F32, look: Look, vignette: F32 | None = None) -> F32:
    """Multiply by the gains and, where given, by the factor that undoes the vignette (H×W)."""
    gained = np.asarray(cv2.transform(rgb, np.diag(look.gain)), np.float32)
    if vignette is not None:
        # As three channels, because NumPy is slow where the last axis alone is stretched.
        gained *= np.asarray(cv2.merge([vignette] * 3))
    return gained


def to_working_space(rgb: F32, look: Look) -> F32:
    """Bring gained camera RGB to linear BT.2020 with the common white at 1."""
    if look.rebuild:
        white_at_one = rebuild_to_white(rgb, look.white, look.ceilings)
    else:
        white_at_one = clip_to_white(rgb, look.white, float(look.ceilings.min()))
    return np.asarray(cv2.transform(white_at_one, look.matrix), np.float32)


def to_ycbcr(code: F32, format: FrameFormat) -> tuple[F32, F32, F32]:
    """Return planes Y', Cb, Cr of R'G'B' codes (H×W×3), as unrounded codes of the limited range.

    Chroma is filtered to its own, coarser places: across it stands on the even luma columns (1 2 1
    filter), down it stands between two rows (their mean), as H.264 and MPEG-2 place it by default
    (ITU-T H.273, chroma sample location 0). `code` has an even number of rows.
    """
    planes = cv2.split(cv2.transform(code, _ycbcr_matrix(format.bits)))
    luma, blue, red = (np.asarray(plane, np.float32) for plane in planes)
    across, down = format.chroma_step
    return luma, _coarser(blue, across, down), _coarser(red, across, down)


def _ycbcr_matrix(bits: int) -> F32:
    """Return the 3×4 matrix from R'G'B' 0..1 to codes of the limited range."""
    offset = limited_range(rgb_to_ycbcr(np.zeros(3)), bits)
    columns = limited_range(rgb_to_ycbcr(np.eye(3)), bits) - offset
    return np.column_stack([columns.T, offset]).astype(np.float32)


def _coarser(plane: F32, across: int, down: int) -> F32:
    if down == 2:
        plane = (plane[0::2] + plane[1::2]) * np.float32(0.5)
    if across == 2:
        left = np.concatenate([plane[:, :1], plane[:, 1:-1:2]], axis=1)
        plane = plane[:, 0::2] * np.float32(0.5) + (left + plane[:, 1::2]) * np.float32(0.25)
    return plane


def to_planes(code: F32, format: FrameFormat) -> tuple[F32, ...]:
    """Return unrounded samples of R'G'B' codes (H×W×3): planes Y', Cb, Cr, or R'G'B' of the full range."""
    if format.is_rgb:
        return (code * np.float32(2**format.bits - 1),)
    return to_ycbcr(code, format)


def dither(planes: tuple[F32, ...], format: FrameFormat, seed: int) -> Samples:
    """Round the planes to whole codes, each up or down at random so that its mean is exact.

    Returns all samples in one array, plane after plane, as the encoder's pipe takes them. The noise
    depends on `seed` alone, the number of the frame.
    """
    noise = np.random.Generator(np.random.SFC64(seed))
    count = sum(plane.size for plane in planes)
    samples: Samples = np.empty(count, np.uint8) if format.bits == 8 else np.empty(count, np.uint16)
    start = 0
    for plane in planes:
        raised = noise.random(dtype=np.float32, out=reused("noise", plane.shape))
        raised += plane
        if format.is_rgb:  # the full range's last code and the noise may round to one more
            np.minimum(raised, np.float32(2**format.bits - 1), out=raised)
        # All values are positive, so the conversion to an integer rounds down.
        samples[start : start + plane.size].reshape(plane.shape)[...] = raised
        start += plane.size
    return samples


def render_frame(
    photo: Photo,
    frame: FrameCorrection,
    corrections: Corrections,
    grade: Grade | Blend,
    formats: tuple[FrameFormat, ...],
) -> tuple[Samples, ...]:
    """Return the finished samples of one frame for each of `formats`.

    All come from one decode and one demosaic; formats of one size share the warp and the grade as well.
    Raises EvenflightError as `warped` does.
    """
    look = look_of(photo, frame, corrections)
    due = grade if look.shoulder else grade.unrolled()
    sizes = _sizes_of(formats)
    samples: dict[FrameFormat, Samples] = {}
    for size, (rgb, homography) in zip(sizes, warped(photo, frame, corrections, sizes), strict=True):
        strips = _working_strips(rgb, homography, look, frame, corrections)
        samples |= _sampled(strips, due, _of_size(formats, size), frame.frame)
    return tuple(samples[format] for format in formats)


@dataclass(frozen=True)
class WorkingFrame:
    """A rendered frame before its grade: linear BT.2020, common white at 1, one array for each size."""

    pictures: tuple[F32, ...]
    shoulder: bool


def render_working(
    photo: Photo,
    frame: FrameCorrection,
    corrections: Corrections,
    formats: tuple[FrameFormat, ...],
) -> WorkingFrame:
    """Return one frame before its grade, for each size among `formats` in order, for effects in time.

    `finish` makes of it what `render_frame` makes at once. Raises EvenflightError as `warped` does.
    """
    look = look_of(photo, frame, corrections)
    pictures = []
    for rgb, homography in warped(photo, frame, corrections, _sizes_of(formats)):
        picture = np.empty(rgb.shape, np.float32)
        for rows, strip in _working_strips(rgb, homography, look, frame, corrections):
            picture[rows.start : rows.stop] = strip
        pictures.append(picture)
    return WorkingFrame(tuple(pictures), look.shoulder)


def finish(
    working: WorkingFrame, grade: Grade | Blend, formats: tuple[FrameFormat, ...], seed: int
) -> tuple[Samples, ...]:
    """Return the finished samples of a working frame for each of `formats`; `seed` is the frame's number."""
    due = grade if working.shoulder else grade.unrolled()
    samples: dict[FrameFormat, Samples] = {}
    for size, picture in zip(_sizes_of(formats), working.pictures, strict=True):
        strips = ((rows, picture[rows.start : rows.stop]) for rows in _strip_rows(len(picture)))
        samples |= _sampled(strips, due, _of_size(formats, size), seed)
    return tuple(samples[format] for format in formats)


def _sizes_of(formats: tuple[FrameFormat, ...]) -> list[tuple[int, int]]:
    return list(dict.fromkeys((format.width, format.height) for format in formats))


def _of_size(formats: tuple[FrameFormat, ...], size: tuple[int, int]) -> list[FrameFormat]:
    return [format for format in formats if (format.width, format.height) == size]


def _strip_rows(height: int) -> Iterator[range]:
    for top in range(0, height, STRIP_ROWS):
        yield range(top, min(top + STRIP_ROWS, height))


def _working_strips(
    rgb: F32, homography: F64, look: Look, frame: FrameCorrection, corrections: Corrections
) -> Iterator[tuple[range, F32]]:
    """Yield rows of a warped frame and their linear BT.2020: the per-pixel steps before the grade."""
    height, width = rgb.shape[:2]
    field = None
    if frame.grid_gain_ev is not None:
        field = resample.field_gain(
            homography, (width, height), corrections.width, corrections.height, frame.grid_gain_ev
        )
    for rows in _strip_rows(height):
        vignette = None if field is None else field[rows.start : rows.stop]
        if any(corrections.vignette):
            undone = resample.vignette_gain(
                homography,
                (width, height),
                rows,
                corrections.width,
                corrections.height,
                corrections.vignette,
                lens_of(corrections.lens),
            )
            vignette = undone if vignette is None else undone * vignette
        yield rows, to_working_space(brighten(rgb[rows.start : rows.stop], look, vignette), look)


def _sampled(
    strips: Iterable[tuple[range, F32]], grade: Grade | Blend, formats: list[FrameFormat], seed: int
) -> dict[FrameFormat, Samples]:
    """Grade, code and dither linear BT.2020 strip by strip, for formats that share their size."""
    planes = {format: _empty_planes(format) for format in formats}
    for rows, strip in strips:
        code = apply_grade(grade, strip)
        for format in formats:
            down = format.chroma_step[1]
            for plane, part, step in zip(
                planes[format], to_planes(code, format), (1, down, down), strict=False
            ):
                plane[rows.start // step : rows.stop // step] = part
    return {format: dither(planes[format], format, seed) for format in formats}


def _empty_planes(format: FrameFormat) -> tuple[F32, ...]:
    if format.is_rgb:
        return (reused("rgb samples", (format.height, format.width, 3)),)
    across, down = format.chroma_step
    chroma = (format.height // down, format.width // across)
    name = format.pixel_format
    return (
        reused(f"luma {name}", (format.height, format.width)),
        reused(f"chroma blue {name}", chroma),
        reused(f"chroma red {name}", chroma),
    )
