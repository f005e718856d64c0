"""The neutral of RAW flights and the channel gains of display-referred ones, of known wander and drift."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, xyz2lab, xyz_tristimulus_values

from pipeline.colour.camera import CameraColour, camera_to_xyz_d50, xy_to_neutral
from pipeline.colour.display import srgb_camera
from pipeline.colour.ground import against_green, ground_response, lights_about
from pipeline.colour.temperature import cct_duv_to_xy
from pipeline.errors import UsageError
from pipeline.measure.highpass import fast_part, slow_part
from pipeline.measure.levels import Levels
from pipeline.sequence import Triple
from pipeline.settings import BalanceSettings
from pipeline.stages.balance import (
    as_shot,
    balance,
    channel_gains,
    choose_neutral,
    light_colour,
    mired_duv,
)
from tests.stages.flights import levels_of, sequence_of

PERIOD = 60.0
COUNT = 120
LOCK = BalanceSettings()
LUMA = np.array([0.2126, 0.7152, 0.0722])  # ITU-R BT.709

# An invented camera: XYZ to its RGB under tungsten light and daylight.
CAMERA = CameraColour(
    np.array([[1.0, -0.3, -0.1], [-0.4, 1.3, 0.1], [-0.1, 0.2, 0.5]]),
    2856.0,
    np.array([[0.9, -0.2, -0.1], [-0.4, 1.2, 0.2], [-0.1, 0.2, 0.6]]),
    6504.0,
    None,
    None,
    np.eye(3),
    np.eye(3),
    np.ones(3),
)


def neutral_at(mired_value: float, duv: float = 0.003) -> Triple:
    """The camera's RGB of a neutral of that light, green = 1."""
    rgb = xy_to_neutral(CAMERA, cct_duv_to_xy(np.array([1e6 / mired_value, duv])))
    return float(rgb[0] / rgb[1]), 1.0, float(rgb[2] / rgb[1])


def wander(rms_mired: float = 15.0, about: float = 190.0, seed: int = 0) -> list[Triple]:
    return [neutral_at(about + d) for d in np.random.default_rng(seed).normal(0.0, rms_mired, COUNT)]


def steady_light() -> np.ndarray:
    return np.zeros((COUNT, 3))


def test_raw_wander_is_cured_by_one_neutral() -> None:
    neutrals = wander()
    sequence = sequence_of(COUNT, neutrals=list(neutrals))
    light = levels_of(steady_light())
    out, result = balance(sequence, CAMERA, light, light, LOCK, PERIOD)
    assert np.array_equal(out.channel_gain_ev, np.zeros((COUNT, 3)))
    assert np.ptp(out.neutral, axis=0).max() == 0.0
    middle = mired_duv(CAMERA, out.neutral)[0]
    # the median of 120 samples is good to 1.25 / sqrt(120) of their 15 mired
    assert middle[0] == pytest.approx(190.0, abs=3 * 1.71)
    assert middle[1] == pytest.approx(0.003, abs=2e-4)
    assert (out.neutral[:, 1] == 1.0).all()
    truth = fast_part(np.random.default_rng(0).normal(0.0, 15.0, COUNT), PERIOD)
    assert result.found["neutral_rms_mired"] == pytest.approx(np.sqrt(np.mean(truth**2)), rel=0.02)
    assert result.left["neutral_rms_mired"] == pytest.approx(0.0, abs=1e-6)
    assert result.left["neutral_duv_rms"] == pytest.approx(0.0, abs=1e-9)
    assert result.applied["temperature_k"] == pytest.approx(1e6 / middle[0])


def test_one_wild_neutral_does_not_move_the_lock() -> None:
    neutrals = wander()
    plain = choose_neutral(sequence_of(COUNT), CAMERA, np.array(neutrals), LOCK)[0]
    neutrals[17] = neutral_at(400.0, 0.02)
    spoiled = choose_neutral(sequence_of(COUNT), CAMERA, np.array(neutrals), LOCK)[0]
    assert spoiled == pytest.approx(plain, rel=0.005)


def test_a_set_temperature() -> None:
    settings = BalanceSettings(mode="temperature", temperature_k=4000.0, tint_duv=-0.005)
    out, result = balance(
        sequence_of(COUNT, neutrals=list(wander())),
        CAMERA,
        levels_of(steady_light()),
        levels_of(steady_light()),
        settings,
        PERIOD,
    )
    assert out.neutral[0] == pytest.approx(neutral_at(250.0, -0.005), rel=1e-3)
    assert "4000 K" in result.applied["neutral_from"]


def test_the_neutral_of_a_frame() -> None:
    neutrals = wander()
    sequence = sequence_of(COUNT, missing=(9,), neutrals=list(neutrals))
    shot = as_shot(sequence, CAMERA)
    neutral, source = choose_neutral(sequence, CAMERA, shot, BalanceSettings(mode="frame", frame=12))
    assert neutral == pytest.approx(neutrals[12])
    assert "frame 12 (heron_0012.dng)" in source
    for frame in (9, COUNT):
        with pytest.raises(UsageError, match=f"balance.frame = {frame}"):
            choose_neutral(sequence, CAMERA, shot, BalanceSettings(mode="frame", frame=frame))


def test_without_any_neutral_it_is_daylight_and_said() -> None:
    light = levels_of(steady_light())
    out, result = balance(sequence_of(COUNT), CAMERA, light, light, LOCK, PERIOD)
    daylight = xy_to_neutral(CAMERA, np.array([0.3127, 0.3290]))  # CIE D65
    assert out.neutral[0] == pytest.approx(daylight / daylight[1])
    assert any("no photo tells its neutral" in warning for warning in result.warnings)
    assert result.found["neutral_rms_mired"] is None
    assert "found.neutral_rms_mired" in result.unmeasured


def test_some_photos_without_a_neutral() -> None:
    neutrals: list[Triple | None] = list(wander())
    neutrals[3] = None
    sequence = sequence_of(COUNT, missing=(50,), neutrals=neutrals)
    light = levels_of(steady_light())
    out, result = balance(sequence, CAMERA, light, light, LOCK, PERIOD)
    assert np.isfinite(out.neutral).all()
    assert result.frames[3]["as_shot_mired"] is None and result.frames[50]["as_shot_mired"] is None
    assert result.found["neutral_rms_mired"] is not None


def baked(wander_ev: np.ndarray, drift_ev: np.ndarray) -> np.ndarray:
    """Levels (n, 3) of a JPEG flight: red and blue lean against each other by these EV."""
    lean = wander_ev + drift_ev
    return np.stack([lean, np.zeros(COUNT), -lean], axis=1)


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


def test_the_ground_s_own_colour_does_not_count_as_wander_of_a_raw() -> None:
    # The light itself flickers by 0.05 EV in red while the as-shot neutral follows it: no cast is found.
    red = np.random.default_rng(4).normal(0.0, 0.05, COUNT)
    level = np.stack([red, np.zeros(COUNT), np.zeros(COUNT)], axis=1)
    base = np.array(neutral_at(190.0))
    following: list[Triple | None] = [
        (float(base[0] * 2.0**r), 1.0, float(base[2])) for r in fast_part(red, PERIOD)
    ]
    light = levels_of(level)
    _, result = balance(sequence_of(COUNT, neutrals=following), CAMERA, light, light, LOCK, PERIOD)
    found, left = result.found["neutral_rms_mired"], result.left["neutral_rms_mired"]
    assert found is not None and left is not None
    assert found < 0.1 * left


@pytest.mark.parametrize("colour", [None, CAMERA])
@pytest.mark.parametrize("count", [1, 2, 3])
def test_very_short_flights(count: int, colour: CameraColour | None) -> None:
    neutrals: list[Triple | None] = [neutral_at(190.0 + k) for k in range(count)]
    level = (
        np.array([[0.0, 0.0, 0.0], [0.1, 0.0, 0.0], [0.0, 0.0, 0.1]])[:count]
        if count > 1
        else np.full((1, 3), np.nan)
    )
    light = levels_of(level)
    out, result = balance(sequence_of(count, neutrals=neutrals), colour, light, light, LOCK, PERIOD)
    assert np.isfinite(out.neutral).all() and np.isfinite(out.channel_gain_ev).all()
    assert len(result.frames) == count


def test_frames_without_a_level_get_no_channel_gain() -> None:
    level = baked(np.random.default_rng(5).normal(0.0, 0.05, COUNT), np.zeros(COUNT))
    level[[20, 21]] = np.nan
    light = levels_of(level)
    sequence = sequence_of(COUNT, missing=(20,), kind="display-referred")
    out, _ = balance(sequence, None, light, light, LOCK, PERIOD)
    assert np.array_equal(out.channel_gain_ev[[20, 21]], np.zeros((2, 3)))
    assert np.count_nonzero(out.channel_gain_ev[:, 0]) == COUNT - 2


def test_a_jpeg_frame_that_shares_nothing_has_no_figure() -> None:
    level = baked(np.random.default_rng(5).normal(0.0, 0.05, COUNT), np.zeros(COUNT))
    level[[20, 21]] = np.nan
    light = levels_of(level)
    sequence = sequence_of(COUNT, missing=(20,), kind="display-referred")
    _, result = balance(sequence, None, light, light, LOCK, PERIOD)
    assert [result.frames[k]["left_mired"] for k in (20, 21)] == [None, None]


def test_jpegs_that_share_nothing_have_no_figures() -> None:
    light = levels_of(np.full((COUNT, 3), np.nan))
    _, result = balance(sequence_of(COUNT, kind="display-referred"), None, light, light, LOCK, PERIOD)
    for when, figures in (("found", result.found), ("left", result.left)):
        assert figures["neutral_rms_mired"] is None
        assert f"{when}.neutral_rms_mired" in result.unmeasured


def test_linear_srgb_s_white_is_d65() -> None:
    # IEC 61966-2-1: x 0.3127, y 0.3290, which is 6504 K or 153.75 mired, Duv 0.0032
    mired_value, duv = mired_duv(srgb_camera(), np.array([[1.0, 1.0, 1.0]]))[0]
    assert mired_value == pytest.approx(153.75, abs=0.1)
    assert duv == pytest.approx(0.0032, abs=1e-4)


GROUND = (0.10, 0.16, 0.07)
"""Invented meadow: camera RGB."""


def seen_under(neutrals: np.ndarray, ground: Triple = GROUND) -> np.ndarray:
    """Levels (n, 3) in EV, under each neutral's light, of ground of that camera RGB in the middle one."""
    middle = neutrals[len(neutrals) // 2]
    surface = camera_to_xyz_d50(CAMERA, middle) @ np.array(ground)
    camera = np.array([np.linalg.solve(camera_to_xyz_d50(CAMERA, neutral), surface) for neutral in neutrals])
    return np.log2(camera / ground)


def drifting(drift_mired: float, wander_mired: float, seed: int = 0) -> tuple[np.ndarray, list[Triple]]:
    """Neutrals (n, 3) of a light that drifts, and what a camera with a wandering choice takes them for."""
    path = 190.0 + drift_mired * (0.5 - 0.5 * np.cos(np.pi * np.arange(COUNT) / (COUNT - 1)))
    shot = path + np.random.default_rng(seed).normal(0.0, wander_mired, COUNT)
    return np.array([neutral_at(m) for m in path]), [neutral_at(m) for m in shot]


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_follow_keeps_a_true_drift_and_drops_the_wander(seed: int) -> None:
    true, shot = drifting(15.0, 12.0, seed)
    light = levels_of(seen_under(true), 0.0005, seed)
    out, result = balance(
        sequence_of(COUNT, neutrals=list(shot)),
        CAMERA,
        light,
        levels_of(seen_under(true), 0.0005, seed + 9),
        BalanceSettings(mode="follow"),
        PERIOD,
        GROUND,
    )
    truth, seen = mired_duv(CAMERA, true)[:, 0], mired_duv(CAMERA, out.neutral)[:, 0]
    # design, section 9: the true drift kept within 5 %
    assert np.ptp(seen) == pytest.approx(np.ptp(truth), rel=0.05)
    assert np.polyfit(truth, seen, 1)[0] == pytest.approx(1.0, abs=0.05)
    # the middle rests on the median of 120 neutrals of 12 mired
    assert abs(np.median(seen - truth)) < 3 * 1.25 * 12.0 / np.sqrt(COUNT)
    wandered = fast_part(mired_duv(CAMERA, np.array(shot))[:, 0] - truth, PERIOD)
    assert result.found["neutral_rms_mired"] == pytest.approx(np.std(wandered), rel=0.03)
    assert result.left["neutral_rms_mired"] < 0.1
    assert result.left["neutral_drift_mired"] < 0.05 * 15.0
    assert result.left["ground_delta_e_rms"] < 0.1
    assert "following the light on the ground" in result.applied["neutral_from"]
    assert result.applied["scene_drift_mired"] == pytest.approx(15.0, rel=0.05)


def test_lock_leaves_the_light_s_own_drift_in_the_picture_and_says_how_much() -> None:
    true, shot = drifting(15.0, 12.0)
    light = levels_of(seen_under(true))
    out, result = balance(sequence_of(COUNT, neutrals=list(shot)), CAMERA, light, light, LOCK, PERIOD, GROUND)
    assert np.ptp(out.neutral, axis=0).max() == 0.0
    assert result.left["neutral_drift_mired"] == pytest.approx(15.0, rel=0.05)
    # the filter keeps slow change within 2 % (design, section 9)
    assert result.left["neutral_rms_mired"] < 0.02 * 15.0


def test_coloured_ground_changes_less_than_the_light_and_that_is_allowed_for() -> None:
    true, _ = drifting(30.0, 0.0)
    levels = seen_under(true, (0.05, 0.16, 0.03))
    response = ground_response(lights_about(CAMERA, true[COUNT // 2]), (0.05, 0.16, 0.03))
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
        CAMERA,
        nothing,
        nothing,
        BalanceSettings(mode="follow"),
        PERIOD,
    )
    told = mired_duv(CAMERA, np.array(shot))[:, 0]
    assert mired_duv(CAMERA, out.neutral)[:, 0] == pytest.approx(slow_part(told, PERIOD), abs=0.05)
    assert any("no two frames share ground" in warning for warning in result.warnings)


def test_a_grey_rectangle_is_grey() -> None:
    light = levels_of(steady_light())
    grey = (0.55, 1.0, 0.7)
    settings = BalanceSettings(mode="grey", grey_frame=4)
    out, result = balance(
        sequence_of(COUNT, neutrals=list(wander())), CAMERA, light, light, settings, PERIOD, GROUND, grey
    )
    assert out.neutral == pytest.approx(np.tile(grey, (COUNT, 1)))
    assert "grey rectangle of frame 4 (heron_0004.dng)" in result.applied["neutral_from"]


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


def test_the_uncertainty_told_is_that_of_the_light() -> None:
    """Known errors of 0.004 EV in each channel: the error in mired of the light is as large as is told."""
    neutrals: list[Triple | None] = [neutral_at(190.0)] * COUNT
    noise = np.random.default_rng(3).normal(0.0, 0.004, (COUNT, 3))
    light = Levels(noise, np.full(COUNT, 0.004), np.zeros(COUNT, bool), (0.0, 0.0, 0.0))
    _, result = balance(sequence_of(COUNT, neutrals=neutrals), CAMERA, light, light, LOCK, PERIOD)
    told = np.array([row["uncertainty_mired"] for row in result.frames])
    errors = np.array([row["light_mired"] for row in result.frames])
    assert np.std(errors) == pytest.approx(np.median(told), rel=0.2)
    assert result.frames[0]["uncertainty_ev"] == pytest.approx(0.004 * np.sqrt(2.0))


def test_delta_e_of_a_known_cast() -> None:
    """One frame whose neutral is 10 mired off: the CIEDE2000 is that of the two renderings, worked here."""
    neutrals: list[Triple | None] = [neutral_at(190.0)] * COUNT
    neutrals[60] = neutral_at(200.0)
    light = levels_of(steady_light())
    _, result = balance(sequence_of(COUNT, neutrals=neutrals), CAMERA, light, light, LOCK, PERIOD, GROUND)
    right, wrong = (camera_to_xyz_d50(CAMERA, neutral_at(m)) @ np.array(GROUND) for m in (190.0, 200.0))
    white = np.array([0.9642, 1.0, 0.8251])  # CIE D50
    labs = [xyz2lab(xyz / white * xyz2lab_white()) for xyz in (right, wrong * right[1] / wrong[1])]
    expected = float(deltaE_ciede2000(*labs))
    assert result.frames[60]["found_delta_e"] == pytest.approx(expected, rel=0.05)
    assert result.frames[20]["found_delta_e"] < 0.03 * expected
    assert result.left["ground_delta_e_worst"] < 1e-9


def xyz2lab_white() -> np.ndarray:
    """The white (D65) that scikit-image's xyz2lab takes for its own."""
    return xyz_tristimulus_values(illuminant="D65", observer="2")
