"""Airlight of known change, in pairs built from known light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.measure.airlight import Airlight, estimate_airlight, without_airlight
from pipeline.measure.levels import solve_levels
from pipeline.measure.look import PairFigures
from tests.measure.synthetic_pairs import flicker, light_pairs

NONE = (0.0, 0.0, 0.0)
COUNT, PERIOD, BLOCKS = 64, 40.0, 200
CHANGE = -2e-4
"""As some 40 km of visibility give it where the drone flies 5 m towards the ground between photos."""


def estimate(pairs: list[PairFigures]) -> Airlight:
    return estimate_airlight(pairs, NONE, solve_levels(COUNT, pairs, NONE).level_ev, PERIOD)


@pytest.mark.parametrize("spoiled", [0.0, 0.2])
def test_a_known_change_is_found(spoiled: float) -> None:
    found = estimate(
        light_pairs(flicker(COUNT), blocks=BLOCKS, noise_ev=0.01, haze_change=CHANGE, spoiled=spoiled)
    )
    assert np.median(found.change, axis=0) == pytest.approx(np.full(3, CHANGE), rel=0.1)
    assert (found.sigma < 0.1 * abs(CHANGE)).all()


def test_levels_without_it_are_those_of_the_light() -> None:
    truth = flicker(COUNT)
    pairs = light_pairs(truth, blocks=BLOCKS, noise_ev=0.01, haze_change=CHANGE)
    level = solve_levels(COUNT, pairs, NONE).level_ev
    clear = without_airlight(pairs, NONE, level, estimate(pairs))
    # Ground of the typical level 0.08 loses 0.0025 EV a frame, 0.16 EV in all.
    drift = [
        abs(float(np.polyfit(np.arange(COUNT), (solved - truth)[:, 1], 1)[0]) * COUNT)
        for solved in (level, solve_levels(COUNT, clear, NONE).level_ev)
    ]
    assert drift[0] > 0.1
    assert drift[1] < 0.1 * drift[0]


def coloured(pairs: list[PairFigures], share: tuple[float, float, float]) -> list[PairFigures]:
    """The pairs with the change of airlight `CHANGE` times `share` in each channel."""
    out = []
    for pair in pairs:
        inverse = 2.0 ** -(pair.blocks.level_ev - pair.blocks.level_ev.mean(axis=0) - 3.5)
        ratio = pair.blocks.ratio_ev + inverse * CHANGE * (pair.j - pair.i) * np.array(share)
        out.append(replace(pair, blocks=replace(pair.blocks, ratio_ev=ratio.astype(np.float32))))
    return out


def test_the_colour_of_the_airlight_is_kept_apart() -> None:
    still = np.zeros((COUNT, 3))
    found = estimate(coloured(light_pairs(still, blocks=BLOCKS, noise_ev=0.005), (0.4, 1.0, 0.8)))
    red, green, blue = np.median(found.change, axis=0)
    assert (red / green, blue / green) == pytest.approx((0.4, 0.8), abs=0.06)


@pytest.mark.parametrize("seed", range(3))
def test_without_haze_none_is_found_and_nothing_changed(seed: int) -> None:
    pairs = light_pairs(flicker(COUNT), seed, blocks=BLOCKS, noise_ev=0.02, spoiled=0.1)
    found = estimate(pairs)
    assert not found.found
    assert "no light of haze" in str(found.told()["haze"])


def test_a_little_that_may_be_chance_is_shrunk() -> None:
    pairs = light_pairs(flicker(COUNT), blocks=BLOCKS, noise_ev=0.02, haze_change=-5e-6)
    assert (np.abs(estimate(pairs).change) < 5e-6).all()


def test_ground_that_gets_darker_the_other_way_is_no_haze() -> None:
    """Airlight grows only where the distance does: dark ground that brightens as it nears is sheen."""
    pairs = light_pairs(flicker(COUNT), blocks=BLOCKS, noise_ev=0.01, haze_change=-CHANGE)
    assert not estimate(pairs).found
    backwards = [replace(pair, nearer=-pair.nearer) for pair in pairs]
    assert np.median(estimate(backwards).change, axis=0) == pytest.approx(np.full(3, -CHANGE), rel=0.1)


def test_a_few_photos_tell_no_haze() -> None:
    truth = flicker(12)
    pairs = light_pairs(truth, blocks=BLOCKS, noise_ev=0.005, haze_change=CHANGE)
    assert not estimate_airlight(pairs, NONE, truth, PERIOD).found


def test_unregistered_pairs_and_unknown_levels_are_passed_over() -> None:
    pairs = light_pairs(flicker(COUNT), blocks=BLOCKS, noise_ev=0.01, haze_change=CHANGE)
    level = solve_levels(COUNT, pairs, NONE).level_ev
    level[30] = np.nan
    loose = [replace(p, registered=p.i % 7 > 0) for p in pairs]
    found = estimate_airlight(loose, NONE, level, PERIOD)
    assert np.isfinite(found.change).all()
    assert np.median(found.change, axis=0) == pytest.approx(np.full(3, CHANGE), rel=0.1)
