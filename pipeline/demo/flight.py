"""A flight: what was asked for (FlightSpec) and what then truly happened in each photo (FrameTruth).

World axes are metres east, north and up. Camera axes are x right, y down, z forward.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.sensor import Sensor, camera_neutral
from pipeline.demo.spoil import Spoiled

Float3 = tuple[float, float, float]


@dataclass(frozen=True)
class Exposure:
    """The exposure from photo `frame` on: `tag_s` is what EXIF says, `true_s` the shutter's true time."""

    frame: int
    tag_s: Fraction
    true_s: float
    iso: int = 100
    f_number: Fraction = Fraction(28, 10)


@dataclass(frozen=True)
class FlightSpec:
    """All that defines a synthetic flight; two equal specs give the same files.

    The drone flies at `speed_m_s` and `height_m`, climbing by `climb_m_s`, from `start_m` (east, north)
    in the direction `heading_deg` and turns evenly by `turn_deg` in the whole flight (360 with
    `look_deg` of ±90 is an orbit). The camera looks `look_deg` to the right of the course, pitched by
    `pitch_deg`.
    `shake_deg` is the RMS of a white error of each of yaw, pitch and roll; `shake_rate_deg_s` the RMS
    rate about each axis while the shutter is open; `jitter_m` the RMS position error of each axis;
    `yaw_steps` and `pitch_steps` add so many degrees from a frame on, `roll_deg` leans all photos, and
    `speed_changes` multiplies the speed by a factor from a frame on. `spoiled` says what spoils the
    pictures. `flicker_ev` is the RMS of a white exposure error; those of `outlier_frames` get
    `outlier_ev` more (first, third …) or less. `uneven_ev` is the RMS of a
    white difference of exposure between the top and the bottom of the picture (an uneven shutter).
    `light_ev` bounds the slow change of light, `fade_ev` is lost evenly over the flight (dusk), shadows of
    cloud are `cloud_ev` deep. `drift_mired` is the true slow change of the light's colour over the flight,
    `wander_mired` bounds the wander of the as-shot neutral. `vignette_ev` are a1, a2, a3 of the loss in EV.
    `outlier_frames`, `missing` and `torn` are frame numbers. `jpegs`: "some" photos get a JPEG twin of
    half the size, or "only" JPEGs of full size are written, the as-shot neutral baked in.
    """

    name: str = "Harbour Wall"
    seed: int = 7
    frames: int = 90
    size: tuple[int, int] = (1600, 1200)
    focal_35mm_mm: int = 24
    interval_s: float = 2.0
    height_m: float = 70.0
    speed_m_s: float = 4.5
    climb_m_s: float = 0.0
    start_m: tuple[float, float] = (-470.0, -495.0)
    heading_deg: float = 86.0
    turn_deg: float = 0.0
    look_deg: float = 0.0
    pitch_deg: float = -24.0
    shake_deg: float = 0.5
    shake_rate_deg_s: float = 0.1
    jitter_m: float = 0.3
    clock_jitter_s: float = 0.015
    yaw_steps: tuple[tuple[int, float], ...] = ()
    pitch_steps: tuple[tuple[int, float], ...] = ()
    roll_deg: float = 0.0
    speed_changes: tuple[tuple[int, float], ...] = ()
    spoiled: Spoiled = field(default_factory=Spoiled)
    exposures: tuple[Exposure, ...] = (Exposure(0, Fraction(1, 2), 0.5),)
    flicker_ev: float = 0.08
    outlier_frames: tuple[int, ...] = ()
    outlier_ev: float = 0.5
    uneven_ev: float = 0.0
    light_ev: float = 0.3
    fade_ev: float = 0.0
    cloud_ev: float = 0.0
    cct_k: float = 5400.0
    drift_mired: float = 0.0
    wander_mired: float = 25.0
    vignette_ev: Float3 = (0.12, 0.06, 0.0)
    sensor: Sensor = field(default_factory=Sensor)
    noise: bool = True
    missing: tuple[int, ...] = ()
    torn: tuple[int, ...] = ()
    jpegs: Literal["none", "some", "only"] = "none"

    @property
    def focal_px(self) -> float:
        """Focal length in px; the 35 mm equivalent is by the diagonal, as CIPA DCG-001 defines it."""
        return float(self.focal_35mm_mm * np.hypot(*self.size) / np.hypot(36.0, 24.0))

    @property
    def duration_s(self) -> float:
        """Seconds from the first photo to the last."""
        return (self.frames - 1) * self.interval_s


@dataclass(frozen=True)
class FrameTruth:
    """What truly happened in one photo. Positions and angles are those of the middle of the exposure.

    `rotation` maps directions of the world to the camera. `velocity_m_s` (world) and
    `spin_rad_s` (camera axes) hold while the shutter is open, constant as the camera sees them.
    The total gain of the picture is the sum of the four parts in EV; its bottom has `uneven_ev` more than
    its top, its middle row none.
    """

    frame: int
    time_s: float
    position_m: NDArray[np.float64]
    rotation: NDArray[np.float64]
    yaw_deg: float
    pitch_deg: float
    roll_deg: float
    velocity_m_s: NDArray[np.float64]
    spin_rad_s: NDArray[np.float64]
    exposure: Exposure
    light_ev: float
    flicker_ev: float
    uneven_ev: float
    exif_ev: float
    tag_error_ev: float
    cct_k: float
    as_shot_cct_k: float

    @property
    def gain_ev(self) -> float:
        """Total gain in EV, relative to the first exposure's tags and to the middle of the light."""
        return self.light_ev + self.flicker_ev + self.exif_ev + self.tag_error_ev

    @property
    def as_shot_neutral(self) -> Float3:
        """Camera RGB of what the camera took for neutral, green = 1."""
        return camera_neutral(self.as_shot_cct_k)


def rotation_of(yaw_deg: float, pitch_deg: float, roll_deg: float) -> NDArray[np.float64]:
    """World (east, north, up) to camera (right, down, forward), 3×3, of a yaw, pitch and roll.

    Yaw is clockwise from north, pitch up from the horizon, roll clockwise as seen from behind the camera.
    """
    yaw, pitch, roll = np.radians([yaw_deg, pitch_deg, roll_deg])
    forward = np.array([np.sin(yaw) * np.cos(pitch), np.cos(yaw) * np.cos(pitch), np.sin(pitch)])
    right = np.array([np.cos(yaw), -np.sin(yaw), 0.0])
    down = np.cross(forward, right)
    return np.array(
        [
            np.cos(roll) * right + np.sin(roll) * down,
            np.cos(roll) * down - np.sin(roll) * right,
            forward,
        ]
    )


def fly(spec: FlightSpec) -> list[FrameTruth]:
    """Work out every photo of a flight, in order."""
    rng = np.random.default_rng([spec.seed, 1])
    n = spec.frames
    clock = np.arange(n) * spec.interval_s + np.clip(rng.normal(0, 1, n), -2, 2) * spec.clock_jitter_s
    clock[0] = 0.0
    shake = rng.normal(0, spec.shake_deg, (n, 3))
    spins = np.radians(rng.normal(0, spec.shake_rate_deg_s, (n, 3)))
    jitter = rng.normal(0, spec.jitter_m, (n, 3))
    flicker = rng.normal(0, spec.flicker_ev, n)
    for index, frame in enumerate(spec.outlier_frames):
        flicker[frame] += spec.outlier_ev if index % 2 == 0 else -spec.outlier_ev
    light = _slow_light(spec, clock, rng)
    light -= spec.fade_ev * clock / max(spec.duration_s, 1e-9)
    uneven = np.random.default_rng([spec.seed, 6]).normal(0, spec.uneven_ev, n)
    wander = _wander(spec, rng)
    truths = []
    for frame in range(n):
        position, course_deg = _course(spec, _flown_s(spec, clock[frame]))
        yaw = course_deg + spec.look_deg + shake[frame, 0]
        yaw += sum(step for at, step in spec.yaw_steps if frame >= at)
        pitch, roll = spec.pitch_deg + shake[frame, 1], spec.roll_deg + shake[frame, 2]
        pitch += sum(step for at, step in spec.pitch_steps if frame >= at)
        rotation = rotation_of(yaw, pitch, roll)
        course = np.radians(course_deg)
        turn = np.array([0, 0, -np.radians(_turn_rate_deg_s(spec))])  # clockwise is about "down"
        exposure = [e for e in spec.exposures if e.frame <= frame][-1]
        first = spec.exposures[0]
        mired = 1e6 / spec.cct_k + spec.drift_mired * _progress(spec, clock[frame])
        truths.append(
            FrameTruth(
                frame=frame,
                time_s=float(clock[frame]),
                position_m=position + jitter[frame],
                rotation=rotation,
                yaw_deg=float(yaw % 360),
                pitch_deg=float(pitch),
                roll_deg=float(roll),
                velocity_m_s=_speed_factor(spec, frame)
                * np.array([*(spec.speed_m_s * np.array([np.sin(course), np.cos(course)])), spec.climb_m_s]),
                spin_rad_s=rotation @ turn + spins[frame],
                exposure=exposure,
                light_ev=float(light[frame]),
                flicker_ev=float(flicker[frame]),
                uneven_ev=float(uneven[frame]),
                exif_ev=_exposure_ev(exposure, float(exposure.tag_s))
                - _exposure_ev(first, float(first.tag_s)),
                tag_error_ev=float(np.log2(exposure.true_s / float(exposure.tag_s))),
                cct_k=float(1e6 / mired),
                as_shot_cct_k=float(1e6 / (mired + wander[frame])),
            )
        )
    return truths


def _exposure_ev(exposure: Exposure, shutter_s: float) -> float:
    """Light gathered, in EV: log2(t · ISO / N²) (ISO 2720, Exif 3.0 annex C)."""
    return float(np.log2(shutter_s * exposure.iso / float(exposure.f_number) ** 2))


def _progress(spec: FlightSpec, time_s: float) -> float:
    """From -0.5 to 0.5 over the flight, easing in and out."""
    share = min(max(time_s / max(spec.duration_s, 1e-9), 0.0), 1.0)
    return float(-0.5 * np.cos(np.pi * share))


def _turn_rate_deg_s(spec: FlightSpec) -> float:
    return spec.turn_deg / max(spec.duration_s, 1e-9)


def _speed_factor(spec: FlightSpec, frame: int) -> float:
    return float(np.prod([factor for at, factor in spec.speed_changes if frame >= at]))


def _flown_s(spec: FlightSpec, time_s: float) -> float:
    """Seconds that the flight to this place would have taken without changes of speed."""
    flown = time_s
    for at, factor in spec.speed_changes:
        later = max(time_s - at * spec.interval_s, 0.0)
        flown += (factor - 1) * _speed_factor(spec, at) / factor * later
    return flown


def _course(spec: FlightSpec, time_s: float) -> tuple[NDArray[np.float64], float]:
    """Position (3,) in metres and direction of flight in degrees: a straight line or an arc."""
    rate = np.radians(_turn_rate_deg_s(spec))
    heading = np.radians(spec.heading_deg)
    now = heading + rate * time_s
    if abs(rate) < 1e-9:
        along = np.array([np.sin(heading), np.cos(heading)]) * time_s
    else:
        along = np.array([np.cos(heading) - np.cos(now), np.sin(now) - np.sin(heading)]) / rate
    east, north = np.array(spec.start_m) + spec.speed_m_s * along
    return np.array([east, north, spec.height_m + spec.climb_m_s * time_s]), float(np.degrees(now))


def _slow_light(
    spec: FlightSpec, clock: NDArray[np.float64], rng: np.random.Generator
) -> NDArray[np.float64]:
    """Two slow waves, 1.6 and 0.9 flights long, within ± light_ev."""
    share = clock / max(spec.duration_s, 1e-9)
    phases = rng.uniform(0, 2 * np.pi, 2)
    wave = 0.65 * np.sin(2 * np.pi * share / 1.6 + phases[0])
    wave += 0.35 * np.sin(2 * np.pi * share / 0.9 + phases[1])
    return np.asarray(spec.light_ev * wave)


def _wander(spec: FlightSpec, rng: np.random.Generator) -> NDArray[np.float64]:
    """A first-order autoregressive wander in mired, half the bound RMS, kept within the bound."""
    keep = 0.6
    steps = rng.normal(0, 0.5 * spec.wander_mired * np.sqrt(1 - keep**2), spec.frames)
    wander = np.zeros(spec.frames)
    state = 0.0
    for frame, step in enumerate(steps):
        state = keep * state + step
        wander[frame] = np.clip(state, -spec.wander_mired, spec.wander_mired)
    return wander
