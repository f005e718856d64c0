"""How a camera's turning shows in the picture: angle paths, jitter and heading steps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.pose import attitude
from pipeline.geometry.rotation import log
from pipeline.measure.highpass import fast_part
from pipeline.measure.robust import robust_sigma
from pipeline.sequence import Sequence

Floats = NDArray[np.float64]

_LEAST_HORIZON = float(np.sin(np.deg2rad(15.0)))
_STEP_FRAMES = 4
_STEP_SIGMAS = 4.0
_LEAST_STEP_DEG = 1.0


def angle_path(orientations: Floats) -> Floats:
    """Return the turning (n, 3) in radians about the camera's axes, summed from the first frame."""
    turns = log(orientations[1:] @ np.swapaxes(orientations[:-1], 1, 2))
    return np.concatenate([np.zeros((1, 3)), np.cumsum(turns, axis=0)])


def jitter_rms_px(
    angles: Floats,
    present: NDArray[np.bool_],
    period_frames: float,
    out_focal: float,
    out_size: tuple[float, float],
) -> float:
    """Return the RMS motion in px that the fast part of an angle path (n, 3) gives the picture.

    Turning about the optical axis counts by its mean over the picture. The filter's period is at most
    half the sequence: a short one has no room for slower motion than that.
    """
    period = min(period_frames, len(angles) / 2.0)
    fast = np.stack(
        [fast_part(np.where(present, angles[:, axis], np.nan), period) for axis in range(3)], axis=1
    )[present]
    radius = np.sqrt((out_size[0] ** 2 + out_size[1] ** 2) / 12.0)
    motion = (out_focal * fast[:, 0]) ** 2 + (out_focal * fast[:, 1]) ** 2 + (radius * fast[:, 2]) ** 2
    return float(np.sqrt(np.mean(motion)))


def down_axis(sequence: Sequence) -> Floats | None:
    """Return the downward direction (3,) in camera axes by the photos' attitude, None where untold."""
    told = [f for f in sequence.photos if f.pitch_deg is not None]
    if not told:
        return None
    pitch = float(np.median([f.pitch_deg or 0.0 for f in told]))
    return np.asarray(attitude(0.0, pitch, 0.0) @ np.array([0.0, 0.0, -1.0]))


def yaw_step_worst_deg(
    angles: Floats, present: NDArray[np.bool_], down: Floats | None, period_frames: float
) -> float:
    """Return the largest heading change in degrees in one interval, less the slow turning.

    `down` (3,) is the downward direction in camera axes; where it is unknown, turns about any axis count.
    """
    places = np.flatnonzero(present)
    axes = np.eye(3) if down is None else down[:, None]
    # Across a missing photo the turn is spread over the intervals that passed.
    steps = np.diff(np.rad2deg(angles @ axes)[places], axis=0) / np.diff(places)[:, None]
    if len(steps) >= 3:
        period = min(period_frames, len(steps) / 2.0)
        steps = np.stack([fast_part(column, period) for column in steps.T], axis=1)
    return float(np.max(np.linalg.norm(steps, axis=1), initial=0.0))


def horizon_tilt_deg(orientations: Floats, down: Floats) -> Floats | None:
    """Return how far the horizon is turned (n,) in degrees, + clockwise as the camera is rolled.

    `down` (3,) is in the world's axes. None where the camera looks so steeply down that no horizon is told.
    """
    x, y, _ = (orientations @ down).T
    if float(np.median(np.hypot(x, y))) < _LEAST_HORIZON:
        return None
    return np.asarray(np.rad2deg(np.arctan2(x, y)))


def waypoints(angles: Floats, present: NDArray[np.bool_], down: Floats | None) -> list[tuple[int, float]]:
    """Return the frames (after the turn) where the heading changes at once, and by how many degrees.

    Clockwise is positive. `angles` (n, 3) is the path of `angle_path`, `down` (3,) in camera axes; where it
    is unknown the picture's upright axis stands for it. A step is a difference of the means of four photos
    after and before that stands out from all such differences.
    """
    axis = np.array([0.0, 1.0, 0.0]) if down is None else down
    places = np.flatnonzero(present)
    heading = -np.rad2deg(angles @ axis)[places]
    count = len(heading) - 2 * _STEP_FRAMES + 1
    if count < 3:
        return []
    mean = np.convolve(heading, np.full(_STEP_FRAMES, 1.0 / _STEP_FRAMES), mode="valid")
    rise = mean[_STEP_FRAMES:] - mean[:-_STEP_FRAMES]
    rise = rise - np.median(rise)
    least = max(_STEP_SIGMAS * robust_sigma(rise), _LEAST_STEP_DEG)
    found: list[tuple[int, float]] = []
    for k in np.argsort(-np.abs(rise)):
        frame = int(places[k + _STEP_FRAMES])
        if abs(rise[k]) < least:
            break
        if all(abs(frame - other) > 2 * _STEP_FRAMES for other, _ in found):
            found.append((frame, float(rise[k])))
    return sorted(found)
