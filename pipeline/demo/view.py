"""What a pinhole camera sees of Saltmere while its shutter is open.

Three layers: the sky (infinitely far), the ground plane, and the flat faces of buildings and boats. Each
is drawn sharp, at the first instant of the exposure, with anti-aliasing by mipmaps, and then averaged over
the exposure along its own true motion: a plane seen by a camera of constant velocity and spin (in camera
axes) moves by a one-parameter group of homographies W, W(s + t) = W(s) W(t), so that the mean over 2N
instants, h apart, is half the mean over N instants plus half the same picture moved by W(N h). Six
doublings are 64 instants.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.demo.buildings import Face
from pipeline.demo.camera import (
    Camera,
    Exposed,
    above_horizon_px,
    ground_motion,
    intrinsics,
    longest_moves_px,
    sky_motion,
)
from pipeline.demo.flight import FlightSpec, FrameTruth
from pipeline.demo.ground import HAZE_FROM_M, HAZE_LENGTH_M, see_ground, see_sky, turned_ripples
from pipeline.demo.world import HAZE, World

Float32 = NDArray[np.float32]
Float64 = NDArray[np.float64]

_STEP_PX = 1.0  # between instants of an exposure


def expose(world: World, spec: FlightSpec, truth: FrameTruth) -> Float32:
    """Return the mean radiance, H×W×3 linear BT.709 (white = 1), of one photo."""
    margin = _margin(spec, truth)
    width, height = spec.size
    matrix = intrinsics(spec.size, spec.focal_px)
    matrix[:2, 2] += margin
    middle = Camera(matrix, (width + 2 * margin, height + 2 * margin), truth.rotation, truth.position_m)
    motion = Exposed(middle, truth.velocity_m_s, truth.spin_rad_s, truth.exposure.true_s)
    rng = np.random.default_rng([spec.seed, 3, truth.frame])
    picture = _ground_and_sky(world, motion, rng)
    for faces, velocity in _far_to_near(world, motion, truth.time_s):
        _draw_thing(picture, faces, velocity, motion)
    inside: Float32 = np.ascontiguousarray(picture[margin : margin + height, margin : margin + width])
    return inside


def _margin(spec: FlightSpec, truth: FrameTruth) -> int:
    """Pixels to draw beyond each edge, so that what moves in during the exposure is there."""
    middle = Camera(intrinsics(spec.size, spec.focal_px), spec.size, truth.rotation, truth.position_m)
    motion = Exposed(middle, truth.velocity_m_s, truth.spin_rad_s, truth.exposure.true_s)
    longest = max(_ground_moves_px(motion).max(), _sky_moves_px(motion).max())
    return int(np.ceil(longest)) + 2


def _ground_moves_px(motion: Exposed) -> Float64:
    """How far the ground moves in the picture during the exposure, for each row (H,) the most of it."""
    half = motion.shutter_s / 2
    return longest_moves_px(motion.middle, ground_motion(motion, -half, half))


def _sky_moves_px(motion: Exposed) -> Float64:
    half = motion.shutter_s / 2
    return longest_moves_px(motion.middle, sky_motion(motion, -half, half))


def _doublings(moves_px: float) -> int:
    """How often to double one instant, so that 2**n of them lie at most a step apart."""
    return int(np.ceil(np.log2(max(1.0, moves_px / _STEP_PX))))


def _first_instant(shutter_s: float, doublings: int) -> tuple[float, float]:
    """The first of 2**doublings instants, the exposure's middle being 0, and the time between two."""
    step = shutter_s / 2**doublings
    return (step - shutter_s) / 2, step


def _ground_and_sky(world: World, motion: Exposed, rng: np.random.Generator) -> Float32:
    """The mean over the exposure of all but what stands on the ground.

    Far ground hardly moves: rows are drawn in zones, each with as few instants as it needs.
    """
    width, height = motion.middle.size
    ripples = turned_ripples(rng)
    above = above_horizon_px(motion.middle)
    picture = np.empty((height, width, 3), np.float32)
    moves = np.where((above < 0).any(axis=1), _ground_moves_px(motion), 0)
    needed = np.maximum.accumulate([_doublings(m) for m in moves])
    for doublings in np.unique(needed):
        zone = np.flatnonzero(needed == doublings)
        reach = int(np.ceil(moves[zone].max())) + 2
        top, bottom = max(zone[0] - reach, 0), min(zone[-1] + 1 + reach, height)
        start, step = _first_instant(motion.shutter_s, doublings)
        part = see_ground(world, motion.at(start), ripples, top, bottom)
        for k in range(doublings):
            part = _average_moved(part, ground_motion(motion, start, start + step * 2**k), top)
        picture[zone] = part[zone - top]
    rows = np.flatnonzero((above > -1).any(axis=1))
    if rows.size:
        last = rows[-1] + 1
        share = np.clip(above[:last] + 0.5, 0, 1)[..., None]
        picture[:last] += share * (_mean_sky(world, motion, last) - picture[:last])
    return picture


def _mean_sky(world: World, motion: Exposed, rows: int) -> Float32:
    moves = _sky_moves_px(motion)[:rows].max()
    doublings = _doublings(moves)
    start, step = _first_instant(motion.shutter_s, doublings)
    sky = see_sky(world, motion.at(start), min(rows + int(moves) + 2, motion.middle.size[1]))
    for k in range(doublings):
        sky = _average_moved(sky, sky_motion(motion, start, start + step * 2**k))
    return sky[:rows]


def _average_moved(picture: Float32, moved: Float64, top: int = 0) -> Float32:
    """Mean of a picture and the same picture moved; `moved` counts rows from `top` above its first."""
    height, width = picture.shape[:2]
    down = np.array([[1, 0, 0], [0, 1, top], [0, 0, 1.0]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    edge = cv2.BORDER_CONSTANT if picture.shape[2] == 4 else cv2.BORDER_REPLICATE
    matrix = np.linalg.inv(down) @ moved @ down
    other = cv2.warpPerspective(picture, matrix, (width, height), flags=flags, borderMode=edge)
    return np.asarray(cv2.addWeighted(picture, 0.5, other, 0.5, 0), np.float32)


def _far_to_near(world: World, motion: Exposed, time_s: float) -> list[tuple[tuple[Face, ...], Float64]]:
    """The faces that each convex thing turns to the camera, with its velocity; the farthest thing first."""
    position = motion.middle.position
    still = np.zeros(3)
    things = [(faces, still) for faces in world.faces]
    for boat in world.boats:
        for part in boat.parts:
            moved = tuple(replace(f, corners=f.corners + boat.offset(time_s)) for f in part)
            things.append((moved, np.array([*boat.velocity_m_s, 0.0])))
    away = [float(np.linalg.norm(faces[0].corners[:, :2].mean(axis=0) - position[:2])) for faces, _ in things]
    shown = []
    for index in np.argsort(away)[::-1]:
        faces, velocity = things[index]
        turned = tuple(f for f in faces if f.outward @ (position - f.corners[0]) > 0)
        if turned:
            shown.append((turned, velocity))
    return shown


def _draw_thing(picture: Float32, faces: tuple[Face, ...], velocity: Float64, motion: Exposed) -> None:
    """Lay one convex thing over `picture`, averaged over the exposure.

    Its visible faces do not overlap, so their light and coverage add up, also where motion mixes them.
    """
    half = motion.shutter_s / 2
    corners = np.array([face.corners for face in faces])
    ends = np.array(
        [motion.at(t).project((corners + velocity * t).reshape(-1, 3)) for t in (-half, half)]
    ).reshape(2, -1, 4, 2)
    low = np.floor(ends.min(axis=(0, 1, 2)) - 3)
    high = np.ceil(ends.max(axis=(0, 1, 2)) + 4)
    height, width = picture.shape[:2]
    inside = low[0] < width and low[1] < height and high[0] > 0 and high[1] > 0
    if not (np.isfinite(ends).all() and inside):
        return
    layer = np.zeros((int(high[1] - low[1]), int(high[0] - low[0]), 4), np.float32)
    for face, start, end in zip(faces, *ends, strict=True):
        _add_face(layer, face, velocity, motion, low, float(np.hypot(*(end - start).T).max()))
    x0, y0 = np.maximum(low, 0).astype(int)
    x1, y1 = np.minimum(high, (width, height)).astype(int)
    layer = layer[y0 - int(low[1]) : y1 - int(low[1]), x0 - int(low[0]) : x1 - int(low[0])]
    cover = np.minimum(layer[..., 3:], 1)
    away = float(np.linalg.norm(corners.mean(axis=(0, 1)) - motion.middle.position))
    haze = np.float32(1 - np.exp(-max(away - HAZE_FROM_M, 0) / HAZE_LENGTH_M))
    target = picture[y0:y1, x0:x1]
    target *= 1 - cover
    target += layer[..., :3] * (1 - haze)
    if haze > 0:
        target += cover * (np.array(HAZE, np.float32) * haze)


def _add_face(
    layer: Float32, face: Face, velocity: Float64, motion: Exposed, low: Float64, moves_px: float
) -> None:
    """Add one face's mean over the exposure to `layer`, whose first pixel is `low` of the picture."""

    def corners_at(time_s: float) -> Float32:
        seen = motion.at(time_s).project(face.corners + velocity * time_s)
        return np.asarray(seen - low, np.float32)

    doublings = _doublings(moves_px)
    start, step = _first_instant(motion.shutter_s, doublings)
    first = corners_at(start)
    box_low = np.maximum(np.floor(first.min(axis=0) - moves_px - 3), 0).astype(int)
    box_high = np.ceil(first.max(axis=0) + moves_px + 4).astype(int)
    box_high = np.minimum(box_high, (layer.shape[1], layer.shape[0]))
    offset = box_low.astype(np.float32)
    drawn = _warp_texture(face, first - offset, tuple(int(n) for n in box_high - box_low))
    if drawn is None:
        return
    for k in range(doublings):
        moved = cv2.getPerspectiveTransform(corners_at(start + step * 2**k) - offset, first - offset)
        drawn = _average_moved(drawn, np.asarray(moved, np.float64))
    layer[box_low[1] : box_high[1], box_low[0] : box_high[0]] += drawn


def _warp_texture(face: Face, corners: Float32, size: tuple[int, ...]) -> Float32 | None:
    """Draw a face's texture into a quadrilateral, first reduced to about its size so as not to alias."""
    texture = face.texture
    lengths = np.hypot(*(corners - np.roll(corners, -1, axis=0)).T)
    across, down = max(lengths[0], lengths[2]), max(lengths[1], lengths[3])
    area = cv2.contourArea(corners)
    if area < 0.3:
        return None
    width = int(np.clip(round(across), 1, texture.shape[1]))
    height = int(np.clip(round(down), 1, texture.shape[0]))
    reduced = cv2.resize(texture, (width, height), interpolation=cv2.INTER_AREA)
    reduced = reduced * np.array([*face.tint, 1], np.float32)
    padded = cv2.copyMakeBorder(reduced, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=(0, 0, 0, 0))
    # Texel centres are integers: the reduced picture's outline runs half a texel outside them.
    outline = np.array(
        [[0.5, 0.5], [width + 0.5, 0.5], [width + 0.5, height + 0.5], [0.5, height + 0.5]], np.float32
    )
    matrix = cv2.getPerspectiveTransform(outline, corners)
    return np.asarray(cv2.warpPerspective(padded, matrix, size, flags=cv2.INTER_LINEAR), np.float32)
