"""Sequences found on card dumps of tiny photographs written on the spot (invented flights)."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from pipeline.card.scan import scan_card
from pipeline.errors import UsageError
from pipeline.settings import LoadSettings
from tests.card.flights import flight, numbers, only, scan, states
from tests.small_photos import write_dng, write_jpeg

# --- interval and order ---------------------------------------------------------------------------


@pytest.mark.parametrize("interval", [2.0, 2.1, 2.5, 1.4, 3.3, 5.0])
@pytest.mark.parametrize("phase", [0.0, 0.37, 0.92])
def test_interval_from_whole_second_times(tmp_path: Path, interval: float, phase: float) -> None:
    flight(tmp_path, phase + interval * np.arange(40))
    sequence = only(tmp_path)
    assert states(sequence) == {}
    # whole seconds over 39 intervals tell the mean interval to 1 s / 39
    assert sequence.interval_s == pytest.approx(interval, abs=1 / 39)


def test_jittered_interval_with_sub_seconds(tmp_path: Path) -> None:
    jitter = np.random.default_rng(5).normal(0.0, 0.12, 60)
    flight(tmp_path, 2.0 * np.arange(60) + jitter, digits=3)
    sequence = only(tmp_path)
    assert states(sequence) == {}
    assert sequence.interval_s == pytest.approx(2.0, abs=0.01)


@pytest.mark.parametrize(
    ("interval", "digits", "renumbered"),
    [
        *(
            (interval, digits, False)
            for interval, digits in [(2.0, 2), (2.1, 0), (1.2, 0), (5.0, 0), (3.0, 3)]
        ),
        # an interval under two steps of the clock cannot be told without file numbers
        *(
            (interval, digits, True)
            for interval, digits in [(2.0, 2), (2.1, 0), (2.7, 0), (5.0, 0), (1.2, 2)]
        ),
    ],
)
def test_missing_photos_are_found(tmp_path: Path, interval: float, digits: int, renumbered: bool) -> None:
    clocks = 0.3 + interval * np.arange(60)
    gone = {7, 20, 21, 22, 45}
    for place, path in enumerate(flight(tmp_path, clocks, digits=digits)):
        if place in gone:
            path.unlink()
    if renumbered:  # names then say nothing about the gaps
        for i, path in enumerate(sorted(tmp_path.iterdir())):
            path.rename(tmp_path / f"reed-marsh-{chr(97 + i // 26)}{chr(97 + i % 26)}.jpg")
    sequence = only(tmp_path)
    assert states(sequence) == dict.fromkeys(sorted(gone), "missing")
    assert len(sequence.frames) == 60
    times = np.array([frame.time_s for frame in sequence.frames])
    assert np.abs(times - interval * np.arange(60)).max() <= 10.0**-digits + 0.5 * (digits == 0)


def test_late_photo_with_the_next_number_is_not_a_missing_one(tmp_path: Path) -> None:
    late = 2.0 * np.arange(30) + np.where(np.arange(30) >= 12, 1.9, 0.0)
    flight(tmp_path / "a", late, digits=2)
    assert states(only(tmp_path / "a")) == {}
    flight(tmp_path / "b", late[:12], digits=2)
    flight(tmp_path / "b", late[12:], first=14, digits=2)
    assert states(only(tmp_path / "b")) == {12: "missing"}


def test_hover_with_consecutive_numbers_is_not_a_gap(tmp_path: Path) -> None:
    clocks = 2.0 * np.arange(30) + np.where(np.arange(30) >= 12, 20.0, 0.0)
    for i, clock in enumerate(clocks):
        north = 54.0 + i * 5e-5  # 5.6 m a photo
        position = {
            "Exif.GPSInfo.GPSLatitude": f"{round(north * 1e7)}/10000000 0/1 0/1",
            "Exif.GPSInfo.GPSLatitudeRef": "N",
            "Exif.GPSInfo.GPSLongitude": "3/1 0/1 0/1",
            "Exif.GPSInfo.GPSLongitudeRef": "E",
        }
        write_jpeg(tmp_path / "still" / f"HRN_{i + 1:04d}.JPG", clock, digits=2, exif=position)
        write_jpeg(tmp_path / "unknown" / f"HRN_{i + 1:04d}.JPG", clock, digits=2)
    still = only(tmp_path / "still")
    assert states(still) == {}
    position = still.frames[10].position_m
    assert position is not None
    # a degree of latitude at 54° is 111.3 km (WGS84)
    assert position == pytest.approx((0.0, 10 * 5e-5 * 111_300, 0.0), abs=0.1)
    assert len(states(only(tmp_path / "unknown"))) == 10


def test_numbers_order_photos_of_one_second_across_the_wrap(tmp_path: Path) -> None:
    flight(tmp_path, 0.5 * np.arange(24), first=9990)
    sequence = only(tmp_path)
    assert numbers(sequence) == [*range(9990, 10000), *range(1, 15)]
    assert sequence.id == "20260501-100000_HRN_9990"


# --- what belongs together ------------------------------------------------------------------------


def test_pause_starts_a_new_sequence(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(20))
    flight(tmp_path, 38.0 + 61.0 + 2.0 * np.arange(20), first=21)
    assert [s.id for s in scan(tmp_path).sequences] == [
        "20260501-100000_HRN_0001",
        "20260501-100139_HRN_0021",
    ]


def test_pause_is_measured_in_intervals_where_they_are_long(tmp_path: Path) -> None:
    flight(tmp_path / "nine", 10.0 * np.arange(20))
    flight(tmp_path / "nine", 190.0 + 90.0 + 10.0 * np.arange(20), first=29)
    assert states(only(tmp_path / "nine")) == dict.fromkeys(range(20, 28), "missing")
    flight(tmp_path / "eleven", 10.0 * np.arange(20))
    flight(tmp_path / "eleven", 190.0 + 110.0 + 10.0 * np.arange(20), first=21)
    assert len(scan(tmp_path / "eleven").sequences) == 2


def test_another_interval_is_another_sequence(tmp_path: Path) -> None:
    first, second = 2.0 * np.arange(30), 58.0 + 20.0 + 5.0 * np.arange(30)
    flight(tmp_path, [*first, *second])
    found = scan(tmp_path).sequences
    assert [(len(s.frames), s.interval_s) for s in found] == [(30, 2.0), (30, 5.0)]


def test_folders_do_not_matter(tmp_path: Path) -> None:
    for i, path in enumerate(flight(tmp_path / "all", 2.0 * np.arange(45), first=980)):
        folder = tmp_path / ("100HERON" if i < 20 else f"101HERON/part {i % 3}")
        folder.mkdir(parents=True, exist_ok=True)
        shutil.move(path, folder / path.name)
    assert numbers(only(tmp_path)) == list(range(980, 1025))


def test_cameras_lenses_and_sizes_are_kept_apart(tmp_path: Path) -> None:
    clocks = 2.0 * np.arange(12)
    flight(tmp_path / "a", clocks)
    flight(tmp_path / "b", clocks + 0.7, size=(32, 18), first=100)
    flight(tmp_path / "c", clocks + 0.9, exif={"Exif.Photo.FocalLength": "240/10"}, first=200)
    flight(tmp_path / "d", clocks + 1.1, exif={"Exif.Photo.BodySerialNumber": "second"}, first=300)
    found = scan(tmp_path).sequences
    assert sorted(len(s.frames) for s in found) == [12] * 4
    assert all(states(s) == {} for s in found)


def test_two_like_cameras_at_once_are_told_apart_by_their_numbers(tmp_path: Path) -> None:
    flight(tmp_path / "one", 2.0 * np.arange(30), first=120)
    flight(tmp_path / "two", 1.0 + 2.0 * np.arange(30), first=120, seed=2)
    found = scan(tmp_path).sequences
    assert [(len(s.frames), s.interval_s) for s in found] == [(30, 2.0)] * 2
    assert len({s.id for s in found}) == 2


def test_id_does_not_depend_on_the_rest_of_the_card(tmp_path: Path) -> None:
    flight(tmp_path / "a", 2.0 * np.arange(30))
    alone = only(tmp_path).id
    flight(tmp_path / "b", 2.0 * np.arange(20), size=(32, 18), seed=3)  # same names, same times
    ids = [s.id for s in scan(tmp_path).sequences]
    assert alone in ids
    assert len(set(ids)) == 2


def test_few_photos_are_single_photos(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(9))
    contents = scan(tmp_path)
    assert contents.sequences == []
    assert [len(s.frames) for s in contents.singles] == [9]


def test_scattered_photos_make_no_sequence(tmp_path: Path) -> None:
    moments = np.cumsum(np.random.default_rng(8).exponential(900.0, 30)) + 61.0 * np.arange(30)
    flight(tmp_path, moments)
    contents = scan(tmp_path)
    assert contents.sequences == []
    assert len(contents.singles) == 30


def test_photos_without_any_time_follow_their_numbers(tmp_path: Path) -> None:
    for number in [*range(5, 15), *range(17, 25)]:
        write_jpeg(tmp_path / f"HRN_{number:04d}.JPG", None)
    sequence = only(tmp_path)
    assert states(sequence) == {10: "missing", 11: "missing"}
    assert sequence.started_at is None
    assert "no photo tells when" in sequence.warnings[0]


# --- twins, duplicates, torn files -----------------------------------------------------------------


@pytest.mark.parametrize("together", [True, False])
def test_raw_wins_over_its_jpeg_twin(tmp_path: Path, together: bool) -> None:
    for i in range(12):
        write_dng(tmp_path / "100HERON" / f"HRN_{i + 1:04d}.DNG", 2.0 * i)
        folder = tmp_path / ("100HERON" if together else "jpeg/x")
        write_jpeg(folder / f"HRN_{i + 1:04d}.JPG", 2.0 * i + 1.0)  # stamped when it was written
    contents = scan(tmp_path)
    assert contents.singles == []
    (sequence,) = contents.sequences
    assert sequence.kind == "raw"
    assert len(sequence.left_aside) == 12
    assert all("twin of" in item.why and not item.trouble for item in sequence.left_aside)


def test_same_name_on_another_day_is_no_twin(tmp_path: Path) -> None:
    for i in range(12):
        write_dng(tmp_path / "a" / f"HRN_{i + 1:04d}.DNG", 2.0 * i)
        write_jpeg(tmp_path / "b" / f"HRN_{i + 1:04d}.JPG", 2.0 * i + 86_400)
    assert sorted(s.kind for s in scan(tmp_path).sequences) == ["display-referred", "raw"]


def test_exact_duplicates_are_left_aside(tmp_path: Path) -> None:
    paths = flight(tmp_path / "100HERON", 2.0 * np.arange(12))
    shutil.copytree(tmp_path / "100HERON", tmp_path / "backup" / "100HERON")
    shutil.copy(paths[3], paths[3].with_name("HRN_0004 (1).JPG"))
    contents = scan(tmp_path)
    (sequence,) = contents.sequences
    assert numbers(sequence) == list(range(1, 13))
    assert {f.file for f in sequence.frames} == {f"100HERON/HRN_{n:04d}.JPG" for n in range(1, 13)}
    assert len(sequence.left_aside) == len(contents.left_aside) == 13
    assert all("the same file as 100HERON/HRN_" in item.why for item in contents.left_aside)


def test_photos_of_one_length_and_second_that_differ_are_kept(tmp_path: Path) -> None:
    for i in range(12):  # two a second; uncompressed, so all files are equally long
        path = write_dng(tmp_path / f"HRN_{i + 1:04d}.DNG", float(i // 2))
        content = bytearray(path.read_bytes())
        content[-1] ^= i
        path.write_bytes(content)
    assert numbers(only(tmp_path)) == list(range(1, 13))


def test_whole_copy_is_preferred_to_a_torn_one(tmp_path: Path) -> None:
    paths = flight(tmp_path / "a", 2.0 * np.arange(12))
    shutil.copytree(tmp_path / "a", tmp_path / "b")
    paths[4].write_bytes(paths[4].read_bytes()[:-200])
    sequence = only(tmp_path)
    assert states(sequence) == {}
    assert sequence.frames[4].file == "b/HRN_0005.JPG"
    assert any(item.why == "a torn copy of b/HRN_0005.JPG" for item in sequence.left_aside)


def _cut(path: Path) -> None:
    path.write_bytes(path.read_bytes()[:-300])


def _empty(path: Path) -> None:
    path.write_bytes(b"")


def _overwrite(path: Path) -> None:
    path.write_bytes(b"\0" * 900)


@pytest.mark.parametrize("spoil", [_cut, _empty, _overwrite])
@pytest.mark.parametrize("places", [[5], [8, 9], [0], [0, 1], [19], [18, 19]])
def test_torn_photos_keep_their_place(
    tmp_path: Path, spoil: Callable[[Path], None], places: list[int]
) -> None:
    for i in range(20):
        path = write_dng(tmp_path / f"HRN_{i + 31:04d}.DNG", 2.1 * i)
        if i in places:
            spoil(path)
    sequence = only(tmp_path)
    assert states(sequence) == dict.fromkeys(places, "torn")
    assert numbers(sequence) == list(range(31, 51))
    assert all(sequence.frames[i].why for i in places)
    times = np.array([frame.time_s for frame in sequence.frames])
    assert np.abs(times - 2.1 * np.arange(20)).max() <= 1.0
    assert np.all(np.diff(times) > 0.0)


def test_torn_raw_takes_the_time_of_its_twin(tmp_path: Path) -> None:
    for i in range(12):
        write_dng(tmp_path / f"HRN_{i + 1:04d}.DNG", 2.0 * i)
        write_jpeg(tmp_path / f"HRN_{i + 1:04d}.JPG", 2.0 * i)
    (tmp_path / "HRN_0006.DNG").write_bytes(b"")
    contents = scan(tmp_path)
    assert contents.singles == []
    (sequence,) = contents.sequences
    assert states(sequence) == {5: "torn"}
    assert sequence.frames[5].file == "HRN_0006.DNG"


def test_torn_file_without_a_place_is_named_with_the_flight_of_its_folder(tmp_path: Path) -> None:
    flight(tmp_path / "a", 2.0 * np.arange(12))
    flight(tmp_path / "b", 86_400.0 + 2.0 * np.arange(12), first=101)
    for folder in ("b", "c"):
        (tmp_path / folder).mkdir(exist_ok=True)
        (tmp_path / folder / "lantern-hill.dng").write_bytes(b"torn" + folder.encode())
    contents = scan(tmp_path)
    assert [(item.file, item.trouble) for item in contents.left_aside] == [
        ("b/lantern-hill.dng", True),
        ("c/lantern-hill.dng", True),
    ]
    # that of a folder without photos is named with the first flight
    assert [[item.file for item in one.left_aside] for one in contents.sequences] == [
        ["c/lantern-hill.dng"],
        ["b/lantern-hill.dng"],
    ]


# --- the card itself ------------------------------------------------------------------------------


def test_other_files_and_hidden_ones_are_left_aside(tmp_path: Path) -> None:
    flight(tmp_path / "DCIM" / "100HERON", 2.0 * np.arange(10))
    (tmp_path / "DCIM" / "HRN_0011.MP4").write_bytes(b"video")
    (tmp_path / "notes.txt").write_text("harbour wall, 120 m")
    for hidden in (".trash/HRN_0001.JPG", "DCIM/100HERON/._HRN_0001.JPG", "System Volume Information/x.jpg"):
        (tmp_path / hidden).parent.mkdir(exist_ok=True)
        (tmp_path / hidden).write_bytes(b"hidden")
    contents = scan(tmp_path)
    assert [(item.file, item.trouble) for item in contents.left_aside] == [
        ("DCIM/HRN_0011.MP4", False),
        ("notes.txt", False),
    ]


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_linked_folders_do_not_loop(tmp_path: Path) -> None:
    flight(tmp_path / "card" / "a", 2.0 * np.arange(10))
    (tmp_path / "card" / "a" / "up").symlink_to(tmp_path / "card")
    (tmp_path / "card" / "again").symlink_to(tmp_path / "card" / "a")
    contents = scan(tmp_path / "card")
    assert contents.left_aside == []
    assert contents.sequences[0].frames[0].file == "a/HRN_0001.JPG"


@pytest.mark.skipif(os.name == "nt", reason="links need rights on Windows")
def test_links_that_lead_nowhere_harm_nothing(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(10))
    (tmp_path / "HRN_0011.JPG").symlink_to(tmp_path / "HRN_0011.JPG")
    (tmp_path / "gone.jpg").symlink_to(tmp_path / "nowhere.jpg")
    contents = scan(tmp_path)
    assert len(contents.sequences[0].photos) == 10
    aside = {item.file: (item.trouble, item.why) for item in contents.left_aside}
    assert sorted(aside) == ["HRN_0011.JPG", "gone.jpg"]
    assert all(trouble and "cannot be read" in why for trouble, why in aside.values())


def test_scan_writes_nothing_and_is_repeatable(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(12))
    before = {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in tmp_path.iterdir()}
    counted: list[int] = []
    first = scan_card(tmp_path, LoadSettings(), counted.append)
    assert sum(counted) == 12
    assert scan(tmp_path) == first
    assert {path: (path.stat().st_mtime_ns, path.read_bytes()) for path in tmp_path.iterdir()} == before


def test_leave_out_by_name_or_path(tmp_path: Path) -> None:
    flight(tmp_path / "DCIM", 2.0 * np.arange(12))
    (sequence,) = scan(tmp_path, "HRN_0003.JPG", "DCIM/HRN_0007.JPG").sequences
    assert states(sequence) == {2: "left-out", 6: "left-out"}
    assert sequence.frames[2].file == "DCIM/HRN_0003.JPG"
    with pytest.raises(UsageError, match=r"HRN_0033\.JPG.*did you mean 'HRN_0003\.JPG'"):
        scan(tmp_path, "HRN_0033.JPG")


def test_bad_cards_are_refused_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("no photographs")
    for card, words in (
        (tmp_path, "no photographs in"),
        (tmp_path / "absent", "there is no folder"),
        (tmp_path / "notes.txt", "is a file"),
    ):
        with pytest.raises(UsageError, match=words):
            scan(card)


def test_focal_length_from_the_finer_of_agreeing_facts(tmp_path: Path) -> None:
    size = (4000 // 100, 3000 // 100)
    flight(tmp_path / "a", 2.0 * np.arange(10), size=size)
    sequence = only(tmp_path / "a")
    # 24 mm of a 43.27 mm diagonal, on a picture with a diagonal of 50 px
    assert sequence.focal_px == pytest.approx(24.0 * 50.0 / 43.267, rel=1e-4)
    assert sequence.focal_from == "35 mm equivalent focal length"
    for name, per_mm, expected in (("b", "32/10", 8.8 * 3.2), ("c", "12/1", 24.0 * 50.0 / 43.267)):
        plane = {"Exif.Photo.FocalPlaneXResolution": per_mm, "Exif.Photo.FocalPlaneResolutionUnit": "4"}
        flight(tmp_path / name, 2.0 * np.arange(10), size=size, exif=plane)
        assert only(tmp_path / name).focal_px == pytest.approx(expected, rel=1e-4)


def test_real_flight_with_whole_second_times(data_dir: Path) -> None:
    sequence = only(data_dir / "aerial_steady")
    assert states(sequence) == {}
    assert len(sequence.frames) == 30
    assert sequence.interval_s == pytest.approx(2.1, abs=0.035)
    # 4.5 mm, 4000000/244 px per inch, reduced to half
    assert sequence.focal_px == pytest.approx(4.5 * 4_000_000 / 244 / 25.4 / 2)
