"""Measurements of a sequence in memory and on disk (`work/measurements.npz`)."""

from __future__ import annotations

import json
import tokenize
import zipfile
import zlib
from dataclasses import asdict, dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.colour.camera import CameraColour
from pipeline.measure.far import FarTurn
from pipeline.measure.light import BlockRatios
from pipeline.measure.look import FrameFigures, PairFigures
from pipeline.measure.pairs import Registration
from pipeline.measure.sharpness import SeenBlur
from pipeline.photo.faults import Sites

MEASUREMENTS_VERSION = 8

SPOILED = (zipfile.BadZipFile, zlib.error, tokenize.TokenError, SyntaxError)
"""What NumPy raises, besides the ordinary, where bytes of a file were changed."""


@dataclass(frozen=True)
class Measurements:
    """All that was measured of a sequence.

    `trouble` names the frames that could not be opened, and why; `hot` (k,) are photosites that glow by
    themselves, as row · width + column of the upright mosaic.
    """

    frames: list[FrameFigures]
    pairs: list[PairFigures]
    colour: CameraColour | None
    trouble: dict[int, str]
    hot: Sites = field(default_factory=lambda: np.zeros(0, np.uint32))


def _colour_to_json(colour: CameraColour | None) -> Any:
    if colour is None:
        return None
    return {
        key: value.tolist() if isinstance(value, np.ndarray) else value
        for key, value in asdict(colour).items()
    }


def _colour_from_json(data: Any) -> CameraColour | None:
    if data is None:
        return None
    told: dict[str, Any] = {key: np.array(v) if isinstance(v, list) else v for key, v in data.items()}
    return CameraColour(**told)


def _figures_from_json(entry: dict[str, Any]) -> FrameFigures:
    told: dict[str, Any] = {key: tuple(v) if isinstance(v, list) else v for key, v in entry.items()}
    return FrameFigures(**told)


def save(path: Path, measurements: Measurements, fingerprint: str) -> None:
    """Write measurements to `path` at once: under a temporary name, then renamed."""
    pairs = measurements.pairs
    head = {
        "version": MEASUREMENTS_VERSION,
        "fingerprint": fingerprint,
        "colour": _colour_to_json(measurements.colour),
        "trouble": {str(frame): why for frame, why in measurements.trouble.items()},
        "frames": [asdict(frame) for frame in measurements.frames],
        "pairs": [
            {
                "i": p.i,
                "j": p.j,
                "registered": p.registered,
                "nearer": p.nearer,
                "sharper": p.sharper,
                "seen_blur": None if p.seen_blur is None else asdict(p.seen_blur),
                "far": [[turn.turn_rad.tolist(), turn.covariance.tolist()] for turn in p.far],
                "homography": None if p.matches.homography is None else p.matches.homography.tolist(),
                "scale": p.matches.scale,
                "matches": len(p.matches.points_i),
                "blocks": len(p.blocks.place_i),
            }
            for p in pairs
        ],
    }

    def together(arrays: list[Any], shape: tuple[int, ...], kind: type) -> Any:
        return np.concatenate(arrays) if arrays else np.zeros(shape, kind)

    part = path.with_name(path.name + ".part")
    with part.open("wb") as file:
        np.savez_compressed(
            file,
            head=np.frombuffer(json.dumps(head).encode(), np.uint8),
            points_i=together([p.matches.points_i for p in pairs], (0, 2), np.float32),
            points_j=together([p.matches.points_j for p in pairs], (0, 2), np.float32),
            hot=measurements.hot,
            on_plane=together([p.matches.on_plane for p in pairs], (0,), bool),
            ratio_ev=together([p.blocks.ratio_ev for p in pairs], (0, 3), np.float32),
            sigma_ev=together([p.blocks.sigma_ev for p in pairs], (0,), np.float32),
            place_i=together([p.blocks.place_i for p in pairs], (0, 2), np.float32),
            place_j=together([p.blocks.place_j for p in pairs], (0, 2), np.float32),
            level_ev=together([p.blocks.level_ev for p in pairs], (0, 3), np.float32),
        )
    part.replace(path)


def load(path: Path, fingerprint: str | None) -> Measurements | None:
    """Return the measurements at `path`, or None where there are none, or of other photos, or torn ones.

    With no `fingerprint` any photos' will do.
    """
    try:
        with path.open("rb") as file, np.load(file) as stored:
            data = {name: stored[name] for name in stored.files}
        head = json.loads(data["head"].tobytes())
    except (*SPOILED, OSError, ValueError, KeyError, EOFError):
        return None
    if head.get("version") != MEASUREMENTS_VERSION or fingerprint not in (None, head.get("fingerprint")):
        return None
    pairs, match_start, block_start = [], 0, 0
    for entry in head["pairs"]:
        matches = slice(match_start, match_start + entry["matches"])
        blocks = slice(block_start, block_start + entry["blocks"])
        match_start, block_start = matches.stop, blocks.stop
        homography = None if entry["homography"] is None else np.array(entry["homography"])
        registration = Registration(
            data["points_i"][matches],
            data["points_j"][matches],
            homography,
            data["on_plane"][matches],
            entry["scale"],
        )
        ratios = BlockRatios(**{told.name: data[told.name][blocks] for told in fields(BlockRatios)})
        blur = None if entry["seen_blur"] is None else SeenBlur(**entry["seen_blur"])
        far = tuple(FarTurn(np.array(turn), np.array(spread)) for turn, spread in entry["far"])
        alike = (entry["registered"], entry["sharper"], blur, far, entry["nearer"])
        pairs.append(PairFigures(entry["i"], entry["j"], registration, ratios, *alike))
    frames = [_figures_from_json(entry) for entry in head["frames"]]
    trouble = {int(frame): why for frame, why in head["trouble"].items()}
    return Measurements(frames, pairs, _colour_from_json(head["colour"]), trouble, data["hot"])
