"""A flight with a black frame, one in fog, and ground lost for good: what each frame then rests on."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.levels import ALIGNED, NOTHING, STATISTICS, solve_levels
from pipeline.measure.light import LightView
from pipeline.measure.look import Look, PairFigures, compare
from pipeline.measure.pairs import BASELINES, find_features
from pipeline.measure.proxy import feature_picture
from tests.measure.made import proxy_of, texture

HIGH, WIDE = 240, 320
COUNT, BLACK, FOGGED, LOST = 24, 6, 11, 16
STEP_PX = 14


@pytest.fixture(scope="module")
def flown() -> tuple[np.ndarray, list[Look]]:
    """Levels (n,) and looks of a flight over two grounds, from frame LOST on over the second."""
    level = np.random.default_rng(1).normal(0.0, 0.1, COUNT)
    grounds = [0.6 * texture(HIGH, WIDE + COUNT * STEP_PX, seed=seed) for seed in (3, 4)]
    looks = []
    for frame in range(COUNT):
        left = frame * STEP_PX
        seen = grounds[frame >= LOST][:, left : left + WIDE] * 2.0 ** level[frame]
        if frame == BLACK:
            seen = np.full_like(seen, 1e-5)
        if frame == FOGGED:
            noise = np.random.default_rng(frame).normal(0.0, 0.002, seen.shape)
            seen = 0.2 * 2.0 ** level[frame] + noise.astype(np.float32)
        proxy = proxy_of(seen)
        grey = feature_picture(proxy)
        looks.append(Look(frame, None, LightView.of(proxy), grey, find_features(grey), None))
    return level, looks


def test_it_solves_and_tells(flown: tuple[np.ndarray, list[Look]]) -> None:
    level, looks = flown
    pairs: list[PairFigures] = []
    for later, look in enumerate(looks):
        for baseline in BASELINES:
            if baseline <= later:
                pair = compare(looks[later - baseline], look)
                assert pair is not None
                pairs.append(pair)
    medians = {}
    for look in looks:
        assert look.light is not None
        red, green, blue = np.median(look.light.planes[..., :3].reshape(-1, 3), axis=0)
        medians[look.frame] = (float(red), float(green), float(blue))
    solved = solve_levels(COUNT, pairs, (0.0, 0.0, 0.0), medians=medians)

    assert solved.group is not None
    assert solved.group[BLACK] == NOTHING and np.isnan(solved.level_ev[BLACK]).all()
    assert solved.group[FOGGED] in (ALIGNED, STATISTICS) and np.isfinite(solved.level_ev[FOGGED]).all()
    assert solved.sigma_ev[FOGGED] > 10 * np.nanmedian(solved.sigma_ev)
    ordinary = [k for k in range(COUNT) if k not in (BLACK, FOGGED)]
    assert [int(solved.group[k]) for k in ordinary] == [0 if k < LOST else 1 for k in ordinary]
    for part in ([k for k in ordinary if k < LOST], [k for k in ordinary if k >= LOST]):
        off = solved.level_ev[part, 1] - level[part]
        assert np.std(off) < 0.001
    # Across the gap and in the fog only the pictures' medians speak: right as far as the scenes are alike.
    off = solved.level_ev[:, 1] - level
    assert abs(np.mean(off[:BLACK]) - np.mean(off[LOST:])) < 0.3
    assert abs(off[FOGGED] - np.mean(off[:BLACK])) < 0.5
