"""What a sequence's light is solved to be: vignette, uneven frames, haze and levels, in their order."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.colour.camera import CameraColour
from pipeline.measure.airlight import Airlight, estimate_airlight, without_airlight
from pipeline.measure.grid import Parts, solve_parts, without_fields
from pipeline.measure.levels import Levels, estimate_vignette, solve_levels
from pipeline.measure.look import PairFigures
from pipeline.measure.typical import as_typical
from pipeline.sequence import Triple


@dataclass(frozen=True)
class Ground:
    """The camera, what it saw of a grey surface, and its picture's typical level, all linear camera RGB."""

    colour: CameraColour
    neutral: Triple
    typical: Triple


@dataclass(frozen=True)
class Lighting:
    """The solved light; `held_out` holds the levels by the blocks that took no part in solving."""

    parts: Parts
    airlight: Airlight
    light: Levels
    held_out: Levels


def solve_lighting(
    count: int,
    pairs: list[PairFigures],
    medians: dict[int, Triple],
    ground: Ground,
    aspect: float,
    period_frames: float,
) -> Lighting:
    """Solve the light of `count` frames from their pairs; `medians` are of their pictures, by frame."""
    vignette = estimate_vignette(pairs)
    parts = solve_parts(count, pairs, vignette, aspect, period_frames)
    even = without_fields(pairs, parts.applied_ev, aspect)
    clear = as_typical(even, ground.colour, ground.neutral, ground.typical)
    light = solve_levels(count, clear, vignette, medians=medians)
    airlight = estimate_airlight(clear, vignette, light.level_ev, period_frames)
    if airlight.found:
        clear = without_airlight(clear, vignette, light.level_ev, airlight)
        light = solve_levels(count, clear, vignette, medians=medians)
    held_out = solve_levels(count, clear, vignette, held_out=True, medians=medians)
    return Lighting(parts, airlight, light, held_out)
