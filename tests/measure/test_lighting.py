"""The whole of solving the light, on pairs built from known light and haze."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.colour.display import srgb_camera
from pipeline.measure.levels import solve_levels
from pipeline.measure.lighting import Ground, Lighting, solve_lighting
from tests.measure.synthetic_pairs import flicker, light_pairs

COUNT, PERIOD = 32, 20.0
GROUND = Ground(srgb_camera(), (1.0, 1.0, 1.0), (0.1, 0.1, 0.1))


def solved(haze_change: float) -> Lighting:
    pairs = light_pairs(flicker(COUNT), blocks=120, noise_ev=0.01, haze_change=haze_change)
    return solve_lighting(COUNT, pairs, {}, GROUND, 4 / 3, PERIOD)


def drift_ev(level_ev: np.ndarray) -> float:
    off = (level_ev - flicker(COUNT))[:, 1]
    return abs(float(np.polyfit(np.arange(COUNT), off, 1)[0])) * COUNT


def test_haze_is_kept_out_of_the_levels_and_told() -> None:
    hazy = solved(-2e-4)
    assert hazy.airlight.found and "was taken out" in str(hazy.airlight.told()["haze"])
    plain = solve_levels(
        COUNT, light_pairs(flicker(COUNT), blocks=120, noise_ev=0.01, haze_change=-2e-4), (0.0, 0.0, 0.0)
    )
    assert drift_ev(plain.level_ev) > 0.05
    for levels in (hazy.light, hazy.held_out):
        assert drift_ev(levels.level_ev) < 0.15 * drift_ev(plain.level_ev)


def test_clear_air_leaves_the_levels_as_they_are() -> None:
    clear = solved(0.0)
    assert not clear.airlight.found
    error = clear.light.level_ev - flicker(COUNT)
    # a pair of grey blocks of 0.01 EV is known to some 0.0015 EV, and ten pairs end in a frame
    assert np.std(error - error.mean(axis=0)) < 0.0015
    assert clear.light.vignette == pytest.approx((0.0, 0.0, 0.0), abs=0.02)
    assert not clear.parts.applied_ev.any()
