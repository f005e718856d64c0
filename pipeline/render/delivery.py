"""What is delivered: size, codec and container of a video, as `configs/deliveries/*.toml` say it."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import UsageError
from pipeline.settings import named_config, nearest, read_toml

PixelFormat = Literal["yuv420p", "yuv420p10le", "yuv422p10le", "yuv444p10le"]

_RATES = {"23.976": Fraction(24000, 1001), "29.97": Fraction(30000, 1001), "59.94": Fraction(60000, 1001)}


def exact_rate(fps: str) -> Fraction:
    """Return the exact rate of the setting `encode.fps`: 23.976 is 24000/1001 (SMPTE ST 12-1)."""
    return _RATES.get(fps) or Fraction(fps)


@dataclass(frozen=True)
class FrameFormat:
    """How the samples of a frame are laid out: size in px, and what follows from the pixel format."""

    width: int
    height: int
    pixel_format: PixelFormat

    @property
    def bits(self) -> int:
        """Bits of a sample."""
        return 10 if "10" in self.pixel_format else 8

    @property
    def chroma_step(self) -> tuple[int, int]:
        """Luma samples for one chroma sample, across and down."""
        return 1 if "444" in self.pixel_format else 2, 2 if "420" in self.pixel_format else 1


class Delivery(BaseModel):
    """A kind of finished video.

    `threads` belongs to the delivery because the encoder's output depends on it, so that the same
    photos give the same video on every machine. `options` go to the encoder as they are.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    intent: str = Field(min_length=1)
    width: int = Field(ge=16, le=16384, multiple_of=2)
    height: int = Field(ge=16, le=16384, multiple_of=2)
    codec: Literal["libx264", "ffv1"]
    pixel_format: PixelFormat
    container: Literal["mp4", "mkv"]
    threads: int = Field(ge=1, le=64)
    options: dict[str, str | int] = {}

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


def _explain(error: ValidationError) -> str:
    first = error.errors()[0]
    key = ".".join(str(part) for part in first["loc"][:2])
    if first["type"] == "extra_forbidden":
        return f"unknown key '{key}'{nearest(key, Delivery.model_fields)}"
    if first["type"] == "missing":
        return f"the key '{key}' is absent"
    return f"bad value {first['input']!r} for '{key}': {first['msg']}"
