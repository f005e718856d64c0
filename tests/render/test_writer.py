"""The writer: a video appears only whole and checked; deliveries are read strictly."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import EvenflightError, UsageError
from pipeline.render.compose import Samples
from pipeline.render.delivery import Delivery, FrameFormat, exact_rate, load_delivery
from pipeline.render.frames import FrameWriter
from pipeline.render.writer import Stamp, VideoWriter, inspect_video
from pipeline.settings import configs_dir

SIZE = (96, 64)


@pytest.fixture
def delivery() -> Delivery:
    """H.264, as fast as it goes."""
    return Delivery(
        intent="test",
        width=96,
        height=64,
        codec="libx264",
        pixel_format="yuv420p",
        container="mp4",
        threads=2,
        options={"preset": "ultrafast", "crf": 20},
    )


def frames_of(format: FrameFormat, count: int) -> list[Samples]:
    rng = np.random.default_rng(count)
    across, down = format.chroma_step
    size = format.width * format.height + 2 * (format.width // across) * (format.height // down)
    if format.is_rgb:
        return [rng.integers(0, 65536, format.width * format.height * 3, np.uint16) for _ in range(count)]
    limits = (16, 235) if format.bits == 8 else (64, 940)
    return [rng.integers(*limits, size).astype(np.uint8 if format.bits == 8 else "<u2") for _ in range(count)]


def write(path: Path, delivery: Delivery, count: int = 5) -> None:
    format = delivery.frame_format(SIZE)
    stamp = Stamp(Fraction(25))
    tiff = delivery.container == "tiff"
    with FrameWriter(path, format, stamp) if tiff else VideoWriter(path, delivery, format, stamp) as writer:
        for samples in frames_of(format, count):
            writer.write(samples)


def test_the_same_frames_give_the_same_file(tmp_path: Path, delivery: Delivery) -> None:
    write(tmp_path / "first.mp4", delivery, 30)
    write(tmp_path / "second.mp4", delivery, 30)
    assert (tmp_path / "first.mp4").read_bytes() == (tmp_path / "second.mp4").read_bytes()
    assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize("name", ["1080p-h264", "1080p-h265", "1080p-prores", "archive-ffv1"])
def test_our_deliveries_give_the_same_file_again(tmp_path: Path, name: str) -> None:
    """Whatever the number of processors: threads and pools belong to the delivery."""
    _, delivery = load_delivery(name)
    paths = [tmp_path / delivery.file_name(stem) for stem in ("first", "second")]
    for path in paths:
        write(path, delivery, 30)
    assert paths[0].read_bytes() == paths[1].read_bytes()


@pytest.mark.parametrize("error", [RuntimeError, KeyboardInterrupt])
def test_an_interrupted_video_leaves_nothing_and_keeps_the_old_one(
    tmp_path: Path, delivery: Delivery, error: type[BaseException]
) -> None:
    path = tmp_path / "flight.mp4"
    path.write_bytes(b"the one before")
    format = delivery.frame_format(SIZE)
    writer = VideoWriter(path, delivery, format, Stamp(Fraction(25)))
    with pytest.raises(error), writer:
        writer.write(frames_of(format, 1)[0])
        assert [entry.name for entry in tmp_path.iterdir() if entry.name != "flight.mp4"] in (
            [],
            [".flight.mp4.part"],
        )
        raise error
    assert path.read_bytes() == b"the one before"
    assert [entry.name for entry in tmp_path.iterdir()] == ["flight.mp4"]


def test_a_failing_encoder_is_told_in_one_sentence(tmp_path: Path, delivery: Delivery) -> None:
    wrong = delivery.model_copy(update={"options": {"preset": "no such preset"}})
    with pytest.raises(
        EvenflightError, match=r"^the encoder could not write flight\.mp4 \(.+\): check"
    ) as info:
        write(tmp_path / "flight.mp4", wrong, 200)
    assert "\n" not in str(info.value)
    assert list(tmp_path.iterdir()) == []


def test_a_folder_that_is_not_there_is_told(tmp_path: Path, delivery: Delivery) -> None:
    with pytest.raises(EvenflightError, match=r"could not write flight\.mp4 \(.*No such file"):
        write(tmp_path / "absent" / "flight.mp4", delivery)


def test_a_video_that_is_not_what_was_asked_for_is_refused(tmp_path: Path, delivery: Delivery) -> None:
    """Half a frame too much: FFmpeg drops it or adds a frame; either way the count is wrong."""
    format = delivery.frame_format(SIZE)
    writer = VideoWriter(tmp_path / "flight.mp4", delivery, format, Stamp(Fraction(25)))
    samples = frames_of(format, 1)[0]
    with pytest.raises(EvenflightError, match="frames 3 instead of 4"), writer:
        for part in (samples, samples, samples, samples[:100]):
            writer.write(part)
    assert list(tmp_path.iterdir()) == []


def test_what_is_no_video_is_told(tmp_path: Path) -> None:
    path = tmp_path / "notes.mp4"
    path.write_text("no video")
    with pytest.raises(EvenflightError, match=r"notes\.mp4 cannot be decoded"):
        inspect_video(path)


@pytest.mark.parametrize("name", sorted(path.stem for path in (configs_dir() / "deliveries").glob("*.toml")))
def test_every_delivery_of_ours_writes(tmp_path: Path, name: str) -> None:
    stem, delivery = load_delivery(name)
    assert stem == name
    write(tmp_path / delivery.file_name("flight"), delivery, 3)


def test_ffv1_is_lossless(tmp_path: Path) -> None:
    import av

    _, delivery = load_delivery("archive-ffv1")
    format = delivery.frame_format(SIZE)
    path = tmp_path / "flight.mkv"
    write(path, delivery, 3)
    with av.open(str(path)) as container:
        decoded = [frame.planes for frame in container.decode(video=0)]
        for planes, written in zip(decoded, frames_of(format, 3), strict=True):
            rows = [
                np.frombuffer(plane, "<u2").reshape(plane.height, -1)[:, : plane.width] for plane in planes
            ]
            np.testing.assert_array_equal(np.concatenate(rows).ravel(), written)


def test_an_unknown_delivery_or_key_names_the_nearest(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match=r"unknown delivery '1080p-h266'; did you mean '1080p-h26[45]'"):
        load_delivery("1080p-h266")
    path = tmp_path / "own.toml"
    path.write_text('intent = "x"\nwidht = 1920\n')
    with pytest.raises(UsageError, match=r"own\.toml: .*'(widht'; did you mean 'width'|width' is absent)"):
        load_delivery(str(path))
    path.write_text(
        'intent = "x"\nwidth = 1921\nheight = 1080\ncodec = "libx264"\npixel_format = "yuv420p"\n'
        'container = "mp4"\nthreads = 4\n'
    )
    with pytest.raises(UsageError, match=r"own\.toml: bad value 1921 for 'width'.* multiple of 2"):
        load_delivery(str(path))


def test_rates_are_exact() -> None:
    assert exact_rate("23.976") == Fraction(24000, 1001)
    assert exact_rate("60") == 60
