"""A named subject is followed, and its place in the steady view told."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.light import BlockRatios
from pipeline.measure.look import PairFigures
from pipeline.measure.pairs import Registration
from pipeline.measure.subject import follow_subject
from tests.measure.synthetic_pairs import light_pair, no_matches

SIZE = (800, 600)
FOCAL = 600.0


def drifting(frames: int = 10, step_px: float = 30.0, matches: bool = True) -> list[PairFigures]:
    """Pairs of a flight in which all moves to the left by `step_px` a photo."""
    rng = np.random.default_rng(1)
    pairs = []
    for i in range(frames - 1):
        here = rng.uniform((0, 0), SIZE, (300 if matches else 0, 2)).astype(np.float32)
        there = here - np.array([step_px, 0.0], np.float32)
        plane = np.array([[1.0, 0.0, -step_px], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0]])
        found = Registration(here, there, plane, np.ones(len(here), bool), 1.0)
        pairs.append(PairFigures(i, i + 1, found, no_blocks(), True))
    return pairs


def no_blocks() -> BlockRatios:
    return light_pair(0, 1, np.zeros((2, 3)), np.random.default_rng(0)).blocks


@pytest.mark.parametrize("matches", [True, False])
def test_a_subject_is_followed_both_ways(matches: bool) -> None:
    subject = follow_subject(
        (5, 0.5, 0.5, 0.1, 0.1), drifting(matches=matches), np.zeros((10, 3)), FOCAL, SIZE, 1.0
    )
    assert subject is not None
    left = subject.boxes[:, 0]
    assert left == pytest.approx(400.0 - 30.0 * (np.arange(10) - 5), abs=0.5)


def test_the_share_shown_falls_as_it_leaves() -> None:
    subject = follow_subject((0, 0.1, 0.5, 0.1, 0.1), drifting(), np.zeros((10, 3)), FOCAL, SIZE, 1.0)
    assert subject is not None
    assert subject.shown[0] == 1.0
    assert subject.shown[-1] == 0.0
    assert np.all(np.diff(subject.shown) <= 0.0)


def test_the_steady_view_may_turn_away_from_it() -> None:
    turned = np.tile([0.0, np.deg2rad(25.0), 0.0], (10, 1))
    subject = follow_subject((5, 0.45, 0.45, 0.1, 0.1), drifting(step_px=0.0), turned, FOCAL, SIZE, 1.0)
    assert subject is not None
    # 25 degrees are 280 px of 600 px focal length, of the 400 px from the middle to the edge
    assert subject.shown == pytest.approx(np.full(10, 1.0))
    further = np.tile([0.0, np.deg2rad(40.0), 0.0], (10, 1))
    gone = follow_subject((5, 0.45, 0.45, 0.1, 0.1), drifting(step_px=0.0), further, FOCAL, SIZE, 1.0)
    assert gone is not None
    assert gone.shown.max() == 0.0


def test_a_lost_chain_is_unknown_and_a_foreign_frame_none() -> None:
    pairs = drifting()
    pairs[6] = PairFigures(6, 7, no_matches(), no_blocks(), False)
    subject = follow_subject((2, 0.5, 0.5, 0.1, 0.1), pairs, np.zeros((10, 3)), FOCAL, SIZE, 1.0)
    assert subject is not None
    assert np.isfinite(subject.shown[:7]).all()
    assert np.isnan(subject.shown[7:]).all()
    assert follow_subject((99, 0.5, 0.5, 0.1, 0.1), pairs, np.zeros((10, 3)), FOCAL, SIZE, 1.0) is None
