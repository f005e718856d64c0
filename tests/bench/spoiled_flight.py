"""A flight over Saltmere spoiled by known causes, and its card, written small enough to make many.

Pictures are rendered once for each motion and kept; what spoils the light, the lens or the sensor is put
over them afterwards, as the demo records its photos.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from fractions import Fraction
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.demo.flight import FlightSpec, FrameTruth, fly
from pipeline.demo.photograph import record, write_jpeg, write_photo
from pipeline.demo.view import expose
from pipeline.demo.world import World, saltmere

STARTED = datetime(2026, 5, 14, 9, 30, 0, 250_000, UTC)


@dataclass(frozen=True)
class Case:
    """One flight: the causes that it carries, and how many times its limit each is, in truth.

    A flight carries several causes that do not touch each other. `also` are causes that may be told or
    not, because they follow from those. `settings` are assignments as of `--set`.
    """

    name: str
    truth: dict[str, float]
    spec: FlightSpec
    settings: tuple[str, ...] = ()
    also: frozenset[str] = frozenset()
    flicker_ev: tuple[float, ...] = ()
    copies: int = 0
    late_s: tuple[tuple[int, float], ...] = ()


@lru_cache(maxsize=1)
def world() -> World:
    return saltmere(texels=2048, texel_m=1.0)


def _motion(spec: FlightSpec) -> FlightSpec:
    """The spec of what the light does before the lens: all that does not move the camera left out."""
    plain = FlightSpec()
    return replace(
        spec,
        **{
            name: getattr(plain, name)
            for name in (
                "spoiled",
                "flicker_ev",
                "outlier_frames",
                "light_ev",
                "fade_ev",
                "wander_mired",
                "sensor",
                "missing",
                "torn",
                "jpegs",
                "vignette_ev",
                "noise",
            )
        },
        exposures=(replace(spec.exposures[0], tag_s=Fraction(1, 2), true_s=spec.exposures[0].true_s),),
    )


@lru_cache(maxsize=2)
def _exposed(motion: FlightSpec) -> tuple[NDArray[np.float16], ...]:
    return tuple(expose(world(), motion, truth).astype(np.float16) for truth in fly(motion))


def radiances(spec: FlightSpec) -> list[NDArray[np.float32]]:
    """The light of every photo of a flight before the lens."""
    return [picture.astype(np.float32) for picture in _exposed(_motion(spec))]


def truths_of(case: Case) -> list[FrameTruth]:
    """What truly happened, with the flicker and the late photos that the case asks for."""
    truths = fly(case.spec)
    if case.flicker_ev:
        truths = [replace(t, flicker_ev=ev) for t, ev in zip(truths, case.flicker_ev, strict=True)]
    for frame, late in case.late_s:
        truths[frame] = replace(truths[frame], time_s=truths[frame].time_s + late)
    return truths


def write_case(case: Case, folder: Path) -> Path:
    """Write the card of a case and return its folder."""
    spec = case.spec
    card = folder / "DCIM" / "100HERON"
    card.mkdir(parents=True)
    for truth, light in zip(truths_of(case), radiances(spec), strict=True):
        if truth.frame in spec.missing:
            continue
        shot = record(light, spec, truth)
        path = card / f"HERN{truth.frame + 1:04d}"
        if spec.jpegs == "only":
            path = path.with_suffix(".JPG")
            write_jpeg(path, shot, spec, truth, started=STARTED)
        else:
            path = path.with_suffix(".DNG")
            write_photo(path, shot, spec, truth, started=STARTED)
        if truth.frame in spec.torn:
            path.write_bytes(path.read_bytes()[: int(0.4 * path.stat().st_size)])
        if truth.frame < case.copies:
            (folder / "COPY").mkdir(exist_ok=True)
            shutil.copy2(path, folder / "COPY" / path.name)
    return folder


def with_card(case: Case, use: Callable[[Path], Any]) -> Any:
    """Write a case to a temporary folder, use it, and delete it."""
    with tempfile.TemporaryDirectory(prefix="evenflight-causes-") as place:
        return use(write_case(case, Path(place)))
