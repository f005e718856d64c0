"""Steps, abrupt turns and departures from the course, as they were put in."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.measure.course import (
    noise_of,
    off_course_pct,
    speed_steps_pct,
    steps,
    turn_changes,
    turn_per_photo,
    without_jerks,
)

ALL = np.ones(60, bool)


def shaken(sigma: float, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0.0, sigma, 60)


@pytest.mark.parametrize("sigma", [0.0, 0.05, 0.3])
def test_a_step_is_found_in_its_interval_with_its_size(sigma: float) -> None:
    path = shaken(sigma) + 0.1 * np.arange(60)
    path[31:] += 3.0
    (step,) = steps(path, ALL, 0.35)
    assert step.frame == 31
    assert step.size_deg == pytest.approx(3.0, abs=0.02 + 1.5 * sigma)


def test_shake_alone_is_no_step() -> None:
    for seed in range(40):
        assert steps(shaken(0.5, seed), ALL, 0.35) == []


def test_an_even_or_eased_turn_is_no_step() -> None:
    eased = 40.0 * 0.5 * (1.0 - np.cos(np.pi * np.arange(60) / 59))
    assert steps(eased + shaken(0.02), ALL, 0.35) == []
    assert turn_changes(eased + shaken(0.02), ALL, 0.15) == []


def test_two_steps_are_two() -> None:
    path = shaken(0.03)
    path[20:] += 1.0
    path[40:] -= 0.6
    found = steps(path, ALL, 0.35)
    assert [step.frame for step in found] == [20, 40]
    assert np.abs(without_jerks(path, found)).max() < 0.2


def test_a_step_across_a_missing_photo_is_told_at_the_next() -> None:
    path, present = shaken(0.02), ALL.copy()
    path[30:] += 2.0
    present[29:31] = False
    assert [step.frame for step in steps(path, present, 0.35)] == [31]


def test_a_turn_that_begins_at_once_is_told() -> None:
    path = 0.3 * np.maximum(np.arange(60) - 25.0, 0.0) + shaken(0.02)
    (change,) = turn_changes(path, ALL, 0.1)
    assert abs(change.frame - 25) <= 1
    assert change.size_deg == pytest.approx(0.3, abs=0.08)  # its standard error is 0.03
    assert steps(path, ALL, 0.35) == []


def test_the_turn_per_photo_of_an_even_turn() -> None:
    assert turn_per_photo(0.4 * np.arange(60), ALL) == pytest.approx(np.full(60, 0.4))


def test_noise_is_told_from_turns_and_steps() -> None:
    path = shaken(0.2) + 0.5 * np.arange(60)
    path[30:] += 5.0
    assert noise_of(path) == pytest.approx(0.2, rel=0.35)


def test_off_course_counts_what_lies_across() -> None:
    way = np.tile([0.1, 0.0, 0.0], (59, 1))
    assert off_course_pct(way, 60.0).max() < 1e-6
    sideways = way.copy()
    sideways[20:40:2, 1] += 0.02
    sideways[21:40:2, 1] -= 0.02
    rms = np.sqrt(np.mean(off_course_pct(sideways, 60.0)[22:38] ** 2))
    assert rms == pytest.approx(1.0, abs=0.2)
    ahead = way.copy()
    ahead[30] *= 2.0
    assert off_course_pct(ahead, 60.0).max() < 0.3


def test_changes_of_speed_lasting_and_single() -> None:
    speed = np.full(40, 0.1)
    speed[20:] *= 0.7
    assert np.nanmax(speed_steps_pct(speed)) == pytest.approx(30.0, rel=0.45)
    single = np.full(40, 0.1)
    single[12] = 0.15
    assert speed_steps_pct(single)[12] == pytest.approx(50.0)
    assert np.isnan(speed_steps_pct(np.full(5, np.nan))).all()
