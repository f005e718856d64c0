"""Known-truth flights of the bench of light: each is hard in its own way."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from pipeline.demo.flight import Exposure, FlightSpec

FRAMES = 130
"""More than two periods of the filter at the default settings."""

_PLAIN = FlightSpec(frames=FRAMES, size=(800, 600), speed_m_s=2.5, interval_s=2.0, light_ev=0.3)

FLIGHTS = {
    "calm day": replace(_PLAIN, name="Harbour Wall", seed=11, outlier_frames=(40, 90)),
    "sunset": replace(
        _PLAIN,
        name="Lantern Hill",
        seed=12,
        start_m=(-200.0, 150.0),
        heading_deg=60.0,
        fade_ev=2.0,
        light_ev=0.1,
        cct_k=4600.0,
        drift_mired=30.0,
        outlier_frames=(33, 77),
        sensor=replace(_PLAIN.sensor, exposure=0.9),
    ),
    "broken cloud": replace(
        _PLAIN, name="Reed Marsh", seed=13, start_m=(-560.0, 60.0), heading_deg=75.0, cloud_ev=1.2
    ),
    "water half": replace(
        _PLAIN,
        name="Harbour Wall",
        seed=14,
        start_m=(-420.0, -515.0),
        heading_deg=92.0,
        look_deg=8.0,
        outlier_frames=(25,),
    ),
    "water nearly all": replace(
        _PLAIN,
        name="Harbour Wall",
        seed=14,
        start_m=(-560.0, -560.0),
        heading_deg=100.0,
        look_deg=25.0,
        outlier_frames=(25,),
    ),
    "night": replace(
        _PLAIN,
        name="Harbour Wall",
        seed=15,
        start_m=(-250.0, -420.0),
        exposures=(Exposure(0, Fraction(1), 1.0, 800),),
        sensor=replace(_PLAIN.sensor, exposure=0.03, full_well_e=2500.0, read_noise_e=4.0),
        outlier_frames=(50,),
    ),
    "strong outliers": replace(
        _PLAIN,
        name="Lantern Hill",
        seed=16,
        start_m=(-350.0, -100.0),
        heading_deg=45.0,
        outlier_frames=(10, 30, 31, 50, 52, 70, 90, 91, 92, 110),
        outlier_ev=0.5,
        sensor=replace(_PLAIN.sensor, exposure=0.5),
    ),
    "EXIF steps": replace(
        _PLAIN,
        name="Reed Marsh",
        seed=17,
        start_m=(-450.0, 100.0),
        heading_deg=50.0,
        exposures=(
            Exposure(0, Fraction(1, 8), 0.125),
            Exposure(35, Fraction(1, 15), 0.0625),
            Exposure(70, Fraction(1, 30), 1 / 32),
            Exposure(100, Fraction(1, 15), 0.0625),
        ),
        sensor=replace(_PLAIN.sensor, exposure=0.8),
    ),
    "uneven shutter": replace(
        _PLAIN, name="Harbour Wall", seed=18, start_m=(-300.0, -350.0), uneven_ev=0.15, flicker_ev=0.05
    ),
    "near roofs": replace(
        _PLAIN, name="Harbour Wall", seed=19, start_m=(-330.0, -430.0), height_m=35.0, pitch_deg=-45.0
    ),
}

BOUND_EXCEPT = ("water nearly all",)
"""Flights told without a bound: hardly any ground is in sight, and the pictures' medians stand in."""
