"""Shutter, filter and interval: how long to expose, and which neutral density filter makes it so."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.errors import UsageError

# The factors by which the filters on sale dim, as their names tell: common practice, no source.
ND_FACTORS = (2, 4, 8, 16, 32, 64, 128, 256, 512, 1000)

# (interval, longest shutter) in seconds: a 2 s interval allows about 1/3 s, 3 s allows 1 s and more.
# Common practice, no source: between two exposures the camera must store the photo and the drone move on.
_PRACTICE_S = ((2.0, 1.0 / 3.0), (3.0, 1.0))

INTERVAL_STEP_S = 0.5
_LONGEST_INTERVAL_S = 60.0


@dataclass(frozen=True)
class Exposure:
    """The settings of one exposure."""

    shutter_s: float
    aperture: float
    iso: float

    @property
    def ev100(self) -> float:
        """The light that these settings suit: log2(N² / t) − log2(S / 100).

        ISO 2720 and APEX (Exif 3.0 annex C): Av + Tv = Bv + Sv, counted from ISO 100.
        """
        return math.log2(100.0 * self.aperture * self.aperture / (self.shutter_s * self.iso))


def shutter_for(ev100: float, aperture: float, iso: float) -> float:
    """Return the shutter in s that suits light of `ev100`: t = N² · 100 / (S · 2^EV) (ISO 2720)."""
    return aperture * aperture * 100.0 / (iso * math.exp2(ev100))


def filter_stops(factor: float) -> float:
    """Return how many stops a filter dims that lets 1/factor of the light through."""
    return math.log2(factor)


def longest_shutter_s(interval_s: float, busy_s: float | None = None) -> float:
    """Return the longest shutter in s that leaves the camera time before the next photo.

    `busy_s` is the time the camera needs between the end of one exposure and the start of the next,
    where it is known. Otherwise by common practice (no source): 1/3 s at an interval of 2 s, 1 s at 3 s,
    2 s less than the interval beyond, and a sixth of it below 2 s.

    Raises UsageError where the interval leaves no time at all.
    """
    if busy_s is not None:
        if interval_s <= busy_s:
            raise UsageError(
                f"an interval of {interval_s:g} s leaves no time for an exposure beside the {busy_s:g} s "
                "that the camera is busy: choose a longer one"
            )
        return interval_s - busy_s
    (low, short), (high, long) = _PRACTICE_S
    if interval_s <= low:
        return short * interval_s / low
    if interval_s <= high:
        return short + (long - short) * (interval_s - low) / (high - low)
    return long + interval_s - high


def interval_for(shutter_s: float, busy_s: float | None = None) -> float:
    """Return the shortest interval in s, in steps of half a second from 1 s, that allows `shutter_s`.

    Raises UsageError where a minute is not enough.
    """
    for step in range(2, round(_LONGEST_INTERVAL_S / INTERVAL_STEP_S) + 1):
        interval_s = step * INTERVAL_STEP_S
        enough = busy_s is None or interval_s > busy_s
        if enough and longest_shutter_s(interval_s, busy_s) >= shutter_s * (1.0 - 1e-9):
            return interval_s
    raise UsageError(f"no interval up to {_LONGEST_INTERVAL_S:g} s allows a shutter of {shutter_s:g} s")


def shutter_angle_deg(shutter_s: float, interval_s: float) -> float:
    """Return 360° × shutter / interval: the share of the video's time in which light was gathered."""
    return 360.0 * shutter_s / interval_s


@dataclass(frozen=True)
class FilterChoice:
    """A neutral density filter and the shutter it gives.

    `factor` is 1 for none. `off_ev` is how much longer (+) or shorter (−) the shutter is than wished, in
    stops; more than half a stop is better made up with aperture or ISO.
    """

    factor: int
    stops: float
    shutter_s: float
    off_ev: float


def choose_filter(
    ev100: float, aperture: float, iso: float, wished_s: float, longest_s: float
) -> FilterChoice:
    """Return the filter whose shutter comes nearest to `wished_s` without passing `longest_s`.

    Where even without a filter the shutter is too long, none is chosen and `off_ev` tells by how much.
    """
    bare = shutter_for(ev100, aperture, iso)
    fitting = [factor for factor in (1, *ND_FACTORS) if bare * factor <= longest_s * 1.03] or [1]
    factor = min(fitting, key=lambda f: abs(math.log2(bare * f / wished_s)))
    return FilterChoice(factor, filter_stops(factor), bare * factor, math.log2(bare * factor / wished_s))


def filter_name(factor: int) -> str:
    """Return the filter's common name, or "no filter"."""
    return "no filter" if factor == 1 else f"ND{factor}"


def shutter_text(shutter_s: float) -> str:
    """Return a shutter as cameras show it: 1/60 s, 0.5 s, 2 s."""
    if shutter_s < 0.4:
        return f"1/{round(1.0 / shutter_s)} s"
    return f"{shutter_s:.2g} s"
