"""The camera RGB of a rectangle which the pilot knows to be grey."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.errors import UsageError
from pipeline.measure.proxy import CLIPPED
from pipeline.photo.opening import Photo, open_photo
from pipeline.photo.raw import RawPhoto
from pipeline.sequence import Sequence, Triple

_LEAST_SITES = 16
_DARKEST = 0.004
_MOST_CLIPPED = 0.01

Box = tuple[float, float, float, float]


def grey_neutral(sequence: Sequence, card: Path, frame: int, box: Box) -> Triple:
    """Return the mean camera RGB, green = 1, of `box` in the photo of `frame`.

    `box` is left, top, right, bottom as shares of the upright picture. Raises UsageError where the frame
    has no photo, or the rectangle is too small, too dark or clipped; PhotoError where it cannot be opened.
    """
    frames = sequence.frames
    if frame >= len(frames) or not frames[frame].usable:
        raise UsageError(
            f"balance.grey_frame = {frame} names no photo of {sequence.id}: "
            f"choose a frame from 0 to {len(frames) - 1} that is not missing"
        )
    channels = _samples(open_photo(card / str(frames[frame].file)), box)
    where = f"balance.grey_box of {frames[frame].label}"
    if min(len(channel) for channel in channels) < _LEAST_SITES:
        raise UsageError(f"{where} holds fewer than {_LEAST_SITES} photosites of a colour: make it larger")
    if max(float(np.mean(channel >= CLIPPED)) for channel in channels) > _MOST_CLIPPED:
        raise UsageError(f"{where} is clipped: choose a darker grey, or another frame")
    red, green, blue = (float(np.mean(channel, dtype=np.float64)) for channel in channels)
    if min(red, green, blue) < _DARKEST:
        raise UsageError(f"{where} is almost black: choose a lighter grey")
    return red / green, 1.0, blue / green


def _samples(photo: Photo, box: Box) -> list[NDArray[np.float32]]:
    """Return the linear levels of R, G and B in the box, one array each."""
    picture = photo.mosaic if isinstance(photo, RawPhoto) else photo.rgb
    height, width = picture.shape[:2]
    left, top, right, bottom = box
    # Whole cells of the colour pattern that lie inside.
    rows = slice(math.ceil(top * height / 2) * 2, int(bottom * height / 2) * 2)
    columns = slice(math.ceil(left * width / 2) * 2, int(right * width / 2) * 2)
    part = picture[rows, columns]
    if not isinstance(photo, RawPhoto):
        levels = photo.linear[part]
        return [levels[..., channel].ravel() for channel in range(3)]
    found: list[list[NDArray[np.float32]]] = [[], [], []]
    for (y, x), channel in np.ndenumerate(photo.pattern):
        black = photo.black[y, x]
        found[channel].append(((part[y::2, x::2] - black) / (photo.white - black)).ravel())
    return [np.concatenate(levels).astype(np.float32) for levels in found]
