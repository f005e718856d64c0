"""Findings of the card and of what the flight was about: missing photos, intervals, the subject."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from pipeline.report.evidence import Evidence
from pipeline.report.findings.finding import (
    COURSE_CAUTION,
    Finding,
    Limits,
    exceeded,
    finding,
    span_words,
)

Floats = NDArray[np.float64]

_FILLED = 2  # photos missing in a row that are made from their neighbours, as a rule


def card_findings(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    """Find what is wrong with the photos as files and in time; what was not measured gives no finding."""
    states = {row["frame"]: row.get("state", "photo") for row in evidence.load.frames}
    yield from _missing(evidence, limits, [k for k, state in states.items() if state == "missing"])
    yield from _torn(evidence, limits, [k for k, state in states.items() if state == "torn"])
    yield from _copies(evidence, limits)
    yield from _intervals(evidence, limits)
    yield from _writing(evidence)
    yield from _subject(evidence, limits)


def _mending(evidence: Evidence, frames: list[int]) -> tuple[bool, float | None]:
    """Whether frames without a photo were made from their neighbours, and how many were held instead.

    Before there is a video, short gaps are expected to be filled, and how many will be held is not known.
    """
    if not evidence.rendered:
        longest = max(len(run) for run in _runs(frames))
        return longest <= _FILLED, None
    made = {row["frame"]: row.get("made") for row in evidence.encode.frames}
    held = [frame for frame in frames if made.get(frame) in (None, "held", "photo", False)]
    return not held, float(len(held))


def _runs(frames: list[int]) -> list[list[int]]:
    runs: list[list[int]] = []
    for frame in frames:
        if runs and frame == runs[-1][-1] + 1:
            runs[-1].append(frame)
        else:
            runs.append([frame])
    return runs


def _photos(count: int) -> str:
    return "1 photo is" if count == 1 else f"{count} photos are"


def _missing(evidence: Evidence, limits: Limits, frames: list[int]) -> Iterator[Finding]:
    skipped = "it" if len(frames) == 1 else "them"
    yield from _without_photo(
        evidence,
        limits,
        "missing",
        frames,
        lost=f"not on the card, {{where}}: the camera skipped {skipped}",
        unit="photos",
        air="a longer interval or a faster memory card",
        desk="missing photos are made from their neighbours where their motion agrees (encode.fill_missing)",
    )


def _torn(evidence: Evidence, limits: Limits, frames: list[int]) -> Iterator[Finding]:
    yield from _without_photo(
        evidence,
        limits,
        "torn",
        frames,
        lost="damaged, {where}: writing or copying broke off",
        unit="files",
        air="let the camera finish writing before switching it off, and test the card",
        desk="copy the card again, and compare the files' sizes",
    )


def _without_photo(
    evidence: Evidence,
    limits: Limits,
    cause: Literal["missing", "torn"],
    frames: list[int],
    *,
    lost: str,
    unit: str,
    air: str,
    desk: str,
) -> Iterator[Finding]:
    """Tell of places in time without a photo; in `lost`, {where} stands for the frames."""
    if not frames:
        return
    mended, held = _mending(evidence, frames)
    yield finding(
        evidence,
        cause,
        frames,
        seen="the shot stands still for a moment, then leaps",
        why=f"{_photos(len(frames))} {lost.format(where=span_words(evidence, frames))}",
        measured=float(len(frames)),
        unit=unit,
        limit=limits[f"{cause}_count"].value,
        ratio=limits.ratio(f"{cause}_count", float(len(frames))),
        left=held,
        mended=mended,
        most="visible",
        air=air,
        desk=desk,
    )


def _copies(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    count = float(evidence.load.found.get("duplicate_count") or 0)
    if not count:
        return
    aside = [item.get("file") for item in evidence.load.applied.get("left_aside", [])]
    yield finding(
        evidence,
        "duplicate",
        [],
        seen="nothing: copies are left out",
        why=f"{count:.0f} {'file on the card is a copy' if count == 1 else 'files on the card are copies'} "
        "of other photos" + (f", such as {aside[0]}" if aside else ""),
        measured=count,
        unit="files",
        limit=limits["duplicate_count"].value,
        ratio=limits.ratio("duplicate_count", count),
        left=0.0,
        mended=True,
        air=None,
        desk="each photo is used once; delete the copies at leisure",
    )


def _intervals(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    interval = evidence.load.found.get("interval_s")
    times = evidence.load.column("time_s", evidence.count)
    places = np.flatnonzero(np.isfinite(times) & evidence.present)
    if not interval or len(places) < 3:
        return
    gaps = np.diff(times[places]) / np.diff(places)
    off = np.abs(gaps - interval)
    if np.allclose(times[places], np.round(times[places]), atol=1e-6) and not float(interval).is_integer():
        off = np.maximum(off - 1.0, 0.0)  # a clock that counts whole seconds
    off = 100.0 * off / interval
    beyond = np.flatnonzero(off > limits["interval_off_pct"].value)
    if not len(beyond):
        return
    frames = [int(places[k + 1]) for k in beyond]
    worst = float(np.max(off))
    ratio = limits.ratio("interval_off_pct", worst)
    yield finding(
        evidence,
        "interval_irregular",
        frames,
        seen="the motion hitches",
        why=f"photos came up to {worst:.0f} % early or late against an interval of {interval:.2f} s, "
        f"{span_words(evidence, frames)}",
        measured=worst,
        unit="% of the interval",
        limit=limits["interval_off_pct"].value,
        ratio=ratio,
        left=worst,
        left_ratio=ratio,
        air="a longer interval or a faster memory card",
        desk="set stabilise.even_speed = true: time is remapped so that the ground passes evenly",
    )


def _writing(evidence: Evidence) -> Iterator[Finding]:
    interval, write_s = evidence.load.found.get("interval_s"), evidence.settings.write_s
    if not interval or write_s is None or interval >= write_s:
        return
    ratio = exceeded(float(interval), write_s, higher=True)
    yield finding(
        evidence,
        "interval_irregular",
        np.flatnonzero(evidence.present).tolist(),
        seen="photos may be late or missing",
        why=f"the interval of {interval:.2f} s is shorter than the {write_s:.2f} s that the camera takes to "
        "write a photo (diagnose.write_s)",
        measured=float(interval),
        unit="s",
        limit=write_s,
        ratio=ratio,
        left=float(interval),
        left_ratio=ratio,
        most="visible",
        air=f"an interval of {np.ceil(write_s):.0f} s or more, or a faster memory card",
        desk=None,
    )


def _subject(evidence: Evidence, limits: Limits) -> Iterator[Finding]:
    if evidence.subject is None:
        return
    shown = 100.0 * evidence.subject.shown
    followed = np.isfinite(shown)
    share = np.where(followed, shown, 0.0)
    limit = limits["subject_shown_pct"].value
    beyond = np.flatnonzero((share < limit) & evidence.present)
    if not len(beyond):
        return
    worst = float(np.min(share[evidence.present]))
    lost = np.flatnonzero(~followed & evidence.present)
    ratio = limits.ratio("subject_shown_pct", max(worst, 1.0))
    why = (
        f"only {worst:.0f} % of the subject is in the steady picture, {span_words(evidence, beyond.tolist())}"
    )
    if len(lost):
        why = f"the subject could not be followed beyond {evidence.label(int(lost[0]))}"
    yield finding(
        evidence,
        "subject_lost",
        beyond.tolist(),
        seen="the subject leaves the picture",
        why=why,
        measured=worst,
        unit="% of the subject",
        limit=limit,
        ratio=ratio,
        left=worst,
        left_ratio=ratio,
        air="aim so that the subject keeps a tenth of the width from the edges, or turn with it "
        f"({COURSE_CAUTION})",
        desk="lower stabilise.max_crop, or choose encode.anchor",
    )
