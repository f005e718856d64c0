"""How strong a cause is in a spoiled flight, worked out from the truth alone.

From angles, positions and levels, or from the noise-free picture.
"""

from __future__ import annotations

import cv2
import numpy as np

from pipeline.demo.flight import FlightSpec, fly
from pipeline.demo.photograph import camera_levels
from pipeline.demo.spoil import spoil
from pipeline.measure.blur import texture_map
from pipeline.measure.course import off_course_pct, speed_steps_pct
from pipeline.measure.haze import veil_share
from pipeline.measure.highpass import fast_part
from tests.bench.spoiled_flight import radiances


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
