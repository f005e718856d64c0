"""Things with height: houses, sheds and the harbour light of Saltmere, and boats that move."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]
Colour = tuple[float, float, float]

# Towards the sun, east, north, up (azimuth 235°, elevation 38°, as in world.py).
TO_SUN = np.array([-0.6455, -0.4520, 0.6157])


@dataclass(frozen=True)
class Face:
    """One flat side. `corners` 4×3 metres: top left, top right, bottom right, bottom left as seen from
    outside; `texture` H×W×4, RGB premultiplied by the coverage in the fourth channel, and shared between
    faces; `tint` its colour in the light that falls on it."""

    corners: Float64
    texture: Float32
    tint: Colour = (1.0, 1.0, 1.0)

    @cached_property
    def outward(self) -> Float64:
        """A vector (3,) square to the face, away from what it belongs to; not of unit length."""
        normal: Float64 = np.cross(self.corners[3] - self.corners[0], self.corners[1] - self.corners[0])
        return normal


@dataclass(frozen=True)
class Building:
    """A box with a gabled roof (`roof_m` 0: flat), its ridge along `width_m`, turned by `turn_deg`."""

    east: float
    north: float
    width_m: float
    depth_m: float
    eaves_m: float
    roof_m: float
    turn_deg: float
    wall: Colour
    roof: Colour
    style: int
    on_wall: bool = False

    def footprint(self) -> Float64:
        """The four corners on the ground, counter-clockwise, metres, 4×2."""
        turn = np.radians(self.turn_deg)
        axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
        half = np.array([self.width_m, self.depth_m]) / 2
        signs = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]])
        corners: Float64 = np.array([self.east, self.north]) + (signs * half) @ axes
        return corners

    def faces(self) -> list[Face]:
        """The walls and roof, each seen from outside only."""
        foot = self.footprint()

        def at(corner: int, height: float) -> Float64:
            return np.append(foot[corner % 4], height)

        eaves, ridge = self.eaves_m, self.eaves_m + self.roof_m
        sides = []
        for side in range(4):
            gable = side in (1, 3) and self.roof_m > 0
            top = ridge if gable else eaves
            corners = np.array([at(side, top), at(side + 1, top), at(side + 1, 0), at(side, 0)])
            sides.append((corners, self.wall, "gable" if gable else "wall"))
        if self.roof_m == 0:
            flat = np.array([at(3, eaves), at(2, eaves), at(1, eaves), at(0, eaves)])
            sides.append((flat, self.roof, "flat"))
        else:
            west = np.append((foot[0] + foot[3]) / 2, ridge)
            east = np.append((foot[1] + foot[2]) / 2, ridge)
            sides.append((np.array([west, east, at(1, eaves), at(0, eaves)]), self.roof, "roof"))
            sides.append((np.array([east, west, at(3, eaves), at(2, eaves)]), self.roof, "roof"))
        top_share = round(self.roof_m / ridge, 2)
        return [self._face(corners, colour, kind, top_share) for corners, colour, kind in sides]

    def _face(self, corners: Float64, colour: Colour, kind: str, top_share: float) -> Face:
        outward = Face(corners, np.zeros((0, 0, 4), np.float32)).outward
        light = 0.42 + 0.75 * max(0.0, float(outward @ TO_SUN / np.linalg.norm(outward)))
        if kind == "gable":
            texture = _wall_texture(self.style, top_share)
        elif kind == "wall":
            texture = _wall_texture(self.style, 0.0)
        else:
            texture = _roof_texture(self.style, kind == "flat")
        red, green, blue = (c * light for c in colour)
        return Face(corners, texture, (red, green, blue))


@dataclass(frozen=True)
class Boat:
    """A hull with a cabin at a place that moves evenly."""

    hull: Building
    cabin: Building
    velocity_m_s: tuple[float, float]

    @cached_property
    def parts(self) -> tuple[tuple[Face, ...], ...]:
        """The faces of the hull and of the cabin, where they are at time 0."""
        return tuple(self.hull.faces()), tuple(self.cabin.faces())

    def offset(self, time_s: float) -> Float64:
        """How far it has moved by `time_s`, metres, (3,)."""
        return np.array([*self.velocity_m_s, 0.0]) * time_s


@lru_cache(maxsize=64)
def _wall_texture(style: int, gable: float) -> Float32:
    """Plaster with windows and a door; the uppermost `gable` share narrows to the ridge."""
    rng = np.random.default_rng([style, 11])
    height, width = 96, 128
    wall = np.ones((height, width, 4), np.float32)
    wall[..., :3] *= np.exp(0.05 * rng.standard_normal((height, width, 1), np.float32))
    wall[..., :3] *= np.linspace(1.05, 0.82, height, dtype=np.float32)[:, None, None]
    top = int(height * gable)
    storeys, bays = (2, 4) if style % 2 else (1, 3)
    for storey in range(storeys):
        y0 = top + int((height - top) * (storey + 0.22) / storeys)
        y1 = top + int((height - top) * (storey + 0.72) / storeys)
        for bay in range(bays):
            x0, x1 = (int(width * (bay + s) / bays) for s in (0.3, 0.68))
            wall[y0 - 2 : y1 + 2, x0 - 2 : x1 + 2, :3] = 0.85
            wall[y0:y1, x0:x1, :3] = rng.uniform(0.06, 0.22)
    door = int(width * rng.uniform(0.1, 0.85))
    wall[int(height * 0.66) :, door : door + 9, :3] = np.array([0.35, 0.14, 0.10]) * rng.uniform(0.5, 1.4)
    if gable > 0:
        cover = np.zeros((height, width), np.float32)
        outline = np.array([[0, height], [0, top], [width / 2, 0], [width, top], [width, height]])
        cv2.fillConvexPoly(cover, np.round(outline * 16).astype(np.int32), 1.0, shift=4)
        wall *= cover[..., None]
    return wall


@lru_cache(maxsize=64)
def _roof_texture(style: int, flat: bool) -> Float32:
    """Rows of tiles with patches and a chimney; a flat roof has gravel and hatches instead."""
    rng = np.random.default_rng([style, 13])
    height, width = 80, 128
    roof = np.ones((height, width, 4), np.float32)
    patches = cv2.resize(
        rng.standard_normal((8, 12), np.float32), (width, height), interpolation=cv2.INTER_CUBIC
    )
    shade = 0.12 * patches + 0.10 * rng.standard_normal((height, width), np.float32)
    if not flat:
        shade += 0.12 * np.sin(np.arange(height, dtype=np.float32) * (2 * np.pi / 8))[:, None]
    roof[..., :3] *= np.exp(shade)[..., None]
    for _ in range(4 if flat else 2):
        x, y = int(rng.uniform(6, width - 24)), int(rng.uniform(4, height - 22))
        roof[y : y + 12, x : x + 12, :3] = rng.uniform(0.2, 2.2)
        roof[y + 12 : y + 16, x + 3 : x + 15, :3] *= 0.4
    return roof


def build_town(rng: np.random.Generator) -> tuple[Building, ...]:
    """The harbour town along its streets, sheds on the quay, scattered farms, and the harbour light."""
    walls: tuple[Colour, ...] = (
        (0.72, 0.69, 0.62),
        (0.62, 0.52, 0.38),
        (0.55, 0.30, 0.22),
        (0.60, 0.62, 0.62),
    )
    roofs: tuple[Colour, ...] = (
        (0.34, 0.12, 0.07),
        (0.25, 0.10, 0.07),
        (0.13, 0.13, 0.14),
        (0.30, 0.17, 0.10),
    )
    turn = np.radians(10)
    buildings = []

    def add(east: float, north: float, size: tuple[float, float, float, float], turn_deg: float) -> None:
        wall, roof = walls[rng.integers(4)], roofs[rng.integers(4)]
        buildings.append(Building(east, north, *size, turn_deg, wall, roof, int(rng.integers(8))))

    for row in range(-3, 4):
        for side in (-9.5, 9.5):
            for place in np.arange(-380, 380, 21.0):
                across, along = place + rng.uniform(-2, 2), row * 40.0 + side
                if abs((across + 40) % 80 - 40) < 12 or rng.uniform() < 0.28:
                    continue
                east = 60 + across * np.cos(turn) - along * np.sin(turn)
                north = -400 + across * np.sin(turn) + along * np.cos(turn)
                size = (
                    rng.uniform(10, 15),
                    rng.uniform(7.5, 9.5),
                    rng.uniform(4, 8.5),
                    rng.uniform(2.2, 3.6),
                )
                add(east, north, size, 10 + rng.uniform(-1, 1))
    for _ in range(34):
        radius, angle = 700 * np.sqrt(rng.uniform()), rng.uniform(0, 2 * np.pi)
        east, north = radius * np.cos(angle), radius * np.sin(angle)
        if np.hypot((east + 330) / 330, (north - 300) / 250) < 1.05 or np.hypot(east - 60, north + 400) < 300:
            continue
        facing = rng.uniform(0, 90)
        add(east, north, (rng.uniform(12, 16), 8.0, 5.0, 3.0), facing)
        add(east + 22, north + rng.uniform(-6, 6), (rng.uniform(18, 28), 11.0, 5.0, 4.0), facing + 90)
        add(east + rng.uniform(-6, 6), north - 21, (12.0, 7.0, 3.5, 2.0), facing)
    tower: Colour = (0.85, 0.85, 0.84)
    red: Colour = (0.45, 0.05, 0.04)
    buildings.append(Building(112, -744, 6, 6, 19, 0, 20, tower, (0.3, 0.3, 0.3), 1, on_wall=True))
    buildings.append(Building(112, -744, 3.6, 3.6, 23, 2.5, 20, red, red, 3, on_wall=True))
    return tuple(buildings)


def launch_boats(
    rng: np.random.Generator, is_deep: Callable[[float, float], bool], count: int = 9
) -> tuple[Boat, ...]:
    """Put boats on open water off the south coast, going about at up to 2.5 m/s."""
    boats: list[Boat] = []
    for _ in range(400):
        if len(boats) == count:
            break
        east, north = rng.uniform(-500, 700), rng.uniform(-900, -480)
        if not is_deep(east, north):
            continue
        course, speed = rng.uniform(0, 360), rng.uniform(0.3, 2.5)
        length = rng.uniform(8, 16)
        hull_colour: Colour = (0.75, 0.75, 0.73) if rng.uniform() < 0.6 else (0.08, 0.16, 0.32)
        turn = 90 - course  # a building's width points east at 0, a course north
        hull = Building(east, north, length, length * 0.3, 1.1, 0, turn, hull_colour, (0.45, 0.33, 0.2), 2)
        cabin = Building(
            east, north, length * 0.35, length * 0.2, 2.8, 0, turn, (0.8, 0.8, 0.78), (0.85, 0.85, 0.85), 4
        )
        velocity = (speed * np.sin(np.radians(course)), speed * np.cos(np.radians(course)))
        boats.append(Boat(hull, cabin, velocity))
    return tuple(boats)
