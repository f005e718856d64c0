"""The page of one sequence: one self-contained file made from the reports in its folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import quote

from pipeline.errors import EvenflightError
from pipeline.report.charts import chart_data
from pipeline.report.metrics import MEASURES, Judgement, Limit, Measure, load_limits, verdict
from pipeline.report.schema import STAGES, Report, read_report, write_text

VIDEO_SUFFIXES = (".mp4", ".mov", ".mkv")


@dataclass(frozen=True)
class Row:
    """A measure as it was found and as it is left: by the solve (held out), and in pictures alone.

    `video_found` is of the photos as they came, `video` of the finished video, both measured alike.
    """

    measure: Measure
    limit: Limit | None
    found: float | None
    left: float | None
    video_found: float | None
    video: float | None
    why_not: tuple[str, ...]

    @property
    def final(self) -> float | None:
        """The figure that is judged: the video's where it was measured, else the solve's."""
        return self.left if self.video is None else self.video

    @property
    def judgement(self) -> Judgement:
        """The final figure against its limit."""
        return verdict(self.final, self.limit)


# What the page says first: measure, and the sentence's beginning for each judgement.
_SENTENCES: tuple[tuple[str, dict[Judgement, str]], ...] = (
    (
        "flicker_rms_ev",
        {
            "within": "The exposure is even",
            "beyond": "The exposure still flickers",
            "not measured": "The exposure could not be judged",
        },
    ),
    (
        "neutral_rms_mired",
        {
            "within": "The white balance holds",
            "beyond": "The white balance drifts",
            "not measured": "The white balance could not be judged",
        },
    ),
    (
        "jitter_rms_px",
        {
            "within": "The motion is steady",
            "beyond": "The motion still shakes",
            "not measured": "The motion could not be judged",
        },
    ),
)


def write_page(folder: Path) -> Path:
    """Write `report.html` from the reports in the output folder of a sequence, and return its path.

    An absent or broken report is a remark on the page. Raises EvenflightError where the page cannot be
    written.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined
    from markupsafe import Markup
    from plotly.offline import get_plotlyjs

    reports, troubles = _read_all(folder)
    rows = table_rows(reports, load_limits())
    environment = Environment(
        loader=FileSystemLoader(Path(__file__).parent / "html_templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["number"] = number
    text = environment.get_template("report.html.j2").render(
        id=folder.resolve().name,
        rows=rows,
        verdicts=verdict_sentences(rows),
        charts=chart_data(reports),
        facts=_facts(reports),
        frames=len(reports["load"].frames) if "load" in reports else 0,
        without_photo=_without_photo(reports),
        warnings=[(stage, text) for stage, report in reports.items() for text in report.warnings],
        troubles=troubles,
        reports=reports,
        videos=[(path.name, quote(path.name)) for path in _videos(folder)],
        documents=[path.name for path in sorted(folder.glob("*.json"))],
        plotly=Markup(get_plotlyjs().replace("</script", r"<\/script")),
    )
    path = folder / "report.html"
    write_text(path, text)
    return path


def table_rows(reports: Mapping[str, Report], limits: Mapping[str, Limit]) -> list[Row]:
    """Return a row for each registered measure that any report holds."""
    encode = reports.get("encode")
    rows = []
    for key, measure in MEASURES.items():
        solving = next((r for s, r in reports.items() if s != "encode" and key in r.found), None)
        video = encode if encode is not None and key in encode.left else None
        if solving is None and video is None:
            continue
        first = solving or video
        reasons = [
            f"{report.stage}: {report.unmeasured[place]}"
            for report in (solving, video)
            if report is not None
            for place in (f"found.{key}", f"left.{key}")
            if place in report.unmeasured
        ]
        rows.append(
            Row(
                measure=measure,
                limit=limits.get(key),
                found=first.found[key] if first else None,
                left=solving.left[key] if solving else None,
                video_found=video.found[key] if video else None,
                video=video.left[key] if video else None,
                why_not=tuple(dict.fromkeys(reasons)),
            )
        )
    return rows


def verdict_sentences(rows: list[Row]) -> list[tuple[Judgement, str]]:
    """Return the sentences that the page opens with, each with its judgement."""
    by_key = {row.measure.key: row for row in rows}
    sentences: list[tuple[Judgement, str]] = []
    for key, openings in _SENTENCES:
        row = by_key.get(key)
        if row is None or row.judgement not in openings:
            continue
        opening = openings[row.judgement]
        if row.judgement == "not measured":
            sentences.append((row.judgement, f"{opening}: {'; '.join(row.why_not) or 'no figure'}."))
            continue
        unit = f" {row.measure.unit}".rstrip()
        first = row.found if row.video is None else row.video_found
        was = "an unknown amount" if first is None else f"{number(first)}{unit}"
        left = f"{number(row.final)}{unit} left{' in the video' if row.video is not None else ''}"
        bound = f" (limit {number(row.limit.value)}{unit})" if row.limit else ""
        solved = ""
        if row.video is not None and row.left is not None:
            solved = f"; by what was held out of the solve, {number(row.found)} became {number(row.left)}"
        sentences.append((row.judgement, f"{opening}: {was} found, {left}{bound}{solved}."))
    return sentences


def number(value: float | None) -> str:
    """Return a figure with three significant digits, whole numbers whole; a dash for None."""
    if value is None:
        return "–"
    if float(value).is_integer() and abs(value) < 1e6:
        return str(int(value))
    return f"{value:.3g}"


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


def _without_photo(reports: Mapping[str, Report]) -> list[dict[str, Any]]:
    load = reports.get("load")
    listed = []
    for frame in load.frames if load else ():
        extra = frame.model_extra or {}
        if extra.get("state", "photo") != "photo":
            why = extra.get("why") or extra["state"]
            listed.append({"frame": frame.frame, "file": frame.file or "no photo", "why": why})
    return listed


def _videos(folder: Path) -> list[Path]:
    return sorted(path for path in folder.iterdir() if path.suffix.lower() in VIDEO_SUFFIXES)
