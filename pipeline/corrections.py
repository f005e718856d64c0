"""The solved parameters of a sequence: all that a render needs besides a grade and the photos."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

from pipeline.sequence import Kind, Triple


class _Record(BaseModel):
    model_config = ConfigDict(extra="forbid", allow_inf_nan=False, populate_by_name=True)


class FrameCorrection(_Record):
    """How one frame of the timeline is rendered.

    `shown` is the frame whose photo stands here: its own number, or the nearest photo's for a frame
    that has none. `gain_ev` brightens by 2**gain_ev in linear light; `channel_gain_ev` does so per
    channel R, G, B on top of it (zero for RAW). `neutral` is the camera RGB (green = 1) that becomes
    grey; for display-referred photos (1, 1, 1). `rotation_rad` is the rotation vector C of this frame:
    a direction x of the steady camera is seen by the real one at C x (x right, y down, z forward).
    `shutter_s` is the exposure time by EXIF. `ground_speed` is how far the camera moves to the next frame,
    in units of its distance from the ground's plane; `ground_motion` how far the ground then moves in the
    steady view, median, as a share of its width. None where they are not known. `grid_gain_ev` brightens on
    top of all by a field over the upright picture: rows of nodes, evenly from its first row to its last and
    from its first column to its last, bilinear between them; None where there is nothing to even out.
    `similarity` (dx, dy, log_scale, angle_rad) moves the output before it is turned: what stands at q, from
    the centre of the steady view in widths of the largest rectangle of `Corrections.shape`, is what the
    steady camera sees at exp(log_scale) turn(angle_rad) q + (dx, dy). None where nothing moves.
    `black_shift` is how far the black of R, G, B lies from the one that the photo tells, as a share of
    saturation.
    """

    frame: int
    file: str | None
    shown: int
    shown_file: str
    time_s: float
    gain_ev: float = 0.0
    channel_gain_ev: Triple = (0.0, 0.0, 0.0)
    neutral: Triple = (1.0, 1.0, 1.0)
    rotation_rad: Triple = (0.0, 0.0, 0.0)
    similarity: tuple[float, float, float, float] | None = None
    shutter_s: float | None = None
    ground_speed: float | None = None
    ground_motion: float | None = None
    black_shift: Triple = (0.0, 0.0, 0.0)
    grid_gain_ev: tuple[tuple[float, ...], ...] | None = None

    @property
    def lowest_field_ev(self) -> float:
        """The least gain of the field over the picture, 0 where there is none."""
        return min(min(row) for row in self.grid_gain_ev) if self.grid_gain_ev is not None else 0.0


class LensDistortion(_Record):
    """How the lens bends a straight picture, in the model of DNG's WarpRectilinear (`geometry/lens.py`).

    `radial` holds k0 to k3, `tangential` t0 and t1, `centre` is in shares of width and height; `told_by` says
    where they come from.
    """

    radial: tuple[float, float, float, float]
    tangential: tuple[float, float] = (0.0, 0.0)
    centre: tuple[float, float] = (0.5, 0.5)
    told_by: str


class Corrections(_Record):
    """Corrections of a whole sequence (`corrections.json`).

    `card` is the path of the card relative to the folder of this file, `interval_s` the time from photo to
    photo. `width`, `height` and `focal_px` are of the full-size upright picture, whose principal point is
    its centre, once `lens` (None where untold) has made it straight. `shape` is the aspect (width, height)
    that the path was solved for; the steady camera sees the central `crop_ratio` of the largest rectangle
    of that shape. `anchor` says
    where a picture of another shape is cut (`geometry/framing.py`). `vignette` holds the coefficients a1,
    a2, a3 of the loss in EV, a1 r**2 + a2 r**4 + a3 r**6 with r = 1 in the corner. `white` is the common
    white: the linear level, as a share of saturation after all gains, that is shown as white. `highlights`
    is the setting of that name. `hot_photosites` glow by themselves and are told from their neighbours, as
    row · width + column of the upright picture.
    """

    schema_name: Literal["evenflight-corrections"] = Field("evenflight-corrections", alias="schema")
    version: int = 1
    id: str
    kind: Kind
    card: str
    started_at: str | None = None
    interval_s: float | None = None
    width: int
    height: int
    focal_px: float
    shape: tuple[int, int]
    crop_ratio: float
    anchor: tuple[float, float] = (0.5, 0.5)
    lens: LensDistortion | None = None
    white: float = 1.0
    vignette: Triple = (0.0, 0.0, 0.0)
    highlights: Literal["clip", "rebuild"] = "clip"
    hot_photosites: list[int] = Field(default_factory=list)
    frames: list[FrameCorrection]
