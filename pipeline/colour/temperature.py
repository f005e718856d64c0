"""Correlated colour temperature and distance from the Planckian locus.

The CCT of a chromaticity is that of the nearest place of the Planckian locus in the CIE 1960 uv diagram, and
Duv its distance from there, positive above the locus (ANSI C78.377; Ohno, Practical use and calculation of
CCT and Duv, LEUKOS 10(1), 2013). colour-science finds them too, but takes half a second to be imported, which
every command that opens a RAW would wait for. So the locus stands here as a polynomial.
"""

from __future__ import annotations

import numpy as np
from numpy.polynomial.chebyshev import chebder, chebval
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

COOLEST_K, HOTTEST_K = 1100.0, 60000.0
"""Where the CCT is told: where the polynomial holds."""

_MIDDLE_MIRED, _HALF_MIRED = 463.0, 447.0
# u and v of the locus in Chebyshev polynomials of its mired, from 16 to 910: least squares, worst miss
# 2.1e-8, to Planck's law seen by the CIE 1931 2 degree observer, as colour-science 0.4.6 works it out.
_LOCUS = np.array([
    (0.2966150082, 0.3341780580),
    (0.1289946423, 0.0403537691),
    (0.0054187935, -0.0234935703),
    (-0.0064507502, 0.0055235295),
    (0.0016388346, 0.0006281624),
    (-0.0001619132, -0.0011771876),
    (-0.0001045952, 0.0006052372),
    (0.0000863278, -0.0002006132),
    (-0.0000410074, 0.0000353838),
    (0.0000140371, 0.0000115485),
    (-0.0000022274, -0.0000164758),
    (-0.0000015204, 0.0000107390),
    (0.0000017911, -0.0000048889),
    (-0.0000010631, 0.0000014018),
    (0.0000003999, 0.0000000461),
    (-0.0000000527, -0.0000003744),
    (-0.0000000567, 0.0000002877),
    (0.0000000570, -0.0000001394),
    (-0.0000000308, 0.0000000423),
])  # fmt: skip
_PASSES = 2  # of Newton's method from the nearest place of a grid: then within 1e-3 mired


def mired(cct_k: ArrayLike) -> Floats:
    """Return reciprocal megakelvins of kelvins, and kelvins of reciprocal megakelvins; any shape."""
    return 1e6 / np.asarray(cct_k, dtype=np.float64)


def xy_to_cct_duv(xy: ArrayLike) -> Floats:
    """Return CCT in kelvin and Duv (..., 2) of CIE 1931 chromaticities (..., 2).

    Beyond 1100 K or 60000 K the CCT returned is that bound, and Duv is NaN; NaN gives NaN.
    """
    chromaticity = np.asarray(xy, dtype=np.float64)
    x, y = chromaticity[..., 0], chromaticity[..., 1]
    uv = np.stack([4.0 * x, 6.0 * y], axis=-1) / (-2.0 * x + 12.0 * y + 3.0)[..., np.newaxis]
    place = _nearest(uv)
    on_locus, along, _ = locus(place)
    away = uv - on_locus
    length = np.linalg.norm(along, axis=-1)
    duv = (away[..., 1] * along[..., 0] - away[..., 0] * along[..., 1]) / length
    unknown = np.isnan(chromaticity).any(axis=-1)
    # The isotemperature lines of the bounds cross the locus at right angles.
    hot, cool = (((uv - _GRID[0, end]) * _GRID[1, end]).sum(axis=-1) for end in (0, -1))
    cct_k = np.where(cool > 0.0, COOLEST_K, np.where(hot < 0.0, HOTTEST_K, mired(place)))
    duv = np.where((cool > 0.0) | (hot < 0.0), np.nan, duv)
    return np.stack([np.where(unknown, np.nan, cct_k), np.where(unknown, np.nan, duv)], axis=-1)


def cct_duv_to_xy(cct_duv: ArrayLike) -> Floats:
    """Return CIE 1931 chromaticities (..., 2) of CCT in kelvin and Duv (..., 2)."""
    given = np.asarray(cct_duv, dtype=np.float64)
    place, duv = mired(given[..., 0]), given[..., 1:]
    on_locus, along, _ = locus(place)
    across = np.stack([-along[..., 1], along[..., 0]], axis=-1)
    u, v = np.moveaxis(on_locus + duv * across / np.linalg.norm(along, axis=-1, keepdims=True), -1, 0)
    xy: Floats = np.stack([3.0 * u, 2.0 * v], axis=-1) / (2.0 * u - 8.0 * v + 4.0)[..., np.newaxis]
    return xy


def locus(place_mired: ArrayLike) -> Floats:
    """Return CIE 1960 uv of the Planckian locus and its two first derivatives by mired (3, ..., 2)."""
    place = (np.asarray(place_mired, dtype=np.float64) - _MIDDLE_MIRED) / _HALF_MIRED
    values = np.asarray(chebval(place, _CURVES), np.float64).reshape(3, 2, *place.shape)
    return np.moveaxis(values, 1, -1)


def _nearest(uv: Floats) -> Floats:
    """Return the places (...), mired, of the locus nearest to uv (..., 2)."""
    away = uv[..., np.newaxis, :] - _GRID[0]
    place: Floats = _GRID_MIRED[np.argmin(np.square(away).sum(axis=-1), axis=-1)]
    for _ in range(_PASSES):
        on_locus, along, turning = locus(place)
        away = uv - on_locus
        bend = (along * along - away * turning).sum(axis=-1)
        step = (away * along).sum(axis=-1) / np.where(bend > 0.0, bend, np.inf)
        place = np.clip(place + step, _GRID_MIRED[0], _GRID_MIRED[-1])
    return place


def _with_derivatives(series: Floats) -> Floats:
    """Return the series (n, 2) of u and v beside those of their derivatives by mired (n, 6)."""
    derived = [chebder(series, order, scl=1.0 / _HALF_MIRED) for order in (1, 2)]
    padded = [np.pad(one, ((0, len(series) - len(one)), (0, 0))) for one in derived]
    return np.concatenate([series, *padded], axis=1)


_CURVES = _with_derivatives(_LOCUS)
_GRID_MIRED = np.linspace(mired(HOTTEST_K), mired(COOLEST_K), 400)
_GRID = locus(_GRID_MIRED)
