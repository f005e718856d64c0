"""Correlated colour temperature and distance from the Planckian locus, through colour-science."""

from __future__ import annotations

import warnings
from functools import cache
from types import ModuleType

import numpy as np
from numpy.typing import ArrayLike, NDArray

from pipeline.colour.whites import D65_XY

COOLEST_K, HOTTEST_K = 1100.0, 60000.0
"""Where the CCT is defined well: a little inside the table that colour-science searches."""


@cache
def colour_science() -> ModuleType:
    """Import colour-science when first needed (about 0.6 s), without its remark on absent plotting."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    return colour


def mired(cct_k: ArrayLike) -> NDArray[np.float64]:
    """Return reciprocal megakelvins of kelvins, and kelvins of reciprocal megakelvins; any shape."""
    return 1e6 / np.asarray(cct_k, dtype=np.float64)


def xy_to_cct_duv(xy: ArrayLike) -> NDArray[np.float64]:
    """Return CCT in kelvin and Duv (..., 2) of CIE 1931 chromaticities (..., 2).

    Source: Ohno, Practical use and calculation of CCT and Duv, LEUKOS 10(1), 2013, in colour-science.
    Beyond 1100 K or 60000 K the CCT returned is that bound, and Duv is NaN; NaN gives NaN.
    """
    colour = colour_science()
    chromaticity = np.asarray(xy, dtype=np.float64)
    cooler, hotter = _beyond(chromaticity)
    unknown = np.isnan(chromaticity).any(axis=-1)
    inside = np.where((cooler | hotter | unknown)[..., np.newaxis], D65_XY, chromaticity)
    uv = colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ(inside)))
    found = np.asarray(colour.temperature.uv_to_CCT_Ohno2013(uv), dtype=np.float64)
    found[cooler] = COOLEST_K, np.nan
    found[hotter] = HOTTEST_K, np.nan
    found[unknown] = np.nan
    return found


def cct_duv_to_xy(cct_duv: ArrayLike) -> NDArray[np.float64]:
    """Return CIE 1931 chromaticities (..., 2) of CCT in kelvin and Duv (..., 2). Source: as above."""
    colour = colour_science()
    uv = colour.temperature.CCT_to_uv_Ohno2013(np.asarray(cct_duv, dtype=np.float64))
    return np.asarray(colour.UCS_uv_to_xy(uv), dtype=np.float64)


def _beyond(xy: NDArray[np.float64]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Return where chromaticities lie beyond the isotemperature lines of the coolest and hottest CCT.

    Those lines cross the locus at right angles in CIE 1960 uv. A chromaticity that no light has (of a
    neutral with a channel near zero, say) would make the search in colour-science warn and guess.
    """
    x, y = xy[..., 0], xy[..., 1]
    uv = np.stack([4.0 * x, 6.0 * y], axis=-1) / (-2.0 * x + 12.0 * y + 3.0)[..., np.newaxis]
    (cool, cool_way), (hot, hot_way) = _ends()
    return np.asarray((uv - cool) @ cool_way < 0.0), np.asarray((uv - hot) @ hot_way > 0.0)


@cache
def _ends() -> list[tuple[NDArray[np.float64], NDArray[np.float64]]]:
    """Return uv of the coolest and hottest CCT on the locus, each with the locus's way to hotter light."""
    colour = colour_science()
    steps = [[[end_k, 0.0], [end_k * 1.01, 0.0]] for end_k in (COOLEST_K, HOTTEST_K)]
    uv = np.asarray(colour.temperature.CCT_to_uv_Ohno2013(np.array(steps)))
    return [(first, second - first) for first, second in uv]
