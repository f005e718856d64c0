"""A known jitter of the ground in a steady view, and what the similarity leaves of it."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.path import Field
from pipeline.measure.parallax import Drift, fast_similarities, residual_similarity

FIELD = Field(1600, 1200, 1081.0, (16, 9))
CROP = 0.9
COUNT = 80
PERIOD = 20.0
PX = 1081.0 * 1.2 / 0.9
JITTER = 0.004


def drifts(far: float, seed: int = 0) -> tuple[list[Drift], np.ndarray]:
    """Ground that passes evenly and jitters; the upper third moves by the share `far` of it."""
    rng = np.random.default_rng(seed)
    shake = rng.normal(0.0, JITTER, (COUNT, 2))
    corner = np.abs(FIELD.straight_corners(CROP)[0, :2])
    found = []
    for k in range(COUNT - 1):
        place = rng.uniform(-1.0, 1.0, (400, 2)) * corner
        near = np.where(place[:, 1] < -corner[1] / 3.0, far, 1.0)[:, None]
        motion = near * (np.array([0.0, 0.02]) + shake[k + 1] - shake[k]) + rng.normal(0.0, 1e-4, (400, 2))
        found.append(Drift(k, k + 1, place, motion, np.arange(400) % 5 == 0))
    return found, shake


def test_the_fast_part_of_the_ground_s_way_is_found() -> None:
    seen, shake = drifts(1.0)
    similarity = fast_similarities(seen, COUNT, PERIOD)
    # the way from the first frame on, less its slow part, which a period of 20 frames keeps a tenth of
    assert np.corrcoef(similarity[:, 0], shake[:, 0])[0, 1] > 0.9
    assert np.std(similarity[:, 0]) < 1.1 * np.std(shake[:, 0])
    assert np.max(np.abs(similarity[:, 2:])) < 0.2 * JITTER


def test_jitter_that_all_ground_shares_goes() -> None:
    seen, _ = drifts(1.0)
    residual = residual_similarity(seen, COUNT, FIELD, CROP, PERIOD, PX)
    assert residual.similarity is not None and residual.before is not None and residual.after is not None
    assert 1.5 * JITTER < residual.before < 2.5 * JITTER  # of two axes, from frame to frame: 2 sigma
    assert residual.after < 0.2 * residual.before


def test_far_ground_that_is_still_is_not_made_to_shake() -> None:
    seen, _ = drifts(0.0)
    residual = residual_similarity(seen, COUNT, FIELD, CROP, PERIOD, PX)
    assert residual.similarity is None
    assert residual.after == residual.before


def test_a_missing_photo_is_no_jump() -> None:
    seen, _ = drifts(1.0)
    spread = [d for d in seen if d.i not in (30, 31)]
    joined = Drift(30, 32, seen[30].place, seen[30].motion + seen[31].motion, seen[30].held)
    similarity = fast_similarities(sorted([*spread, joined], key=lambda d: d.i), COUNT, PERIOD)
    assert np.max(np.abs(similarity[:, :2])) < 5.0 * JITTER


def test_nothing_to_see() -> None:
    assert residual_similarity([], COUNT, FIELD, CROP, PERIOD, PX).before is None
