"""The invented island of Saltmere: ground, water, sky, and what stands or floats on them.

Colours are linear RGB with BT.709 primaries, as under D65; white is 1. The map is north up, its centre at
(0, 0) metres, and beyond it lies open sea. Every shape here is made up.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.buildings import Boat, Building, Colour, Face, build_town, launch_boats
from pipeline.demo.texture import Mipmap, detail_tile, fractal_noise, mipmap, wave_tile

Float32 = NDArray[np.float32]

# Where the sun stands: clockwise from north, and above the horizon.
SUN_AZIMUTH_DEG, SUN_ELEVATION_DEG = 235.0, 38.0

PASTURE, WHEAT, STUBBLE = (0.085, 0.135, 0.035), (0.34, 0.26, 0.10), (0.26, 0.21, 0.11)
PLOUGHED, BLOSSOM, MEADOW = (0.13, 0.085, 0.05), (0.40, 0.37, 0.04), (0.12, 0.16, 0.055)
CLOVER, WOOD = (0.06, 0.12, 0.035), (0.03, 0.055, 0.018)
SAND, STONE, ROAD, REED = (0.46, 0.39, 0.27), (0.33, 0.31, 0.28), (0.17, 0.165, 0.16), (0.19, 0.165, 0.065)
CROPS = (PASTURE, WHEAT, STUBBLE, PLOUGHED, BLOSSOM, MEADOW, CLOVER, PASTURE, MEADOW, WHEAT)
TILLED = (0, 1, 1, 1, 0.6, 0, 0.2, 0, 0, 1)  # how far each crop shows the rows of the plough

SKY_LOW_DEG, SKY_HIGH_DEG = -2.0, 46.0
HAZE = (0.66, 0.74, 0.84)


@dataclass(frozen=True)
class World:
    """Everything a camera can see.

    `land` is RGB premultiplied by the share of land, and that share; `kinds` are the shares of the three
    kinds of `detail` (grass, soil, stone). `sky` covers all azimuths (columns, clockwise from north)
    and elevations from SKY_LOW_DEG to SKY_HIGH_DEG (rows, highest first). `faces` are those of each building.
    """

    land: Mipmap
    kinds: Mipmap
    detail: Mipmap
    waves: Mipmap
    sky: Float32
    faces: tuple[tuple[Face, ...], ...]
    boats: tuple[Boat, ...]


_FIELD_M = (122.0, 78.0)
# Discs of a tree and of a smaller round thing: shadow, body, lit parts.
_CROWN = ((-0.9, 1.0, 0.35), (0.0, 1.0, 0.75), (0.28, 0.66, 1.25), (0.5, 0.3, 1.7))
_ROUND = ((-0.9, 1.0, 0.3), (0.0, 1.0, 0.8), (0.3, 0.6, 1.2))


@dataclass
class _Map:
    """The map while it is painted, N×N, north up.

    `east` (1×N) and `north` (N×1) are the places of its texels in metres. `kinds` is kept at half the size.
    """

    east: Float32
    north: Float32
    colour: Float32
    kinds: Float32
    texel_m: float

    def blend(self, colour: tuple[float, float, float], share: Float32, kind: int) -> None:
        """Lay `colour` over the map with opacity `share`, and make it of one kind of detail."""
        columns = np.flatnonzero(share.any(axis=0))
        if not columns.size:
            return
        first, last = columns[0] // 2 * 2, columns[-1] + 1
        across, half = slice(first, last), slice(first // 2, (last + 1) // 2)
        target, grain = np.array(colour, np.float32), np.eye(3, dtype=np.float32)[kind]
        for band in self._bands():
            part = share[band, across, None]
            if part.any():
                self.colour[band, across] += part * (target - self.colour[band, across])
                kinds = self.kinds[band.start // 2 : band.stop // 2, half]
                kinds += part[::2, ::2] * (grain - kinds)

    def shade(self, factor: Float32) -> None:
        """Make every place brighter or darker by a factor (N×N)."""
        for band in self._bands():
            self.colour[band] *= factor[band, :, None]

    def _bands(self) -> list[slice]:
        """Rows in strips that fit the processor's cache, which makes painting several times faster."""
        return [slice(row, row + 64) for row in range(0, self.colour.shape[0], 64)]

    def pixel(self, east: float, north: float) -> tuple[float, float]:
        """Column and row of a place in metres."""
        n = self.colour.shape[0]
        return east / self.texel_m + (n - 1) / 2, (n - 1) / 2 - north / self.texel_m


@lru_cache(maxsize=2)
def saltmere(seed: int = 7, texels: int = 4096, texel_m: float = 0.5) -> World:
    """Build the island: `texels` (a power of two) on each side, each `texel_m` metres wide.

    Half the texels of twice the width take a quarter of the time and suit pictures of up to 800 px.
    """
    rng = np.random.default_rng([seed, 2])
    steps = ((np.arange(texels) + 0.5 - texels / 2) * texel_m).astype(np.float32)
    colour = np.zeros((texels, texels, 3), np.float32)
    kinds = np.zeros((texels // 2, texels // 2, 3), np.float32)
    ground = _Map(steps[None, :], -steps[:, None], colour, kinds, texel_m)
    inland = _coast(ground, rng)
    hedges = _fields(ground, rng)
    woods = _smooth(fractal_noise(rng, texels, 240 / texel_m, 5), 1.05, 1.25)
    woods *= _smooth(inland, 40, 70)
    pools, marsh = _marsh(ground, rng)
    town = _town_ground(ground, rng)
    woods *= (1 - town) * (1 - marsh)
    ground.blend(WOOD, woods, 0)
    _shore(ground, inland, rng)
    buildings = tuple(b for b in build_town(rng) if _value(ground, inland, b.east, b.north) > 12 or b.on_wall)
    _plants(ground, rng, hedges, woods, (1 - town) * _smooth(inland, 18, 24))
    water = np.maximum(_smooth(inland, 1.2, -1.2), pools)
    water *= 1 - _harbour_wall(ground)
    _shadows(ground, buildings)
    ground.shade(1 - water)
    kinds *= (1 - water)[::2, ::2, None]
    size = 2048 if texels >= 2048 else 512
    return World(
        land=mipmap([colour, 1 - water], texel_m, unit=32768.0),
        kinds=mipmap([kinds], 2 * texel_m, unit=32768.0),
        detail=mipmap([detail_tile(rng, size)], 0.07),
        waves=mipmap([wave_tile(rng, size // 2)], 0.16, unit=2048.0),
        sky=_sky(rng),
        faces=tuple(tuple(b.faces()) for b in buildings),
        boats=launch_boats(rng, lambda e, n: _value(ground, inland, e, n) < -15),
    )


def _smooth(value: Float32, low: float, high: float) -> Float32:
    """0 at `low`, 1 at `high`, smooth between (also where low > high)."""
    t = value - np.float32(low)
    t *= np.float32(1 / (high - low))
    np.clip(t, 0, 1, out=t)
    result = np.float32(3) - np.float32(2) * t
    t *= t
    result *= t
    return np.asarray(result)


def _value(ground: _Map, field: Float32, east: float, north: float) -> float:
    column, row = ground.pixel(east, north)
    n = field.shape[0]
    if not (0 <= column < n and 0 <= row < n):
        return -1e3
    return float(field[int(row), int(column)])


def _coast(ground: _Map, rng: np.random.Generator) -> Float32:
    """About how many metres inland each place lies (negative at sea)."""
    n = ground.colour.shape[0]
    radius = np.hypot(ground.east, ground.north * np.float32(1.12))
    inland = 800 - radius
    inland += 80 * fractal_noise(rng, n, 420 / ground.texel_m, 3) + 9 * fractal_noise(
        rng, n, 60 / ground.texel_m, 4
    )
    bay = np.hypot((ground.east - 90) / 260, (ground.north + 690) / 150)
    return np.asarray(inland - 330 * np.exp(-(bay**2)), np.float32)


def _fields(ground: _Map, rng: np.random.Generator) -> Float32:
    """Paint fields of several crops; return where hedges run (0..1)."""
    n = ground.colour.shape[0]
    bend_e = 16 * fractal_noise(rng, n, 300 / ground.texel_m, 3)
    bend_n = 16 * fractal_noise(rng, n, 260 / ground.texel_m, 3)
    turn = np.radians(16)
    across = (ground.east + bend_e) * np.float32(np.cos(turn)) + ground.north * np.float32(np.sin(turn))
    along = (ground.north + bend_n) * np.float32(np.cos(turn)) - ground.east * np.float32(np.sin(turn))
    row = np.floor(along / _FIELD_M[1])
    across += rng.uniform(0, 120, 64).astype(np.float32)[row.astype(np.int32) & 63]
    column = np.floor(across / _FIELD_M[0])
    field = (row.astype(np.int32) & 63) * 64 + (column.astype(np.int32) & 63)
    crop = rng.integers(0, len(CROPS), 4096)
    shade = rng.uniform(0.85, 1.15, (4096, 1))
    ground.colour[:] = (np.array(CROPS)[crop] * shade).astype(np.float32)[field]
    tilled = np.array(TILLED, np.float32)[crop][field]
    ground.kinds[..., 1] = tilled[::2, ::2]
    ground.kinds[..., 0] = 1 - ground.kinds[..., 1]
    sown = rng.uniform(0, 2 * np.pi, 4096)
    lines = np.cos(sown).astype(np.float32)[field] * ground.east
    lines += np.sin(sown).astype(np.float32)[field] * ground.north
    tracks = np.abs(lines / 9 - np.round(lines / 9)) < 0.07
    patches = 0.16 * fractal_noise(rng, n, 60 / ground.texel_m, 6)
    patches += 0.12 * fractal_noise(rng, n, 5 / ground.texel_m, 3) - 0.25 * tilled * tracks
    ground.shade(np.exp(patches))
    edge_row = _to_edge(along, row, _FIELD_M[1])
    edge_column = _to_edge(across, column, _FIELD_M[0])
    lane = np.where(row % 3 == 0, along - row * np.float32(_FIELD_M[1]), np.float32(1e3))
    ground.blend((0.30, 0.27, 0.21), _smooth(np.abs(lane - 4), 2.6, 1.8), 2)
    edge = np.minimum(edge_row, edge_column)
    gaps = fractal_noise(rng, n, 24 / ground.texel_m, 3)
    hedges = _smooth(edge + 0.8 * gaps, 2.4, 1.4)
    ground.blend(WOOD, hedges, 0)
    stubble = (crop == CROPS.index(STUBBLE))[field] & (edge > 8)
    _scatter(ground, rng, stubble, 2.5e-3, (0.7, 0.9), (WHEAT, SAND), _ROUND)
    grazed = (crop == CROPS.index(CLOVER))[field] & (edge > 5)
    _scatter(ground, rng, grazed, 4e-3, (0.4, 0.6), ((0.62, 0.60, 0.55), (0.12, 0.08, 0.06)), _ROUND)
    return hedges


def _to_edge(place: Float32, number: Float32, width: float) -> Float32:
    """Metres to the nearer edge of strip `number`, `width` metres wide."""
    inside = place / np.float32(width) - number
    return np.asarray(np.minimum(inside, 1 - inside) * np.float32(width))


def _scatter(
    ground: _Map,
    rng: np.random.Generator,
    where: NDArray[Any],
    per_m2: float,
    radius_m: tuple[float, float],
    colours: tuple[Colour, ...],
    layers: tuple[tuple[float, float, float], ...],
) -> None:
    """Paint round things where `where` (0..1 or bool) allows, `per_m2` of them at 1.

    Each of `layers` is a disc: how far towards the sun and how large, in radii, and how bright.
    """
    rng = np.random.default_rng(rng.integers(2**63))
    n = ground.colour.shape[0]
    places = rng.uniform(0, n - 1, (int(per_m2 * (n * ground.texel_m) ** 2), 2))
    chance = where[places[:, 1].astype(int), places[:, 0].astype(int)]
    azimuth = np.radians(SUN_AZIMUTH_DEG)
    to_sun = np.array([np.sin(azimuth), -np.cos(azimuth)])  # in columns and rows
    for place in places[rng.uniform(size=len(places)) < chance]:
        radius = rng.uniform(*radius_m) / ground.texel_m
        base = np.array(colours[rng.integers(len(colours))]) * rng.uniform(0.8, 1.25)
        for shift, scale, light in layers:
            x, y = (place + shift * radius * to_sun) * 16
            colour = tuple(float(c) for c in base * light)
            cv2.circle(ground.colour, (round(x), round(y)), round(radius * scale * 16), colour, -1, shift=4)


def _marsh(ground: _Map, rng: np.random.Generator) -> tuple[Float32, Float32]:
    """Paint the Reed Marsh; return where its pools are and where it is itself (0..1)."""
    n = ground.colour.shape[0]
    away = np.hypot((ground.east + 330) / 330, (ground.north - 300) / 250)
    marsh = _smooth(away + 0.12 * fractal_noise(rng, n, 120 / ground.texel_m, 4), 1.05, 0.9)
    ground.blend(REED, marsh * np.float32(0.92), 0)
    tufts = 0.28 * fractal_noise(rng, n, 20 / ground.texel_m, 5) + 0.24 * fractal_noise(
        rng, n, 3 / ground.texel_m, 2
    )
    tufts = np.exp(tufts)
    ground.shade(1 + marsh * (tufts - 1))
    wet = fractal_noise(rng, n, 110 / ground.texel_m, 5)
    ground.blend((0.075, 0.11, 0.03), marsh * _smooth(wet, -0.1, 0.45), 0)
    return _smooth(np.minimum(wet - np.float32(0.55), marsh - np.float32(0.6)), -0.015, 0.015), marsh


def _town_ground(ground: _Map, rng: np.random.Generator) -> Float32:
    """Paint streets and yards of the harbour town; return where the town is (0..1)."""
    n = ground.colour.shape[0]
    turn = np.radians(10)
    across = (ground.east - 60) * np.float32(np.cos(turn)) + (ground.north + 400) * np.float32(np.sin(turn))
    along = (ground.north + 400) * np.float32(np.cos(turn)) - (ground.east - 60) * np.float32(np.sin(turn))
    noise = fractal_noise(rng, n, 60 / ground.texel_m, 3)
    town = _smooth(np.maximum(np.abs(across) - 400, np.abs(along) - 128) + 12 * noise, 10, -10)
    gardens = np.exp(0.3 * fractal_noise(rng, n, 14 / ground.texel_m, 3))
    ground.blend((0.13, 0.14, 0.075), town * np.float32(0.85), 0)
    ground.shade(1 + town * (gardens - 1))
    street = np.minimum(np.abs((along + 20) % 40 - 20), np.abs((across + 40) % 80 - 40))
    ground.blend((0.24, 0.23, 0.21), town * _smooth(street, 4.6, 4.0), 2)
    ground.blend(ROAD, town * _smooth(street, 3.2, 2.8), 2)
    return town


def _shore(ground: _Map, inland: Float32, rng: np.random.Generator) -> None:
    """Paint rocks and sand along the sea, and foam where it breaks."""
    n = ground.colour.shape[0]
    noise = fractal_noise(rng, n, 35 / ground.texel_m, 5)
    ground.blend(STONE, _smooth(inland + 4 * noise, 26, 16), 2)
    ground.shade(1 + _smooth(inland, 26, 14) * (np.exp(0.3 * noise) - 1))
    ground.blend(SAND, _smooth(inland + 5 * noise, 15, 9) * np.float32(0.9), 2)
    rocky = _smooth(inland + 4 * noise, 26, 20) * _smooth(inland, 2, 4)
    _scatter(ground, rng, rocky, 0.03, (0.3, 1.3), (STONE, ROAD, (0.22, 0.2, 0.17)), _ROUND)
    foam = _smooth(np.abs(inland - 0.6 + noise), 1.4, 0.3) * _smooth(noise, -0.8, 0.8)
    ground.blend((0.8, 0.82, 0.82), foam * np.float32(0.7), 2)


def _harbour_wall(ground: _Map) -> Float32:
    """Paint the Harbour Wall, a curved breakwater with a walkway; return where it is (0 or 1)."""
    n = ground.colour.shape[0]
    wall = np.zeros((n, n), np.float32)
    path = np.zeros((n, n), np.float32)
    line = [(-190, -520), (-160, -610), (-90, -690), (10, -735), (120, -745)]
    corners = np.array([ground.pixel(e, m) for e, m in line])
    points = np.round(corners * 16).astype(np.int32).reshape(-1, 1, 2)
    cv2.polylines(wall, [points], False, 1.0, max(1, round(15 / ground.texel_m)), shift=4)
    cv2.polylines(path, [points], False, 1.0, max(1, round(6 / ground.texel_m)), shift=4)
    ground.blend((0.20, 0.19, 0.175), wall, 2)
    ground.blend((0.42, 0.40, 0.36), path, 2)
    return wall


def _plants(
    ground: _Map, rng: np.random.Generator, hedges: Float32, woods: Float32, open_land: Float32
) -> None:
    """Paint crowns: large ones in the woods, bushes along hedges and here and there."""
    greens = ((0.04, 0.075, 0.022), (0.055, 0.095, 0.025), (0.065, 0.09, 0.03), (0.035, 0.085, 0.03))
    _scatter(ground, rng, hedges * open_land, 0.05, (0.8, 1.7), greens, _CROWN)
    _scatter(ground, rng, open_land, 1.2e-3, (0.6, 1.6), greens, _CROWN)
    _scatter(ground, rng, woods, 0.02, (2.0, 4.2), greens, _CROWN)


def _shadows(ground: _Map, buildings: tuple[Building, ...]) -> None:
    """Darken the ground where a building keeps the sun off it."""
    lit = np.ones(ground.colour.shape[:2], np.float32)
    azimuth = np.radians(SUN_AZIMUTH_DEG)
    for building in buildings:
        reach = 0.8 * (building.eaves_m + building.roof_m) / np.tan(np.radians(SUN_ELEVATION_DEG))
        away = -reach * np.array([np.sin(azimuth), np.cos(azimuth)])
        foot = building.footprint()
        outline = np.array([ground.pixel(*p) for p in np.vstack([foot, foot + away])], np.float32)
        hull = cv2.convexHull(outline)
        cv2.fillConvexPoly(lit, np.round(hull * 16).astype(np.int32), 0.42, shift=4)
    ground.shade(np.asarray(cv2.GaussianBlur(lit, (0, 0), 0.7), np.float32))


def _sky(rng: np.random.Generator) -> Float32:
    """Sky with clouds and far hills, all azimuths, 20 px a degree near enough for soft shapes."""
    width, height = 4096, 1024
    elevation = np.linspace(SKY_HIGH_DEG, SKY_LOW_DEG, height, dtype=np.float32)[:, None]
    blend = _smooth(elevation, 0, 30) ** np.float32(0.6)
    sky = (
        np.array(HAZE, np.float32) * (1 - blend[..., None])
        + np.array((0.20, 0.36, 0.68), np.float32) * blend[..., None]
    )
    sky = np.repeat(sky, width, axis=1)
    noise = fractal_noise(rng, width, 420, 7)
    flattened = cv2.resize(noise[: height * 2], (width, height), interpolation=cv2.INTER_AREA)
    edge = np.linspace(0, 1, width, dtype=np.float32)
    stretched = np.asarray(flattened * edge + flattened[:, ::-1] * (1 - edge), np.float32)  # meets at north
    cloud = _smooth(stretched, 0.1, 1.1) * _smooth(elevation, 1.0, 7.0)
    white = np.array((1.0, 1.0, 1.0), np.float32) * (0.86 + 0.16 * _smooth(stretched, 0.4, 1.6))[..., None]
    sky += cloud[..., None] * (white - sky)
    azimuth = np.linspace(0, 2 * np.pi, width, endpoint=False)
    for shade, mean, parts in ((0.80, 1.25, (3, 7, 13, 29)), (0.62, 0.55, (4, 9, 17, 31))):
        ridge = mean + sum(mean * 0.9 / k**0.6 * np.sin(k * azimuth + rng.uniform(0, 6.28)) for k in parts)
        below = _smooth(elevation - ridge[None, :].astype(np.float32), 0.06, -0.06)
        hill = np.array(HAZE, np.float32) * np.float32(shade) * np.array((0.78, 0.92, 1.0), np.float32)
        sky += below[..., None] * (hill - sky)
    return np.ascontiguousarray(sky, np.float32)
