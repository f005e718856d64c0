"""Finished videos against the standards, read back by other programs' code.

Sources: ITU-T H.273 (code points 1/1/1 of BT.709, limited range; chroma sample location), ITU-R BT.709-6,
SMPTE ST 12-1 (frame rates with the factor 1000/1001); PyAV and FFmpeg's scaler read, colour-science
computes.
"""

from __future__ import annotations

import subprocess
import warnings
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from pipeline.render.compose import dither, to_ycbcr
from pipeline.render.delivery import Delivery, FrameFormat, exact_rate, load_delivery
from pipeline.render.writer import Stamp, VideoWriter
from pipeline.settings import FRAME_RATES

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


def written(path: Path, delivery: Delivery, fps: str, count: int) -> Path:
    format = delivery.frame_format((192, 64))
    with VideoWriter(path, delivery, format, Stamp(exact_rate(fps))) as writer:
        for number in range(count):
            writer.write(dither(to_ycbcr(patches(format), format), format, number))
    return path


@pytest.mark.parametrize("name", ["1080p-h264", "archive-ffv1"])
@pytest.mark.parametrize("fps", FRAME_RATES)
def test_tags_rate_and_count_by_pyav(tmp_path: Path, name: str, fps: str) -> None:
    import av

    _, delivery = load_delivery(name)
    path = written(tmp_path / f"bars.{delivery.container}", delivery, fps, 5)
    rate = RATES.get(fps) or Fraction(fps)
    with av.open(str(path)) as container:
        stream = container.streams.video[0]
        if delivery.container == "mp4":
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
        if delivery.container == "mp4":
            assert time == number / rate
        else:  # Matroska counts whole milliseconds
            assert abs(time - number / rate) <= Fraction(1, 2000)


@pytest.mark.parametrize("bits", [8, 10])
def test_matrix_by_colour_science(bits: int) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of plotting libraries that are not installed
        import colour

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


@pytest.mark.parametrize("name", ["1080p-h264", "archive-ffv1"])
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
