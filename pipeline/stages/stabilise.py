"""Stabilise: how the camera turned, and how each frame is turned back onto a steady path."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.corrections import LensDistortion
from pipeline.geometry.camera import largest_rectangle
from pipeline.geometry.field import MARGIN_PX, Field, clearance, widest_crop
from pipeline.geometry.lens import lens_of
from pipeline.geometry.path import steady_orientations, steady_path
from pipeline.geometry.pose import Pose
from pipeline.geometry.rotation import PairRotation
from pipeline.measure.look import PairFigures
from pipeline.measure.motion import (
    angle_path,
    down_axis,
    horizon_tilt_deg,
    jitter_rms_px,
    waypoints,
    yaw_step_worst_deg,
)
from pipeline.measure.parallax import Residual, drifts, residual_similarity
from pipeline.measure.shutter import shutter_figures
from pipeline.measure.speed import View, evened_places, ground_motion, ground_speed, speed_uneven_pct
from pipeline.measure.turning import (
    WEAK_RAD,
    FocalLength,
    Motion,
    bridges_between,
    choose_poses,
    compact,
    confirmed,
    far_pairs,
    focal_length,
    held_out_rotation,
    levelled,
    solve_motion,
    straightened,
    trusted,
    world_down,
    worst_sigmas,
)
from pipeline.sequence import Sequence
from pipeline.settings import StabiliseSettings
from pipeline.stages.posing import PosesBegun, Sight, poses_of_all
from pipeline.stages.result import StageResult

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Stabilised:
    """Correction rotation vectors (n, 3) of the timeline, the crop ratio and the focal length in px.

    `similarity` (n, 4) is that of `FrameCorrection`, None where it is not worth while. `ground_speed` and
    `ground_motion` (n - 1,) are of each interval, as `measure/speed.py` defines them, NaN where they are not
    known.
    """

    rotation_rad: Floats
    crop_ratio: float
    focal_px: float
    similarity: Floats | None
    ground_speed: Floats
    ground_motion: Floats


@dataclass(frozen=True)
class _Delivered:
    """What the figures are told for: aspect, width in px, the filter's period in frames."""

    shape: tuple[int, int]
    width: int
    period_frames: float

    def focal_px(self, field: Field, crop: float) -> float:
        """Return the focal length in px of the delivered picture."""
        return (
            field.focal_px * self.width / (largest_rectangle(field.width, field.height, self.shape)[0] * crop)
        )

    @property
    def size(self) -> tuple[float, float]:
        """Width and height in px."""
        return self.width, self.width * self.shape[1] / self.shape[0]


@dataclass(frozen=True)
class _Steadied:
    """The steady path: the field it lies in (with its similarity), corrections (n, 3), crop ratio."""

    field: Field
    corrections: Floats
    crop: float
    residual: Residual
    down: Floats | None
    turned_at: list[tuple[int, float]]


def stabilise(
    sequence: Sequence,
    pairs: list[PairFigures],
    settings: StabiliseSettings,
    shape: tuple[int, int],
    out_width: int,
    period_frames: float,
    lens: LensDistortion | None = None,
    begun: PosesBegun | None = None,
) -> tuple[Stabilised, StageResult]:
    """Solve the camera's turning, the steady path, the crop and what of the parallax can be taken out.

    `shape` is the aspect of the delivery, `out_width` its width in px, at which jitter is told. `lens` is
    how the photos are distorted, where that is known, `begun` holds poses that are already being found.

    All is arithmetic on small arrays, which threads would do no faster: two took 1.2 times as long as one.
    """
    size = (sequence.width, sequence.height)
    bent = lens_of(lens)
    if bent is not None:
        pairs = [straightened(pair, bent, size) for pair in pairs]
    focal = focal_length(sequence, pairs)
    sight = Sight(focal.px, size, bent)
    allowed = poses_of_all(pairs, sequence.frames, sight, begun)
    sequence, allowed = trusted(sequence, pairs, allowed)
    allowed = confirmed(sequence, pairs, allowed)
    poses = choose_poses(sequence, pairs, allowed)
    let_go = [(p.i, p.j) for p, some, one in zip(pairs, allowed, poses, strict=True) if some and not one]
    motion = solve_motion(sequence, pairs, poses, let_go)
    view: dict[str, Any] = {"focal_px": focal.px, "size": size, "noise_px": sight.noise_px}
    better = levelled(pairs, poses, motion, **view)
    if better is not poses:
        poses = better
        motion = solve_motion(sequence, pairs, poses, let_go)
    out = _Delivered(shape, out_width, period_frames)
    field = Field(*size, focal.px, shape, None, bent)
    path = _steadied(sequence, pairs, motion, field, settings, out)

    held = [held_out_rotation(pair, pose, **view) for pair, pose in zip(pairs, poses, strict=True)]
    held_pairs = [pair for pair in held if pair is not None] + far_pairs(pairs, held_out=True)
    result = StageResult()
    _figures(result, sequence, motion, held_pairs, path, out)
    _applied(result, settings, focal, path, allowed, poses, motion)
    result.applied["lens"] = "not told: taken as straight" if lens is None else lens.told_by
    _warn(result, sequence, motion, focal, settings, path)
    result.frames = _rows(sequence, motion, path)

    seen_by = View(motion.orientations, focal.px, size)
    speed = _ground_speed(result, pairs, seen_by, settings)
    _tell_shutter(result, sequence, pairs)
    steady_camera = steady_orientations(motion.orientations, path.corrections)
    wide = largest_rectangle(*size, shape)[0]
    moved = ground_motion(pairs, seen_by, steady_camera, focal.px / (path.crop * wide))
    for row, speed_here, motion_here in zip(result.frames, [*speed, np.nan], [*moved, np.nan], strict=True):
        row["ground_speed"], row["ground_motion"] = speed_here, motion_here
    similarity = path.field.similarity
    if similarity is not None:
        unit = focal.px / wide
        similarity = similarity * np.array([unit, unit, 1.0, 1.0])
    return Stabilised(path.corrections, path.crop, focal.px, similarity, speed, moved), result


def _steadied(
    sequence: Sequence,
    pairs: list[PairFigures],
    motion: Motion,
    field: Field,
    settings: StabiliseSettings,
    out: _Delivered,
) -> _Steadied:
    """Solve the path, then what of the parallax can be taken out, and the path again with room for it."""
    count = len(sequence.frames)
    present = np.array([f.usable for f in sequence.frames])
    turned_at = waypoints(angle_path(motion.orientations), present, down_axis(sequence))
    down = world_down(sequence, motion.orientations)
    least = 1.0 - settings.max_crop
    breaks = tuple(frame for frame, _ in turned_at) if settings.turns == "keep" else ()

    def path(field: Field) -> Floats:
        level = down if settings.level_horizon else None
        return settings.strength * steady_path(
            motion.orientations, field, settings.max_crop, breaks=breaks, down=level
        )

    corrections = path(field)
    crop = widest_crop(field, corrections, least)
    seen = drifts(pairs, field, corrections, crop)
    px = out.focal_px(field, crop)
    residual = residual_similarity(seen, count, field, crop, out.period_frames, px)
    if residual.similarity is not None and settings.max_crop > 0.0 and count >= 3:
        moved = replace(field, similarity=settings.strength * residual.similarity)
        again = path(moved)
        if float(clearance(moved, again, least).min()) >= MARGIN_PX - 0.01:
            field, corrections = moved, again
            crop = widest_crop(field, corrections, least)
    return _Steadied(field, corrections, crop, residual, down, turned_at)


def _figures(
    result: StageResult,
    sequence: Sequence,
    motion: Motion,
    held_pairs: list[PairRotation],
    path: _Steadied,
    out: _Delivered,
) -> None:
    """Fill in found, and left as the held-out matches see it."""
    present = np.array([f.usable for f in sequence.frames])
    down = down_axis(sequence)
    focal = out.focal_px(path.field, path.crop)

    def turning(orientations: Floats) -> dict[str, float | int | None]:
        angles = angle_path(orientations)
        tilt = None if path.down is None else horizon_tilt_deg(orientations, path.down)
        return {
            "jitter_rms_px": jitter_rms_px(angles, present, out.period_frames, focal, out.size),
            "yaw_step_worst_deg": yaw_step_worst_deg(angles, present, down, out.period_frames),
            "horizon_tilt_deg": None if tilt is None else float(np.sqrt(np.mean(tilt[present] ** 2))),
        }

    result.found = {**turning(motion.orientations), "crop_ratio": 1.0}
    result.left = {**dict.fromkeys(result.found), "crop_ratio": path.crop}
    if held_pairs:
        bridges, _ = bridges_between(sequence.photos, held_pairs)
        seen, misfit = compact(sequence, held_pairs + bridges)
        sigmas = worst_sigmas(len(present), held_pairs + bridges, misfit)[present]
        if float(np.median(sigmas)) < WEAK_RAD:  # else they would tell their own noise
            result.left.update(turning(steady_orientations(seen, path.corrections)))
    for part, figures in (("found", result.found), ("left", result.left)):
        for key in ("jitter_rms_px", "yaw_step_worst_deg", "horizon_tilt_deg"):
            if figures[key] is None:
                told = key != "horizon_tilt_deg" or result.found[key] is not None
                why = (
                    "too few matches, or too poor, were left to hold out"
                    if told
                    else "no attitude tells the horizon"
                )
                result.unmeasured[f"{part}.{key}"] = why
    kept = path.field.similarity is not None
    for figures, part, value in (
        (result.found, "found", path.residual.before),
        (result.left, "left", path.residual.after if kept else path.residual.before),
    ):
        figures["parallax_jitter_px"] = None if value is None else value * focal
        if value is None:
            result.unmeasured[f"{part}.parallax_jitter_px"] = "too few matches were left to hold out"


def _applied(
    result: StageResult,
    settings: StabiliseSettings,
    focal: FocalLength,
    path: _Steadied,
    allowed: list[list[Pose]],
    poses: list[Pose | None],
    motion: Motion,
) -> None:
    models = [pose.model for pose in poses if pose is not None]
    result.applied = {
        "focal_px": focal.px,
        "focal_from": focal.told_by,
        "focal_sigma_pct": focal.sigma_pct,
        "max_crop": settings.max_crop,
        "shape": list(path.field.shape),
        "pairs": len(allowed),
        "pairs_by_rotation": models.count("rotation"),
        "pairs_by_plane": models.count("plane"),
        "pairs_by_parallax": models.count("parallax"),
        "pairs_without_pose": allowed.count([]),
        "pairs_doubtful": [list(pair) for pair in motion.doubtful],
        "waypoints": [{"frame": frame, "heading_change_deg": turn} for frame, turn in path.turned_at],
        "similarity": path.field.similarity is not None,
        "least_clearance_px": float(clearance(path.field, path.corrections, path.crop).min()),
        "margin_px": MARGIN_PX,
    }


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


def _tell_shutter(result: StageResult, sequence: Sequence, pairs: list[PairFigures]) -> None:
    """Report the shutter angle and the blur it is seen with; stabilising changes neither."""
    shutter = shutter_figures(sequence, pairs)
    result.applied["shutter_angle_deg"] = shutter.angle_deg
    result.applied["blur_by_exif_px"] = shutter.blur_told_px
    result.applied["blur_seen_px"] = shutter.blur_seen_px
    if shutter.contradiction is not None:
        result.warnings.append(shutter.contradiction)


def _warn(
    result: StageResult,
    sequence: Sequence,
    motion: Motion,
    focal: FocalLength,
    settings: StabiliseSettings,
    path: _Steadied,
) -> None:
    if not focal.tagged:
        result.warnings.append(f"focal length {focal.told_by}")
    if settings.level_horizon and path.down is None:
        result.warnings.append("the horizon could not be held level: no photo tells its roll")
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


def _rows(sequence: Sequence, motion: Motion, path: _Steadied) -> list[dict[str, object]]:
    # About x (right), y (down), z (forward) a positive turn is pitch down, yaw left and roll left.
    flown_deg = -np.rad2deg(angle_path(motion.orientations))
    steady = steady_orientations(motion.orientations, path.corrections)
    steady_deg = -np.rad2deg(angle_path(steady))
    tilts = [
        None if path.down is None else horizon_tilt_deg(turned, path.down)
        for turned in (motion.orientations, steady)
    ]
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
                "horizon_deg": None if tilts[0] is None else float(tilts[0][k]),
                "steady_horizon_deg": None if tilts[1] is None else float(tilts[1][k]),
                "correction_rad": [float(value) for value in path.corrections[k]],
                "sigma_deg": float(np.rad2deg(motion.sigma_rad[k])),
                "rests_on": motion.rests_on[k],
                "matches": motion.matches[k],
            }
        )
    return rows
