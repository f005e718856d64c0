"""How a camera's turning shows in the picture: angle paths, jitter and heading steps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.pose import attitude
from pipeline.geometry.rotation import log
from pipeline.measure.highpass import fast_part
from pipeline.sequence import Sequence

Floats = NDArray[np.float64]


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
