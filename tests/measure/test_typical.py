"""Blocks of many colours under a light that changes, told as one kind of ground."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from pipeline.colour.camera import camera_to_xyz_d50
from pipeline.measure.look import PairFigures
from pipeline.measure.typical import as_typical
from tests.cameras import TWO_LIGHTS
from tests.measure.synthetic_pairs import light_pair

HERE, THERE = np.array([0.55, 1.0, 0.70]), np.array([0.57, 1.0, 0.67])
MEADOW, SOIL = (0.10, 0.16, 0.07), (0.14, 0.18, 0.10)


def under_two_lights(grounds: np.ndarray) -> PairFigures:
    """A pair whose blocks are of these camera RGB (k, 3) under the first light, and seen under the second."""
    surface = grounds @ camera_to_xyz_d50(TWO_LIGHTS, HERE).T
    seen = surface @ np.linalg.inv(camera_to_xyz_d50(TWO_LIGHTS, THERE)).T
    pair = light_pair(0, 1, np.zeros((2, 3)), np.random.default_rng(0), blocks=len(grounds))
    told = {"ratio_ev": np.log2(seen / grounds), "level_ev": np.log2((seen + grounds) / 2.0)}
    return replace(pair, blocks=replace(pair.blocks, **{k: v.astype(np.float32) for k, v in told.items()}))


def mixed(count: int = 60) -> np.ndarray:
    share = np.linspace(0.0, 1.0, count)[:, None]
    return np.asarray(share * np.array(MEADOW) + (1.0 - share) * np.array(SOIL))


@pytest.mark.parametrize("typical", [MEADOW, SOIL, (0.055, 0.10, 0.07)])
def test_all_blocks_tell_what_the_typical_ground_shows(typical: tuple[float, float, float]) -> None:
    pair = under_two_lights(mixed())
    expected = under_two_lights(np.array([typical] * 30)).blocks.ratio_ev[0]
    (told,) = as_typical([pair], TWO_LIGHTS, (0.56, 1.0, 0.685), typical)
    against = told.blocks.ratio_ev[:, [0, 2]] - told.blocks.ratio_ev[:, 1:2]
    wanted = expected[[0, 2]] - expected[1]
    before = pair.blocks.ratio_ev[:, [0, 2]] - pair.blocks.ratio_ev[:, 1:2]
    # what is told is right to first order, and the change is of 0.05 EV
    assert np.abs(against - wanted).max() < 0.02 * np.abs(wanted).max()
    assert np.abs(before - wanted).max() > 0.03 * np.abs(wanted).max()  # else this test shows nothing
    assert np.array_equal(told.blocks.ratio_ev[:, 1], pair.blocks.ratio_ev[:, 1])


def test_a_change_of_exposure_alone_stays() -> None:
    pair = light_pair(0, 1, np.array([[0.0] * 3, [0.3] * 3]), np.random.default_rng(1), noise_ev=0.0)
    (told,) = as_typical([pair], TWO_LIGHTS, (0.56, 1.0, 0.685), MEADOW)
    assert told.blocks.ratio_ev == pytest.approx(pair.blocks.ratio_ev, abs=1e-6)


def test_colours_that_no_light_gives_stay_as_they_are() -> None:
    pair = under_two_lights(mixed())
    pair.blocks.level_ev[5] = (-1.0, -14.0, -14.0)
    (told,) = as_typical([pair], TWO_LIGHTS, (0.56, 1.0, 0.685), MEADOW)
    assert told.blocks.ratio_ev[5] == pytest.approx(pair.blocks.ratio_ev[5], abs=1e-6)
    assert np.isfinite(told.blocks.ratio_ev).all()


def test_a_pair_without_blocks_passes() -> None:
    empty = light_pair(0, 1, np.zeros((2, 3)), np.random.default_rng(0), blocks=0)
    (told,) = as_typical([empty], TWO_LIGHTS, (0.56, 1.0, 0.685), MEADOW)
    assert told.blocks.ratio_ev.shape == (0, 3)
