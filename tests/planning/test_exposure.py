"""Shutters that an interval allows, intervals that a shutter needs, and filters."""

from __future__ import annotations

import math

import pytest

from pipeline.errors import UsageError
from pipeline.planning.exposure import (
    choose_filter,
    filter_name,
    interval_for,
    longest_shutter_s,
    shutter_for,
    shutter_text,
)


def test_longest_shutter_by_common_practice() -> None:
    # common practice, no source: a 2 s interval allows about 1/3 s, 3 s allows 1 s and more
    assert longest_shutter_s(2.0) == pytest.approx(1 / 3)
    assert longest_shutter_s(3.0) == pytest.approx(1.0)
    assert longest_shutter_s(5.0) == pytest.approx(3.0)
    longest = [longest_shutter_s(0.1 * tenth) for tenth in range(5, 100)]
    assert longest == sorted(longest) and all(s < 0.1 * t for t, s in enumerate(longest, 5))


def test_a_known_camera_overrides_the_practice() -> None:
    assert longest_shutter_s(2.0, busy_s=0.5) == pytest.approx(1.5)
    with pytest.raises(UsageError, match="no time for an exposure"):
        longest_shutter_s(2.0, busy_s=2.0)


@pytest.mark.parametrize(
    ("shutter", "interval"), [(1 / 3, 2.0), (0.5, 2.5), (1.0, 3.0), (1.5, 3.5), (0.01, 1.0)]
)
def test_the_shortest_interval_for_a_shutter(shutter: float, interval: float) -> None:
    assert interval_for(shutter) == interval
    assert longest_shutter_s(interval) >= shutter * 0.999


def test_no_interval_is_long_enough() -> None:
    with pytest.raises(UsageError, match="no interval up to 60 s"):
        interval_for(70.0)
    assert interval_for(1.0, busy_s=2.5) == 3.5


def test_the_filter_comes_nearest_to_the_wish_without_passing_the_longest() -> None:
    bare = shutter_for(14.0, 2.8, 100.0)
    chosen = choose_filter(14.0, 2.8, 100.0, wished_s=bare * 500, longest_s=bare * 2000)
    assert chosen.factor == 512 and chosen.stops == 9.0
    assert chosen.shutter_s == pytest.approx(512 * bare)
    assert chosen.off_ev == pytest.approx(math.log2(512 / 500))
    assert choose_filter(14.0, 2.8, 100.0, wished_s=bare * 500, longest_s=bare * 300).factor == 256


def test_too_dark_for_any_filter() -> None:
    chosen = choose_filter(0.0, 2.8, 100.0, wished_s=1.0, longest_s=1.0)
    assert (chosen.factor, filter_name(chosen.factor)) == (1, "no filter")
    assert chosen.off_ev == pytest.approx(math.log2(2.8**2))


@pytest.mark.parametrize(
    ("seconds", "text"), [(1 / 60, "1/60 s"), (1 / 3, "1/3 s"), (0.5, "0.5 s"), (2.0, "2 s")]
)
def test_shutters_are_told_as_cameras_do(seconds: float, text: str) -> None:
    assert shutter_text(seconds) == text
