"""Writing a video: frames through a pipe to ffmpeg, checked by decoding before they take their name."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from pipeline.errors import EvenflightError
from pipeline.render.compose import Samples
from pipeline.render.delivery import Delivery, FrameFormat

# ITU-T H.273: primaries, transfer and matrix of BT.709 are each 1; limited range.
BT709 = 1
LIMITED_RANGE, FULL_RANGE = 1, 2  # as FFmpeg numbers them

Watch = Callable[[Iterator[Any]], None]

_MUXERS = {"mp4": "mp4", "mov": "mov", "mkv": "matroska"}
_STDERR_KEPT = 4096


@dataclass(frozen=True)
class VideoFacts:
    """What decoding a video from its first to its last frame shows."""

    width: int
    height: int
    pixel_format: str
    fps: Fraction
    frames: int
    duration_s: float
    primaries: int
    transfer: int
    matrix: int
    range: int


@dataclass(frozen=True)
class Stamp:
    """What a video says of its time and place.

    The rate, the first frame's time code, when the first photo was taken (ISO 8601), and latitude and
    longitude in degrees, which are written only where they are given.
    """

    fps: Fraction
    timecode: str = "00:00:00:00"
    created_at: str | None = None
    place: tuple[float, float] | None = None


def ffmpeg_command(path: Path, delivery: Delivery, format: FrameFormat, stamp: Stamp) -> list[str]:
    """Return the command that reads raw frames on its standard input and writes the video `path`.

    The tags are set on the frames, by a filter, because FFmpeg lets the frames' own tags win over
    options for the output.
    """
    from imageio_ffmpeg import get_ffmpeg_exe

    fps = stamp.fps
    rate = f"{fps.numerator}/{fps.denominator}"
    tags = "range=tv:color_primaries=bt709:color_trc=bt709:colorspace=bt709"
    if delivery.pixel_format in ("yuv420p", "yuv420p10le"):
        tags += ":chroma_location=left"
    command = [get_ffmpeg_exe(), "-hide_banner", "-loglevel", "error", "-y"]
    command += ["-f", "rawvideo", "-pixel_format", format.pixel_format]
    command += ["-video_size", f"{format.width}x{format.height}", "-framerate", rate, "-i", "pipe:0"]
    command += ["-vf", f"setparams={tags}", "-fps_mode", "passthrough", "-an", "-map_metadata", "-1"]
    command += ["-c:v", delivery.codec, "-pix_fmt", delivery.pixel_format, "-threads", str(delivery.threads)]
    for key, value in delivery.options.items():
        command += [f"-{key}", str(value)]
    # Without the encoder's and the muxer's version and time: the same frames give the same file.
    command += ["-fflags", "+bitexact", "-flags:v", "+bitexact"]
    command += ["-metadata", f"timecode={stamp.timecode}"]
    if stamp.created_at is not None:
        command += ["-metadata", f"creation_time={stamp.created_at}"]
    if stamp.place is not None:  # ISO 6709, annex H: degrees with sign, and a solidus at the end
        latitude, longitude = stamp.place
        command += ["-metadata", f"location={latitude:+08.4f}{longitude:+09.4f}/"]
    if delivery.container in ("mp4", "mov"):
        # Ticks of which every frame lasts a whole number; the index first, for streaming.
        command += ["-video_track_timescale", str(fps.numerator * 512), "-movflags", "+faststart"]
    return [*command, "-f", _MUXERS[delivery.container], str(path)]


class VideoWriter:
    """Writes one video. Use as a context manager; `path` comes into being only where all went well.

    Frames go to a hidden file beside `path`, which is decoded and compared with what was asked for, and
    then renamed. On any error, or an interruption, ffmpeg is ended and the hidden file removed. `watch` is
    given the decoded frames (av.VideoFrame) as they come, so that looking at them needs no second decoding.
    """

    def __init__(
        self,
        path: Path,
        delivery: Delivery,
        format: FrameFormat,
        stamp: Stamp,
        watch: Watch | None = None,
    ) -> None:
        self.path = path
        self._watch = watch
        self.facts: VideoFacts | None = None
        self._delivery = delivery
        self._format = format
        self._stamp = stamp
        self._part = path.with_name(f".{path.name}.part")
        self._frames = 0
        self._stderr = b""

    def __enter__(self) -> Self:
        command = ffmpeg_command(self._part, self._delivery, self._format, self._stamp)
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE
        )
        self._listener = threading.Thread(target=self._listen, daemon=True)
        self._listener.start()
        return self

    def write(self, samples: Samples) -> None:
        """Hand one frame to the encoder. Raises EvenflightError with the reason where it has ended."""
        assert self._process.stdin is not None
        try:
            self._process.stdin.write(samples.data)
        except OSError as error:
            self._process.wait()
            raise self._failure() from error
        self._frames += 1

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            if kind is None:
                self._finish()
        finally:
            self._abandon()

    def _finish(self) -> None:
        assert self._process.stdin is not None
        try:
            self._process.stdin.close()
        except OSError as error:
            self._process.wait()
            raise self._failure() from error
        if self._process.wait() != 0:
            raise self._failure()
        self.facts = self._checked(inspect_video(self._part, self._watch))
        self._part.replace(self.path)

    def _abandon(self) -> None:
        """End ffmpeg where it still runs, and remove the hidden file where it still exists."""
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()
        self._listener.join()
        for pipe in (self._process.stdin, self._process.stderr):
            try:
                if pipe is not None:
                    pipe.close()
            except OSError:
                pass  # what was still to be written has nowhere to go
        self._part.unlink(missing_ok=True)

    def _listen(self) -> None:
        assert self._process.stderr is not None
        while block := os.read(self._process.stderr.fileno(), _STDERR_KEPT):
            self._stderr = (self._stderr + block)[-_STDERR_KEPT:]

    def _failure(self) -> EvenflightError:
        self._listener.join()
        lines = self._stderr.decode(errors="replace").strip().splitlines()
        reason = lines[-1] if lines else f"exit status {self._process.returncode}"
        return EvenflightError(
            f"the encoder could not write {self.path.name} ({reason}): "
            "check the space on the disk and the delivery"
        )

    def _checked(self, facts: VideoFacts) -> VideoFacts:
        """Return the facts, the rate as asked for, where they are what was asked for; else raise."""
        asked = asked_facts(self._format, self._stamp, self._frames, BT709, LIMITED_RANGE)
        for name, value in vars(asked).items():
            seen = getattr(facts, name)
            if not _same(name, seen, value):
                raise EvenflightError(
                    f"{self.path.name} was written but decodes with {name.replace('_', ' ')} {seen} "
                    f"instead of {value}: it was removed; try another delivery"
                )
        return replace(facts, fps=self._stamp.fps)


def asked_facts(format: FrameFormat, stamp: Stamp, frames: int, matrix: int, range: int) -> VideoFacts:
    """Return the facts of `frames` frames as they were asked for, in BT.709."""
    return VideoFacts(
        width=format.width,
        height=format.height,
        pixel_format=format.pixel_format,
        fps=stamp.fps,
        frames=frames,
        duration_s=float(frames / stamp.fps),
        primaries=BT709,
        transfer=BT709,
        matrix=matrix,
        range=range,
    )


def _same(name: str, seen: Any, asked: Any) -> bool:
    """Whether a fact is as asked for: MP4 holds it exactly, Matroska whole ms of time and ns of a frame."""
    if name == "duration_s":
        return bool(abs(seen - asked) <= 1e-3)
    if name == "fps":
        return bool(seen > 0 and abs(1 / seen - 1 / asked) <= Fraction(2, 10**9))
    return bool(seen == asked)


def size_bytes(path: Path) -> int:
    """Return the bytes of a video, or of all frames in a folder."""
    if path.is_dir():
        return sum(file.stat().st_size for file in path.iterdir())
    return path.stat().st_size


def inspect_video(path: Path, watch: Watch | None = None) -> VideoFacts:
    """Decode the video at `path` wholly and return what it holds.

    The duration is from the first frame's beginning to the last frame's end. `watch` may look at the frames
    meanwhile. Raises EvenflightError where it cannot be decoded.
    """
    import av

    try:
        with av.open(str(path)) as container:
            stream = container.streams.video[0]
            stream.thread_type = "AUTO"
            first: Any = None
            last: Any = None
            frames = 0

            def decoded() -> Iterator[Any]:
                nonlocal first, last, frames
                for last in container.decode(stream):
                    first = first or last
                    frames += 1
                    yield last

            passing = decoded()
            if watch is not None:
                watch(passing)
            for _ in passing:  # what was not looked at
                pass
            if first is None:
                raise EvenflightError(f"{path.name} holds no frame: encode it again")
            fps = Fraction(stream.average_rate or 0)
            return VideoFacts(
                width=first.width,
                height=first.height,
                pixel_format=first.format.name,
                fps=fps,
                frames=frames,
                duration_s=float((last.pts - first.pts) * last.time_base + 1 / fps),
                primaries=int(first.color_primaries),
                transfer=int(first.color_trc),
                matrix=int(first.colorspace),
                range=int(first.color_range),
            )
    except av.FFmpegError as error:
        raise EvenflightError(f"{path.name} cannot be decoded ({error.strerror}): encode it again") from error
