"""Stabilise: how the camera turned, and how each frame is turned back onto a steady path."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from pipeline.geometry.camera import largest_rectangle
from pipeline.geometry.choice import Candidates, choose
from pipeline.geometry.path import MARGIN_PX, Field, clearance, steady_orientations, steady_path, widest_crop
from pipeline.geometry.pose import Pose, attitude, pair_poses, rotation_near
from pipeline.geometry.rotation import PairRotation, average
from pipeline.measure.levels import HELD_OUT
from pipeline.measure.look import PairFigures
from pipeline.measure.motion import angle_path, down_axis, jitter_rms_px, yaw_step_worst_deg
from pipeline.measure.speed import View, evened_places, ground_motion, ground_speed, speed_uneven_pct
from pipeline.sequence import Frame, Sequence
from pipeline.settings import StabiliseSettings
from pipeline.stages.result import StageResult

Floats = NDArray[np.float64]

ASSUMED_FIELD_DEG = 73.0
"""Horizontal field of view taken where no photo tells its focal length (common practice, no source)."""

MATCH_NOISE_PX = 0.5
"""Standard deviation of a matched feature's place, in px of a 1,000 px proxy."""

LEAST_HELD_OUT = 12
ATTITUDE_SIGMA_RAD = float(np.deg2rad(0.5))
DOUBTFUL_RAD = float(np.deg2rad(0.1))
"""Pairs that disagree by less than this, a pixel or two, are not worth naming."""

BRIDGE_SIGMA_RAD = float(np.deg2rad(1.0))


@dataclass(frozen=True)
class Stabilised:
    """Correction rotation vectors (n, 3) of the timeline, the crop ratio and the focal length in px.

    `ground_speed` and `ground_motion` (n - 1,) are of each interval, as `measure/speed.py` defines them, NaN
    where they are not known.
    """

    rotation_rad: Floats
    crop_ratio: float
    focal_px: float
    ground_speed: Floats
    ground_motion: Floats


@dataclass(frozen=True)
class Motion:
    """Orientations (n, 3, 3) of the real camera at each frame of the timeline, and what each rests on."""

    orientations: Floats
    rests_on: list[str]
    matches: list[int]
    doubtful: list[tuple[int, int]]


def shown_frames(sequence: Sequence) -> list[int]:
    """Return for each frame of the timeline the frame whose photo stands there: the nearest usable one."""
    usable = np.array([frame.frame for frame in sequence.photos])
    return [int(usable[np.argmin(np.abs(usable - k))]) for k in range(len(sequence.frames))]


def focal_length(sequence: Sequence) -> tuple[float, str]:
    """Return the focal length in px and where it comes from."""
    if sequence.focal_px is not None:
        return sequence.focal_px, sequence.focal_from
    focal = 0.5 * sequence.width / np.tan(np.deg2rad(ASSUMED_FIELD_DEG) / 2.0)
    return float(focal), f"assumed {ASSUMED_FIELD_DEG:.0f} degrees across: no photo tells its focal length"


def _split(count: int) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    held = np.arange(count) % HELD_OUT == 0
    return ~held, held


def told_attitude(frame: Frame) -> Floats | None:
    """Return the rotation (3, 3) from world to camera axes that the tags of a frame tell, or None."""
    if frame.yaw_deg is None or frame.pitch_deg is None or frame.roll_deg is None:
        return None
    return attitude(frame.yaw_deg, frame.pitch_deg, frame.roll_deg)


def _poses_of(
    pair: PairFigures,
    frames: tuple[Frame, ...],
    focal_px: float,
    size: tuple[int, int],
    noise_px: float,
) -> list[Pose]:
    told_i, told_j = told_attitude(frames[pair.i]), told_attitude(frames[pair.j])
    expected = None
    if told_i is not None and told_j is not None:
        expected = (told_j @ told_i.T, ATTITUDE_SIGMA_RAD)
    down = None if told_i is None else told_i @ np.array([0.0, 0.0, -1.0])
    used, _ = _split(len(pair.matches.points_i))
    points_i = pair.matches.points_i[used].astype(float)
    points_j = pair.matches.points_j[used].astype(float)
    return pair_poses(
        points_i, points_j, focal_px, size, noise_px, pair.matches.full_size_homography(), expected, down
    )


def _held_out_rotation(
    pair: PairFigures, pose: Pose | None, focal_px: float, size: tuple[int, int], noise_px: float
) -> PairRotation | None:
    """Return the rotation that the held-out matches alone ask for, near the one found without them."""
    _, held = _split(len(pair.matches.points_i))
    if pose is None or np.count_nonzero(held) < LEAST_HELD_OUT:
        return None
    points_i = pair.matches.points_i[held].astype(float)
    points_j = pair.matches.points_j[held].astype(float)
    rotation, sigma = rotation_near(pose, points_i, points_j, focal_px, size, noise_px)
    return PairRotation(pair.i, pair.j, rotation, sigma)


def _bridges(
    frames: tuple[Frame, ...], pairs: list[PairRotation]
) -> tuple[list[PairRotation], dict[int, str]]:
    """Return pairs for the neighbours that no chain of measured pairs joins, and the frames resting on them.

    A frame that no pair ends in is bridged to both its neighbours.
    """
    size = max((f.frame for f in frames), default=0) + 1
    ends_i, ends_j = [p.i for p in pairs], [p.j for p in pairs]
    links = coo_matrix((np.ones(len(pairs)), (ends_i, ends_j)), shape=(size, size))
    _, island = connected_components(links, directed=False)
    seen = {*ends_i, *ends_j}
    bridges: list[PairRotation] = []
    rests: dict[int, str] = {}
    for before, after in pairwise(frames):
        blind = [f.frame for f in (before, after) if f.frame not in seen]
        if not blind and island[before.frame] == island[after.frame]:
            continue
        here, there = told_attitude(before), told_attitude(after)
        turn, sigma, state = np.eye(3), BRIDGE_SIGMA_RAD, "bridged"
        if here is not None and there is not None:
            turn, sigma, state = there @ here.T, ATTITUDE_SIGMA_RAD, "attitude"
        bridges.append(PairRotation(before.frame, after.frame, turn, sigma))
        rests.update(dict.fromkeys(blind or [after.frame], state))
    return bridges, rests


def _compact(sequence: Sequence, pairs: list[PairRotation]) -> tuple[Floats, Floats]:
    """Average over the photos alone and return orientations on the timeline, and the pairs' misfit."""
    place = {frame.frame: k for k, frame in enumerate(sequence.photos)}
    moved = [PairRotation(place[p.i], place[p.j], p.rotation, p.sigma_rad) for p in pairs]
    solved, misfit = average(len(place), moved)
    return np.stack([solved[place[k]] for k in shown_frames(sequence)]), misfit


def choose_poses(
    sequence: Sequence, pairs: list[PairFigures], allowed: list[list[Pose]]
) -> list[Pose | None]:
    """Return of the poses that each pair allows the one that agrees with all others, or None."""
    place = {frame.frame: k for k, frame in enumerate(sequence.photos)}
    known = [k for k, poses in enumerate(allowed) if poses]
    candidates = [Candidates(place[pairs[k].i], place[pairs[k].j], allowed[k]) for k in known]
    alone = [PairRotation(pairs[k].i, pairs[k].j, np.eye(3), 1.0) for k in known]
    bridges, _ = _bridges(sequence.photos, alone)
    fixed = [PairRotation(place[p.i], place[p.j], p.rotation, p.sigma_rad) for p in bridges]
    labels = choose(len(place), candidates, fixed)
    chosen: list[Pose | None] = [None] * len(pairs)
    for k, label in zip(known, labels, strict=True):
        chosen[k] = None if label is None else allowed[k][label]
    return chosen


def solve_motion(
    sequence: Sequence,
    pairs: list[PairFigures],
    poses: list[Pose | None],
    let_go: list[tuple[int, int]] | None = None,
) -> Motion:
    """Return the orientation of the real camera at each frame from the poses of all pairs.

    `let_go` names pairs of which every pose disagreed; they are doubtful too.
    """
    measured = [
        PairRotation(pair.i, pair.j, pose.rotation, pose.sigma_rad)
        for pair, pose in zip(pairs, poses, strict=True)
        if pose is not None
    ]
    bridges, rests = _bridges(sequence.photos, measured)
    orientations, misfit = _compact(sequence, measured + bridges)
    typical = max(float(np.median(misfit)) if len(misfit) else 0.0, 1e-5)
    doubtful = (let_go or []) + [
        (p.i, p.j)
        for p, miss in zip(measured, misfit, strict=False)
        if miss > max(10.0 * typical, 10.0 * p.sigma_rad, DOUBTFUL_RAD)
    ]
    matches = [0] * len(sequence.frames)
    for pair, pose in zip(pairs, poses, strict=True):
        if pose is not None:
            matches[pair.i] = max(matches[pair.i], pose.inliers)
            matches[pair.j] = max(matches[pair.j], pose.inliers)
    states = [rests.get(f.frame, "features") if f.usable else "held" for f in sequence.frames]
    return Motion(orientations, states, matches, doubtful)


def stabilise(
    sequence: Sequence,
    pairs: list[PairFigures],
    settings: StabiliseSettings,
    shape: tuple[int, int],
    out_width: int,
    period_frames: float,
    executor: Executor,
) -> tuple[Stabilised, StageResult]:
    """Solve the camera's turning, the steady path and the crop.

    `shape` is the aspect of the delivery, `out_width` its width in px, at which jitter is told.
    """
    focal, source = focal_length(sequence)
    size = (sequence.width, sequence.height)
    noise_px = MATCH_NOISE_PX * max(1.0, max(size) / 1000.0)
    view: dict[str, Any] = {"focal_px": focal, "size": size, "noise_px": noise_px}
    allowed = list(executor.map(partial(_poses_of, frames=sequence.frames, **view), pairs))
    poses = choose_poses(sequence, pairs, allowed)
    let_go = [(p.i, p.j) for p, some, one in zip(pairs, allowed, poses, strict=True) if some and not one]
    motion = solve_motion(sequence, pairs, poses, let_go)
    field = Field(sequence.width, sequence.height, focal, shape)
    corrections = steady_path(motion.orientations, field, settings.max_crop)
    crop = widest_crop(field, corrections, 1.0 - settings.max_crop)

    held = executor.map(partial(_held_out_rotation, **view), pairs, poses)
    held_pairs = [pair for pair in held if pair is not None]
    result = StageResult()
    present = np.array([f.usable for f in sequence.frames])
    rectangle = largest_rectangle(*size, shape)
    zoom = out_width / rectangle[0] / crop
    out_size = (out_width, out_width * shape[1] / shape[0])
    down = down_axis(sequence)

    flown = angle_path(motion.orientations)
    steady = angle_path(steady_orientations(motion.orientations, corrections))
    result.found = {
        "jitter_rms_px": jitter_rms_px(flown, present, period_frames, focal * zoom, out_size),
        "yaw_step_worst_deg": yaw_step_worst_deg(flown, present, down, period_frames),
        "crop_ratio": 1.0,
    }
    result.left = {"jitter_rms_px": None, "yaw_step_worst_deg": None, "crop_ratio": crop}
    if held_pairs:
        bridges, _ = _bridges(sequence.photos, held_pairs)
        seen, _ = _compact(sequence, held_pairs + bridges)
        left = angle_path(steady_orientations(seen, corrections))
        result.left["jitter_rms_px"] = jitter_rms_px(left, present, period_frames, focal * zoom, out_size)
        result.left["yaw_step_worst_deg"] = yaw_step_worst_deg(left, present, down, period_frames)
    else:
        for key in ("jitter_rms_px", "yaw_step_worst_deg"):
            result.unmeasured[f"left.{key}"] = "too few matches were left to hold out"
    models = [pose.model for pose in poses if pose is not None]
    result.applied = {
        "focal_px": focal,
        "focal_from": source,
        "max_crop": settings.max_crop,
        "shape": list(shape),
        "pairs": len(pairs),
        "pairs_by_rotation": models.count("rotation"),
        "pairs_by_plane": models.count("plane"),
        "pairs_by_parallax": models.count("parallax"),
        "pairs_without_pose": allowed.count([]),
        "pairs_doubtful": [list(pair) for pair in motion.doubtful],
        "least_clearance_px": float(clearance(field, corrections, crop).min()),
        "margin_px": MARGIN_PX,
    }
    _warn(result, sequence, motion, source)
    result.frames = _rows(sequence, motion, flown, steady, corrections)
    seen_by = View(motion.orientations, focal, size)
    speed = _ground_speed(result, pairs, seen_by, settings)
    steady_camera = steady_orientations(motion.orientations, corrections)
    moved = ground_motion(pairs, seen_by, steady_camera, focal / (crop * rectangle[0]))
    for row, speed_here, motion_here in zip(result.frames, [*speed, np.nan], [*moved, np.nan], strict=True):
        row["ground_speed"], row["ground_motion"] = speed_here, motion_here
    return Stabilised(corrections, crop, focal, speed, moved), result


def _ground_speed(
    result: StageResult, pairs: list[PairFigures], seen_by: View, settings: StabiliseSettings
) -> Floats:
    """Return the ground's speed in each interval, and tell how uneven it is and is left."""
    speed = ground_speed(pairs, seen_by)
    held = ground_speed(pairs, seen_by, held_out=True)
    places = evened_places(speed) if settings.even_speed and speed is not None else None
    result.found["speed_uneven_pct"] = None if speed is None else speed_uneven_pct(speed)
    result.left["speed_uneven_pct"] = None if held is None else speed_uneven_pct(held, places)
    for part, figures in (("found", result.found), ("left", result.left)):
        if figures["speed_uneven_pct"] is None:
            result.unmeasured[f"{part}.speed_uneven_pct"] = "the ground's motion tells no speed"
    return np.full(len(seen_by.orientations) - 1, np.nan) if speed is None else speed


def _warn(result: StageResult, sequence: Sequence, motion: Motion, source: str) -> None:
    if source.startswith("assumed"):
        result.warnings.append(f"focal length {source}")
    for state, sentence in (
        ("attitude", "too little matches between photos: they rest on the attitude angles"),
        ("bridged", "too little matches between photos, and no attitude angles: taken as not turning"),
    ):
        names = [f.label for f in sequence.photos if motion.rests_on[f.frame] == state]
        if names:
            result.warnings.append(f"{len(names)} frames: {sentence}: " + ", ".join(names[:5]))
    if motion.doubtful:
        named = ", ".join(f"{i}-{j}" for i, j in motion.doubtful[:8])
        result.warnings.append(
            f"{len(motion.doubtful)} pairs disagree with the rest and count little: {named}"
        )


def _rows(
    sequence: Sequence, motion: Motion, flown: Floats, steady: Floats, corrections: Floats
) -> list[dict[str, object]]:
    # About x (right), y (down), z (forward) a positive turn is pitch down, yaw left and roll left.
    flown_deg, steady_deg = -np.rad2deg(flown), -np.rad2deg(steady)
    rows: list[dict[str, object]] = []
    for frame in sequence.frames:
        k = frame.frame
        rows.append(
            {
                "frame": k,
                "file": frame.file,
                "pitch_deg": float(flown_deg[k, 0]),
                "yaw_deg": float(flown_deg[k, 1]),
                "roll_deg": float(flown_deg[k, 2]),
                "steady_pitch_deg": float(steady_deg[k, 0]),
                "steady_yaw_deg": float(steady_deg[k, 1]),
                "steady_roll_deg": float(steady_deg[k, 2]),
                "correction_rad": [float(value) for value in corrections[k]],
                "rests_on": motion.rests_on[k],
                "matches": motion.matches[k],
            }
        )
    return rows
