"""The neutral of RAW flights, of known wander."""

from __future__ import annotations

import numpy as np
import pytest
from skimage.color import deltaE_ciede2000, xyz2lab, xyz_tristimulus_values

from pipeline.colour.camera import CameraColour, camera_to_xyz_d50, xy_to_neutral
from pipeline.colour.display import srgb_camera
from pipeline.errors import UsageError
from pipeline.measure.highpass import fast_part
from pipeline.measure.levels import Levels
from pipeline.sequence import Triple
from pipeline.settings import BalanceSettings
from pipeline.stages.balance import as_shot, balance, choose_neutral, mired_duv
from tests.cameras import TWO_LIGHTS
from tests.stages.balanced import COUNT, GROUND, LOCK, PERIOD, neutral_at, steady_light, wander
from tests.stages.flights import levels_of, sequence_of


def test_raw_wander_is_cured_by_one_neutral() -> None:
    neutrals = wander()
    sequence = sequence_of(COUNT, neutrals=list(neutrals))
    light = levels_of(steady_light())
    out, result = balance(sequence, TWO_LIGHTS, light, light, LOCK, PERIOD)
    assert np.array_equal(out.channel_gain_ev, np.zeros((COUNT, 3)))
    assert np.ptp(out.neutral, axis=0).max() == 0.0
    middle = mired_duv(TWO_LIGHTS, out.neutral)[0]
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
    plain = choose_neutral(sequence_of(COUNT), TWO_LIGHTS, np.array(neutrals), LOCK)[0]
    neutrals[17] = neutral_at(400.0, 0.02)
    spoiled = choose_neutral(sequence_of(COUNT), TWO_LIGHTS, np.array(neutrals), LOCK)[0]
    assert spoiled == pytest.approx(plain, rel=0.005)


def test_a_set_temperature() -> None:
    settings = BalanceSettings(mode="temperature", temperature_k=4000.0, tint_duv=-0.005)
    out, result = balance(
        sequence_of(COUNT, neutrals=list(wander())),
        TWO_LIGHTS,
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
    shot = as_shot(sequence, TWO_LIGHTS)
    neutral, source = choose_neutral(sequence, TWO_LIGHTS, shot, BalanceSettings(mode="frame", frame=12))
    assert neutral == pytest.approx(neutrals[12])
    assert "frame 12 (heron_0012.dng)" in source
    for frame in (9, COUNT):
        with pytest.raises(UsageError, match=f"balance.frame = {frame}"):
            choose_neutral(sequence, TWO_LIGHTS, shot, BalanceSettings(mode="frame", frame=frame))


def test_without_any_neutral_it_is_daylight_and_said() -> None:
    light = levels_of(steady_light())
    out, result = balance(sequence_of(COUNT), TWO_LIGHTS, light, light, LOCK, PERIOD)
    daylight = xy_to_neutral(TWO_LIGHTS, np.array([0.3127, 0.3290]))  # CIE D65
    assert out.neutral[0] == pytest.approx(daylight / daylight[1])
    assert any("no photo tells its neutral" in warning for warning in result.warnings)
    assert result.found["neutral_rms_mired"] is None
    assert "found.neutral_rms_mired" in result.unmeasured


def test_some_photos_without_a_neutral() -> None:
    neutrals: list[Triple | None] = list(wander())
    neutrals[3] = None
    sequence = sequence_of(COUNT, missing=(50,), neutrals=neutrals)
    light = levels_of(steady_light())
    out, result = balance(sequence, TWO_LIGHTS, light, light, LOCK, PERIOD)
    assert np.isfinite(out.neutral).all()
    assert result.frames[3]["as_shot_mired"] is None and result.frames[50]["as_shot_mired"] is None
    assert result.found["neutral_rms_mired"] is not None


def test_the_ground_s_own_colour_does_not_count_as_wander_of_a_raw() -> None:
    # The light itself flickers by 0.05 EV in red while the as-shot neutral follows it: no cast is found.
    red = np.random.default_rng(4).normal(0.0, 0.05, COUNT)
    level = np.stack([red, np.zeros(COUNT), np.zeros(COUNT)], axis=1)
    base = np.array(neutral_at(190.0))
    following: list[Triple | None] = [
        (float(base[0] * 2.0**r), 1.0, float(base[2])) for r in fast_part(red, PERIOD)
    ]
    light = levels_of(level)
    _, result = balance(sequence_of(COUNT, neutrals=following), TWO_LIGHTS, light, light, LOCK, PERIOD)
    found, left = result.found["neutral_rms_mired"], result.left["neutral_rms_mired"]
    assert found is not None and left is not None
    assert found < 0.1 * left


@pytest.mark.parametrize("colour", [None, TWO_LIGHTS])
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


def test_linear_srgb_s_white_is_d65() -> None:
    # IEC 61966-2-1: x 0.3127, y 0.3290, which is 6504 K or 153.75 mired, Duv 0.0032
    mired_value, duv = mired_duv(srgb_camera(), np.array([[1.0, 1.0, 1.0]]))[0]
    assert mired_value == pytest.approx(153.75, abs=0.1)
    assert duv == pytest.approx(0.0032, abs=1e-4)


def test_a_grey_rectangle_is_grey() -> None:
    light = levels_of(steady_light())
    grey = (0.55, 1.0, 0.7)
    settings = BalanceSettings(mode="grey", grey_frame=4)
    out, result = balance(
        sequence_of(COUNT, neutrals=list(wander())), TWO_LIGHTS, light, light, settings, PERIOD, GROUND, grey
    )
    assert out.neutral == pytest.approx(np.tile(grey, (COUNT, 1)))
    assert "grey rectangle of frame 4 (heron_0004.dng)" in result.applied["neutral_from"]


def test_the_uncertainty_told_is_that_of_the_light() -> None:
    """Known errors of 0.004 EV in each channel: the error in mired of the light is as large as is told."""
    neutrals: list[Triple | None] = [neutral_at(190.0)] * COUNT
    noise = np.random.default_rng(3).normal(0.0, 0.004, (COUNT, 3))
    light = Levels(noise, np.full(COUNT, 0.004), np.zeros(COUNT, bool), (0.0, 0.0, 0.0))
    _, result = balance(sequence_of(COUNT, neutrals=neutrals), TWO_LIGHTS, light, light, LOCK, PERIOD)
    told = np.array([row["uncertainty_mired"] for row in result.frames])
    errors = np.array([row["light_mired"] for row in result.frames])
    assert np.std(errors) == pytest.approx(np.median(told), rel=0.2)
    assert result.frames[0]["uncertainty_ev"] == pytest.approx(0.004 * np.sqrt(2.0))


def test_delta_e_of_a_known_cast() -> None:
    """One frame whose neutral is 10 mired off: the CIEDE2000 is that of the two renderings, worked here."""
    neutrals: list[Triple | None] = [neutral_at(190.0)] * COUNT
    neutrals[60] = neutral_at(200.0)
    light = levels_of(steady_light())
    _, result = balance(sequence_of(COUNT, neutrals=neutrals), TWO_LIGHTS, light, light, LOCK, PERIOD, GROUND)
    right, wrong = (camera_to_xyz_d50(TWO_LIGHTS, neutral_at(m)) @ np.array(GROUND) for m in (190.0, 200.0))
    white = np.array([0.9642, 1.0, 0.8251])  # CIE D50
    labs = [xyz2lab(xyz / white * xyz2lab_white()) for xyz in (right, wrong * right[1] / wrong[1])]
    expected = float(deltaE_ciede2000(*labs))
    assert result.frames[60]["found_delta_e"] == pytest.approx(expected, rel=0.05)
    assert result.frames[20]["found_delta_e"] < 0.03 * expected
    assert result.left["ground_delta_e_worst"] < 1e-9


def xyz2lab_white() -> np.ndarray:
    """The white (D65) that scikit-image's xyz2lab takes for its own."""
    return xyz_tristimulus_values(illuminant="D65", observer="2")
