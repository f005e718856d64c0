"""Faults of a sensor in one mosaic: photosites that glow by themselves, and a black that has drifted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from pipeline.photo.planes import phase_planes
from pipeline.photo.raw import RawPhoto
from pipeline.sequence import Triple

Sites = NDArray[np.uint32]
"""Photosites as row · width + column of the upright mosaic."""

MOST_SITES = 20_000
_LEAST_EXCESS = 0.004
_LEAST_SIGMA = 4.0
_ROWS = 48  # that tell what is usual between neighbours
_MOST_SPILL = 0.1
_SURELY_BELOW_BLACK = 1e-4

_NEXT = ((0, 1), (0, -1), (1, 0), (-1, 0))
_KNIGHTS = ((1, 2), (1, -2), (-1, 2), (-1, -2), (2, 1), (2, -1), (-2, 1), (-2, -1))
_SAME_COLOUR = ((0, 2), (0, -2), (2, 0), (-2, 0), (2, 2), (2, -2), (-2, 2), (-2, -2))


def standing_out(photo: RawPhoto) -> Sites:
    """Return the photosites (k,) that stand out of their surroundings as no light through a lens can.

    Such a site is brighter than each of its eight neighbours of the same colour, by four times the
    difference usual between neighbours at least, and the sites right beside it, of other colours, know
    nothing of it: a lamp spreads over more than one photosite. One picture cannot tell a hot photosite
    from noise for certain; the same one in frame after frame can (`pipeline.measure.hot`). At most
    20,000 are returned, the strongest.
    """
    import cv2

    ring = np.array([[1, 1, 1], [1, 0, 1], [1, 1, 1]], np.uint8)
    width = photo.mosaic.shape[1]
    found, excess = [], []
    for (row, column), plane in phase_planes(photo.mosaic):
        above = cv2.subtract(plane, cv2.dilate(plane, ring))
        few = plane[:: max(plane.shape[0] // _ROWS, 1)]
        # The median of whole numbers takes a fortieth of the time.
        steps = cv2.absdiff(few[:, 1:], few[:, :-1])
        sigma = 1.4826 / np.sqrt(2.0) * float(np.median(steps)) if steps.size else 0.0
        least = max(_LEAST_SIGMA * sigma, _LEAST_EXCESS * (photo.white - float(photo.black[row, column])))
        places = np.flatnonzero(above.ravel() > np.uint16(min(least, 65535.0)))  # whole numbers
        y, x = np.divmod(places, plane.shape[1])
        found.append((2 * y + row) * width + 2 * x + column)
        excess.append(above.ravel()[places].astype(np.float32))
    sites, strength = np.concatenate(found), np.concatenate(excess)
    alone = _spill(photo, sites) < _MOST_SPILL * strength
    sites, strength = sites[alone], strength[alone]
    strongest = np.argsort(-strength, kind="stable")[:MOST_SITES]
    return np.sort(sites[strongest]).astype(np.uint32)


def repair(photo: RawPhoto, sites: Sites) -> None:
    """Give the photosites, in place, the median of their neighbours of the same colour that are sound."""
    if not len(sites):
        return
    around = _neighbours(photo, sites, _SAME_COLOUR)
    values = photo.mosaic.ravel()[around].astype(np.float32)
    values[np.isin(around, sites)] = np.nan
    sound = np.isfinite(values).any(axis=1)
    told = np.rint(np.nanmedian(values[sound], axis=1))
    photo.mosaic.reshape(-1)[np.asarray(sites, np.intp)[sound]] = told.astype(np.uint16)


def black_shift(means: NDArray[np.float32]) -> Triple:
    """Return how far (share of saturation, at most 0) the black of each channel lies below the one told.

    `means` (h, w, 3) are means over many photosites, black subtracted. No light is negative: where the
    darkest of them is, surely, the black told was too high by that much at least. A black told too low
    cannot be known from a picture (haze looks the same), and is left.
    """
    red, green, blue = (float(value) for value in means.reshape(-1, 3).min(axis=0))
    return _certain(red), _certain(green), _certain(blue)


def _certain(lowest: float) -> float:
    return lowest if lowest < -_SURELY_BELOW_BLACK else 0.0


def with_black(photo: RawPhoto, shift: Triple) -> RawPhoto:
    """Return the photo with the black level of each channel moved by a share of saturation."""
    if not any(shift):
        return photo
    span = photo.white - photo.black
    return replace(photo, black=photo.black + np.asarray(shift, np.float32)[photo.pattern] * span)


def _spill(photo: RawPhoto, sites: NDArray[np.intp]) -> NDArray[np.float32]:
    """Return how much brighter the four sites next to each are than others of their colours nearby."""
    flat = photo.mosaic.ravel()
    beside, near = (
        flat[_neighbours(photo, sites, steps)].astype(np.float32).mean(axis=1) for steps in (_NEXT, _KNIGHTS)
    )
    return np.asarray(beside - near)


def _neighbours(
    photo: RawPhoto, sites: NDArray[np.integer], steps: tuple[tuple[int, int], ...]
) -> NDArray[np.intp]:
    """Return flat places (k, m) of neighbours, mirrored at the border, which keeps their colour."""
    height, width = photo.mosaic.shape
    y, x = np.divmod(np.asarray(sites, np.intp)[:, np.newaxis], width)
    down, right = np.array(steps).T
    rows, columns = np.abs(y + down), np.abs(x + right)
    rows = np.where(rows >= height, 2 * (height - 1) - rows, rows)
    columns = np.where(columns >= width, 2 * (width - 1) - columns, columns)
    return np.asarray(rows * width + columns)
