"""What is delivered: size, codec, container, time code, by `configs/deliveries/*.toml` and settings."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from pipeline.errors import UsageError
from pipeline.settings import named_config, nearest, read_toml

PixelFormat = Literal["yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p10le", "rgb48le"]
Codec = Literal["libx264", "libx265", "prores_ks", "ffv1", "tiff"]
Container = Literal["mp4", "mov", "mkv", "tiff"]

# Which pixel formats a codec takes, and which containers hold it.
_PIXEL_FORMATS: dict[Codec, tuple[PixelFormat, ...]] = {
    "libx264": ("yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p10le"),
    "libx265": ("yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p10le"),
    "prores_ks": ("yuv422p10le", "yuv444p10le"),
    "ffv1": ("yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p10le"),
    "tiff": ("rgb48le",),
}
_CONTAINERS: dict[Codec, tuple[Container, ...]] = {
    "libx264": ("mp4", "mov", "mkv"),
    "libx265": ("mp4", "mov", "mkv"),
    "prores_ks": ("mov",),
    "ffv1": ("mkv",),
    "tiff": ("tiff",),
}

# Bytes of a frame for each px of it, as 18 frames of the demo at 1920×1080 took them with our deliveries.
_BYTES_PER_PX: dict[Codec, float] = {
    "libx264": 0.055,
    "libx265": 0.026,
    "prores_ks": 0.47,
    "ffv1": 1.15,
    "tiff": 4.9,
}

_RATES = {"23.976": Fraction(24000, 1001), "29.97": Fraction(30000, 1001), "59.94": Fraction(60000, 1001)}


def exact_rate(fps: str) -> Fraction:
    """Return the exact rate of the setting `encode.fps`: 23.976 is 24000/1001 (SMPTE ST 12-1)."""
    return _RATES.get(fps) or Fraction(fps)


def start_timecode(start: str, fps: Fraction) -> str:
    """Return the time code of a video's first frame, as hh:mm:ss:ff, or hh:mm:ss;ff for drop-frame.

    Drop-frame counting leaves out the first two frame numbers (at 59.94 the first four) of every minute
    but each tenth, so that the code keeps with the clock; it is used at 29.97 and 59.94 (SMPTE ST 12-1).
    Raises UsageError for a frame number that the rate does not have.
    """
    hours, minutes, seconds, frame = (int(part) for part in re.split("[:;]", start))
    nominal = round(fps)
    if frame >= nominal:
        raise UsageError(
            f"encode.timecode={start}: at {float(fps):.5g} frames a second the last part is at most "
            f"{nominal - 1}"
        )
    drop = fps.denominator == 1001 and nominal % 30 == 0
    if drop and seconds == 0 and minutes % 10 and frame < nominal // 15:
        raise UsageError(
            f"encode.timecode={start}: drop-frame counting leaves that number out (SMPTE ST 12-1); "
            f"the next is {nominal // 15:02d}"
        )
    return f"{hours:02d}:{minutes:02d}:{seconds:02d}{';' if drop else ':'}{frame:02d}"


@dataclass(frozen=True)
class FrameFormat:
    """How the samples of a frame are laid out: size in px, and what follows from the pixel format."""

    width: int
    height: int
    pixel_format: PixelFormat

    @property
    def bits(self) -> int:
        """Bits of a sample."""
        return {"rgb48le": 16, "yuv420p": 8}.get(self.pixel_format, 10)

    @property
    def is_rgb(self) -> bool:
        """Whether the samples are R'G'B' of the full range, pixel by pixel, and not planes of Y'CbCr."""
        return self.pixel_format == "rgb48le"

    @property
    def chroma_step(self) -> tuple[int, int]:
        """Luma samples for one chroma sample, across and down."""
        across = 1 if self.is_rgb or "444" in self.pixel_format else 2
        return across, 2 if "420" in self.pixel_format else 1


class Delivery(BaseModel):
    """A kind of finished video, or of a folder of frames (container tiff).

    `threads` belongs to the delivery because the encoder's output depends on it, so that the same
    photos give the same video on every machine. `options` go to the encoder as they are.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    intent: str = Field(min_length=1)
    width: int = Field(ge=16, le=16384, multiple_of=2)
    height: int = Field(ge=16, le=16384, multiple_of=2)
    codec: Codec
    pixel_format: PixelFormat
    container: Container
    threads: int = Field(ge=1, le=64)
    options: dict[str, str | int] = {}

    @model_validator(mode="after")
    def _fits(self) -> Self:
        if self.pixel_format not in _PIXEL_FORMATS[self.codec]:
            raise ValueError(f"{self.codec} takes {' or '.join(_PIXEL_FORMATS[self.codec])}")
        if self.container not in _CONTAINERS[self.codec]:
            raise ValueError(f"{self.codec} goes into {' or '.join(_CONTAINERS[self.codec])}")
        return self

    @property
    def bytes_per_px(self) -> float:
        """Bytes to expect for each px of a frame."""
        return _BYTES_PER_PX[self.codec]

    def file_name(self, stem: str) -> str:
        """Return the name of the finished file, or folder of frames."""
        return stem if self.container == "tiff" else f"{stem}.{self.container}"

    def frame_format(self, size: tuple[int, int]) -> FrameFormat:
        """Return the layout of its frames at `size` (width, height)."""
        return FrameFormat(*size, self.pixel_format)


def load_delivery(name: str) -> tuple[str, Delivery]:
    """Return the short name and the delivery of a name in `configs/deliveries/`, or of a TOML file.

    Raises UsageError for an unknown name, an unknown key or a bad value, naming the nearest right one.
    """
    path = named_config("deliveries", name, "delivery")
    try:
        return path.stem, Delivery.model_validate(read_toml(path))
    except ValidationError as error:
        raise UsageError(f"the delivery {path.name}: {_explain(error)}") from error


def load_deliveries(names: str) -> list[tuple[str, Delivery]]:
    """Return the short names and deliveries of `names`, with commas between.

    Raises UsageError as `load_delivery` does, or where two would have one name.
    """
    wanted = [load_delivery(name.strip()) for name in names.split(",")]
    short = [name for name, _ in wanted]
    if len(set(short)) < len(short):
        raise UsageError(f"encode.delivery names one delivery twice: {', '.join(short)}")
    return wanted


def _explain(error: ValidationError) -> str:
    first = error.errors()[0]
    if not first["loc"]:
        return first["msg"].removeprefix("Value error, ")
    key = ".".join(str(part) for part in first["loc"][:2])
    if first["type"] == "extra_forbidden":
        return f"unknown key '{key}'{nearest(key, Delivery.model_fields)}"
    if first["type"] == "missing":
        return f"the key '{key}' is absent"
    return f"bad value {first['input']!r} for '{key}': {first['msg']}"
