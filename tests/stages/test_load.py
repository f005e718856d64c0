"""What the load stage says of sequences."""

from __future__ import annotations

from pathlib import Path

from pipeline.card.scan import scan_card
from pipeline.sequence import Sequence
from pipeline.settings import LoadSettings
from pipeline.stages.load import load
from tests.small_photos import write_dng, write_jpeg


def saltmere_flight(card: Path) -> Sequence:
    """Twenty places: one photo missing, one torn, one left out, JPEG twins, a copy, two exposures."""
    for i in range(20):
        exposure = {"Exif.Photo.ExposureTime": "1/60" if i < 12 else "1/120"}
        name = f"HRN_{i + 1:04d}"
        if i != 4:
            write_dng(card / f"{name}.DNG", 2.0 * i, digits=2, exif=exposure)
            write_jpeg(card / f"{name}.JPG", 2.0 * i, digits=2, exif=exposure)
    torn = card / "HRN_0008.DNG"
    torn.write_bytes(torn.read_bytes()[:-100])
    copy = card / "HRN_0010 (1).DNG"
    copy.write_bytes((card / "HRN_0010.DNG").read_bytes())
    contents = scan_card(card, LoadSettings(leave_out=("HRN_0015.DNG",)))
    (sequence,) = contents.sequences
    return sequence


def test_counts_exposures_and_warnings(tmp_path: Path) -> None:
    result = load(saltmere_flight(tmp_path))
    assert result.found == {
        "photo_count": 17,
        "missing_count": 3,
        "torn_count": 1,
        "duplicate_count": 1,
        "exposure_changes": 1,
        "interval_s": 2.0,
        "interval_spread_s": 0.0,
    }
    assert result.left.keys() == result.found.keys()
    assert result.left["missing_count"] == 3
    assert result.applied["held_frames"] == [4, 7, 14]
    assert result.applied["left_out_count"] == 1
    assert len(result.applied["left_aside"]) == 20
    text = "\n".join(result.warnings)
    for words in (
        "photos missing: 1",
        "frame 7 (HRN_0008.DNG)",
        "shorter than its picture",
        "first at frame 12",
    ):
        assert words in text
    assert result.unmeasured == {}


def test_frames_tell_what_each_photo_tells(tmp_path: Path) -> None:
    frames = load(saltmere_flight(tmp_path)).frames
    assert [frame["frame"] for frame in frames] == list(range(20))
    assert [frame["state"] for frame in frames if frame["state"] != "photo"] == [
        "missing",
        "torn",
        "left-out",
    ]
    assert frames[4]["file"] is None
    assert frames[4]["time_s"] == 8.0
    assert abs(frames[12]["exposure_ev"] - frames[11]["exposure_ev"] + 1.0) < 1e-9
    assert frames[0]["as_shot_neutral"] == (0.5, 1.0, 0.6)
    assert "latitude_deg" not in frames[0]


def test_uneven_interval_is_said(tmp_path: Path) -> None:
    early_or_late = [0.0, 0.5, -0.5, 0.4]
    for i in range(24):
        write_jpeg(tmp_path / f"HRN_{i + 1:04d}.JPG", 2.0 * i + early_or_late[i % 4], digits=2)
    (sequence,) = scan_card(tmp_path, LoadSettings()).sequences
    result = load(sequence)
    assert result.found["missing_count"] == 0
    spread = result.found["interval_spread_s"]
    assert spread is not None and spread > 0.4
    assert any("unevenly" in warning for warning in result.warnings)


def test_single_photo_has_no_spread(tmp_path: Path) -> None:
    write_jpeg(tmp_path / "HRN_0001.JPG", 0.0)
    (sequence,) = scan_card(tmp_path, LoadSettings()).singles
    result = load(sequence)
    assert result.found["interval_spread_s"] is None
    assert result.unmeasured["found.interval_spread_s"] == "fewer than two photos"


def test_real_flight(data_dir: Path) -> None:
    (sequence,) = scan_card(data_dir / "aerial_steady", LoadSettings()).sequences
    result = load(sequence)
    assert (result.found["photo_count"], result.found["missing_count"]) == (30, 0)
    assert result.found["exposure_changes"] == 0  # locked, as the data's README says
    assert not any("unevenly" in warning for warning in result.warnings)
