"""Synthetic flights of known truth for the stage stabilise, and how its outcome is measured against them."""

from __future__ import annotations

from dataclasses import dataclass, fields

import cv2
import numpy as np
from scipy.spatial.transform import Rotation

from pipeline.measure.highpass import slow_part
from pipeline.measure.light import BlockRatios
from pipeline.measure.look import PairFigures
from pipeline.measure.pairs import BASELINES, Registration
from pipeline.sequence import Sequence
from pipeline.settings import StabiliseSettings
from pipeline.stages.result import StageResult
from pipeline.stages.stabilise import Stabilised, stabilise
from tests.geometry.scene import FOCAL, HEIGHT, WIDTH, camera_axes, ground, seen, shaken
from tests.stages.flights import sequence_of

COUNT = 30
SHAPE = (16, 9)
OUT_WIDTH = 1920
PERIOD = 60.0
SCALE = 1000.0 / WIDTH
SETTINGS = StabiliseSettings()
NO_BLOCKS = BlockRatios(**{field.name: np.zeros((0, 3), np.float32) for field in fields(BlockRatios)})


@dataclass(frozen=True)
class Flight:
    """True orientations (n, 3, 3) and the pairs that measuring would give."""

    orientations: np.ndarray
    pairs: list[PairFigures]


def registration(here: np.ndarray, there: np.ndarray) -> Registration:
    """Matches as the measuring hands them on, and the homography of the plane that most lie on."""
    homography, mask = None, np.zeros((len(here), 1))
    if len(here) >= 12:
        reduced = [((points + 0.5) * SCALE - 0.5).astype(np.float32) for points in (here, there)]
        homography, mask = cv2.findHomography(*reduced, cv2.USAC_MAGSAC, 1.5, None, 2000, 0.999)
    return Registration(
        here.astype(np.float32), there.astype(np.float32), homography, mask.ravel().astype(bool), SCALE
    )


def flight(
    yaw_deg: np.ndarray,
    *,
    pitch_deg: float = -25.0,
    speed_m: float = 2.0,
    place_jitter_m: float = 0.0,
    shake_deg: float = 0.5,
    relief_m: float = 15.0,
    wrong: float = 0.1,
    noise_px: float = 0.2,
    missing: tuple[int, ...] = (),
    blind: tuple[int, ...] = (),
    course_deg: float = 0.0,
    climb_m: float = 0.0,
    matches: int = 350,
    seed: int = 0,
) -> Flight:
    """A flight `course_deg` off its heading, climbing by `climb_m` a photo; `blind` frames match nothing."""
    rng = np.random.default_rng(seed)
    count = len(yaw_deg)
    truth = np.stack([shaken(camera_axes(yaw, pitch_deg), rng, shake_deg) for yaw in yaw_deg])
    ways = np.stack([camera_axes(yaw + course_deg, 0.0)[2] for yaw in yaw_deg]) * speed_m
    ways[:, 2] += climb_m
    places = np.cumsum(ways, axis=0) - ways[0] + rng.normal(0.0, place_jitter_m, (count, 3))
    # tiles of ground about each frame's own place, so that every view is filled
    points = np.concatenate(
        [ground(500, camera_axes(yaw, pitch_deg), rng, relief_m) + place * [1.0, 1.0, 0.0]
         for yaw, place in zip(yaw_deg, places, strict=True)]
    )  # fmt: skip
    views = [seen(points, attitude, place) for attitude, place in zip(truth, places, strict=True)]
    there = [k for k in range(count) if k not in missing]
    pairs = []
    for place, j in enumerate(there):
        for i in [there[place - baseline] for baseline in BASELINES if baseline <= place]:
            both = rng.permutation(np.flatnonzero(views[i][1] & views[j][1]))[:matches]
            if i in blind or j in blind:
                both = both[:0]
            here, other = (views[k][0][both] + rng.normal(0.0, noise_px, (len(both), 2)) for k in (i, j))
            bad = rng.random(len(both)) < wrong
            other[bad] += rng.normal(0.0, 30.0, (int(bad.sum()), 2))
            registered = registration(here, other)
            pairs.append(PairFigures(i, j, registered, NO_BLOCKS, registered.homography is not None))
    return Flight(truth, pairs)


def sequence(count: int = COUNT, **how: object) -> Sequence:
    facts = {"focal_px": FOCAL, "focal_from": "invented", **how}
    return sequence_of(count, width=WIDTH, height=HEIGHT, **facts)  # type: ignore[arg-type]


def solved(
    flown: Flight,
    sequence_: Sequence | None = None,
    settings: StabiliseSettings = SETTINGS,
) -> tuple[Stabilised, StageResult]:
    frames = sequence_ or sequence(len(flown.orientations))
    return stabilise(frames, flown.pairs, settings, SHAPE, OUT_WIDTH, PERIOD)


def rotations(vectors: np.ndarray) -> np.ndarray:
    return Rotation.from_rotvec(vectors).as_matrix()


def highpassed_px(turns_rad: np.ndarray, crop: float) -> float:
    """RMS in px at 1080p of the fast part of turns (n, 3) about the picture's axes.

    Turning about the optical axis counts by its mean over the picture, radius sqrt((w² + h²) / 12).
    """
    zoom = OUT_WIDTH / WIDTH / crop
    weights = np.array([FOCAL * zoom, FOCAL * zoom, np.hypot(1920.0, 1080.0) / np.sqrt(12.0)])
    fast = np.stack([v - slow_part(v, min(PERIOD, len(v) / 2)) for v in turns_rad.T], axis=1) * weights
    return float(np.sqrt(np.mean(np.sum(fast**2, axis=1))))


def path_error_px(flown: Flight, out: Stabilised, result: StageResult, frames: list[int]) -> float:
    """Error of the solved orientations: the corrected true path against the path the stage meant to take."""
    meant = np.array(
        [[row[f"steady_{axis}_deg"] for axis in ("pitch", "yaw", "roll")] for row in result.frames]
    )
    steady = np.swapaxes(rotations(out.rotation_rad), 1, 2) @ flown.orientations
    turns = Rotation.from_matrix(steady[1:] @ np.swapaxes(steady[:-1], 1, 2)).as_rotvec()
    shown = np.concatenate([np.zeros((1, 3)), np.cumsum(turns, axis=0)])
    return highpassed_px((shown + np.deg2rad(meant))[frames], out.crop_ratio)


def least_margin_px(out: Stabilised) -> float:
    """Least distance of an output corner from the source's edge, projected by code of this test's own."""
    high = OUT_WIDTH * SHAPE[1] / SHAPE[0]
    focal_out = out.focal_px * OUT_WIDTH / (out.crop_ratio * WIDTH)
    moves = np.zeros((len(out.rotation_rad), 4)) if out.similarity is None else out.similarity
    least = np.inf
    for x, y in ((-0.5, -0.5), (OUT_WIDTH - 0.5, -0.5), (-0.5, high - 0.5), (OUT_WIDTH - 0.5, high - 0.5)):
        q = np.array([x - (OUT_WIDTH - 1) / 2, y - (high - 1) / 2]) / focal_out
        for vector, (right, down, log_scale, angle) in zip(out.rotation_rad, moves, strict=True):
            # shifts are in widths of the largest rectangle of the output's shape, here the source's own width
            cosine, sine = np.exp(log_scale) * np.cos(angle), np.exp(log_scale) * np.sin(angle)
            unit = WIDTH / out.focal_px
            ray = [
                cosine * q[0] - sine * q[1] + right * unit,
                sine * q[0] + cosine * q[1] + down * unit,
                1.0,
            ]
            place = Rotation.from_rotvec(vector).apply(ray)
            across = out.focal_px * place[0] / place[2] + WIDTH / 2
            below = out.focal_px * place[1] / place[2] + HEIGHT / 2
            least = min(least, across, below, WIDTH - across, HEIGHT - below)
    return float(least)


STEP = np.where(np.arange(COUNT) < COUNT // 2, 30.0, 33.0)
EVERY = list(range(COUNT))
