"""Invented flights for the solving stages: timelines and the levels that measuring would give."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.levels import Levels
from pipeline.sequence import Frame, Sequence, Triple

Floats = NDArray[np.float64]


def sequence_of(
    count: int,
    *,
    missing: tuple[int, ...] = (),
    shutters_s: list[float | None] | None = None,
    neutrals: list[Triple | None] | None = None,
    attitudes: list[tuple[float, float, float] | None] | None = None,
    **more: object,
) -> Sequence:
    """A timeline of `count` frames, all of them photos but the missing ones."""
    frames = []
    for k in range(count):
        if k in missing:
            frames.append(Frame(frame=k, state="missing", why="number 12 is not on the card", time_s=2.0 * k))
            continue
        yaw, pitch, roll = (attitudes[k] if attitudes else None) or (None, None, None)
        frames.append(
            Frame(
                frame=k,
                state="photo",
                file=f"heron_{k:04d}.dng",
                time_s=2.0 * k,
                shutter_s=shutters_s[k] if shutters_s else None,
                aperture=2.8 if shutters_s else None,
                iso=100.0 if shutters_s else None,
                as_shot_neutral=neutrals[k] if neutrals else None,
                yaw_deg=yaw,
                pitch_deg=pitch,
                roll_deg=roll,
            )
        )
    facts: dict[str, object] = {
        "id": "20260501_100000",
        "kind": "raw",
        "camera": "Testcam Heron",
        "width": 1600,
        "height": 1200,
        "interval_s": 2.0,
        "frames": tuple(frames),
        **more,
    }
    return Sequence(**facts)  # type: ignore[arg-type]


def levels_of(level_ev: Floats, noise_ev: float = 0.0, seed: int = 0) -> Levels:
    """Levels as the solve gives them: (n,) or (n, 3), NaN where unknown, the first known frame at zero."""
    level = level_ev if level_ev.ndim == 2 else np.repeat(level_ev[:, None], 3, axis=1)
    level = level + np.random.default_rng(seed).normal(0.0, noise_ev, level.shape)
    known = np.isfinite(level).all(axis=1)
    if known.any():
        level = level - level[np.flatnonzero(known)[0]]
    sigma = np.where(known, 0.001, np.nan)
    return Levels(level, sigma, ~known, (0.0, 0.0, 0.0))
