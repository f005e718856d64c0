"""Order, interval, pauses and missing places from times and file numbers alone."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipeline.card import timeline


@pytest.mark.parametrize(
    ("stem", "parts"),
    [
        ("HRN_9950", ("hrn_|", 9950, 4)),
        ("HRN_0001 (1)", ("hrn_|", 1, 4)),
        ("HRN_0001-copy", ("hrn_|", 1, 4)),
        ("HRN_20260501101500_0042_W", ("hrn_#_|_w", 42, 4)),
        ("00012", ("|", 12, 5)),
        ("reed-marsh", None),
    ],
)
def test_file_number(stem: str, parts: tuple[str, int, int] | None) -> None:
    assert timeline.file_number(stem) == parts


def test_numbers_continue_over_the_wrap() -> None:
    without_zero = timeline.unwrap_numbers(np.array([9998, 9999, 1, 2, 4]), 4)
    assert without_zero.tolist() == [9998, 9999, 10000, 10001, 10003]
    with_zero = timeline.unwrap_numbers(np.array([9998, 9999, 0, 1]), 4)
    assert with_zero.tolist() == [9998, 9999, 10000, 10001]
    # in order of time, photos of one second may stand in either order
    mixed = timeline.unwrap_numbers(np.array([9998, 1, 9999, 2]), 4)
    assert mixed.tolist() == [9998, 10000, 9999, 10001]


@settings(max_examples=60, deadline=None, derandomize=True)
@given(
    interval=st.floats(1.0, 30.0),
    phase=st.floats(0.0, 1.0),
    whole=st.booleans(),
    seed=st.integers(0, 1000),
)
def test_missing_photos_with_numbers(interval: float, phase: float, whole: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    interval = max(interval, 2.0) if whole else interval
    places = np.arange(60)
    kept = rng.random(60) > 0.08
    kept[[0, 1, 2, 57, 58, 59]] = True
    clock = phase + interval * places
    clock = np.floor(clock) if whole else np.round(clock, 2)
    step = 1.0 if whole else 0.01
    numbers, clock = 101 + places[kept], clock[kept]
    estimate = timeline.first_interval(np.diff(clock), numbers, step)
    counts = timeline.places_between(clock, estimate, step, numbers)
    assert counts.tolist() == np.diff(numbers).tolist()
    refined = timeline.refined_interval(np.diff(clock), counts, estimate, step)
    assert refined == pytest.approx(interval, abs=1.001 * step / 59)


def test_order_keeps_time_where_numbers_say_nothing() -> None:
    clock = np.array([4.0, 0.0, 2.0])
    order, jumps = timeline.order_photos(clock, None, 0.01)
    assert order.tolist() == [1, 2, 0]
    # numbers that start again between two flights are no clock set back
    clock = np.concatenate((2.0 * np.arange(20), 200.0 + 2.0 * np.arange(20)))
    numbers = np.concatenate((500 + np.arange(20), 1 + np.arange(20)))
    order, jumps = timeline.order_photos(clock, numbers, 0.01)
    assert order.tolist() == list(range(40))
    assert jumps == []


def test_clock_jumps_is_mended() -> None:
    clock = np.concatenate((2.0 * np.arange(15), 10.0 + 2.0 * np.arange(15)))
    numbers = np.arange(30)
    order, jumps = timeline.order_photos(clock, numbers, 0.01)
    assert (order.tolist(), jumps) == (list(range(30)), [15])
    assert timeline.mend_clock(clock, jumps, 0.01).tolist() == (2.0 * np.arange(30)).tolist()


@pytest.mark.parametrize("slower_first", [True, False])
def test_cut_where_the_interval_changes(slower_first: bool) -> None:
    gaps = np.repeat([5.0, 2.0] if slower_first else [2.0, 5.0], 25)
    clock = np.concatenate(([0.0], np.cumsum(gaps)))
    pieces = timeline.cut_sequences(clock, None, 0.01)
    assert [(piece.start, piece.stop) for piece in pieces] == [(0, 26), (26, 51)]


def test_lost_photos_are_no_new_interval() -> None:
    numbers = np.concatenate((np.arange(30), 30 + 2 * np.arange(30)))
    clock = 2.0 * numbers
    assert timeline.cut_sequences(clock, numbers, 0.01) == [slice(0, 60)]
    assert len(timeline.cut_sequences(clock, None, 0.01)) == 2  # without numbers it looks like one
