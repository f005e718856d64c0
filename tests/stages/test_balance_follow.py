"""A light that drifts: followed, or left in the picture."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.colour.ground import ground_response, lights_about
from pipeline.measure.highpass import fast_part, slow_part
from pipeline.settings import BalanceSettings
from pipeline.stages.balance import balance, light_colour, mired_duv
from tests.cameras import TWO_LIGHTS
from tests.stages.balanced import COUNT, GROUND, LOCK, PERIOD, drifting, seen_under
from tests.stages.flights import levels_of, sequence_of


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_follow_keeps_a_true_drift_and_drops_the_wander(seed: int) -> None:
    true, shot = drifting(15.0, 12.0, seed)
    light = levels_of(seen_under(true), 0.0005, seed)
    out, result = balance(
        sequence_of(COUNT, neutrals=list(shot)),
        TWO_LIGHTS,
        light,
        levels_of(seen_under(true), 0.0005, seed + 9),
        BalanceSettings(mode="follow"),
        PERIOD,
        GROUND,
    )
    truth, seen = mired_duv(TWO_LIGHTS, true)[:, 0], mired_duv(TWO_LIGHTS, out.neutral)[:, 0]
    # design, section 9: the true drift kept within 5 %
    assert np.ptp(seen) == pytest.approx(np.ptp(truth), rel=0.05)
    assert np.polyfit(truth, seen, 1)[0] == pytest.approx(1.0, abs=0.05)
    # the middle rests on the median of 120 neutrals of 12 mired
    assert abs(np.median(seen - truth)) < 3 * 1.25 * 12.0 / np.sqrt(COUNT)
    wandered = fast_part(mired_duv(TWO_LIGHTS, np.array(shot))[:, 0] - truth, PERIOD)
    assert result.found["neutral_rms_mired"] == pytest.approx(np.std(wandered), rel=0.03)
    assert result.left["neutral_rms_mired"] < 0.1
    assert result.left["neutral_drift_mired"] < 0.05 * 15.0
    assert result.left["ground_delta_e_rms"] < 0.1
    assert "following the light on the ground" in result.applied["neutral_from"]
    assert result.applied["scene_drift_mired"] == pytest.approx(15.0, rel=0.05)


def test_lock_leaves_the_light_s_own_drift_in_the_picture_and_says_how_much() -> None:
    true, shot = drifting(15.0, 12.0)
    light = levels_of(seen_under(true))
    out, result = balance(
        sequence_of(COUNT, neutrals=list(shot)), TWO_LIGHTS, light, light, LOCK, PERIOD, GROUND
    )
    assert np.ptp(out.neutral, axis=0).max() == 0.0
    assert result.left["neutral_drift_mired"] == pytest.approx(15.0, rel=0.05)
    # the filter keeps slow change within 2 % (design, section 9)
    assert result.left["neutral_rms_mired"] < 0.02 * 15.0


def test_coloured_ground_changes_less_than_the_light_and_that_is_allowed_for() -> None:
    true, _ = drifting(30.0, 0.0)
    levels = seen_under(true, (0.05, 0.16, 0.03))
    response = ground_response(lights_about(TWO_LIGHTS, true[COUNT // 2]), (0.05, 0.16, 0.03))
    change = light_colour(levels_of(levels), response, PERIOD).light_ev
    truth = np.log2(true[:, [0, 2]] / true[:, 1:2])
    ground = levels[:, [0, 2]] - levels[:, 1:2]
    told = [np.ptp(series, axis=0) for series in (change, truth, ground)]
    assert told[0] == pytest.approx(told[1], rel=0.03)
    assert (np.abs(told[2] / told[1] - 1.0) > 0.05).any()  # else this test shows nothing


def test_follow_without_ground_is_the_smoothed_choice_of_the_camera() -> None:
    _, shot = drifting(40.0, 5.0)
    nothing = levels_of(np.full((COUNT, 3), np.nan))
    out, result = balance(
        sequence_of(COUNT, neutrals=list(shot)),
        TWO_LIGHTS,
        nothing,
        nothing,
        BalanceSettings(mode="follow"),
        PERIOD,
    )
    told = mired_duv(TWO_LIGHTS, np.array(shot))[:, 0]
    assert mired_duv(TWO_LIGHTS, out.neutral)[:, 0] == pytest.approx(slow_part(told, PERIOD), abs=0.05)
    assert any("no two frames share ground" in warning for warning in result.warnings)
