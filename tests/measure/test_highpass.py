"""The slow/fast filter on series whose slow part is known."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.highpass import (
    eased_step,
    fast_figures,
    fast_part,
    is_short,
    lasting_shifts,
    slow_and_steps,
    slow_part,
    smooth,
    smoothing_weight,
    stands_off,
    straight_line,
)


def amplitude_kept(period: float, filter_period: float, count: int = 1200) -> float:
    """Share of a sine that the filter calls slow, away from the ends."""
    wave = np.sin(2.0 * np.pi * np.arange(count) / period)
    middle = slice(count // 4, -count // 4)
    kept = slow_part(wave, filter_period)[middle]
    return float(kept @ wave[middle] / (wave[middle] @ wave[middle]))


@pytest.mark.parametrize("period", [8.0, 24.0, 60.0, 119.88])
def test_half_amplitude_at_the_stated_period(period: float) -> None:
    assert amplitude_kept(period, period) == pytest.approx(0.5, abs=0.005)


def test_slow_changes_stay_and_fast_ones_go() -> None:
    # 1 / (1 + (filter period / period)^4), as long as both are many frames long
    assert amplitude_kept(180.0, 60.0) == pytest.approx(81 / 82, abs=0.005)
    assert amplitude_kept(120.0, 60.0) == pytest.approx(16 / 17, abs=0.005)
    assert amplitude_kept(30.0, 60.0) == pytest.approx(1 / 17, abs=0.005)
    assert amplitude_kept(5.0, 60.0) == pytest.approx(0.0, abs=0.001)


def test_every_longer_period_smooths_more() -> None:
    weights = [smoothing_weight(period) for period in (2.0, 3.0, 10.0, 60.0, 600.0)]
    assert weights == sorted(weights) and weights[0] == pytest.approx(1 / 16)


@pytest.mark.parametrize("count", [3, 10, 119, 120, 400])
@pytest.mark.parametrize("slope", [0.0, -0.01])
def test_a_line_is_slow_to_its_very_ends(count: int, slope: float) -> None:
    line = 3.0 + slope * np.arange(count)
    assert slow_part(line, 60.0) == pytest.approx(line, abs=1e-7)


@pytest.mark.parametrize("noise_ev", [0.0, 0.0005, 0.002, 0.005])
def test_ends_do_not_bend_away_from_slow_light(noise_ev: float) -> None:
    # Dusk over eight filter periods: half a cosine of 2 EV. The linear smoother, which has no curvature
    # at its ends, misses them by 0.0036 EV; noise adds at most its own size there. A filter that padded
    # its ends with equal values would miss by hundredths, one with zeros by an EV.
    light = np.cos(np.pi * np.arange(480) / 479.0)
    noise = np.random.default_rng(9).normal(0.0, noise_ev, 480)
    assert np.max(np.abs(slow_part(light + noise, 60.0) - light)) < 0.0045 + noise_ev


def test_noisy_ends_are_no_wilder_than_a_local_line_makes_them() -> None:
    # At an end only one side tells: over a half-window the variance of a line's end is four times that
    # of its middle, hence twice the error.
    trials = [slow_part(np.random.default_rng(seed).normal(0, 0.1, 300), 60.0) for seed in range(40)]
    spread = np.std(trials, axis=0)
    assert spread[0] < 3.0 * spread[150]
    assert spread[150] < 0.1 / np.sqrt(15.0)


def test_short_series_takes_a_line() -> None:
    assert is_short(119, 60.0) and not is_short(120, 60.0)
    place = np.arange(119.0)
    bent = (place - 59.0) ** 2 / 3481.0
    slow = slow_part(bent, 60.0)
    assert np.diff(slow, 2) == pytest.approx(0.0, abs=1e-9)
    # the least-squares line of an even parabola is its mean
    assert slow == pytest.approx(np.full(119, bent.mean()), abs=1e-6)


def test_short_line_is_robust() -> None:
    place = np.arange(40.0)
    line = 0.02 * place - 0.3
    noisy = line + np.random.default_rng(2).normal(0.0, 0.01, 40)
    noisy[[3, 17, 30]] += (0.5, -0.8, 0.5)
    assert np.max(np.abs(slow_part(noisy, 60.0) - line)) < 0.01


@pytest.mark.parametrize("count", [40, 300])
@pytest.mark.parametrize("size", [0.5, -0.5, 5.0])
def test_one_frame_does_not_pull_its_neighbours(count: int, size: float) -> None:
    rng = np.random.default_rng(3)
    values = 0.4 * np.sin(np.arange(count) / 60.0) + rng.normal(0.0, 0.03, count)
    spoiled = values.copy()
    spoiled[count // 2] += size
    change = slow_part(spoiled, 60.0) - slow_part(values, 60.0)
    # What remains is the loss of that one frame's own 0.03 EV.
    assert np.max(np.abs(change)) < 0.005


def test_ordinary_flicker_leaves_the_filter_linear() -> None:
    rng = np.random.default_rng(4)
    first, second = rng.uniform(-0.1, 0.1, (2, 300))
    both = slow_part(first + second, 60.0)
    assert both == pytest.approx(slow_part(first, 60.0) + slow_part(second, 60.0), abs=1e-7)


def test_time_may_run_backwards_and_units_do_not_matter() -> None:
    values = np.random.default_rng(5).normal(0.0, 0.1, 200)
    values[50] = 2.0
    slow = slow_part(values, 40.0)
    assert slow_part(values[::-1], 40.0)[::-1] == pytest.approx(slow, abs=1e-6)
    assert slow_part(values * 300.0, 40.0) == pytest.approx(slow * 300.0, abs=1e-3)
    assert slow_part(values + 7.0, 40.0) == pytest.approx(slow + 7.0, abs=1e-6)


@pytest.mark.parametrize("count", [60, 300])
def test_absent_frames_are_interpolated(count: int) -> None:
    line = 1.0 + 0.01 * np.arange(count)
    gappy = line.copy()
    gappy[10:25] = np.nan
    gappy[-3:] = np.nan
    assert slow_part(gappy, 60.0) == pytest.approx(line, abs=1e-4)
    fast = fast_part(gappy, 60.0)
    assert np.array_equal(np.isnan(fast), np.isnan(gappy))
    assert np.nanmax(np.abs(fast)) < 1e-4


@pytest.mark.parametrize(
    ("values", "slow"),
    [
        ([], []),
        ([0.5], [0.5]),
        ([0.5, 1.5], [1.0, 1.0]),
        ([np.nan, 0.5], [0.5, 0.5]),
        ([np.nan] * 4, [0.0] * 4),
    ],
)
def test_too_few_values_have_a_level_and_no_slope(values: list[float], slow: list[float]) -> None:
    assert slow_part(np.array(values), 60.0) == pytest.approx(np.array(slow))


def test_three_frames() -> None:
    slow = slow_part(np.array([0.0, 1.0, 2.0]), 60.0)
    assert slow == pytest.approx([0.0, 1.0, 2.0], abs=1e-9)
    assert np.isfinite(slow_part(np.array([0.0, 5.0, 0.0]), 60.0)).all()


@pytest.mark.parametrize("count", [80, 400])
def test_known_steps_are_found_beside_the_light(count: int) -> None:
    rng = np.random.default_rng(6)
    place = np.arange(count)
    light = 0.8 * place / count if count < 120 else 0.2 * np.sin(2 * np.pi * place / 400.0)
    shapes = np.stack([(place > 0.3 * count) & (place < 0.6 * count), place >= 0.8 * count], axis=1) * 1.0
    sizes = np.array([0.09, -0.05])
    values = light + shapes @ sizes + rng.normal(0.0, 0.004, count)
    fit = slow_and_steps(values, shapes, 60.0)
    # Only what the filter leaves of a step, 3.4 to 6.7 frames' worth, tells its size: 0.004 / sqrt(3.4) is
    # 0.0022 EV, of which three are allowed. The prior of 0.1 EV takes 0.05 % at such noise.
    assert fit.steps == pytest.approx(sizes, abs=0.0066)
    assert np.sqrt(np.mean((fit.slow - light) ** 2)) < 0.006


def test_a_step_everywhere_is_no_step() -> None:
    values = np.random.default_rng(7).normal(0.3, 0.01, 200)
    fit = slow_and_steps(values, np.ones((200, 1)), 60.0)
    assert fit.steps == pytest.approx([0.0], abs=1e-6)
    assert np.mean(fit.slow) == pytest.approx(0.3, abs=0.003)


def test_weighted_line_by_hand() -> None:
    # the last value weighs nothing
    line = straight_line(np.array([0.0, 1.0, 2.0, 99.0]), np.array([1.0, 1.0, 1.0, 0.0]))
    assert line == pytest.approx([0.0, 1.0, 2.0, 3.0])


def test_figures_of_a_fast_part() -> None:
    fast = np.array([0.1, -0.1, np.nan, 0.1, -0.1, 0.1, -0.1, 2.0])
    rms, worst, beyond = fast_figures(fast)
    assert rms == pytest.approx(np.sqrt((6 * 0.01 + 4.0) / 7))
    assert worst == pytest.approx(2.0)
    assert beyond == 1
    assert fast_figures(np.full(5, np.nan)) == (None, None, 0)
    assert fast_figures(np.zeros(5)) == (0.0, 0.0, 0)


def test_a_smooth_series_stays_whole() -> None:
    # The bends of a smooth curve are no outliers: an earlier version left the curve bit by bit.
    place = np.arange(200.0)
    curve = 0.2 * np.exp(-(((place - 120.0) / 35.0) ** 2))
    assert np.max(np.abs(slow_part(curve, 60.0) - smooth(curve, np.ones(200), 60.0))) < 1e-9


def test_what_stands_off_is_told_against_its_neighbours() -> None:
    residual = np.linspace(-1.0, 1.0, 41)
    residual[20] += 5.0
    present = np.ones(41, bool)
    present[3] = False
    off = stands_off(residual, present, 60.0)
    assert off[20] == pytest.approx(5.0, abs=0.1)
    assert off[3] == 0.0 and np.max(np.abs(np.delete(off, 20)[6:34])) < 0.06


def test_lasting_shifts_by_hand() -> None:
    step = np.where(np.arange(120) >= 70, 0.4, 0.0)
    assert list(lasting_shifts(step, 60.0)) == [70]
    assert list(lasting_shifts(step - np.where(np.arange(120) >= 30, 0.9, 0.0), 60.0)) == [30, 70]
    step[40:50] = np.nan  # missing frames do not hide or make one
    assert list(lasting_shifts(step, 60.0)) == [70]
    assert len(lasting_shifts(np.zeros(10), 60.0)) == 0
    assert len(lasting_shifts(np.where(np.arange(120) >= 70, 0.05, 0.0), 60.0)) == 0


def test_an_eased_step_rises_evenly_over_one_period() -> None:
    ease = eased_step(200, 100, 60.0)
    assert ease[:70].max() == 0.0 and ease[130:].min() == pytest.approx(1.0)
    assert (np.diff(ease) >= 0.0).all()
    assert ease[99] + ease[100] == pytest.approx(1.0)


def test_covariance_of_steps_is_that_of_their_errors() -> None:
    late = (np.arange(200) >= 100).astype(float)[:, None]
    rng = np.random.default_rng(0)
    fits = [slow_and_steps(rng.normal(0.0, 0.05, 200), late, 60.0, 10.0) for _ in range(60)]
    seen = float(np.std([fit.steps[0] for fit in fits]))
    told = float(np.sqrt(np.mean([fit.covariance[0, 0] for fit in fits])))
    # the statement takes the filter's misfit for noise, and is on the wide side
    assert 0.8 < told / seen < 2.0
