"""Departures under their own uncertainty: corrected in full, in part, or hardly."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.shrink import most_probable


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("sigma", [0.001, 0.01, 0.03, 0.1])
def test_correcting_is_no_worse_than_doing_nothing(seed: int, sigma: float) -> None:
    """True departures of 0.01 under errors from a tenth to ten times as large."""
    rng = np.random.default_rng(seed)
    true = rng.normal(0.0, 0.01, 200)
    measured = true + rng.normal(0.0, sigma, 200)
    left = np.std(true - most_probable(measured, np.full(200, sigma)))
    assert left < 1.02 * np.std(true)
    assert left < 1.05 * np.std(true - measured)


def test_sure_measures_are_believed() -> None:
    true = np.random.default_rng(0).normal(0.0, 0.08, 200)
    assert (most_probable(true, np.full(200, 0.0004)) == true).all()


def test_an_outlier_is_corrected_in_full() -> None:
    measured = np.random.default_rng(0).normal(0.0, 0.005, 200)
    measured[50] = 0.5
    assert most_probable(measured, np.full(200, 0.005))[50] == pytest.approx(0.5, rel=0.002)


def test_unsure_frames_are_corrected_less_than_sure_ones() -> None:
    measured = np.random.default_rng(0).normal(0.0, 0.02, 200)
    sigma = np.where(np.arange(200) % 2, 0.02, 0.001)
    kept = most_probable(measured, sigma) / measured
    assert np.median(kept[::2]) > 0.98 and np.median(kept[1::2]) < 0.7


def test_the_unknown_stays_unknown() -> None:
    measured = np.random.default_rng(1).normal(0.0, 0.02, 20)
    measured[5] = np.nan
    sigma = np.full(20, 0.02)
    sigma[[5, 6]] = np.nan
    seen = most_probable(measured, sigma)
    assert np.isnan(seen[5]) and np.isfinite(np.delete(seen, 5)).all()
    assert seen[6] == measured[6]
    assert np.isnan(most_probable(np.full(3, np.nan), np.full(3, 0.1))).all()
