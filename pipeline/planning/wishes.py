"""What the pilot wishes of the next flight, and the frame count, interval and speed that follow."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from pipeline.errors import UsageError
from pipeline.planning.exposure import interval_for
from pipeline.planning.sun import Sky

_LEAST_PHOTOS = 3
_MOST_PHOTOS = 20_000


class Metered(BaseModel):
    """An exposure that a meter or the camera found right, without a filter."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    shutter_s: float = Field(gt=1e-6, le=3600.0)
    aperture: float = Field(ge=0.5, le=64.0)
    iso: float = Field(ge=1.0, le=1e6)


class Wishes(BaseModel):
    """What is asked for. None where it follows from the rest."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    clip_s: float | None = Field(None, gt=0.0, le=3600.0, description="seconds of video")
    fps: float = Field(30.0, ge=1.0, le=240.0, description="frames per second of video")
    interval_s: float | None = Field(None, ge=0.2, le=600.0, description="seconds from photo to photo")
    shutter_s: float | None = Field(None, ge=1e-5, le=60.0, description="wished shutter, seconds")
    busy_s: float | None = Field(None, ge=0.0, le=60.0, description="seconds the camera needs between photos")
    speed_m_s: float | None = Field(None, gt=0.0, le=50.0, description="ground speed, m/s")
    height_m: float = Field(50.0, ge=1.0, le=9000.0, description="height above the ground, m")
    pitch_deg: float = Field(-15.0, ge=-90.0, le=30.0, description="tilt of the camera, up from the horizon")
    fov_deg: float = Field(73.0, ge=5.0, le=160.0, description="horizontal field of view of the video")
    width_px: int = Field(1920, ge=160, le=16384, description="width of the video")
    aspect: float = Field(16.0 / 9.0, ge=0.2, le=5.0, description="width over height of the video")
    aperture: float | None = Field(None, ge=0.5, le=64.0, description="f-number to fly with")
    iso: float | None = Field(None, ge=1.0, le=1e6, description="ISO to fly with")
    metered: Metered | None = None
    metered_from: str = "metered"
    sky: Sky = Field("clear", description="clear, partly or overcast")
    start: datetime | None = Field(None, description="start of the flight, with its zone")
    place: tuple[float, float] | None = Field(None, description="latitude and longitude, degrees")
    battery_min: float | None = Field(None, gt=0.0, le=600.0, description="flying time of a full battery")
    reserve: float = Field(0.3, ge=0.2, le=0.9, description="share of the battery to land with")
    climb_s: float = Field(60.0, ge=0.0, le=3600.0, description="seconds for take-off and landing")
    transit_s: float = Field(120.0, ge=0.0, le=7200.0, description="seconds to the first photo and back")
    photo_mb: float = Field(25.0, gt=0.0, le=1000.0, description="megabytes on the card for each photo")
    turn_fields_per_s: float = Field(1.0 / 7.0, gt=0.0, le=10.0, description="fastest turn of the camera")
    turn_change_deg: float = Field(
        0.1, gt=0.0, le=10.0, description="largest change of turn from photo to photo"
    )
    max_deviation_m: float = Field(5.0, ge=0.0, le=1000.0, description="how far to leave the straight legs")

    @field_validator("start")
    @classmethod
    def _with_zone(cls, start: datetime | None) -> datetime | None:
        if start is not None and start.utcoffset() is None:
            raise ValueError("say the zone of the start, as in 2026-06-21T20:30+02:00")
        return start

    @field_validator("place")
    @classmethod
    def _on_earth(cls, place: tuple[float, float] | None) -> tuple[float, float] | None:
        if place is not None and not (abs(place[0]) <= 90.0 and -180.0 <= place[1] <= 360.0):
            raise ValueError("a place is a latitude from -90 to 90 and a longitude from -180 to 180")
        return place


def wished(**values: object) -> Wishes:
    """Return the wishes, leaving out values that are None; raise UsageError that names the wrong one."""
    try:
        return Wishes.model_validate({name: value for name, value in values.items() if value is not None})
    except ValidationError as error:
        first = error.errors()[0]
        name = ".".join(str(part) for part in first["loc"])
        told = Wishes.model_fields[str(first["loc"][0])].description if first["loc"] else None
        message = first["msg"].removeprefix("Value error, ")
        raise UsageError(f"bad {name} ({told or 'see --help'}): {message}, not {first['input']!r}") from error


@dataclass(frozen=True)
class Timing:
    """Photos and the time between them. `speed_m_s` and `distance_m` are None where no way is known."""

    photos: int
    interval_s: float
    clip_s: float
    speed_m_s: float | None
    distance_m: float | None

    @property
    def shooting_s(self) -> float:
        """Seconds from the first photo to the last."""
        return (self.photos - 1) * self.interval_s

    @property
    def step_m(self) -> float | None:
        """Metres flown from photo to photo."""
        return None if self.distance_m is None else self.distance_m / (self.photos - 1)


def timing(wishes: Wishes, length_m: float | None) -> Timing:
    """Work out photos, interval and speed for a course of `length_m`, or for none.

    What is not wished is 10 s of video and an interval of 2 s, or the shortest that allows the wished
    shutter. Raises UsageError where the wishes contradict each other.
    """
    interval = wishes.interval_s
    told = [name for name, value in (("--clip", wishes.clip_s), ("--speed", wishes.speed_m_s)) if value]
    if length_m is not None and len(told) == 2 and interval is not None:
        raise UsageError(
            "a course, --clip, --speed and --interval say more than there is to choose: leave one of them out"
        )
    if interval is None:
        interval = 2.0 if wishes.shutter_s is None else interval_for(wishes.shutter_s, wishes.busy_s)
    if length_m is not None and wishes.speed_m_s is not None and wishes.clip_s is None:
        photos = _count(1 + length_m / (wishes.speed_m_s * interval))
    else:
        photos = _count((wishes.clip_s or 10.0) * wishes.fps)
    speed = wishes.speed_m_s
    if length_m is not None:
        if len(told) == 2:
            assert speed is not None
            interval = length_m / speed / (photos - 1)
        speed = length_m / ((photos - 1) * interval)
    distance = None if speed is None else speed * (photos - 1) * interval
    return Timing(photos, interval, photos / wishes.fps, speed, distance)


def _count(photos: float) -> int:
    count = round(photos)
    if not _LEAST_PHOTOS <= count <= _MOST_PHOTOS:
        raise UsageError(
            f"that makes {count} photos, and a plan has {_LEAST_PHOTOS} to {_MOST_PHOTOS}: choose another "
            "length, speed or interval"
        )
    return count


def seconds_of(text: str, option: str) -> float:
    """Read a shutter written as 1/60, 0.5 or 2, in seconds; raise UsageError that names the option."""
    above, slash, below = text.strip().removesuffix("s").strip().partition("/")
    try:
        value = float(above) / (float(below) if slash else 1.0)
    except (ValueError, ZeroDivisionError):
        value = 0.0
    if not 0.0 < value < 1e6:
        raise UsageError(f"{option} is a time in seconds, as in 1/60 or 0.5, not '{text}'")
    return value


def metered_of(text: str) -> dict[str, float]:
    """Read a metered exposure written as shutter, f-number, ISO (1/500,2.8,100)."""
    parts = text.split(",")
    try:
        shutter, aperture, iso = parts[0], float(parts[1].strip().lower().removeprefix("f/")), float(parts[2])
    except (ValueError, IndexError):
        parts = []
    if len(parts) != 3:
        raise UsageError(f"--metered is shutter, f-number and ISO, as in 1/500,2.8,100, not '{text}'")
    return {"shutter_s": seconds_of(shutter, "--metered"), "aperture": aperture, "iso": iso}


def place_of(text: str) -> tuple[float, float]:
    """Read a place written as latitude,longitude in degrees."""
    try:
        latitude, longitude = (float(part) for part in text.split(","))
    except ValueError:
        raise UsageError(f"--at is latitude and longitude, as in 54.5,3.2, not '{text}'") from None
    return latitude, longitude
