"""The page of one sequence: one self-contained file made from what lies in its folder."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pipeline.errors import EvenflightError
from pipeline.measure import store
from pipeline.report.charts import chart_data
from pipeline.report.columns import Columns, columns_of, motion_columns, photo_columns
from pipeline.report.course import course_data
from pipeline.report.diagnose import Diagnosis
from pipeline.report.findings.finding import Finding
from pipeline.report.metrics import load_limits
from pipeline.report.pages import amount, number, render_page
from pipeline.report.pictures import pictures_of
from pipeline.report.schema import STAGES, Report, read_report, write_text
from pipeline.report.shown import ShownVideo, shown_video
from pipeline.report.timeline import frame_rows, reasons_without, without_photo
from pipeline.report.verdicts import table_rows, verdict_sentences

VIDEO_SUFFIXES = (".mp4", ".mov", ".mkv")
_VIDEO_WIDTH = 1920
# What lasts over more of the flight than this is told of the flight, and marks no single frames.
_MARKED_SHARE = 1.0 / 3.0


def write_page(folder: Path) -> Path:
    """Write `report.html` from the output folder of a sequence, and return its path.

    The reports, `diagnosis.json`, measurements, small pictures and the video are read from the folder; one
    that is absent or broken is a remark on the page or leaves a curve out. Raises EvenflightError where
    the page cannot be written.
    """
    reports, troubles = _read_all(folder)
    diagnosis, trouble = _read_diagnosis(folder)
    troubles += trouble
    findings = diagnosis.findings if diagnosis else []
    frames = frame_rows(reports)
    marked = [finding for finding in findings if len(finding.frames) <= _MARKED_SHARE * len(frames)]
    troubled = {frame for finding in marked for frame in finding.frames}
    charts = chart_data(_columns(folder, reports, len(frames)))
    course = course_data(reports.get("load"), troubled)
    video = shown_video(folder, reports.get("encode"))
    before, after = pictures_of(folder, len(frames), video, _telling_frame(findings, frames))
    rows = table_rows(reports, load_limits())
    text = render_page(
        "report.html.j2",
        id=folder.resolve().name,
        facts=_facts(reports),
        diagnosis=diagnosis,
        verdicts=verdict_sentences(rows),
        findings=[_told(finding) for finding in findings],
        rows=rows,
        charts=charts,
        course=course,
        frames=frames,
        without_photo=without_photo(frames),
        reasons=reasons_without(frames),
        warnings=[(stage, text) for stage, report in reports.items() for text in report.warnings],
        troubles=troubles,
        reports=reports,
        videos=[(path.name, quote(path.name)) for path in _videos(folder)],
        documents=[path.name for path in sorted(folder.glob("*.json"))],
        before=before,
        after=after,
        page={
            "fps": video.photos_per_s,
            "order": video.order(len(frames)),
            "frames": _with_seconds(frames, video),
            "charts": charts,
            "course": course,
            "findings": [
                {**finding.model_dump(include={"cause", "frames", "seen"}), "marked": finding in marked}
                for finding in findings
            ],
            "before": before.as_json(),
            "after": after.as_json(),
        },
    )
    path = folder / "report.html"
    write_text(path, text)
    return path


def _columns(folder: Path, reports: Mapping[str, Report], count: int) -> Columns:
    columns = columns_of(reports, count)
    measured = store.load(folder / "work" / "measurements.npz", None)
    interval = reports["load"].found.get("interval_s") if "load" in reports else None
    return columns | motion_columns(columns, _VIDEO_WIDTH, interval or 2.0) | photo_columns(measured, count)


def _told(finding: Finding) -> dict[str, Any]:
    """Return what the page says of a finding."""
    figures = f"Measured {amount(finding.measured, finding.unit)}, limit {number(finding.limit)}"
    if finding.left is not None:
        same = number(finding.left) == number(finding.measured)
        figures += f"; {'all of it' if same else number(finding.left)} is left after the correction"
    first, last = finding.seconds
    return {
        **finding.model_dump(include={"seen", "why", "severity", "mended", "remedy"}),
        "frames": finding.frames,
        "when": f"{first:.1f} s" if last - first < 0.1 else f"{first:.1f} to {last:.1f} s of the video",
        "figures": f"{figures}.",
    }


def _with_seconds(frames: list[dict[str, Any]], video: ShownVideo) -> list[dict[str, Any]]:
    seconds = video.seconds(len(frames))
    return [{**row, "video_s": at} for row, at in zip(frames, seconds, strict=True)]


def _telling_frame(findings: list[Finding], frames: list[dict[str, Any]]) -> int:
    """Return the frame that the page shows first: of the first finding, else the middle one; with a photo."""
    wished = findings[0].frames[0] if findings and findings[0].frames else len(frames) // 2
    photos = [row["frame"] for row in frames if row["why"] is None]
    return min(photos, key=lambda frame: abs(frame - wished), default=0)


def _read_all(folder: Path) -> tuple[dict[str, Report], list[str]]:
    reports: dict[str, Report] = {}
    troubles = []
    for stage in STAGES:
        path = folder / f"{stage}.json"
        if not path.exists():
            troubles.append(f"There is no {path.name}: this stage has not been done.")
            continue
        try:
            reports[stage] = read_report(path)
        except EvenflightError as error:
            troubles.append(f"{error}.")
            continue
        if reports[stage].status != "complete":
            troubles.append(f"The stage {stage} was {reports[stage].status}: {reports[stage].why}.")
    return reports, troubles


def _read_diagnosis(folder: Path) -> tuple[Diagnosis | None, list[str]]:
    path = folder / "diagnosis.json"
    try:
        return Diagnosis.model_validate_json(path.read_text(encoding="utf-8")), []
    except FileNotFoundError:
        return None, []
    except (OSError, ValueError) as error:
        return None, [f"{path.name} cannot be read: {str(error).splitlines()[0]}."]


def _facts(reports: Mapping[str, Report]) -> list[str]:
    load = reports.get("load")
    if load is None:
        return []
    told = load.applied
    facts = [str(told["camera"])] if told.get("camera") else []
    if told.get("width") and told.get("height"):
        facts.append(f"photos of {told['width']} × {told['height']} px")
    if load.found.get("interval_s"):
        facts.append(f"one every {number(load.found['interval_s'])} s")
    if told.get("started_at"):
        facts.append(f"from {str(told['started_at'])[:16].replace('T', ' ')}")
    return facts


def _videos(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.suffix.lower() in VIDEO_SUFFIXES)
