"""Load: what was found of a sequence, and what is amiss with it."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from typing import Any

import numpy as np

from pipeline.measure.exposure import captured_ev
from pipeline.sequence import Frame, Sequence, State
from pipeline.stages.result import Figures, StageResult

_UNEVEN = 0.1  # share of the interval by which photos may come early or late without a word


def load(sequence: Sequence) -> StageResult:
    """Report the facts of a sequence: counts, interval, exposure changes, and each frame.

    `missing_count` counts the places without a usable photo: missing, torn or left out; as many are left,
    whether the render then makes a frame there from its neighbours or holds the nearest photo.
    """
    states = Counter(frame.state for frame in sequence.frames)
    held = len(sequence.frames) - states["photo"]
    changes = _exposure_changes(sequence.photos)
    copies = sum(item.why.startswith(("the same file", "a torn copy")) for item in sequence.left_aside)
    found: Figures = {
        "photo_count": states["photo"],
        "missing_count": held,
        "torn_count": states["torn"],
        "duplicate_count": copies,
        "exposure_changes": len(changes),
        "interval_s": sequence.interval_s,
        "interval_spread_s": _interval_spread_s(sequence),
    }
    result = StageResult(
        found=found,
        # torn files and copies have left the timeline; nothing else was changed
        left={**found, "torn_count": 0, "duplicate_count": 0},
        applied=_facts(sequence, states),
        frames=[_frame_facts(frame) for frame in sequence.frames],
        warnings=[*_warnings(sequence, found, changes), *sequence.warnings],
    )
    if found["interval_spread_s"] is None:
        reason = "fewer than two photos"
        result.unmeasured = {f"{part}.interval_spread_s": reason for part in ("found", "left")}
    return result


def _facts(sequence: Sequence, states: Counter[State]) -> dict[str, Any]:
    facts = sequence.model_dump(
        include={
            "kind", "camera", "lens", "width", "height", "focal_mm", "focal_px", "focal_from", "started_at"
        }
    )  # fmt: skip
    held = [frame.frame for frame in sequence.frames if not frame.usable]
    return {
        **facts,
        "held_frames": held,
        "left_out_count": states["left-out"],
        "left_aside": [item.model_dump() for item in sequence.left_aside],
    }


def _frame_facts(frame: Frame) -> dict[str, Any]:
    facts = frame.model_dump(exclude={"size_bytes", "modified_ns"})
    return {**facts, "exposure_ev": captured_ev(frame.shutter_s, frame.aperture, frame.iso)}


def _exposure_changes(photos: tuple[Frame, ...]) -> list[Frame]:
    """The photos whose exposure by EXIF differs from that of the photo before."""
    known = [frame for frame in photos if captured_ev(frame.shutter_s, frame.aperture, frame.iso) is not None]
    return [
        after
        for before, after in pairwise(known)
        if (before.shutter_s, before.aperture, before.iso) != (after.shutter_s, after.aperture, after.iso)
    ]


def _interval_spread_s(sequence: Sequence) -> float | None:
    """Robust standard deviation (1.4826 MAD) of the time between neighbouring photos, per place."""
    photos = sequence.photos
    if len(photos) < 2:
        return None
    gaps = np.diff([frame.time_s for frame in photos]) / np.diff([frame.frame for frame in photos])
    return round(float(1.4826 * np.median(np.abs(gaps - np.median(gaps)))), 6)


def _warnings(sequence: Sequence, found: Figures, changes: list[Frame]) -> list[str]:
    said: list[str] = []
    missing = [frame for frame in sequence.frames if frame.state == "missing"]
    if missing:
        places = ", ".join(str(frame.frame) for frame in missing)
        said.append(
            f"photos missing: {len(missing)}; their neighbours or the nearest photo stand in their place: "
            f"frame {places}"
        )
    for frame in sequence.frames:
        if frame.state in ("torn", "left-out"):
            said.append(f"{frame.label} is not used: {frame.why}")
    said += [f"{item.file} is not used: {item.why}" for item in sequence.left_aside if item.trouble]
    if changes:
        said.append(
            f"the camera changed its exposure (times: {len(changes)}), first at {changes[0].label}; "
            "lock shutter, aperture and ISO before the flight"
        )
    spread = found["interval_spread_s"]
    if spread is not None and spread > _UNEVEN * sequence.interval_s:
        said.append(
            f"the photos come unevenly: {sequence.interval_s:.2f} s apart, give or take {spread:.2f} s; "
            "a faster memory card or a longer interval helps"
        )
    if sequence.photos and all(frame.shutter_s is None for frame in sequence.photos):
        said.append("no photo tells its exposure, so changes of exposure are judged by the picture alone")
    return said
