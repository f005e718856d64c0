"""Quick pictures from the thumbnails: the same corrections, warp and grade as a render, but small.

A thumbnail shows a photo in 8-bit sRGB, clipped, by the camera's own white balance, so a preview judges
movement, light and mood; noise, sharpness and what clips are for the render.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from pipeline.colour.display import srgb_to_linear
from pipeline.colour.grade import Grading
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import EvenflightError
from pipeline.photo.jpeg import LinearPhoto
from pipeline.photo.picture import read_picture
from pipeline.render.compose import Samples, finish, render_working
from pipeline.render.delivery import FrameFormat
from pipeline.render.timing import VideoFrame
from pipeline.sequence import Triple


@dataclass(frozen=True)
class PreviewJob:
    """What every frame of a preview shares; `corrections` are those of the thumbnails (`shrunk`)."""

    thumbnails: Path
    corrections: Corrections
    grading: Grading
    format: FrameFormat


def shrunk(
    corrections: Corrections, width: int, height: int, as_shot: dict[int, Triple | None]
) -> Corrections:
    """Return the corrections of a flight for thumbnails of `width` × `height` px.

    `as_shot` holds, by frame, the neutral that the camera had balanced the photo for: what it differs
    from the corrections' neutral becomes a gain of each channel.
    """
    frames = []
    for frame in corrections.frames:
        camera = np.asarray(as_shot.get(frame.shown) or frame.neutral)
        gain = np.asarray(frame.channel_gain_ev) + np.log2(camera / np.asarray(frame.neutral))
        red, green, blue = (float(value) for value in gain)
        update = {"channel_gain_ev": (red, green, blue), "neutral": (1.0, 1.0, 1.0)}
        frames.append(frame.model_copy(update={**update, "black_shift": (0.0, 0.0, 0.0)}))
    small = {"width": width, "height": height, "focal_px": corrections.focal_px * width / corrections.width}
    return corrections.model_copy(
        update={**small, "frames": frames, "hot_photosites": [], "highlights": "clip"}
    )


def preview_frame(job: PreviewJob, frame: VideoFrame) -> Samples:
    """Return one frame of a preview; a frame between two photos holds the nearer one."""
    correction = job.corrections.frames[frame.frame]
    photo = thumbnail_photo(job.thumbnails, correction)
    working = render_working(photo, correction, job.corrections, (job.format,))
    working = replace(working, shoulder=job.corrections.kind != "display-referred")
    return finish(working, job.grading.at(frame.place), (job.format,), frame.number)[0]


def thumbnail_photo(thumbnails: Path, correction: FrameCorrection) -> LinearPhoto:
    """Return the thumbnail that stands for a frame. Raises EvenflightError where there is none."""
    path = thumbnails / f"{correction.shown:05d}.jpg"
    picture = read_picture(path)
    if picture is None:
        raise EvenflightError(
            f"the thumbnail {path.name} of {correction.shown_file} is not there: run the sequence again"
        )
    levels = srgb_to_linear(np.arange(256) / 255.0).astype(np.float32)
    return LinearPhoto(np.ascontiguousarray(picture), levels, None, None)
