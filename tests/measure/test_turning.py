"""Poses of few matches: what tags overrule, and what other pairs confirm."""

from __future__ import annotations

import numpy as np

from pipeline.geometry.pose import Pose
from pipeline.measure.look import PairFigures
from pipeline.measure.turning import confirmed, poses_of, trusted
from pipeline.sequence import Frame
from tests.geometry.scene import FOCAL, HEIGHT, WIDTH, camera_axes
from tests.stages.steady import flight, sequence

COUNT = 8
LEVEL = (30.0, -25.0, 0.0)
OFF = (35.0, -25.0, 0.0)


def few(inliers: int = 40) -> list[Pose]:
    return [Pose(np.eye(3), 1e-8 * np.eye(3), "rotation", inliers)]


def poses(pair: PairFigures, frames: tuple[Frame, ...]) -> list[Pose]:
    return poses_of(pair, frames, FOCAL, (WIDTH, HEIGHT), 0.8)


def told_deg(frames: tuple[Frame, ...]) -> list[float | None]:
    return [frame.yaw_deg for frame in frames]


def test_a_pose_far_from_the_tags_gives_way_to_them() -> None:
    """Tags of one photo tell five degrees more than the truth."""
    right = sequence(COUNT, attitudes=[LEVEL] * COUNT)
    wrong = sequence(COUNT, attitudes=[*[LEVEL] * 3, OFF, *[LEVEL] * (COUNT - 4)])
    for matches, belied in ((60, False), (350, True)):
        pairs = flight(np.full(COUNT, LEVEL[0]), matches=matches, shake_deg=0.0).pairs
        allowed = [poses(pair, wrong.frames) for pair in pairs]
        seen, kept = trusted(wrong, pairs, allowed)
        # many matches in all pairs are right whatever the tags say; few are not
        assert [yaw is None for yaw in told_deg(seen.frames)] == [belied and k == 3 for k in range(COUNT)]
        for pair, before, after in zip(pairs, allowed, kept, strict=True):
            if 3 not in (pair.i, pair.j):
                assert after[0] is before[0]
            elif belied:
                assert after == before
            else:
                assert not any(pose is before[0] for pose in after)
        seen, kept = trusted(right, pairs, allowed)
        assert told_deg(seen.frames) == told_deg(right.frames) and kept[-1]


def test_waves_matched_in_some_pairs_do_not_belie_the_tags() -> None:
    pairs = flight(np.full(COUNT, LEVEL[0]), matches=20).pairs
    told = sequence(COUNT, attitudes=[LEVEL] * COUNT)
    turned = Pose(camera_axes(50.0, 0.0) @ camera_axes(0.0, 0.0).T, 1e-8 * np.eye(3), "plane", 400)
    by_chance = [[turned] if k % 2 else [] for k, _ in enumerate(pairs)]
    seen, kept = trusted(told, pairs, by_chance)
    assert told_deg(seen.frames) == told_deg(told.frames)
    assert not any(kept)
    # without tags nothing else tells the turn
    assert trusted(sequence(COUNT), pairs, by_chance)[1] == by_chance


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
