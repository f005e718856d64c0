"""Encode: one pass from the full-size photos, through their corrections, to a checked video."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from pipeline.corrections import Corrections
from pipeline.errors import UsageError
from pipeline.geometry.camera import largest_rectangle
from pipeline.photo.metadata import read_facts
from pipeline.render.delivery import Delivery, FrameFormat, exact_rate, start_timecode
from pipeline.render.frames import FrameWriter
from pipeline.render.grades import load_grading
from pipeline.render.produce import Rendered, RenderJob, rendered_frames
from pipeline.render.shutter import plan_shutter
from pipeline.render.timing import Timing, plan_video
from pipeline.render.writer import LIMITED_RANGE, Stamp, VideoFacts, VideoWriter, Watch, size_bytes
from pipeline.settings import Settings
from pipeline.stages.result import StageResult
from pipeline.stages.thumbnails import Thumbnails
from pipeline.stages.viewing import Viewing

# The largest enlargement that is still done for a delivery which the user names (design, section 7).
MAX_ENLARGEMENT = 1.25
# Factors up to this are rounding of sizes and not worth a word.
_SAME_SIZE = 1.001


def output_size(
    width: int, height: int, crop_ratio: float, delivery: Delivery, *, named: bool = False
) -> tuple[int, int, str | None]:
    """Return width and height of the video, and a sentence where they need one.

    `width` × `height` is the photo, `crop_ratio` the share of its largest rectangle of the delivery's
    shape that the steady view keeps. Where that has fewer pixels than the delivery, the video takes the
    largest even size of that shape; a delivery the user named keeps its size and is enlarged, up to
    1.25 times. Raises UsageError beyond, with the size that fits.
    """
    available = largest_rectangle(width, height, (delivery.width, delivery.height))[0] * crop_ratio
    factor = delivery.width / available
    if factor <= _SAME_SIZE:
        return delivery.width, delivery.height, None
    fitting_width, fitting_height = (
        int(side / factor / 2.0 + 1e-6) * 2 for side in (delivery.width, delivery.height)
    )
    size = f"{delivery.width}×{delivery.height}"
    fits = f"{fitting_width}×{fitting_height}"
    if not named:
        note = f"the photos and the steady view give {fits} px, so the video has that size, not {size}"
        return fitting_width, fitting_height, note
    if factor <= MAX_ENLARGEMENT:
        return delivery.width, delivery.height, f"the video is enlarged {factor:.2f} times to {size} px"
    raise UsageError(
        f"the delivery of {size} px would enlarge the photos {factor:.2f} times, more than "
        f"{MAX_ENLARGEMENT:g}: choose one of at most {fits} px"
    )


def encode(
    card: Path,
    corrections: Corrections,
    folder: Path,
    settings: Settings,
    deliveries: list[tuple[str, Delivery]],
    thumbnails: Thumbnails,
    executor: Executor,
    workers: int,
    advance: Callable[[int], None],
    *,
    named: bool = False,
) -> StageResult:
    """Render the sequence to `folder`/<id>_<grade>_<delivery>.<container> and measure the result.

    All `deliveries` (short name and delivery each) come from one pass over the photos. What is left is
    measured on the first of them, decoded, what was found on the `thumbnails` of the photos, by code that
    shares nothing with the solving stages.

    `card` is the folder that the corrections' file names are relative to, `named` says that the user
    chose the delivery (see `output_size`), `advance` is called with the number of frames just written.
    A photo that can no longer be opened is replaced by the nearest one that can, with a warning.
    Raises UsageError for an unknown grade, delivery or an unfit size, EvenflightError where the video
    cannot be made; then no file is left.
    """
    if not card.is_dir():
        raise UsageError(f"the card {card.name} is not where it was: say where with --card")
    grade_name, grading = load_grading(settings.encode)
    result = StageResult()
    timing = plan_video(corrections, settings.encode, even_speed=settings.stabilise.even_speed)
    videos = []
    for name, delivery in deliveries:
        width, height, note = output_size(
            corrections.width, corrections.height, corrections.crop_ratio, delivery, named=named
        )
        result.warnings += [note] if note else []
        path = folder / delivery.file_name(f"{corrections.id}_{grade_name}_{name}")
        videos.append(_Video(name, delivery, delivery.frame_format((width, height)), path))
    blur = _plan_effects(result, corrections, timing, settings.encode.shutter_angle)
    job = RenderJob(card, corrections, grading, tuple(video.format for video in videos), blur)
    stamp = _stamp(card, corrections, timing, settings)
    size = videos[0].format.width, videos[0].format.height
    viewing = Viewing(result, corrections, timing, thumbnails, size, settings, executor)
    writers = [video.writer(stamp, viewing.watch if video is videos[0] else None) for video in videos]
    with ExitStack() as stack:
        for writer in writers:
            stack.enter_context(writer)
        for rendered in rendered_frames(job, timing.frames, executor, workers):
            for writer, samples in zip(writers, rendered.samples, strict=True):
                writer.write(samples)
            _note_frame(result, rendered)
            advance(1)
    _tell_made(result)
    result.applied["outputs"] = [
        {"grade": grade_name, "delivery": video.name, **output_facts(video.path, writer.facts, stamp)}
        for video, writer in zip(videos, writers, strict=True)
        if writer.facts is not None
    ]
    viewing.finish(videos[0].path)
    return result


@dataclass(frozen=True)
class _Video:
    """One of the videos that a pass over the photos makes."""

    name: str
    delivery: Delivery
    format: FrameFormat
    path: Path

    def writer(self, stamp: Stamp, watch: Watch | None) -> VideoWriter | FrameWriter:
        """Return what writes it, and lets `watch` see the frames of a video as they decode."""
        if self.delivery.container == "tiff":
            return FrameWriter(self.path, self.format, stamp)
        return VideoWriter(self.path, self.delivery, self.format, stamp, watch)


def _stamp(card: Path, corrections: Corrections, timing: Timing, settings: Settings) -> Stamp:
    """Return what the videos say of time and, only where `report.position` asks for it, of place."""
    rate = exact_rate(timing.fps)
    place = None
    if settings.report.position:
        facts = read_facts(card / corrections.frames[0].shown_file)
        if facts.latitude_deg is not None and facts.longitude_deg is not None:
            place = (facts.latitude_deg, facts.longitude_deg)
    return Stamp(rate, start_timecode(settings.encode.timecode, rate), corrections.started_at, place)


def _plan_effects(
    result: StageResult, corrections: Corrections, timing: Timing, wished_deg: float | None
) -> tuple[float, ...]:
    """Return the motion blur to add to each frame, and tell of timing and shutter in `result`."""
    result.warnings += timing.notes
    result.applied["fps"] = timing.fps
    result.applied["pace"] = timing.pace
    if wished_deg is None:
        return ()
    plan = plan_shutter(corrections, timing, wished_deg)
    result.applied["shutter"] = {
        "wished_deg": wished_deg,
        "own_deg": plan.own_deg,
        "added": bool(plan.lengths),
        "why_not": plan.why,
    }
    if plan.why is not None:
        result.warnings.append(f"encode.shutter_angle={wished_deg:g}: {plan.why}")
    elif plan.own_deg is None:
        result.warnings.append(
            f"encode.shutter_angle={wished_deg:g}: no photo tells its exposure time; each is taken as sharp"
        )
    return plan.lengths


def _tell_made(result: StageResult) -> None:
    """Count the frames by how they came, and name those that could not be made between photos."""
    result.applied["frames_made"] = dict(Counter(str(row["made"]) for row in result.frames))
    held = [row for row in result.frames if row["made"] == "held" and row["consistent_share"] is not None]
    if held:
        named = ", ".join(str(row["frame"]) for row in held[:8])
        result.warnings.append(
            f"{len(held)} frames hold a photo, because the motion around them could not be followed: {named}"
        )


def _note_frame(result: StageResult, rendered: Rendered) -> None:
    correction = rendered.correction
    label = f"frame {correction.frame} ({correction.file or 'no photo'})"
    if rendered.trouble is not None:
        result.warnings.append(f"{label}: {rendered.trouble}")
    result.frames.append(
        {
            "frame": correction.frame,
            "file": correction.file,
            "shown_file": rendered.shown_file,
            "place": rendered.video.place,
            "made": rendered.made,
            "consistent_share": rendered.consistent,
            "gain_ev": correction.gain_ev,
            "trouble": rendered.trouble,
        }
    )


def output_facts(path: Path, facts: VideoFacts, stamp: Stamp) -> dict[str, object]:
    """Return what a report says of a finished video; tags are numbers of ITU-T H.273."""
    rate = facts.fps
    return {
        "file": path.name,
        "width": facts.width,
        "height": facts.height,
        "fps": str(rate),
        "frames": facts.frames,
        "timecode": stamp.timecode,
        "duration_s": round(facts.duration_s, 4),
        "pixel_format": facts.pixel_format,
        "tags": {
            "primaries": facts.primaries,
            "transfer": facts.transfer,
            "matrix": facts.matrix,
            "range": "limited" if facts.range == LIMITED_RANGE else "full",
        },
        "bytes": size_bytes(path),
    }
