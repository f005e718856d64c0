"""What is known of each frame: file, state, settings, and what is wrong with it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.report.pages import number
from pipeline.report.schema import Report


def frame_rows(reports: Mapping[str, Report]) -> list[dict[str, Any]]:
    """Return a row for each frame of the timeline: its number, file, seconds, state, reason and settings."""
    rows = []
    for frame in _frames(reports):
        told = frame.model_extra or {}
        state = told.get("state", "photo")
        rows.append(
            {
                "frame": frame.frame,
                "file": frame.file or "no photo",
                "time_s": told.get("time_s"),
                "state": state,
                "why": None if state == "photo" else told.get("why") or state,
                "settings": _settings(told),
            }
        )
    return rows


def without_photo(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Return the rows of the frames that have no photo to show."""
    return [row for row in rows if row["why"] is not None]


def reasons_without(rows: list[dict[str, Any]]) -> list[dict[str, str]]:
    """Return each reason why frames have no photo, with the frames it holds for in words."""
    frames: dict[str, list[int]] = {}
    for row in without_photo(rows):
        frames.setdefault(row["why"], []).append(row["frame"])
    return [{"why": why, "frames": _in_words(numbers)} for why, numbers in frames.items()]


def _in_words(numbers: list[int]) -> str:
    """Return ascending frame numbers as frame 3, or frames 3, 5-7."""
    runs: list[list[int]] = []
    for frame in numbers:
        if runs and frame == runs[-1][-1] + 1:
            runs[-1] = [runs[-1][0], frame]
        else:
            runs.append([frame])
    listed = ", ".join("-".join(str(end) for end in run) for run in runs)
    return f"frame{'s' if len(numbers) > 1 else ''} {listed}"


def _frames(reports: Mapping[str, Report]) -> list[Any]:
    """Return the frames of the report that knows most of them: load, else any that lists frames."""
    for stage in ("load", "deflicker", "stabilise", "balance"):
        if stage in reports and reports[stage].frames:
            return list(reports[stage].frames)
    return []


def _settings(told: Mapping[str, Any]) -> str:
    parts = []
    shutter = told.get("shutter_s")
    if shutter:
        parts.append(f"1/{round(1 / shutter)} s" if shutter < 0.4 else f"{shutter:.2g} s")
    if told.get("aperture"):
        parts.append(f"f/{number(told['aperture'])}")
    if told.get("iso"):
        parts.append(f"ISO {number(told['iso'])}")
    return ", ".join(parts)
