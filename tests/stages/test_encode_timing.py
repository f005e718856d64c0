"""Encode: trimmed, reversed, longer and filled videos, and what the report says of them."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.corrections import Corrections
from pipeline.errors import UsageError
from pipeline.parallel import local_executor
from pipeline.render.delivery import load_deliveries
from pipeline.settings import Settings
from pipeline.stages.encode import encode
from pipeline.stages.thumbnails import Thumbnails
from tests.render.test_produce import write_flight

TOML = """intent = "test"
width = 320
height = 180
codec = "ffv1"
pixel_format = "yuv420p"
container = "mkv"
threads = 2
[options]
level = 3
"""


def encoded(
    folder: Path, corrections: Corrections, even_speed: bool = False, **values: Any
) -> tuple[dict[str, Any], NDArray[np.uint8]]:
    """The report's parts, and the grey frames of the video (n×180×320)."""
    (folder / "small.toml").write_text(TOML)
    settings = Settings.model_validate(
        {
            "encode": {"delivery": str(folder / "small.toml"), **values},
            "stabilise": {"even_speed": even_speed},
        }
    )
    with local_executor(2) as executor:
        result = encode(
            folder / "card", corrections, folder, settings, load_deliveries(settings.encode.delivery),
            Thumbnails(folder / "work" / "thumbs", [0], 30.0, executor), executor, 2, lambda _: None,
        )  # fmt: skip
    (output,) = result.applied["outputs"]
    with av.open(str(folder / output["file"])) as video:
        frames = [frame.to_ndarray(format="gray") for frame in video.decode(video=0)]
    return vars(result), np.stack(frames)


def test_trimmed_and_reversed(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path / "card", 8)
    whole = encoded(tmp_path, corrections)[1]
    report, part = encoded(tmp_path, corrections, trim_start=2, trim_end=1, reverse=True)
    assert [row["frame"] for row in report["frames"]] == [6, 5, 4, 3, 2]
    np.testing.assert_array_equal(part, whole[6:1:-1])


def test_a_wished_length_chooses_a_rate_and_says_so(tmp_path: Path) -> None:
    report, frames = encoded(tmp_path, write_flight(tmp_path / "card", 10), seconds=0.4)
    (output,) = report["applied"]["outputs"]
    assert (output["fps"], output["frames"], len(frames)) == ("25", 10, 10)
    assert report["applied"]["fps"] == "25"
    assert "10 frames last 0.40 s at 25 a second" in " ".join(report["warnings"])


def test_a_longer_video_has_frames_made_between_photos(tmp_path: Path) -> None:
    report, frames = encoded(tmp_path, write_flight(tmp_path / "card", 5), seconds=0.6)
    assert len(frames) == 18
    made = [row["made"] for row in report["frames"]]
    assert report["applied"]["frames_made"] == {
        "photo": made.count("photo"),
        "between": made.count("between"),
    }
    assert made.count("between") >= 12
    assert report["applied"]["pace"] == pytest.approx(4 / 17)
    places = [row["place"] for row in report["frames"]]
    np.testing.assert_allclose(places, np.linspace(0.0, 4.0, 18))


def test_what_stands_in_the_place_of_missing_photos_is_told_per_frame(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path / "card", 7, missing=(0, 3))
    report, frames = encoded(tmp_path, corrections)
    assert [row["made"] for row in report["frames"]] == ["held"] + ["photo"] * 2 + ["between"] + ["photo"] * 3
    shares = [row["consistent_share"] for row in report["frames"]]
    assert shares[3] > 0.9
    assert [share for k, share in enumerate(shares) if k != 3] == [None] * 6
    assert not [line for line in report["warnings"] if "could not be followed" in line]
    held = encoded(tmp_path, corrections, fill_missing="hold")[1]
    assert (frames[3] != held[3]).mean() > 0.5
    np.testing.assert_array_equal(np.delete(frames, 3, axis=0), np.delete(held, 3, axis=0))


def test_even_speed_remaps_time(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path / "card", 7)
    for frame, speed in zip(corrections.frames, (0.02, 0.02, 0.02, 0.06, 0.06, 0.06), strict=False):
        frame.ground_speed = speed
    report = encoded(tmp_path, corrections, even_speed=True)[0]
    places = [row["place"] for row in report["frames"]]
    np.testing.assert_allclose(places, [0.0, 2.0, 3.0 + 1 / 3, 4.0, 4.0 + 2 / 3, 5.0 + 1 / 3, 6.0], atol=0.35)
    assert np.diff(places)[0] > 1.9 * np.diff(places)[-1]


def test_the_wished_shutter_is_told_and_added(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path / "card", 5)
    sharp = encoded(tmp_path, corrections)[1]
    report, blurred = encoded(tmp_path, corrections, shutter_angle=270.0)
    assert report["applied"]["shutter"] == {
        "wished_deg": 270.0,
        "own_deg": pytest.approx(36.0),
        "added": True,
        "why_not": None,
    }
    along = [float(np.mean(np.diff(frames[2].astype(float), axis=1) ** 2)) for frames in (sharp, blurred)]
    assert along[1] < 0.7 * along[0]


def test_a_shutter_that_does_not_apply_leaves_the_frames_and_says_why(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path / "card", 4)
    sharp = encoded(tmp_path, corrections)[1]
    for frame in corrections.frames:
        frame.ground_motion = 0.2
    report, frames = encoded(tmp_path, corrections, shutter_angle=180.0)
    assert report["applied"]["shutter"]["added"] is False
    assert any("not applicable: the ground moves by 20 %" in line for line in report["warnings"])
    np.testing.assert_array_equal(frames, sharp)


def test_trimming_everything_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="trim less"):
        encoded(tmp_path, write_flight(tmp_path / "card", 4), trim_start=4)
    assert list(tmp_path.glob("*.mkv")) == []
