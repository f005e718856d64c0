"""Photosites that stand out again and again, against those that do so by chance."""

from __future__ import annotations

import numpy as np

from pipeline.measure.hot import LEAST_FRAMES, WINDOW, HotTally
from pipeline.photo.faults import Sites

PHOTOSITES = 100_000
HOT = np.array([7, 500, 99_999], np.uint32)


def frame(rng: np.random.Generator, hot: Sites = HOT, seen: float = 0.95) -> Sites:
    """The hot sites, most of them, and 200 by chance."""
    return np.union1d(hot[rng.random(len(hot)) < seen], rng.integers(0, PHOTOSITES, 200)).astype(np.uint32)


def test_the_same_sites_in_every_frame_are_hot() -> None:
    rng, tally = np.random.default_rng(0), HotTally()
    for _ in range(3 * WINDOW + 5):
        tally.add(frame(rng))
    assert tally.hot(PHOTOSITES).tolist() == HOT.tolist()


def test_sites_that_begin_to_glow_later_are_hot_too() -> None:
    rng, tally = np.random.default_rng(1), HotTally()
    for k in range(4 * WINDOW):
        tally.add(frame(rng, HOT if k >= 2 * WINDOW else HOT[:1]))
    assert tally.hot(PHOTOSITES).tolist() == HOT.tolist()


def test_a_short_flight_is_judged_as_a_whole_and_a_very_short_one_not_at_all() -> None:
    rng = np.random.default_rng(2)
    short, shorter = HotTally(), HotTally()
    for k in range(LEAST_FRAMES):
        short.add(frame(rng, seen=1.0))
        if k:
            shorter.add(frame(rng, seen=1.0))
    assert short.hot(PHOTOSITES).tolist() == HOT.tolist()
    assert len(shorter.hot(PHOTOSITES)) == 0


def test_frames_after_the_last_whole_stretch_count() -> None:
    rng, tally = np.random.default_rng(3), HotTally()
    for k in range(WINDOW + 18):
        tally.add(frame(rng, HOT if k >= WINDOW else HOT[:1], seen=1.0))
    assert tally.hot(PHOTOSITES).tolist() == HOT.tolist()


def test_too_many_at_once_are_something_else() -> None:
    many = np.arange(0, PHOTOSITES, 100, dtype=np.uint32)
    tally = HotTally()
    for _ in range(WINDOW):
        tally.add(many)
    assert len(tally.hot(PHOTOSITES)) == 0
    assert len(HotTally().hot(PHOTOSITES)) == 0
