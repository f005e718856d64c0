"""All that is known of one flight, in one place: what its stages reported and what its photos showed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, diags
from scipy.sparse.linalg import splu

from pipeline.geometry.rotation import exp
from pipeline.measure.blades import blade_shadows, top_profile
from pipeline.measure.flash import FlashFigures, FlashMeter
from pipeline.measure.look import FrameFigures, PairFigures
from pipeline.measure.speed import View, ground_way
from pipeline.measure.spots import Spot, fixed_spots
from pipeline.measure.store import Measurements
from pipeline.measure.subject import Subject, follow_subject
from pipeline.report.schema import STAGES, Report, Stage
from pipeline.settings import DiagnoseSettings
from pipeline.stages.result import StageResult

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

_NEAR_PAIRS = 2
_SHARPNESS_PASSES = 6


@dataclass(frozen=True)
class StageFacts:
    """What one stage said of a flight; `frames` are the rows of its report."""

    found: Mapping[str, Any] = field(default_factory=dict)
    applied: Mapping[str, Any] = field(default_factory=dict)
    left: Mapping[str, Any] = field(default_factory=dict)
    frames: list[dict[str, Any]] = field(default_factory=list)

    @classmethod
    def of(cls, told: Report | StageResult | None) -> StageFacts:
        """Return the facts of a report, or of a stage's result before it is written."""
        if told is None:
            return cls()
        if isinstance(told, StageResult):
            return cls(told.found, told.applied, told.left, told.frames)
        rows = [{"frame": f.frame, "file": f.file, **(f.model_extra or {})} for f in told.frames]
        return cls(told.found, told.applied, told.left, rows)

    def column(self, key: str, count: int) -> Floats:
        """Return the values (count,) of `key` over the timeline; NaN where a row has no number."""
        values = np.full(count, np.nan)
        for row in self.frames:
            value = row.get(key)
            if isinstance(value, int | float) and 0 <= row["frame"] < count:
                values[row["frame"]] = value
        return values


@dataclass(frozen=True)
class Evidence:
    """Stages and measurements of one flight of `count` frames, shown at `fps` photos a second.

    `places` (m,) are the places of the timeline that the video's frames show, at `video_fps` a second.
    Arrays are over the timeline (count,), NaN where nothing is known: `sharper` is the sharpness against
    the same ground in other frames (log2 of gradient energy), `blade` the share of light that a shadow
    takes, `flashes_found` the flashes in the second that ends with a frame. `way` (count - 1, 3) is the
    camera's way in distances from the ground. None stands for what was not measured at all.
    """

    id: str
    count: int
    fps: float
    video_fps: float
    places: Floats
    load: StageFacts
    balance: StageFacts
    deflicker: StageFacts
    stabilise: StageFacts
    encode: StageFacts
    settings: DiagnoseSettings
    looks: Mapping[int, FrameFigures] = field(default_factory=dict)
    hot_count: int | None = None
    sharper: Floats | None = None
    way: Floats | None = None
    spots: list[Spot] | None = None
    blade: Floats | None = None
    flashes_found: Floats | None = None
    subject: Subject | None = None

    @property
    def present(self) -> NDArray[np.bool_]:
        """Which frames (count,) have a photo."""
        states = {row["frame"]: row.get("state") for row in self.load.frames}
        return np.array([states.get(k, "photo") == "photo" for k in range(self.count)], bool)

    @property
    def rendered(self) -> bool:
        """Whether there is a video."""
        return bool(self.encode.applied.get("outputs"))

    @property
    def field_of_view_deg(self) -> float | None:
        """The angle across a photo, by the focal length that the motion was solved with."""
        focal, width = self.stabilise.applied.get("focal_px"), self.load.applied.get("width")
        if not focal or not width:
            return None
        return float(2.0 * np.degrees(np.arctan(0.5 * width / focal)))

    def label(self, frame: int) -> str:
        """The frame's number and file name."""
        names = {row["frame"]: row.get("file") for row in self.load.frames}
        return f"frame {frame} ({names.get(frame) or 'no photo'})"

    def look(self, key: str) -> Floats:
        """Return one figure of the single frames, over the timeline."""
        values = np.full(self.count, np.nan)
        for frame, figures in self.looks.items():
            value = getattr(figures, key)
            if value is not None and frame < self.count:
                values[frame] = value
        return values

    def channels(self, key: str) -> Floats:
        """Return a figure (count, 3) that the single frames tell per channel."""
        values = np.full((self.count, 3), np.nan)
        for frame, figures in self.looks.items():
            if frame < self.count:
                values[frame] = getattr(figures, key)
        return values


def orientations_of(stabilise: StageFacts, count: int) -> Floats | None:
    """Return the real camera's orientations (count, 3, 3) from the first frame's axes, None where untold."""
    told = [stabilise.column(f"{name}_deg", count) for name in ("pitch", "yaw", "roll")]
    angles = np.stack(told, axis=1)
    if not np.isfinite(angles).all():
        return None
    turns = exp(-np.deg2rad(np.diff(angles, axis=0)))
    path = [np.eye(3)]
    for turn in turns:
        path.append(turn @ path[-1])
    return np.array(path)


def sharpness_levels(pairs: Iterable[PairFigures], count: int) -> Floats:
    """Return the sharpness (count,) of each frame against the others on shared ground, log2 of energy.

    Robust least squares over all pairs (redescending); the middle of the known ones is 0.
    """
    told = [(p.i, p.j, p.sharper) for p in pairs if p.sharper is not None]
    level = np.full(count, np.nan)
    if not told:
        return level
    i, j = np.array([t[0] for t in told]), np.array([t[1] for t in told])
    ratio = np.array([t[2] for t in told], float)
    # The ground comes nearer through every pair alike; that is no change of sharpness.
    ratio = ratio - np.median(ratio / (j - i)) * (j - i)
    weight = np.ones(len(told))
    solved = np.zeros(count)
    for _ in range(_SHARPNESS_PASSES):
        beside = coo_matrix((-weight, (i, j)), shape=(count, count)).tocsc()
        own = np.bincount(i, weight, count) + np.bincount(j, weight, count) + 1e-3
        right = np.bincount(j, weight * ratio, count) - np.bincount(i, weight * ratio, count)
        solved = splu((beside + beside.T + diags(own)).tocsc()).solve(right)
        miss = ratio - (solved[j] - solved[i])
        scale = max(1.4826 * float(np.median(np.abs(miss))), 0.02)
        weight = 1.0 / (1.0 + (miss / (3.0 * scale)) ** 2) ** 2
    seen = np.union1d(i, j)
    level[seen] = solved[seen] - np.median(solved[seen])
    return level


def look_through(
    thumbnails: Iterable[Picture | None], fps: float
) -> tuple[FlashFigures, list[Floats | None]]:
    """Look once through the small pictures of the timeline, None for a missing photo.

    Returns the flashes of the sequence shown at `fps`, the last photo standing in for a missing one, and
    each picture's `blades.top_profile`.
    """
    meter = FlashMeter(fps)
    profiles: list[Floats | None] = []
    last: Picture | None = None
    for picture in thumbnails:
        profiles.append(None if picture is None else top_profile(picture))
        last = last if picture is None else picture
        if last is not None:
            meter.feed(last)
    figures = meter.figures()
    missed = len(profiles) - len(figures.general)  # before the first photo nothing is shown
    pad = np.zeros(missed)
    return FlashFigures(np.concatenate([pad, figures.general]), np.concatenate([pad, figures.red])), profiles


def gather(
    id: str,
    stages: Mapping[Stage, Report | StageResult],
    measured: Measurements | None,
    thumbnails: Iterable[Picture | None] | None,
    settings: DiagnoseSettings,
    fps: float,
) -> Evidence:
    """Bring together what is known of a flight; what is absent is left as not measured.

    `fps` is how many photos a second the video shows, where `stages` has no finished video to tell.
    """
    facts = {name: StageFacts.of(stages.get(name)) for name in STAGES}
    encode = facts["encode"]
    count = max(len(f.frames) for name, f in facts.items() if name != "encode")
    outputs = encode.applied.get("outputs") or [{}]
    video_fps = _rate(outputs[-1].get("fps"), fps)
    places = np.array([row.get("place", row["frame"]) for row in encode.frames], float)
    known: dict[str, Any] = {}
    if measured is not None:
        known = _measured(facts, measured, count, settings)
    if thumbnails is not None:
        flashes, profiles = look_through(thumbnails, fps)
        known["flashes_found"] = np.maximum(flashes.general, flashes.red)
        shape = (int(facts["load"].applied.get("height") or 0), int(facts["load"].applied.get("width") or 0))
        known["blade"] = blade_shadows(profiles, measured.pairs if measured else [], shape)
    return Evidence(
        id=id,
        count=count,
        fps=fps,
        video_fps=video_fps,
        places=places if len(places) else np.arange(count, dtype=float),
        load=facts["load"],
        balance=facts["balance"],
        deflicker=facts["deflicker"],
        stabilise=facts["stabilise"],
        encode=encode,
        settings=settings,
        **known,
    )


def _rate(told: Any, otherwise: float) -> float:
    """A frame rate as a report writes it, 30 or 30000/1001."""
    if not told:
        return otherwise
    above, _, below = str(told).partition("/")
    return float(above) / float(below or 1)


def _measured(
    facts: Mapping[Stage, StageFacts], measured: Measurements, count: int, settings: DiagnoseSettings
) -> dict[str, Any]:
    load, stabilise = facts["load"].applied, facts["stabilise"]
    size = (int(load.get("width") or 0), int(load.get("height") or 0))
    pairs = [p for p in measured.pairs if p.j < count]
    near = [p for p in pairs if p.j - p.i <= _NEAR_PAIRS]
    known: dict[str, Any] = {
        "looks": {figures.frame: figures for figures in measured.frames},
        "hot_count": len(measured.hot),
        "sharper": sharpness_levels(pairs, count),
        "spots": fixed_spots(near, (size[1], size[0])) if all(size) else None,
    }
    orientations = orientations_of(stabilise, count)
    focal = stabilise.applied.get("focal_px")
    if orientations is not None and focal:
        known["way"] = ground_way(near, View(orientations, float(focal), size))
    if settings.subject is not None:
        rows = stabilise.frames
        corrections = np.array([row["correction_rad"] for row in rows]) if rows else np.zeros((0, 3))
        known["subject"] = follow_subject(
            settings.subject, near, corrections, focal, size, stabilise.left.get("crop_ratio")
        )
    return known
