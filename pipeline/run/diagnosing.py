"""Diagnosing a finished sequence from what lies in its output folder."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from pipeline.corrections import Corrections
from pipeline.errors import EvenflightError, PhotoError, UsageError
from pipeline.measure import store
from pipeline.measure.store import Measurements
from pipeline.render.timing import photos_per_second
from pipeline.report.diagnose import Diagnosis, diagnose
from pipeline.report.evidence import Evidence, StageFacts, gather
from pipeline.report.schema import STAGES, Report, Stage, read_report, write_text
from pipeline.run.outputs import Folder, listed_outputs, read_corrections
from pipeline.stages.result import StageResult

if TYPE_CHECKING:
    from pipeline.settings import Settings

Picture = NDArray[np.uint8]


def evidence_of(folder: Folder, settings: Settings) -> Evidence:
    """Return all that is known of a sequence in its output folder.

    What is absent there counts as not measured. Raises UsageError where there is no report at all.
    """
    reports = _reports(folder)
    if "load" not in reports:
        raise UsageError(f"{folder.path} holds no reports: give the folder of a finished sequence, or a card")
    fps = _photos_a_second(reports, len(reports["load"].frames), settings)
    measured = store.load(folder.measurements, None)
    return evidence_of_pictures(folder.path.resolve().name, reports, measured, folder, settings, fps)


def evidence_of_pictures(
    id: str,
    stages: Mapping[Stage, Report | StageResult],
    measured: Measurements | None,
    folder: Folder,
    settings: Settings,
    fps: float,
) -> Evidence:
    """Return the evidence of stages and measurements, with the small pictures that lie in `folder`."""
    pictures = None
    if folder.thumbnails.is_dir():
        pictures = thumbnails_of(folder, len(stages["load"].frames))
    return gather(id, stages, measured, pictures, settings.diagnose, fps)


def write_diagnosis(folder: Folder, settings: Settings) -> Diagnosis:
    """Diagnose a sequence and write `diagnosis.json` beside its reports."""
    diagnosis = diagnose(evidence_of(folder, settings))
    text = diagnosis.model_dump_json(indent=1, by_alias=True) + "\n"
    if not (folder.diagnosis.is_file() and folder.diagnosis.read_text(encoding="utf-8") == text):
        write_text(folder.diagnosis, text)  # a rerun leaves what has not changed as it is
    return diagnosis


def _reports(folder: Folder) -> dict[Stage, Report]:
    reports: dict[Stage, Report] = {}
    for stage in STAGES:
        if folder.report(stage).is_file():
            try:
                reports[stage] = read_report(folder.report(stage))
            except EvenflightError:
                continue
    return reports


def _photos_a_second(reports: dict[Stage, Report], count: int, settings: Settings) -> float:
    """How many photos a second the video shows, or would show."""
    told = reports["encode"].applied if "encode" in reports else {}
    fps, pace = told.get("fps"), told.get("pace")
    if isinstance(fps, str) and isinstance(pace, int | float):
        above, _, below = fps.partition("/")
        return float(above) / float(below or 1) * pace
    return photos_per_second(count, settings.encode)


def thumbnails_of(folder: Folder, count: int) -> Iterator[Picture | None]:
    """Yield the small picture (H, W, 3) of each place of the timeline, None where there is none."""
    from pipeline.photo.picture import read_picture

    for frame in range(count):
        yield read_picture(folder.thumbnails / f"{frame:05d}.jpg")


def frame_facts(evidence: Evidence, diagnosis: Diagnosis, frame: int) -> dict[str, Any]:
    """Return everything known of one frame, in the types of JSON.

    Raises UsageError for a frame that the timeline does not have.
    """
    if not 0 <= frame < evidence.count:
        raise UsageError(f"there is no frame {frame}: the timeline has 0 to {evidence.count - 1}")
    facts: dict[str, Any] = {"frame": frame, "label": evidence.label(frame)}
    for name in STAGES:
        stage: StageFacts = getattr(evidence, name)
        rows = [row for row in stage.frames if row["frame"] == frame]
        facts[name] = {k: v for row in rows for k, v in row.items() if k not in ("frame", "file")}
    look = evidence.looks.get(frame)
    facts["measured"] = {} if look is None else {k: v for k, v in vars(look).items() if k != "frame"}
    for key in ("sharper", "blade", "flashes_found"):
        values = getattr(evidence, key)
        if values is not None and np.isfinite(values[frame]):
            facts["measured"][key] = float(values[frame])
    facts["findings"] = [f.cause for f in diagnosis.findings if frame in f.frames]
    return facts


def frame_pictures(
    folder: Folder,
    evidence: Evidence,
    frame: int,
    to: Path,
    card: Path | None,
    settings: Settings,
    corrections: Corrections | None = None,
) -> dict[str, Path]:
    """Write what one frame was and what became of it to `to`; return the paths of "before" and "after".

    Before is the small picture of the measuring, after the frame of the video, or where there is none a
    render of the photo with `corrections`, by default those of the folder. What cannot be had is left
    out.
    """
    import cv2

    from pipeline.photo.picture import read_picture

    written: dict[str, Path] = {}
    after = _from_video(folder, evidence, frame)
    if corrections is None and folder.corrections.is_file():
        corrections = read_corrections(folder.corrections)
    if after is None and card is not None and corrections is not None:
        after = rendered_frame(card, corrections, frame, settings)
    before = read_picture(folder.thumbnails / f"{frame:05d}.jpg")
    for name, picture in (("before", before), ("after", after)):
        if picture is None:
            continue
        written[name] = to / f"frame_{frame:05d}_{name}.png"
        to.mkdir(parents=True, exist_ok=True)
        written[name].write_bytes(cv2.imencode(".png", np.ascontiguousarray(picture[..., ::-1]))[1].tobytes())
    return written


def _from_video(folder: Folder, evidence: Evidence, frame: int) -> Picture | None:
    """The frame of the newest video that shows a place of the timeline best."""
    from pipeline.measure.video import frames_of

    outputs = [output for output in listed_outputs(folder) if output]
    if not outputs or not len(evidence.places):
        return None
    wanted = int(np.argmin(np.abs(evidence.places - frame)))
    for number, picture in enumerate(frames_of(folder.path / str(outputs[-1]["file"]))):
        if number == wanted:
            return picture
    return None


def rendered_frame(card: Path, corrections: Corrections, frame: int, settings: Settings) -> Picture | None:
    """Render one frame of the timeline as R'G'B' codes (H, W, 3); None where its photo cannot be opened."""
    from pipeline.photo.opening import open_photo
    from pipeline.render.compose import render_frame
    from pipeline.render.delivery import FrameFormat, load_delivery
    from pipeline.render.grades import load_grading
    from pipeline.stages.encode import output_size

    chosen = corrections.frames[frame]
    _, delivery = load_delivery(settings.encode.delivery.split(",")[0].strip())
    width, height, _ = output_size(corrections.width, corrections.height, corrections.crop_ratio, delivery)
    _, grading = load_grading(settings.encode)
    try:
        photo = open_photo(card / chosen.shown_file)
    except PhotoError:
        return None
    whole = FrameFormat(width, height, "rgb48le")
    samples = render_frame(photo, chosen, corrections, grading.at(frame), (whole,))[0]
    return np.asarray(samples.reshape(height, width, 3) >> 8, np.uint8)
