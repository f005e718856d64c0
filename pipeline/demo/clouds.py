"""Shadows of broken cloud that drift over the ground."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.camera import Camera, intrinsics, rays
from pipeline.demo.flight import FlightSpec, FrameTruth
from pipeline.demo.texture import fractal_noise

Float32 = NDArray[np.float32]

WIND_M_S = (7.0, 3.0)
"""How fast the shadows drift, east and north."""

_TEXELS, _TEXEL_M = 512, 4.0
_SHARE = 0.35  # of the ground that lies in shadow


@lru_cache(maxsize=2)
def _cover(seed: int) -> Float32:
    """Cloud cover 0..1 over two kilometres, soft at the edges; it repeats beyond."""
    noise = fractal_noise(np.random.default_rng([seed, 5]), _TEXELS, 240 / _TEXEL_M, 4)
    middle = float(np.quantile(noise, 1.0 - _SHARE))
    edge = 0.15 * float(np.std(noise))
    return np.asarray(np.clip(0.5 + (noise - middle) / (2.0 * edge), 0.0, 1.0), np.float32)


def cloud_shade(spec: FlightSpec, truth: FrameTruth) -> Float32:
    """Return the factor (H×W) by which shadows of cloud dim what a photo shows; the sky stays as it is."""
    camera = Camera(intrinsics(spec.size, spec.focal_px), spec.size, truth.rotation, truth.position_m)
    east, north, up = rays(camera, 0, spec.size[1])
    depth = np.float32(-truth.position_m[2]) / np.minimum(up, np.float32(-1e-3))
    at_east = east * depth + np.float32(truth.position_m[0] - WIND_M_S[0] * truth.time_s)
    at_north = north * depth + np.float32(truth.position_m[1] - WIND_M_S[1] * truth.time_s)
    u = np.mod(at_east / np.float32(_TEXEL_M), _TEXELS)
    v = np.mod(at_north / np.float32(_TEXEL_M), _TEXELS)
    cover = cv2.remap(_cover(spec.seed), u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return np.asarray(np.where(up < 0, np.exp2(-spec.cloud_ev * cover), 1.0), np.float32)
