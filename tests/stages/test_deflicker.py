"""Gains of flights whose light, exposure and flicker are known."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.grid import COLUMNS, ROWS, Parts
from pipeline.measure.highpass import fast_part, slow_part
from pipeline.measure.levels import STATISTICS, Levels
from pipeline.settings import DeflickerSettings
from pipeline.stages.deflicker import Deflickered, anchored, deflicker
from pipeline.stages.light import exposure_tags, tag_shapes
from pipeline.stages.result import StageResult
from tests.stages.flights import levels_of, sequence_of

FPS = 30.0
PERIOD = 60.0
SETTINGS = DeflickerSettings()


def solved(
    level_ev: np.ndarray,
    *,
    noise_ev: float = 0.0,
    missing: tuple[int, ...] = (),
    shutters_s: list[float | None] | None = None,
    settings: DeflickerSettings = SETTINGS,
) -> tuple[Deflickered, StageResult]:
    """Deflicker a flight of these levels, with other noise in the blocks held out."""
    level = np.array(level_ev, float)
    level[list(missing)] = np.nan
    sequence = sequence_of(len(level), missing=missing, shutters_s=shutters_s)
    return deflicker(sequence, levels_of(level, noise_ev), levels_of(level, noise_ev, seed=1), settings, FPS)


def random_flicker(count: int, rms_ev: float = 0.08, seed: int = 2) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, rms_ev, count)


def dusk(count: int) -> np.ndarray:
    """Two EV of fading light over the flight."""
    return np.cos(np.pi * np.arange(count) / (count - 1.0))


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(np.square(values))))


@pytest.mark.parametrize("count", [60, 300])
def test_flicker_goes_and_light_stays(count: int) -> None:
    light = dusk(count) * (1.0 if count > 120 else 0.0)
    level = light + random_flicker(count)
    out, result = solved(level, noise_ev=0.001)
    after = level + out.gain_ev
    # high-pass(solved - true gain), at most 0.004 EV (design, section 9); here what is left is the noise of
    # the levels, 0.001 EV a channel, of which their mean keeps 0.61
    perfect = slow_part(level, PERIOD) - level
    assert rms(fast_part(out.gain_ev - perfect, PERIOD)) < 0.0008
    # left is against the light that is kept: what lies about the period itself, H (1 - H), is light
    against_kept = fast_part(after - slow_part(level, PERIOD), PERIOD)
    assert result.left["flicker_rms_ev"] == pytest.approx(rms(against_kept), abs=0.001)
    assert result.left["flicker_rms_ev"] < 0.0015
    assert result.found["flicker_rms_ev"] == pytest.approx(0.08, rel=0.1)
    # the light that is kept is the slow part of what was there, within 2 % (design, section 9)
    slow = slow_part(level, PERIOD)
    error = after - slow - np.mean(after - slow)
    assert rms(error) < 0.02 * max(np.std(slow), 0.1)


def test_a_frame_one_ev_brighter_is_darkened_by_one_ev_and_nothing_else_moves() -> None:
    level = np.zeros(200)
    level[70] = 1.0
    out, result = solved(level)
    assert out.gain_ev[70] == pytest.approx(-1.0, abs=1e-3)
    assert np.max(np.abs(np.delete(out.gain_ev, 70))) < 1e-3
    assert result.found["flicker_worst_ev"] == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("off_ev", [0.5, -0.5])
def test_an_outlier_does_not_pull_its_neighbours(off_ev: float) -> None:
    flicker = random_flicker(200, 0.02)
    plain, _ = solved(flicker)
    flicker[100] += off_ev
    out, result = solved(flicker)
    change = out.gain_ev - plain.gain_ev
    assert change[100] == pytest.approx(-off_ev, abs=0.01)
    assert np.max(np.abs(np.delete(change, 100))) < 0.004
    assert result.found["outlier_frames"] >= 1


def test_the_common_white_is_the_lowest_gained_saturation_of_ordinary_frames() -> None:
    level = random_flicker(200, 0.05)
    out, _ = solved(level)
    assert out.white == pytest.approx(2.0 ** out.gain_ev.min())
    # one frame far too bright, which its gain darkens, must not dim the white of all
    level[50] += 1.0
    with_outlier, _ = solved(level)
    assert with_outlier.gain_ev[50] < -0.9
    assert with_outlier.white == pytest.approx(2.0 ** np.delete(with_outlier.gain_ev, 50).min())


def test_gains_are_told_from_their_median_and_not_from_the_first_frame() -> None:
    level = random_flicker(200)
    out, _ = solved(level)
    assert np.median(out.gain_ev) == pytest.approx(0.0, abs=1e-12)
    again, _ = solved(level + 3.0)
    assert again.gain_ev == pytest.approx(out.gain_ev)


def nominal_step(count: int, true_ev: float) -> tuple[np.ndarray, list[float | None]]:
    """Exposure halved half-way as the tags tell, while the shutter really did `true_ev`."""
    place = np.arange(count)
    late = place >= count // 2
    shutters: list[float | None] = [1 / 60 if not is_late else 1 / 120 for is_late in late]
    return np.where(late, true_ev, 0.0), shutters


@pytest.mark.parametrize("count", [90, 300])
@pytest.mark.parametrize("error_ev", [0.0, 0.09, -0.09])
def test_exposure_steps_go_with_the_error_of_their_tags(count: int, error_ev: float) -> None:
    # 1/60 may be 1/64: a nominal step of one EV that is 0.91
    step, shutters = nominal_step(count, -1.0 + error_ev)
    light = 0.3 * np.arange(count) / count
    level = light + step + random_flicker(count, 0.003)
    out, result = solved(level, shutters_s=shutters)
    after = level + out.gain_ev
    before_step, after_step = after[count // 2 - 5 : count // 2], after[count // 2 : count // 2 + 5]
    expected = light[5] - light[0]
    # within 1 % of the step (design, section 9)
    assert np.mean(after_step) - np.mean(before_step) == pytest.approx(expected, abs=0.01)
    assert rms(fast_part(after, PERIOD)) < 0.001
    # and the light's own slope is kept
    assert np.polyfit(np.arange(count), after, 1)[0] * count == pytest.approx(0.3, abs=0.02)
    [(_, told)] = result.applied["tag_errors_ev"].items()
    assert abs(told) == pytest.approx(abs(error_ev), abs=0.012)
    assert result.applied["exif_range_ev"] == pytest.approx(1.0)


def test_a_camera_that_follows_the_light_leaves_the_light() -> None:
    # Dusk of 2 EV, the exposure made up in thirds of a stop: in the video the dusk must be seen.
    count = 400
    light = dusk(count)
    stops = np.round(-light * 3.0) / 3.0
    shutters: list[float | None] = [float(2.0**stop / 60.0) for stop in stops]
    level = light + stops + random_flicker(count, 0.003)
    out, _ = solved(level, shutters_s=shutters)
    after = level + out.gain_ev
    error = after - light - np.mean(after - light)
    assert rms(error) < 0.02 * np.std(light)


def test_a_larger_step_than_a_tag_can_err_is_told() -> None:
    step, shutters = nominal_step(300, -0.4)  # 0.6 EV brighter than the tags say
    _, result = solved(step, shutters_s=shutters)
    assert any("EXIF change" in warning for warning in result.warnings)
    [told] = result.applied["tag_errors_ev"].values()
    assert abs(told) == pytest.approx(0.25)


def test_silent_tags_are_told_and_cost_nothing() -> None:
    level = random_flicker(200)
    out, result = solved(level)
    assert any("tells its exposure" in warning for warning in result.warnings)
    told, other = solved(level, shutters_s=[1 / 60] * 200)
    assert told.gain_ev == pytest.approx(out.gain_ev, abs=1e-9)
    assert not any("tells its exposure" in warning for warning in other.warnings)
    # one photo without tags among others
    some: list[float | None] = [1 / 60] * 200
    some[20] = None
    partly, _ = solved(level, shutters_s=some)
    assert partly.gain_ev == pytest.approx(out.gain_ev, abs=1e-6)


def test_missing_frames_have_no_gain_and_do_not_disturb() -> None:
    level = random_flicker(200, 0.05)
    whole, _ = solved(level)
    out, result = solved(level, missing=(40, 41, 120))
    assert list(np.flatnonzero(np.isnan(out.gain_ev))) == [40, 41, 120]
    there = np.isfinite(out.gain_ev)
    assert np.max(np.abs(out.gain_ev - whole.gain_ev)[there]) < 0.02
    assert [row["note"] for row in result.frames if row["note"]] == ["missing"] * 3
    assert result.frames[40]["gain_ev"] is None and result.frames[40]["level_ev"] is None


def test_a_frame_that_shares_nothing_takes_its_gain_from_the_tags() -> None:
    count = 200
    shutters: list[float | None] = [1 / 60] * count
    shutters[80] = 1 / 30  # one EV more by the tags
    level = random_flicker(count, 0.01)
    level[80] = np.nan
    sequence = sequence_of(count, shutters_s=shutters)
    out, result = deflicker(sequence, levels_of(level), levels_of(level), SETTINGS, FPS)
    assert out.gain_ev[80] - np.nanmedian(out.gain_ev) == pytest.approx(-1.0, abs=0.02)
    assert result.frames[80]["rests_on"] == "the exposure tags"


def test_a_tag_gain_in_changed_light_stands_beside_its_neighbours() -> None:
    # The level is known everywhere but at one frame of the brightest light: its gain keeps that light, as
    # its neighbours' gains do.
    level = dusk(300) * 0.8
    level[10] = np.nan
    sequence = sequence_of(300, shutters_s=[1 / 60] * 300)
    out, _ = deflicker(sequence, levels_of(level), levels_of(level), SETTINGS, FPS)
    assert out.gain_ev[10] == pytest.approx(out.gain_ev[9], abs=0.02)


def test_unregistered_frames_are_named() -> None:
    level = levels_of(random_flicker(50))
    loose = level.unregistered.copy()
    loose[7] = True
    light = Levels(level.level_ev, level.sigma_ev, loose, level.vignette)
    _, result = deflicker(sequence_of(50), light, light, SETTINGS, FPS)
    assert any("frame 7 (heron_0007.dng)" in warning for warning in result.warnings)
    assert "whole picture" in str(result.frames[7]["rests_on"])
    assert result.frames[8]["rests_on"] == "registered ground"


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("tags", [False, True])
def test_very_short_flights(count: int, tags: bool) -> None:
    level = np.array([0.0, 0.4, 0.1])[:count] if count > 1 else np.array([np.nan])
    shutters: list[float | None] | None = [1 / 60] * count if tags else None
    out, result = deflicker(
        sequence_of(count, shutters_s=shutters), levels_of(level), levels_of(level), SETTINGS, FPS
    )
    assert np.isfinite(out.gain_ev).all() and out.gain_ev.shape == (count,)
    assert 0.0 < out.white <= 1.0 + 1e-9 and np.isfinite(out.white)
    assert len(result.frames) == count
    if count == 1:
        assert out.gain_ev[0] == 0.0
        assert result.left["flicker_rms_ev"] is None and "left.flicker_rms_ev" in result.unmeasured
    if count == 2:
        assert level + out.gain_ev == pytest.approx(np.full(2, np.mean(level + out.gain_ev)), abs=1e-4)


def test_nothing_measured_is_told_as_such() -> None:
    level = np.full(30, np.nan)
    out, result = deflicker(sequence_of(30), levels_of(level), levels_of(level), SETTINGS, FPS)
    assert np.array_equal(out.gain_ev, np.zeros(30))
    assert result.found["flicker_rms_ev"] is None
    assert {"found.flicker_rms_ev", "left.flicker_rms_ev"} <= result.unmeasured.keys()


def test_slow_is_a_matter_of_the_video_s_time() -> None:
    wave = 0.2 * np.sin(2 * np.pi * np.arange(400) / 60.0)  # two seconds at 30 frames a second
    kept = []
    for seconds in (0.5, 2.0, 8.0):
        out, result = solved(wave, settings=DeflickerSettings(keep_slower_than_s=seconds))
        after = (wave + out.gain_ev)[100:-100]
        kept.append(float(after @ wave[100:-100] / (wave[100:-100] @ wave[100:-100])))
        assert result.applied["period_frames"] == pytest.approx(seconds * FPS)
    assert kept[0] > 0.99 and kept[1] == pytest.approx(0.5, abs=0.02) and kept[2] < 0.01


def test_a_short_flight_says_that_its_light_is_a_line() -> None:
    _, short = solved(random_flicker(100))
    _, long = solved(random_flicker(120))
    assert short.applied["slow_part"] == "straight line" and any("straight line" in w for w in short.warnings)
    assert long.applied["slow_part"] == "smoother" and not any("straight line" in w for w in long.warnings)


def test_figures_left_are_measured_on_other_blocks() -> None:
    level = random_flicker(200)
    off = level + 0.05 * np.where(np.arange(200) % 2, 1.0, -1.0)
    _, result = deflicker(sequence_of(200), levels_of(level), levels_of(off), SETTINGS, FPS)
    assert result.left["flicker_rms_ev"] == pytest.approx(0.05, rel=0.05)


def test_shapes_of_tags() -> None:
    exif = np.array([1.0, 1.0, 2.0, np.nan, 1.0, 0.5, 2.0])
    shapes, others = tag_shapes(exif)
    assert others == [0.5, 2.0]
    assert np.array_equal(shapes.T, [[0, 0, 0, 0, 0, 1, 0], [0, 0, 1, 0, 0, 0, 1]])
    assert tag_shapes(np.full(4, 3.0))[0].shape == (4, 0)


def test_exposure_tags_and_anchor() -> None:
    tags = exposure_tags(sequence_of(4, missing=(2,), shutters_s=[1 / 60, 1 / 30, None, None]))
    assert tags[1] - tags[0] == pytest.approx(1.0)
    assert np.isnan(tags[2:]).all()
    assert anchored(np.array([1.0, np.nan, 3.0, 8.0])) == pytest.approx([-2.0, np.nan, 0.0, 5.0], nan_ok=True)
    assert np.isnan(anchored(np.array([np.nan]))).all()


def test_flatten_takes_the_light_too_and_follow_puts_a_curve_in_its_place() -> None:
    count = 200
    level = dusk(count) + random_flicker(count)
    flat, result = solved(level, settings=DeflickerSettings(light="flatten"))
    after = level + flat.gain_ev
    assert np.std(after) < 1e-4
    assert result.applied["light"] == "flatten" and result.applied["kept_range_ev"] == 0.0
    curve = ((0, 0.0), (100, -1.0), (199, -1.0))
    written, result = solved(level, settings=DeflickerSettings(light="follow", curve=curve))
    after = level + written.gain_ev
    assert after[100] - after[0] == pytest.approx(-1.0, abs=1e-3)
    assert np.std(after[100:]) < 1e-4
    assert result.applied["kept_range_ev"] == pytest.approx(1.0)
    # what is left is measured against the light that was asked for
    assert float(result.left["flicker_rms_ev"] or 0.0) < 1e-4


def test_flattened_flights_keep_their_exif_steps_out_too() -> None:
    step, shutters = nominal_step(200, -1.0)
    level = step + random_flicker(200, 0.01)
    out, _ = solved(level, shutters_s=shutters, settings=DeflickerSettings(light="flatten"))
    assert np.std(level + out.gain_ev) < 1e-3


def test_rows_tell_found_applied_and_left_with_their_uncertainty() -> None:
    level = random_flicker(200)
    out, result = solved(level, noise_ev=0.001)
    row = result.frames[50]
    assert row["found_ev"] == pytest.approx(-float(out.gain_ev[50]) + np.median(level), abs=0.2)
    assert row["gain_ev"] == pytest.approx(float(out.gain_ev[50]))
    assert row["gain_sigma_ev"] == pytest.approx(0.001)
    assert row["left_sigma_ev"] == pytest.approx(0.001)
    assert isinstance(row["level_rgb_ev"], list) and len(row["level_rgb_ev"]) == 3


def test_a_frame_held_by_medians_alone_does_not_touch_the_light() -> None:
    level = dusk(200) * 0.3 + random_flicker(200, 0.01)
    plain, _ = solved(level)
    off = level.copy()
    off[90] += 0.7  # the medians saw other ground, or there was fog: its gain is rough, its neighbours' not
    light = levels_of(off)
    group = np.zeros(200, int)
    group[90] = STATISTICS
    light = Levels(light.level_ev, light.sigma_ev, group < 0, light.vignette, group)
    out, result = deflicker(sequence_of(200), light, light, SETTINGS, FPS)
    change = np.delete(out.gain_ev - plain.gain_ev, 90)
    assert np.max(np.abs(change - np.median(change))) < 0.002
    assert result.frames[90]["rests_on"] == "the medians of the pictures"
    assert any("frame 90" in warning for warning in result.warnings)


def test_lost_ground_is_told() -> None:
    light = levels_of(random_flicker(200, 0.01))
    group = (np.arange(200) >= 120).astype(int)
    light = Levels(light.level_ev, light.sigma_ev, group < 0, light.vignette, group)
    _, result = deflicker(sequence_of(200), light, light, SETTINGS, FPS)
    assert any("lost 1 time" in warning for warning in result.warnings)
    assert result.frames[150]["rests_on"] == "registered ground of group 1"


def test_fields_across_the_picture_are_reported() -> None:
    count = 40
    field = np.zeros((count, ROWS, COLUMNS))
    field[7] = 0.1
    sigma = np.full_like(field, 0.01)
    parts = Parts(field, sigma, np.where(field > 0.05, field, 0.0), field * 0.1)
    light = levels_of(random_flicker(count))
    _, result = deflicker(sequence_of(count), light, light, SETTINGS, FPS, parts)
    assert result.found["uneven_rms_ev"] == pytest.approx(0.1 / np.sqrt(count))
    assert result.left["uneven_rms_ev"] == pytest.approx(0.01 / np.sqrt(count))
    assert result.applied["uneven_frames"] == 1
    row = result.frames[7]
    assert (row["uneven_found_ev"], row["uneven_sigma_ev"]) == (pytest.approx(0.1), pytest.approx(0.01))
    assert row["uneven_applied_ev"] == pytest.approx(0.1) and row["uneven_left_ev"] == pytest.approx(0.01)
