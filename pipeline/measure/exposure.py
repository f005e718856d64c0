"""The exposure that a camera's settings make, in EV."""

from __future__ import annotations

import math


def captured_ev(shutter_s: float | None, aperture: float | None, iso: float | None) -> float | None:
    """Return log2(t S / (100 N²)): how bright a scene is recorded, larger = brighter.

    That is −(Av + Tv − Sv) with Av = log2 N², Tv = −log2 t and Sv = log2(S / 3.125) of APEX
    (Exif 3.0 annex C; ISO 2720), counted from ISO 100, so it is −Ev at ISO 100. 1 s at f/1 and ISO 100
    is 0. None where a setting is unknown.
    """
    if shutter_s is None or aperture is None or iso is None:
        return None
    return math.log2(shutter_s * iso / (100.0 * aperture**2))
