"""Taking the photographs of a flight: from the world's light to files with their metadata."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.clouds import cloud_shade
from pipeline.demo.dng import PhotoTags, write_dng, write_metadata
from pipeline.demo.flight import FlightSpec, FrameTruth
from pipeline.demo.sensor import counts, hot_glow, mosaic_of, scene_to_camera, vignette_loss_ev
from pipeline.demo.spoil import spoil
from pipeline.demo.view import expose
from pipeline.demo.world import World

Float32 = NDArray[np.float32]

# Saltmere's map centre: open ocean on every real map.
_ORIGIN_LATITUDE_DEG, _ORIGIN_LONGITUDE_DEG = -38.25, -118.5
_METRES_PER_DEGREE = 111_320.0  # of latitude, near enough for an invented island
_SENSOR_DIAGONAL_MM = 21.633  # 24 mm on a 43.27 mm diagonal is then 12 mm


@dataclass(frozen=True)
class Shot:
    """One photo before it is written: the mosaic in counts, and camera RGB levels (1 = saturation).

    The mosaic has the sensor's masked columns at its left, the levels have not.
    """

    mosaic: NDArray[np.uint16]
    levels: Float32


def take(world: World, spec: FlightSpec, truth: FrameTruth) -> Shot:
    """Expose one photo; the levels are free of noise and not clipped."""
    return record(expose(world, spec, truth), spec, truth)


def record(radiance: Float32, spec: FlightSpec, truth: FrameTruth) -> Shot:
    """Record radiance (H×W×3, linear BT.709) that arrives at the lens, clouds' shadows not yet in it."""
    if spec.cloud_ev:
        radiance = radiance * cloud_shade(spec, truth)[..., None]
    radiance = spoil(radiance, spec.spoiled, truth.frame, spec.seed)
    levels = camera_levels(radiance, spec, truth)
    rng = np.random.default_rng([spec.seed, 4, truth.frame]) if spec.noise else None
    sensor = spec.sensor
    drift = float(np.random.default_rng([spec.seed, 5, truth.frame]).normal(0.0, 1.0)) * sensor.black_drift
    lit = mosaic_of(levels, sensor.pattern)
    if sensor.hot_photosites:
        places, glow = hot_glow(sensor, lit.shape)
        lit.reshape(-1)[places] += glow
    dark = np.zeros((lit.shape[0], sensor.masked_columns), np.float32)
    return Shot(counts(np.hstack([dark, lit]), sensor, rng, drift), levels)


def camera_levels(radiance: Float32, spec: FlightSpec, truth: FrameTruth) -> Float32:
    """Radiance (H×W×3, linear BT.709) as the lens and the colour filters pass it on, in sensor levels."""
    matrix = scene_to_camera(truth.cct_k) * (spec.sensor.exposure * 2.0**truth.gain_ev)
    levels = np.asarray(cv2.transform(radiance, matrix.astype(np.float32)), np.float32)
    levels *= _transmission(spec.size, spec.vignette_ev)[..., None]
    if truth.uneven_ev:
        down = np.linspace(-0.5, 0.5, spec.size[1], dtype=np.float32)
        levels *= np.exp2(np.float32(truth.uneven_ev) * down)[:, None, None]
    return np.asarray(np.maximum(levels, 0))


def develop(levels: Float32, spec: FlightSpec, truth: FrameTruth) -> NDArray[np.uint8]:
    """The camera's own JPEG picture (H×W×3 sRGB codes), its white balance baked in.

    White becomes code 255 at the level `sensor.exposure`; nothing else is adjusted.
    """
    balanced = np.linalg.inv(scene_to_camera(truth.as_shot_cct_k)) / spec.sensor.exposure
    linear = cv2.transform(np.minimum(levels, 1.0), balanced.astype(np.float32))
    return encode_srgb(np.asarray(linear, np.float32))


def encode_srgb(linear: Float32) -> NDArray[np.uint8]:
    """Linear light (clipped to 0..1) to 8-bit codes (IEC 61966-2-1)."""
    light = np.clip(linear, 0, 1)
    code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(code * 255 + 0.5, np.float32).astype(np.uint8)


def write_photo(path: Path, shot: Shot, spec: FlightSpec, truth: FrameTruth, *, started: datetime) -> None:
    """Write one DNG, lossless-JPEG compressed where the frame number is odd, with all its metadata."""
    write_dng(
        path,
        shot.mosaic,
        pattern=spec.sensor.pattern,
        black=spec.sensor.black,
        white=spec.sensor.white,
        neutral=truth.as_shot_neutral,
        lossless_jpeg=truth.frame % 2 == 1,
        masked_columns=spec.sensor.masked_columns,
        tags=tags_of(spec, truth, started),
    )


def write_jpeg(
    path: Path, shot: Shot, spec: FlightSpec, truth: FrameTruth, *, started: datetime, scale: float = 1.0
) -> None:
    """Write the camera's JPEG of a shot, reduced by `scale`, with the same metadata."""
    picture = develop(shot.levels, spec, truth)
    if scale != 1.0:
        size = (round(picture.shape[1] * scale), round(picture.shape[0] * scale))
        picture = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    _, coded = cv2.imencode(".jpg", picture[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
    path.write_bytes(coded.tobytes())
    write_metadata(path, tags_of(spec, truth, started), picture.shape[1], picture.shape[0])


def tags_of(spec: FlightSpec, truth: FrameTruth, started: datetime) -> PhotoTags:
    """What EXIF, GPS and XMP say of one photo: nominal exposure, rounded times and angles."""
    east, north, up = (float(v) for v in truth.position_m)
    taken = started.astimezone(UTC) + timedelta(milliseconds=round(truth.time_s * 1000))
    focal_mm = round(spec.focal_35mm_mm * _SENSOR_DIAGONAL_MM / float(np.hypot(36, 24)), 2)
    per_degree_east = _METRES_PER_DEGREE * np.cos(np.radians(_ORIGIN_LATITUDE_DEG))
    return PhotoTags(
        taken=taken,
        exposure=truth.exposure.tag_s,
        f_number=truth.exposure.f_number,
        iso=truth.exposure.iso,
        focal_mm=focal_mm,
        focal_35mm_mm=spec.focal_35mm_mm,
        focal_plane_px_per_mm=spec.focal_px / focal_mm,
        latitude_deg=_ORIGIN_LATITUDE_DEG + north / _METRES_PER_DEGREE,
        longitude_deg=_ORIGIN_LONGITUDE_DEG + east / float(per_degree_east),
        altitude_m=up,
        yaw_deg=(truth.yaw_deg + 180) % 360 - 180,
        pitch_deg=truth.pitch_deg,
        roll_deg=truth.roll_deg,
    )


@lru_cache(maxsize=4)
def _transmission(size: tuple[int, int], coefficients: tuple[float, float, float]) -> Float32:
    return np.asarray(2.0 ** -vignette_loss_ev(size, coefficients), np.float32)
