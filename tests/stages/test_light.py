"""Light, exposure and what is kept of the light, told apart in series of known levels."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.measure.highpass import fast_part, slow_part
from pipeline.settings import DeflickerSettings, load_settings
from pipeline.stages.light import Light, group_shapes, kept_light, settle_tags, tell_light
from tests.stages.flights import sequence_of

PERIOD = 60.0
COUNT = 200
PLACE = np.arange(COUNT)


def told(
    level: np.ndarray,
    *,
    shutters_s: list[float | None] | None = None,
    group: np.ndarray | None = None,
    settings: DeflickerSettings | None = None,
) -> Light:
    sequence = sequence_of(len(level), shutters_s=shutters_s)
    return tell_light(level, sequence, group, settings or DeflickerSettings(), PERIOD)


def flicker(rms_ev: float = 0.08, seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, rms_ev, COUNT)


def test_settle_tags_believes_a_camera_that_keeps_thirds() -> None:
    whole = np.array([-0.093, -0.093])
    free = np.array([-0.06, -0.12])  # each off by a little more than its flicker allows to tell
    sizes, sure, word = settle_tags(free, np.eye(2) * 0.03**2, whole)
    assert word == "thirds of a stop"
    assert sizes == pytest.approx(whole, abs=0.002)
    assert (sure < 0.006).all()


def test_settle_tags_believes_a_camera_that_keeps_what_it_tells() -> None:
    sizes, _, word = settle_tags(np.array([0.02, -0.03]), np.eye(2) * 0.03**2, np.array([-0.093, -0.093]))
    assert word == "as told" and np.abs(sizes).max() < 0.002


def test_settle_tags_keeps_an_error_that_is_neither() -> None:
    free = np.array([0.17])
    sizes, sure, word = settle_tags(free, np.eye(1) * 0.01**2, np.array([-0.093]))
    assert word == "estimated" and sizes == pytest.approx(free) and sure == pytest.approx([0.01])
    assert settle_tags(np.zeros(0), np.zeros((0, 0)), np.zeros(0))[2] == "no change"


@pytest.mark.parametrize("true_s", [1 / 16, 1 / 15])
@pytest.mark.parametrize("seed", range(4))
def test_a_step_under_flicker_is_gone_within_a_hundredth(true_s: float, seed: int) -> None:
    # 1/8 s then 1/15 by the tags: with flicker of 0.08 EV about it, no average of frames could tell.
    late = PLACE >= 90
    step = np.where(late, np.log2(true_s / 0.125), 0.0)
    shutters: list[float | None] = [1 / 15 if is_late else 1 / 8 for is_late in late]
    light = told(step + flicker(seed=seed), shutters_s=shutters)
    off = light.exposure_ev - step
    assert abs(off[-1] - off[0]) < 0.01
    assert light.tags == ("thirds of a stop" if true_s == 1 / 16 else "as told")


def test_sudden_light_neither_rings_nor_goes_before_its_time() -> None:
    for size in (0.5, -0.8):
        step = np.where(PLACE >= 100, size, 0.0)
        light = told(step + flicker(0.02))
        assert light.shifts == [100]
        share = light.light_ev / size
        # it rises evenly, passes neither end by more than the noise of what it lies between
        assert np.diff(share)[60:140].min() > -0.003
        assert share.min() > -0.03 and share.max() < 1.03
        assert np.abs(share[:60]).max() < 0.03 and np.abs(share[140:] - 1.0).max() < 0.03


def test_a_dusk_and_a_swell_are_no_sudden_light() -> None:
    dusk = 2.0 * np.cos(np.pi * PLACE / (COUNT - 1.0))
    swell = 0.3 * np.sin(2 * np.pi * PLACE / 80.0)
    for series in (dusk, swell, dusk + flicker(), swell + flicker(), flicker()):
        assert told(series).shifts == []


def test_outliers_side_by_side_are_no_sudden_light_and_pull_nothing() -> None:
    plain = flicker(0.02)
    spoiled = plain.copy()
    spoiled[[50, 51, 52, 120]] += [0.5, 0.5, 0.5, -0.5]
    before, after = told(plain), told(spoiled)
    assert after.shifts == []
    assert np.abs(after.light_ev - before.light_ev).max() < 0.01


def test_the_ends_do_not_bend() -> None:
    rise = 0.01 * PLACE
    light = told(rise + flicker(0.02)).light_ev
    # a line stays a line up to its ends, within the noise that any straight end has of 30 frames
    assert np.abs(light - rise).max() < 0.02
    exact = told(rise).light_ev
    assert exact == pytest.approx(rise, abs=1e-6)


def test_groups_without_shared_ground_are_joined_by_the_light() -> None:
    true = 0.3 * np.sin(2 * np.pi * PLACE / 180.0)
    group = (PLACE >= 110).astype(int)
    level = true + 0.4 * group + flicker(0.03)
    light = told(level, group=group)
    assert light.joined_ev[-1] - light.joined_ev[0] == pytest.approx(0.4, abs=0.05)
    assert np.sqrt(np.mean((light.light_ev - true) ** 2)) < 0.03


def test_only_groups_large_enough_and_not_the_first_have_their_own_level() -> None:
    group = np.array([0, 0, 0, 1, 1, 1, 2, -1, -3])
    assert group_shapes(group, 9).T.tolist() == [[0, 0, 0, 1, 1, 1, 0, 0, 0]]
    assert group_shapes(None, 4).shape == (4, 0)


def test_keep_flatten_follow() -> None:
    light = np.linspace(0.0, 1.0, 101)
    assert kept_light(light, DeflickerSettings()) is light
    assert not kept_light(light, DeflickerSettings(light="flatten")).any()
    curve = ((20, 0.0), (60, 1.0), (80, 1.0))
    kept = kept_light(light, DeflickerSettings(light="follow", curve=curve))
    assert kept[[0, 20, 60, 70, 80, 100]] == pytest.approx([0.0, 0.0, 1.0, 1.0, 1.0, 1.0])
    assert (np.diff(kept) >= 0.0).all()  # a written rise never dips
    one = kept_light(light, DeflickerSettings(light="follow", curve=((5, -0.5),)))
    assert one == pytest.approx(np.full(101, -0.5))


def test_the_written_curve_comes_from_the_command_line() -> None:
    chosen = load_settings(None, ["deflicker.light=follow", "deflicker.curve=[[0, 0.0], [89, -1.5]]"])
    assert chosen.settings.deflicker.curve == ((0, 0.0), (89, -1.5))


@pytest.mark.parametrize(
    "settings",
    [["deflicker.light=follow"], ["deflicker.light=follow", "deflicker.curve=[[9, 0.0], [4, 1.0]]"]],
)
def test_a_curve_that_cannot_be_followed_is_refused(settings: list[str]) -> None:
    with pytest.raises(UsageError, match="deflicker"):
        load_settings(None, settings)


def test_the_filter_is_one_for_estimate_and_measure() -> None:
    level = 0.2 * np.sin(2 * np.pi * PLACE / 150.0) + flicker()
    light = told(level).light_ev
    assert light == pytest.approx(slow_part(level, PERIOD), abs=1e-9)
    assert level - light == pytest.approx(fast_part(level, PERIOD), abs=1e-9)
