"""Channel gains of display-referred flights with a wander baked in."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.colour.ground import against_green
from pipeline.measure.highpass import fast_part, slow_part
from pipeline.measure.levels import Levels
from pipeline.settings import BalanceSettings
from pipeline.stages.balance import Balanced, balance, channel_gains
from pipeline.stages.result import StageResult
from tests.stages.balanced import COUNT, GROUND, LOCK, LUMA, PERIOD, baked
from tests.stages.flights import levels_of, sequence_of


@pytest.mark.parametrize("seed", [0, 1])
def test_wander_baked_into_jpegs_is_undone(seed: int) -> None:
    fast = np.random.default_rng(seed).normal(0.0, 0.08, COUNT)
    level = baked(fast, np.zeros(COUNT)) + np.random.default_rng(9).normal(0, 0.2, (COUNT, 1))
    out, result = balance(
        sequence_of(COUNT, kind="display-referred"),
        None,
        levels_of(level, 0.0005),
        levels_of(level, 0.0005, seed=1),
        LOCK,
        PERIOD,
    )
    assert (out.neutral == 1.0).all()
    after = level + out.channel_gain_ev
    for channel in (0, 2):
        against = after[:, channel] - after[:, 1]
        slow = slow_part(level[:, channel] - level[:, 1], PERIOD)
        # two channels' noise of 0.0005 EV
        assert np.sqrt(np.mean((against - slow) ** 2)) < 0.001
    # luminance is left to deflicker: gains weigh out over BT.709's channels
    assert np.allclose(out.channel_gain_ev @ LUMA, 0.0, atol=1e-12)
    found, left = result.found["neutral_rms_mired"], result.left["neutral_rms_mired"]
    assert found is not None and left is not None
    # red and blue 0.08 EV apart from green each are some ten mired near 6500 K
    assert 5.0 < found < 20.0
    # a filter leaves H (1 - H) of what it sees about its period: 3 % of white wander, and end effects
    assert left < 0.08 * found


def test_a_redder_jpeg_frame_loses_red() -> None:
    level = np.zeros((COUNT, 3))
    level[60, 0] = 0.3
    light = levels_of(level)
    out, _ = balance(sequence_of(COUNT, kind="display-referred"), None, light, light, LOCK, PERIOD)
    gains = out.channel_gain_ev
    assert gains[60, 0] - gains[60, 1] == pytest.approx(-0.3, abs=1e-3)
    assert gains[60, 2] - gains[60, 1] == pytest.approx(0.0, abs=1e-3)
    assert np.max(np.abs(np.delete(gains, 60, axis=0))) < 1e-3


def test_slow_drift_of_the_light_s_colour_is_kept() -> None:
    drift = 0.25 * np.sin(np.pi * np.arange(COUNT) / COUNT)
    level = baked(np.random.default_rng(3).normal(0.0, 0.03, COUNT), drift)
    light = levels_of(level)
    out, result = balance(sequence_of(COUNT, kind="display-referred"), None, light, light, LOCK, PERIOD)
    after = level + out.channel_gain_ev
    red = after[:, 0] - after[:, 1]
    # a level uncertain by 0.001 EV leaves about 2 * 0.001**2 / 0.03**2 of a wander of 0.03 EV, 7e-5 EV
    assert red - slow_part(level[:, 0] - level[:, 1], PERIOD) == pytest.approx(np.zeros(COUNT), abs=2e-4)
    assert np.polyfit(drift, red, 1)[0] == pytest.approx(1.0, abs=0.05)
    drift_mired = result.applied["scene_drift_mired"]
    assert drift_mired > 20.0


def with_two_that_share_nothing() -> tuple[Balanced, StageResult]:
    """Balance JPEGs of which frame 20 is missing and 21 shows other ground."""
    level = baked(np.random.default_rng(5).normal(0.0, 0.05, COUNT), np.zeros(COUNT))
    level[[20, 21]] = np.nan
    light = levels_of(level)
    sequence = sequence_of(COUNT, missing=(20,), kind="display-referred")
    return balance(sequence, None, light, light, LOCK, PERIOD)


def test_frames_without_a_level_get_no_channel_gain() -> None:
    out, _ = with_two_that_share_nothing()
    assert np.array_equal(out.channel_gain_ev[[20, 21]], np.zeros((2, 3)))
    assert np.count_nonzero(out.channel_gain_ev[:, 0]) == COUNT - 2


def test_a_jpeg_frame_that_shares_nothing_has_no_figure() -> None:
    _, result = with_two_that_share_nothing()
    assert [result.frames[k]["left_mired"] for k in (20, 21)] == [None, None]


def test_jpegs_that_share_nothing_have_no_figures() -> None:
    light = levels_of(np.full((COUNT, 3), np.nan))
    _, result = balance(sequence_of(COUNT, kind="display-referred"), None, light, light, LOCK, PERIOD)
    for when, figures in (("found", result.found), ("left", result.left)):
        assert figures["neutral_rms_mired"] is None
        assert f"{when}.neutral_rms_mired" in result.unmeasured


def test_a_grey_rectangle_of_a_jpeg_is_grey_after_its_own_gains() -> None:
    level = baked(np.random.default_rng(6).normal(0.0, 0.05, COUNT), np.zeros(COUNT))
    light = levels_of(level)
    grey = (1.1, 1.0, 0.8)
    settings = BalanceSettings(mode="grey", grey_frame=7)
    out, _ = balance(
        sequence_of(COUNT, kind="display-referred"), None, light, light, settings, PERIOD, GROUND, grey
    )
    shown = np.array(grey) * 2.0 ** out.channel_gain_ev[7] / out.neutral[7]
    assert np.ptp(shown) < 1e-9


def test_a_named_jpeg_keeps_its_colour_and_the_others_take_it() -> None:
    level = baked(np.random.default_rng(6).normal(0.0, 0.05, COUNT), np.zeros(COUNT))
    light = levels_of(level)
    settings = BalanceSettings(mode="frame", frame=11)
    out, _ = balance(sequence_of(COUNT, kind="display-referred"), None, light, light, settings, PERIOD)
    assert (out.channel_gain_ev[11] == 0.0).all()
    after = against_green(level + out.channel_gain_ev)
    slow = np.stack([slow_part(against_green(level)[:, c], PERIOD) for c in (0, 1)], axis=1)
    assert np.ptp(after - slow, axis=0).max() < 1e-3


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_gains_drowned_in_noise_are_no_worse_than_none(seed: int) -> None:
    """Wander of 0.003 EV under an error of 0.02 EV: correcting what is measured would add flicker."""
    rng = np.random.default_rng(seed)
    true = baked(rng.normal(0.0, 0.003, COUNT), np.zeros(COUNT))
    noisy = true + rng.normal(0.0, 0.02, (COUNT, 3))
    light = Levels(noisy, np.full(COUNT, 0.02), np.zeros(COUNT, bool), (0.0, 0.0, 0.0))
    before = fast_part(against_green(true)[:, 0], PERIOD)
    after = fast_part(against_green(true + channel_gains(light, PERIOD))[:, 0], PERIOD)
    measured = fast_part(against_green(noisy)[:, 0], PERIOD)
    assert np.std(measured) > 5 * np.std(before)  # applied in full it would do harm
    assert np.std(after) < 0.005
