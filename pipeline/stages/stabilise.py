"""Stabilise: how the camera turned, and how each frame is turned back onto a steady path."""

from __future__ import annotations

from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import largest_rectangle
from pipeline.geometry.path import MARGIN_PX, Field, clearance, steady_orientations, steady_path, widest_crop
from pipeline.measure.look import PairFigures
from pipeline.measure.motion import angle_path, down_axis, jitter_rms_px, yaw_step_worst_deg
from pipeline.measure.speed import View, evened_places, ground_motion, ground_speed, speed_uneven_pct
from pipeline.measure.turning import (
    MATCH_NOISE_PX,
    Motion,
    bridges_between,
    choose_poses,
    compact,
    focal_length,
    held_out_rotation,
    poses_of,
    solve_motion,
)
from pipeline.sequence import Sequence
from pipeline.settings import StabiliseSettings
from pipeline.stages.result import StageResult

Floats = NDArray[np.float64]


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
    allowed = list(executor.map(partial(poses_of, frames=sequence.frames, **view), pairs))
    poses = choose_poses(sequence, pairs, allowed)
    let_go = [(p.i, p.j) for p, some, one in zip(pairs, allowed, poses, strict=True) if some and not one]
    motion = solve_motion(sequence, pairs, poses, let_go)
    field = Field(sequence.width, sequence.height, focal, shape)
    corrections = steady_path(motion.orientations, field, settings.max_crop)
    crop = widest_crop(field, corrections, 1.0 - settings.max_crop)

    held = executor.map(partial(held_out_rotation, **view), pairs, poses)
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
        bridges, _ = bridges_between(sequence.photos, held_pairs)
        seen, _ = compact(sequence, held_pairs + bridges)
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
