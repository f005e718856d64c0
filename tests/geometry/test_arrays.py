"""Medians, lengths and sums of small arrays are NumPy's own."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.geometry.arrays import grouped_medians, grouped_sums, lengths, median


@pytest.mark.parametrize("count", [1, 2, 3, 8, 101])
def test_median_is_numpy_s(count: int) -> None:
    values = np.random.default_rng(count).normal(0, 1, count)
    before = values.copy()
    assert median(values) == np.median(values)
    assert np.array_equal(values, before)
    assert median(np.full(count, 2.5)) == 2.5


def test_lengths_are_numpy_s() -> None:
    vectors = np.random.default_rng(0).normal(0, 1, (50, 3))
    assert np.allclose(lengths(vectors), np.linalg.norm(vectors, axis=1), rtol=1e-14)
    assert lengths(vectors[:0]).shape == (0,)


def test_each_group_has_its_own_median_and_sum() -> None:
    rng = np.random.default_rng(0)
    values, groups = rng.normal(0, 1, (200, 2)), rng.integers(0, 30, 200)
    groups[groups == 4] = 5  # the group 4 has none
    medians, sums = grouped_medians(values[:, 0], groups, 32), grouped_sums(values, groups, 32)
    assert np.isnan(medians[[4, 30, 31]]).all() and (sums[[4, 30, 31]] == 0.0).all()
    for group in set(groups.tolist()):
        assert medians[group] == np.median(values[groups == group, 0])
        assert sums[group] == pytest.approx(values[groups == group].sum(axis=0))
