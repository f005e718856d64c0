"""Looking before rendering: grades side by side on a contact sheet, and a small quick video."""

from __future__ import annotations

from functools import partial
from pathlib import Path

import imageio.v3 as iio
import numpy as np

from pipeline.colour.grade import Grade
from pipeline.corrections import Corrections, FrameCorrection
from pipeline.errors import UsageError
from pipeline.parallel import ordered_map
from pipeline.photo.opening import open_photo
from pipeline.photo.picture import read_picture
from pipeline.render.compose import finish, render_working
from pipeline.render.delivery import Delivery, FrameFormat, exact_rate, load_deliveries
from pipeline.render.framing import framed
from pipeline.render.grades import load_grade, load_grading
from pipeline.render.preview import PreviewJob, preview_frame, shrunk
from pipeline.render.sheet import Picture, contact_sheet, eight_bits
from pipeline.render.timing import plan_video
from pipeline.render.writer import Stamp, VideoWriter
from pipeline.run.outputs import Folder
from pipeline.run.workshop import Workshop
from pipeline.sequence import Sequence

TILE_PX = 480
PREVIEW_PX = 640
"""The longer side of a picture on the sheet, and of a preview."""

_WIDEST_SHEET_PX = 8000
_NAME_LETTERS = 120  # of the grades in the name of a sheet: file systems take 255 bytes in all


def compare_grades(corrections: Corrections, folder: Folder, shop: Workshop, names: str, count: int) -> Path:
    """Write a contact sheet of the grades `names` (with commas between) over `count` frames of the flight.

    The frames are rendered from the photos as a video would show them, evenly spaced from the first to
    the last. Returns the path of the PNG. Raises UsageError for an unknown grade, PhotoError where a
    photo cannot be opened.
    """
    wanted = [name.strip() for name in names.split(",") if name.strip()]
    if not wanted or len(wanted) * TILE_PX > _WIDEST_SHEET_PX:
        raise UsageError(f"--compare takes 1 to {_WIDEST_SHEET_PX // TILE_PX} grades with commas between")
    grades = [load_grade(name) for name in wanted]
    short = [Path(name).stem for name in wanted]
    settings = shop.configured.settings.encode
    shape = _shape(settings.delivery)
    corrections, _ = framed(corrections, [shape], settings.anchor)
    usable = [frame for frame in corrections.frames if frame.shown == frame.frame]
    places = np.unique(np.linspace(0, len(usable) - 1, max(count, 1)).round().astype(int))
    frames = [usable[place] for place in places]
    format = FrameFormat(*_small(shape, TILE_PX), "rgb48le")
    shop.progress.begin(corrections.id, "compare", len(frames))
    tiles = []
    draw = partial(_tiles, shop.card, corrections, grades, format)
    for row in ordered_map(shop.executor, draw, frames, 2 * shop.workers):
        tiles.append(row)
        shop.progress.advance()
    shop.progress.end()
    columns = [(name, grade.intent) for name, grade in zip(short, grades, strict=True)]
    rows = [(str(frame.frame), Path(frame.shown_file).name) for frame in frames]
    path = folder.path / f"{corrections.id}_compare_{'_'.join(short)[:_NAME_LETTERS]}.png"
    part = path.with_name(f".{path.name}.part.png")
    iio.imwrite(part, contact_sheet(tiles, columns, rows))
    part.replace(path)
    return path


def _tiles(
    card: Path, corrections: Corrections, grades: list[Grade], format: FrameFormat, frame: FrameCorrection
) -> list[Picture]:
    """Open one photo once and grade it in each way."""
    working = render_working(open_photo(card / frame.shown_file), frame, corrections, (format,))
    return [
        eight_bits(finish(working, grade, (format,), frame.frame)[0], format.height, format.width)
        for grade in grades
    ]


def write_preview(corrections: Corrections, folder: Folder, shop: Workshop) -> Path:
    """Write a small video of the graded flight from its thumbnails and return its path.

    It has the timing, grades and framing that the render would have. Raises EvenflightError where the
    thumbnails are not there.
    """
    settings = shop.configured.settings
    name, grading = load_grading(settings.encode)
    shape = _shape(settings.encode.delivery)
    corrections, _ = framed(corrections, [shape], settings.encode.anchor)
    timing = plan_video(corrections, settings.encode, even_speed=settings.stabilise.even_speed)
    thumbnails = (read_picture(path) for path in sorted(folder.thumbnails.glob("*.jpg")))
    first = next((picture for picture in thumbnails if picture is not None), None)
    if first is None:
        raise UsageError(
            f"{folder.path.name} has no thumbnails in work/thumbs: run the sequence again, or render it"
        )
    height, width = first.shape[:2]
    small = shrunk(corrections, width, height, _as_shot(folder))
    wide, high = _small(shape, PREVIEW_PX)
    delivery = Delivery(
        intent="a quick look",
        width=wide,
        height=high,
        codec="libx264",
        pixel_format="yuv420p",
        container="mp4",
        threads=2,
        options={"preset": "veryfast", "crf": 20},
    )
    format = delivery.frame_format((wide, high))
    path = folder.path / f"{corrections.id}_{name}_preview.mp4"
    shop.progress.begin(corrections.id, "preview", len(timing.frames))
    job = PreviewJob(folder.thumbnails, small, grading, format)
    with VideoWriter(path, delivery, format, Stamp(exact_rate(timing.fps))) as writer:
        for samples in ordered_map(
            shop.executor, partial(preview_frame, job), timing.frames, 2 * shop.workers
        ):
            writer.write(samples)
            shop.progress.advance()
    shop.progress.end()
    return path


def _as_shot(folder: Folder) -> dict[int, tuple[float, float, float] | None]:
    sequence = Sequence.model_validate_json(folder.sequence.read_text(encoding="utf-8"))
    return {frame.frame: frame.as_shot_neutral for frame in sequence.frames}


def _shape(deliveries: str) -> tuple[int, int]:
    _, delivery = load_deliveries(deliveries)[0]
    return delivery.width, delivery.height


def _small(shape: tuple[int, int], longer_px: int) -> tuple[int, int]:
    """Return the even size of a shape whose longer side is `longer_px`."""
    factor = longer_px / max(shape)
    return round(shape[0] * factor / 2.0) * 2, round(shape[1] * factor / 2.0) * 2
