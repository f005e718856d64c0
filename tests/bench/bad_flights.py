"""Flights over Saltmere, each spoiled by one cause at a known strength, small enough to make many.

Pictures are rendered once for each motion and kept; what spoils the light, the lens or the sensor is put
over them afterwards, as the demo records its photos. The strength of a cause is worked out from the truth
alone: from angles, positions and levels, or from the noise-free picture.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable, Container, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.flight import Exposure, FlightSpec, FrameTruth, fly
from pipeline.demo.photograph import camera_levels, record, write_jpeg, write_photo
from pipeline.demo.sensor import Sensor
from pipeline.demo.spoil import Spoiled, spoil
from pipeline.demo.view import expose
from pipeline.demo.world import World, saltmere
from pipeline.measure.blur import texture_map
from pipeline.measure.course import off_course_pct, speed_steps_pct
from pipeline.measure.haze import veil_share
from pipeline.measure.highpass import fast_part

FRAMES = 22
CERTAIN = 2.0
"""From so many times its limit a cause must be named without fail."""

STARTED = datetime(2026, 5, 14, 9, 30, 0, 250_000, UTC)
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


@dataclass(frozen=True)
class Case:
    """One flight: the causes that it carries, and how many times its limit each is, in truth.

    A flight carries several causes that do not touch each other. `also` are causes that may be told or
    not, because they follow from those. `settings` are assignments as of `--set`.
    """

    name: str
    truth: dict[str, float]
    spec: FlightSpec
    settings: tuple[str, ...] = ()
    also: frozenset[str] = frozenset()
    flicker_ev: tuple[float, ...] = ()
    copies: int = 0
    late_s: tuple[tuple[int, float], ...] = ()


@lru_cache(maxsize=1)
def world() -> World:
    return saltmere(texels=2048, texel_m=1.0)


def _motion(spec: FlightSpec) -> FlightSpec:
    """The spec of what the light does before the lens: all that does not move the camera left out."""
    plain = FlightSpec()
    return replace(
        spec,
        **{
            name: getattr(plain, name)
            for name in (
                "spoiled",
                "flicker_ev",
                "outlier_frames",
                "light_ev",
                "fade_ev",
                "wander_mired",
                "sensor",
                "missing",
                "torn",
                "jpegs",
                "vignette_ev",
                "noise",
            )
        },
        exposures=(replace(spec.exposures[0], tag_s=Fraction(1, 2), true_s=spec.exposures[0].true_s),),
    )


@lru_cache(maxsize=2)
def _exposed(motion: FlightSpec) -> tuple[NDArray[np.float16], ...]:
    return tuple(expose(world(), motion, truth).astype(np.float16) for truth in fly(motion))


def radiances(spec: FlightSpec) -> list[NDArray[np.float32]]:
    """The light of every photo of a flight before the lens."""
    return [picture.astype(np.float32) for picture in _exposed(_motion(spec))]


def truths_of(case: Case) -> list[FrameTruth]:
    """What truly happened, with the flicker and the late photos that the case asks for."""
    truths = fly(case.spec)
    if case.flicker_ev:
        truths = [replace(t, flicker_ev=ev) for t, ev in zip(truths, case.flicker_ev, strict=True)]
    for frame, late in case.late_s:
        truths[frame] = replace(truths[frame], time_s=truths[frame].time_s + late)
    return truths


def write_case(case: Case, folder: Path) -> Path:
    """Write the card of a case and return its folder."""
    spec = case.spec
    card = folder / "DCIM" / "100HERON"
    card.mkdir(parents=True)
    for truth, light in zip(truths_of(case), radiances(spec), strict=True):
        if truth.frame in spec.missing:
            continue
        shot = record(light, spec, truth)
        path = card / f"HERN{truth.frame + 1:04d}"
        if spec.jpegs == "only":
            path = path.with_suffix(".JPG")
            write_jpeg(path, shot, spec, truth, started=STARTED)
        else:
            path = path.with_suffix(".DNG")
            write_photo(path, shot, spec, truth, started=STARTED)
        if truth.frame in spec.torn:
            path.write_bytes(path.read_bytes()[: int(0.4 * path.stat().st_size)])
        if truth.frame < case.copies:
            (folder / "COPY").mkdir(exist_ok=True)
            shutil.copy2(path, folder / "COPY" / path.name)
    return folder


def with_card(case: Case, use: Callable[[Path], Any]) -> Any:
    """Write a case to a temporary folder, use it, and delete it."""
    with tempfile.TemporaryDirectory(prefix="evenflight-causes-") as place:
        return use(write_case(case, Path(place)))


# --- the strength of a cause, from the truth ---------------------------------------------------------


def fov_deg(spec: FlightSpec) -> float:
    return float(2 * np.degrees(np.arctan(0.5 * spec.size[0] / spec.focal_px)))


def turn_limit_deg(spec: FlightSpec) -> float:
    return fov_deg(spec) / 7.0 / 30.0


def shake_px(spec: FlightSpec) -> float:
    """RMS of the fast part of the true angles, in px of a picture 1920 wide that keeps 0.95 of the photo."""
    truths = fly(spec)
    focal = spec.focal_px * 1920.0 / (0.95 * spec.size[0])
    yaw = np.unwrap(np.radians([t.yaw_deg for t in truths]))
    pitch, roll = (np.radians([getattr(t, name) for t in truths]) for name in ("pitch_deg", "roll_deg"))
    fast = [fast_part(angle, spec.frames / 2.0) for angle in (yaw, pitch, roll)]
    level = np.cos(np.radians(spec.pitch_deg))
    radius = np.sqrt((1920**2 + 1080**2) / 12.0)
    turn = focal**2 * ((level * fast[0]) ** 2 + fast[1] ** 2)
    lean = radius**2 * (fast[2] ** 2 + ((1 - level**2) ** 0.5 * fast[0]) ** 2)
    return float(np.sqrt(np.mean(turn + lean)))


def drift_pct(spec: FlightSpec) -> float:
    """RMS way off the course from the true positions, per cent of the height."""
    places = np.array([t.position_m for t in fly(spec)])
    off = off_course_pct(np.diff(places, axis=0) / spec.height_m, 60.0)
    return float(np.sqrt(np.mean(off**2)))


def uneven_pct(spec: FlightSpec) -> float:
    """Largest step of the true speed, per cent of the usual speed."""
    way = np.diff(np.array([t.position_m for t in fly(spec)]), axis=0)
    return float(np.nanmax(speed_steps_pct(np.linalg.norm(way, axis=1))))


def flicker_rms(flicker: tuple[float, ...]) -> float:
    return float(np.sqrt(np.mean(fast_part(np.array(flicker), 60.0) ** 2)))


def softening_pct(spec: FlightSpec, frame: int) -> float:
    """Fine contrast that a blur takes from the noise-free picture of a frame, per cent."""
    light = radiances(spec)[frame]
    energy = []
    for picture in (light, spoil(light, spec.spoiled, frame, spec.seed)):
        grey = picture.mean(axis=2)
        if spec.jpegs == "none":  # a RAW is looked at with two by two photosites in one
            grey = cv2.resize(grey, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        code = np.sqrt(np.clip(grey, 0, 1)) * 255
        energy.append(texture_map(code.astype(np.uint8)))
    ratio = np.log2((energy[1] + 1.0) / (energy[0] + 1.0))
    return float(100.0 * (1.0 - 2.0 ** (0.5 * np.median(ratio))))


def veil_pct(spec: FlightSpec) -> float:
    """Veil of the noise-free, unclipped pictures, per cent, as the eye of the sensor would see it."""
    shares = []
    for truth, light in list(zip(fly(spec), radiances(spec), strict=True))[::5]:
        seen = camera_levels(spoil(light, spec.spoiled, truth.frame, spec.seed), spec, truth)
        shares.append(veil_share(np.minimum(seen, 1.0), truth.as_shot_neutral))
    return float(100.0 * np.median(shares))


def clipped_exposure(spec: FlightSpec, share_pct: float) -> float:
    """The sensor exposure at which the worst photo has `share_pct` of its most clipped channel at 0.98."""
    levels = [
        camera_levels(light, spec, truth)
        for truth, light in list(zip(fly(spec), radiances(spec), strict=True))[::4]
    ]
    top = max(float(np.percentile(level[..., c], 100.0 - share_pct)) for level in levels for c in range(3))
    return spec.sensor.exposure * 0.98 / top


def crushed_pct(spec: FlightSpec) -> float:
    """Share of the worst photo that is black in the middle one of its channels, per cent."""
    shares = []
    for truth, light in zip(fly(spec), radiances(spec), strict=True):
        seen = camera_levels(spoil(light, spec.spoiled, truth.frame, spec.seed), spec, truth)
        shares.append(float(np.median(np.mean(seen * spec.sensor.full_well_e < 0.3, axis=(0, 1)))))
    return 100.0 * max(shares)


def smear_pct(spec: FlightSpec) -> float:
    """Median way of the ground in the picture while the shutter is open, per cent of the width."""
    truth = fly(spec)[spec.frames // 2]
    width, height = spec.size
    x, y = np.meshgrid(np.linspace(0, width - 1, 24), np.linspace(0, height - 1, 18))
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    rays = np.stack([(x - middle[0]) / spec.focal_px, (y - middle[1]) / spec.focal_px, np.ones_like(x)])
    world_rays = truth.rotation.T @ rays.reshape(3, -1)
    ground = world_rays[2] < -0.03
    far = -truth.position_m[2] / world_rays[2, ground]
    points = truth.position_m[:, None] + far * world_rays[:, ground]
    gone = truth.position_m + truth.velocity_m_s * truth.exposure.true_s
    moved = truth.rotation @ (points - gone[:, None])
    seen = moved[:2] / moved[2] * spec.focal_px
    start = rays.reshape(3, -1)[:2, ground] * spec.focal_px
    return float(100.0 * np.median(np.hypot(*(seen - start))) / width / 0.95)


def shown_pct(spec: FlightSpec, frame: int, box: tuple[float, float, float, float]) -> float:
    """Least share of the ground under a box of a frame that a later photo shows in its 16:9 middle, per cent.

    The box is left, top, width and height as shares of the photo. A steady view of a calm flight looks as
    the camera does, and keeps 0.95 of the photo's width, as for `shake_px`.
    """
    truths, (width, height) = fly(spec), spec.size
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    x, y = np.meshgrid(*(np.linspace(box[a], box[a] + box[a + 2], 15) for a in (0, 1)))
    pixels = np.stack([x.ravel() * width, y.ravel() * height])
    rays = np.vstack([(pixels - middle[:, None]) / spec.focal_px, np.ones(pixels.shape[1])])
    rays = truths[frame].rotation.T @ rays
    ground = truths[frame].position_m[:, None] - truths[frame].position_m[2] / rays[2] * rays
    half = 0.5 * 0.95 * width / spec.focal_px * np.array([1.0, 9.0 / 16.0])
    shares = []
    for truth in truths[frame:]:
        seen = truth.rotation @ (ground - truth.position_m[:, None])
        shares.append(np.mean(np.all(np.abs(seen[:2] / seen[2]) <= half[:, None], axis=0)))
    return float(100.0 * min(shares))


# --- the cases ---------------------------------------------------------------------------------------


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
