"""Whether the outcome of the demo is what its truth says."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from pipeline.corrections import Corrections
from pipeline.geometry.camera import largest_rectangle
from pipeline.geometry.path import steady_orientations
from pipeline.measure.highpass import fast_figures, fast_part
from pipeline.measure.motion import angle_path, jitter_rms_px
from pipeline.report.metrics import load_limits, verdict
from pipeline.report.schema import Report, read_report

Floats = NDArray[np.float64]

WIDTH_PX = 1920
"""Jitter is told for a picture of this width, whatever the demo's photos allow."""

FOUND_TOLERANCE = 0.1
"""What is found must be what was put in, to this share."""


@dataclass(frozen=True)
class Check:
    """One line of the comparison; `flight` is a name of the truth, or "card" for all of it."""

    flight: str
    what: str
    truth: str
    seen: str
    ok: bool

    def as_json(self) -> dict[str, Any]:
        """Return the fields in the types of JSON."""
        return asdict(self)


class Outcome(Protocol):
    """What is needed of `pipeline.run.workshop.Outcome`."""

    folder: Path
    videos: list[Path]
    left_out: list[tuple[str, str]]


def check_outcomes(truth: Path, outcomes: Sequence[Outcome]) -> list[Check]:
    """Compare what came of the demo card with its truth file.

    Raises EvenflightError where a report of a finished sequence cannot be read.
    """
    told = json.loads(truth.read_text(encoding="utf-8"))
    left_out = sorted(file for outcome in outcomes for file, _ in outcome.left_out)
    status = 3 if left_out else 0
    checks = [
        _same("card", "sequences", told["expected"]["sequences"], len(outcomes)),
        _same("card", "photos left out", sorted(told["expected"]["torn"]), left_out),
        _same("card", "exit status of a run", told["expected"]["exit_status"], status),
    ]
    for flight in told["flights"]:
        found = [outcome for outcome in outcomes if _belongs(outcome, flight)]
        checks.append(_same(flight["name"], "found as sequences", 1, len(found)))
        if len(found) == 1:
            checks += _check_flight(flight, found[0])
    return checks


def _belongs(outcome: Outcome, flight: dict[str, Any]) -> bool:
    if not (outcome.folder / "corrections.json").is_file():  # a sequence that could not be done
        return False
    files = {frame["file"] for frame in flight["frames"]}
    return any(frame.file in files for frame in _corrections(outcome).frames if frame.file)


def _corrections(outcome: Outcome) -> Corrections:
    return Corrections.model_validate_json((outcome.folder / "corrections.json").read_bytes())


def _check_flight(flight: dict[str, Any], outcome: Outcome) -> list[Check]:
    name, frames = flight["name"], flight["frames"]
    corrections = _corrections(outcome)
    load, balance, deflicker, encode = (
        read_report(outcome.folder / f"{stage}.json") for stage in ("load", "balance", "deflicker", "encode")
    )
    missing = [row.frame for row in load.frames if (row.model_extra or {}).get("state") == "missing"]
    checks = [
        _same(name, "frames", len(frames), len(corrections.frames)),
        _same(name, "missing frames", flight["missing"], missing),
        _same(name, "videos", 1, sum(video.is_file() for video in outcome.videos)),
        _same(name, "frames in the video", len(frames), _video_frames(encode, outcome)),
    ]
    if len(frames) != len(corrections.frames):
        return checks  # nothing below can be set side by side
    photo = np.array([frame["state"] == "photo" for frame in frames])
    checks.append(_check_neutral(name, frames, photo, balance))
    period = float(deflicker.applied["period_frames"])  # type: ignore[arg-type]
    checks += _check_flicker(name, frames, photo, period, corrections, deflicker)
    before, after = jitter_against_truth(frames, corrections, period)
    checks.append(_limited(name, f"jitter left of {before:.1f}, px RMS", "jitter_rms_px", after))
    return checks


def _check_neutral(
    name: str, frames: list[dict[str, Any]], photo: NDArray[np.bool_], balance: Report
) -> Check:
    truth = 1e6 / np.array([frame["as_shot_cct_k"] for frame in frames])[photo]
    values = [(row.model_extra or {}).get("as_shot_mired") for row in balance.frames]
    seen = np.array([np.nan if value is None else value for value in values], dtype=float)[photo]
    return _close(name, "camera's neutral, mired RMS", float(truth.std()), float(seen.std()))


def _check_flicker(
    name: str,
    frames: list[dict[str, Any]],
    photo: NDArray[np.bool_],
    period: float,
    corrections: Corrections,
    deflicker: Report,
) -> list[Check]:
    def fast_rms(values: Floats) -> float | None:
        return fast_figures(fast_part(np.where(photo, values, np.nan), period))[0]

    true_ev = np.array([frame["gain_ev"] for frame in frames])
    told_ev = np.array([frame["exif_ev"] for frame in frames])
    gain_ev = np.array([frame.gain_ev for frame in corrections.frames])
    before = fast_rms(true_ev - told_ev)
    return [
        _close(name, "flicker found, EV RMS", before, deflicker.found["flicker_rms_ev"]),
        _limited(name, "flicker left, EV RMS", "flicker_rms_ev", fast_rms(true_ev + gain_ev)),
    ]


def jitter_against_truth(
    frames: list[dict[str, Any]], corrections: Corrections, period: float
) -> tuple[float | None, float | None]:
    """Return the true jitter before and after the corrections, px RMS at a width of 1920.

    `frames` are those of the truth file, `period` that of the filter in frames.
    """
    photo = np.array([frame["state"] == "photo" for frame in frames])
    shape = corrections.shape
    flown = np.array([frame["rotation_world_to_camera"] for frame in frames])
    steady = steady_orientations(flown, np.array([frame.rotation_rad for frame in corrections.frames]))
    rectangle = largest_rectangle(corrections.width, corrections.height, shape)
    focal = corrections.focal_px * WIDTH_PX / (corrections.crop_ratio * rectangle[0])
    size = (WIDTH_PX, WIDTH_PX * shape[1] / shape[0])
    before, after = (jitter_rms_px(angle_path(path), photo, period, focal, size) for path in (flown, steady))
    return before, after


def _video_frames(encode: Report, outcome: Outcome) -> Any:
    outputs = encode.applied.get("outputs")
    names = {video.name for video in outcome.videos}
    for output in outputs if isinstance(outputs, list) else ():
        if isinstance(output, dict) and output.get("file") in names:
            return output.get("frames")
    return None


def _same(flight: str, what: str, truth: object, seen: object) -> Check:
    return Check(flight, what, _text(truth), _text(seen), truth == seen)


def _close(flight: str, what: str, truth: float | None, seen: float | None) -> Check:
    near = truth is not None and seen is not None and abs(seen - truth) <= FOUND_TOLERANCE * truth
    return Check(flight, what, _text(truth), _text(seen), near)


def _limited(flight: str, what: str, key: str, seen: float | None) -> Check:
    limit = load_limits()[key]
    return Check(
        flight, what, f"{limit.operator} {limit.value:g}", _text(seen), verdict(seen, limit) == "within"
    )


def _text(value: object) -> str:
    if isinstance(value, list):
        return ", ".join(map(str, value)) or "none"
    return f"{value:.3g}" if isinstance(value, float) else str(value)
