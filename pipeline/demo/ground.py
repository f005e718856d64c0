"""What one instant shows of the ground, the water and the sky, without aliasing."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.camera import Camera, rays
from pipeline.demo.texture import Mipmap
from pipeline.demo.world import HAZE, SKY_HIGH_DEG, SKY_LOW_DEG, World

Float32 = NDArray[np.float32]

HAZE_FROM_M, HAZE_LENGTH_M = 1200.0, 9000.0
_DEEP = np.array([0.022, 0.062, 0.078], np.float32)
_TAPS = (-0.375, -0.125, 0.125, 0.375)  # rows within a pixel at which the ground is sampled
_STRIP = 64


def turned_ripples(rng: np.random.Generator) -> Float32:
    """Turn and shift, 2×3, of the wave tile in one photo: between photos seconds apart, no ripple remains."""
    turn, shift = rng.uniform(0, 2 * np.pi), rng.uniform(0, 160, 2)
    cosine, sine = np.cos(turn), np.sin(turn)
    return np.array([[cosine, -sine, shift[0]], [sine, cosine, shift[1]]], np.float32)


def see_ground(world: World, camera: Camera, ripples: Float32, top: int, bottom: int) -> Float32:
    """The ground and water at one instant, rows `top` to `bottom` - 1; above the horizon is haze.

    Drawn in strips of rows that fit the processor's cache.
    """
    strips = [
        _strip(world, camera, first, min(first + _STRIP, bottom), ripples)
        for first in range(top, bottom, _STRIP)
    ]
    return np.concatenate(strips)


def _strip(world: World, camera: Camera, first: int, last: int, ripples: Float32) -> Float32:
    east, north, up = rays(camera, first, last)
    down = np.minimum(up, np.float32(-1e-3))
    scale = np.float32(-camera.position[2]) / down  # the depth of the ground, as rays are of unit depth
    slant = np.sqrt(east * east + north * north + down * down)
    sine = -down / slant
    # Size on the ground of one pixel: across the line of sight, and along it.
    across = scale / np.float32(camera.matrix[0, 0])
    along = across / sine
    at_e = east * scale + np.float32(camera.position[0])
    at_n = north * scale + np.float32(camera.position[1])
    row = (camera.rotation.T @ np.linalg.inv(camera.matrix))[:, 1].astype(np.float32)
    slope = row[2] / down
    per_row_e, per_row_n = scale * (row[0] - east * slope), scale * (row[1] - north * slope)
    taps = [(at_e + np.float32(t) * per_row_e, at_n + np.float32(t) * per_row_n) for t in _TAPS]
    two_taps = np.log2(np.maximum(across, along / 2))
    land = _sample(world.land, taps, np.log2(np.maximum(across, along / len(_TAPS))))
    kinds = _sample(world.kinds, taps[1:2], np.log2(along))
    detail = _sample(world.detail, taps[::2], two_taps, wraps=True) - 1
    picture = land[..., :3] * (1 + np.einsum("ijk,ijk->ij", kinds, detail))[..., None]
    sea = 1 - land[..., 3:]
    if sea.any():
        turned = [
            (a * e + b * n + c, d * e + f * n + g) for e, n in taps[::2] for (a, b, c), (d, f, g) in [ripples]
        ]
        picture += sea * _water(sine) * _sample(world.waves, turned, two_taps, wraps=True)[..., None]
    away = scale * slant
    if away.max() > HAZE_FROM_M:
        haze = 1 - np.exp(-np.maximum(away - np.float32(HAZE_FROM_M), 0) / np.float32(HAZE_LENGTH_M))
        picture += haze[..., None] * (np.array(HAZE, np.float32) - picture)
    return np.asarray(picture, np.float32)


def _water(sine: Float32) -> Float32:
    """Colour of flat water seen at an elevation of given sine: its depth and the mirrored sky (Schlick)."""
    rest = 1 - sine
    mirror = np.float32(0.02) + np.float32(0.98) * rest * (rest * rest) * (rest * rest)
    sky = np.array(HAZE, np.float32) * np.float32(0.92)
    return np.asarray(_DEEP + np.minimum(mirror, 0.75)[..., None] * sky, np.float32)


def _sample(
    texture: Mipmap, taps: list[tuple[Float32, Float32]], lod_log2_m: Float32, wraps: bool = False
) -> Float32:
    """Mean over `taps` (east, north in metres) of the texture at the size 2**lod_log2_m of a pixel.

    Linear within a level and between two. A texture that wraps repeats; any other is 0 outside its map.
    """
    channels = texture.levels[0].shape[2] if texture.levels[0].ndim == 3 else 1
    shape = lod_log2_m.shape if channels == 1 else (*lod_log2_m.shape, channels)
    total = np.zeros(shape, np.float32)
    top = len(texture.levels) - 1
    level_of = np.clip(lod_log2_m - np.float32(np.log2(texture.texel_m)), 0, top)
    lowest, highest = level_of.min(axis=1), level_of.max(axis=1)
    for level, texels in enumerate(texture.levels):
        rows = np.flatnonzero((highest > level - 1) & (lowest < level + 1))
        if not rows.size:
            continue
        band = slice(rows[0], rows[-1] + 1)
        weight = np.maximum(1 - np.abs(level_of[band] - level), 0)
        weight *= np.float32(1 / (len(taps) * texture.unit))
        if channels > 1:
            weight = weight[..., None]
        size = texels.shape[0]
        per_m = np.float32(1 / (texture.texel_m * 2**level))
        for east, north in taps:
            u, v = east[band] * per_m, north[band] * -per_m
            if wraps:
                u -= size * np.floor(u * np.float32(1 / size))
                v -= size * np.floor(v * np.float32(1 / size))
                edge = cv2.BORDER_WRAP
            else:
                u = np.clip(u + np.float32(size / 2), -9, size + 9)
                v = np.clip(v + np.float32(size / 2), -9, size + 9)
                edge = cv2.BORDER_CONSTANT
            half = np.float32(0.5)
            total[band] += weight * cv2.remap(texels, u - half, v - half, cv2.INTER_LINEAR, borderMode=edge)
    return total


def see_sky(world: World, camera: Camera, rows: int) -> Float32:
    """Sky and far hills at one instant, in the first `rows` rows."""
    east, north, up = rays(camera, 0, rows)
    azimuth = np.degrees(np.arctan2(east, north)) % np.float32(360)
    elevation = np.degrees(np.arctan2(up, np.hypot(east, north)))
    height, width = world.sky.shape[:2]
    u = azimuth * np.float32(width / 360) - np.float32(0.5)
    v = (SKY_HIGH_DEG - elevation) * np.float32((height - 1) / (SKY_HIGH_DEG - SKY_LOW_DEG))
    v = np.clip(v, 0, height - 1)
    return np.asarray(cv2.remap(world.sky, u, v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float32)
