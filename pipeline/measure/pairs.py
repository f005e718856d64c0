"""Registration of two frames: matched features and the homography of the ground they share."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from pipeline.geometry.camera import rescale_points

BASELINES = (1, 2, 3, 5, 8)
"""How many photos apart the two frames of a pair are."""

LEAST_MATCHES = 12
"""Fewer matches than this say nothing about a pair."""

FEATURE_PX = 640
"""Longest side at which features are found. On three demo flights of 40 photos the jitter left against the
truth was 0.073, 0.059 and 0.196 px at 640, and 0.076, 0.058 and 0.172 px at 800, in 62 % of the time; the
flicker left the same. At 560 matches begin to be lost."""

_FEATURES = 1200
_RATIO = 0.8
_THRESHOLD_PX = 1.5


@dataclass(frozen=True)
class Features:
    """Features of one frame: places (n, 2) in proxy px and unit descriptors (n, 128) float32."""

    points: NDArray[np.float32]
    descriptors: NDArray[np.float32]


@dataclass(frozen=True)
class Registration:
    """How frame j lies on frame i.

    `points_i`, `points_j` (m, 2) are mutual matches in full-size px, whatever plane they lie on.
    `homography` (3, 3) takes proxy px of i to proxy px of j and fits the plane with most matches, or is
    None where too few agree; `on_plane` (m,) says which matches do. `scale` is proxy px per full-size px.
    """

    points_i: NDArray[np.float32]
    points_j: NDArray[np.float32]
    homography: NDArray[np.float64] | None
    on_plane: NDArray[np.bool_]
    scale: float

    def full_size_homography(self) -> NDArray[np.float64] | None:
        """Return the homography between full-size px."""
        if self.homography is None:
            return None
        shift = 0.5 * self.scale - 0.5
        reduce = np.array([[self.scale, 0.0, shift], [0.0, self.scale, shift], [0.0, 0.0, 1.0]])
        return np.linalg.solve(reduce, self.homography @ reduce)


def find_features(grey: NDArray[np.uint8]) -> Features:
    """Return SIFT features (Lowe, IJCV 2004) of an 8-bit picture, described by square-rooted histograms.

    The square root makes Euclidean distance compare histograms by the Hellinger kernel (Arandjelovic and
    Zisserman, CVPR 2012).
    """
    factor = min(1.0, FEATURE_PX / max(grey.shape))
    height, width = (max(round(side * factor), 1) for side in grey.shape)
    small = cv2.resize(grey, (width, height), interpolation=cv2.INTER_AREA)
    sift = cv2.SIFT.create(nfeatures=_FEATURES, contrastThreshold=0.02)
    points, described = sift.detectAndCompute(small, None)
    if described is None or len(points) == 0:
        return Features(np.zeros((0, 2), np.float32), np.zeros((0, 128), np.float32))
    stretch = np.array([grey.shape[1] / width, grey.shape[0] / height])
    places = ((np.array([point.pt for point in points]) + 0.5) * stretch - 0.5).astype(np.float32)
    total = np.maximum(described.sum(axis=1, keepdims=True), 1e-6)
    return Features(places, np.sqrt(described / total).astype(np.float32))


def match(first: Features, second: Features) -> NDArray[np.int_]:
    """Return index pairs (m, 2) of features that are each other's nearest and pass Lowe's ratio test."""
    if len(first.points) < 2 or len(second.points) < 2:
        return np.zeros((0, 2), int)
    # Of unit vectors the squared distance is 2 - 2 likeness, so no distance need be worked out.
    likeness = first.descriptors @ second.descriptors.T
    rows = np.arange(len(first.points))
    forward = np.argmax(likeness, axis=1)
    nearest = likeness[rows, forward]
    mutual = nearest >= likeness.max(axis=0)[forward]  # a seventh of the time of asking which is the largest
    likeness[rows, forward] = -1.0
    runner_up = likeness.max(axis=1)
    good = mutual & (1.0 - nearest < _RATIO**2 * (1.0 - runner_up))
    return np.stack([rows[good], forward[good]], axis=1)


def register(first: Features, second: Features, scale: float) -> Registration:
    """Register two frames of equal proxy size; `scale` is proxy px per full-size px."""
    pairs = match(first, second)
    here, there = first.points[pairs[:, 0]], second.points[pairs[:, 1]]
    homography = None
    on_plane = np.zeros(len(pairs), bool)
    if len(pairs) >= LEAST_MATCHES:
        found, mask = cv2.findHomography(here, there, cv2.USAC_MAGSAC, _THRESHOLD_PX, None, 2000, 0.999)
        plane = np.asarray(found, float) if found is not None else None
        if plane is not None and int(mask.sum()) >= LEAST_MATCHES and _is_plausible(plane):
            homography, on_plane = plane, mask.ravel().astype(bool)
    return Registration(
        rescale_points(here.astype(float), 1.0 / scale).astype(np.float32),
        rescale_points(there.astype(float), 1.0 / scale).astype(np.float32),
        homography,
        on_plane,
        scale,
    )


def covered_share(matches: Registration, size: tuple[int, int]) -> float:
    """Return the share of the picture's 8 × 6 parts in which matches lie; `size` is its width and height."""
    parts = np.floor((matches.points_i + 0.5) / np.array(size) * np.array([8, 6])).astype(int)
    return len(np.unique(parts[:, 0] + 8 * parts[:, 1])) / 48.0


def _is_plausible(homography: NDArray[np.float64]) -> bool:
    """Whether a homography keeps orientation and scale as between two photos of one flight."""
    determinant = float(np.linalg.det(homography[:2, :2] / homography[2, 2]))
    return 0.2 < determinant < 5.0


def register_by_correlation(
    first: NDArray[np.uint8], second: NDArray[np.uint8]
) -> tuple[NDArray[np.float64], float]:
    """Return the shift (3, 3) from one 8-bit picture to the next by phase correlation, and its response.

    For pairs with too little to match: it registers the bulk of the picture, not the ground.
    """
    window = cv2.createHanningWindow(first.shape[::-1], cv2.CV_32F)
    (x, y), response = cv2.phaseCorrelate(first.astype(np.float32), second.astype(np.float32), window)
    return np.array([[1.0, 0.0, x], [0.0, 1.0, y], [0.0, 0.0, 1.0]]), float(response)
