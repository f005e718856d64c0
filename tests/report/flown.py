"""Evidence of an invented flight on which nothing is wrong, to spoil in one thing at a time."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from pipeline.measure.look import FrameFigures
from pipeline.report.evidence import Evidence, StageFacts
from pipeline.report.findings.finding import Finding, Limits
from pipeline.settings import DiagnoseSettings

COUNT = 60
FAMILY = Callable[[Evidence, Limits], Any]


def figures(frame: int, **changes: Any) -> FrameFigures:
    """What a clear photo shows by itself."""
    clear = FrameFigures(
        frame=frame,
        width=1600,
        height=1200,
        as_shot_neutral=(0.5, 1.0, 0.7),
        median=(0.1, 0.2, 0.1),
        clipped=(0.001, 0.002, 0.001),
        crushed=(0.0, 0.0, 0.001),
        sharp_x=0.1,
        sharp_y=0.1,
        features=800,
        blur_x=0.27,
        blur_y=0.3,
        veil=0.04,
    )
    return replace(clear, **changes)


def rows(**columns: Any) -> list[dict[str, Any]]:
    """Rows over the timeline; each column is an array or one value."""
    listed: list[dict[str, Any]] = []
    for k in range(COUNT):
        row: dict[str, Any] = {"frame": k, "file": f"DCIM/100HERON/HERN{k + 1:04d}.DNG"}
        for key, values in columns.items():
            value = values[k] if isinstance(values, np.ndarray | list) else values
            row[key] = float(value) if isinstance(value, np.floating) else value
        listed.append(row)
    return listed


def quiet(**changes: Any) -> Evidence:
    """Evidence of a flight of 60 photos with nothing wrong, some of its fields changed."""
    still = np.zeros(COUNT)
    load = StageFacts(
        found={"interval_s": 2.0, "missing_count": 0, "torn_count": 0, "duplicate_count": 0},
        applied={"width": 1600, "height": 1200},
        frames=rows(
            state="photo",
            time_s=2.0 * np.arange(COUNT),
            shutter_s=0.5,
            exposure_ev=still,
            pitch_deg=-20.0,
            yaw_deg=90.0,
            roll_deg=0.0,
        ),
    )
    balance = StageFacts(
        found={"neutral_rms_mired": 1.0}, left={"neutral_rms_mired": 0.0}, frames=rows(wander_mired=still)
    )
    deflicker = StageFacts(
        found={"flicker_rms_ev": 0.002},
        left={"flicker_rms_ev": 0.001},
        frames=rows(level_ev=still, exif_ev=still, light_ev=still, gain_ev=still, left_ev=still),
    )
    stabilise = StageFacts(
        found={"jitter_rms_px": 0.1},
        applied={"focal_px": 1109.0, "shape": [16, 9]},
        left={"jitter_rms_px": 0.1, "crop_ratio": 0.95},
        frames=rows(
            pitch_deg=still,
            yaw_deg=still,
            roll_deg=still,
            steady_pitch_deg=still,
            steady_yaw_deg=still,
            steady_roll_deg=still,
            rests_on="features",
            ground_speed=0.1,
            ground_motion=0.01,
        ),
    )
    known: dict[str, Any] = {
        "id": "20260514-093000_HERN0001",
        "count": COUNT,
        "fps": 30.0,
        "video_fps": 30.0,
        "places": np.arange(COUNT, dtype=float),
        "load": load,
        "balance": balance,
        "deflicker": deflicker,
        "stabilise": stabilise,
        "encode": StageFacts(),
        "settings": DiagnoseSettings(),
        "looks": {k: figures(k) for k in range(COUNT)},
        "hot_count": 0,
        "sharper": still,
        "way": np.tile([0.1, 0.0, 0.0], (COUNT - 1, 1)),
        "spots": [],
        "blade": still,
        "flashes_found": still,
    }
    return Evidence(**{**known, **changes})


def with_columns(evidence: Evidence, stage: str, **columns: Any) -> Evidence:
    """The evidence with columns of a stage's rows changed."""
    facts: StageFacts = getattr(evidence, stage)
    changed = [
        {**row, **{key: rows(c=values)[row["frame"]]["c"] for key, values in columns.items()}}
        for row in facts.frames
    ]
    return replace(evidence, **{stage: replace(facts, frames=changed)})


def with_figures(evidence: Evidence, stage: str, side: str, **changes: Any) -> Evidence:
    """The evidence with `found`, `applied` or `left` of a stage changed."""
    facts: StageFacts = getattr(evidence, stage)
    return replace(evidence, **{stage: replace(facts, **{side: {**getattr(facts, side), **changes}})})


def told(family: FAMILY, evidence: Evidence) -> list[Finding]:
    """The findings of one family."""
    return list(family(evidence, Limits()))


def only(family: FAMILY, evidence: Evidence, cause: str) -> Finding:
    """The one finding of a family, which must be of this cause."""
    (finding,) = told(family, evidence)
    assert finding.cause == cause
    return finding
