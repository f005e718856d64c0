"""Poses of few matches: what tags overrule, and what other pairs confirm."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.pose import Pose, angle_between
from pipeline.measure.look import PairFigures
from pipeline.measure.tags import told_attitude
from pipeline.measure.turning import confirmed, poses_of
from pipeline.sequence import Frame
from tests.geometry.scene import FOCAL, HEIGHT, WIDTH
from tests.stages.steady import flight, sequence

COUNT = 8
LEVEL = (30.0, -25.0, 0.0)
OFF = (35.0, -25.0, 0.0)


def few(inliers: int = 40) -> list[Pose]:
    return [Pose(np.eye(3), 1e-8 * np.eye(3), "rotation", inliers)]


def poses(pair: PairFigures, frames: tuple[Frame, ...]) -> list[Pose]:
    return poses_of(pair, frames, FOCAL, (WIDTH, HEIGHT), 0.8)


def test_few_matches_do_not_overrule_tags() -> None:
    """The true turn is shake of a degree or so; tags that tell five degrees more than it are wrong."""
    rich = flight(np.full(2, LEVEL[0])).pairs[0]
    poor = flight(np.full(2, LEVEL[0]), matches=60).pairs[0]
    right = sequence(2, attitudes=[LEVEL, LEVEL]).frames
    wrong = sequence(2, attitudes=[LEVEL, OFF]).frames
    assert poses(poor, right)
    assert not poses(poor, wrong)
    # many matches are right whatever the tags say
    assert poses(rich, wrong)
    told = [told_attitude(frame) for frame in wrong]
    assert told[0] is not None and told[1] is not None
    assert np.rad2deg(angle_between(told[0], told[1])) > 4.0


def test_a_lone_pair_of_few_matches_gives_way_to_tags() -> None:
    pairs = flight(np.full(COUNT, LEVEL[0]), matches=20).pairs
    told = sequence(COUNT, attitudes=[LEVEL] * COUNT)
    all_of_them = [few() for _ in pairs]
    # each frame but the last ones has at least four pairs: they confirm each other
    assert sum(bool(poses) for poses in confirmed(told, pairs, all_of_them)) == len(pairs)
    lone = [few() if (pair.i, pair.j) == (2, 3) else [] for pair in pairs]
    assert not any(confirmed(told, pairs, lone))
    clear = [few(300) if (pair.i, pair.j) == (2, 3) else [] for pair in pairs]
    assert confirmed(told, pairs, clear) == clear
    # without tags nothing else tells the turn
    assert confirmed(sequence(COUNT), pairs, lone) == lone
