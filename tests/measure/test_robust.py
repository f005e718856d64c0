"""Robust location on samples of known mode, spoiled on one side."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.robust import biweight_mode, joint_mode, quantile, robust_sigma, shortest_half

NOISE_EV = 0.02


def spoiled(share: float, count: int = 600, seed: int = 0) -> np.ndarray:
    """Samples about 0.3 EV, of which a share lies on one side: invented shadows and moving water."""
    rng = np.random.default_rng(seed)
    values = 0.3 + rng.normal(0.0, NOISE_EV, count)
    bad = rng.permutation(count)[: int(share * count)]
    values[bad] += rng.uniform(0.1, 1.0, len(bad))
    return values


def test_sigma_of_a_normal_sample() -> None:
    values = np.random.default_rng(1).normal(5.0, 0.25, 20_000)
    # A MAD keeps 37 % of the efficiency, so its standard error is sigma / sqrt(0.74 n), 0.8 % here.
    assert robust_sigma(values) == pytest.approx(0.25, rel=0.025)


def test_sigma_ignores_a_third_of_wild_values() -> None:
    values = np.random.default_rng(1).normal(0.0, 1.0, 9000)
    values[:3000] = 1e6
    assert robust_sigma(values) < 2.5


@pytest.mark.parametrize("count", [1, 2, 5, 140, 141, 142, 143])
@pytest.mark.parametrize("share", [0.0, 0.25, 0.5, 1.0])
def test_quantile_is_that_of_numpy(count: int, share: float) -> None:
    values = np.random.default_rng(count).normal(size=count)
    assert quantile(values, share) == pytest.approx(float(np.quantile(values, share)), rel=1e-12)


def test_shortest_half_by_hand() -> None:
    assert shortest_half(np.array([9.0, 1.2, 0.0, 1.0, 1.1])) == pytest.approx((1.1, 0.2))
    assert shortest_half(np.array([4.0])) == (4.0, 0.0)
    assert shortest_half(np.array([4.0, 4.0, 4.0])) == (4.0, 0.0)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.35, 0.45])
def test_mode_of_spoiled_samples(share: float) -> None:
    errors = [biweight_mode(spoiled(share, seed=seed))[0] - 0.3 for seed in range(30)]
    # The 330 to 600 clean samples alone tell the mode to 0.02 / sqrt(n) = 0.0008 to 0.0011 EV. All that is
    # spoiled lies 5 sigma and more from it, where a biweight at the true scale gives no weight.
    assert np.sqrt(np.mean(np.square(errors))) < 0.0025
    assert abs(np.mean(errors)) < 0.0015


def test_median_would_not_have_done() -> None:
    assert abs(np.median(spoiled(0.45)) - 0.3) > 0.02


def test_standard_error_is_that_of_repeated_trials() -> None:
    results = np.array(
        [biweight_mode(np.random.default_rng(seed).normal(0.0, 1.0, 200)) for seed in range(300)]
    )
    assert np.std(results[:, 0]) / np.mean(results[:, 1]) == pytest.approx(1.0, abs=0.15)


def test_mode_moves_and_scales_with_the_values() -> None:
    values = spoiled(0.3)
    mode, error = biweight_mode(values)
    assert biweight_mode(values + 2.0)[0] == pytest.approx(mode + 2.0, abs=1e-6)
    assert biweight_mode(-values)[0] == pytest.approx(-mode, abs=1e-3)
    scaled = biweight_mode(values * 8.0)
    assert scaled == (pytest.approx(8.0 * mode, abs=1e-5), pytest.approx(8.0 * error, rel=1e-3))


def test_mode_does_not_depend_on_the_order() -> None:
    values = spoiled(0.3)
    assert biweight_mode(values[::-1]) == pytest.approx(biweight_mode(values), abs=1e-9)


@pytest.mark.parametrize("count", [1, 2, 3, 500])
def test_equal_samples(count: int) -> None:
    mode, error = biweight_mode(np.full(count, 0.7))
    assert mode == pytest.approx(0.7, abs=1e-12)
    assert 0.0 < error <= 1e-4


def test_two_samples_that_disagree() -> None:
    mode, error = biweight_mode(np.array([0.0, 1.0]))
    assert 0.0 <= mode <= 1.0
    assert np.isfinite(error) and error > 0.0


def test_samples_count_by_their_own_errors() -> None:
    rng = np.random.default_rng(0)
    errors = np.where(np.arange(400) % 4 == 0, 0.002, 0.05)
    values = rng.normal(0.0, errors)
    weighted, sure = biweight_mode(values, errors)
    plain, _ = biweight_mode(values)
    # A hundred samples of 0.002 tell the mode to 0.0002; the same 400 alike to some 0.002.
    assert abs(weighted) < 0.0008 and sure == pytest.approx(0.0002, rel=0.3)
    many = [biweight_mode(rng.normal(0.0, errors), errors)[0] for _ in range(40)]
    alike = [biweight_mode(rng.normal(0.0, errors))[0] for _ in range(40)]
    assert np.std(many) < 0.5 * np.std(alike)
    assert np.isfinite(plain)


def test_scale_of_errors_does_not_matter() -> None:
    rng = np.random.default_rng(1)
    errors = rng.uniform(0.01, 0.1, 200)
    values = rng.normal(0.3, errors)
    assert biweight_mode(values, errors) == pytest.approx(biweight_mode(values, errors * 7.0), abs=1e-9)


def test_a_row_spoiled_in_one_column_counts_in_none() -> None:
    # What leans blue by 10 sigma leans red by 1, which nobody would see in red alone.
    rng = np.random.default_rng(0)
    values = rng.normal(0.0, 1.0, (600, 2))
    values[:200] += [1.0, 10.0]
    joint, _ = joint_mode(values)
    alone = biweight_mode(values[:, 0])[0]
    # 400 clean rows tell a mode to 0.05
    assert joint == pytest.approx([0.0, 0.0], abs=0.15)
    assert alone > 0.2


def test_columns_of_normal_samples_are_told_as_well_together_as_apart() -> None:
    trials = [np.random.default_rng(seed).normal(0.0, 1.0, (200, 3)) for seed in range(200)]
    results = np.array([joint_mode(values) for values in trials])
    told = results[:, 1].mean(axis=0)
    assert results[:, 0].std(axis=0) == pytest.approx(told, rel=0.2)
    assert told == pytest.approx(np.full(3, 1.0 / np.sqrt(200)), rel=0.12)


def test_the_unsure_are_not_trusted_to_stand_further_off() -> None:
    # A third is four times as unsure and leans five ordinary errors one way: water beside a shore.
    rng = np.random.default_rng(0)
    errors = np.where(np.arange(600) % 3 == 0, 4.0, 1.0)
    values = rng.normal(0.0, errors)
    values[errors > 1.0] += 5.0
    weights = 1.0 / errors**2
    assert weights @ values / weights.sum() > 0.13  # as an ordinary weighted mean has it
    assert abs(biweight_mode(values, errors)[0]) < 0.1
