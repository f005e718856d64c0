"""What the attitude angles of the tags tell of the camera's turning, and how well."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.pose import attitude
from pipeline.geometry.rotation import PairRotation, isotropic, log
from pipeline.measure.pairs import BASELINES
from pipeline.sequence import Frame, Sequence

Floats = NDArray[np.float64]

ATTITUDE_SIGMA_RAD = float(np.deg2rad(0.5))
"""How far the tags' turn between two photos may be off where nothing is known of them."""

_UNTOLD_SIGMA_RAD = float(np.deg2rad(0.1))
_LEAST_SIGMA_RAD = float(np.deg2rad(0.03))  # angles in tenths of a degree, rounded
_SHARP_RAD = float(np.deg2rad(0.05))
_FEWEST = 12


def told_attitude(frame: Frame) -> Floats | None:
    """Return the rotation (3, 3) from world to camera axes that the tags of a frame tell, or None."""
    if frame.yaw_deg is None or frame.pitch_deg is None or frame.roll_deg is None:
        return None
    return attitude(frame.yaw_deg, frame.pitch_deg, frame.roll_deg)


def tag_sigma_rad(sequence: Sequence, pairs: list[PairRotation]) -> float:
    """Return the standard deviation of one photo's angles, by pairs whose turn is sharply known otherwise.

    The robust spread of their difference, about the axes that the pair tells sharply, over the square root
    of two photos. Where too few tell, a usual value (common practice, no source).
    """
    off: list[float] = []
    for pair in pairs:
        here, there = told_attitude(sequence.frames[pair.i]), told_attitude(sequence.frames[pair.j])
        if here is None or there is None:
            continue
        spread, axes = np.linalg.eigh(pair.covariance)
        off += list((axes.T @ log(there @ here.T @ pair.rotation.T))[spread < _SHARP_RAD**2])
    if len(off) < _FEWEST:
        return _UNTOLD_SIGMA_RAD
    return max(1.4826 * float(np.median(np.abs(off))) / float(np.sqrt(2.0)), _LEAST_SIGMA_RAD)


def tag_pairs(sequence: Sequence, sigma_rad: float) -> list[PairRotation]:
    """Return the turns that the tags tell between photos a few apart.

    Differences of few photos do not feel an offset of the angles, nor its slow drift. Every photo takes part
    in two of each baseline, weighed down so that all together tell its angles with `sigma_rad`, once.
    """
    covariance = isotropic(sigma_rad * float(np.sqrt(2.0 * len(BASELINES))))
    told = [(frame.frame, told_attitude(frame)) for frame in sequence.photos]
    links = []
    for later, (j, there) in enumerate(told):
        for baseline in BASELINES:
            i, here = told[later - baseline] if baseline <= later else (0, None)
            if here is not None and there is not None:
                links.append(PairRotation(i, j, there @ here.T, covariance))
    return links
