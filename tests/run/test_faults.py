"""Whatever is on the card, the rest becomes a video and each loss is named (invented photographs)."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import imageio.v3 as iio
import numpy as np
import pytest

from pipeline.errors import EvenflightError, UsageError
from pipeline.report.schema import read_report
from pipeline.run.commands import run_card
from pipeline.run.workshop import Outcome
from pipeline.settings import load_settings
from tests.small_flight import write_small_flight
from tests.small_photos import CAMERA, exif_time, tag
from tests.watching import Quiet

PHOTOS = 22


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    card = write_small_flight(tmp_path_factory.mktemp("faults"), photos=PHOTOS)
    return sorted(card.rglob("*.DNG"))


def copy(photos: list[Path], card: Path) -> list[Path]:
    card.mkdir()
    return [Path(shutil.copy(photo, card)) for photo in photos]


def run(card: Path, sequence: str | None = None) -> list[Outcome]:
    out = card.parent / "out"
    return run_card(card, out, load_settings(None, []), sequence=sequence, progress=Quiet(), workers=2)


def test_every_broken_file_is_named_and_the_rest_becomes_a_video(whole: list[Path], tmp_path: Path) -> None:
    photos = copy(whole, tmp_path / "card")
    random = np.random.default_rng(1)
    for place, share in ((2, 0.01), (4, 0.5), (6, 0.99)):
        data = photos[place].read_bytes()
        photos[place].write_bytes(data[: int(len(data) * share)])
    photos[8].write_bytes(b"")
    photos[10].write_bytes(random.bytes(photos[10].stat().st_size))
    picture = random.integers(0, 255, (360, 480, 3), dtype=np.uint8)
    photos[12].write_bytes(iio.imwrite("<bytes>", picture, extension=".jpg"))  # a JPEG by another name
    broken = [photos[place].name for place in (2, 4, 6, 8, 10, 12)]
    strays = {
        "noise.CR2": random.bytes(50_000),
        "words.dng": b"hello",
        "clip.NEF": b"\0\0\0\x18ftypmp42" * 90,
    }
    for name, data in strays.items():
        (tmp_path / "card" / name).write_bytes(data)

    (outcome,) = run(tmp_path / "card")
    assert [video.is_file() for video in outcome.videos] == [True]
    named = sorted([*broken, *strays])
    assert sorted(file for file, _ in outcome.left_out) == named
    assert all(why for _, why in outcome.left_out)
    frames = json.loads((outcome.folder / "corrections.json").read_text())["frames"]
    assert len(frames) == PHOTOS
    report = read_report(outcome.folder / "load.json")
    assert report.found["torn_count"] == len(broken)
    said = "\n".join(report.warnings)
    page = (outcome.folder / "report.html").read_text(encoding="utf-8")
    for name in named:
        assert name in said and name in page


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_photos_are_refused_in_one_sentence(whole: list[Path], tmp_path: Path, count: int) -> None:
    copy(whole[:count], tmp_path / "card")
    with pytest.raises(EvenflightError, match="10 photos or more"):
        run(tmp_path / "card")
    with pytest.raises(UsageError, match="a video needs 3"):
        run(tmp_path / "card", "20260514-093000_HERN0001")


def test_three_photos_that_are_asked_for_become_a_video(whole: list[Path], tmp_path: Path) -> None:
    copy(whole[:3], tmp_path / "card")
    (outcome,) = run(tmp_path / "card", "20260514-093000_HERN0001")
    assert outcome.videos[0].is_file() and outcome.left_out == []


def test_three_photos_left_of_many_become_a_video(whole: list[Path], tmp_path: Path) -> None:
    photos = copy(whole, tmp_path / "card")
    for place, photo in enumerate(photos):
        if place not in (2, 10, 19):
            photo.write_bytes(photo.read_bytes()[:4000])
    (outcome,) = run(tmp_path / "card")
    assert outcome.videos[0].is_file() and len(outcome.left_out) == PHOTOS - 3


@pytest.mark.parametrize("level", [0, 90, 255])
def test_photos_without_anything_in_them_become_a_video_of_that(tmp_path: Path, level: int) -> None:
    (tmp_path / "card").mkdir()
    for number in range(12):
        path = tmp_path / "card" / f"HERN{number:04}.JPG"
        iio.imwrite(path, np.full((240, 320, 3), level, np.uint8))
        tag(path, {**CAMERA, **exif_time(2.0 * number, 2), "Exif.Image.ImageDescription": str(number)})
    (outcome,) = run(tmp_path / "card")
    shown = iio.imread(outcome.videos[0], plugin="pyav").astype(int)
    assert len(shown) == 12
    # from sRGB (IEC 61966-2-1) to light and on to the code of BT.1886
    light = 0.0 if level == 0 else ((level / 255 + 0.055) / 1.055) ** 2.4
    error = shown - 255 * light ** (1 / 2.4)
    assert abs(error.mean()) <= 1.0  # a step of the limited range is 1.2 of these
    assert np.abs(error).max() <= 4.0  # the dither's steps, as the encoder leaves them
    assert any("too little matches" in warning for warning in outcome.warnings)


def test_a_flight_that_stands_still_stays_as_it_was(whole: list[Path], tmp_path: Path) -> None:
    """The same photo again and again: nothing to correct, and nothing invented."""
    (tmp_path / "card").mkdir()
    for number in range(12):
        path = Path(shutil.copy(whole[5], tmp_path / "card" / f"HERN{number:04}.DNG"))
        tag(path, {**exif_time(2.0 * number, 2), "Exif.Image.ImageDescription": str(number)})
    (outcome,) = run(tmp_path / "card")
    shown = iio.imread(outcome.videos[0], plugin="pyav").astype(int)
    assert np.abs(np.diff(shown.mean(axis=(1, 2)), axis=0)).max() < 0.5
    assert read_report(outcome.folder / "stabilise.json").found["jitter_rms_px"] == pytest.approx(
        0.0, abs=0.05
    )
