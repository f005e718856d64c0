"""What the photos are: facts of one photo, a frame of the timeline, and the sequence they form."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict

Kind = Literal["raw", "display-referred"]
State = Literal["photo", "missing", "torn", "left-out"]
Triple = tuple[float, float, float]


class _Record(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class PhotoFacts(_Record):
    """What the metadata of one photo say. `None` where they do not say it.

    `clock_s` is seconds since 1970 of the capture time: in UTC where the photo names its zone, else of
    the camera's clock read as if it were UTC; it is comparable between photos of one camera.
    `clock_step_s` is how finely that clock counts (1.0 for whole-second EXIF times), `zone_s` how far
    its zone is east of UTC. `serial` tells two cameras of one model apart and stays out of reports.
    `as_shot_neutral` is the camera RGB of the neutral the camera chose, green = 1.
    Angles are degrees: yaw clockwise from north, pitch up from the horizon, roll clockwise.
    `width` and `height` are of the upright picture; `orientation` is the EXIF value (1 to 8).
    """

    kind: Kind
    camera: str
    serial: str | None = None
    lens: str | None = None
    width: int
    height: int
    orientation: int = 1
    clock_s: float | None = None
    clock_step_s: float = 1.0
    zone_s: float | None = None
    shutter_s: float | None = None
    aperture: float | None = None
    iso: float | None = None
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    focal_px: float | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    altitude_m: float | None = None
    yaw_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    as_shot_neutral: Triple | None = None


class Frame(_Record):
    """One place in the timeline, missing photos counted.

    `frame` is its 0-based number, `file` its path relative to the card with forward slashes (None for a
    missing photo), `time_s` seconds from the first photo, `position_m` metres east, north and up from
    the first photo with a position. `why` says why a state other than "photo" holds.
    """

    frame: int
    state: State
    file: str | None = None
    why: str | None = None
    time_s: float
    size_bytes: int | None = None
    modified_ns: int | None = None
    shutter_s: float | None = None
    aperture: float | None = None
    iso: float | None = None
    position_m: Triple | None = None
    yaw_deg: float | None = None
    pitch_deg: float | None = None
    roll_deg: float | None = None
    as_shot_neutral: Triple | None = None

    @property
    def usable(self) -> bool:
        """Whether this frame has a photo to measure and render."""
        return self.state == "photo"

    @property
    def label(self) -> str:
        """The frame number and file name, as every print shows them."""
        return f"frame {self.frame} ({self.file or 'no photo'})"


class LeftAside(_Record):
    """A file of the card that is in no timeline, and why (a duplicate, a JPEG twin, not a photo)."""

    file: str
    why: str
    trouble: bool = False


class Sequence(_Record):
    """The photos of one flight in order of time, with places for missing ones.

    `width` and `height` are of the upright picture in px; `focal_px` is the focal length in px of that
    picture, `focal_from` says which facts it came from.
    """

    id: str
    kind: Kind
    camera: str
    lens: str | None = None
    width: int
    height: int
    focal_mm: float | None = None
    focal_px: float | None = None
    focal_from: str = "unknown"
    started_at: str | None = None
    interval_s: float
    frames: tuple[Frame, ...]
    left_aside: tuple[LeftAside, ...] = ()
    panorama: bool = False
    warnings: tuple[str, ...] = ()

    @property
    def photos(self) -> tuple[Frame, ...]:
        """The frames that have a usable photo."""
        return tuple(f for f in self.frames if f.usable)
