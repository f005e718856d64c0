"""Clocks that jump, and zones, in flights written on the spot (invented)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.card.flights import flight, numbers, only, scan, states
from tests.small_photos import write_jpeg


@pytest.mark.parametrize("back_s", [5.0, 200.0])
def test_clock_set_back_in_flight(tmp_path: Path, back_s: float) -> None:
    clocks = 300.0 + 2.0 * np.arange(40) - np.where(np.arange(40) >= 25, back_s, 0.0)
    flight(tmp_path, clocks, first=9980, digits=2)
    sequence = only(tmp_path)
    assert numbers(sequence) == [*range(9980, 10000), *range(1, 21)]
    times = np.array([frame.time_s for frame in sequence.frames])
    assert np.allclose(times, 2.0 * np.arange(40), atol=0.02)
    assert any("clock jumped by -" in warning and "HRN_0006" in warning for warning in sequence.warnings)


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0, 2700.0, -8e8])
@pytest.mark.parametrize("digits", [0, 2])
def test_a_zone_change_or_reset_in_flight_does_not_cut_it(tmp_path: Path, jump_s: float, digits: int) -> None:
    clocks = 2.0 * np.arange(30) + np.where(np.arange(30) >= 15, jump_s, 0.0)
    flight(tmp_path, clocks, digits=digits)
    sequence = only(tmp_path)
    assert numbers(sequence) == list(range(1, 31))
    assert states(sequence) == {}
    assert sequence.id == "20260501-100000_HRN_0001"
    times = np.array([frame.time_s for frame in sequence.frames])
    assert np.abs(times - 2.0 * np.arange(30)).max() <= 0.5
    assert any("clock jumped" in warning and "HRN_0016" in warning for warning in sequence.warnings)


def test_a_pause_of_no_whole_quarter_of_an_hour_is_two_flights(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(30) + np.where(np.arange(30) >= 15, 2220.0, 0.0))
    assert len(scan(tmp_path).sequences) == 2


def test_a_clock_that_jumped_while_the_drone_was_carried_is_two_flights(tmp_path: Path) -> None:
    for i in range(30):
        north = 54.0 + i * 5e-5 + (0.01 if i >= 15 else 0.0)  # 5.6 m a photo, then 1.1 km
        position = {
            "Exif.GPSInfo.GPSLatitude": f"{round(north * 1e7)}/10000000 0/1 0/1",
            "Exif.GPSInfo.GPSLatitudeRef": "N",
            "Exif.GPSInfo.GPSLongitude": "3/1 0/1 0/1",
            "Exif.GPSInfo.GPSLongitudeRef": "E",
        }
        clock = 2.0 * i + (3600.0 if i >= 15 else 0.0)
        write_jpeg(tmp_path / f"HRN_{i + 1:04d}.JPG", clock, digits=2, exif=position)
    assert len(scan(tmp_path).sequences) == 2


def test_a_zone_told_by_the_photos_is_no_jump(tmp_path: Path) -> None:
    for i in range(30):
        later = i >= 15
        zone = {"Exif.Photo.OffsetTimeOriginal": "+02:00" if later else "+01:00"}
        write_jpeg(tmp_path / f"HRN_{i + 1:04d}.JPG", 2.0 * i + 3600.0 * later, digits=2, exif=zone)
    sequence = only(tmp_path)
    assert (len(sequence.frames), sequence.warnings) == (30, ())


def test_zone_missing_from_one_photo_does_not_move_it(tmp_path: Path) -> None:
    for i in range(20):
        zone = {} if i == 7 else {"Exif.Photo.OffsetTimeOriginal": "+02:00"}
        write_jpeg(tmp_path / f"HRN_{i + 1:04d}.JPG", 2.0 * i, exif=zone)
    sequence = only(tmp_path)
    assert states(sequence) == {}
    assert sequence.id == "20260501-100000_HRN_0001"


def test_start_is_told_in_the_zone_of_the_photos(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(10), exif={"Exif.Photo.OffsetTimeOriginal": "+02:00"})
    sequence = only(tmp_path)
    assert sequence.started_at == "2026-05-01T10:00:00+02:00"
    assert sequence.id == "20260501-100000_HRN_0001"


@pytest.mark.parametrize("digits", [0, 2])
@pytest.mark.parametrize("told_s", [-8e8, -3600.0, 86_400.0, 1_234_567.3])
@pytest.mark.parametrize("wrong", [[9], [1], [7, 8, 9], [4, 14]])
def test_a_photo_that_tells_a_wrong_time_stays_where_its_number_belongs(
    tmp_path: Path, wrong: list[int], told_s: float, digits: int
) -> None:
    clocks = 2.0 * np.arange(20)
    clocks[wrong] = told_s + 0.3 * np.arange(len(wrong))
    flight(tmp_path, clocks, digits=digits)
    sequence = only(tmp_path)
    assert (numbers(sequence), states(sequence)) == (list(range(1, 21)), {})
    times = np.array([frame.time_s for frame in sequence.frames])
    assert np.allclose(times, 2.0 * np.arange(20), atol=0.02)
    assert [f"HRN_{i + 1:04d}.JPG tells a time far" in "".join(sequence.warnings) for i in range(20)] == [
        i in wrong for i in range(20)
    ]


def test_a_photo_of_another_day_between_two_flights_stays_alone(tmp_path: Path) -> None:
    clocks = [*(2.0 * np.arange(15)), -8e5, *(3600.0 + 2.0 * np.arange(15))]
    flight(tmp_path, clocks, digits=2)
    found = scan(tmp_path)
    assert [len(one.photos) for one in found.sequences][-1] == 15
    assert not any("far from that" in text for one in found.sequences for text in one.warnings)
