"""Finished videos against the standards, read back by other programs' code.

Sources: ITU-T H.273 (code points 1/1/1 of BT.709, limited range; chroma sample location), ITU-R BT.709-6,
SMPTE ST 12-1 (frame rates with the factor 1000/1001); PyAV and FFmpeg's scaler read, colour-science
computes.
"""

from __future__ import annotations

import subprocess
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pipeline.errors import UsageError
from pipeline.render.compose import dither, to_planes, to_ycbcr
from pipeline.render.delivery import Delivery, FrameFormat, exact_rate, load_delivery, start_timecode
from pipeline.render.frames import FrameWriter
from pipeline.render.writer import Stamp, VideoWriter
from pipeline.settings import FRAME_RATES, configs_dir
from tests.reference import colour_science

RATES = {  # SMPTE ST 12-1; the whole ones are themselves
    "23.976": Fraction(24000, 1001),
    "29.97": Fraction(30000, 1001),
    "59.94": Fraction(60000, 1001),
}
# R'G'B' codes: black, white, grey, primaries, secondaries, three soft colours.
PATCHES = np.array(
    [
        *([0, 0, 0], [1, 1, 1], [0.5, 0.5, 0.5]),
        *([1, 0, 0], [0, 1, 0], [0, 0, 1]),
        *([0, 1, 1], [1, 0, 1], [1, 1, 0]),
        *([0.7, 0.5, 0.4], [0.3, 0.45, 0.6], [0.25, 0.3, 0.2]),
    ],
    np.float32,
)


def patches(format: FrameFormat) -> np.ndarray:
    """Picture of vertical bars, one a patch, 16 px wide."""
    return np.ascontiguousarray(np.broadcast_to(np.repeat(PATCHES, 16, axis=0), (format.height, 192, 3)))


def written(path: Path, delivery: Delivery, fps: str, count: int, stamp: Stamp | None = None) -> Path:
    format = delivery.frame_format((192, 64))
    with VideoWriter(path, delivery, format, stamp or Stamp(exact_rate(fps))) as writer:
        for number in range(count):
            writer.write(dither(to_ycbcr(patches(format), format), format, number))
    return path


# By name: codec and profile as FFmpeg calls them, pixel format.
VIDEOS = {
    "1080p-h264": ("h264", "High", "yuv420p"),
    "2160p-h264": ("h264", "High", "yuv420p"),
    "1080p-h265": ("hevc", "Main 10", "yuv420p10le"),
    "2160p-h265": ("hevc", "Main 10", "yuv420p10le"),
    "1080p-prores": ("prores", "HQ", "yuv422p10le"),
    "2160p-prores": ("prores", "HQ", "yuv422p10le"),
    "upright-h264": ("h264", "High", "yuv420p"),
    "square-h264": ("h264", "High", "yuv420p"),
    "classic-h264": ("h264", "High", "yuv420p"),
    "archive-ffv1": ("ffv1", None, "yuv444p10le"),
}
# Shapes by the words of the issue; the largest common factor taken out.
SHAPES = {"upright-h264": (9, 16), "square-h264": (1, 1), "classic-h264": (4, 3)}


def test_every_delivery_is_known_here() -> None:
    names = {path.stem for path in (configs_dir() / "deliveries").glob("*.toml")}
    assert names == {*VIDEOS, "frames-tiff"}


@pytest.mark.parametrize("name", VIDEOS)
def test_each_delivery_decodes_as_what_it_says(tmp_path: Path, name: str) -> None:
    """Codec, profile, pixel format, tags, time code, creation time; the index first; no place."""
    import av

    _, delivery = load_delivery(name)
    across, down = SHAPES.get(name, (16, 9))
    assert delivery.width * down == delivery.height * across
    stamp = Stamp(exact_rate("25"), "09:59:59:24", "2031-05-04T10:15:00+02:00")
    path = written(tmp_path / delivery.file_name("bars"), delivery, "25", 5, stamp)
    codec, profile, pixel_format = VIDEOS[name]
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        told = {key.lower(): value for key, value in {**container.metadata, **stream.metadata}.items()}
        assert (stream.codec_context.name, stream.codec_context.profile) == (codec, profile)
        assert stream.codec_context.pix_fmt == pixel_format
        frames = list(container.decode(stream))
    assert len(frames) == 5
    assert {(f.color_primaries, f.color_trc, int(f.colorspace), int(f.color_range)) for f in frames} == {
        (1, 1, 1, 1)
    }
    assert told["timecode"] == "09:59:59:24"
    assert told["creation_time"].startswith("2031-05-04T08:15:00")
    assert not {key for key in told if "location" in key}
    if delivery.container in ("mp4", "mov"):
        data = path.read_bytes()
        assert 0 < data.index(b"moov") < data.index(b"mdat")
    if codec == "hevc":
        assert b"hvc1" in path.read_bytes()


@pytest.mark.parametrize(
    ("start", "fps", "code"),
    [
        ("00:00:00:00", "29.97", "00:00:00;00"),
        ("01:09:59:29", "29.97", "01:09:59;29"),
        ("01:10:00:00", "29.97", "01:10:00;00"),
        ("10:00:00;02", "59.94", "10:00:00;02"),
        ("00:00:00:00", "23.976", "00:00:00:00"),
        ("00:00:59:49", "50", "00:00:59:49"),
        ("00:00:10:59", "60", "00:00:10:59"),
    ],
)
def test_timecode_as_ffmpeg_reads_it(tmp_path: Path, start: str, fps: str, code: str) -> None:
    """SMPTE ST 12-1: drop-frame, marked by a semicolon, at 29.97 and 59.94 and at no other rate."""
    import av

    rate = exact_rate(fps)
    assert start_timecode(start, rate) == code
    _, delivery = load_delivery("1080p-h264")
    path = written(tmp_path / "bars.mp4", delivery, fps, 3, Stamp(rate, code))
    with av.open(str(path)) as container:
        assert container.streams.video[0].metadata["timecode"] == code


@pytest.mark.parametrize(
    ("start", "fps", "message"),
    [
        ("00:01:00:00", "29.97", "leaves that number out .SMPTE ST 12-1.; the next is 02"),
        ("00:01:00:03", "59.94", "leaves that number out .SMPTE ST 12-1.; the next is 04"),
        ("00:00:00:25", "25", "at most 24"),
        ("00:00:00:24", "23.976", "at most 23"),
    ],
)
def test_timecode_numbers_that_do_not_exist_are_refused(start: str, fps: str, message: str) -> None:
    """ST 12-1: frames 00 and 01 (00 to 03 at 59.94) of each minute but the tenths are dropped."""
    with pytest.raises(UsageError, match=message):
        start_timecode(start, exact_rate(fps))
    assert start_timecode("00:01:00:02", exact_rate("29.97")) == "00:01:00;02"


def test_the_place_is_written_only_where_it_is_given(tmp_path: Path) -> None:
    """ISO 6709, annex H. The place is invented: in the open sea."""
    import av

    _, delivery = load_delivery("1080p-h264")
    stamp = Stamp(exact_rate("25"), place=(-48.25, 123.5))
    path = written(tmp_path / "bars.mp4", delivery, "25", 3, stamp)
    with av.open(str(path)) as container:
        assert container.metadata["location"] == "-48.2500+123.5000/"


@pytest.mark.parametrize("name", ["1080p-h264", "1080p-prores", "archive-ffv1"])
@pytest.mark.parametrize("fps", FRAME_RATES)
def test_tags_rate_and_count_by_pyav(tmp_path: Path, name: str, fps: str) -> None:
    import av

    _, delivery = load_delivery(name)
    path = written(tmp_path / f"bars.{delivery.container}", delivery, fps, 5)
    rate = RATES.get(fps) or Fraction(fps)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        if delivery.container in ("mp4", "mov"):
            assert stream.average_rate == rate
        else:  # Matroska holds the duration of a frame in whole nanoseconds
            assert abs(1 / stream.average_rate - 1 / rate) < Fraction(1, 10**9)
        frames = list(container.decode(stream))
    assert len(frames) == 5
    for number, frame in enumerate(frames):
        assert (frame.color_primaries, frame.color_trc, int(frame.colorspace)) == (1, 1, 1)
        assert int(frame.color_range) == 1  # FFmpeg's number for limited
        assert (frame.width, frame.height) == (192, 64)
        time = frame.pts * frame.time_base
        if delivery.container in ("mp4", "mov"):
            assert time == number / rate
        else:  # Matroska counts whole milliseconds
            assert abs(time - number / rate) <= Fraction(1, 2000)


@pytest.mark.parametrize("bits", [8, 10])
def test_matrix_by_colour_science(bits: int) -> None:
    colour = colour_science()
    format = FrameFormat(12, 2, "yuv444p10le")
    planes = to_ycbcr(np.stack([PATCHES, PATCHES]), format)
    ours = np.stack(planes, axis=-1)[0] / 4.0 * 2.0 ** (bits - 8)
    expected = colour.RGB_to_YCbCr(
        PATCHES,
        K=colour.WEIGHTS_YCBCR["ITU-R BT.709"],
        in_legal=False,
        out_bits=bits,
        out_legal=True,
        out_int=True,
    )
    assert np.abs(ours - expected).max() <= 0.501


@pytest.mark.parametrize("name", ["1080p-h264", "1080p-h265", "1080p-prores", "archive-ffv1"])
def test_colours_come_back_through_ffmpegs_scaler(tmp_path: Path, name: str) -> None:
    """The scaler takes matrix and range from the tags: both must fit what the samples hold."""
    import av

    _, delivery = load_delivery(name)
    path = written(tmp_path / f"bars.{delivery.container}", delivery, "30", 3)
    with av.open(str(path)) as container:
        frame = next(container.decode(video=0))
        rgb = frame.to_ndarray(format="rgb24")
    middle = rgb[32, 8::16].astype(float) / 255.0
    # 8-bit samples hold R'G'B' to about two codes; the lossy coding at CRF 16 adds one.
    assert np.abs(middle - PATCHES).max() <= 4.0 / 255.0


def test_chroma_place_by_ffmpegs_scaler() -> None:
    """A slope of blue: our chroma samples and those FFmpeg places left, by H.273 location 0.

    Chroma rises by 3.5 codes a sample, so a place half a luma pixel off would differ by 0.87 codes.
    """
    from imageio_ffmpeg import get_ffmpeg_exe

    blue = np.broadcast_to(np.linspace(0, 252, 64), (64, 64))
    rgb = np.stack([np.full_like(blue, 80), np.full_like(blue, 80), blue], axis=-1).round().astype(np.uint8)
    command = [get_ffmpeg_exe(), "-loglevel", "error", "-f", "rawvideo", "-pixel_format", "rgb24"]
    command += ["-video_size", "64x64", "-i", "pipe:0", "-sws_flags", "accurate_rnd+full_chroma_inp"]
    command += ["-vf", "scale=out_color_matrix=bt709:out_range=tv:out_chroma_loc=left"]
    command += ["-pix_fmt", "yuv420p", "-f", "rawvideo", "pipe:1"]
    scaled = subprocess.run(command, input=rgb.tobytes(), stdout=subprocess.PIPE, check=True).stdout
    theirs = np.frombuffer(scaled, np.uint8)[64 * 64 : 64 * 64 + 32 * 32].reshape(32, 32)
    ours = to_ycbcr((rgb / 255.0).astype(np.float32), FrameFormat(64, 64, "yuv420p"))[1]
    assert abs(np.mean((theirs - ours)[2:-2, 2:-2])) < 0.15


def test_tiff_frames_by_other_readers(tmp_path: Path) -> None:
    """16-bit R'G'B' by OpenCV's reader and the tags of TIFF 6.0 by Pillow; the folder is replaced whole."""
    import cv2
    from PIL import Image

    _, delivery = load_delivery("frames-tiff")
    format = delivery.frame_format((192, 64))
    code = patches(format)
    for count in (4, 3):
        stamp = Stamp(exact_rate("29.97"), "00:00:00;00", "2031-05-04T10:15:00+02:00")
        with FrameWriter(tmp_path / "bars", format, stamp) as writer:
            for number in range(count):
                writer.write(dither(to_planes(code, format), format, number))
    files = sorted((tmp_path / "bars").iterdir())
    assert [file.name for file in tmp_path.iterdir()] == ["bars"]
    assert [file.name for file in files] == [f"bars_{number:05d}.tif" for number in range(3)]
    assert writer.facts is not None
    assert (writer.facts.frames, writer.facts.matrix) == (3, 0)
    picture = cv2.cvtColor(cv2.imread(str(files[1]), cv2.IMREAD_UNCHANGED), cv2.COLOR_BGR2RGB)
    assert picture.dtype == np.uint16
    assert np.abs(picture / 65535.0 - code).max() <= 1.0 / 65535.0
    with Image.open(files[1]) as opened:
        assert opened.tag_v2[306] == "2031:05:04 10:15:00"
        assert "frame 1 of time code 00:00:00;00 at 29.97" in opened.tag_v2[270]
