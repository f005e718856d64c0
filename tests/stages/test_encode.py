"""Encode: size of the video, frames independent of the workers, torn and held photos, the report."""

from __future__ import annotations

import os
from concurrent.futures import Executor, ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from pipeline.colour.display import linear_to_srgb
from pipeline.colour.grade import Grading
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError, UsageError
from pipeline.parallel import local_executor
from pipeline.render.delivery import Delivery, load_deliveries, load_delivery
from pipeline.render.grades import load_grade
from pipeline.render.produce import RenderJob, rendered_frames
from pipeline.render.timing import plan_video
from pipeline.settings import EncodeSettings, Settings
from pipeline.stages.encode import encode, output_size
from pipeline.stages.thumbnails import Thumbnails

WIDTH, HEIGHT = 480, 360


def corrections_of(files: list[str | None]) -> Corrections:
    """Corrections of a small JPEG flight; a frame without a file shows the photo before it."""
    frames = []
    shown = 0
    for number, file in enumerate(files):
        shown = number if file is not None else shown
        frames.append(
            FrameCorrection(
                frame=number,
                file=file,
                shown=shown,
                shown_file=str(files[shown]),
                time_s=2.0 * number,
                gain_ev=0.01 * number,
                rotation_rad=(0.002 * (number % 3), -0.003 * (number % 2), 0.004),
            )
        )
    return Corrections(
        id="20310504-101500_MARSH_0001",
        kind="display-referred",
        card="card",
        started_at="2031-05-04T10:15:00+00:00",
        width=WIDTH,
        height=HEIGHT,
        focal_px=400.0,
        shape=(16, 9),
        crop_ratio=0.9,
        frames=frames,
    )


def write_card(folder: Path, count: int) -> list[str | None]:
    """Write invented photos of one smooth texture that drifts by 2 px a frame."""
    rng = np.random.default_rng(1)
    world = cv2.resize(
        rng.uniform(60, 200, (60, 90, 3)), (WIDTH + 200, HEIGHT + 60), interpolation=cv2.INTER_CUBIC
    )
    folder.mkdir()
    files: list[str | None] = []
    for number in range(count):
        part = world[:HEIGHT, 2 * number : 2 * number + WIDTH]
        files.append(f"MARSH_{number:04d}.JPG")
        assert cv2.imwrite(str(folder / str(files[-1])), part.clip(0, 255).astype(np.uint8))
    return files


def settings_of(folder: Path, **encode_settings: str) -> Settings:
    """Settings with a small and quick lossless delivery."""
    path = folder / "small.toml"
    path.write_text(
        'intent = "test"\nwidth = 320\nheight = 180\ncodec = "ffv1"\npixel_format = "yuv420p"\n'
        'container = "mkv"\nthreads = 2\n[options]\nlevel = 3\n'
    )
    return Settings(encode=EncodeSettings.model_validate({"delivery": str(path)} | encode_settings))


def run(
    folder: Path,
    corrections: Corrections,
    settings: Settings,
    workers: int = 2,
    advanced: list[int] | None = None,
) -> dict[str, object]:
    out = folder / "out"
    out.mkdir(exist_ok=True)
    steps = [] if advanced is None else advanced
    with local_executor(workers) as executor:
        result = encode(
            folder / "card",
            corrections,
            out,
            settings,
            load_deliveries(settings.encode.delivery),
            Thumbnails(out / "work" / "thumbs", [f.shown for f in corrections.frames], 30.0, executor),
            executor,
            workers,
            steps.append,
        )
    return vars(result)


@pytest.fixture
def delivery() -> Delivery:
    """Full HD."""
    return load_delivery("1080p-h264")[1]


@pytest.mark.parametrize(
    ("photo", "crop_ratio", "named", "size"),
    [
        ((4000, 3000), 0.9, False, (1920, 1080)),
        ((1920, 1080), 1.0, False, (1920, 1080)),
        # 1600×1200 holds 1600×900 of the shape; 0.9 of that is 1440×810.
        ((1600, 1200), 0.9, False, (1440, 810)),
        ((1000, 3000), 0.9, False, (900, 506)),
        ((2000, 1500), 0.9, True, (1920, 1080)),
    ],
)
def test_size_of_the_video(
    photo: tuple[int, int], crop_ratio: float, named: bool, size: tuple[int, int], delivery: Delivery
) -> None:
    width, height, note = output_size(*photo, crop_ratio, delivery, named=named)
    assert (width, height) == size
    assert width % 2 == 0
    assert height % 2 == 0
    if named:
        assert note == "the video is enlarged 1.07 times to 1920×1080 px"
    elif size != (1920, 1080):
        assert note is not None
        assert f"{width}×{height}" in note
    else:
        assert note is None


def test_a_named_delivery_is_not_enlarged_much(delivery: Delivery) -> None:
    with pytest.raises(UsageError, match=r"1\.33 times, more than 1\.25: choose one of at most 1440×810 px"):
        output_size(1600, 1200, 0.9, delivery, named=True)


def test_a_flight_becomes_a_checked_video(tmp_path: Path) -> None:
    files = write_card(tmp_path / "card", 6)
    files[3] = None  # a missing photo: the one before it is held
    advanced: list[int] = []
    result = run(tmp_path, corrections_of(files), settings_of(tmp_path, fps="23.976"), advanced=advanced)
    (output,) = result["applied"]["outputs"]
    path = tmp_path / "out" / "20310504-101500_MARSH_0001_plain_small.mkv"
    assert output == {
        "file": path.name,
        "grade": "plain",
        "delivery": "small",
        "width": 320,
        "height": 180,
        "fps": "24000/1001",
        "frames": 6,
        "timecode": "00:00:00:00",
        "duration_s": pytest.approx(0.2503, abs=1e-3),
        "pixel_format": "yuv420p",
        "tags": {"primaries": 1, "transfer": 1, "matrix": 1, "range": "limited"},
        "bytes": path.stat().st_size,
    }
    assert [entry.name for entry in (tmp_path / "out").iterdir()] == [path.name]
    assert sum(advanced) == 6
    assert [frame["frame"] for frame in result["frames"]] == list(range(6))
    assert result["frames"][3]["shown_file"] == "MARSH_0002.JPG"


def test_what_was_found_and_what_is_left(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Flicker and shake put into the photos are found in the thumbnails and gone from the video.

    The thumbnails are not looked at a second time, until one has changed.
    """
    rng = np.random.default_rng(3)
    gains_ev, shake_rad = rng.normal(0.0, 0.1, 20), rng.normal(0.0, 0.008, (20, 3))
    world = cv2.resize(rng.uniform(0.05, 0.4, (90, 150, 1)), (900, 540), interpolation=cv2.INTER_CUBIC)
    (tmp_path / "card").mkdir()
    thumbnails = tmp_path / "out" / "work" / "thumbs"
    thumbnails.mkdir(parents=True)
    corrections = corrections_of([f"MARSH_{number:04d}.JPG" for number in range(20)])
    focal = corrections.focal_px
    camera = np.array([[focal, 0, (WIDTH - 1) / 2], [0, focal, (HEIGHT - 1) / 2], [0, 0, 1]])
    for frame, gain_ev, shake in zip(corrections.frames, gains_ev, shake_rad, strict=True):
        # The real camera sees at C x what the steady one, drifting by 2 px a frame, sees at x.
        steady = camera @ Rotation.from_rotvec(shake).inv().as_matrix() @ np.linalg.inv(camera)
        drift = np.array([[1.0, 0.0, 100.0 + 2.0 * frame.frame], [0.0, 1.0, 80.0], [0.0, 0.0, 1.0]])
        flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
        level = cv2.warpPerspective(world, drift @ steady, (WIDTH, HEIGHT), flags=flags) * 2.0**gain_ev
        code = np.rint(linear_to_srgb(level.clip(0.0, 1.0)) * 255.0).astype(np.uint8)
        picture = cv2.merge([code, code, code])
        assert cv2.imwrite(str(tmp_path / "card" / frame.shown_file), picture, [cv2.IMWRITE_JPEG_QUALITY, 98])
        assert cv2.imwrite(str(thumbnails / f"{frame.frame:05d}.jpg"), picture)
        frame.gain_ev = -gain_ev
        frame.rotation_rad = tuple(shake)
    result = run(tmp_path, corrections, settings_of(tmp_path))
    found, left = result["found"], result["left"]
    assert set(found) == set(left)
    assert result["unmeasured"] == {}
    high_pass = gains_ev - np.polyval(np.polyfit(np.arange(20), gains_ev, 1), np.arange(20))
    assert found["flicker_rms_ev"] == pytest.approx(np.sqrt(np.mean(high_pass**2)), rel=0.15)
    assert left["flicker_rms_ev"] < 0.01
    assert found["ground_jitter_px"] > 1.0
    assert left["ground_jitter_px"] < 0.1 * found["ground_jitter_px"]
    assert left["crop_ratio"] == pytest.approx(0.9, abs=0.003)  # seen in the video, not taken from the path
    assert left["distortion_value"] > 0.99
    assert left["stability_score"] > found["stability_score"]

    def refuse(*_: object) -> None:
        raise AssertionError("looked at again")

    monkeypatch.setattr("pipeline.stages.thumbnails.view_pictures", refuse)
    assert run(tmp_path, corrections, settings_of(tmp_path))["found"] == found
    os.utime(thumbnails / "00003.jpg", (0, 0))
    with pytest.raises(AssertionError, match="looked at again"):
        run(tmp_path, corrections, settings_of(tmp_path))


def test_without_thumbnails_what_was_found_has_a_reason(tmp_path: Path) -> None:
    result = run(tmp_path, corrections_of(write_card(tmp_path / "card", 6)), settings_of(tmp_path))
    assert result["found"]["flicker_rms_ev"] is None
    assert result["unmeasured"]["found.flicker_rms_ev"].startswith("the thumbnails")
    assert result["left"]["flicker_rms_ev"] is not None


def samples_of(job: RenderJob, executor: Executor, workers: int) -> list[bytes]:
    video = plan_video(job.corrections, EncodeSettings()).frames
    return [frame.samples[0].tobytes() for frame in rendered_frames(job, video, executor, workers)]


def test_frames_are_the_same_for_any_workers_and_executor(tmp_path: Path) -> None:
    files = write_card(tmp_path / "card", 7)
    files[2] = files[3] = None
    job = RenderJob(
        tmp_path / "card",
        corrections_of(files),
        Grading(((0, load_grade("plain")),)),
        (load_delivery("1080p-h264")[1].frame_format((320, 180)),),
    )
    with (
        local_executor(1) as one,
        local_executor(3) as three,
        ProcessPoolExecutor(2, mp_context=get_context("spawn")) as processes,
    ):
        alone = samples_of(job, one, 1)
        assert len(alone) == 7
        assert samples_of(job, three, 3) == alone
        assert samples_of(job, processes, 2) == alone
    assert alone[1] != alone[2]  # a held photo still gets noise and gain of its own


def test_a_photo_torn_since_is_replaced_by_the_nearest(tmp_path: Path) -> None:
    files = write_card(tmp_path / "card", 5)
    torn = tmp_path / "card" / "MARSH_0001.JPG"
    torn.write_bytes(torn.read_bytes()[:900])
    result = run(tmp_path, corrections_of(files), settings_of(tmp_path))
    assert result["frames"][1]["shown_file"] == "MARSH_0000.JPG"
    assert len(result["warnings"]) == 1
    assert result["warnings"][0].startswith("frame 1 (MARSH_0001.JPG): MARSH_0001.JPG is torn")
    assert "MARSH_0000.JPG stands in" in result["warnings"][0]


def test_nothing_is_left_where_no_photo_opens(tmp_path: Path) -> None:
    files = write_card(tmp_path / "card", 3)
    for file in files:
        (tmp_path / "card" / str(file)).write_bytes(b"")
    with pytest.raises(EvenflightError, match="no photo of 20310504-101500_MARSH_0001 can be opened"):
        run(tmp_path, corrections_of(files), settings_of(tmp_path))
    assert list((tmp_path / "out").iterdir()) == []


def test_a_view_beyond_the_photo_names_the_frame_and_leaves_nothing(tmp_path: Path) -> None:
    corrections = corrections_of(write_card(tmp_path / "card", 3))
    corrections.frames[2].rotation_rad = (0.0, 0.5, 0.0)
    with pytest.raises(EvenflightError, match=r"frame 2 .MARSH_0002\.JPG.: the corrected view leaves"):
        run(tmp_path, corrections, settings_of(tmp_path))
    assert list((tmp_path / "out").iterdir()) == []


def test_a_moved_card_is_told(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="the card card is not where it was"):
        run(tmp_path, corrections_of(["a.dng"]), settings_of(tmp_path))


def test_several_deliveries_come_from_one_pass(tmp_path: Path) -> None:
    """A video, a square of 10 bits and frames: each photo is opened once, each file is as if made alone."""
    corrections = corrections_of(write_card(tmp_path / "card", 4))
    settings = settings_of(tmp_path)
    square = (tmp_path / "small.toml").read_text()
    square = square.replace("width = 320", "width = 180").replace("yuv420p", "yuv444p10le")
    (tmp_path / "square.toml").write_text(square)
    frames = square.partition("[options]")[0].replace('"ffv1"', '"tiff"').replace('"mkv"', '"tiff"')
    (tmp_path / "frames.toml").write_text(frames.replace("yuv444p10le", "rgb48le"))
    names = [str(tmp_path / f"{name}.toml") for name in ("small", "square", "frames")]
    several = settings.model_copy(
        update={"encode": settings.encode.model_copy(update={"delivery": ", ".join(names)})}
    )
    result = run(tmp_path, corrections, several)
    made = result["applied"]["outputs"]
    assert [(one["delivery"], one["width"], one["pixel_format"]) for one in made] == [
        ("small", 320, "yuv420p"),
        ("square", 180, "yuv444p10le"),
        ("frames", 180, "rgb48le"),
    ]
    assert [one["frames"] for one in made] == [4, 4, 4]
    stem = "20310504-101500_MARSH_0001_plain"
    together = (tmp_path / "out" / f"{stem}_square.mkv").read_bytes()
    assert len(list((tmp_path / "out" / f"{stem}_frames").iterdir())) == 4
    alone = settings.model_copy(update={"encode": settings.encode.model_copy(update={"delivery": names[1]})})
    run(tmp_path, corrections, alone)
    assert (tmp_path / "out" / f"{stem}_square.mkv").read_bytes() == together


def test_frames_alone_are_measured_too(tmp_path: Path) -> None:
    settings = settings_of(tmp_path)
    path = tmp_path / "small.toml"
    text = path.read_text().partition("[options]")[0].replace('"ffv1"', '"tiff"').replace('"mkv"', '"tiff"')
    path.write_text(text.replace("yuv420p", "rgb48le"))
    result = run(tmp_path, corrections_of(write_card(tmp_path / "card", 6)), settings)
    assert result["left"]["flicker_rms_ev"] is not None


def test_an_error_leaves_no_file_of_any_delivery(tmp_path: Path) -> None:
    corrections = corrections_of(write_card(tmp_path / "card", 3))
    corrections.frames[2].rotation_rad = (0.0, 0.5, 0.0)
    settings = settings_of(tmp_path)
    other = (tmp_path / "small.toml").read_text().partition("[options]")[0]
    other = other.replace('"ffv1"', '"tiff"').replace('"mkv"', '"tiff"').replace("yuv420p", "rgb48le")
    (tmp_path / "frames.toml").write_text(other)
    both = f"{settings.encode.delivery},{tmp_path / 'frames.toml'}"
    settings = settings.model_copy(update={"encode": settings.encode.model_copy(update={"delivery": both})})
    with pytest.raises(EvenflightError, match="the corrected view leaves"):
        run(tmp_path, corrections, settings)
    assert list((tmp_path / "out").iterdir()) == []
