"""The figures of all stages side by side, and the sentences that judge them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from pipeline.report.metrics import MEASURES, Judgement, Limit, Measure, verdict
from pipeline.report.pages import number
from pipeline.report.schema import Report


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
    (
        "ground_jitter_px",
        {
            "within": "The ground passes smoothly",
            "beyond": "The ground still shakes, as the drone's place did",
            "not measured": "The ground could not be judged",
        },
    ),
)


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
        sentences.append((row.judgement, f"{opening}: {was} found, {left}{bound}."))
    return sentences
