"""From a photo to linear, white-balanced camera RGB at full size.

Green at a red or blue photosite is the mean of its neighbours along the row or along the column, corrected
by the second difference of the colour measured there (J. F. Hamilton, J. E. Adams, US patent 5 629 734,
1997; the values from memory). The two are not chosen between but weighed, each by the energy of the second
differences in the other direction over 5×5 photosites, so that noise does not toss the choice. Weighed
alike they would be the filter of Malvar, He, Cutler, "High-quality linear interpolation for demosaicing
of Bayer-patterned color images", ICASSP 2004. Red and blue are green plus their difference from it,
bilinear between the photosites that measured them: colour differences are smoother than colours (common
practice, no source).

All is done on the white-balanced, square-root-encoded mosaic and the result is squared: the square root
makes the noise even and edges symmetric. tests/bench/test_demosaic.py compares it with LibRaw's methods.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.opening import Photo
from pipeline.photo.raw import RawPhoto
from pipeline.render.arrays import F32, STRIP_ROWS, Box, reused
from pipeline.sequence import Triple

# Photosites around a strip that it depends on: one for the differences of colour, two for the energy of
# second differences about each of them, two more for those.
HALO = 5

SECOND_DIFFERENCE = np.array([[-1.0, 0.0, 2.0, 0.0, -1.0]], np.float32)
# A red or blue photosite less the green that its row tells: (left + right) / 2 + second difference / 4.
LESS_GREEN = np.array([[0.25, -0.5, 0.5, -0.5, 0.25]], np.float32)
# Differences of colour stand at every other place of a row; this keeps them and fills in between.
ALONG_ROW = np.array([[0.5, 1.0, 0.5]], np.float32)
ENERGY_WINDOW = (5, 5)
# Energy that says nothing of a direction: second differences of 0.03, noise in the square roots of levels.
FAINT_ENERGY = 1e-3


def linear_rgb(photo: Photo, neutral: Triple, box: Box | None = None) -> F32:
    """Return linear, white-balanced camera RGB (H×W×3, 1.0 = saturation of a channel with neutral 1).

    `neutral` is the camera RGB that becomes grey, green = 1. `box` limits the work to a part of the
    picture, which is exactly that part of the whole result. The array is reused by the next call in the
    same thread.
    """
    if isinstance(photo, RawPhoto):
        return demosaic(photo, neutral, box)
    return _linearise(photo, neutral, box)


def demosaic(photo: RawPhoto, neutral: Triple, box: Box | None = None) -> F32:
    """Interpolate a Bayer mosaic (any phase) to linear, white-balanced camera RGB.

    See `linear_rgb` for units. Nothing is clipped: noise below black stays negative and gained levels
    above 1.0 stay. At the picture's border the mosaic is mirrored about its outermost photosites, which
    keeps the colour of each place in the pattern.
    """
    height, width = photo.mosaic.shape
    box = box or Box(0, height, 0, width)
    rgb = reused("rgb", (box.bottom - box.top, box.right - box.left, 3))
    scale, offset = _encoding(photo, neutral)
    for top in range(box.top, box.bottom, STRIP_ROWS):
        bottom = min(top + STRIP_ROWS, box.bottom)
        strip = Box(top, bottom, box.left, box.right)
        planes = _interpolate(_encode(photo.mosaic, strip, scale, offset), photo.pattern, strip)
        for plane in planes:
            # Squared with its sign, so that noise about black keeps its mean.
            np.multiply(plane, np.abs(plane, out=reused("magnitude", plane.shape)), out=plane)
        cv2.merge(planes, dst=rgb[top - box.top : bottom - box.top])
    return rgb


def _encoding(photo: RawPhoto, neutral: Triple) -> tuple[F32, F32]:
    """Return factor and offset (2×2 each) that take the mosaic to white-balanced linear levels."""
    balance = 1.0 / np.asarray(neutral, np.float64)[photo.pattern]
    scale = balance / (photo.white - photo.black.astype(np.float64))
    return scale.astype(np.float32), (-scale * photo.black).astype(np.float32)


def _mirrored(first: int, last: int, size: int) -> NDArray[np.intp]:
    """Return the places first..last-1 with those outside 0..size-1 mirrored about the end elements."""
    period = 2 * (size - 1)
    places = np.abs(np.arange(first, last)) % period
    return np.where(places >= size, period - places, places)


def _encode(mosaic: NDArray[np.uint16], strip: Box, scale: F32, offset: F32) -> F32:
    """Return the signed square root of the white-balanced strip with its halo."""
    height, width = mosaic.shape
    rows = _mirrored(strip.top - HALO, strip.bottom + HALO, height)
    columns = _mirrored(strip.left - HALO, strip.right + HALO, width)
    level = reused("level", (len(rows), len(columns)))
    inside = slice(max(HALO - strip.left, 0), len(columns) - max(strip.right + HALO - width, 0))
    span = slice(columns[inside.start], columns[inside.start] + inside.stop - inside.start)
    if rows[-1] - rows[0] == len(rows) - 1:
        level[:, inside] = mosaic[rows[0] : rows[-1] + 1, span]
    else:
        level[:, inside] = mosaic[rows, span]
    for column in (*range(inside.start), *range(inside.stop, len(columns))):
        level[:, column] = mosaic[rows, columns[column]]
    for parity in (0, 1):
        row = (strip.top - HALO + parity) % 2
        level[parity::2] *= scale[row, columns % 2]
        level[parity::2] += offset[row, columns % 2]
    encoded = reused("encoded", level.shape)
    if float(level.min()) >= 0.0:
        return np.sqrt(level, out=encoded)
    np.abs(level, out=encoded)
    np.sqrt(encoded, out=encoded)
    return np.copysign(encoded, level, out=encoded)


def _interpolate(encoded: F32, pattern: NDArray[np.uint8], strip: Box) -> list[F32]:
    """Return the planes R, G, B of the strip (without halo), still encoded."""
    rows, columns = encoded.shape
    # Of the encoded mosaic with its halo: the pattern from its corner, and which of its rows hold red.
    pattern = np.roll(pattern, ((HALO - strip.top) % 2, (HALO - strip.left) % 2), (0, 1))
    red_row = int(np.flatnonzero((pattern == 0).any(axis=1))[0])

    difference = _less_green(encoded)
    at_colour = np.tile((pattern != 1).astype(np.float32), (1, columns // 2 + 1))[:, :columns]
    for parity in (0, 1):
        difference[parity::2] *= at_colour[parity]  # 0 where green is measured
    green = np.subtract(encoded, difference, out=reused("green", encoded.shape))
    along = cv2.filter2D(difference, cv2.CV_32F, ALONG_ROW, dst=reused("along", encoded.shape))
    between = cv2.addWeighted(
        along[:-2], 0.5, along[2:], 0.5, 0.0, dst=reused("between", (rows - 2, columns))
    )

    shape = (rows - 2 * HALO, columns - 2 * HALO)
    inner = np.s_[HALO:-HALO, HALO:-HALO]
    green, along, between = green[inner], along[inner], between[HALO - 1 : 1 - HALO, HALO:-HALO]
    planes = [reused(f"plane {channel}", shape) for channel in range(3)]
    planes[1][...] = green
    for channel, own in ((0, (red_row + HALO) % 2), (2, (red_row + HALO + 1) % 2)):
        np.add(green[own::2], along[own::2], out=planes[channel][own::2])
        np.add(green[1 - own :: 2], between[1 - own :: 2], out=planes[channel][1 - own :: 2])
    return planes


def _less_green(encoded: F32) -> F32:
    """Return each photosite less green as its neighbours tell it; right where red or blue is measured."""
    row, row_energy = _less_green_along(encoded, "row")
    column, column_energy = _less_green_along(encoded, "column")
    # The weight of the row is the column's share of the energy.
    share = np.add(row_energy, column_energy, out=row_energy)
    np.divide(column_energy, share, out=share)
    np.subtract(row, column, out=row)
    np.multiply(row, share, out=row)
    return np.add(row, column, out=row)


def _less_green_along(encoded: F32, way: str) -> tuple[F32, F32]:
    """Return each photosite less green as its row (or column) tells it, and the energy of detail that way."""
    shape = encoded.shape
    second_kernel, green_kernel = (
        kernel if way == "row" else np.ascontiguousarray(kernel.T)
        for kernel in (SECOND_DIFFERENCE, LESS_GREEN)
    )
    second = cv2.filter2D(encoded, cv2.CV_32F, second_kernel, dst=reused("second difference", shape))
    np.multiply(second, second, out=second)
    energy: F32 = reused(f"energy {way}", shape)
    cv2.boxFilter(second, cv2.CV_32F, ENERGY_WINDOW, dst=energy)
    energy += np.float32(FAINT_ENERGY)
    less_green: F32 = reused(f"less green {way}", shape)
    cv2.filter2D(encoded, cv2.CV_32F, green_kernel, dst=less_green)
    return less_green, energy


def _linearise(photo: LinearPhoto, neutral: Triple, box: Box | None) -> F32:
    """Look up linear levels of a photo that has three values a pixel."""
    part = photo.rgb if box is None else photo.rgb[box.top : box.bottom, box.left : box.right]
    rgb = reused("rgb", part.shape)
    if part.dtype == np.uint8:
        cv2.LUT(np.ascontiguousarray(part), photo.linear, dst=rgb)
    else:
        np.take(photo.linear, part, out=rgb, mode="clip")
    if neutral != (1.0, 1.0, 1.0):
        rgb *= (1.0 / np.asarray(neutral)).astype(np.float32)
    return rgb
