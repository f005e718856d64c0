"""Flights over Saltmere, each spoiled by a few causes at a known strength, and undisturbed ones."""

from __future__ import annotations

from collections.abc import Container, Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.demo.flight import Exposure, FlightSpec, fly
from pipeline.demo.sensor import Sensor
from pipeline.demo.spoil import Spoiled
from pipeline.measure.highpass import fast_part
from tests.bench.cause_strengths import (
    clipped_exposure,
    crushed_pct,
    drift_pct,
    flicker_rms,
    shake_px,
    shown_pct,
    smear_pct,
    softening_pct,
    turn_limit_deg,
    uneven_pct,
    veil_pct,
)
from tests.bench.spoiled_flight import Case, radiances

FRAMES = 22
CERTAIN = 2.0
"""From so many times its limit a cause must be named without fail."""

STRENGTHS = (0.55, 0.8, 1.25, 2.6)
"""Of the limit: below it, just under, just over, and beyond twice."""

CALM: dict[str, Any] = {
    "frames": FRAMES,
    "size": (480, 360),
    "shake_deg": 0.006,
    "shake_rate_deg_s": 0.01,
    "jitter_m": 0.02,
    "clock_jitter_s": 0.005,
    "flicker_ev": 0.0015,
    "light_ev": 0.0,
    "wander_mired": 1.0,
    "jpegs": "only",
}

RAW: dict[str, Any] = {"jpegs": "none", "size": (640, 480)}

SCENES: tuple[dict[str, Any], ...] = (
    {"start_m": (-470.0, -495.0), "heading_deg": 86.0, "pitch_deg": -24.0},
    {"start_m": (-560.0, 60.0), "heading_deg": 20.0, "pitch_deg": -35.0, "height_m": 60.0, "speed_m_s": 4.0},
    {
        "start_m": (-300.0, -200.0),
        "heading_deg": 60.0,
        "pitch_deg": -50.0,
        "height_m": 80.0,
        "speed_m_s": 3.2,
    },
    {"start_m": (-420.0, -380.0), "heading_deg": 35.0, "pitch_deg": -30.0, "height_m": 75.0},
)


def calm(scene: int, seed: int, **changes: Any) -> FlightSpec:
    return replace(FlightSpec(seed=seed), **{**CALM, **SCENES[scene % len(SCENES)], **changes})


def white(rms: float, seed: int, frames: int = FRAMES) -> tuple[float, ...]:
    noise = np.random.default_rng(seed).normal(0, 1, frames)
    noise *= rms / flicker_rms(tuple(noise))
    return tuple(float(v) for v in noise)


def shutter(seconds: float) -> tuple[Exposure, ...]:
    return (Exposure(0, Fraction(seconds).limit_denominator(1000), seconds),)


def shaken(base: FlightSpec, strength: float) -> tuple[FlightSpec, float]:
    tried = replace(base, shake_deg=0.03)
    spec = replace(base, shake_deg=0.03 * strength / shake_px(tried))
    return spec, shake_px(spec)


def drifting(base: FlightSpec, strength: float) -> tuple[FlightSpec, float]:
    tried = replace(base, jitter_m=0.25)
    spec = replace(base, jitter_m=0.25 * strength / (drift_pct(tried) / 0.5))
    return spec, drift_pct(spec) / 0.5


def bad_cases(first_seed: int, wanted: Container[str] = ()) -> Iterator[Case]:
    """Four flights of each group of causes, one for each strength and scene; of all groups by default."""
    groups = (_turned, _tilted, _shaken, _uneven, _adrift, _smeared, _clipped, _crushed, _flashing, _passing)
    for g, group in enumerate(groups):
        if not wanted or group.__name__[1:] in wanted:
            for k, strength in enumerate(STRENGTHS):
                yield group(calm(k, first_seed + 10 * g + k), k, strength)


COUNTS = (0, 0, 1, 3)


def beyond_none(count: int) -> float:
    """How many times a limit of nothing is exceeded by a count."""
    return count + 1.0 if count else 0.0


def _turned(base: FlightSpec, k: int, strength: float) -> Case:
    step = strength * turn_limit_deg(base) * (-1.0) ** k
    tag = Fraction(0.5 * 2.0 ** (0.1 * strength)).limit_denominator(4000)
    gone = tuple(range(5, 5 + COUNTS[k]))
    spec = replace(
        base,
        yaw_steps=((13, step),),
        exposures=(*base.exposures, Exposure(10, tag, float(tag))),
        missing=gone,
    )
    truth = {"heading_step": strength, "exposure_change": strength, "missing": beyond_none(len(gone))}
    return Case("turned", truth, spec)


def _tilted(base: FlightSpec, k: int, strength: float) -> Case:
    spec = replace(
        base,
        pitch_steps=((11, strength * turn_limit_deg(base)),),
        roll_deg=strength * (-1.0) ** k,
        torn=tuple(range(17, 17 + COUNTS[k])),
        exposures=shutter(2.0 * 30.0 / strength / 360.0),
    )
    truth = {
        "pitch_step": strength,
        "horizon_tilt": strength,
        "torn": beyond_none(COUNTS[k]),
        "shutter_short": strength,
    }
    return Case("tilted", truth, spec)


def _shaken(base: FlightSpec, k: int, strength: float) -> Case:
    # As wide as the pictures that real flights are looked at in: a spot is judged by blocks of 16 px.
    spec, ratio = shaken(replace(base, size=(960, 720)), strength)
    spot = (0.35 + 0.1 * k, 0.45, 0.06, 0.08 * strength)
    spec = replace(spec, spoiled=Spoiled(spot=spot))
    late = ((11, 0.25 * strength * base.interval_s),)
    truth = {"shake": ratio, "lens_spot": strength, "interval_irregular": strength}
    also = frozenset({"missing"})  # a photo so late may as well be the next but one
    return Case("shaken", truth, spec, late_s=late, also=also)


def _uneven(base: FlightSpec, k: int, strength: float) -> Case:
    spec = replace(base, speed_changes=((14, 1.0 - 0.2 * strength),))
    flicker = white(0.006 * strength, spec.seed)
    truth = {
        "uneven_speed": strength,
        "exposure_flicker": strength,
        "duplicate": beyond_none(COUNTS[k]),
        "interval_irregular": strength,
    }
    write_s = (f"diagnose.write_s={base.interval_s * strength}",)
    return Case("uneven", truth, spec, flicker_ev=flicker, copies=COUNTS[k], settings=write_s)


def _adrift(base: FlightSpec, k: int, strength: float) -> Case:
    spec, ratio = drifting(base, strength)
    blade = Spoiled(propeller_frames=(4, 10, 17), propeller_share=0.15 * strength)
    veil = 0.1
    for _ in range(3):  # what a veil does to contrast depends on how bright the scene is
        seen = veil_pct(replace(spec, spoiled=Spoiled(veil=veil))) / 20.0
        veil = float(np.clip(veil * strength / seen, 0.01, 0.6))
    spec = replace(spec, spoiled=replace(blade, veil=veil))
    truth = {"position_drift": ratio, "propeller_shadow": strength, "haze": veil_pct(spec) / 20.0}
    # Who strays in all directions is now early, now late.
    truth["uneven_speed"] = uneven_pct(spec) / 20.0
    return Case("adrift", truth, spec)


def _smeared(base: FlightSpec, k: int, strength: float) -> Case:
    spec = replace(base, **RAW, pitch_deg=-60.0, speed_m_s=2.5, exposures=shutter(1.0))
    spec = replace(spec, exposures=shutter(min(strength / smear_pct(spec), 1.9)))
    wander = replace(spec, wander_mired=10.0)
    mired = np.array([1e6 / t.as_shot_cct_k for t in fly(wander)])
    rms = float(np.sqrt(np.mean(fast_part(mired, 60.0) ** 2)))  # as the measure is defined: its fast part
    spec = replace(spec, wander_mired=10.0 * 5.0 * strength / rms)
    spec = replace(spec, sensor=Sensor(hot_photosites=(0, 0, 3, 40)[k]))
    truth = {
        "shutter_long": smear_pct(spec),
        "auto_white_balance": strength,
        "hot_pixel": beyond_none((0, 0, 3, 40)[k]),
    }
    return Case("smeared", truth, spec, also=frozenset({"soft"}))


def _clipped(base: FlightSpec, k: int, strength: float) -> Case:
    spec = replace(base, **RAW)
    spec = replace(spec, sensor=Sensor(exposure=clipped_exposure(spec, 2.0 * strength)))
    soft = Spoiled(soft_px=(0.8, 1.1, 1.7, 4.0)[k], soft_frames=(7, 15))
    spec = replace(spec, spoiled=soft)
    truth = {"sky_clipped": strength, "soft": softening_pct(spec, 7) / 20.0}
    return Case("clipped", truth, spec)


def _crushed(base: FlightSpec, k: int, strength: float) -> Case:
    # Without noise, for that would lift half of what is at black.
    spec = replace(base, **RAW, fade_ev=strength, noise=False)
    lights = radiances(spec)[::4]
    cut = float(min(np.percentile(np.max(light, axis=2), 2.0 * strength) for light in lights))
    spec = replace(spec, spoiled=Spoiled(cut_off=cut))
    return Case("crushed", {"ground_crushed": crushed_pct(spec) / 2.0, "light_change": strength}, spec)


def _flashing(base: FlightSpec, k: int, strength: float) -> Case:
    """The light goes up and down by a stop so many times a second; below the limit it still flickers."""
    half = 15.0 / (1.5, 2.5, 5.5, 10.0)[k]
    levels = tuple(0.9 * (int(frame / half) % 2) for frame in range(FRAMES))
    bright = replace(base, sensor=Sensor(exposure=0.9))
    also = frozenset({"exposure_flicker", "sky_clipped", "light_change"})
    changes = sum(a != b for a, b in pairwise(levels))
    return Case("flashing", {"flashing": changes / 2.0 / 3.0}, bright, flicker_ev=levels, also=also)


def _passing(base: FlightSpec, k: int, strength: float) -> Case:
    """The drone flies on and what the flight is about is left behind, below the picture, to some part."""
    base = replace(base, speed_m_s=1.5)
    named, low, high = 5, 0.2, 0.75
    box = (0.3 + 0.1 * k, low, 0.16, 0.16)
    for _ in range(20):
        box = (box[0], 0.5 * (low + high), box[2], box[3])
        low, high = (low, box[1]) if shown_pct(base, named, box) < 50.0 / strength else (box[1], high)
    share = shown_pct(base, named, box)
    told = ", ".join(f"{value:.4f}" for value in box)
    subject = (f"diagnose.subject=[{named}, {told}]",)
    return Case("passing", {"subject_lost": 50.0 / max(share, 1.0)}, base, settings=subject)


def clean_cases(first_seed: int, count: int = 20) -> Iterator[Case]:
    """Flights that nothing disturbs, each its own way, course and light."""
    for k in range(count):
        spec = calm(k, first_seed + k, turn_deg=(0.0, 3.0, -4.0, 2.0)[(k // 4) % 4])
        yield Case("clean", {}, replace(spec, **RAW) if k % 4 == 0 else spec)
