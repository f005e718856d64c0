"""Sharpness from a slanted edge, by the method of ISO 12233."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_SLOPE = np.tan(np.radians(5.0))
_BINS = 4  # to a pixel, as ISO 12233 has it


def slanted_edge(height: int, width: int, *, across: bool = True) -> Floats:
    """Return a grey edge (H×W×3, 0.1 to 0.6) through the middle, 5° from upright (or from lying).

    Each pixel has the mean over its area, to first order: the edge is a ramp one pixel wide.
    """
    y, x = np.mgrid[0:height, 0:width].astype(float)
    x, y = x - (width - 1) / 2, y - (height - 1) / 2
    distance = (x + _SLOPE * y if across else y + _SLOPE * x) / np.hypot(1.0, _SLOPE)
    return np.repeat((0.1 + 0.5 * np.clip(distance + 0.5, 0.0, 1.0))[..., np.newaxis], 3, axis=2)


def mtf50(picture: Floats, across: bool = True) -> float:
    """Return the frequency in cycles per px at which the contrast of an edge in `picture` (H×W) is half.

    ISO 12233, edge-based spatial frequency response: the edge in each row by its centroid, a straight line
    through these, the edge spread in quarter pixels along it, its derivative under a Hamming window, the
    modulus of its transform, freed of the response of the differencing.
    """
    rows = np.asarray(picture if across else picture.T, np.float64)
    places = np.arange(rows.shape[1])
    slopes = np.abs(np.diff(rows, axis=1))
    centroids = (slopes * (places[:-1] + 0.5)).sum(axis=1) / slopes.sum(axis=1)
    line = np.polyfit(np.arange(len(rows)), centroids, 1)
    distance = places - np.polyval(line, np.arange(len(rows)))[:, np.newaxis]
    bins = np.floor(distance * _BINS).astype(int)
    inside = np.abs(bins) < 32 * _BINS
    shifted = bins[inside] + 32 * _BINS
    count = np.bincount(shifted, minlength=64 * _BINS)
    spread = np.bincount(shifted, weights=rows[inside], minlength=64 * _BINS) / np.maximum(count, 1)
    spread = spread[1:]  # the first bin would be half empty
    line_spread = np.gradient(spread) * np.hamming(len(spread))
    response = np.abs(np.fft.rfft(line_spread))
    frequency = np.fft.rfftfreq(len(line_spread), 1.0 / _BINS)
    # np.gradient is a central difference over two bins: its response is a sinc.
    response = response / response[0] / np.sinc(2.0 * frequency / _BINS)
    below = int(np.argmax(response < 0.5))
    return float(np.interp(0.5, response[[below, below - 1]], frequency[[below, below - 1]]))
