"""Correlated colour temperature and distance from the Planckian locus, through colour-science."""

from __future__ import annotations

import warnings
from functools import cache
from types import ModuleType

import numpy as np
from numpy.typing import ArrayLike, NDArray


@cache
def _colour_science() -> ModuleType:
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
    """
    colour = _colour_science()
    chromaticity = np.asarray(xy, dtype=np.float64)
    uv = colour.UCS_to_uv(colour.XYZ_to_UCS(colour.xy_to_XYZ(chromaticity)))
    return np.asarray(colour.temperature.uv_to_CCT_Ohno2013(uv), dtype=np.float64)


def cct_duv_to_xy(cct_duv: ArrayLike) -> NDArray[np.float64]:
    """Return CIE 1931 chromaticities (..., 2) of CCT in kelvin and Duv (..., 2). Source: as above."""
    colour = _colour_science()
    uv = colour.temperature.CCT_to_uv_Ohno2013(np.asarray(cct_duv, dtype=np.float64))
    return np.asarray(colour.UCS_uv_to_xy(uv), dtype=np.float64)
