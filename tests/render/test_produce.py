"""Finished frames of a small flight: photos as they are, frames made between them, added blur."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import replace
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.colour.grade import Grade, Grading
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.parallel import local_executor
from pipeline.photo.opening import open_photo
from pipeline.render import produce
from pipeline.render.compose import finish, render_frame, render_working
from pipeline.render.delivery import FrameFormat
from pipeline.render.produce import Rendered, RenderJob, rendered_frames
from pipeline.render.timing import plan_video
from pipeline.settings import EncodeSettings
from tests.render.made import psnr
from tests.render.test_flow import texture

WIDTH, HEIGHT, STEP = 480, 360, 9.0
FORMAT = FrameFormat(320, 180, "yuv420p")


def write_flight(folder: Path, count: int, missing: tuple[int, ...] = ()) -> Corrections:
    """Photos of an invented ground that drifts evenly, and corrections in which some of them are missing."""
    ground = texture(height=HEIGHT + 20, width=WIDTH + round(STEP * count) + 20)
    folder.mkdir(exist_ok=True)
    photos = [k for k in range(count) if k not in missing]
    frames = []
    for k in range(count):
        view = ground[10 : 10 + HEIGHT, round(STEP * k) : round(STEP * k) + WIDTH]
        code = (np.sqrt(view) * 255).astype(np.uint8)
        assert cv2.imwrite(str(folder / f"MARSH_{k:04d}.JPG"), code, [cv2.IMWRITE_JPEG_QUALITY, 98])
        shown = min(photos, key=lambda photo: (abs(photo - k), photo))
        frames.append(
            FrameCorrection(
                frame=k,
                file=None if k in missing else f"MARSH_{k:04d}.JPG",
                shown=shown,
                shown_file=f"MARSH_{shown:04d}.JPG",
                time_s=2.0 * k,
                shutter_s=0.2,
            )
        )
    return Corrections(
        id="20310504-101500_MARSH_0000", kind="display-referred", card="card", width=WIDTH, height=HEIGHT,
        interval_s=2.0, focal_px=400.0, shape=(16, 9), crop_ratio=0.9, frames=frames,
    )  # fmt: skip


def job_of(folder: Path, corrections: Corrections, **more: Any) -> RenderJob:
    return RenderJob(folder, corrections, Grading(((0, Grade(intent="test")),)), (FORMAT,), **more)


def frames_of(job: RenderJob, workers: int = 2, **settings: Any) -> list[Rendered]:
    video = plan_video(job.corrections, EncodeSettings.model_validate(settings)).frames
    with local_executor(workers) as executor:
        return list(rendered_frames(job, video, executor, workers))


def luma(frame: Rendered) -> NDArray[np.float64]:
    plane = frame.samples[0][: 320 * 180].reshape(180, 320)
    return np.asarray((plane - 16.0) / 219.0)


def test_light_kept_and_finished_later_is_the_frame_made_at_once(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path, 2)
    corrections.vignette = (0.2, 0.1, 0.0)
    photo, frame = open_photo(tmp_path / "MARSH_0001.JPG"), corrections.frames[1]
    formats = (FORMAT, FrameFormat(320, 180, "yuv422p10le"), FrameFormat(240, 136, "yuv420p"))
    grade = Grade(intent="test", exposure_ev=0.3, contrast=1.2)
    at_once = render_frame(photo, frame, corrections, grade, formats)
    later = finish(render_working(photo, frame, corrections, formats), grade, formats, frame.frame)
    for one, other in zip(at_once, later, strict=True):
        np.testing.assert_array_equal(one, other)


def test_photos_are_the_same_whatever_happens_beside_them(tmp_path: Path) -> None:
    whole = frames_of(job_of(tmp_path, write_flight(tmp_path, 6)))
    broken = frames_of(job_of(tmp_path, write_flight(tmp_path, 6, missing=(2,))))
    for k in (0, 1, 3, 4, 5):
        assert broken[k].made == "photo"
        np.testing.assert_array_equal(broken[k].samples[0], whole[k].samples[0])


def test_a_missing_photo_is_made_and_nearer_the_truth_than_the_held_one(tmp_path: Path) -> None:
    truth = frames_of(job_of(tmp_path, write_flight(tmp_path, 7)))
    corrections = write_flight(tmp_path, 7, missing=(2, 4, 5))
    made = frames_of(job_of(tmp_path, corrections))
    held = frames_of(job_of(tmp_path, corrections), fill_missing="hold")
    assert [frame.made for frame in made] == [
        "photo",
        "photo",
        "between",
        "photo",
        "between",
        "between",
        "photo",
    ]
    assert [frame.made for frame in held] == ["photo", "photo", "held", "photo", "held", "held", "photo"]
    for k in (2, 4, 5):
        consistent = made[k].consistent
        assert consistent is not None
        assert consistent > 0.9
        assert psnr(luma(made[k]), luma(truth[k])) > psnr(luma(held[k]), luma(truth[k])) + 10.0
        assert psnr(luma(made[k]), luma(truth[k])) > 35.0


def test_where_motion_does_not_agree_the_nearest_photo_is_held_as_ever(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path, 6, missing=(2, 3))
    other = (np.sqrt(texture(seed=99, height=HEIGHT, width=WIDTH)) * 255).astype(np.uint8)
    assert cv2.imwrite(str(tmp_path / "MARSH_0004.JPG"), other)
    tried = frames_of(job_of(tmp_path, corrections))
    held = frames_of(job_of(tmp_path, corrections), fill_missing="hold")
    for k in (2, 3):
        consistent = tried[k].consistent
        assert (tried[k].made, tried[k].shown_file) == ("held", held[k].shown_file)
        assert consistent is not None
        assert consistent < 0.5
        np.testing.assert_array_equal(tried[k].samples[0], held[k].samples[0])


def test_backwards_is_the_same_frames_in_the_other_order(tmp_path: Path) -> None:
    job = job_of(tmp_path, write_flight(tmp_path, 6))
    forwards, backwards = frames_of(job), frames_of(job, reverse=True)
    assert [frame.correction.frame for frame in backwards] == [5, 4, 3, 2, 1, 0]
    for one, other in zip(forwards, reversed(backwards), strict=True):
        np.testing.assert_array_equal(one.samples[0], other.samples[0])


def test_slow_motion_moves_evenly(tmp_path: Path) -> None:
    frames = frames_of(job_of(tmp_path, write_flight(tmp_path, 6)), seconds=0.5)
    assert len(frames) == 15
    expected = STEP * 320 / (0.9 * WIDTH) * 5 / 14
    for one, other in pairwise(frames):
        start = np.eye(2, 3, dtype=np.float32)
        pictures = (luma(one).astype(np.float32), luma(other).astype(np.float32))
        _, found = cv2.findTransformECC(*pictures, start, cv2.MOTION_TRANSLATION)
        np.testing.assert_allclose(found[:, 2], [-expected, 0.0], atol=0.06)


def test_added_blur_lies_along_the_motion(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path, 5)
    sharp = frames_of(job_of(tmp_path, corrections))[2]
    blurred = frames_of(job_of(tmp_path, corrections, blur=(0.7,) * 5))[2]

    # 0.7 of 6.67 px: a box of 4.67 px across the picture, here on the code, which is near enough to light.
    box = np.array([[0.833, 1.0, 1.0, 1.0, 0.833]]) / 4.667
    inner = np.s_[20:-20, 20:-20]
    truth = cv2.filter2D(luma(sharp), -1, box)[inner]
    assert psnr(luma(blurred)[inner], truth) > 40.0
    assert psnr(luma(blurred)[inner], truth) > psnr(luma(sharp)[inner], truth) + 5.0


def test_a_frame_that_needs_no_blur_stays_as_it_is(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path, 4)
    plain = frames_of(job_of(tmp_path, corrections))
    some = frames_of(job_of(tmp_path, corrections, blur=(0.5, 0.0, 0.5, 0.0)))
    for k in (1, 3):
        np.testing.assert_array_equal(some[k].samples[0], plain[k].samples[0])
    assert (some[0].samples[0] != plain[0].samples[0]).any()


Pool = Callable[[], AbstractContextManager[Executor]]


def test_effects_are_the_same_for_any_workers_and_executor(tmp_path: Path) -> None:
    job = job_of(tmp_path, write_flight(tmp_path, 5, missing=(2,)), blur=(0.4,) * 8)
    video = plan_video(job.corrections, EncodeSettings(seconds=8 / 30)).frames
    assert len(video) == 8
    pools: list[tuple[int, Pool]] = [
        (1, lambda: local_executor(1)),
        (3, lambda: local_executor(3)),
        (2, lambda: ProcessPoolExecutor(2, mp_context=get_context("spawn"))),
    ]
    seen = []
    for workers, pool in pools:
        with pool() as executor:
            seen.append([f.samples[0].tobytes() for f in rendered_frames(job, video, executor, workers)])
    assert seen[0] == seen[1]
    assert seen[0] == seen[2]


@pytest.mark.parametrize("effects", [False, True])
def test_photos_are_opened_once_and_not_far_ahead(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, effects: bool
) -> None:
    opened: list[str] = []

    def watched(path: Path) -> Any:
        opened.append(path.name)
        return open_photo(path)

    monkeypatch.setattr(produce, "open_photo", watched)
    corrections = write_flight(tmp_path, 20, missing=(1, 3))
    job = job_of(tmp_path, corrections, blur=(0.5,) * 20 if effects else ())
    video = plan_video(corrections, EncodeSettings()).frames
    ahead = 0
    with local_executor(1) as executor:
        for done, _ in enumerate(rendered_frames(job, video, executor, 1)):
            ahead = max(ahead, len(opened) - done)
    assert sorted(opened) == [f"MARSH_{k:04d}.JPG" for k in range(20) if k not in (1, 3)]
    assert ahead <= 10


def test_a_torn_neighbour_has_its_stand_in_and_is_told(tmp_path: Path) -> None:
    corrections = write_flight(tmp_path, 6, missing=(2,))
    (tmp_path / "MARSH_0003.JPG").write_bytes(b"torn")
    frames = frames_of(job_of(tmp_path, corrections))
    assert len(frames) == 6
    for k in (2, 3):
        assert frames[k].trouble is not None
        assert "stands in" in str(frames[k].trouble)
    assert frames[1].trouble is None
    assert replace(frames[1], samples=()).made == "photo"
