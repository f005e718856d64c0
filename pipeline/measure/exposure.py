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


_SNAP_EV = 0.12


def whole_ev(shutter_s: float | None, aperture: float | None, iso: float | None) -> float | None:
    """Return `captured_ev` of the settings that nominal tags stand for: exact thirds of a stop.

    A shutter told as 1/15 is 1/16 by its APEX value, f/2.8 is 2**1.5, ISO 125 is 100 * 2**(1/3)
    (Exif 3.0 annex C; ISO 2720): tags are rounded to the customary numbers. What lies further than
    0.12 EV from a third is taken as told.
    """
    told = captured_ev(shutter_s, aperture, iso)
    if told is None or shutter_s is None or aperture is None or iso is None:
        return None
    exact = told
    for value_ev in (math.log2(shutter_s), -2.0 * math.log2(aperture), math.log2(iso / 100.0)):
        third = round(3.0 * value_ev) / 3.0
        if abs(third - value_ev) <= _SNAP_EV:
            exact += third - value_ev
    return exact
