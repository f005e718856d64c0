"""A known jitter of the ground in a steady view, and what the similarity leaves of it."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.field import Field
from pipeline.measure.parallax import Drift, cell_rates, jitter_by_cell, residual_similarity

FIELD = Field(1600, 1200, 1081.0, (16, 9))
CROP = 0.9
COUNT = 80
PERIOD = 20.0
PX = 1081.0 * 1.2 / 0.9
JITTER = 0.004
CORNER = np.abs(FIELD.straight_corners(CROP)[0, :2])


def drifts(far: float, seed: int = 0) -> tuple[list[Drift], np.ndarray]:
    """Ground that passes evenly and jitters; the upper third moves by the share `far` of it."""
    rng = np.random.default_rng(seed)
    shake = rng.normal(0.0, JITTER, (COUNT, 2))
    found = []
    for k in range(COUNT - 1):
        place = rng.uniform(-1.0, 1.0, (400, 2)) * CORNER
        near = np.where(place[:, 1] < -CORNER[1] / 3.0, far, 1.0)[:, None]
        motion = near * (np.array([0.0, 0.02]) + shake[k + 1] - shake[k]) + rng.normal(0.0, 1e-4, (400, 2))
        found.append(Drift(k, k + 1, place, motion, np.arange(400) % 5 == 0))
    return found, shake


def level_ground(place_jitter: float, seed: int = 1) -> list[Drift]:
    """Level ground under a camera that flies 8 % of its height a photo and looks 40 degrees down.

    `place_jitter` is the RMS of each axis in heights. Of each pair other places are matched: here mostly
    near ones, there mostly far ones.
    """
    rng = np.random.default_rng(seed)
    at = np.stack([np.zeros(COUNT), np.zeros(COUNT), 0.08 * np.arange(COUNT)], axis=1)
    at += rng.normal(0.0, place_jitter, (COUNT, 3))
    tilt = np.deg2rad(40.0)
    right, down = np.array([1.0, 0.0, 0.0]), np.array([0.0, np.cos(tilt), -np.sin(tilt)])
    forward = np.array([0.0, np.sin(tilt), np.cos(tilt)])
    camera = np.stack([right, down, forward])  # the world's y is down, its z ahead
    found = []
    for k in range(COUNT - 1):
        high = np.clip(rng.normal(rng.uniform(-0.6, 0.6), 0.5, 500), -1.0, 1.0)
        place = np.stack([rng.uniform(-1.0, 1.0, 500), high], axis=1) * CORNER
        rays = np.column_stack([place, np.ones(500)]) @ camera
        ground = at[k] + rays * ((1.0 - at[k, 1]) / rays[:, 1])[:, None]
        there = (ground - at[k + 1]) @ camera.T
        motion = there[:, :2] / there[:, 2:] - place + rng.normal(0.0, 3e-4, (500, 2))
        found.append(Drift(k, k + 1, place, motion, np.arange(500) % 5 == 0))
    return found


def test_jitter_that_all_ground_shares_goes() -> None:
    seen, shake = drifts(1.0)
    residual = residual_similarity(seen, COUNT, FIELD, CROP, PERIOD, PX)
    assert residual.similarity is not None and residual.before is not None and residual.after is not None
    # of two axes; of white jitter a period of 20 frames keeps all but a tenth
    assert residual.before == pytest.approx(np.sqrt(2.0) * JITTER, rel=0.15)
    assert residual.after < 0.2 * residual.before
    assert np.corrcoef(residual.similarity[:, 0], shake[:, 0])[0, 1] > 0.9
    assert np.max(np.abs(residual.similarity[:, 2:])) < 0.2 * JITTER


def test_far_ground_that_is_still_is_not_made_to_shake() -> None:
    seen, _ = drifts(0.0)
    residual = residual_similarity(seen, COUNT, FIELD, CROP, PERIOD, PX)
    _, held = cell_rates(seen, COUNT, CORNER)
    before = jitter_by_cell(held, PERIOD)
    assert (PX * before[:3] < 0.25).all() and (before[3:] > JITTER).all()
    if residual.similarity is not None:
        shift, _, grow, turn = np.split(residual.similarity, [1, 2, 3], axis=1)
        high = -2.0 / 3.0 * CORNER[1]  # the middle of the upper third
        moved = np.hstack([shift - turn * high, residual.similarity[:, 1:2] + grow * high])
        assert PX * np.sqrt(np.mean(np.sum(moved**2, axis=1))) < 0.5


def test_what_is_matched_elsewhere_does_not_look_like_motion() -> None:
    """Near ground passes three times as fast as far ground: a part's mean would jitter with the matches."""
    residual = residual_similarity(level_ground(0.0), COUNT, FIELD, CROP, PERIOD, PX)
    assert residual.before is not None and PX * residual.before < 0.5
    assert residual.similarity is None


def test_a_place_that_jitters_over_level_ground() -> None:
    """The similarity takes more than a third of it, and no part of the picture is left worse."""
    seen = level_ground(0.005)
    residual = residual_similarity(seen, COUNT, FIELD, CROP, PERIOD, PX)
    assert residual.before is not None and residual.after is not None
    assert PX * residual.before > 4.0
    assert residual.similarity is not None and residual.after < 0.65 * residual.before


def test_a_missing_photo_is_no_jump() -> None:
    seen, _ = drifts(1.0)
    spread = [d for d in seen if d.i not in (30, 31)]
    joined = Drift(30, 32, seen[30].place, seen[30].motion + seen[31].motion, seen[30].held)
    ordered = sorted([*spread, joined], key=lambda d: d.i)
    residual = residual_similarity(ordered, COUNT, FIELD, CROP, PERIOD, PX)
    assert residual.similarity is not None
    assert np.max(np.abs(residual.similarity[:, :2])) < 5.0 * JITTER


def test_nothing_to_see() -> None:
    assert residual_similarity([], COUNT, FIELD, CROP, PERIOD, PX).before is None
