"""Cards as pilots bring them: single shots, brackets, panoramas, odd names (invented flights)."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import tifffile

from pipeline.card.brackets import bracket_offsets
from pipeline.card.panorama import stands_still, turns_round
from tests.card.flights import flight, numbers, only, scan, states
from tests.small_photos import CAMERA, exif_time, tag, write_dng, write_jpeg


def shot(folder: Path, number: int, clock_s: float, shutter: str = "1/60", **how: object) -> None:
    tags = {"Exif.Image.ImageDescription": f"shot {number}", "Exif.Photo.ExposureTime": shutter}
    write_jpeg(folder / f"HRN_{number:04d}.JPG", clock_s, digits=2, exif=tags, **how)  # type: ignore[arg-type]


def test_single_shots_before_and_after_a_flight_are_no_part_of_it(tmp_path: Path) -> None:
    clocks = [-30.0, -22.0, -9.0, *(2.0 * np.arange(20)), 52.0, 60.0]
    for number, clock in enumerate(clocks, start=1):
        shot(tmp_path, number, clock)
    contents = scan(tmp_path)
    assert [numbers(one) for one in contents.sequences] == [list(range(4, 24))]
    assert [len(one.photos) for one in contents.singles] == [3, 2]


def test_a_late_start_in_the_rhythm_of_the_flight_stays(tmp_path: Path) -> None:
    clocks = 2.0 * np.arange(24) + np.where(np.arange(24) >= 3, 12.0, 0.0)
    flight(tmp_path, clocks, digits=2)
    assert [number for number in numbers(only(tmp_path)) if number is not None] == list(range(1, 25))


def test_a_bracket_before_a_flight_is_no_part_of_it(tmp_path: Path) -> None:
    for number, shutter in enumerate(("1/60", "1/120", "1/240", "1/30", "1/15"), start=1):
        shot(tmp_path, number, -10.0 + 0.3 * number, shutter)
    for i in range(20):
        shot(tmp_path, 6 + i, 2.0 * i)
    contents = scan(tmp_path)
    assert [numbers(one) for one in contents.sequences] == [list(range(6, 26))]
    assert contents.sequences[0].warnings == ()


@pytest.mark.parametrize("apart_s", [0.4, 5.0 / 3.0])
@pytest.mark.parametrize("lost", [(), (8, 22, 23, 40)])
def test_a_bracketed_flight_becomes_one_sequence_for_each_exposure(
    tmp_path: Path, apart_s: float, lost: tuple[int, ...]
) -> None:
    for k in range(20):
        for b, shutter in enumerate(("1/60", "1/120", "1/30")):
            number = 3 * k + b + 1
            if number not in lost:
                shot(tmp_path, number, 5.0 * k + apart_s * b, shutter)
    contents = scan(tmp_path)
    assert contents.singles == []
    for first, sequence in enumerate(contents.sequences, start=1):
        wanted = [n for n in range(first, 61, 3)]
        assert numbers(sequence) == [None if n in lost else n for n in wanted]
        assert sequence.interval_s == pytest.approx(5.0, abs=0.01)
        assert len({frame.shutter_s for frame in sequence.photos}) == 1
        assert any("split into 3 sequences" in warning for warning in sequence.warnings)
    assert len(contents.sequences) == 3
    assert len({one.id for one in contents.sequences}) == 3


def test_brackets_are_told_while_the_camera_follows_the_light() -> None:
    drift = np.repeat(np.linspace(0.0, 2.0, 20), 5)
    offsets = bracket_offsets(np.tile([0.0, -0.7, 0.7, -1.4, 1.4], 20) + drift)
    assert offsets is not None
    assert offsets == pytest.approx(np.tile([0.0, -0.7, 0.7, -1.4, 1.4], 20), abs=0.15)


@pytest.mark.parametrize(
    "exposure_ev",
    [
        np.zeros(60),
        np.repeat([0.0, 1.0, 2.0], 20),
        np.random.default_rng(3).choice([-0.33, 0.0, 0.33], 60),
        np.where(np.arange(60) % 17 == 0, 1.0, 0.0),
        np.full(60, np.nan),
        np.tile([0.0, 1.0, -1.0], 2),
    ],
    ids=["even", "steps", "wandering", "now and then", "untold", "two places only"],
)
def test_other_exposures_are_no_brackets(exposure_ev: np.ndarray) -> None:
    assert bracket_offsets(exposure_ev) is None


def test_a_panorama_between_two_flights_is_not_taken_for_one(tmp_path: Path) -> None:
    ahead = {"GimbalYawDegree": "10", "GimbalPitchDegree": "-20", "GimbalRollDegree": "0"}
    for i in range(20):
        shot(tmp_path, 1 + i, 2.0 * i, xmp=ahead)
        shot(tmp_path, 47 + i, 150.0 + 2.0 * i, xmp=ahead)
    for i in range(26):
        angles = {"GimbalYawDegree": str(i % 8 * 45 - 180), "GimbalPitchDegree": str(-30 * (i // 8))}
        shot(tmp_path, 21 + i, 60.0 + 1.2 * i, xmp={**angles, "GimbalRollDegree": "0"})
    contents = scan(tmp_path)
    assert [numbers(one)[0] for one in contents.sequences] == [1, 47]
    assert [(numbers(one)[0], one.panorama) for one in contents.singles] == [(21, True)]


def test_a_flight_that_turns_at_times_is_no_panorama() -> None:
    yaw = np.repeat([0.0, 90.0, 180.0, 270.0], 10)
    assert not turns_round(np.column_stack([yaw, np.full(40, -90.0)]))
    assert not turns_round(np.full((40, 2), np.nan))
    # turning at every photo while flying on: an orbit flown fast
    assert turns_round(np.column_stack([np.arange(40) * 15.0, np.full(40, -30.0)]))
    assert not stands_still([(8.0 * i, 0.0, 0.0) for i in range(40)])
    assert stands_still([(0.4 * i, 0.0, 0.0) for i in range(40)])
    assert stands_still([None] * 40)


NAMES = (
    "a b.jpg",
    'it\'s "q".jpg',
    "🚁 reed-marsh.jpg",
    "new\nline.jpg",
    "x" * 246 + ".jpg",
    "-rf.jpg",
    "<script>alert(1)<!--.jpg",
    "%s{}.jpg",
    "tab\t.jpg",
    " leading.jpg",
    "ӝ.JPEG",
)


@pytest.mark.skipif(os.name == "nt", reason="Windows allows no such names")
def test_any_name_is_a_name(tmp_path: Path) -> None:
    for i, name in enumerate(NAMES):
        write_jpeg(tmp_path / name, 2.0 * i, digits=2, exif={"Exif.Image.ImageDescription": str(i)})
    sequence = only(tmp_path)
    assert [frame.file for frame in sequence.frames] == list(NAMES)
    assert sequence.id.isascii() and sequence.id.replace("-", "").replace("_", "").isalnum()


def test_names_that_differ_in_capitals_alone_are_one_shot(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(12))
    write_jpeg(tmp_path / "hrn_0003.jpg", 4.0, exif={"Exif.Image.ImageDescription": "edited"})
    if len(list(tmp_path.iterdir())) == 12:
        pytest.skip("this disk does not tell capitals apart")
    sequence = only(tmp_path)
    assert numbers(sequence) == list(range(1, 13))
    assert [aside.file for aside in sequence.left_aside] == ["hrn_0003.jpg"]


@pytest.mark.parametrize("orientation", ["6", "8"])
def test_portrait_photos_are_upright(tmp_path: Path, orientation: str) -> None:
    flight(tmp_path, 2.0 * np.arange(12), exif={"Exif.Image.Orientation": orientation})
    sequence = only(tmp_path)
    assert (sequence.width, sequence.height) == (18, 24)


def test_turning_the_camera_starts_another_sequence(tmp_path: Path) -> None:
    flight(tmp_path, 2.0 * np.arange(12))
    flight(tmp_path, 24.0 + 2.0 * np.arange(12), first=13, exif={"Exif.Image.Orientation": "6"})
    assert [(one.width, one.height) for one in scan(tmp_path).sequences] == [(24, 18), (18, 24)]


def test_a_flight_over_two_cards_copied_side_by_side_is_one(tmp_path: Path) -> None:
    for i in range(24):
        folder = tmp_path / ("card one" if i < 13 else "card two") / "DCIM" / "100HERON"
        write_dng(folder / f"HRN_{i + 1:04d}.DNG", 2.0 * i, digits=2)
    sequence = only(tmp_path)
    assert (len(sequence.photos), states(sequence)) == (24, {})


@pytest.mark.parametrize("where", ["DCIM/HRN_{:04d}_edit.JPG", "edited/HRN_{:04d}.JPG", "web/HRN_{:04d}.JPG"])
def test_edited_versions_do_not_mix_with_the_photos(tmp_path: Path, where: str) -> None:
    flight(tmp_path / "DCIM", 2.0 * np.arange(20), digits=2)
    size = (12, 10) if where.startswith("web") else (24, 18)
    for n in range(1, 21):
        path = tmp_path / where.format(n)
        exif = {"Exif.Image.ImageDescription": f"edited {n}"}
        write_jpeg(path, 2.0 * (n - 1), digits=2, size=size, exif=exif)
    found = scan(tmp_path).sequences
    assert [(len(one.photos), one.interval_s, states(one)) for one in found] == [(20, 2.0, {})] * 2
    for one in found:
        assert len({(Path(str(f.file)).parent, str(f.file).count("edit")) for f in one.frames}) == 1


BESIDE = (
    "DCIM/100HERON/HRN_0011.MP4",
    "DCIM/100HERON/HRN_0011.LRF",
    "DCIM/100HERON/HRN_0011.SRT",
    "DCIM/100HERON/HRN_0001.xmp",
    "DCIM/100HERON/HRN_0001.JPG.xmp",
    "DCIM/100HERON/map.png",
    "DCIM/100HERON/Thumbs.db",
    "DCIM/100HERON/jpg",
    "DCIM/100HERON/HRN_0003.JPG.part",
    "MISC/THM/100/HRN_0001.THM",
    "MISC/IDX/HERON.IDX",
    "clip.MOV",
    "desktop.ini",
)
HIDDEN = (
    ".Trash-1000/files/HRN_0020.JPG",
    ".Trashes/501/HRN_0020.JPG",
    "$RECYCLE.BIN/S-1-5-21/$R4J2K1.JPG",
    "System Volume Information/HRN_0020.JPG",
    ".Spotlight-V100/store.jpg",
    ".fseventsd/0000.jpg",
    "__MACOSX/DCIM/._HRN_0001.JPG",
    "DCIM/100HERON/._HRN_0001.JPG",
    "DCIM/100HERON/@eaDir/HRN_0001.JPG/THUMB_M.jpg",
    "DCIM/.thumbnails/HRN_0001.JPG",
    "lost+found/HRN_0020.JPG",
)


def test_what_else_lies_on_a_card_is_left_alone(tmp_path: Path) -> None:
    """As cameras, programs and systems leave it (common practice, no source)."""
    photos = flight(tmp_path / "DCIM" / "100HERON", 2.0 * np.arange(10))
    for name in (*BESIDE, *HIDDEN):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(photos[0].read_bytes())  # each would do as a photo, by what it holds
    contents = scan(tmp_path)
    assert [len(one.photos) for one in contents.sequences] == [10]
    assert contents.singles == []
    assert [item.file for item in contents.left_aside] == sorted(BESIDE)
    assert all(item.why == "not a photograph" and not item.trouble for item in contents.left_aside)


def test_a_tiff_flight_is_a_flight(tmp_path: Path) -> None:
    for i in range(12):
        path = tmp_path / f"HRN_{i + 1:04d}.TIF"
        tifffile.imwrite(path, np.full((18, 24, 3), 60 + i, np.uint8), photometric="rgb")
        tag(path, {**CAMERA, **exif_time(2.0 * i, 2)})
    sequence = only(tmp_path)
    assert (sequence.kind, len(sequence.photos), sequence.width) == ("display-referred", 12, 24)
