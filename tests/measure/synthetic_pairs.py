"""Pairs of frames as the measuring would give them, built from known light, vignette and noise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.measure.light import BlockRatios
from pipeline.measure.look import PairFigures
from pipeline.measure.pairs import BASELINES, Registration

Floats = NDArray[np.float64]

ASPECT = np.array([4.0, 3.0]) / 5.0  # a corner lies at radius 1


def no_matches(scale: float = 0.5) -> Registration:
    none = np.zeros((0, 2), np.float32)
    return Registration(none, none, None, np.zeros(0, bool), scale)


def vignette_loss(coefficients: tuple[float, float, float], radius: Floats) -> Floats:
    a1, a2, a3 = coefficients
    return np.asarray(a1 * radius**2 + a2 * radius**4 + a3 * radius**6)


def light_pair(
    i: int,
    j: int,
    level_ev: Floats,
    rng: np.random.Generator,
    *,
    blocks: int = 400,
    noise_ev: float = 0.02,
    spoiled: float = 0.0,
    spoiled_by: tuple[float, float] = (0.3, 1.0),
    vignette: tuple[float, float, float] = (0.0, 0.0, 0.0),
    shift: float = 0.3,
    slope_ev: tuple[float, float] = (0.0, 0.0),
    haze_change: float = 0.0,
    registered: bool = True,
) -> PairFigures:
    """A pair of frames of levels (n, 3) that shows `blocks` blocks, `shift` half-diagonals apart.

    A share of the blocks is `spoiled` by ratios too large: moving water. A frame darkens a block by the
    vignette's loss at its radius, and brightens it by a slope across the picture (sheen). Blocks are of
    levels from 0.02 to 0.3; airlight that changes by `haze_change` a frame changes dark ones most.
    """
    here = rng.uniform(-1.0, 1.0, (4 * blocks, 2)) * ASPECT
    there = here + rng.normal(0.0, 1.0, 2) / np.sqrt(2.0) * shift
    inside = (np.abs(there) < ASPECT).all(axis=1)
    here, there = here[inside][:blocks], there[inside][:blocks]
    truth = level_ev[j] - level_ev[i]
    loss = vignette_loss(vignette, np.hypot(*here.T)) - vignette_loss(vignette, np.hypot(*there.T))
    sheen = (there - here) @ np.array(slope_ev)
    ground_ev = rng.uniform(np.log2(0.02), np.log2(0.3), (len(here), 1)) * np.ones(3)
    airlight = haze_change * (j - i) / 2.0**ground_ev
    ratio = truth + (loss + sheen)[:, None] + airlight + rng.normal(0.0, noise_ev, (len(here), 3))
    bad = rng.random(len(here)) < spoiled
    ratio[bad] += rng.uniform(*spoiled_by, (int(bad.sum()), 1))
    return PairFigures(
        i,
        j,
        no_matches(),
        BlockRatios(
            ratio.astype(np.float32),
            np.full(len(here), noise_ev, np.float32),
            here.astype(np.float32),
            there.astype(np.float32),
            (ground_ev + (level_ev[i] + level_ev[j]) / 2.0).astype(np.float32),
        ),
        registered,
        nearer=0.02 * (j - i),
    )


def light_pairs(
    level_ev: Floats, seed: int = 0, absent: tuple[int, ...] = (), **how: object
) -> list[PairFigures]:
    """All pairs of the pipeline's baselines between the frames that are there."""
    rng = np.random.default_rng(seed)
    there = [k for k in range(len(level_ev)) if k not in absent]
    return [
        light_pair(there[place - baseline], frame, level_ev, rng, **how)  # type: ignore[arg-type]
        for place, frame in enumerate(there)
        for baseline in BASELINES
        if baseline <= place
    ]


def flicker(count: int, rms_ev: float = 0.08, seed: int = 1) -> Floats:
    """Random levels (n, 3), the same in all channels, the first at zero."""
    level = np.random.default_rng(seed).normal(0.0, rms_ev, count)
    return np.repeat((level - level[0])[:, None], 3, axis=1)
