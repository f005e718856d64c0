"""Height of the sun during the flight, and the light to expect from it."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

Sky = Literal["clear", "partly", "overcast"]

# Daylight on level ground, klx, over the sun's height h (IES RP-21, from memory): the sun gives
# 127.5 exp(−c / sin h) sin h, the sky A + B sin(h)^C.
_EXTRATERRESTRIAL_KLX = 127.5
_SKIES: dict[Sky, tuple[float, float, float, float]] = {
    "clear": (0.21, 0.8, 15.5, 0.5),
    "partly": (0.80, 0.3, 45.0, 1.0),
    "overcast": (math.inf, 0.3, 21.0, 1.0),
}
# At the end of civil twilight, with the sun 6° below the horizon, about 3.4 lx are left (from memory).
_CIVIL_DEG, _CIVIL_KLX = -6.0, 0.0034
# ISO 2720: an incident-light meter with a flat receptor reads EV = log2(E S / C), C = 250 lx.
_METER_CONSTANT = 250.0


def daylight_ev100(sun_height_deg: float, sky: Sky) -> float | None:
    """Return the exposure value at ISO 100 of level ground in daylight; None below civil twilight.

    An approximation for a scene as bright as an average one under that light, good to about a stop.
    Between sunset and civil twilight the stops fall evenly with the sun's height.
    """
    if sun_height_deg < _CIVIL_DEG:
        return None
    extinction, base, scale, power = _SKIES[sky]
    if sun_height_deg >= 0.0:
        sine = math.sin(math.radians(sun_height_deg))
        direct = _EXTRATERRESTRIAL_KLX * math.exp(-extinction / sine) * sine if sine > 1e-6 else 0.0
        klx = direct + base + scale * sine**power
    else:
        share = sun_height_deg / _CIVIL_DEG
        klx = base ** (1.0 - share) * _CIVIL_KLX**share
    return math.log2(klx * 1000.0 * 100.0 / _METER_CONSTANT)


def sun_height_deg(latitude_deg: float, longitude_deg: float, when: datetime) -> float:
    """Return the sun's height above the horizon in degrees, refraction included (astral, after NOAA).

    `when` has its zone.
    """
    from astral import Observer
    from astral.sun import elevation

    return float(elevation(Observer(latitude_deg, longitude_deg), when))


@dataclass(frozen=True)
class Light:
    """The sun at start and end of a flight. `change_ev` is negative where it gets darker.

    `sunrise` and `sunset` are of the calendar day of the start in its own zone; None where the sun does
    not rise or set, or where the flight is too far from them to matter.
    """

    start_height_deg: float
    end_height_deg: float
    start_ev100: float | None
    end_ev100: float | None
    sunrise: datetime | None
    sunset: datetime | None

    @property
    def change_ev(self) -> float | None:
        """How much the light changes during the flight, in stops."""
        if self.start_ev100 is None or self.end_ev100 is None:
            return None
        return self.end_ev100 - self.start_ev100


def light_during(
    latitude_deg: float, longitude_deg: float, start: datetime, seconds: float, sky: Sky
) -> Light:
    """Return the light at both ends of a flight of `seconds` that begins at `start` (with its zone)."""
    ends = [start, start + timedelta(seconds=seconds)]
    heights = [sun_height_deg(latitude_deg, longitude_deg, when) for when in ends]
    rise, fall = (_event(latitude_deg, longitude_deg, start, name) for name in ("sunrise", "sunset"))
    return Light(
        start_height_deg=heights[0],
        end_height_deg=heights[1],
        start_ev100=daylight_ev100(heights[0], sky),
        end_ev100=daylight_ev100(heights[1], sky),
        sunrise=rise,
        sunset=fall,
    )


def _event(latitude_deg: float, longitude_deg: float, day: datetime, name: str) -> datetime | None:
    from astral import Observer, sun

    assert day.tzinfo is not None
    try:
        found = getattr(sun, name)(Observer(latitude_deg, longitude_deg), day.date(), tzinfo=day.tzinfo)
    except ValueError:  # the sun stays up or down all day
        return None
    return found if isinstance(found, datetime) else None
