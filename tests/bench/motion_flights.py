"""Known-truth flights of the bench of motion: each is hard in its own way (invented)."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from pipeline.demo.flight import Exposure, FlightSpec

FRAMES = 48
_HEIGHT_M = 70.0
_INTERVAL_S = 2.0


def _speed(share_of_height: float, height_m: float = _HEIGHT_M) -> float:
    """Speed [m/s] at which that share of the height is flown between two photos."""
    return share_of_height * height_m / _INTERVAL_S


# 0.5° RMS shake about each axis, a 3° yaw step, and position jitter (design, section 9)
_SHAKEN = FlightSpec(
    frames=FRAMES,
    size=(800, 600),
    interval_s=_INTERVAL_S,
    height_m=_HEIGHT_M,
    yaw_steps=((FRAMES // 2, 3.0),),
    jitter_m=0.1,
    speed_m_s=_speed(0.06),
)

COAST = "coast in a quarter of the picture"
OPEN_SEA = "open sea from above"

FLIGHTS = {
    "straight": replace(_SHAKEN, name="Harbour Wall", seed=21),
    "straight, 1 % of the height a photo": replace(
        _SHAKEN, name="Harbour Wall", seed=22, speed_m_s=_speed(0.01)
    ),
    "straight, 10 %": replace(_SHAKEN, name="Harbour Wall", seed=23, speed_m_s=_speed(0.10)),
    "place jitter of 1 % of the height": replace(
        _SHAKEN, name="Harbour Wall", seed=24, jitter_m=0.01 * _HEIGHT_M
    ),
    "orbit round the tower": replace(
        _SHAKEN,
        name="Harbour Wall",
        seed=25,
        start_m=(22.0, -744.0),
        heading_deg=0.0,
        turn_deg=90.0,
        look_deg=90.0,
        speed_m_s=1.2,
        height_m=55.0,
    ),
    "rising": replace(
        _SHAKEN,
        name="Lantern Hill",
        seed=26,
        start_m=(-200.0, 150.0),
        heading_deg=60.0,
        climb_m_s=0.6,
        height_m=40.0,
    ),
    "curve with four waypoints": replace(
        _SHAKEN,
        name="Reed Marsh",
        seed=27,
        start_m=(-560.0, 60.0),
        heading_deg=75.0,
        turn_deg=60.0,
        yaw_steps=((10, 3.0), (19, -2.0), (29, 3.0), (38, -3.0)),
    ),
    "low over buildings": replace(
        _SHAKEN, name="Harbour Wall", seed=28, height_m=32.0, speed_m_s=_speed(0.06, 32.0)
    ),
    "sea with little texture": replace(
        _SHAKEN, name="Harbour Wall", seed=29, start_m=(-560.0, -560.0), heading_deg=100.0, look_deg=25.0
    ),
    # Land in a quarter of the picture alone: beyond the design's flights, and held to what its tags tell.
    # Which of its few matches are found decides: pictures with red and blue 1/8 px off leave 0.2 to 0.6.
    COAST: replace(
        _SHAKEN,
        name="Harbour Wall",
        seed=32,
        size=(1600, 1200),
        start_m=(751.0, -360.0),
        heading_deg=26.0,
        pitch_deg=-60.0,
    ),
    # nothing that lasts from photo to photo, and no horizon
    OPEN_SEA: replace(
        _SHAKEN, name="Harbour Wall", seed=31, start_m=(-700.0, -960.0), heading_deg=80.0, pitch_deg=-60.0
    ),
    # photos of 800 px are looked at 400 px wide, where this noise leaves 0.43 px; a camera's are 1,000 wide
    "night": replace(
        _SHAKEN,
        name="Harbour Wall",
        seed=30,
        size=(1600, 1200),
        exposures=(Exposure(0, Fraction(1), 1.0, 800),),
        sensor=replace(_SHAKEN.sensor, exposure=0.03, full_well_e=2500.0, read_noise_e=4.0),
    ),
}
