"""The small pictures: the right frame on each side, within their budget, and their flashing told."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest

from pipeline.report import pictures
from pipeline.report.pictures import pictures_of
from pipeline.report.schema import read_report
from pipeline.report.shown import ShownVideo, shown_video
from tests.report.invented import FRAMES, MISSING, TORN
from tests.report.pictured import VIDEO, add_pictures, after_grey, before_grey, write_video


def grey_of(picture: bytes | None) -> float:
    assert picture is not None
    return float(cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR).mean())


def test_each_frame_has_its_photo_and_its_frame_of_the_video(finished: Path) -> None:
    add_pictures(finished)
    shown = tuple(float(n) for n in range(FRAMES))
    before, after = pictures_of(finished, FRAMES, ShownVideo(finished / VIDEO, places=shown), 3)
    for frame in range(FRAMES):
        if frame in (TORN, MISSING):
            assert before.pictures[frame] is None
        else:
            assert grey_of(before.pictures[frame]) == pytest.approx(before_grey(frame), abs=2)
        assert grey_of(after.pictures[frame]) == pytest.approx(after_grey(frame), abs=6)
    assert grey_of(before.still) == pytest.approx(before_grey(3), abs=2)
    assert grey_of(after.still) == pytest.approx(after_grey(3), abs=6)
    assert not before.beyond and not after.beyond
    assert (before.width, before.height, after.height) == (320, 240, 180)


def test_a_reversed_and_stretched_video_is_mapped_by_its_places(finished: Path) -> None:
    add_pictures(finished)
    places = (10.0, 9.5, 9.0, 8.5, 8.0)
    write_video(finished / "back.mp4", [100, 110, 120, 130, 140])
    video = ShownVideo(finished / "back.mp4", pace=0.5, places=places)
    _, after = pictures_of(finished, FRAMES, video, 9)
    assert [n for n, picture in enumerate(after.pictures) if picture] == [8, 9, 10]
    assert grey_of(after.pictures[10]) == pytest.approx(100, abs=6)
    assert grey_of(after.pictures[9]) == pytest.approx(120, abs=6), "9.0 is nearer than the 9.5 before it"
    assert video.order(FRAMES) == [10, 9, 8]
    assert video.seconds(FRAMES)[8:12] == [pytest.approx(4 / 30), pytest.approx(2 / 30), 0.0, None]
    assert video.photos_per_s == 15.0


def test_flashing_pictures_are_beyond_the_limit(finished: Path) -> None:
    add_pictures(finished, flashing=True)
    before, after = pictures_of(finished, FRAMES, ShownVideo(), 0)
    assert before.beyond and before.flashes > 3
    assert not after.beyond and after.why_not == "There is no video of this flight here."


def test_flashes_that_were_measured_are_taken_as_told(finished: Path) -> None:
    add_pictures(finished)
    before, after = pictures_of(finished, FRAMES, ShownVideo(flashes_found=5.5, flashes_left=0.5), 0)
    assert before.beyond and before.flashes == 5.5 and not after.beyond


def test_slowly_played_the_same_pictures_do_not_flash(finished: Path) -> None:
    add_pictures(finished, flashing=True)
    before, _ = pictures_of(finished, FRAMES, ShownVideo(fps=4.0), 0)
    assert not before.beyond


def test_pictures_shrink_into_their_budget(finished: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    thumbs = finished / "work" / "thumbs"
    thumbs.mkdir(parents=True)
    for frame in range(8):
        cv2.imwrite(str(thumbs / f"{frame:05d}.jpg"), rng.integers(0, 255, (480, 640, 3)).astype(np.uint8))
    whole, _ = pictures_of(finished, 8, ShownVideo(), 0)
    total = sum(len(picture) for picture in whole.pictures if picture)
    monkeypatch.setattr(pictures, "BUDGET_BYTES", total // 3)
    small, _ = pictures_of(finished, 8, ShownVideo(), 0)
    assert sum(len(picture) for picture in small.pictures if picture) <= total // 3
    assert small.width < 320 and small.width / small.height == pytest.approx(4 / 3, abs=0.02)
    monkeypatch.setattr(pictures, "MOST_PICTURES", 3)
    few, _ = pictures_of(finished, 8, ShownVideo(), 4)
    assert [n for n, picture in enumerate(few.pictures) if picture] == [0, 3, 6] and few.still is not None


def test_a_file_that_is_no_video_is_told(finished: Path) -> None:
    (finished / "torn.mp4").write_bytes(b"harbour wall")
    _, after = pictures_of(finished, FRAMES, ShownVideo(finished / "torn.mp4", places=(0.0,)), 0)
    assert after.why_not is not None and "torn.mp4 cannot be read as a video" in after.why_not


@pytest.mark.parametrize(
    ("told", "fps"),
    [("23.976", 23.976), ("30000/1001", 30000 / 1001), (25, 25.0), ("x", 30.0), ("1/0", 30.0)],
)
def test_rates_are_read_as_reports_write_them(finished: Path, told: object, fps: float) -> None:
    add_pictures(finished)
    encode = read_report(finished / "encode.json")
    encode.applied["outputs"] = [
        {"file": "older.mp4", "fps": "50", "fingerprint": "another"},
        {"file": f"../{VIDEO}", "fps": told, "fingerprint": encode.fingerprint},
    ]
    video = shown_video(finished, encode)
    assert video.fps == pytest.approx(fps)
    assert video.path == finished / VIDEO, "the latest one, and nothing outside the folder"
