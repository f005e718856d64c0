"""The demo card: laid out like a card, told truly, the same for any number of workers."""

from __future__ import annotations

import hashlib
import json
from fractions import Fraction
from pathlib import Path
from typing import Any

import cv2
import exiv2
import pytest
import rawpy

from pipeline.demo.card import DemoCard, demo_flights, write_demo, write_flights
from tests.demo.made import calm

SIZE = (160, 120)


def digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> DemoCard:
    return write_demo(tmp_path_factory.mktemp("demo"), photos=12, size=SIZE, workers=2)


@pytest.fixture(scope="module")
def told(demo: DemoCard) -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads(demo.truth.read_text(encoding="utf-8"))
    return loaded


def test_looks_like_a_card(demo: DemoCard, told: dict[str, Any]) -> None:
    names = sorted(digests(demo.card))
    raws = [name for name in names if name.endswith(".DNG")]
    assert len(raws) == 24
    assert {name.rsplit("/", 1)[0] for name in raws} == {"DCIM/100HERON", "DCIM/101HERON"}
    assert "DCIM/100HERON/HERN9999.DNG" in raws
    assert "DCIM/101HERON/HERN0001.DNG" in raws
    twins = [name for name in names if name.endswith(".JPG")]
    assert len(twins) == 2
    assert all(name.replace(".JPG", ".DNG") in raws for name in twins)
    assert [name for name in names if name.endswith((".MP4", ".txt"))] == [
        "DCIM/101HERON/HERN0020.MP4",
        "notes.txt",
    ]
    assert demo.card not in demo.truth.parents


def test_truth_names_the_files_that_are_there(demo: DemoCard, told: dict[str, Any]) -> None:
    listed = [frame for flight in told["flights"] for frame in flight["frames"]]
    there = {name for name in digests(demo.card) if name.endswith(".DNG")}
    assert {frame["file"] for frame in listed if frame["file"]} == there
    assert told["expected"]["sequences"] == 2
    assert told["expected"]["frames"] == [14, 12]
    assert told["expected"]["missing"] == [2, 0]
    assert [frame["frame"] for frame in listed if frame["state"] == "missing"] == [4, 5]
    assert told["expected"]["exit_status"] == 3


def test_the_torn_file_and_no_other_is_unreadable(demo: DemoCard, told: dict[str, Any]) -> None:
    unreadable = []
    for path in sorted(demo.card.rglob("*.DNG")):
        try:
            with rawpy.imread(str(path)) as raw:
                raw.raw_image_visible.copy()
        except rawpy.LibRawError:
            unreadable.append(path.relative_to(demo.card).as_posix())
    assert unreadable == told["expected"]["torn"]
    assert len(unreadable) == 1


def test_time_exposure_and_neutral_in_the_files_are_the_truth_s(demo: DemoCard, told: dict[str, Any]) -> None:
    flight = told["flights"][1]
    seen = set()
    for frame in flight["frames"]:
        if frame["state"] != "photo":
            continue
        image = exiv2.ImageFactory.open(str(demo.card / frame["file"]))
        image.readMetadata()
        exif = {datum.key(): str(datum.value()) for datum in image.exifData()}
        seen.add(exif["Exif.Photo.ExposureTime"])
        red, _, blue = (float(Fraction(part)) for part in exif["Exif.Image.AsShotNeutral"].split())
        assert red == pytest.approx(frame["as_shot_neutral"][0], abs=1e-6)
        assert blue == pytest.approx(frame["as_shot_neutral"][2], abs=1e-6)
        clock = exif["Exif.Photo.DateTimeOriginal"][11:].split(":")
        seconds = sum(float(v) * s for v, s in zip(clock, (3600, 60, 1), strict=True))
        seconds += float("0." + exif["Exif.Photo.SubSecTimeOriginal"])
        start = sum(
            float(v) * s for v, s in zip(flight["started_at"][11:26].split(":"), (3600, 60, 1), strict=True)
        )
        assert seconds - start == pytest.approx(frame["time_s"], abs=0.0011)
    assert seen == {"1/8", "1/15"}


def test_half_the_dngs_are_compressed(demo: DemoCard) -> None:
    compressions = []
    for path in sorted(demo.card.rglob("*.DNG")):
        image = exiv2.ImageFactory.open(str(path))
        image.readMetadata()
        compressions.append(str(image.exifData()["Exif.Image.Compression"].value()))
    assert sorted(set(compressions)) == ["1", "7"]
    assert compressions.count("7") == 12


def test_same_bytes_for_any_number_of_workers_and_others_for_another_seed(tmp_path: Path) -> None:
    specs = [calm(size=(96, 72), frames=4, noise=True, shake_deg=0.5, jpegs="some")]
    one = write_flights(tmp_path / "one", specs, workers=1)
    three = write_flights(tmp_path / "three", specs, workers=3)
    assert digests(one.card) == digests(three.card)
    assert one.truth.read_bytes() == three.truth.read_bytes()
    other = write_flights(tmp_path / "other", [calm(size=(96, 72), frames=4, noise=True, seed=8)])
    changed = {name for name, digest in digests(other.card).items() if digest != digests(one.card).get(name)}
    assert len(changed) == 4


def test_jpeg_flight_has_the_camera_s_balance_baked_in(tmp_path: Path) -> None:
    demo = write_flights(tmp_path, [calm(frames=3, wander_mired=25.0, jpegs="only", size=(160, 120))])
    pictures = sorted(demo.card.rglob("*.JPG"))
    assert len(pictures) == 3
    frames = json.loads(demo.truth.read_text(encoding="utf-8"))["flights"][0]["frames"]
    warmth = []
    for path in pictures:
        blue, _, red = cv2.imread(str(path)).mean(axis=(0, 1))
        warmth.append(red - blue)
    # A camera that takes the light for warmer than it is makes the picture bluer.
    by_mired = sorted(range(3), key=lambda k: 1e6 / frames[k]["as_shot_cct_k"])
    assert [warmth[k] for k in by_mired] == sorted(warmth, reverse=True)
    assert warmth[by_mired[0]] > warmth[by_mired[-1]]


def test_progress_and_too_few(tmp_path: Path) -> None:
    steps: list[int] = []
    write_flights(tmp_path, [calm(frames=3, missing=(1,), size=(64, 48))], advance=steps.append)
    assert steps == [1, 1]
    with pytest.raises(ValueError, match="at least 12"):
        write_demo(tmp_path, photos=11)


def test_the_default_flights_are_as_promised() -> None:
    harbour, marsh = demo_flights(7, 90, (1600, 1200))
    assert harbour.frames - len(harbour.missing) == 90
    assert marsh.frames == 90
    assert harbour.yaw_steps == ((45, 3.0),)
    assert marsh.turn_deg != 0
    assert harbour.flicker_ev == pytest.approx(0.08)
    disturbed = set(harbour.outlier_frames) & set(harbour.missing)
    assert not disturbed
